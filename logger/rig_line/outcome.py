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
    """The caller must set it apart; it may be placed later."""


class Begin(enum.Enum):
    """How a rig's first boot may begin."""

    AT_ONCE = "at once"
    WHEN_STEADY = "when steady"
    NEVER = "never"


class Outcome:
    """The result of taking a frame.

    `placed` are frames to record now, each with the time it was made; formerly held ones may be among them.
    `said` is news for people: `reboot`, `twins`.
    """

    __slots__ = ("placed", "said", "verdict")

    def __init__(self, verdict: Verdict) -> None:
        self.verdict = verdict
        self.placed: list[tuple[Came, float]] = []
        self.said: list[str] = []
