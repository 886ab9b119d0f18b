"""The demonstration's rig, as a separate program: true wire lines on a pseudo-terminal.

``python -m logger.simulator.rig --pty LINK`` plays the demo's firing. It keeps its beat on an absolute
schedule, has its own clock and counter, starting at random values, and ends on SIGTERM or SIGINT.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import sys
import termios
import time
import tty
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import click
import numpy as np

from logger.errors import UserError
from logger.simulator import simulate_scenario
from logger.simulator.demo import demo_scenario
from logger.simulator.drawn import draw
from logger.simulator.wiring import WRAP, FiringFrames

KEPT_LINES: Final = 512
"""How many lines a small rig can keep while nobody reads; beyond that the oldest goes."""
DRAIN_S: Final = 1.0


class Outlet:
    """Writes lines to a non-blocking file descriptor, which the caller closes.

    Takes lines at once; those that can't leave soon enough are dropped, oldest first.
    """

    def __init__(self, fd: int) -> None:
        self._fd = fd
        self._lines: deque[bytes] = deque(maxlen=KEPT_LINES)
        self._rest = b""
        self.dropped = 0
        os.set_blocking(fd, False)

    def send(self, line: bytes) -> None:
        """Take a line."""
        self.dropped += len(self._lines) == KEPT_LINES
        self._lines.append(line)
        self._write()

    async def drain(self, seconds: float) -> None:
        """Wait until everything has left, or this long at most."""
        for _ in range(round(seconds * 100)):
            if self._rest or self._lines:
                await asyncio.sleep(0.01)
        asyncio.get_running_loop().remove_writer(self._fd)

    def _write(self) -> None:
        loop = asyncio.get_running_loop()
        loop.remove_writer(self._fd)
        while self._rest or self._lines:
            self._rest = self._rest or self._lines.popleft()
            try:
                self._rest = self._rest[os.write(self._fd, self._rest) :]
            except BlockingIOError:
                loop.add_writer(self._fd, self._write)
                return
            except OSError:  # the other end is gone for now: a line on its way is lost
                self._rest = b""
                self.dropped += 1
                return


@contextmanager
def pty_outlet(link: Path) -> Iterator[Outlet]:
    """Make a pseudo-terminal and a symbolic link to the end that the logger opens.

    A link left behind by an earlier rig is replaced; anything else raises UserError.
    """
    if link.exists() and not link.is_symlink():
        raise UserError(f"{link}: something other than a link is here; choose another path for --pty")
    ours, theirs = os.openpty()
    try:
        tty.setraw(theirs, termios.TCSANOW)
        name = os.ttyname(theirs)
        fresh = link.with_name(f".{link.name}.{os.getpid()}")
        try:
            fresh.symlink_to(name)
            fresh.replace(link)
        except OSError as exc:
            raise UserError(f"{link}: {exc.strerror}; choose another path for --pty") from exc
        try:
            # Keeping the far end open ourselves keeps the terminal alive between readers.
            yield Outlet(ours)
        finally:
            with contextlib.suppress(OSError):
                if str(link.readlink()) == name:
                    link.unlink()
    finally:
        os.close(ours)
        os.close(theirs)


async def keep_beat(
    line: Callable[[int], bytes], send: Callable[[bytes], None], hz: float, frames: int | None = None
) -> int:
    """Send each frame's line on an absolute schedule [Hz, real time] until SIGTERM or SIGINT.

    After `frames` it falls silent but stays connected. Returns how many were sent.
    """
    stop = asyncio.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        asyncio.get_running_loop().add_signal_handler(number, stop.set)
    start = time.monotonic()
    sent = 0
    while not stop.is_set():
        due = int((time.monotonic() - start) * hz) + 1
        if frames is not None:
            due = min(due, frames)
        # A bounded burst, so that a rig that has fallen behind still hears its signals.
        for index in range(sent, min(due, sent + 200)):
            send(line(index))
            sent = index + 1
        if frames is not None and sent >= frames:
            await stop.wait()
            break
        pause = start + sent / hz - time.monotonic()
        if pause <= 0:
            await asyncio.sleep(0)
            continue
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(stop.wait(), pause)
    return sent


async def _run(line: Callable[[int], bytes], pty: Path, hz: float) -> tuple[int, int]:
    with pty_outlet(pty) as outlet:
        sent = await keep_beat(line, outlet.send, hz)
        await outlet.drain(DRAIN_S)
        return sent, outlet.dropped


@click.command()
@click.option("--pty", required=True, type=click.Path(path_type=Path), help="Where to link the terminal.")
@click.option("--seed", type=int, help="Play another invented firing instead of the demo's.")
@click.option("--rate-hz", default=4.0, show_default=True, type=click.FloatRange(0.1, 200))
@click.option(
    "--speed", default=1.0, show_default=True, type=click.FloatRange(0.1, 1000), help="Times real time."
)
def command(pty: Path, seed: int | None, rate_hz: float, speed: float) -> None:
    """Play a simulated rig at an invented fire."""
    boot = np.random.default_rng()
    firing = simulate_scenario(demo_scenario() if seed is None else draw(seed), rate_hz=rate_hz)
    line = FiringFrames(firing, rate_hz, "sim1", int(boot.integers(WRAP)), int(boot.integers(WRAP))).line
    sent, dropped = asyncio.run(_run(line, pty, rate_hz * speed))
    click.echo(f"sim1: sent {sent} frames, {dropped} of them lost", err=True)


def main(command: click.Command = command) -> None:
    """Run the command line: 0 on success, 2 for a mistake in what the user gave."""
    try:
        command.main(standalone_mode=False)
    except click.exceptions.Abort:
        sys.exit(130)
    except (click.ClickException, UserError) as exc:
        said = exc.format_message() if isinstance(exc, click.ClickException) else str(exc)
        click.echo(f"simulated rig: {said}", err=True)
        sys.exit(2)


if __name__ == "__main__":
    main()
