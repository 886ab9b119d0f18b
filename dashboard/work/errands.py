"""Work that somebody waits for and may cancel, each under a name that nobody guesses."""

import asyncio
import contextlib
import secrets
from collections import OrderedDict
from collections.abc import Awaitable, Callable
from typing import Any, Final

from dashboard.work.apart import run_apart
from dashboard.work.gathering import Stopped, Work
from logger.errors import UserError

KEPT: Final = 60
"""Errands that are remembered; those that are over go first."""


class GoneError(UserError):
    """An errand that nobody knows any more."""

    def __init__(self) -> None:
        super().__init__("this is no longer known here; begin again")


class Errands:
    """Errands of one page."""

    def __init__(self) -> None:
        self._works: OrderedDict[str, Work] = OrderedDict()

    def begin(self, run: Callable[[Work], Awaitable[dict[str, Any]]], name: str) -> str:
        """Begin an errand, and name it for `look` and `stop`; `run` tells its work how far it has come."""
        token, work = secrets.token_hex(12), Work()
        work.task = asyncio.create_task(run(work), name=name)  # type: ignore[arg-type]
        work.task.add_done_callback(_seen)
        self._works[token] = work
        for old in [key for key, each in self._works.items() if each.done][: len(self._works) - KEPT]:
            del self._works[old]
        return token

    def begin_apart(self, job: str, **given: Any) -> str:
        """Begin one of `apart.JOBS`, and name it."""
        return self.begin(lambda work: run_apart(job, tell=work.come, **given), job)

    def look(self, token: object) -> Work:
        """Find an errand, or raise GoneError."""
        work = self._works.get(token) if isinstance(token, str) else None
        if work is None:
            raise GoneError
        return work

    async def wait(self, token: object, s: float) -> Work:
        """Wait a little for an errand."""
        work = self.look(token)
        await asyncio.wait([work.task], timeout=s)
        return work

    async def stop(self, token: object) -> None:
        """Cancel an errand, and wait until it has ended; nothing if it is over, or unknown."""
        work = self._works.pop(token, None) if isinstance(token, str) else None
        if work is not None:
            work.task.cancel()
            with contextlib.suppress(asyncio.CancelledError, Exception):
                await asyncio.wait([work.task], timeout=10)


def _seen(task: asyncio.Task[Any]) -> None:
    """Keep quiet, at its end, about an errand that failed while nobody looked."""
    if not task.cancelled():
        task.exception()


__all__ = ["Errands", "GoneError", "Stopped"]
