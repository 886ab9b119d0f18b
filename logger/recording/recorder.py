"""The journal's thread: takes what came in, judges it, and commits both together."""

from __future__ import annotations

import contextlib
import logging
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Final

from logger.journal.reader import JournalReader
from logger.journal.schema import JournalError
from logger.journal.writer import JournalWriter
from logger.plan import Plan
from logger.reading import Event
from logger.recording.backlog import Backlog, Unit
from logger.recording.collecting import Collector
from logger.recording.far_end import FarEnd
from logger.recording.firing_state import FiringState, Standing
from logger.recording.heartbeat import Heartbeat
from logger.recording.hosttime import HostTime
from logger.recording.intake import Intake
from logger.recording.journal_file import JournalFile
from logger.recording.judged import Judged
from logger.recording.priming import prime
from logger.recording.requests_carried_out import WAITS, RequestDesk
from logger.recording.worker import Worker
from logger.rig_line.beacon import Show

if TYPE_CHECKING:
    from logger.recording.taken import Taken

COMMIT_S: Final = 0.2
"""From commit to commit; a first frame after a pause is committed at once. With the work itself none waits
longer than the promised 250 ms. [s]"""
IDLE_S: Final = 0.5
"""Without readings the heartbeat and the requests still get their turn this often. [s]"""
REQUESTS_S: Final = 0.05
"""Requests are carried out for so long between two commits of readings, at least one of them. [s]"""
STATE_S: Final = 10.0
"""How often the state of clocks and judgement is kept; what came later is judged again. [s]"""
_LAST_TRIES: Final = 3
_AGAIN_S: Final = 0.2
"""After a commit that the disk would not take. [s]"""

log = logging.getLogger(__name__)


