"""The journal's thread: takes what came in, judges it, and commits both together."""

from __future__ import annotations

import contextlib
import logging
import os
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from operator import itemgetter
from typing import TYPE_CHECKING, Any, Final

from logger import arming
from logger.catching_up import AT_ONCE_US, CatchingUp
from logger.conversion import Assembler
from logger.errors import StokewatchError, UserError
from logger.hosttime import HostTime, Uptime
from logger.intake import Intake, Taken, Token
from logger.journal.layout import as_stored
from logger.journal.reader import JournalReader
from logger.journal.rows import FiringInfo
from logger.journal.schema import JournalError
from logger.journal.set_apart import Apart, Key
from logger.journal.writer import JournalWriter
from logger.judging import Judging, Kept
from logger.opening import Opening
from logger.plan import Plan
from logger.plan import loads as loads_plan
from logger.reading import Batch
from logger.recording.requests_carried_out import WAITS, RequestDesk, Standing
from logger.rig_line.beacon import Show, show_for

if TYPE_CHECKING:
    from pathlib import Path

COMMIT_S: Final = 0.2
"""From the first waiting frame to its commit, less the work itself: within the promised 250 ms. [s]"""
IDLE_S: Final = 0.5
"""Without readings the heartbeat and the requests still get their turn this often. [s]"""
REQUESTS_S: Final = 0.05
"""Requests are carried out for so long between two commits of readings, at least one of them. [s]"""
STATE_S: Final = 10.0
"""How often the state of clocks and judgement is kept; what came later is judged again. [s]"""
BACKLOG_READINGS: Final = 500_000
"""What is kept in memory while the disk takes nothing: 52 min of 16 channels at 10 Hz."""
PRIME_US: Final = 15 * 60 * 1_000_000
"""How far back frames are looked up after a restart, to know a broker's redelivery. [µs]"""
SETTLE_US: Final = 3_000_000
"""Readings may still be on their way this long before silence counts as silence. [µs]"""
UNJUDGED: Final = "unjudged"
"""In `meta`: since when readings are recorded and not yet judged."""
_LAST_TRIES: Final = 3
_JUDGEMENT_OFF: Final = "the judgement failed and is off; readings are still recorded"

log = logging.getLogger(__name__)

Event = tuple[int, str, dict[str, Any], str]


def _nobody(tokens: list[Token]) -> None:
    """Answer nobody."""


@dataclass(slots=True)
class Unit:
    """What goes into the journal together: readings, what was judged of them, whom to thank for them.

    `apart`, `placed` and `keys` are those of `Taken`; `refused` are never thanked.
    """

    batches: list[Batch] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    estimates: list[tuple[int, Kept]] = field(default_factory=list)
    tokens: list[Token] = field(default_factory=list)
    refused: list[Token] = field(default_factory=list)
    apart: list[Apart] = field(default_factory=list)
    placed: list[int] = field(default_factory=list)
    keys: dict[str, list[Key]] = field(default_factory=dict)

    @property
    def readings(self) -> int:
        """Number of channel values."""
        return sum(b.status.size for b in self.batches)


