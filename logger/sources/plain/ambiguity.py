"""Settle by the lines around it what a board's line leaves open. No I/O, no clock."""

from __future__ import annotations

import itertools
import math
import re
from collections import Counter, deque
from dataclasses import replace
from typing import Final

from logger.sources.plain.numbers import GROUP, MOST_FIELDS, Field, by_place, fields, is_judged, plain_text

DECIMAL_COMMAS: Final = (
    "prints decimal commas, and also commas between the numbers; have it print points, or ; between the "
    'numbers, or put decimal = "," into the plan\'s [[source]]'
)
TWO_THINGS: Final = (
    "prints lines that can still mean two things: a probe's number before its value or two values, a decimal "
    "comma or one between numbers; a few more lines will tell"
)
HEXADECIMAL: Final = "prints hexadecimal numbers; have it print degrees"
_LABEL: Final = re.compile(r"[A-Za-z][\w.\-/# ]{0,27}")
_WORD_FIRST: Final = re.compile(r"(?P<word>[A-Za-z][\w\-/]*)(?:\s*[,;]\s*|\s+)(?P<rest>.+)")
_HEX: Final = re.compile(r"(?:(?:0x)?(?:[0-9A-F]{4}|[0-9A-F]{8})(?:[,;\s]+|$))+", re.I)
_NO_TEMPERATURES: Final = re.compile(
    r"ts|time|timestamp|ms|millis|micros|uptime|seq|count|counter|id|heap|free_?heap|rssi|snr|v?bat(tery)?|vcc|"
    r"voltage|volts?|hum(idity)?|rh|pressure|sp|set_?point|out(put)?|duty|pwm|adc|raw|min|max|heat[_ ]?index|"
    r"internal( temp\w*)?|int|cjc?|cold[_ ]?junction",
    re.I,
)
"""Names of values that aren't temperatures (common practice, no source)."""
TURNS: Final = 3
"""How often a line that names one probe, or one board, must come before it counts as a sample."""


class Lines:
    """Splits lines whose meaning only shows from the lines around them.

    Names above their numbers; `1,21.5` then `2,22.0`; `north 21.5 22.0` then `south 26.5 27.0`; decimal
    commas between commas; hexadecimal numbers. `waits`: the last line can mean two things, and more must
    come. `turn`: whose line the last one was, if several probes or boards take turns, and `turns` how often
    each did. `counts`: which of the numbers, by their keys, only count.
    """

    def __init__(self, decimal: str | None = None) -> None:
        self.waits, self.turn = False, ""
        self.turns: Counter[str] = Counter()
        self.counts: dict[str, Count] = {}
        self._trouble = ""
        self._decimal = decimal
        self._label: str | None = None
        self._bare = False
        self._hex = False
        self._ids = _Ids()
        self._commas = _Commas()
        self._words: Counter[str] = Counter()
        self._judged = False

    @property
    def trouble(self) -> str:
        """Why lines are ignored, in words that follow a port's name; else empty."""
        return self._trouble or (TWO_THINGS if self.waits else "")

    @property
    def in_turn(self) -> list[str]:
        """Those that have taken enough turns for their lines to be samples."""
        return [turn for turn, times in self.turns.items() if times >= TURNS]

    def fields(self, line: bytes) -> list[Field]:
        """Split a line; see `numbers.fields`. Also empty while it `waits`."""
        found = self._fields(line)
        if self.waits:
            return []
        if len(self.counts) > 2 * MOST_FIELDS:  # names that never come again
            self.counts.clear()
            self.turns.clear()
        for field in found:
            self.counts.setdefault(field.key, Count(field.key)).take(field)
        if found and self.turn:
            self.turns[self.turn] += 1
        return found

    def _fields(self, line: bytes) -> list[Field]:
        self.waits, self.turn = False, ""
        text = plain_text(line)
        self._judged = self._judged or is_judged(text)
        found = fields(line, self._decimal, judged=self._judged)
        if _HEX.fullmatch(text) and (self._hex or re.search(r"0x|\d[A-F]|[A-F]\d", text, re.I)):
            self._hex, self._trouble = True, HEXADECIMAL
            return []
        if found and all(field.key.isdigit() for field in found):
            found = self._by_place(found, text)
        label, self._label = self._label, None
        if not found and not self.waits:
            self._label = text.rstrip(":") if _LABEL.fullmatch(text.rstrip(":")) else None
        elif len(found) == 1 and found[0].key == "1":
            self._bare = self._bare or label is None  # then words only come now and then, and aren't names
            if label is not None and not self._bare:
                found = [replace(found[0], key=label)]
        if len(found) == 1 and not found[0].key.isdigit():
            self.turn = found[0].key
        elif (group := GROUP.fullmatch(text)) is not None:
            self.turn = group["name"]
        return found

    def _by_place(self, found: list[Field], text: str) -> list[Field]:
        word = _WORD_FIRST.fullmatch(text)
        if word is not None and len(found) > 2 and all(f.value is not None for f in found[1:]):
            return self._after_a_word(word["word"], word["rest"], found)
        if self._decimal is None and text.count(",") == len(found) - 1 > 0:
            self._commas.take(text)
            if self._commas.sure:
                self._trouble = DECIMAL_COMMAS
                return []
            self.waits = self._commas.may_be
        if len(found) > 1 and all(f.value is not None for f in found[1:]):
            self._ids.take(found[0])
            if self._ids.sure and found[0].whole:
                self.turn = f"#{found[0].value:.0f}"
                if len(found) == 2:
                    return [replace(found[1], key=self.turn)]
                return [replace(f, key=f"{self.turn}.{i}") for i, f in enumerate(found[1:], 1)]
            self.waits = self.waits or self._ids.may_be
        return found

    def _after_a_word(self, word: str, rest: str, found: list[Field]) -> list[Field]:
        """Read lines that begin with a word: two boards taking turns, or one board's fixed word."""
        if len(self._words) < 32 or word in self._words:
            self._words[word] += 1
        if sum(1 for times in self._words.values() if times > 1) > 1:
            self.turn = word
            return [replace(f, key=f"{word}.{f.key}") for f in by_place(rest, self._decimal)]
        self.waits = self._words.total() < 4
        return found


