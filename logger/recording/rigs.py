"""The rigs as the logger reads them: their sources, what those report, and the beacons."""

from __future__ import annotations

import asyncio
import os
import secrets
import time
from collections.abc import Callable, Container, Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Literal
from uuid import uuid4

from logger.home import Home
from logger.plan import Plan
from logger.plan.sources import PlanSource
from logger.recording.backlog import Token
from logger.recording.feeding import Fed, Feeding
from logger.recording.intake import Intake
from logger.rig_line.beacon import Beacons
from logger.rig_line.dialogue import About, BeaconAnswer, decode_answer
from logger.sources import Answer
from logger.sources.plain import plain_source
from logger.sources.serial_line import Port, candidates, port_and_baud
from logger.sources.serial_port import SerialPort
from logger.sources.stored import StoredFiring


@dataclass(frozen=True, slots=True)
class Settings:
    """The command line's settings for the logger."""

    home: Home
    # without serial_ports and mqtt_urls, the logger searches serial ports for a rig
    serial_ports: tuple[str, ...] = ()
    mqtt_urls: tuple[str, ...] = ()
    rigs: tuple[str, ...] = ()  # of the rigs that send to a broker, only these; all if empty
    stored: Path | None = None  # a CSV file of an earlier firing to show again
    sources: tuple[PlanSource, ...] = ()  # rigs that don't send the rig's line, from the plan and `--as`
    plan: Plan | None = None
    title: str = ""
    time_scale: float = 1.0
    invented: bool = False


class Rigs:
    """All sources and beacons of a logger; belongs to the event loop it is created in.

    `beacons` are rigs that had one when the logger last ran. UserError if a source is misnamed.
    """

    def __init__(self, settings: Settings, intake: Intake, beacons: Iterable[str]) -> None:
        self._loop, self._intake = asyncio.get_running_loop(), intake
        # An unguessable number: a correct answer proves that the rig heard the question.
        self._beacons = Beacons(self._say, partial(secrets.randbelow, 1 << 30), beacons)
        taken: set[str] = set()  # serial ports that are open
        self.feeding = Feeding(
            intake.put,
            intake.report,
            lambda table: plain_source(table, taken, _client_id(settings.home)),
            given_sources(settings, self._answered, taken, lambda: self.feeding.reserved),
        )
        self.tick = self._beacons.tick

    def tell(self, what: Literal["acknowledge", "refuse", "ask_again"], tokens: Sequence[Token]) -> None:
        """Tell sources what is on disk, what isn't kept, or what had to be dropped and should come again."""

        def tell() -> None:
            for name in dict.fromkeys(name for name, _ in tokens):
                if (source := self.feeding.named(name)) is not None:
                    getattr(source, what)([token for other, token in tokens if other == name])

        if tokens:
            self._in_loop(tell)

    def armed(self, plan: Plan) -> None:
        """Read the sources of the plan just armed."""
        self._in_loop(lambda: self.feeding.plan(plan.sources))

    def sources(self) -> list[dict[str, Any]]:
        """Return what the sources last reported."""
        return self.feeding.states()

    def beacons(self) -> dict[str, str]:
        """Return the state of each rig's beacon."""
        return self._beacons.states(time.monotonic())

    def test_beacons(self) -> None:
        """Test all beacons."""
        self._in_loop(lambda: self._beacons.test(time.monotonic()))

    def _in_loop(self, call: Callable[[], None]) -> None:
        if not self._loop.is_closed():
            self._loop.call_soon_threadsafe(call)

    def _say(self, source: str, rig: str, line: bytes) -> None:
        if (found := self.feeding.named(source)) is not None:
            found.say(rig, line)

    def _answered(self, source: str, rig: str | None, line: bytes) -> None:
        answer = decode_answer(line)
        if isinstance(answer, BeaconAnswer) and rig in (None, answer.rig):
            self._beacons.answered(answer, source)
        elif isinstance(answer, About) and rig in (None, answer.rig):
            self._intake.about(answer, time.monotonic())


def given_sources(
    settings: Settings, answered: Answer, taken: set[str], reserved: Callable[[], Container[str]]
) -> list[Fed]:
    """Create the sources that the command line names, or else a serial port that searches for a rig.

    `answered` gets what rigs say besides frames; `taken` are the open ports, shared between the sources;
    `reserved` ports aren't searched for a rig. UserError if a source is misnamed.
    """
    if settings.stored is not None:
        from logger.exchange.csv_in import read_csv  # rarely needed, and starts should be quick

        firing = read_csv(settings.stored)
        name = settings.stored.name
        return [Fed(StoredFiring(name, firing.t_us, firing.temperature_c, speed=settings.time_scale))]
    found = [
        Fed(SerialPort(port, taken, answer=answered), port_and_baud(port)[0])
        for port in settings.serial_ports
    ]
    if settings.mqtt_urls:
        from logger.sources.mqtt import Broker

        client_id = _client_id(settings.home)
        found += [
            Fed(Broker(url, client_id, answer=answered, rigs=settings.rigs)) for url in settings.mqtt_urls
        ]
    found += [
        Fed(plain_source(table, taken, _client_id(settings.home)), table.port or "", table)
        for table in settings.sources
    ]

    def free() -> list[Port]:
        return [port for port in candidates() if os.path.realpath(port[0]) not in reserved()]

    return found or [Fed(SerialPort(None, taken, answer=answered, find=free))]


def _client_id(home: Home) -> str:
    """Client ID of this folder's logger, the same at every start: brokers keep frames under it."""
    path = home.root / "mqtt_client_id"
    if not path.exists():
        path.write_text(f"stokewatch-{uuid4().hex[:16]}\n")
    return path.read_text().strip()
