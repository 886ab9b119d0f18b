"""Tasks that take seconds, each under a key: started, watched, stopped."""

import asyncio
import contextlib
import math
import secrets
import time
from collections.abc import Awaitable, Callable, Hashable
from typing import Any, Final

from dashboard.work.apart import run_apart
from logger.errors import StokewatchError

KEPT: Final = 60
"""How many are remembered; beyond that, finished ones are forgotten, oldest first."""


class Stopped(StokewatchError):
    """Somebody stopped the work."""

    def __init__(self) -> None:
        super().__init__("stopped")


class Work:
    """Something that takes seconds."""

    task: asyncio.Task[Any]

    def __init__(self, key: Any, words: str) -> None:
        self.key = key  # what it is about, or a token that can't be guessed
        self.words = words  # what is being done
        self.share = 0.0
        self._ended_s = math.inf

    def come(self, share: float) -> None:
        """Note how far it has got, from 0 to 1."""
        self.share = share

    @property
    def age_s(self) -> float:
        """How long ago it ended; negative while it hasn't. [s]."""
        return time.monotonic() - self._ended_s

    def end(self, task: asyncio.Task[Any]) -> None:
        """Note when its task ended, and fetch the exception, or asyncio would complain that nobody did."""
        self._ended_s = time.monotonic()
        if not task.cancelled():
            task.exception()

    @property
    def done(self) -> bool:
        """Whether it has ended, with an answer or a failure."""
        return self.task.done()

    @property
    def failed(self) -> bool:
        """Whether it failed or was stopped."""
        over = self.done and (self.task.cancelled() or self.task.exception() is not None)
        return over or self.task.cancelling() > 0

    def answer(self) -> Any:
        """Return the answer; StokewatchError: it failed or was stopped."""
        if self.task.cancelled():
            raise Stopped
        return self.task.result()

    async def wait(self, s: float | None = None) -> "Work":
        """Wait until it has ended, or for a while; cancelling one waiter doesn't stop it for the others."""
        await asyncio.wait([self.task], timeout=s)
        return self

    async def stop(self) -> None:
        """Cancel it and wait until it has ended."""
        self.task.cancel()
        with contextlib.suppress(asyncio.CancelledError, Exception):
            await asyncio.wait([self.task], timeout=10)


class Works:
    """Works by key."""

    def __init__(self, kept: int = KEPT) -> None:
        self._kept = kept
        self._works: dict[Hashable, Work] = {}

    def begin(self, run: Callable[[Work], Awaitable[Any]], words: str, key: Hashable = None) -> Work:
        """Start a work, under a token of its own if it has no key; `run` reports progress to it."""
        work = Work(key or secrets.token_hex(12), words)
        work.task = asyncio.create_task(run(work), name=words)  # type: ignore[arg-type]
        work.task.add_done_callback(work.end)
        self._works[work.key] = work
        done = [key for key, each in self._works.items() if each.done]
        for old in done[: max(0, len(self._works) - self._kept)]:
            del self._works[old]
        return work

    def begin_apart(self, job: str, words: str, key: Hashable = None, **given: Any) -> Work:
        """Start one of `apart.JOBS`."""
        return self.begin(lambda work: run_apart(job, tell=work.come, **given), words, key)

    def find(self, key: Any) -> Work | None:
        """Find a work; None where it is unknown or forgotten."""
        return self._works.get(key) if isinstance(key, Hashable) else None

    def forget(self, key: Any) -> Work | None:
        """Forget a work and return it."""
        return self._works.pop(key, None) if isinstance(key, Hashable) else None

    async def stop(self, key: Any) -> None:
        """Stop a work and forget it; an unknown one is ignored."""
        if (work := self.forget(key)) is not None:
            await work.stop()
