"""The journal's thread: takes what came in, judges it, and commits both together."""

from __future__ import annotations

import contextlib
import logging
import threading
import time
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TYPE_CHECKING, Any, Final

from logger.errors import UserError
from logger.journal.reader import JournalReader
from logger.journal.schema import JournalError
from logger.journal.writer import JournalWriter
from logger.reading import Event
from logger.recording.backlog import Backlog, Unit
from logger.recording.firing_state import FiringState, Standing
from logger.recording.hosttime import HostTime, stamp
from logger.recording.intake import Intake
from logger.recording.journal_file import JournalFile
from logger.recording.judged import Judged
from logger.recording.requests_carried_out import WAITS, RequestDesk
from logger.rig_line.beacon import Show

if TYPE_CHECKING:
    from logger.recording.rigs import Rigs, Settings

COMMIT_S: Final = 0.2
"""Between commits; the first frame after a pause is committed at once. Including the work itself, none waits
longer than the promised 250 ms. [s]"""
IDLE_S: Final = 0.5
"""Without readings, the heartbeat and the requests still get their turn this often. [s]"""
REQUESTS_S: Final = 0.05
"""Time for requests between two commits of readings; at least one is carried out. [s]"""
STATE_S: Final = 10.0
"""How often the state of clocks and judgement is saved; what came later is judged again. [s]"""
_LAST_TRIES: Final = 3
_AGAIN_S: Final = 0.2
"""Pause after a commit that the disk wouldn't take. [s]"""

log = logging.getLogger(__name__)


