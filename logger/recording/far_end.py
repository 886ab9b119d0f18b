"""Whoever sent the frames: what the recording tells it, and asks it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from logger.plan import Plan

Token = tuple[str, object]
"""A source's name and what it wants to hear back."""


class FarEnd:
    """Sources and beacons, as the journal's thread knows them; this one hears nothing and says nothing."""

    def committed(self, tokens: Sequence[Token]) -> None:
        """Take the tokens of frames that are on disk."""

    def refused(self, tokens: Sequence[Token]) -> None:
        """Take the tokens of frames that nobody keeps."""

    def again(self, tokens: Sequence[Token]) -> None:
        """Take the tokens of frames that had to be let go of: whoever has them should send them again."""

    def armed(self, plan: Plan) -> None:
        """Take a plan that was armed, also where that still holds at a start."""

    def sources(self) -> list[dict[str, Any]]:
        """Give the sources' state for the heartbeat."""
        return []

    def beacons(self) -> dict[str, str]:
        """Give the state of each rig's beacon."""
        return {}

    def test_beacons(self) -> None:
        """Have all beacons tried."""
