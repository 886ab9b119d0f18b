"""The rigs as the logger reads them: their sources, what those say of themselves, and the beacons."""

from __future__ import annotations

import asyncio
import os
import secrets
import time
from collections.abc import Callable, Container, Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any
from uuid import uuid4

from logger.home import Home
from logger.plan import Plan
from logger.plan.sources import PlanSource
from logger.recording.backlog import Token
from logger.recording.feeding import Fed, Feeding
from logger.recording.intake import Intake
from logger.rig_line.beacon import Beacons
from logger.rig_line.dialogue import About, BeaconAnswer, decode_answer
from logger.sources import Answer, Source
from logger.sources.plain import plain_source
from logger.sources.serial_line import Port, candidates, port_and_baud
from logger.sources.serial_port import SerialPort
from logger.sources.stored import StoredFiring


@dataclass(frozen=True, slots=True)
class Settings:
    """What the command line says to the logger."""

    home: Home
    # serial_ports, mqtt_urls: without any of both, serial ports are listened to for a rig
    serial_ports: tuple[str, ...] = ()
    mqtt_urls: tuple[str, ...] = ()
    rigs: tuple[str, ...] = ()  # only these of the rigs that send to a broker; all if empty
    stored: Path | None = None  # a CSV file of an earlier firing that is to be shown again
    sources: tuple[PlanSource, ...] = ()  # rigs that don't speak the rig's line: of the plan, and of `--as`
    plan: Plan | None = None
    title: str = ""
    time_scale: float = 1.0
    invented: bool = False


class Rigs:
    """All sources and beacons of a logger; belongs to the event loop that it is made in.

    `beacons` are rigs that had one when the logger was last here. UserError where a source is named wrongly.
    """

    def __init__(self, settings: Settings, intake: Intake, beacons: Iterable[str]) -> None:
        self._loop, self._intake = asyncio.get_running_loop(), intake
        # A number that nobody guesses: who answers rightly has heard the question.
        self._beacons = Beacons(self._say, partial(secrets.randbelow, 1 << 30), beacons)
        taken: set[str] = set()  # serial ports that are open
        self.feeding = Feeding(
            intake.put,
            intake.report,
            lambda table: plain_source(table, taken, _client_id(settings.home)),
            given_sources(settings, self._answered, taken, lambda: self.feeding.reserved),
        )
        self.tick = self._beacons.tick

    def committed(self, tokens: Sequence[Token]) -> None:
        """Thank for what is on disk."""
        self._tell(lambda source: source.acknowledge, tokens)

    def refused(self, tokens: Sequence[Token]) -> None:
        """Say what nobody keeps."""
        self._tell(lambda source: source.refuse, tokens)

    def again(self, tokens: Sequence[Token]) -> None:
        """Have sent again what had to be let go of."""
        self._tell(lambda source: source.ask_again, tokens)

    def armed(self, plan: Plan) -> None:
        """Read the sources of a plan that was armed."""
        self._in_loop(lambda: self.feeding.plan(plan.sources))

    def sources(self) -> list[dict[str, Any]]:
        """Give what the sources last said of themselves."""
        return self.feeding.states()

    def beacons(self) -> dict[str, str]:
        """Give the state of each rig's beacon."""
        return self._beacons.states(time.monotonic())

    def test_beacons(self) -> None:
        """Have all beacons tried."""
        self._in_loop(lambda: self._beacons.test(time.monotonic()))

    def _tell(
        self, what: Callable[[Source], Callable[[list[object]], None]], tokens: Sequence[Token]
    ) -> None:
        def tell() -> None:
            for name in dict.fromkeys(name for name, _ in tokens):
                if (source := self.feeding.named(name)) is not None:
                    what(source)([token for other, token in tokens if other == name])

        self._in_loop(tell)

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
    """Make the sources that the command line names; else a serial port that looks for a rig.

    `answered` is given what rigs say besides frames; `taken` are ports that are open, shared between the
    sources; at those `reserved` nobody looks for a rig. UserError where one is named wrongly.
    """
    if settings.stored is not None:
        from logger.exchange.csv_in import read_csv  # most starts need none of it, and are to be quick

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
    """Name this folder's logger to brokers, the same at every start: they keep frames under that name."""
    path = home.root / "mqtt_client_id"
    if not path.exists():
        path.write_text(f"stokewatch-{uuid4().hex[:16]}\n")
    return path.read_text().strip()
