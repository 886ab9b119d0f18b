"""A board's lines, one after another, to samples. No I/O, no clock."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from logger.reading import Sample
from logger.sources.plain.ambiguity import Lines
from logger.sources.plain.numbers import MOST_FIELDS, Marked, MinusOne, Unit, channel_names


class LineReader:
    """Turns a board's lines into samples.

    Without `marks` every number is a channel, under its own name or as `n1`, `n2`, …; `unit` is for these,
    where the line doesn't say.

    There is no checksum: what a line looks like is all that tells a whole one from half of one, or from what
    a board says while it starts. Lines with the same keys, one after another for `SETTLE_S`, settle what a
    sample is; a line with other keys is none. A board that prints otherwise is followed after `FOLLOW_S`.
    """

    SETTLE_S: Final = 0.4
    FOLLOW_S: Final = 5.0

    def __init__(self, marks: Sequence[Marked] = (), unit: Unit = "C", decimal: str | None = None) -> None:
        self._marks = tuple(marks)
        self._unit = unit
        self._settled: tuple[str, ...] | None = None
        self._before: tuple[str, ...] | None = None
        self._since_s = 0.0
        self._lines = Lines(decimal)
        self._take_turns = self._of_turn = False
        self._first_s: dict[str, float] = {}
        self._minus_one = MinusOne()

    @property
    def counts(self) -> tuple[str, ...]:
        """Names of numbers that only count, or are no temperature by name: no channels unless marked."""
        counting = (key for key, count in self._lines.counts.items() if count.counts)
        return tuple(sorted(channel_names([key])[0] for key in counting))

    @property
    def trouble(self) -> str:
        """Why lines are left alone, in words that go on after a port's name; else empty."""
        return self._lines.trouble

    def sample(self, line: bytes, at_s: float) -> dict[str, Sample] | None:
        """Read a line by channel; None where it is no sample: chatter, half a line, the first of its kind."""
        found = self._lines.fields(line)
        if not found or not self._is_sample(tuple(f.key for f in found), at_s):
            return None
        by_key = {f.key: f for f in found}
        if not self._marks:
            return {
                name: Marked(name, f.key, f.unit or self._unit).sample(self._minus_one.live(f.key, f.value))
                for name, f in zip(channel_names([f.key for f in found]), found, strict=True)
                if f.value is not None and not self._lines.counts[f.key].may_count
            } or None
        samples = {
            mark.channel: mark.sample(
                self._minus_one.live(mark.key, value) if mark.as_printed else value, by_key[mark.key].unit
            )
            for mark in self._marks
            if mark.key in by_key and (value := by_key[mark.key].value) is not None
        }
        return samples or None

    def _is_sample(self, keys: tuple[str, ...], at_s: float) -> bool:
        if keys != self._before:
            self._before, self._since_s = keys, at_s
        turn = self._lines.turn
        if len(self._first_s) > 2 * MOST_FIELDS:
            self._first_s.clear()
        first_s = self._first_s.setdefault(turn, at_s)
        if keys == self._settled:
            return True
        if turn and (self._settled is None or self._take_turns or self._of_turn):
            # T1: 21.5 on a line, T2: 22.0 on the next: each is a sample of one channel.
            often = self._lines.in_turn
            if len(often) > 1 and turn in often and at_s - first_s >= self.SETTLE_S:
                self._take_turns = True
                return True
        if at_s - self._since_s < (self.SETTLE_S if self._settled is None else self.FOLLOW_S):
            return False
        self._settled, self._of_turn = keys, bool(turn)
        return True
