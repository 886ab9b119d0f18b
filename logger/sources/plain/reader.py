"""A board's lines, turned into samples, and what they offer for recording. No I/O, no clock."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Final

from logger.conversion.printed import MOST_FIELDS, Field, Printed, Unit, channel_names
from logger.plan.sources import SourceChannel
from logger.reading import Sample
from logger.sources.plain.ambiguity import Lines

_ROOM_F: Final = (60.0, 100.0)
_HOTTEST_C: Final = 1400.0
"""Common practice, no source: no open fire gets near it. [°C]"""


class LineReader:
    """Turns a board's lines into samples.

    Without `channels` every number is one, under its own name or as `n1`, `n2`, …; `unit` is for these, if
    the line doesn't give one.

    There is no checksum: only its looks distinguish a whole line from half of one, or from what a board
    prints at start-up. Consecutive lines with the same keys for `SETTLE_S` settle what a sample is; a line
    with other keys isn't one. If a board changes what it prints, that is followed after `FOLLOW_S`. Not if it
    has printed `FIRM` samples by place and now leaves a place out: the others would be mistaken. The first
    sample waits up to `DECIDED_S` for numbers that may be a clock, so that channels come in their order.

    Before anyone has chosen channels, `numbers` is what the board offers for recording.
    """

    SETTLE_S: Final = 0.4
    FOLLOW_S: Final = 5.0
    FIRM: Final = 5
    DECIDED_S: Final = 2.5

    def __init__(
        self, channels: Sequence[SourceChannel] = (), unit: Unit = "C", decimal: str | None = None
    ) -> None:
        self._channels = {channel.name or "": channel for channel in channels}
        self._printed = Printed(unit)
        self._settled: tuple[str, ...] | None = None
        self._before: tuple[str, ...] | None = None
        self._since_s = 0.0
        self.lines = Lines(decimal)
        self._of_turn = False
        self._turns_s = math.inf  # when a line first said whose it is
        self._samples, self._sampled_s, self._began_s = 0, 0.0, math.inf
        self._taken = 0
        self._last: dict[str, Field] = {}
        self.fewer = ""
        """Why lines are left alone that have fewer numbers than before, in words that go on after "it"."""

    @property
    def counts(self) -> tuple[str, ...]:
        """Names of numbers that only count, or aren't temperatures by name: no channels unless marked."""
        counting = (key for key, count in self.lines.counts.items() if count.counts)
        return tuple(sorted(channel_names([key])[0] for key in counting))

    @property
    def settled(self) -> bool:
        """Whether all is clear: what the lines mean, and who takes turns."""
        return not self.lines.waits and len(self.lines.in_turn) == len(self.lines.turns)

    @property
    def numbers(self) -> dict[str, Field]:
        """The last of each, by its future channel's name, in the board's order."""
        if self.lines.trouble:
            return {}
        counts = self.lines.counts
        by_key = {field.key: (name, field) for name, field in self._last.items()}
        return dict(by_key[key] for key in counts if key in by_key and not counts[key].counts)

    @property
    def values(self) -> dict[str, float]:
        """These numbers as printed; NaN for an open input."""
        return {name: field.value for name, field in self.numbers.items() if field.value is not None}

    def take(self, line: bytes, at_s: float | None = None) -> dict[str, Field]:
        """Read a line by its future channels; empty if it isn't a sample: chatter, half a line, the first.

        Where it isn't known when a line came, four lines a second are assumed.
        """
        found = self.lines.fields(line, at_s)
        self._taken += 1
        keys = [field.key for field in found]
        if not found or not self._is_sample(tuple(keys), self._taken / 4 if at_s is None else at_s):
            return {}
        named = dict(zip(channel_names(keys), found, strict=True))
        numbers = {name: field for name, field in named.items() if field.value is not None}
        kept = self._last if self._of_turn and len(self._last) < MOST_FIELDS else {}
        self._last = kept | numbers
        return named

    def sample(self, line: bytes, at_s: float) -> dict[str, Sample] | None:
        """Read a line by channel; None if it isn't a sample."""
        found = self.take(line, at_s)
        if not found:
            return None
        counts = self.lines.counts
        wanted = self._channels
        if not wanted:
            self._began_s = min(self._began_s, at_s)
            if at_s - self._began_s < self.DECIDED_S and any(
                counts[f.key].may_count and not counts[f.key].counts for f in found.values()
            ):
                return None  # else a probe that might be a clock would come last of all
            wanted = {n: SourceChannel(field=f.key) for n, f in found.items() if not counts[f.key].may_count}
        by_key = {f.key: f for f in found.values()}
        samples = {}
        for name, channel in wanted.items():
            field = by_key.get(str(channel.field))
            if field is None:
                continue
            # A word where the plan says that a number is: there is none, even if none ever came.
            value = math.nan if field.word and self._channels else field.value
            if value is not None:
                samples[name] = self._printed.reading(name, channel, value, field.unit)
        return samples or None

    def _is_sample(self, keys: tuple[str, ...], at_s: float) -> bool:
        if keys != self._before:
            self._before, self._since_s = keys, at_s
        turn = self.lines.turn
        if turn:
            self._turns_s = min(self._turns_s, at_s)
        if keys == self._settled:
            self._sampled_s = at_s
            self._samples += 1
            self.fewer = ""
            return True
        other = self._settled is None or at_s - self._sampled_s >= self.FOLLOW_S
        if turn and (other or self._of_turn):
            # T1: 21.5 on one line, T2: 22.0 on the next: each is a sample of one channel.
            often = self.lines.in_turn
            if len(often) > 1 and turn in often and at_s - self._turns_s >= self.SETTLE_S:
                if not self._of_turn:  # what was printed before has gone
                    self._of_turn, self._last = True, {}
                return True
        patience_s = self.SETTLE_S if self._settled is None else self.FOLLOW_S
        if at_s - self._since_s < patience_s or self._leaves_a_place_out(keys):
            return False
        self._settled, self._of_turn, self._samples = keys, bool(turn), 0
        self._last = {}
        return True

    def _leaves_a_place_out(self, keys: tuple[str, ...]) -> bool:
        before = self._settled or ()
        by_place = all(key.isdigit() for key in (*before, *keys))
        if self._samples < self.FIRM or len(keys) >= len(before) or not by_place:
            return False
        self.fewer = (
            f"prints {len(keys)} numbers now where it printed {len(before)}; nothing is recorded, since "
            "which probe is missing can't be told: mend it, or start the logger again"
        )
        return True


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
