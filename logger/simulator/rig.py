"""The simulated rig, a program of its own: true wire lines to a pseudo-terminal, a serial port or a broker.

``python -m logger.simulator.rig --pty LINK`` plays the demo's firing. It keeps its beat on an
absolute schedule, has a clock and a counter of its own that start anywhere, and ends on SIGTERM or SIGINT.
"""

from __future__ import annotations

import asyncio
import contextlib
import signal
import sys
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any, Final

import click
import numpy as np

from logger.errors import StokewatchError, UserError
from logger.simulator import Scenario, ScenarioError, draw, simulate_scenario
from logger.simulator.cold import ColdFrames
from logger.simulator.demo_fire import DEMO_SEED, demo_scenario
from logger.simulator.outlets import Outlet, mqtt_outlet, pty_outlet, serial_outlet
from logger.simulator.wiring import WRAP, FiringFrames, load_line

DRAIN_S: Final = 1.0


async def keep_beat(
    line: Callable[[int], bytes], outlet: Outlet, *, hz: float, frames: int | None, stop: asyncio.Event
) -> int:
    """Send the line of each frame on an absolute schedule [Hz, real time] until told to stop.

    After `frames` it falls silent, and the rig stays there until `stop`.
    """
    start = time.monotonic()
    sent = 0
    while not stop.is_set():
        due = int((time.monotonic() - start) * hz) + 1
        if frames is not None:
            due = min(due, frames)
        # A bounded burst, so that a rig that fell behind still hears its signals.
        for index in range(sent, min(due, sent + 200)):
            outlet.send(line(index))
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


@asynccontextmanager
async def _until_signal() -> AsyncIterator[asyncio.Event]:
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    try:
        yield stop
    finally:
        for number in (signal.SIGTERM, signal.SIGINT):
            loop.remove_signal_handler(number)


async def _run(
    line: Callable[[int], bytes],
    rig: str,
    *,
    pty: Path | None,
    serial: str | None,
    mqtt: str | None,
    hz: float,
    frames: int | None,
) -> tuple[int, int]:
    async with contextlib.AsyncExitStack() as stack:
        stop = await stack.enter_async_context(_until_signal())
        outlet: Outlet
        if pty is not None:
            outlet = stack.enter_context(pty_outlet(pty))
        elif serial is not None:
            outlet = stack.enter_context(serial_outlet(serial))
        else:
            assert mqtt is not None
            outlet = await stack.enter_async_context(mqtt_outlet(mqtt, rig))
        sent = await keep_beat(line, outlet, hz=hz, frames=frames, stop=stop)
        await outlet.drain(DRAIN_S)
        return sent, outlet.dropped


def choose_scenario(name: str, seed: int | None, channels: int | None) -> Scenario:
    """Find the scenario that the command line asks for: `demo`, `any`, `none`, or mishaps with commas.

    ScenarioError: out of range, or no such mishap.
    """
    if name == "demo" and seed is None and channels is None:
        return demo_scenario()
    mishaps: Any = name if name in ("any", "none") else name.split(",")
    return draw(
        DEMO_SEED if seed is None else seed, mishaps="any" if name == "demo" else mishaps, probes=channels
    )