class _Ids:
    """Tells a probe's number before its value from a temperature: 0, 1, 2, 0, 1, 2, again and again.

    A lost line doesn't count against it; evidence for it is collected as long as lines come. `may_be`: it is
    still undecided.
    """

    MOST = 16
    WINDOW = 40

    def __init__(self) -> None:
        self.sure = self.may_be = False
        self._lines = 0
        self._came: deque[int] = deque(maxlen=self.WINDOW)

    def take(self, field: Field) -> None:
        """Take the first number of a line with two."""
        if self.sure or field.value is None:  # half a line
            return
        whole = field.whole and field.value >= 0
        self._lines += 1
        self._came.append(min(int(field.value), self.MOST + 1) if whole else -1)
        numbers = [n for n in self._came if n >= 0]
        low, top = min(numbers, default=0), max(numbers, default=0)
        back = low > 1 and any(b < a for a, b in itertools.pairwise(numbers))
        if 2 * len(numbers) <= len(self._came) or top > self.MOST or back:
            self.may_be = False
            return
        steps = list(itertools.pairwise(self._came))
        odd = sum(1 for a, b in steps if b != a + 1 and (a, b) != (top, low))
        rounds = steps.count((top, low)) if top > low else 0
        self.sure = low < 2 and rounds >= (2 if top - low > 1 else 4) and 8 * odd <= len(self._came) + 7
        self.may_be = not self.sure and self._lines < self.WINDOW and 4 * odd < len(self._came) + 3


class _Commas:
    """Tells 21,5,22,0 from four whole numbers: every second one has one digit, and jumps from line to line.

    `may_be`: it is still undecided.
    """

    PATIENCE = 10

    def __init__(self) -> None:
        self.sure, self.may_be = False, True
        self._warm = False
        self._before: list[int] = []
        self._leaps = self._lines = 0

    def take(self, text: str) -> None:
        """Take a line with only commas between its numbers."""
        if self.sure or not self.may_be:
            return
        parts = [part.strip() for part in text.split(",")]
        wholes, decimals = parts[::2], parts[1::2]
        digits = {len(decimal) for decimal in decimals}
        self.may_be = len(parts) % 2 == 0 and all(re.fullmatch(r"[-+]?\d+", part) for part in parts)
        if self.may_be and digits == {2} and any(decimal[0] == "0" for decimal in decimals):
            self.sure = not any(w.lstrip("+-")[0] == "0" and len(w) > 1 for w in wholes)
        self.may_be = self.may_be and digits == {1}
        if not self.may_be:
            return
        now = [int(d) for d in decimals]
        self._warm |= any(abs(int(w)) > 9 for w in wholes)
        self._leaps += any(abs(a - b) > 1 for a, b in zip(now, self._before, strict=False))
        self._before = now
        self._lines += 1
        self.sure = self._warm and self._leaps > 2
        self.may_be = self._lines < self.PATIENCE


class Count:
    """Tells a counter or a board's clock from a temperature: whole, and rising by 1, or by 50 and more.

    A number that once moved differently is a temperature for good: whole degrees may climb like a counter.
    """

    def __init__(self, key: str) -> None:
        self._named = _NO_TEMPERATURES.fullmatch(key.rsplit(".", 1)[-1]) is not None
        self._moved_otherwise = False
        self._last: float | None = None
        self._steps: deque[float] = deque(maxlen=6)

    def take(self, field: Field) -> None:
        """Take a number with this name."""
        value = field.value
        if value is None or not math.isfinite(value):
            self._steps.clear()
            self._last = None
            return
        if self._last is not None:
            step = value - self._last if field.whole else 0.0
            if step >= -1 or value > 0.5 * self._last:  # else it has restarted
                self._moved_otherwise |= step != 1 and step < 50
                self._steps.append(step)
        self._last = value

    @property
    def may_count(self) -> bool:
        """Whether everything so far fits a count, however little that is."""
        steps = self._steps
        if self._named or self._moved_otherwise:
            return self._named
        return bool(steps) and (all(s == 1 for s in steps) or all(s >= 50 for s in steps))

    @property
    def counts(self) -> bool:
        """Whether that is certain."""
        return self.may_count and (self._named or len(self._steps) > 2 or self._steps[-1] != 1)
