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


async def _run(
    child: Child, listener: Listener | None, stop: asyncio.Event, silent_s: float
) -> tuple[int | None, bool]:
    """Run it to its end, by itself or for hanging: its status, and whether it hung.

    No status where everything stops.
    """
    env = {**os.environ, "PYTHONUNBUFFERED": "1"}
    env.pop(ADDRESS, None)  # what the page says is nothing to a service manager
    if listener is not None:
        listener.begin()
        env[ADDRESS] = listener.address
    process = await asyncio.create_subprocess_exec(
        *child.argv,
        stdin=asyncio.subprocess.DEVNULL,
        # Its own session: Ctrl-C goes to us alone, and the children end in our order.
        start_new_session=True,
        preexec_fn=end_with_parent,
        env=env,
    )
    hung = False
    ended = asyncio.create_task(process.wait())
    stopping = asyncio.create_task(stop.wait())
    while not ended.done() and not stopping.done():
        await asyncio.wait((ended, stopping), timeout=_LOOK_S, return_when=asyncio.FIRST_COMPLETED)
        if listener is not None:
            listener.hear()  # also its last word, for whoever listens to us
            if not hung and listener.silent_s > (silent_s if listener.ready else START_S):
                hung = True
                with contextlib.suppress(ProcessLookupError):
                    process.kill()
    stopping.cancel()
    if ended.done():
        return ended.result(), hung
    await _end(process)
    return None, hung


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
        with contextlib.closing(Listener()) if child.watched else contextlib.nullcontext() as listener:
            while not stop.is_set():
                started = time.monotonic()
                code, hung = await _run(child, listener, stop, silent_s)
                if code is None:
                    break
                if child.needed and code in (0, USER_ERROR):
                    status = code
                    stop.set()
                    break
                if not own_fault(time.monotonic() - started, code):
                    wait_s = _FIRST_WAIT_S
                how = f"gave no sign for {silent_s:g} s and was killed" if hung else f"ended ({_how(code)})"
                say(f"{child.name} {how}; starting it again")
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(stop.wait(), wait_s)
                wait_s = min(2 * wait_s, _LONGEST_WAIT_S)

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