@click.command(context_settings={"help_option_names": ["-h", "--help"]})
@click.option("--pty", type=click.Path(path_type=Path), help="Make a pseudo-terminal and a link to it here.")
@click.option("--serial", help="Send to this serial port.")
@click.option("--mqtt", help="Send to this broker: mqtt[s]://[user[:password]@]host[:port]")
@click.option("--rig", "rig_name", default="sim1", show_default=True, help="The rig's name.")
@click.option(
    "--scenario", default="demo", show_default=True, help="demo, any, none, or mishaps with commas."
)
@click.option("--seed", type=int, help="Another invented firing than the demo's.")
@click.option("--channels", type=click.IntRange(1, 64), help="Probes; 3 to 12 at a fire.")
@click.option("--rate-hz", default=4.0, show_default=True, type=click.FloatRange(0.1, 200))
@click.option(
    "--speed", default=1.0, show_default=True, type=click.FloatRange(0.1, 1000), help="Times real time."
)
@click.option("--beat-load", is_flag=True, help="No fire: plain frames whose every value can be checked.")
@click.option("--cold", is_flag=True, help="Not lit: all cold, one tip after another in a hand.")
@click.option("--hand-s", default=15.0, show_default=True, help="Seconds for each tip; 0: none is touched.")
@click.option("--swapped", multiple=True, metavar="CHANNEL", help="When cold: its two wires are swapped.")
@click.option("--loose", multiple=True, metavar="CHANNEL", help="When cold: its wire is off the terminal.")
@click.option("--off", multiple=True, metavar="CHANNEL=°C", help="When cold: it reads so much too high.")
@click.option("--frames", type=click.IntRange(1), help="Fall silent after so many.")
@click.option("--first-seq", type=click.IntRange(0, WRAP - 1), help="Counter of the first frame.")
@click.option("--first-ms", type=click.IntRange(0, WRAP - 1), help="Rig's clock at the first frame.")
def command(
    pty: Path | None,
    serial: str | None,
    mqtt: str | None,
    rig_name: str,
    scenario: str,
    seed: int | None,
    channels: int | None,
    rate_hz: float,
    speed: float,
    beat_load: bool,
    cold: bool,
    hand_s: float,
    swapped: tuple[str, ...],
    loose: tuple[str, ...],
    off: tuple[str, ...],
    frames: int | None,
    first_seq: int | None,
    first_ms: int | None,
) -> None:
    """A rig that isn't there, at a fire that never burned.

    Mishaps: see --scenario; with --speed the fire, its readings and the rig's clock run so much faster.
    """
    if sum(where is not None for where in (pty, serial, mqtt)) != 1:
        raise UserError("say where the rig should send: one of --pty, --serial and --mqtt")
    boot = np.random.default_rng()
    seq = int(boot.integers(WRAP)) if first_seq is None else first_seq
    ms = int(boot.integers(WRAP)) if first_ms is None else first_ms
    line: Callable[[int], bytes]
    if beat_load:
        width = channels or 16

        def line(index: int) -> bytes:
            return load_line(rig_name, seq + index, ms + round(index * 1000 / rate_hz), width)
    elif cold:
        line = ColdFrames(
            choose_scenario(scenario, seed, channels),
            rate_hz,
            rig_name,
            seq,
            ms,
            swapped=swapped,
            loose=loose,
            off_c=dict(_offset(text) for text in off),
            hand_s=hand_s,
        ).line
    else:
        firing = simulate_scenario(choose_scenario(scenario, seed, channels), rate_hz=rate_hz)
        line = FiringFrames(firing, rate_hz, rig_name, seq, ms).line
    sent, dropped = asyncio.run(
        _run(line, rig_name, pty=pty, serial=serial, mqtt=mqtt, hz=rate_hz * speed, frames=frames)
    )
    click.echo(f"{rig_name}: sent {sent} frames, {dropped} of them lost", err=True)


def _offset(text: str) -> tuple[str, float]:
    channel, _, off_c = text.partition("=")
    try:
        return channel, float(off_c)
    except ValueError:
        raise ScenarioError(f"--off {text}: write it as CHANNEL=°C, such as k2=12") from None


def main() -> None:
    """Run the command line: 0 on success, 2 for a mistake in what the user gave, 1 for a failure of ours."""
    try:
        command.main(standalone_mode=False)
    except click.exceptions.Abort:
        sys.exit(130)
    except click.ClickException as exc:
        click.echo(f"simulated rig: {exc.format_message()}", err=True)
        sys.exit(2)
    except UserError as exc:
        click.echo(f"simulated rig: {exc}", err=True)
        sys.exit(2)
    except StokewatchError as exc:
        click.echo(f"simulated rig: {exc}", err=True)
        sys.exit(1)


if __name__ == "__main__":
    main()
