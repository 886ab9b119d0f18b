"""The numbers that a board offers for recording, before anyone has chosen. No I/O, no clock."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final

from logger.sources.plain.ambiguity import Lines
from logger.sources.plain.numbers import Field, channel_names

_ROOM_F: Final = (60.0, 100.0)
_HOTTEST_C: Final = 1400.0
"""Common practice, no source: no open fire gets near it. [°C]"""


class Offered:
    """The numbers that a board keeps printing, line by line; for `decimal` see `numbers.fields`."""

    def __init__(self, decimal: str | None = None) -> None:
        self._lines = Lines(decimal)
        self._before: list[str] = []
        self._same = 0
        self._alone: dict[str, dict[str, Field]] = {}
        self._last: dict[str, Field] = {}

    @property
    def trouble(self) -> str:
        """Why lines are ignored, in words that follow a port's name; else empty."""
        return self._lines.trouble

    @property
    def settled(self) -> bool:
        """Whether all is clear: what the lines mean, and who takes turns."""
        return not self._lines.waits and len(self._lines.in_turn) == len(self._lines.turns)

    def take(self, line: bytes, at_s: float | None = None) -> None:
        """Take a line, and when it came."""
        found = self._lines.fields(line, at_s)
        if self._lines.waits:
            return
        keys = [field.key for field in found]
        named = {n: f for n, f in zip(channel_names(keys), found, strict=True) if f.value is not None}
        if self._lines.turn and named:
            self._alone[self._lines.turn] = named
        self._same = self._same + 1 if keys == self._before else 1
        self._before = keys or self._before
        if keys and self._same >= 3:
            self._last = named

    @property
    def numbers(self) -> dict[str, Field]:
        """The last of each, by its future channel's name; empty until three lines agree."""
        if self.trouble:
            return {}
        in_turn = self._lines.in_turn
        alone = {name: field for turn in in_turn for name, field in self._alone.get(turn, {}).items()}
        given = alone if len(in_turn) > 1 and self._last.keys() <= alone.keys() else self._last
        counting = {key for key, count in self._lines.counts.items() if count.counts}
        return {name: field for name, field in given.items() if field.key not in counting}

    @property
    def values(self) -> dict[str, float]:
        """The numbers as printed; NaN for an open input."""
        return {name: field.value for name, field in self.numbers.items() if field.value is not None}


def doubt(numbers: Mapping[str, float]) -> str:
    """A sentence if numbers look like a unit other than °C, else empty."""
    values = sorted(v for v in numbers.values() if math.isfinite(v))
    if not values:
        return ""
    if values[-1] > _HOTTEST_C and all(v % 1 == 0 for v in values):
        return "No fire is that hot: if these are tenths or hundredths, give each a 'scale' in the plan."
    low, high = _ROOM_F
    if len(values) > 1 and low < values[0] and values[-1] < high and values[-1] - values[0] < 15:
        return "All are near 70: if that is room temperature in °F, add --unit F."
    return ""
