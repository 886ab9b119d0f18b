"""A thread that says when it has begun, how it ended, and whether it is stuck."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable, Iterator


class Worker:
    """One piece of work in a thread of its own; it calls `ready` as soon as others may begin."""

    def __init__(self, work: Callable[[], None], name: str) -> None:
        self._work = work
        self._thread = threading.Thread(target=self._run, name=name)
        self._ready = threading.Event()
        self._failure: BaseException | None = None
        self._since_s: float | None = None

    def start(self) -> None:
        """Begin, and wait until it is ready; raises what it ended with before it was."""
        self._thread.start()
        self._ready.wait()
        if self._failure is not None:
            raise self._failure

    def join(self) -> None:
        """Wait for its end; raises what it ended with."""
        self._thread.join()
        if self._failure is not None:
            raise self._failure

    def ready(self) -> None:
        """Let whoever waits in `start` go on."""
        self._ready.set()

    @property
    def alive(self) -> bool:
        """Whether it runs."""
        return self._thread.is_alive()

    @property
    def stuck_s(self) -> float:
        """For how long it has been at what `busy` encloses, in seconds."""
        since_s = self._since_s
        return 0.0 if since_s is None else time.monotonic() - since_s

    @contextlib.contextmanager
    def busy(self) -> Iterator[None]:
        """Enclose what takes a moment if all is well, unlike waiting for a disk."""
        self._since_s = time.monotonic()
        try:
            yield
        finally:
            self._since_s = None

    def _run(self) -> None:
        try:
            self._work()
        except BaseException as exc:
            self._failure = exc
        finally:
            self._ready.set()
