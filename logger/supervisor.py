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

GRACE_S: Final = 1.6
"""How long a child may take to end after SIGTERM: the promised 2 s less our own part. [s]"""

_FIRST_WAIT_S: Final = 0.2
_LONGEST_WAIT_S: Final = 5.0
_HEALTHY_AFTER_S: Final = 10.0
_STARTED_AFTER_S: Final = 0.5
_FROM_OUTSIDE: Final = (-signal.SIGKILL, -signal.SIGTERM, -signal.SIGINT, -signal.SIGHUP)
USER_ERROR: Final = 2
"""A child that ends with this status was given something wrong: starting it again can't mend that."""


@dataclass(frozen=True, slots=True)
class Child:
    """One process to keep alive.

    Attributes
    ----------
    name : str
        For messages.
    argv : tuple of str
        The command line.
    needed : bool
        Ends everything when it ends by itself with a user's mistake, or cleanly.
    """

    name: str
    argv: tuple[str, ...]
    needed: bool = True


def python_module(module: str, *arguments: str) -> tuple[str, ...]:
    """Command line that runs a module of this project under this interpreter.

    Parameters
    ----------
    module : str
    *arguments : str

    Returns
    -------
    tuple of str
    """
    return (sys.executable, "-m", module, *arguments)


async def supervise(children: Sequence[Child], say: Callable[[str], None]) -> int:
    """Run the children until a signal comes or one of them can't go on.

    A child that dies is started again, at once at first and then more slowly (at most every 5 s); one that
    was killed from outside always at once.

    Parameters
    ----------
    children : sequence of Child
        Started in this order, ended in the opposite one.
    say : callable
        Takes one line for the person at the terminal.

    Returns
    -------
    int
        0 after SIGINT or SIGTERM, else the status of the child that couldn't go on.
    """
    loop = asyncio.get_running_loop()
    stop = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        loop.add_signal_handler(number, stop.set)
    status = 0

    async def keep(child: Child) -> None:
        nonlocal status
        wait_s = _FIRST_WAIT_S
        while not stop.is_set():
            started = time.monotonic()
            process = await asyncio.create_subprocess_exec(
                *child.argv,
                stdin=asyncio.subprocess.DEVNULL,
                # Its own session: Ctrl-C goes to us alone, and the children end in our order.
                start_new_session=True,
                preexec_fn=_end_with_parent,
                env={**os.environ, "PYTHONUNBUFFERED": "1"},
            )
            ended = asyncio.create_task(process.wait())
            stopping = asyncio.create_task(stop.wait())
            await asyncio.wait((ended, stopping), return_when=asyncio.FIRST_COMPLETED)
            stopping.cancel()
            if not ended.done():
                await _end(process)
                return
            code = ended.result()
            if child.needed and code in (0, USER_ERROR):
                status = code
                stop.set()
                return
            if not own_fault(time.monotonic() - started, code):
                wait_s = _FIRST_WAIT_S
            say(f"{child.name} ended ({_how(code)}); starting it again")
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(stop.wait(), wait_s)
            wait_s = min(2 * wait_s, _LONGEST_WAIT_S)

    async with asyncio.TaskGroup() as group:
        for child in children:
            group.create_task(keep(child), name=f"keep[{child.name}]")
    return status


def own_fault(lived_s: float, code: int) -> bool:
    """Say whether a child's end speaks against starting the next one at once.

    Parameters
    ----------
    lived_s : float
        [s]
    code : int
        Its status, or less than 0 the signal that ended it.

    Returns
    -------
    bool
        False where it had worked for long, or had started and was then killed by somebody (a system short of
        memory does that).
    """
    if code in _FROM_OUTSIDE:
        return lived_s < _STARTED_AFTER_S
    return lived_s < _HEALTHY_AFTER_S


def _end_with_parent() -> None:
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
