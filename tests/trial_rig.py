"""A rig for trials, as a program: the simulated one over any line, with frames that can be checked, or cold.

``.venv/bin/python tests/trial_rig.py --pty LINK --cold --swapped k5 --off k3=12`` is a cold rig with two faults.
"""

from __future__ import annotations

import asyncio
import contextlib
import random
import sys
from collections import deque
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any, Final

import aiomqtt
import click
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from logger.errors import UserError
from logger.reading import Frame, Sample
from logger.rig_line import wire
from logger.simulator import simulate_scenario
from logger.simulator.demo import DEMO_SEED, demo_scenario
from logger.simulator.drawn import draw
from logger.simulator.rig import DRAIN_S, Outlet, keep_beat, main, pty_outlet
from logger.simulator.wiring import WRAP, FiringFrames
from logger.sources.mqtt import login
from tests.cold_frames import ColdFrames

KEPT_MESSAGES: Final = 4096
"""Frames that a rig with a radio can keep while its broker is away; then the oldest go."""


def load_value(seq: int, channel: int) -> float:
    """Value in a load frame, so that a test can check each: 20.00 to 919.99 °C, different for each channel."""
    return 20 + (seq * 7919 + channel * 104_729) % 90_000 / 100


def load_line(rig: str, seq: int, ms: int, channels: int) -> bytes:
    """A frame of plain °C for load tests, with channels from k0 on."""
    samples = {f"k{j}": Sample(c=load_value(seq, j)) for j in range(channels)}
    return wire.encode(Frame(rig, seq % WRAP, ms % WRAP, samples))


class MqttOutlet:
    """Publishes lines to a broker with QoS 1; keeps them while it is away and sends them in order when it is back."""

    def __init__(self) -> None:
        self._lines: deque[bytes] = deque()
        self._fresh, self._empty = asyncio.Event(), asyncio.Event()
        self.dropped = 0

    def send(self, line: bytes) -> None:
        if len(self._lines) >= KEPT_MESSAGES:
            self._lines.popleft()
            self.dropped += 1
        self._lines.append(line)
        self._empty.clear()
        self._fresh.set()

    async def drain(self, seconds: float) -> None:
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                await self._empty.wait()

    async def publish_loop(self, broker: dict[str, Any], rig: str) -> None:
        """Keep the connection (`login`) and publish what arrives."""
        status, topic = f"stokewatch/{rig}/status", f"stokewatch/{rig}/frame"
        pause_s = 0.25
        while True:
            client = aiomqtt.Client(
                **broker,
                identifier=f"stokewatch-rig-{rig}",
                will=aiomqtt.Will(status, b"offline", qos=1, retain=True),
            )
            try:
                async with client:
                    await client.publish(status, b"online", qos=1, retain=True)
                    pause_s = 0.25
                    try:
                        await self._publish(client, topic)
                    except asyncio.CancelledError:
                        # A clean goodbye cancels the will, so say offline here.
                        await client.publish(status, b"offline", qos=1, retain=True)
                        raise
            except aiomqtt.MqttError:
                await asyncio.sleep(random.uniform(0.5, 1.0) * pause_s)
                pause_s = min(pause_s * 2, 10.0)

    async def _publish(self, client: aiomqtt.Client, topic: str) -> None:
        while True:
            while self._lines:
                line = self._lines[0]
                await client.publish(topic, line, qos=1)
                if self._lines and self._lines[0] is line:
                    self._lines.popleft()
            self._empty.set()
            self._fresh.clear()
            await self._fresh.wait()


@asynccontextmanager
async def outlet_of(pty: Path | None, mqtt: str | None, rig: str) -> AsyncIterator[Outlet | MqttOutlet]:
    """Where lines go; UserError where there can be no link, SourceError without a broker."""
    if pty is not None:
        with pty_outlet(pty) as outlet:
            yield outlet
    else:
        broker, radio = login(mqtt or ""), MqttOutlet()
        task = asyncio.create_task(radio.publish_loop(broker, rig), name=f"rig[{rig}].publish")
        try:
            yield radio
        finally:
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                async with asyncio.timeout(1.0):
                    await task


@click.command(context_settings={"help_option_names": ["-h", "--help"]})
@click.option("--pty", type=click.Path(path_type=Path), help="Make a pseudo-terminal and a link to it here.")
@click.option("--mqtt", help="Send to this broker: mqtt[s]://[user[:password]@]host[:port]")
@click.option("--rig", default="sim1", show_default=True, help="The rig's name.")
@click.option("--channels", type=click.IntRange(1, 64), help="Probes; 3 to 12 at a fire, not the demo's.")
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
    mqtt: str | None,
    rig: str,
    speed: float,
    frames: int | None,
    **wanted: Any,
) -> None:
    """A rig that doesn't exist, at a fire that never burned.

    --speed makes the fire, its readings and the rig's clock run that many times faster.
    """
    if (pty is None) == (mqtt is None):
        raise UserError("say where the rig should send: either --pty or --mqtt")
    line = _line(rig, **wanted)

    async def run() -> tuple[int, int]:
        async with outlet_of(pty, mqtt, rig) as outlet:
            sent = await keep_beat(line, outlet.send, wanted["rate_hz"] * speed, frames)
            await outlet.drain(DRAIN_S)
            return sent, outlet.dropped

    sent, dropped = asyncio.run(run())
    click.echo(f"{rig}: sent {sent} frames, {dropped} of them lost", err=True)


def _line(
    rig: str,
    *,
    channels: int | None,
    rate_hz: float,
    beat_load: bool,
    cold: bool,
    hand_s: float,
    swapped: tuple[str, ...],
    loose: tuple[str, ...],
    off: tuple[str, ...],
    first_seq: int | None,
    first_ms: int | None,
) -> Callable[[int], bytes]:
    """The function that returns each frame's line."""
    boot = np.random.default_rng()
    seq = int(boot.integers(WRAP)) if first_seq is None else first_seq
    ms = int(boot.integers(WRAP)) if first_ms is None else first_ms
    if beat_load:
        return lambda index: load_line(rig, seq + index, ms + round(index * 1000 / rate_hz), channels or 16)
    chosen = demo_scenario() if channels is None else draw(DEMO_SEED, mishaps="any", probes=channels)
    if not cold:
        return FiringFrames(simulate_scenario(chosen, rate_hz=rate_hz), rate_hz, rig, seq, ms).line
    off_c = dict(_offset(text) for text in off)
    faults: dict[str, Any] = {"swapped": swapped, "loose": loose, "off_c": off_c}
    return ColdFrames(chosen, rate_hz, rig, seq, ms, hand_s=hand_s, **faults).line


def _offset(text: str) -> tuple[str, float]:
    channel, _, off_c = text.partition("=")
    try:
        return channel, float(off_c)
    except ValueError:
        raise UserError(f"--off {text}: write it as CHANNEL=°C, such as k2=12") from None


if __name__ == "__main__":
    main(command)
