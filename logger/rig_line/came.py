"""A frame as it came in, before it is known which boot it is of. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

UNKNOWN: Final = -1
"""A checksum that wasn't kept."""

WRAP: Final = 1 << 32


@dataclass(slots=True, eq=False)
class Came:
    """A sound frame that came in."""

    seq: int  # the rig's counter …
    ms: int  # … and clock, as sent
    arrival_s: float
    checksum: int  # of its line; `UNKNOWN` if only the journal knows the frame
    what: Any = None  # the caller's own; never used here
    apart: int | None = None  # its number in `set_apart`; None if it isn't there
    known: bool = False  # the same bytes are recorded already, perhaps in an earlier boot
    hangs: bool = False  # it belongs together with at least two others
    placed: bool = False  # it has its time, and is never placed again

    @property
    def key(self) -> tuple[int, int, int]:
        """What distinguishes it from any other frame of its rig."""
        return self.seq, self.ms, self.checksum


def signed(difference: int) -> int:
    """Of all differences that a wrapping counter can mean, return the one nearest to zero."""
    return (difference + WRAP // 2) % WRAP - WRAP // 2
