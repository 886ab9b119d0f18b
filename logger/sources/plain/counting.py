"""Numbers that count or tell the time, and what by its name is no temperature. No I/O, reads no clock."""

from __future__ import annotations

import functools
import math
import operator
import re
from collections import deque
from typing import Final

from logger.conversion.printed import Field

_NO_TEMPERATURES: Final = re.compile(
    r"(ts|time|timestamp|ms|millis|micros|uptime|seq|count|counter|id|(free[ _]?)?(heap|mem(ory)?)|rssi|snr|"
    r"v?bat(tery)?([ _]?(v|volts?|voltage|level))?|vcc|"
    r"voltage|volts?|hum(idity)?|rh|pressure|sp|set_?point|out(put)?|duty|pwm|adc|raw|heat[_ ]?index|"
    r"internal( temp\w*)?|int|cjc?|cold[_ ]?junction)\d*|min|max",
    re.I,
)
"""Names of values that aren't temperatures (common practice, no source)."""


_SURE_SUMS: Final = 3


def _sum(body: bytes) -> int:
    return sum(body) % 256


def _xor(body: bytes) -> int:
    return functools.reduce(operator.xor, body, 0)


class Count:
    """Tells a counter or a board's clock from a temperature: whole, and up by 1, or by 50 and more.

    Or it goes with the time, second by second. What once moved otherwise is a temperature for good: one of
    whole degrees may climb like a counter.
    """

    def __init__(self, key: str) -> None:
        self.came = False  # a number, ever
        self._named = _NO_TEMPERATURES.fullmatch(key.rsplit(".", 1)[-1]) is not None
        self._moved_otherwise = False
        self._last: float | None = None
        self._steps: deque[float] = deque(maxlen=6)
        self._clock = _Clock()
        self._sums: set[float] | None = set()  # checksums that were right; None: one wasn't
        self.fractions = self._wholes = 0  # how often it was printed with decimals, or without

    def take(self, field: Field, at_s: float | None = None) -> None:
        """Take a number of that name."""
        value = field.value
        if value is None or not math.isfinite(value):
            self._steps.clear()
            self._last = None
            return
        self.came = True
        self._wholes += field.whole
        self.fractions += not field.whole
        if at_s is not None:
            self._clock.take(value, at_s, 1.05 if field.whole else 0.2)
        if self._last is not None:
            step = value - self._last if field.whole else 0.0
            if step >= -1 or value > 0.5 * self._last:  # else it has begun again
                self._moved_otherwise |= step != 1 and step < 50
                self._steps.append(step)
        self._last = value

    def check(self, value: float | None, body: bytes) -> None:
        """Take what ends a line: whether it is a checksum of what is before it."""
        if self._sums is None or value is None or len(self._sums) >= _SURE_SUMS:
            return
        if value in {f(b) for b in (body, body[:-1]) for f in (_sum, _xor)}:
            self._sums.add(value)
        else:
            self._sums = None

    @property
    def _is_sum(self) -> bool:
        return self._sums is not None and len(self._sums) >= _SURE_SUMS

    def torn(self, field: Field) -> bool:
        """Whether a number lacks the decimals that it nearly always has: the rest of the line was lost."""
        return field.whole and self.fractions > max(7, 12 * self._wholes)

    @property
    def may_count(self) -> bool:
        """Whether all that came is a count's, even if it is little."""
        steps = self._steps
        like_one = bool(steps) and (all(s == 1 for s in steps) or all(s >= 50 for s in steps))
        return (
            self._named or self._clock.may_be or bool(self._sums) or (like_one and not self._moved_otherwise)
        )

    @property
    def counts(self) -> bool:
        """Whether that is sure."""
        if self._named or self._clock.sure or self._is_sum:
            return True
        return (
            self.may_count
            and not self._clock.may_be
            and not self._sums
            and (len(self._steps) > 2 or self._steps[-1] != 1)
        )


class _Clock:
    """Tells seconds, as a board counts them, from a temperature: up by as many as have gone by.

    A board that starts again, or a line that came late, is no reason against it; three on end are.
    """

    SURE_S: Final = 10.0

    def __init__(self) -> None:
        self.may_be = self.sure = False
        self._off = 0
        self._from: tuple[float, float] | None = None

    def take(self, value: float, at_s: float, within: float) -> None:
        """Take a number that came `at_s`."""
        if self._off > 2:
            return
        if self._from is None:
            self._from = value, at_s
            return
        gone = value - self._from[0], at_s - self._from[1]
        if abs(gone[0] - gone[1]) <= within:
            self._off = 0
            self.may_be = True
            self.sure = self.sure or gone[1] >= self.SURE_S
            return
        self._from = value, at_s
        self._off = self._off + 1 if self.sure else 3
        if self._off > 2:
            self.may_be = self.sure = False
