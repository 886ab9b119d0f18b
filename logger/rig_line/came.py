"""A frame as it came in, before it is known which boot it is of. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

UNKNOWN: Final = -1
"""A checksum that nobody kept."""

WRAP: Final = 1 << 32


@dataclass(slots=True, eq=False)
class Came:
    """A sound frame that came in."""

    seq: int  # the rig's counter …
    ms: int  # … and clock, as sent
    arrival_s: float
    checksum: int  # of its line; `UNKNOWN` where only the journal knows the frame
    what: Any = None  # whatever belongs to it; never looked at here
    apart: int | None = None  # where it was set apart on disk; None if it wasn't
    known: bool = False  # the same bytes are recorded already: in a boot before, it may be
    hangs: bool = False  # it hangs together with at least two others
    placed: bool = False  # it has its time: nothing places it again

    @property
    def key(self) -> tuple[int, int, int]:
        """What tells it from any other frame of its rig."""
        return self.seq, self.ms, self.checksum


def signed(difference: int) -> int:
    """Give the nearest of all the differences that a counter which wraps can mean."""
    return (difference + WRAP // 2) % WRAP - WRAP // 2
