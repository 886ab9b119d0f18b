"""What becomes of a frame that came in."""

from __future__ import annotations

import enum

from logger.rig_line.came import Came


class Verdict(enum.Enum):
    """What became of a frame when it came in."""

    PLACED = "placed"
    DUPLICATE = "duplicate"
    """The same bytes are on disk, or on their way there."""
    HELD = "held"
    """To be set apart by the caller; it may be placed later."""


class Begin(enum.Enum):
    """How a rig's first boot may begin."""

    AT_ONCE = "at once"
    WHEN_STEADY = "when steady"
    NEVER = "never"


class Outcome:
    """What taking a frame led to.

    `placed` are frames to record now, with the time each was made at; held ones may be among them. `said` is
    what people should know: `reboot`, `twins`.
    """

    __slots__ = ("placed", "said", "verdict")

    def __init__(self, verdict: Verdict) -> None:
        self.verdict = verdict
        self.placed: list[tuple[Came, float]] = []
        self.said: list[str] = []
