"""What the rooms of the page share: where the journal is, and who may change something."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from pathlib import Path

from starlette.requests import Request

Gate = Callable[[Request], Awaitable[str]]
"""Lets a request through and says who asks, or raises `fastapi.HTTPException` 401."""


async def anybody(request: Request) -> str:
    """Let everybody act: who reaches the loopback address sits at this machine.

    Parameters
    ----------
    request : Request

    Returns
    -------
    str
        Who.
    """
    return "page"


@dataclass(frozen=True)
class Context:
    """Given to each room's `routes`.

    Attributes
    ----------
    journal_path : Path
        The journal; it need not exist yet.
    operator : Gate
        For `Depends(context.operator)` on each endpoint that changes something.
    """

    journal_path: Path
    operator: Gate = anybody

    @property
    def home(self) -> Path:
        """The folder that holds everything a user owns."""
        return self.journal_path.parent
