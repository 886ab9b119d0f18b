"""The logger: sources in the event loop, the journal in its thread, and a clean end for both."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import signal
import time
from typing import Any, Final

from logger.home import AlreadyRunning, Home, LoggerLock
from logger.journal.reader import JournalReader
from logger.recording.health import give_sign
from logger.recording.hosttime import HostTime, goes_on_at, stamp
from logger.recording.intake import Intake
from logger.recording.recorder import Recorder
from logger.recording.rigs import Rigs, Settings
from logger.recording.supervisor import tell
from logger.recording.upkeep import look_after

__all__ = ["Settings", "run_logger"]

_WATCH_S: Final = 1.0
_BEACON_S: Final = 0.25
_STUCK_S: Final = 30.0
"""Only the disk may take this long; after other work of this length the logger may be restarted. [s]"""
_TIMES: Final = ("at_us", "wall_s", "up_s")

log = logging.getLogger(__name__)


def run_logger(settings: Settings) -> int:
    """Run until SIGINT or SIGTERM.

    UserError: another logger runs here, the journal can't be opened, or a source is misnamed.
    """
    level = os.environ.get("STOKEWATCH_LOG", "INFO").upper()
    logging.basicConfig(level=level, format="%(asctime)s %(levelname)s %(message)s", datefmt="%H:%M:%S")
    with settings.home.logger_lock() as lock:
        asyncio.run(_run(settings, lock))
    return 0


async def _run(settings: Settings, lock: LoggerLock) -> None:
    await Logger(settings, lock).run()


class Logger:
    """Everything in the event loop, and the journal's thread; belongs to the loop it is created in."""

    def __init__(self, settings: Settings, lock: LoggerLock) -> None:
        self._home, self._lock = settings.home, lock
        self._stop = asyncio.Event()
        for number in (signal.SIGINT, signal.SIGTERM):
            asyncio.get_running_loop().add_signal_handler(number, self._stop.set)
        beat, scale = _last_beat(settings.home), settings.time_scale
        time_line = HostTime(scale, goes_on_at(beat, scale, stamp()))
        self._intake = Intake(time_line)
        self._rigs = Rigs(settings, self._intake, beat.get("beacons") or ())
        self._recorder = Recorder(settings, self._intake, time_line, self._rigs)

    async def run(self) -> None:
        """Record until asked to end, or until the journal's thread or a source fails."""
        if away := self._home.away():
            log.error("%s", away)
            self._recorder.happened("journal_elsewhere", away)
            self._recorder.journal.upkeep = away
        self._recorder.start()
        self._home.remember()
        tell("READY=1")
        self._rigs.start()
        tasks: list[asyncio.Future[None]] = [
            self._rigs.ended,
            asyncio.create_task(self._watch(), name="watch"),
            asyncio.create_task(self._signal_beacons(), name="beacons"),
            asyncio.create_task(look_after(self._home.journal, self._recorder.journal), name="upkeep"),
        ]
        try:
            await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        finally:
            await self._end(tasks)

    async def _end(self, tasks: list[asyncio.Future[None]]) -> None:
        """Stop producers first, then commit what they sent, and acknowledge it if that is still possible."""
        await self._rigs.stop()
        for task in tasks:
            task.cancel()
        ended = await asyncio.gather(*tasks, return_exceptions=True)
        tell("STOPPING=1")
        self._intake.stop()
        await asyncio.to_thread(self._recorder.ended.result)
        for outcome in ended:
            if isinstance(outcome, Exception):
                raise outcome

    async def _watch(self) -> None:
        """Return when asked to stop, or when the journal's thread has failed."""
        while not self._stop.is_set() and not self._recorder.ended.done():
            self._intake.check_host_clock()
            if not self._lock.holds():
                raise AlreadyRunning(self._home.root)
            # A slow disk doesn't count as hung: a restart would lose the readings waiting for it.
            if self._recorder.stuck_s < _STUCK_S:
                tell("WATCHDOG=1")
                give_sign(self._home, recording=self._recorder.recording, trouble=self._recorder.trouble)
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(_WATCH_S):
                    await self._stop.wait()

    async def _signal_beacons(self) -> None:
        while True:
            self._rigs.tick(time.monotonic(), self._recorder.show, self._intake.placing.heard)
            await asyncio.sleep(_BEACON_S)


def _last_beat(home: Home) -> dict[str, Any]:
    """The previous logger's last heartbeat for the running firing; empty without one."""
    if not home.journal.exists():
        return {}
    try:
        with contextlib.closing(JournalReader(home.journal)) as reader:
            beat = (reader.heartbeat() or {}) if reader.running() is not None else {}
            return beat if all(isinstance(beat.get(key), float | int) for key in _TIMES) else {}
    except Exception as exc:  # the recorder looks into it, and starts a new journal if it must
        log.warning("the last heartbeat can't be read: %s", exc)
        return {}
