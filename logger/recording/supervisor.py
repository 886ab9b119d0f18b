"""Keeps the logger, the page and (in a demo) the simulated rig alive as processes of their own."""

from __future__ import annotations

import asyncio
import contextlib
import ctypes
import os
import signal
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from logger.recording.service_manager import ADDRESS, Listener

GRACE_S: Final = 1.6
"""How long a child may take to end after SIGTERM: the promised 2 s less our own part. [s]"""

SILENT_S: Final = 10.0
"""A logger tells every second that it lives; what it has in memory is lost with it, so not too soon. [s]"""
START_S: Final = 60.0
"""From its start to its first word: a small computer reads its programs slowly. [s]"""
_LOOK_S: Final = 0.5

_FIRST_WAIT_S: Final = 0.2
_LONGEST_WAIT_S: Final = 5.0
_HEALTHY_AFTER_S: Final = 10.0
_STARTED_AFTER_S: Final = 0.5
_FROM_OUTSIDE: Final = (-signal.SIGKILL, -signal.SIGTERM, -signal.SIGINT, -signal.SIGHUP)
USER_ERROR: Final = 2
"""A child that ends with this status was given something wrong: starting it again can't fix that."""


@dataclass(frozen=True, slots=True)
class Child:
    """One process to keep alive."""

    name: str
    argv: tuple[str, ...]
    needed: bool = True  # ends everything when it ends by itself with a user's mistake, or cleanly
    # tells every second that it lives (`service_manager.tell`); one that hangs is killed and started again
    watched: bool = False


def python_module(module: str, *arguments: str) -> tuple[str, ...]:
    """Command line that runs a module of this project under this interpreter."""
    # -P: a logger.py in the folder that somebody stands in is none of ours.
    return (sys.executable, "-P", "-m", module, *arguments)


class _Running:
    """One child's process, from its start to its end."""

    def __init__(self, child: Child, stop: asyncio.Event, silent_s: float, start_s: float) -> None:
        self._child, self._stop = child, stop
        self._silent_s, self._start_s = silent_s, start_s
        self._listener = Listener() if child.watched else None
        self.hung = False

    async def run(self) -> int | None:
        """Run it until it ends by itself, is killed for hanging, or everything stops: then None."""
        env = {**os.environ, "PYTHONUNBUFFERED": "1"}
        env.pop(ADDRESS, None)  # what the page says is nothing to a service manager
        self.hung = False
        if self._listener is not None:
            self._listener.begin()
            env[ADDRESS] = self._listener.address
        process = await asyncio.create_subprocess_exec(
            *self._child.argv,
            stdin=asyncio.subprocess.DEVNULL,
            # Its own session: Ctrl-C goes to us alone, and the children end in our order.
            start_new_session=True,
            preexec_fn=end_with_parent,
            env=env,
        )
        ended = asyncio.create_task(process.wait())
        stopping = asyncio.create_task(self._stop.wait())
        while not ended.done() and not stopping.done():
            await asyncio.wait((ended, stopping), timeout=_LOOK_S, return_when=asyncio.FIRST_COMPLETED)
            if self._hangs() and not self.hung:
                self.hung = True
                with contextlib.suppress(ProcessLookupError):
                    process.kill()
        stopping.cancel()
        if self._listener is not None:
            self._listener.hear()  # its last word, for whoever listens to us
        if not ended.done():
            await _end(process)
            return None
        return ended.result()

    def _hangs(self) -> bool:
        if self._listener is None:
            return False
        self._listener.hear()
        patience_s = self._silent_s if self._listener.ready else self._start_s
        return time.monotonic() - self._listener.heard_s > patience_s

    def close(self) -> None:
        """Stop listening to it."""
        if self._listener is not None:
            self._listener.close()


async def supervise(
    children: Sequence[Child], say: Callable[[str], None], *, silent_s: float = SILENT_S
) -> int:
    """Run the children until a signal comes (0) or one can't go on (its status).

    A child that dies is started again, at once at first and then more slowly (at most every 5 s); one that
    was killed from outside always at once. They end in the opposite order. A watched one hangs if silent for
    longer. [s]
    """
    loop = asyncio.get_running_loop()
    stop = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        loop.add_signal_handler(number, stop.set)
    status = 0

    async def keep(child: Child) -> None:
        nonlocal status
        wait_s = _FIRST_WAIT_S
        running = _Running(child, stop, silent_s, START_S)
        while not stop.is_set():
            started = time.monotonic()
            code = await running.run()
            if code is None:
                break
            if child.needed and code in (0, USER_ERROR):
                status = code
                stop.set()
                break
            if not own_fault(time.monotonic() - started, code):
                wait_s = _FIRST_WAIT_S
            how = (
                f"gave no sign for {silent_s:g} s and was killed" if running.hung else f"ended ({_how(code)})"
            )
            say(f"{child.name} {how}; starting it again")
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(stop.wait(), wait_s)
            wait_s = min(2 * wait_s, _LONGEST_WAIT_S)
        running.close()

    async with asyncio.TaskGroup() as group:
        for child in children:
            group.create_task(keep(child), name=f"keep[{child.name}]")
    return status


def own_fault(lived_s: float, code: int) -> bool:
    """Say whether a child's end, by status or signal (below 0), speaks against starting the next at once.

    Not where it had worked for long, or had started and was then killed by somebody (a system short of memory
    does that).
    """
    if code in _FROM_OUTSIDE:
        return lived_s < _STARTED_AFTER_S
    return lived_s < _HEALTHY_AFTER_S


def end_with_parent() -> None:
    """Ask the kernel (Linux) for SIGTERM when our parent is gone, so that no process is left behind."""
    if sys.platform == "linux":
        pr_set_pdeathsig = 1
        ctypes.CDLL(None).prctl(pr_set_pdeathsig, signal.SIGTERM)


async def _end(process: asyncio.subprocess.Process) -> None:
    with contextlib.suppress(ProcessLookupError):
        process.terminate()
    try:
        await asyncio.wait_for(process.wait(), GRACE_S)
    except TimeoutError:
        with contextlib.suppress(ProcessLookupError):
            process.kill()
        await process.wait()


def _how(code: int) -> str:
    if code < 0:
        return signal.Signals(-code).name
    return f"status {code}"
