"""What the pages share: where the journal is, and who asks."""

from collections.abc import Awaitable, Callable
from contextvars import ContextVar
from dataclasses import dataclass
from pathlib import Path

from starlette.requests import Request

Gate = Callable[[Request], Awaitable[str]]
"""Lets a request through and says who asks, or raises `fastapi.HTTPException` 401."""


async def anybody(request: Request) -> str:
    """Let everybody act: whoever reaches the loopback address sits at this machine."""
    return "page"


@dataclass(frozen=True)
class Context:
    """What one running page works on."""

    journal_path: Path  # the journal; it need not exist yet
    operator: Gate = anybody  # for `Depends(context.operator)` on each endpoint that changes something

    @property
    def home(self) -> Path:
        """The folder that holds everything a user owns."""
        return self.journal_path.parent


current: ContextVar[Context] = ContextVar("stokewatch_context")
"""Set for each request, so that callbacks, which are global in Dash, know which page they belong to."""


def here() -> Context:
    """Give the context of the page that is asked; outside of a request LookupError (tests set `current`)."""
    return current.get()