class Recorder:
    """Owns the journal's only writing connection, in a thread of its own.

    There `far_end` is told what became of what it sent.
    """

    def __init__(
        self,
        path: Path,
        intake: Intake,
        time_line: HostTime,
        far_end: FarEnd,
        *,
        plan: Plan | None,
        title: str,
        invented: bool,
    ) -> None:
        self._path, self._intake, self._time, self._far_end = path, intake, time_line, far_end
        self._backlog = Backlog()
        self._state = FiringState(plan, title=title, invented=invented)
        self._judged = Judged(path, time_line, beacons=far_end.beacons, happened=self._backlog.happened)
        self._heart = Heartbeat(time_line, intake, far_end)
        self._collector = Collector(time_line, self._state, self._judged, self._heart)
        self._desk = RequestDesk(time_line, far_end, keep=self._keep_after_request)
        self._kept_s = float("-inf")
        self._more_requests = False
        self.worker = Worker(self._run, "journal")
        """Its thread."""
        self.journal = JournalFile(path, self.happened)
        self.show = Show.OFF
        """What beacons should show; any thread may look."""

    @property
    def trouble(self) -> str:
        """What keeps it from its work, in words; empty where nothing does."""
        return self.journal.missing or self._told_trouble

    @property
    def _told_trouble(self) -> str:
        return self.journal.full or self._judged.trouble or self.journal.upkeep

    @property
    def recording(self) -> bool:
        """Whether what comes in gets onto the disk."""
        return not (self.journal.missing or self.journal.full)

    def happened(self, what: str, detail: str) -> None:
        """Note something (a word, and a sentence) among the firing's events; any thread may."""
        data = {"what": what, "detail": detail}
        self._backlog.happened(Event(self._time.utc_us(), "system", data))

    def open(self, waits_in_vain: Callable[[], bool]) -> JournalWriter | None:
        """Open the journal and go on with the firing that runs; see `JournalFile.open`."""
        return self.journal.open(self._resume, waits_in_vain)

    def record(self, writer: JournalWriter, taken: Taken) -> bool:
        """Judge what came in, commit it, do what people asked for; False where the disk takes nothing."""
        with self.worker.busy():
            unit = self._collector.collect(taken)
        if unit is not None:
            self._add(unit)
        return self._sound(writer) and self._commit(writer)

    def _run(self) -> None:
        writer = self.open(self._waits_in_vain)
        if writer is None:
            return
        with contextlib.closing(writer):
            self.worker.ready()
            tries = 0
            while tries < _LAST_TRIES:
                taken = self._intake.take(COMMIT_S, COMMIT_S / 10 if self._more_requests else IDLE_S)
                stopping = self._intake.stopped
                recorded = self.record(writer, taken)
                tries = 0 if recorded else tries + stopping
                if stopping and not self._backlog and not self._intake.waiting:
                    return
                if self._backlog:
                    time.sleep(_AGAIN_S)
            log.error("ended with %d readings that the disk would not take", self._backlog.readings)

    def _waits_in_vain(self) -> bool:
        """Let the sources begin though the disk takes nothing yet: what they give waits in memory."""
        self.worker.ready()
        return self._intake.stopped

    def _resume(self, writer: JournalWriter) -> None:
        placing, now_us = self._intake.placing, self._time.utc_us()
        self._judged.end()
        with contextlib.closing(JournalReader(self._path)) as reader:
            if damage := self._state.resume(writer, reader, now_us):
                self.happened("plan_damaged", f"it is recorded and judged without its plan: {damage}")
            placing.expect(self._state.channels)
            firing, armed = self._state.now.firing, self._state.now.armed
            if armed is not None:
                self._far_end.armed(armed.plan)
            if firing is None:
                placing.prime_apart(*reader.set_apart_sums(), ())
                return
            self._heart.readings = firing.readings
            with contextlib.closing(self.journal.latest()) as latest:
                prime(placing, latest, firing.id, now_us, ours=latest.path == self._path)
            self._judged.resume(writer, reader, firing, self._state.plan)

    def _sound(self, writer: JournalWriter) -> bool:
        """Begin another journal if this one was found damaged; take over what was judged beside."""
        try:
            self.journal.check()
            firing, plan = self._state.now.firing, self._state.plan
            if self.journal.joined and firing is not None:
                self.journal.joined = not self._judged.judge_again(writer, firing, plan)
            unit = self._judged.caught_up(writer, firing, plan)
        except JournalError as exc:
            return self._refused(exc, writer)
        if unit is not None:
            self._add(unit)
        return True

    def _add(self, unit: Unit) -> None:
        for gone in self._backlog.add(unit):
            # The disk takes nothing, and memory is full: whoever still has these frames should keep them.
            self._heart.lost += gone.readings + len(gone.apart)
            self._intake.placing.forget(gone.keys)
            for row in gone.apart:
                self._intake.placing.forget_apart(row)
            self._far_end.again(gone.tokens)

    def _commit(self, writer: JournalWriter) -> bool:
        now_us, readings = self._time.utc_us(), self._backlog.readings
        keep = self._judged.keep_at_once or time.monotonic() - self._kept_s >= STATE_S
        try:
            with writer.transaction():
                standing = self._state.open(writer)
                early = self._backlog.write(writer, standing.firing, now_us)
                if keep:
                    self._keep_state(writer, standing)
                beat = self._heart.beat(standing, self._judged.verdict, self._told_trouble, now_us, readings)
                writer.heartbeat(beat)
        except JournalError as exc:
            return self._refused(exc, writer)
        self._state.opened(standing)
        tokens, refused = self._backlog.written(standing.firing, early)
        self._heart.committed(readings, now_us)
        self.show = self._judged.show(firing=standing.firing is not None)
        if keep:
            self._kept_s, self._judged.keep_at_once = time.monotonic(), False
        self.journal.taken()
        if tokens:
            self._far_end.committed(tokens)
        if refused:
            self._far_end.refused(refused)
        return self._answer_requests(writer)

    def _answer_requests(self, writer: JournalWriter) -> bool:
        """Carry out what people asked for, after the readings and apart from them."""
        until_s = time.monotonic() + REQUESTS_S
        self._more_requests = False
        try:
            for request in writer.take_requests():
                answered = self._desk.answer(writer, request, self._state.now, self._judged.judging)
                if self._state.change(answered):
                    if answered.armed is not None:
                        self._far_end.armed(answered.armed.plan)
                    self._judged.end()
                    self._intake.placing.expect(self._state.channels)
                    self._intake.placing.begin_afresh()
                self.show = self._judged.show(firing=answered.firing is not None)
                self._more_requests = time.monotonic() >= until_s
                if self._more_requests:
                    break
        except JournalError as exc:
            if exc.reason in WAITS:
                return self._refused(exc, writer)
            log.error("what people asked for can't be read: %s", exc)
        return True

    def _keep_after_request(self, writer: JournalWriter, standing: Standing) -> None:
        self._judged.refresh()
        self._keep_state(writer, standing)
        now_us = self._time.utc_us()
        writer.heartbeat(self._heart.beat(standing, self._judged.verdict, self._told_trouble, now_us))

    def _keep_state(self, writer: JournalWriter, standing: Standing) -> None:
        writer.set_meta("clocks", self._intake.placing.clocks())
        self._judged.keep(writer, standing.firing)

    def _refused(self, exc: JournalError, writer: JournalWriter) -> bool:
        clocks = self._intake.placing.clocks()
        self._judged.keep_at_once |= self.journal.refused(exc, writer, self._state.now.firing, clocks)
        return False
