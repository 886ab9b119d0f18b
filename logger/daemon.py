"""The logger: sources in the event loop, the journal in its thread, and a clean end for both."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import secrets
import signal
import time
from collections.abc import Callable, Container
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Final
from uuid import uuid4

from logger.health import Sign
from logger.home import AlreadyRunning, Home, LoggerLock
from logger.hosttime import HostTime, Uptime, goes_on_at
from logger.intake import Intake, Token
from logger.journal.reader import JournalReader
from logger.plan import Plan
from logger.plan_sources import PlanSource
from logger.recorder import Recorder
from logger.recording.feeding import Feeding, Given
from logger.rig_line.beacons import Beacons
from logger.rig_line.dialogue import About, BeaconAnswer, decode_answer
from logger.service_manager import tell
from logger.sources import Answer, Source
from logger.sources.plain import plain_source
from logger.sources.serial_port import Port, SerialPort, candidates, port_and_baud
from logger.sources.stored import StoredFiring
from logger.upkeep import look_after

_WATCH_S: Final = 1.0
_BEACON_S: Final = 0.25
_STUCK_S: Final = 30.0
"""So long nothing that isn't the disk's takes: whoever watches over the logger may start it again. [s]"""
_TIMES: Final = ("at_us", "wall_s", "up_s")

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Settings:
    """What the command line says to the logger.

    Attributes
    ----------
    home : Home
    serial_ports, mqtt_urls : tuple of str
        Without any of both, serial ports are listened to for a rig.
    rigs : tuple of str
        Only these of the rigs that send to a broker; all if empty.
    stored : Path or None
        A CSV file of an earlier firing that is to be shown again.
    sources : tuple of PlanSource
        Rigs that don't speak the rig's line: of the plan, and of `--as`.
    plan : Plan or None
    title : str
    time_scale : float
        Above 1 only in sped-up demonstrations.
    invented : bool
    """

    home: Home
    serial_ports: tuple[str, ...] = ()
    mqtt_urls: tuple[str, ...] = ()
    rigs: tuple[str, ...] = ()
    stored: Path | None = None
    sources: tuple[PlanSource, ...] = ()
    plan: Plan | None = None
    title: str = ""
    time_scale: float = 1.0
    invented: bool = False


def run_logger(settings: Settings) -> int:
    """Run until SIGINT or SIGTERM.

    Parameters
    ----------
    settings : Settings

    Returns
    -------
    int
        0.

    Raises
    ------
    UserError
        Another logger runs here, the journal can't be opened, a source is named wrongly.
    """
    level = os.environ.get("STOKEWATCH_LOG", "INFO").upper()
    logging.basicConfig(level=level, format="%(asctime)s %(levelname)s %(message)s", datefmt="%H:%M:%S")
    with settings.home.logger_lock() as lock:
        asyncio.run(_run(settings, lock))
    return 0


async def _run(settings: Settings, lock: LoggerLock) -> None:
    loop = asyncio.get_running_loop()
    stop = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop.set)

    def say(source: str, rig: str, line: bytes) -> None:
        if (found := feeding.named(source)) is not None:
            found.say(rig, line)

    def answered(source: str, rig: str | None, line: bytes) -> None:
        answer = decode_answer(line)
        if isinstance(answer, BeaconAnswer) and rig in (None, answer.rig):
            beacons.answered(answer, source)
        elif isinstance(answer, About) and rig in (None, answer.rig):
            intake.about(answer, time.monotonic())

    beat = _last_beat(settings.home)
    # A number that nobody guesses: who answers rightly has heard the question.
    beacons = Beacons(say, partial(secrets.randbelow, 1 << 30), beat.get("beacons") or ())
    scale = settings.time_scale
    time_line = HostTime(scale, goes_on_at(beat, scale, Uptime.now(), time.time()))
    intake = Intake(time_line)
    taken: set[str] = set()  # serial ports that are open
    feeding = Feeding(
        intake.put,
        intake.report,
        lambda table: plain_source(table, taken, _client_id(settings.home)),
        _given(settings, answered, taken, lambda: feeding.reserved),
    )

    def tell_sources(what: Callable[[Source], Callable[[list[object]], None]], tokens: list[Token]) -> None:
        for name in dict.fromkeys(name for name, _ in tokens):
            if (source := feeding.named(name)) is not None:
                what(source)([token for other, token in tokens if other == name])

    def tell_of(what: Callable[[Source], Callable[[list[object]], None]]) -> Callable[[list[Token]], None]:
        return lambda tokens: _in_loop(loop, partial(tell_sources, what, tokens))

    recorder = Recorder(
        settings.home.journal,
        intake,
        time_line,
        plan=settings.plan,
        title=settings.title,
        invented=settings.invented,
        committed=tell_of(lambda source: source.acknowledge),
        refused=tell_of(lambda source: source.refuse),
        again=tell_of(lambda source: source.ask_again),
        sources=feeding.states,
        armed=lambda plan: _in_loop(loop, partial(feeding.plan, plan.sources)),
        beacons=lambda: beacons.states(time.monotonic()),
        test_beacons=lambda: _in_loop(loop, lambda: beacons.test(time.monotonic())),
    )
    away = settings.home.away()
    if away:
        log.error("%s", away)
        recorder.happened("journal_elsewhere", away)
        recorder.upkeep = away
    recorder.start()
    settings.home.remember()
    sign = Sign(settings.home)
    tell("READY=1")

    async def watch() -> None:
        """End when asked to, or when the journal's thread has failed."""
        while not stop.is_set() and recorder.alive:
            intake.check_host_clock()
            if not lock.holds():
                raise AlreadyRunning(settings.home.root)
            # Not hung on a slow disk: a restart would lose what waits in memory for it.
            if recorder.stuck_s < _STUCK_S:
                tell("WATCHDOG=1")
                sign.give(recording=recorder.recording, trouble=recorder.trouble)
            try:
                async with asyncio.timeout(_WATCH_S):
                    await stop.wait()
            except TimeoutError:
                pass

    async def signal_beacons() -> None:
        while True:
            beacons.tick(time.monotonic(), recorder.show, intake.heard)
            await asyncio.sleep(_BEACON_S)

    feeding.start()
    watching = asyncio.create_task(watch(), name="watch")
    signalling = asyncio.create_task(signal_beacons(), name="beacons")
    keeping = asyncio.create_task(look_after(settings.home.journal, recorder), name="upkeep")
    try:
        await asyncio.wait(
            (watching, signalling, keeping, feeding.ended), return_when=asyncio.FIRST_COMPLETED
        )
    finally:
        # Producers first; then what they gave is committed, and acknowledged where the loop still can.
        await feeding.stop()
        tasks = (watching, signalling, keeping, feeding.ended)
        for task in tasks:
            task.cancel()
        ended = await asyncio.gather(*tasks, return_exceptions=True)
        tell("STOPPING=1")
        intake.stop()
        await asyncio.to_thread(recorder.join)
        sign.close()
    for outcome in ended:
        if isinstance(outcome, Exception):
            raise outcome


