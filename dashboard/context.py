"""What the pages share: where the journal is, and who may act."""

from collections.abc import Awaitable, Callable
from contextvars import ContextVar
from dataclasses import dataclass
from pathlib import Path

from starlette.requests import Request

Gate = Callable[[Request], Awaitable[str]]
"""Returns who is asking, or raises `fastapi.HTTPException` 401."""


async def anybody(request: Request) -> str:
    """Let anyone act: whoever reaches the loopback address is at this machine."""
    return "page"


@dataclass(frozen=True)
class Context:
    """What a running page works with."""

    journal_path: Path  # it need not exist yet
    operator: Gate = anybody  # for `Depends(context.operator)` on each endpoint that changes something

    @property
    def home(self) -> Path:
        """The folder that holds everything a user owns."""
        return self.journal_path.parent


current: ContextVar[Context] = ContextVar("stokewatch_context")
"""Set for each request, because callbacks are global in Dash and have to know which page they serve."""


def here() -> Context:
    """Return the context of the page being asked; LookupError outside a request (tests set `current`)."""
    return current.get()