class Recorder:
    """Owns the journal's only writing connection, in a thread of its own.

    From there it tells `rigs` what was committed or refused.
    """

    def __init__(self, settings: Settings, intake: Intake, time_line: HostTime, rigs: Rigs) -> None:
        path = settings.home.journal
        self._path, self._intake, self._time, self._rigs = path, intake, time_line, rigs
        self._backlog = Backlog()
        self.state = FiringState(settings.plan, title=settings.title, invented=settings.invented)
        self.judged = Judged(path, time_line, beacons=rigs.beacons, happened=self._backlog.happened)
        self._desk = RequestDesk(time_line, rigs, keep=self._keep_after_request)
        self._kept_s = float("-inf")
        self._more_requests = False
        # On the disk, from the running firing and those before it since the start; dropped while the disk
        # took nothing; came in while no firing was wanted.
        self._readings = self._lost = self._not_recorded = 0
        self._last_commit_us: int | None = None
        self._seen_rigs: set[str] = set()
        self._pool = ThreadPoolExecutor(1, "journal")
        self._ready = threading.Event()
        self._busy_since_s: float | None = None
        self.ended: Future[None] = Future()
        """Done when its thread has ended."""
        self.journal = JournalFile(path, self.happened)
        self.show = Show.OFF
        """What beacons should show; readable from any thread."""

    def start(self) -> None:
        """Start, and wait until sources may start too; raise the error if it fails before that."""
        self.ended = self._pool.submit(self._run)
        self.ended.add_done_callback(lambda _: self._ready.set())
        self._ready.wait()
        if self.ended.done():
            self.ended.result()

    @property
    def stuck_s(self) -> float:
        """How long it has been at work that should take a moment; waiting for a disk doesn't count. [s]."""
        since_s = self._busy_since_s
        return 0.0 if since_s is None else time.monotonic() - since_s

    @property
    def trouble(self) -> str:
        """What keeps it from its work, in words; empty if nothing does."""
        return self.journal.refusing or self.judged.trouble or self.journal.upkeep

    @property
    def recording(self) -> bool:
        """Whether readings get onto the disk."""
        return not self.journal.refusing

    def happened(self, what: str, detail: str) -> None:
        """Add an event (a word, and a sentence) to the firing; callable from any thread."""
        data = {"what": what, "detail": detail}
        self._backlog.happened(Event(self._time.utc_us(), "system", data))

    def collect(self, taken: Unit) -> bool:
        """Convert and judge what came in; False if there is nothing to write."""
        batches, troubles = self.state.convert(taken.frames)
        anything = bool(taken.frames or taken.apart or taken.placed or taken.tokens or taken.refused)
        for trouble in troubles:
            text = f"rig {trouble.rig!r}, channel {trouble.channel!r}: {trouble.text}"
            log.warning(text)
            data = {"rig": trouble.rig, "channel": trouble.channel, "text": text}
            taken.events.append(Event(self._time.utc_us(), "fault", data))
        if self.state.now.holding:
            self._not_recorded += sum(batch.status.size for batch in batches)
            batches, taken.placed, taken.keys = [], [], {}  # frames not recorded stay set apart
        taken.frames, taken.batches = [], batches
        begun_us = self.state.begins(batches)
        if not (rigs := {batch.rig for batch in batches}) <= self._seen_rigs:
            self._seen_rigs |= rigs
            self.judged.keep_at_once = True  # so that a restart has the new rig's clock
        said, taken.estimates = self.judged.judge(batches, begun_us, self.state.now.firing, self.state.plan)
        taken.events += said
        return anything or bool(taken.events or taken.estimates)

    def _run(self) -> None:
        writer = self.journal.open(self.resume, self._waits_in_vain)
        if writer is None:
            return
        with contextlib.closing(writer):
            self._ready.set()
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
            log.error("ended with %d readings that the disk wouldn't take", self._backlog.readings)

    def _waits_in_vain(self) -> bool:
        """Let the sources start though the disk takes nothing yet: readings wait in memory."""
        self._ready.set()
        return self._intake.stopped

    def record(self, writer: JournalWriter, taken: Unit) -> bool:
        """Judge what came in, commit it, carry out requests; False if the disk takes nothing."""
        self._busy_since_s = time.monotonic()
        try:
            anything = self.collect(taken)
        finally:
            self._busy_since_s = None
        if anything:
            self._add(taken)
        return self._sound(writer) and self._commit(writer)

    def resume(self, writer: JournalWriter) -> None:
        """Carry on with the running firing, if there is one."""
        placing, now_us = self._intake.placing, self._time.utc_us()
        self.judged.end()
        with contextlib.closing(JournalReader(self._path)) as reader:
            if damage := self.state.resume(writer, reader, now_us):
                self.happened("plan_damaged", f"the firing is recorded and judged without its plan: {damage}")
            placing.expect(self.state.channels)
            firing, armed = self.state.now.firing, self.state.now.armed
            if armed is not None:
                self._rigs.armed(armed.plan)
            if firing is None:
                placing.prime_apart(*reader.set_apart_sums(), ())
                return
            self._readings = firing.readings
            with contextlib.closing(self.journal.latest()) as latest:
                try:
                    placing.go_on(latest, latest.firing(firing.id), now_us)
                except UserError:
                    pass  # it has no such firing
                except Exception as exc:
                    if latest.path == self._path:
                        raise
                    log.warning("%s", exc)  # a journal set aside: use what can be read; it is joined later
            self.judged.resume(writer, reader, firing, self.state.plan)

    def _sound(self, writer: JournalWriter) -> bool:
        """Start another journal if this one was found damaged; take over what was judged separately."""
        try:
            self.journal.check()
            firing, plan = self.state.now.firing, self.state.plan
            if self.journal.joined and firing is not None:
                self.journal.joined = not self.judged.judge_again(writer, firing, plan)
            unit = self.judged.caught_up(writer, firing, plan)
        except JournalError as exc:
            return self._refused(exc, writer)
        if unit is not None:
            self._add(unit)
        return True

    def _add(self, unit: Unit) -> None:
        for gone in self._backlog.add(unit):
            # The disk takes nothing and memory is full: whoever still has these frames should keep them.
            self._lost += gone.readings + len(gone.apart)
            self._intake.placing.forget(gone)
            self._rigs.tell("ask_again", gone.tokens)

    def _commit(self, writer: JournalWriter) -> bool:
        now_us, readings = self._time.utc_us(), self._backlog.readings
        keep = self.judged.keep_at_once or time.monotonic() - self._kept_s >= STATE_S
        try:
            with writer.transaction():
                standing = self.state.open(writer)
                early = self._backlog.write(writer, standing.firing, now_us)
                if keep:
                    self._keep_state(writer, standing)
                writer.heartbeat(self.beat(standing, now_us, readings))
        except JournalError as exc:
            return self._refused(exc, writer)
        self.state.opened(standing)
        tokens, refused = self._backlog.written(standing.firing, early)
        self._readings += readings
        self._last_commit_us = now_us if readings else self._last_commit_us
        self.show = self.judged.show(firing=standing.firing is not None)
        if keep:
            self._kept_s, self.judged.keep_at_once = time.monotonic(), False
        self.journal.taken()
        self._rigs.tell("acknowledge", tokens)
        self._rigs.tell("refuse", refused)
        return self._answer_requests(writer)

    def _answer_requests(self, writer: JournalWriter) -> bool:
        """Carry out requests, after the readings and separately from them."""
        until_s = time.monotonic() + REQUESTS_S
        self._more_requests = False
        try:
            for request in writer.take_requests():
                answered = self._desk.answer(writer, request, self.state.now, self.judged.judging)
                if self.state.change(answered):
                    if answered.armed is not None:
                        self._rigs.armed(answered.armed.plan)
                    self.judged.end()
                    self._intake.placing.expect(self.state.channels)
                    self._intake.placing.begin_afresh()
                self.show = self.judged.show(firing=answered.firing is not None)
                self._more_requests = time.monotonic() >= until_s
                if self._more_requests:
                    break
        except JournalError as exc:
            if exc.reason in WAITS:
                return self._refused(exc, writer)
            log.error("the requests can't be read: %s", exc)
        return True

    def _keep_after_request(self, writer: JournalWriter, standing: Standing) -> None:
        self.judged.refresh()
        self._keep_state(writer, standing)
        writer.heartbeat(self.beat(standing, self._time.utc_us()))

    def _keep_state(self, writer: JournalWriter, standing: Standing) -> None:
        writer.set_meta("clocks", self._intake.placing.clocks())
        self.judged.keep(writer, standing.firing)

    def beat(self, standing: Standing, now_us: int, readings: int = 0) -> dict[str, Any]:
        """Return the journal's sign of life; `readings` are committed with it."""
        verdict = self.judged.verdict or {}
        return {
            **stamp(),
            "at_us": now_us,
            "time_scale": self._time.scale,
            **self._intake.counts(),
            "readings": self._readings + readings,
            "lost": self._lost,
            "not_recorded": self._not_recorded,
            "waiting": self._intake.waiting,
            "last_commit_us": now_us if readings else self._last_commit_us,
            "sources": self._rigs.sources(),
            "beacons": self._rigs.beacons(),
            "firing": None if standing.firing is None else standing.firing.id,
            "holding": standing.holding,
            "trouble": self.trouble,
            "verdict": verdict.get("load"),
            "alarms": verdict.get("alarms"),
        }

    def _refused(self, exc: JournalError, writer: JournalWriter) -> bool:
        clocks = self._intake.placing.clocks()
        self.judged.keep_at_once |= self.journal.refused(exc, writer, self.state.now.firing, clocks)
        return False
