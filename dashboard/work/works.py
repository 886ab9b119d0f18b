"""Work that takes seconds, each under a key: begun, looked at, stopped."""

import asyncio
import contextlib
import secrets
from collections.abc import Awaitable, Callable, Hashable
from typing import Any, Final

from dashboard.work.apart import run_apart
from logger.errors import StokewatchError

KEPT: Final = 60
"""Works that are remembered; those that are over go, the oldest first."""


class Stopped(StokewatchError):
    """Somebody stopped the work."""

    def __init__(self) -> None:
        super().__init__("stopped")


class Work:
    """Something that takes seconds."""

    task: asyncio.Task[Any]

    def __init__(self, key: Any, words: str) -> None:
        self.key = key  # what it is of, or a token that nobody guesses
        self.words = words  # what is being done
        self.share = 0.0

    def come(self, share: float) -> None:
        """Take how far it has come."""
        self.share = share

    @property
    def done(self) -> bool:
        """Whether there is an answer, or a failure."""
        return self.task.done()

    @property
    def failed(self) -> bool:
        """Whether it was stopped, or failed."""
        over = self.done and (self.task.cancelled() or self.task.exception() is not None)
        return over or self.task.cancelling() > 0

    def answer(self) -> Any:
        """Give what came of it; StokewatchError: it failed, or was stopped."""
        if self.task.cancelled():
            raise Stopped
        return self.task.result()

    async def wait(self, s: float | None = None) -> "Work":
        """Wait until it is over, or for a while; whoever goes away doesn't take it from the others."""
        await asyncio.wait([self.task], timeout=s)
        return self

    async def stop(self) -> None:
        """Cancel it, and wait until it has ended; nothing if it is over."""
        self.task.cancel()
        with contextlib.suppress(asyncio.CancelledError, Exception):
            await asyncio.wait([self.task], timeout=10)


class Works:
    """Works by their keys."""

    def __init__(self, kept: int = KEPT) -> None:
        self._kept = kept
        self._works: dict[Hashable, Work] = {}

    def begin(self, run: Callable[[Work], Awaitable[Any]], words: str, key: Hashable = None) -> Work:
        """Begin a work, under a token of its own if it has no key; `run` tells it how far it has come."""
        work = Work(key or secrets.token_hex(12), words)
        work.task = asyncio.create_task(run(work), name=words)  # type: ignore[arg-type]
        work.task.add_done_callback(_seen)
        self._works[work.key] = work
        for old in [k for k, each in self._works.items() if each.done][
            : max(0, len(self._works) - self._kept)
        ]:
            del self._works[old]
        return work

    def begin_apart(self, job: str, words: str, **given: Any) -> Work:
        """Begin one of `apart.JOBS`."""
        return self.begin(lambda work: run_apart(job, tell=work.come, **given), words)

    def find(self, key: Any) -> Work | None:
        """Find a work; None where nobody knows it (any more)."""
        return self._works.get(key) if isinstance(key, Hashable) else None

    def forget(self, key: Any) -> Work | None:
        """Find a work for the last time."""
        return self._works.pop(key, None) if isinstance(key, Hashable) else None

    async def stop(self, key: Any) -> None:
        """Stop a work, and forget it; nothing if it is over, or unknown."""
        if (work := self.forget(key)) is not None:
            await work.stop()


def _seen(task: asyncio.Task[Any]) -> None:
    """Keep quiet, at its end, about work that failed while nobody looked."""
    if not task.cancelled():
        task.exception()