def _in_loop(loop: asyncio.AbstractEventLoop, call: Any) -> None:
    if not loop.is_closed():
        loop.call_soon_threadsafe(call)


def _given(
    settings: Settings, answered: Answer, taken: set[str], reserved: Callable[[], Container[str]]
) -> list[Given]:
    """Make the sources that the command line names."""
    if settings.stored is not None:
        from logger.exchange.csv_in import read_csv  # most starts need none of it, and are to be quick

        firing = read_csv(settings.stored)
        name = settings.stored.name
        return [Given(StoredFiring(name, firing.t_us, firing.temperature_c, speed=settings.time_scale))]
    found = [
        Given(SerialPort(port, taken, answer=answered), port_and_baud(port)[0])
        for port in settings.serial_ports
    ]
    if settings.mqtt_urls:
        from logger.sources.mqtt import Broker

        client_id = _client_id(settings.home)
        found += [
            Given(Broker(url, client_id, answer=answered, rigs=settings.rigs)) for url in settings.mqtt_urls
        ]
    found += [
        Given(plain_source(table, taken, _client_id(settings.home)), table.port or "", table)
        for table in settings.sources
    ]

    def free() -> list[Port]:
        return [port for port in candidates() if os.path.realpath(port[0]) not in reserved()]

    return found or [Given(SerialPort(None, taken, answer=answered, find=free))]


def _client_id(home: Home) -> str:
    """Name this folder's logger to brokers, the same at every start: they keep frames under that name."""
    path = home.root / "mqtt_client_id"
    if not path.exists():
        path.write_text(f"stokewatch-{uuid4().hex[:16]}\n")
    return path.read_text().strip()


def _last_beat(home: Home) -> dict[str, Any]:
    """What the logger before this one last said of the firing that is running; empty without one."""
    if not home.journal.exists():
        return {}
    try:
        with contextlib.closing(JournalReader(home.journal)) as reader:
            beat = (reader.heartbeat() or {}) if reader.running() is not None else {}
            return beat if all(isinstance(beat.get(key), float | int) for key in _TIMES) else {}
    except Exception as exc:  # the recorder looks into it, and begins another where it must
        log.warning("the last heartbeat can't be read: %s", exc)
        return {}
