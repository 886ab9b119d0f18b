"""Whose request is being served: for those that share something out."""

from __future__ import annotations

from contextvars import ContextVar
from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Asker:
    """Who asks."""

    who: str = ""  # the address, as `connections.who_is` gives it; empty for this machine
    trusted: bool = True  # whether it is an operator's address, or this machine's own


asker: Final[ContextVar[Asker]] = ContextVar("asker", default=Asker())  # noqa: B039  frozen
"""Of the present request; set by `limits.Limits`."""
