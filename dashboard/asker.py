"""Whose request is being served: for those that share something out."""

from __future__ import annotations

from contextvars import ContextVar
from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Asker:
    """Who asks.

    Attributes
    ----------
    who : str
        The address, as `connections.who_is` gives it; empty for this machine.
    trusted : bool
        Whether it is an operator's address, or this machine's own.
    """

    who: str = ""
    trusted: bool = True


asker: Final[ContextVar[Asker]] = ContextVar("asker", default=Asker())  # noqa: B039  frozen
"""Of the present request; set by `limits.Limits`."""
