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

from logger.errors import UserError
from logger.home import Home
from logger.plan import Plan
from logger.plan.sources import PlanSource
from logger.recording.backlog import Token
from logger.recording.intake import Intake
from logger.rig_line.beacon import Beacons
from logger.rig_line.dialogue import About, BeaconAnswer, decode_answer
from logger.sources import Answer, Put, Source
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


Make = Callable[[PlanSource], Source]
Note = Callable[[str, str, dict[str, Any]], None]
"""Called with a source's name, a kind and facts; the last two as in `Report`."""


@dataclass(slots=True, eq=False)
class Fed:
    """A source, and its state."""

    source: Source | None  # None if it can't be created
    port: str = ""  # the serial port that it reads; empty for any, and for none
    table: PlanSource | None = None  # its table in a plan, or from `--as`
    state: str = "starting"
    detail: str = ""
    task: asyncio.Task[None] | None = None

    @property
    def name(self) -> str:
        """Its name for people."""
        if self.source is not None:
            return self.source.name
        return self.table.rig_name if self.table is not None else ""


class Feeding:
    """Reads sources, in the event loop, and changes them when another plan is armed.

    The command line's are always read, except for a port that the armed plan reads in another way. The plan's
    are read until another plan is armed, even after the firing has finished.
    """

    def __init__(self, put: Put, note: Note, make: Make, given: Sequence[Fed]) -> None:
        self._put, self._note, self._make, self._given = put, note, make, given
        self._fed: list[Fed] = []
        self._changing = asyncio.Lock()
        self._changes: set[asyncio.Task[None]] = set()
        self.ended: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        """Done when a source has ended by itself, which it never should."""
        self.reserved: set[str] = set()
        """Ports that the armed plan names: no search for a rig there."""

    def start(self) -> None:
        """Start with the command line's."""
        for given in self._given:
            self._begin(given)

    def plan(self, wanted: Sequence[PlanSource]) -> None:
        """Read the sources of the plan just armed, and no longer those of the one before."""
        change = asyncio.create_task(self._change(list(wanted)), name="sources of the plan")
        self._changes.add(change)
        change.add_done_callback(self._changes.discard)

    def named(self, name: str) -> Source | None:
        """Return the source of this name, if it is being read."""
        return next((fed.source for fed in self._fed if fed.name == name), None)

    def sources(self) -> list[dict[str, str]]:
        """Return each source's state, for the heartbeat; callable from any thread."""
        return [
            {
                "name": fed.name,
                "state": fed.state,
                "detail": fed.detail,
                "proof": "none" if fed.source is None else fed.source.proof,
            }
            for fed in tuple(self._fed)
        ]

    async def stop(self) -> None:
        """Stop all of them."""
        for change in tuple(self._changes):
            change.cancel()
        await asyncio.gather(*self._changes, return_exceptions=True)
        for fed in tuple(self._fed):
            await self._end(fed)

    async def _change(self, wanted: list[PlanSource]) -> None:
        async with self._changing:
            ports = {_place(table.port) for table in wanted if table.port}
            self.reserved = ports
            for fed in tuple(self._fed):
                # The command line's sources carry on, unless the plan reads the same port its own way.
                if fed.table not in wanted and (fed not in self._given or _place(fed.port) in ports):
                    await self._end(fed)
            there = [fed.table for fed in self._fed]
            for table in wanted:
                if table not in there:
                    self._read_planned(table)
            for given in self._given:
                if self.named(given.name) is None and _place(given.port) not in ports:
                    self._begin(given)

    def _read_planned(self, table: PlanSource) -> None:
        try:
            self._begin(Fed(self._make(table), table.port or "", table))
        except UserError as exc:
            self._fed.append(fed := Fed(None, table=table, state="lost", detail=str(exc)))
            self._note(fed.name, fed.state, {"detail": fed.detail})

    def _begin(self, fed: Fed) -> None:
        assert fed.source is not None

        def report(kind: str, data: dict[str, Any]) -> None:
            if kind != "rig":
                fed.state, fed.detail = kind, str(data.get("detail", ""))
            self._note(fed.name, kind, data)

        fed.state, fed.detail = "starting", ""
        self._fed.append(fed)
        fed.task = asyncio.create_task(fed.source.run(self._put, report), name=f"source[{fed.name}]")
        fed.task.add_done_callback(self._over)

    def _over(self, task: asyncio.Task[None]) -> None:
        if task.cancelled() or self.ended.done():
            return
        if (error := task.exception()) is not None:
            self.ended.set_exception(error)
        else:
            self.ended.set_result(None)

    async def _end(self, fed: Fed) -> None:
        if fed.task is not None:
            fed.task.cancel()
            await asyncio.gather(fed.task, return_exceptions=True)
        self._fed.remove(fed)


class Rigs(Feeding):
    """All sources and beacons of a logger; belongs to the event loop it is created in.

    `beacons` are rigs that had one when the logger last ran. UserError if a source is misnamed.
    """

    def __init__(self, settings: Settings, intake: Intake, beacons: Iterable[str]) -> None:
        self._loop, self._intake = asyncio.get_running_loop(), intake
        # An unguessable number: a correct answer proves that the rig heard the question.
        self._beacons = Beacons(self._say, partial(secrets.randbelow, 1 << 30), beacons)
        taken: set[str] = set()  # serial ports that are open
        super().__init__(
            intake.put,
            intake.report,
            lambda table: plain_source(table, taken, _client_id(settings.home)),
            given_sources(settings, self._answered, taken, lambda: self.reserved),
        )
        self.tick = self._beacons.tick

    def tell(self, what: Literal["acknowledge", "refuse", "ask_again"], tokens: Sequence[Token]) -> None:
        """Tell sources what is on disk, what isn't kept, or what had to be dropped and should come again."""

        def tell() -> None:
            for name in dict.fromkeys(name for name, _ in tokens):
                if (source := self.named(name)) is not None:
                    getattr(source, what)([token for other, token in tokens if other == name])

        if tokens:
            self._in_loop(tell)

    def armed(self, plan: Plan) -> None:
        """Read the sources of the plan just armed."""
        self._in_loop(lambda: self.plan(plan.sources))

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
        if (found := self.named(source)) is not None:
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
        return [port for port in candidates() if _place(port[0]) not in reserved()]

    return found or [Fed(SerialPort(None, taken, answer=answered, find=free))]


def _place(port: str | None) -> str:
    """Resolve links to a port's real name."""
    return os.path.realpath(port) if port else ""


def _client_id(home: Home) -> str:
    """Client ID of this folder's logger, the same at every start: brokers keep frames under it."""
    path = home.root / "mqtt_client_id"
    if not path.exists():
        path.write_text(f"stokewatch-{uuid4().hex[:16]}\n")
    return path.read_text().strip()
