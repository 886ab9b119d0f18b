"""Keep the logger, the page and (in a demo) the simulated rig alive, each as its own process.

References
----------
.. [1] sd_notify(3): datagrams to the socket that the environment names in NOTIFY_SOCKET.
"""

from __future__ import annotations

import asyncio
import contextlib
import ctypes
import os
import signal
import socket
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from io import FileIO
from typing import Final

GRACE_S: Final = 1.6
"""How long a child may take to end after SIGTERM: the promised 2 s minus our own part. [s]"""

SILENT_S: Final = 10.0
"""A logger reports every second; killing it loses what it has in memory, so this isn't short. [s]"""
START_S: Final = 60.0
"""From start to first report: a small computer is slow to load programs. [s]"""
_LOOK_S: Final = 0.5

_FIRST_WAIT_S: Final = 0.2
_LONGEST_WAIT_S: Final = 5.0
_HEALTHY_AFTER_S: Final = 10.0
_STARTED_AFTER_S: Final = 0.5
_FROM_OUTSIDE: Final = (-signal.SIGKILL, -signal.SIGTERM, -signal.SIGINT, -signal.SIGHUP)
_SIGNS: Final = "STOKEWATCH_SIGNS"
"""In a watched child's environment: the number of the open pipe that takes its signs of life."""
USER_ERROR: Final = 2
"""Status of a child that was given something wrong: restarting can't fix that."""


@dataclass(frozen=True, slots=True)
class Child:
    """One process to keep alive."""

    name: str
    argv: tuple[str, ...]
    needed: bool = True  # if it ends cleanly, or through a user's mistake, everything ends
    # reports every second (`tell`); if it hangs, it is killed and restarted
    watched: bool = False


def tell(state: str) -> None:
    """Tell our supervisor, and a service manager [1]_: `READY=1`, `WATCHDOG=1`, `STOPPING=1`."""
    with contextlib.suppress(OSError):
        os.write(int(os.environ.get(_SIGNS, "-1")), b".")
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address:
        return
    if address.startswith("@"):  # an abstract name
        address = "\0" + address[1:]
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as outlet:
        outlet.setblocking(False)
        outlet.connect(address)
        outlet.send(state.encode())


def python_module(module: str, *arguments: str) -> tuple[str, ...]:
    """Command line that runs a module of this project under this interpreter."""
    # -P: a logger.py in the current folder isn't ours.
    return (sys.executable, "-P", "-m", module, *arguments)


async def _run(child: Child, stop: asyncio.Event, silent_s: float) -> tuple[int | None, bool]:
    """Run a child until it ends or is killed because it hangs; return its status, and whether it hung.

    The status is None if everything is stopping.
    """
    heard, told = os.pipe()
    with FileIO(heard) as signs, FileIO(told, "w"):
        for end in (heard, told):
            os.set_blocking(end, False)
        process = await asyncio.create_subprocess_exec(
            *child.argv,
            stdin=asyncio.subprocess.DEVNULL,
            # Its own session: only we get Ctrl-C, and we end the children in order.
            start_new_session=True,
            preexec_fn=end_with_parent,
            pass_fds=(told,),
            env={**os.environ, "PYTHONUNBUFFERED": "1"} | ({_SIGNS: str(told)} if child.watched else {}),
        )
        hung, heard_s, patience_s = False, time.monotonic(), START_S
        ended = asyncio.create_task(process.wait())
        stopping = asyncio.create_task(stop.wait())
        while not ended.done() and not stopping.done():
            await asyncio.wait((ended, stopping), timeout=_LOOK_S, return_when=asyncio.FIRST_COMPLETED)
            if signs.read(4096):
                heard_s, patience_s = time.monotonic(), silent_s
            elif child.watched and not hung and time.monotonic() - heard_s > patience_s:
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
    """Run the children until a signal comes (0) or one can't carry on (its status).

    A child that dies is restarted, at first right away and then more slowly (waiting at most 5 s); one killed
    from outside always right away. They end in reverse order. A watched child counts as hung when silent for
    longer than `silent_s`. [s]
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
            code, hung = await _run(child, stop, silent_s)
            if code is None:
                break
            if child.needed and code in (0, USER_ERROR):
                status = code
                stop.set()
                break
            if not own_fault(time.monotonic() - started, code):
                wait_s = _FIRST_WAIT_S
            how = (
                f"gave no sign of life for {silent_s:g} s and was killed" if hung else f"ended ({_how(code)})"
            )
            say(f"{child.name} {how}; restarting it")
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(stop.wait(), wait_s)
            wait_s = min(2 * wait_s, _LONGEST_WAIT_S)

    async with asyncio.TaskGroup() as group:
        for child in children:
            group.create_task(keep(child), name=f"keep[{child.name}]")
    return status


def own_fault(lived_s: float, code: int) -> bool:
    """Whether a child that ended with this status, or signal (below 0), should not be restarted right away.

    False if it had worked for long, or had started and was then killed from outside (as a system short of
    memory does).
    """
    if code in _FROM_OUTSIDE:
        return lived_s < _STARTED_AFTER_S
    return lived_s < _HEALTHY_AFTER_S


def end_with_parent() -> None:
    """Ask the kernel (Linux) for SIGTERM when our parent dies, so that no process is left behind."""
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
