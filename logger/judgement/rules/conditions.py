"""What a rule says about one place in one second."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

LOAD: Final = "load"
"""The place of an alarm about the whole stack."""


@dataclass(slots=True)
class Condition:
    """One rule at one place in one second.

    Attributes
    ----------
    rule : str
    zone, probe : str or None
    holds : bool
        Includes the rule's deadband.
    on_delay_s, off_delay_s : float
        How long it must hold, or be absent. [s]
    words : callable
        Gives the message; called only when the alarm is raised.
    """

    rule: str
    zone: str | None
    probe: str | None
    holds: bool
    on_delay_s: float
    off_delay_s: float
    words: Callable[[], str]

    @property
    def key(self) -> str:
        """The alarm's key."""
        return f"{self.rule}:{self.probe or self.zone or LOAD}"
