"""A boot's missing frames, whose places are kept in case they come late. Pure."""

from __future__ import annotations

from bisect import bisect_left
from typing import Final, NamedTuple

HOLES: Final = 1024
"""Most holes kept open for late frames; beyond that the narrowest is closed."""


class Hole(NamedTuple):
    """Missing frames, first to last, and the rig's clock in the frames on either side."""

    first: int
    last: int
    before_ms: int
    after_ms: int
    filling: bool = False  # whether the frames before it came late


class Holes:
    """A boot's holes, by seq."""

    def __init__(self) -> None:
        self._holes: list[Hole] = []

    def __len__(self) -> int:
        return len(self._holes)

    def at(self, seq: int) -> Hole | None:
        """Find the hole that a frame fits into."""
        i = self._index(seq)
        return self._holes[i] if i < len(self._holes) and self._holes[i].first <= seq else None

    def open(self, hole: Hole) -> int:
        """Add a hole, and return how many frames are missing in it."""
        self._holes.insert(self._index(hole.first), hole)
        if len(self._holes) > HOLES:
            self._holes.remove(min(self._holes, key=lambda one: one.last - one.first))
        return hole.last - hole.first + 1

    def fill(self, seq: int, ms: int) -> None:
        """Put a frame into its hole; there must be one."""
        i = self._index(seq)
        hole = self._holes.pop(i)
        parts = (
            hole._replace(last=seq - 1, after_ms=ms),
            hole._replace(first=seq + 1, before_ms=ms, filling=True),
        )
        self._holes[i:i] = [part for part in parts if part.first <= part.last]

    def _index(self, seq: int) -> int:
        return bisect_left(self._holes, seq, key=lambda hole: hole.last)
