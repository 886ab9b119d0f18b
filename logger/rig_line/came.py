"""A frame as it came in, before it is known which boot it is of, and what became of it. Pure."""

from __future__ import annotations

import enum
from dataclasses import dataclass, field
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

    @property
    def packed(self) -> int:
        """The key in little memory."""
        return (self.seq << 64) + (self.ms << 32) + self.checksum


def signed(difference: int) -> int:
    """Of all differences that a wrapping counter can mean, return the one nearest to zero."""
    return (difference + WRAP // 2) % WRAP - WRAP // 2


class Verdict(enum.Enum):
    """What became of a frame when it came in."""

    PLACED = "placed"
    DUPLICATE = "duplicate"
    """The same bytes are on disk, or on their way there."""
    HELD = "held"
    """The caller must set it apart; it may be placed later."""


class Begin(enum.Enum):
    """How a rig's first boot may begin."""

    AT_ONCE = "at once"
    WHEN_STEADY = "when steady"
    NEVER = "never"


@dataclass(slots=True)
class Outcome:
    """The result of taking a frame."""

    verdict: Verdict
    # frames to record now, each with the time it was made; formerly held ones may be among them
    placed: list[tuple[Came, float]] = field(default_factory=list)
    said: list[str] = field(default_factory=list)  # news for people: `reboot`, `twins`, `disorder`