class Recorder:
    """Owns the journal's only writing connection, in a thread of its own.

    Parameters
    ----------
    path : Path
        The journal.
    intake : Intake
    time_line : HostTime
    plan : Plan or None
        For a firing that begins; in place of the running firing's plan if it differs.
    title : str
        Of a firing that begins, where the plan has none.
    invented : bool
        Whether what comes in is from a simulation.
    committed : callable
        Called in the journal's thread with the tokens of frames that are on disk.
    sources : callable
        Gives the sources' state for the heartbeat.
    beacons : callable
        Gives the state of each rig's beacon.
    test_beacons : callable
        Has all beacons tried.
    refused : callable, optional
        Called in the journal's thread with the tokens of frames that nobody keeps.
    again : callable, optional
        Called in the journal's thread with the tokens of frames that had to be let go of: whoever still has
        them should send them again.
    armed : callable, optional
        Called in the journal's thread with a plan that was armed, also where that still holds at a start.
    """

    def __init__(
        self,
        path: Path,
        intake: Intake,
        time_line: HostTime,
        *,
        plan: Plan | None,
        title: str,
        invented: bool,
        committed: Callable[[list[Token]], None],
        sources: Callable[[], list[dict[str, Any]]],
        beacons: Callable[[], dict[str, str]],
        test_beacons: Callable[[], None],
        refused: Callable[[list[Token]], None] = _nobody,
        again: Callable[[list[Token]], None] = _nobody,
        armed: Callable[[Plan], None] = lambda plan: None,
    ) -> None:
        self._path = path
        self._intake = intake
        self._time = time_line
        self._given = plan
        self._plan = plan
        self._armed: arming.Armed | None = None
        self._title = title
        self._invented = invented
        self._committed = committed
        self._sources = sources
        self._beacons = beacons
        self._desk = RequestDesk(
            time_line, beacons=beacons, test_beacons=test_beacons, keep=self._keep_after_request
        )
        self._turn_away, self._again, self._tell_armed = refused, again, armed
        self.show = Show.OFF
        """What beacons should show; any thread may look."""
        self._firing: FiringInfo | None = None
        self._begin_us: int | None = None
        self._holding = False
        self._assembler = Assembler(plan)
        self._judging: Judging | None = None
        self._seen: list[tuple[str, str]] = []
        self._backlog: deque[Unit] = deque()
        self._early: list[Event] = []
        self._more_requests = False
        self._readings = 0
        self._lost = 0
        self._not_recorded = 0
        self._last_commit_us: int | None = None
        self._state_s = float("-inf")
        self._rigs: set[str] = set()
        self._trouble = ""
        self._opening = Opening(path, self.happened)
        self._catching_up: CatchingUp | None = None
        self._working_since_s: float | None = None
        self.damage = ""
        """Set by who finds the journal damaged: another is begun in its place. Any thread may."""
        self.joined = False
        """Set by who has joined an older journal: the firing is judged again. Any thread may."""
        self.upkeep = ""
        """What is done about a damaged journal, in words; any thread may set it."""
        self._verdict: dict[str, Any] | None = None
        self._verdict_s = float("-inf")
        self._thread = threading.Thread(target=self._run, name="journal")
        self._started = threading.Event()
        self._failure: BaseException | None = None

    def start(self) -> None:
        """Begin to open the journal and to go on with the firing that is running.

        Raises
        ------
        StokewatchError
            The journal is a newer version's, or no journal.
        """
        self._thread.start()
        self._started.wait()
        if self._failure is not None:
            raise self._failure

    def join(self) -> None:
        """Wait until all that came in before `Intake.stop` is committed.

        Raises
        ------
        BaseException
            What ended the thread, if it was not `Intake.stop`.
        """
        self._thread.join()
        if self._failure is not None:
            raise self._failure

    @property
    def alive(self) -> bool:
        """Whether the thread runs."""
        return self._thread.is_alive()

    @property
    def stuck_s(self) -> float:
        """For how long it has been working at what isn't the disk's. In seconds."""
        since_s = self._working_since_s
        return 0.0 if since_s is None else time.monotonic() - since_s

    @property
    def trouble(self) -> str:
        """What keeps it from its work, in words; empty where nothing does."""
        return self._opening.trouble or self._trouble or self.upkeep

    @property
    def recording(self) -> bool:
        """Whether what comes in gets onto the disk."""
        return not (self._opening.trouble or self._trouble.startswith("the disk"))

    @property
    def set_aside(self) -> list[Path]:
        """Journals that were damaged and set aside since the start."""
        return self._opening.asides

    def _run(self) -> None:
        try:
            writer = self._opening.open(self._resume, self._waits_in_vain)
            if writer is None:
                return
            try:
                self._started.set()
                self._loop(writer)
            finally:
                writer.close()
        except BaseException as exc:
            self._failure = exc
        finally:
            self._started.set()

    def _waits_in_vain(self) -> bool:
        """Let the sources begin though the disk takes nothing yet: what they give waits in memory."""
        self._started.set()
        return self._intake.stopped

    def happened(self, what: str, detail: str) -> None:
        """Note something about the journal among the firing's events.

        Parameters
        ----------
        what, detail : str
            A word, and a sentence.
        """
        self._early.append((self._time.utc_us(), "system", {"what": what, "detail": detail}, ""))

    def _resume(self, writer: JournalWriter) -> None:
        self._firing, self._judging, self._catching_up, self._plan = None, None, None, self._given
        firing = writer.running()
        self._take_up_armed(firing)
        if firing is None:
            self._expect()
            with contextlib.closing(JournalReader(self._path)) as reader:
                self._intake.prime_apart(*reader.set_apart_sums(), ())
            return
        if self._plan is not None and (toml := self._plan.dumps()) != firing.plan_toml:
            with writer.transaction():
                firing = writer.change_firing(firing.id, plan_toml=toml)
                data = {"what": "plan_replaced", "title": self._plan.title}
                writer.add_event(firing.id, self._time.utc_us(), "system", data)
        elif self._plan is None and firing.plan_toml is not None:
            try:
                self._plan = loads_plan(firing.plan_toml)
            except UserError as exc:
                log.error("the firing's plan is damaged: %s", exc)
                self.happened("plan_damaged", f"it is recorded and judged without its plan: {exc}")
        self._firing = firing
        self._expect()
        self._readings = firing.readings
        self._assembler = Assembler(self._plan, firing.seen)
        with contextlib.closing(JournalReader(self._path)) as reader:
            with contextlib.closing(self._latest(reader)) as latest:
                self._prime(latest, firing)
            self._resume_judging(writer, reader, firing)

    def _latest(self, reader: JournalReader) -> JournalReader:
        """The journal that has the latest frames: just after a damaged one was set aside, that one."""
        if self._opening.asides:
            with contextlib.suppress(StokewatchError):
                return JournalReader(self._opening.asides[-1])
        return JournalReader(self._path)

    def _expect(self) -> None:
        self._intake.expect([probe.channel for probe in self._plan.probes] if self._plan is not None else ())

    def _take_up_armed(self, firing: FiringInfo | None) -> None:
        """What was armed on a page goes before the plan that the command line names at each start."""
        reader = JournalReader(self._path)
        try:
            armed = arming.kept(reader)
        finally:
            reader.close()
        if armed is None or armed.firing != (None if firing is None else firing.id):
            return
        if self._given is not None and self._given != armed.plan:
            log.warning("the plan %r was armed on a page and holds until that firing ends", armed.plan.title)
        self._armed, self._plan = armed, armed.plan
        self._tell_armed(armed.plan)

    def _resume_judging(self, writer: JournalWriter, reader: JournalReader, firing: FiringInfo) -> None:
        self._seen = list(firing.seen)
        try:
            state = writer.load_state(firing.id)
            unjudged = reader.meta(UNJUDGED) or {}
            last_us = firing.last_us or firing.started_us
            judging = Judging(self._plan, firing.started_us, estimating=True)
            since_us = judging.restore(state, firing.seen)
            behind_us = last_us - (firing.started_us if since_us is None else since_us)
            if behind_us <= AT_ONCE_US and unjudged.get("firing") != firing.id:
                judging.replay(reader, firing.id, since_us)
                self._judging = judging
            else:
                told_us = int(unjudged["since_us"]) if unjudged.get("firing") == firing.id else last_us
                self._catch_up(writer, firing, state, told_us)
        except JournalError:
            raise
        except Exception as exc:  # a fault of ours in there must not keep the fire from being recorded
            self._early.append(self._judgement_failed(exc))

    def _catch_up(self, writer: JournalWriter, firing: FiringInfo, state: bytes | None, told_us: int) -> None:
        """Judge a long stretch again beside the recording, and then go on from there."""
        writer.set_meta(UNJUDGED, {"firing": firing.id, "since_us": told_us})
        self._judging = None
        self._catching_up = CatchingUp(self._path, self._plan, firing, state, told_us)
        self._catching_up.start()

    def _caught_up(self, writer: JournalWriter) -> None:
        """Take over the judgement from the thread that has caught up."""
        if self.joined and self._firing is not None and self._catching_up is None:
            self.joined = False
            firing = writer.firing(self._firing.id)
            self._catch_up(writer, firing, None, firing.last_us or firing.started_us)
        caught = self._catching_up
        if caught is None or not caught.done:
            return
        self._catching_up = None
        if self._firing is None or caught.firing.id != self._firing.id:
            return
        now = writer.firing(self._firing.id)
        if now.seen != caught.firing.seen:  # a channel that is new since
            self._catch_up(writer, now, None, caught.told_us)
            return
        try:
            judging, events = caught.finish()
        except Exception as exc:
            self._early.append(self._judgement_failed(exc))
            return
        self._seen = list(now.seen)
        self._judging = judging
        said = [(judging.micros(e.t_s), e.kind, e.data, e.who) for e in events]
        kept = [(t_us, zones) for t_us, zones in judging.take_estimates() if t_us > caught.told_us]
        self._backlog.append(Unit(events=said, estimates=kept))
        self._state_s = float("-inf")

    def _prime(self, reader: JournalReader, firing: FiringInfo) -> None:
        """Tell the intake which frames are here already, and where each rig's clock stood."""
        try:
            self._prime_from(reader, reader.firing(firing.id))
        except UserError:
            pass  # it has no such firing
        except Exception as exc:
            if reader.path == self._path:
                raise
            log.warning("%s", exc)  # a journal that was set aside; what can be read of it is joined later

    def _prime_from(self, reader: JournalReader, firing: FiringInfo) -> None:
        channels: dict[str, list[str]] = {}
        for rig, channel in firing.seen:
            channels.setdefault(rig, []).append(channel)
        since_us = (self._time.utc_us() if firing.last_us is None else firing.last_us) - PRIME_US
        if firing.last_us is not None:
            self._prime_frames(reader, firing, channels, since_us)
        rows = reader.set_apart(firing.id, since_us)
        self._intake.prime_apart(*reader.set_apart_sums(), rows)

    def _prime_frames(
        self, reader: JournalReader, firing: FiringInfo, channels: dict[str, list[str]], since_us: int
    ) -> None:
        clocks = reader.meta("clocks") or {}
        frames: dict[str, list[tuple[int, int, int]]] = {}
        checksums = reader.noted_lately()
        for batch in reader.batches(firing.id, since_us=since_us):
            rows = zip(batch.seq.tolist(), batch.ms.tolist(), batch.t_us.tolist(), strict=True)
            frames.setdefault(batch.rig, []).extend(rows)
        for rig, named in channels.items():
            of_rig = sorted(frames.get(rig, ()), key=itemgetter(2))
            self._intake.prime(rig, of_rig, named, checksums.get(rig, {}), clocks.get(rig, {}))

    def _loop(self, writer: JournalWriter) -> None:
        tries = 0
        while True:
            taken = self._intake.take(COMMIT_S, COMMIT_S / 10 if self._more_requests else IDLE_S)
            stopping = self._intake.stopped
            self._working_since_s = time.monotonic()
            self._collect(taken)
            self._working_since_s = None
            if self._mended(writer) and self._commit(writer):
                tries = 0
            elif stopping:
                tries += 1
                if tries >= _LAST_TRIES:
                    log.error("ended with %d readings that the disk would not take", self._waiting_readings())
                    return
            if stopping and not self._backlog and not self._intake.waiting:
                return
            if self._backlog:
                time.sleep(0.2)  # the disk would not take it; give it a moment

    def _mended(self, writer: JournalWriter) -> bool:
        """Begin another journal if this one was found damaged; take over what was judged beside."""
        try:
            if self.damage:
                damage, self.damage = self.damage, ""
                error = JournalError(f"journal {self._path}: it is damaged ({damage})", "damaged")
                return self._refused(error, writer)
            self._caught_up(writer)
        except JournalError as exc:
            return self._refused(exc, writer)
        return True

    def _collect(self, taken: Taken) -> None:
        # Rounded as the journal keeps them: a rehearsal judges the very same numbers.
        batches = [as_stored(b) for b in self._assembler.take(taken.frames)] if taken.frames else []
        events: list[Event] = [(t_us, kind, data, "") for t_us, kind, data in taken.events]
        now_us = self._time.utc_us()
        begun_us: int | None = None
        for trouble in self._assembler.new_troubles():
            log.warning("rig %s, channel %s: %s", trouble.rig, trouble.channel, trouble.text)
            data = {"rig": trouble.rig, "channel": trouble.channel, "text": trouble.text}
            events.append((now_us, "fault", data, ""))
        if self._holding:
            self._not_recorded += sum(b.status.size for b in batches)
            batches = []
        elif batches and self._firing is None and self._begin_us is None:
            self._begin_us = min(int(b.t_us[0]) for b in batches)
            begun_us = self._begin_us
        if not (rigs := {b.rig for b in batches}) <= self._rigs:
            self._rigs |= rigs
            self._state_s = float("-inf")  # a new rig's clock is kept at once: a restart goes on from it
        judged, estimates = self._judge(batches, begun_us)
        events += judged
        unit = Unit(batches, events, estimates, taken.tokens, taken.refused, taken.apart)
        if not self._holding:  # what isn't recorded stays set apart
            unit.placed, unit.keys = taken.placed, taken.keys
        if taken or batches or events or estimates:
            self._backlog.append(unit)
        while self._waiting_readings() > BACKLOG_READINGS and len(self._backlog) > 1:
            self._let_go(self._backlog.popleft())

    def _let_go(self, unit: Unit) -> None:
        """The disk takes nothing, and memory is full: whoever still has these frames should keep them."""
        self._lost += unit.readings + len(unit.apart)
        self._intake.forget(unit.keys)
        for row in unit.apart:
            self._intake.forget_apart(row)
        self._again(unit.tokens)

    def _judge(
        self, batches: list[Batch], begun_us: int | None
    ) -> tuple[list[Event], list[tuple[int, Kept]]]:
        """Judge readings; a fault of ours in there must not cost the fire its readings."""
        try:
            if begun_us is not None:
                self._judging = Judging(self._plan, begun_us, estimating=True)
            if self._judging is None:
                return [], []
            return self._judged(self._judging, batches), self._judging.take_estimates()
        except Exception as exc:
            return [self._judgement_failed(exc)], []

    def _judgement_failed(self, exc: Exception) -> Event:
        log.error("the judgement failed; readings are still recorded", exc_info=exc)
        self._judging = None
        self._verdict = None
        self._trouble = _JUDGEMENT_OFF
        return self._time.utc_us(), "system", {"what": "judgement_failed", "detail": repr(exc)}, ""

    def _judged(self, judging: Judging, batches: list[Batch]) -> list[Event]:
        fresh = [
            key for b in batches for key in ((b.rig, c.name) for c in b.channels) if key not in self._seen
        ]
        if fresh:
            self._seen += dict.fromkeys(fresh)
            judging.rebuild(self._seen)
            if self._firing is not None:
                reader = JournalReader(self._path)
                try:
                    judging.replay(reader, self._firing.id, None)
                finally:
                    reader.close()
        found = judging.take(batches)
        now_us = self._time.utc_us()
        found += judging.advance(now_us - round(SETTLE_US * self._time.scale))
        for rig, state in self._beacons().items():
            if state not in ("failed", "shown"):
                continue  # no news yet: an alarm that stands goes on standing
            words = f"the lamp or buzzer of rig {rig} hasn't answered rightly for 12 s"
            told = judging.report(now_us, "beacon_failed", rig, state == "failed", words)
            if told:
                found += told
                self._state_s = float("-inf")  # no reading tells it again after a restart
        if (now_s := time.monotonic()) - self._verdict_s >= 1.0 or found:
            self._verdict_s = now_s
            self._verdict = judging.verdict_data()
        return [(judging.micros(e.t_s), e.kind, e.data, e.who) for e in found]

    def _commit(self, writer: JournalWriter) -> bool:
        firing, holding, begin_us = self._firing, self._holding, self._begin_us
        armed = self._armed
        tokens = [token for unit in self._backlog for token in unit.tokens]
        refused = [token for unit in self._backlog for token in unit.refused]
        readings = sum(unit.readings for unit in self._backlog)
        now_us = self._time.utc_us()
        keep_state = time.monotonic() - self._state_s >= STATE_S
        try:
            with writer.transaction():
                if firing is None and begin_us is not None:
                    firing = writer.open_firing(
                        self._plan.title
                        if self._plan and self._plan.title
                        else self._title or arming.dated_title(begin_us),
                        self._plan.dumps() if self._plan else None,
                        begin_us,
                        invented=self._invented,
                    )
                    begin_us = None
                    if armed is not None:
                        armed = arming.Armed(armed.plan, firing.id)
                        arming.keep(writer, armed)
                events = [event for unit in self._backlog for event in unit.events]
                if firing is None:
                    self._early = [*self._early, *events][-200:]
                else:
                    for unit in self._backlog:
                        for batch in unit.batches:
                            writer.append(firing.id, batch)
                        for t_us, zones in unit.estimates:
                            writer.add_estimate(firing.id, t_us, zones)
                self._keep_apart(writer, firing, now_us)
                if firing is not None:
                    for t_us, kind, data, who in [*self._early, *events]:
                        writer.add_event(firing.id, max(t_us, firing.started_us), kind, data, who)
                if keep_state:
                    self._keep_state(writer, firing)
                writer.heartbeat(self._heartbeat(firing, holding, now_us, readings))
        except JournalError as exc:
            return self._refused(exc, writer)
        if firing is not None:
            self._early = []
        self._armed = armed
        self._firing, self._holding, self._begin_us = firing, holding, begin_us
        self.show = self._wanted_show()
        self._backlog.clear()
        self._readings += readings
        if readings:
            self._last_commit_us = now_us
        if keep_state:
            self._state_s = time.monotonic()
        if self._trouble.startswith("the disk"):
            log.info("the journal takes readings again")
            self._trouble = ""
        if tokens:
            self._committed(tokens)
        if refused:
            self._turn_away(refused)
        return self._answer_requests(writer)

    def _keep_apart(self, writer: JournalWriter, firing: FiringInfo | None, now_us: int) -> None:
        """Write down what can't be placed, and what was placed: that comes again after a restart."""
        rows = [row for unit in self._backlog for row in unit.apart]
        placed = [number for unit in self._backlog for number in unit.placed]
        if rows or placed:
            writer.set_apart(None if firing is None else firing.id, rows, placed)
        keys: dict[str, list[Key]] = {}
        for unit in self._backlog:
            for rig, of_rig in unit.keys.items():
                keys.setdefault(rig, []).extend(of_rig)
        if keys:
            writer.note_lately(now_us, keys)

    def _answer_requests(self, writer: JournalWriter) -> bool:
        """Carry out what people asked for, after the readings and apart from them."""
        until_s = time.monotonic() + REQUESTS_S
        self._more_requests = False
        try:
            for request in writer.take_requests():
                before = Standing(self._firing, self._holding, self._armed)
                self._now_stands(self._desk.answer(writer, request, before, self._judging))
                self._more_requests = time.monotonic() >= until_s
                if self._more_requests:
                    break
        except JournalError as exc:
            if exc.reason in WAITS:
                return self._refused(exc, writer)
            log.error("what people asked for can't be read: %s", exc)
        return True

    def _now_stands(self, standing: Standing) -> None:
        if standing.firing is None and (self._firing, self._armed) != (None, standing.armed):
            # Finished or armed: the next one begins afresh.
            if standing.armed is not None:
                self._tell_armed(standing.armed.plan)
            self._plan = self._given if standing.armed is None else standing.armed.plan
            self._judging, self._verdict, self._seen = None, None, []
            self._assembler = Assembler(self._plan)
            self._expect()
            self._intake.begin_afresh()
        self._firing, self._holding, self._armed = standing.firing, standing.holding, standing.armed
        self.show = self._wanted_show()

    def _keep_after_request(self, writer: JournalWriter, standing: Standing) -> None:
        if self._judging is not None:
            self._verdict = self._judging.verdict_data()  # what was acknowledged shows at once
        self._keep_state(writer, standing.firing)
        now_us = self._time.utc_us()
        writer.heartbeat(self._heartbeat(standing.firing, standing.holding, now_us, 0))

    def _keep_state(self, writer: JournalWriter, firing: FiringInfo | None) -> None:
        writer.set_meta("clocks", self._intake.clocks())
        if firing is not None and self._judging is not None:
            writer.save_state(firing.id, self._judging.snapshot())
            writer.set_meta(UNJUDGED, {})

    def _refused(self, exc: JournalError, writer: JournalWriter) -> bool:
        if not self._trouble.startswith("the disk"):
            log.error("%s; %d readings wait in memory", exc, self._waiting_readings())
        self._trouble = f"the disk does not take readings: {exc}"
        if exc.reason == "damaged":
            with contextlib.suppress(JournalError):
                if self._opening.start_over(writer, self._firing, self._intake.clocks(), exc):
                    self._state_s = float("-inf")
        elif exc.reason in ("gone", "io", "read_only", "misuse"):
            with contextlib.suppress(JournalError, OSError):
                writer.reopen(self._firing.id if self._firing else None)
                log.warning("the journal was opened anew")
        return False

    def _heartbeat(
        self, firing: FiringInfo | None, holding: bool, now_us: int, readings: int
    ) -> dict[str, Any]:
        up = Uptime.now()
        return {
            "pid": os.getpid(),
            "at_us": now_us,
            "wall_s": time.time(),
            "boot": up.boot,
            "up_s": up.up_s,
            "time_scale": self._time.scale,
            **self._intake.counts(),
            "readings": self._readings + readings,
            "lost": self._lost,
            "not_recorded": self._not_recorded,
            "waiting": self._intake.waiting,
            "last_commit_us": now_us if readings else self._last_commit_us,
            "sources": self._sources(),
            "beacons": self._beacons(),
            "firing": None if firing is None else firing.id,
            "holding": holding,
            "trouble": self._trouble or self.upkeep,
            "verdict": None if self._verdict is None else self._verdict.get("load"),
            "alarms": None if self._verdict is None else self._verdict.get("alarms"),
        }

    def _wanted_show(self) -> Show:
        alarms = [] if self._verdict is None else self._verdict["alarms"]
        unseen = [a for a in alarms if a["state"] in ("unacknowledged", "returned-unacknowledged")]
        return show_for(
            firing=self._firing is not None,
            unacknowledged=any(a["warning"] for a in unseen),
            standing=any(a["warning"] and a["state"] == "acknowledged" for a in alarms),
            good=any(not a["warning"] for a in unseen),
        )

    def _waiting_readings(self) -> int:
        return sum(unit.readings for unit in self._backlog)
