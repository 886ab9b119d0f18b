"""The journal's thread: takes what came in, judges it, and commits both together."""

from __future__ import annotations

import contextlib
import json
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
from logger.conversion import Assembler
from logger.errors import StokewatchError
from logger.hosttime import HostTime, Uptime
from logger.intake import Intake, Taken, Token
from logger.journal.layout import as_stored
from logger.journal.reader import JournalReader
from logger.journal.rows import FiringInfo, Request
from logger.journal.salvage import make_sound
from logger.journal.schema import JournalError
from logger.journal.set_apart import Apart, Key
from logger.journal.writer import JournalWriter
from logger.judgement.fire_ensemble import ensemble
from logger.judging import Judging, Kept
from logger.plan import Plan
from logger.reading import Batch
from logger.requests import UNDO_S, RequestError, read_note, read_retract, read_spot, text_of
from logger.rig_line.beacon import Show, show_for

if TYPE_CHECKING:
    from pathlib import Path

COMMIT_S: Final = 0.2
"""From the first waiting frame to its commit, less the work itself: within the promised 250 ms. [s]"""
IDLE_S: Final = 0.5
"""Without readings the heartbeat and the requests still get their turn this often. [s]"""
STATE_S: Final = 10.0
"""How often the state of clocks and judgement is kept; what came later is judged again. [s]"""
BACKLOG_READINGS: Final = 500_000
"""What is kept in memory while the disk takes nothing: 52 min of 16 channels at 10 Hz."""
PRIME_US: Final = 15 * 60 * 1_000_000
"""How far back frames are looked up after a restart, to know a broker's redelivery. [µs]"""
SETTLE_US: Final = 3_000_000
"""Readings may still be on their way this long before silence counts as silence. [µs]"""
UNDO_GRACE_S: Final = 5.0
"""For a request that waited a moment. [s]"""
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
        self._test_beacons = test_beacons
        self._turn_away, self._again = refused, again
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
        self._readings = 0
        self._lost = 0
        self._not_recorded = 0
        self._last_commit_us: int | None = None
        self._state_s = float("-inf")
        self._rigs: set[str] = set()
        self._trouble = ""
        self._verdict: dict[str, Any] | None = None
        self._verdict_s = float("-inf")
        self._thread = threading.Thread(target=self._run, name="journal")
        # The forecasts' ensemble takes half a second: no commit waits for it.
        self._ensemble = threading.Thread(target=ensemble, name="ensemble", daemon=True)
        self._started = threading.Event()
        self._failure: BaseException | None = None

    def start(self) -> None:
        """Open the journal and go on with the firing that is running.

        Raises
        ------
        StokewatchError
            The journal can't be opened.
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

    def _run(self) -> None:
        try:
            salvaged = make_sound(self._path)
            if salvaged is not None:
                log.error("the journal was damaged; the old file is kept as %s", salvaged.aside)
                detail = f"the damaged file is {salvaged.aside.name}; {salvaged.readings} readings saved"
                data = {"what": "journal_salvaged", "detail": detail}
                self._early.append((self._time.utc_us(), "system", data, ""))
            writer = JournalWriter(self._path)
            try:
                self._resume(writer)
                self._started.set()
                self._loop(writer)
            finally:
                writer.close()
        except BaseException as exc:
            self._failure = exc
        finally:
            self._started.set()

    def _resume(self, writer: JournalWriter) -> None:
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
            self._plan = firing.plan
        self._firing = firing
        self._expect()
        self._readings = firing.readings
        self._assembler = Assembler(self._plan, firing.seen)
        reader = JournalReader(self._path)
        try:
            self._prime(reader, firing)
            self._resume_judging(writer, reader, firing)
        finally:
            reader.close()

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

    def _resume_judging(self, writer: JournalWriter, reader: JournalReader, firing: FiringInfo) -> None:
        self._seen = list(firing.seen)
        try:
            judging = Judging(self._plan, firing.started_us, estimating=True)
            since_us = judging.restore(writer.load_state(firing.id), firing.seen)
            judging.replay(reader, firing.id, since_us)
            self._judging = judging
        except Exception as exc:  # a fault of ours in there must not keep the fire from being recorded
            self._early.append(self._judgement_failed(exc))

    def _prime(self, reader: JournalReader, firing: FiringInfo) -> None:
        """Tell the intake which frames are here already, and where each rig's clock stood."""
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
        clocks = json.loads(reader.meta("clocks") or "{}")
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
            taken = self._intake.take(COMMIT_S, IDLE_S)
            stopping = self._intake.stopped
            self._collect(taken)
            if self._commit(writer):
                tries = 0
                if self._ensemble.ident is None:
                    self._ensemble.start()
            elif stopping:
                tries += 1
                if tries >= _LAST_TRIES:
                    log.error("ended with %d readings that the disk would not take", self._waiting_readings())
                    return
            if stopping and not self._backlog and not self._intake.waiting:
                return
            if self._backlog:
                time.sleep(0.2)  # the disk would not take it; give it a moment

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
            self._verdict = self._said(judging)
        return [(judging.micros(e.t_s), e.kind, e.data, e.who) for e in found]

    def _said(self, judging: Judging) -> dict[str, Any]:
        made = self._ensemble.ident is not None and not self._ensemble.is_alive()
        return judging.verdict_data(ahead=made)

    def _commit(self, writer: JournalWriter) -> bool:
        try:
            requests = writer.take_requests()
        except JournalError as exc:
            return self._refused(exc, writer)
        firing, holding, begin_us = self._firing, self._holding, self._begin_us
        armed = self._armed
        tokens = [token for unit in self._backlog for token in unit.tokens]
        refused = [token for unit in self._backlog for token in unit.refused]
        readings = sum(unit.readings for unit in self._backlog)
        now_us = self._time.utc_us()
        keep_state = time.monotonic() - self._state_s >= STATE_S or bool(requests)
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
                for request in requests:
                    firing, holding, armed = self._carry_out(writer, request, firing, holding, armed)
                if keep_state:
                    writer.set_meta("clocks", json.dumps(self._intake.clocks()))
                    if firing is not None and self._judging is not None:
                        writer.save_state(firing.id, self._judging.snapshot())
                writer.heartbeat(self._heartbeat(firing, holding, now_us, readings))
        except JournalError as exc:
            return self._refused(exc, writer)
        if firing is not None:
            self._early = []
        if firing is None and (self._firing, self._begin_us, self._armed) != (None, begin_us, armed):
            # Finished or armed: the next one begins afresh.
            self._plan = self._given if armed is None else armed.plan
            self._judging, self._verdict, self._seen = None, None, []
            self._assembler = Assembler(self._plan)
            self._expect()
            self._intake.begin_afresh()
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
        return True

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

    def _refused(self, exc: JournalError, writer: JournalWriter) -> bool:
        if not self._trouble.startswith("the disk"):
            log.error("%s; %d readings wait in memory", exc, self._waiting_readings())
        self._trouble = f"the disk does not take readings: {exc}"
        if exc.reason in ("gone", "io"):
            with contextlib.suppress(JournalError, OSError):
                writer.reopen(self._firing.id if self._firing else None)
                log.warning("the journal was opened anew")
        return False

    def _carry_out(
        self,
        writer: JournalWriter,
        request: Request,
        firing: FiringInfo | None,
        holding: bool,
        armed: arming.Armed | None,
    ) -> tuple[FiringInfo | None, bool, arming.Armed | None]:
        result: dict[str, Any] = {"ok": True}
        now_us = self._time.utc_us()
        try:
            if request.kind == "begin":
                holding = False
            elif request.kind == "arm":
                armed = arming.arm(writer, request.data, firing, now_us, request.who)
                result["ended"] = None if firing is None else firing.id
                firing, holding = None, False
            elif request.kind == "beacon_test":
                result["beacons"] = self._beacons()
                if not result["beacons"]:
                    raise RequestError(
                        "no rig has said that it has a lamp or a buzzer; see firmware_notes/wiring.md"
                    )
                self._test_beacons()
            elif firing is None:
                raise RequestError("no firing is running; start the rig, or ask for a new one")
            elif request.kind == "finish":
                writer.finish_firing(firing.id, now_us)
                result["firing"] = firing.id
                firing, holding, armed = None, True, None
                arming.keep(writer, None)
            elif request.kind in ("ack", "shelve", "unshelve"):
                if self._judging is None:
                    raise RequestError("nothing is judged at the moment")
                for event in self._judging.act(now_us, request.kind, request.data, request.who):
                    writer.add_event(
                        firing.id, self._judging.micros(event.t_s), event.kind, event.data, event.who
                    )
                self._verdict = self._said(self._judging)
            elif request.kind in ("note", "spot"):
                read = read_note(request.data) if request.kind == "note" else read_spot(request.data)
                result["event"] = writer.add_event(firing.id, now_us, request.kind, read.data(), request.who)
                if request.kind == "spot" and self._judging is not None:
                    self._judging.spot(now_us, read.data())
            elif request.kind == "mirror":
                detail = text_of(request.data, "detail")
                data = {"source": "mirror", "what": "refused", "detail": detail}
                result["event"] = writer.add_event(firing.id, now_us, "system", data, request.who)
            elif request.kind == "retract":
                since_us = now_us - round((UNDO_S * self._time.scale + UNDO_GRACE_S) * 1e6)
                was = writer.retract_event(
                    firing.id, read_retract(request.data), now_us, since_us, request.who
                )
                if was is None:
                    raise RequestError(
                        f"that can't be taken back any more, {UNDO_S:.0f} s after it was noted; add a note"
                    )
                if was.kind == "spot" and self._judging is not None:
                    self._judging.retract_spot(was.t_us, was.data)
            else:
                raise RequestError(f"{request.kind!r} is nothing the logger can do")
        except JournalError:
            raise
        except StokewatchError as exc:
            result = {"ok": False, "error": str(exc)}
        writer.finish_request(request.id, result)
        return firing, holding, armed

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
            "trouble": self._trouble,
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
