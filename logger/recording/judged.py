"""The judgement, kept apart from the recording: a fault of ours in it costs no reading."""

from __future__ import annotations

import contextlib
import logging
import threading
import time
from collections.abc import Callable, Iterable
from concurrent.futures import Future
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from logger.journal.reader import JournalReader
from logger.journal.schema import JournalError
from logger.reading import Batch, Event
from logger.recording.backlog import Unit
from logger.recording.hosttime import HostTime
from logger.replay.judging import Judging, Kept
from logger.rig_line.beacon import Show, show_for

if TYPE_CHECKING:
    from logger.journal.rows import FiringInfo
    from logger.journal.writer import JournalWriter
    from logger.judgement.alarms import Event as Said
    from logger.plan import Plan

AT_ONCE_US: Final = 60_000_000
"""This much is judged again within milliseconds; more than that in a thread of its own. [µs]"""
SETTLE_US: Final = 3_000_000
"""Readings may arrive this late before silence counts as silence. [µs]"""
UNJUDGED: Final = "unjudged"
"""In `meta`: since when recorded readings haven't been judged."""
_OFF: Final = "the judgement failed and is off; readings are still recorded"
_VERDICT_S: Final = 1.0

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class _CatchingUp:
    """A firing that is judged up to now, from its beginning or the last saved state.

    Events of readings up to `told_us` are in the journal already. [µs]
    """

    firing: FiringInfo
    judging: Judging
    told_us: int
    said: Future[list[Said]]


class Judged:
    """Judges what is recorded, and keeps track of since when."""

    def __init__(
        self,
        path: Path,
        time_line: HostTime,
        *,
        beacons: Callable[[], dict[str, str]],
        happened: Callable[[Event], None],
    ) -> None:
        self._path, self._time = path, time_line
        self._beacons, self._happened = beacons, happened
        self.judging: Judging | None = None
        """None while nothing is judged."""
        self.verdict: dict[str, Any] | None = None
        """JSON, as of the last second."""
        self.trouble = ""
        """Why nothing is judged; empty if something is, or will be."""
        self.keep_at_once = False
        """Something happened that can't be worked out from readings after a restart."""
        self._seen: list[tuple[str, str]] = []
        self._catching_up: _CatchingUp | None = None
        self._verdict_s = float("-inf")

    def end(self) -> None:
        """Judge nothing until a firing begins or is resumed."""
        self.judging = self.verdict = self._catching_up = None
        self._seen = []

    def resume(
        self, writer: JournalWriter, reader: JournalReader, firing: FiringInfo, plan: Plan | None
    ) -> None:
        """Carry on from the last saved state: at once if little came since, else in a thread of its own.

        JournalError if the journal can't be read; anything else that goes wrong only switches the judgement
        off.
        """
        self._seen = list(firing.seen)
        try:
            state = writer.load_state(firing.id)
            unjudged = reader.meta(UNJUDGED)
            last_us = firing.last_us or firing.started_us
            judging = Judging(plan, firing.started_us, estimating=True)
            since_us = judging.restore(state, firing.seen)
            behind_us = last_us - (firing.started_us if since_us is None else since_us)
            if behind_us <= AT_ONCE_US and unjudged.get("firing") != firing.id:
                judging.replay(reader, firing.id, since_us)
                self.judging = judging
            else:
                told_us = int(unjudged["since_us"]) if unjudged.get("firing") == firing.id else last_us
                self._catch_up(writer, firing, plan, told_us, (judging, since_us))
        except JournalError:
            raise
        except Exception as exc:  # a fault of ours in there must not keep the fire from being recorded
            self._happened(self._failed(exc))

    def judge_again(self, writer: JournalWriter, firing: FiringInfo, plan: Plan | None) -> bool:
        """Judge a firing from its beginning, as readings from an older journal have joined it.

        False while it is already catching up: call again.
        """
        if self._catching_up is not None:
            return False
        now = writer.firing(firing.id)
        self._catch_up(writer, now, plan, now.last_us or now.started_us)
        return True

    def caught_up(self, writer: JournalWriter, firing: FiringInfo | None, plan: Plan | None) -> Unit | None:
        """Take over the judgement and its events from the thread that catches up, once it has."""
        caught = self._catching_up
        if caught is None or not caught.said.done():
            return None
        self._catching_up = None
        if firing is None or caught.firing.id != firing.id:
            return None
        now = writer.firing(firing.id)
        if now.seen != caught.firing.seen:  # a new channel since then
            self._catch_up(writer, now, plan, caught.told_us)
            return None
        judging = caught.judging
        try:
            said = caught.said.result()
            with contextlib.closing(JournalReader(self._path)) as reader:  # the little that came meanwhile
                said += judging.go_on(reader, firing.id)
        except Exception as exc:
            self._happened(self._failed(exc))
            return None
        self._seen = list(now.seen)
        self.judging = judging
        self.trouble = ""
        said = [one for one in said if judging.micros(one.t_s) > caught.told_us]
        kept = [(t_us, zones) for t_us, zones in judging.take_estimates() if t_us > caught.told_us]
        self.keep_at_once = True
        return Unit(events=events_of(judging, said), estimates=kept)

    def judge(
        self, batches: list[Batch], begun_us: int | None, firing: FiringInfo | None, plan: Plan | None
    ) -> tuple[list[Event], list[tuple[int, Kept]]]:
        """Judge readings, or let time pass; `begun_us`: when a firing begins with them. [µs]."""
        try:
            if begun_us is not None:
                self.trouble = ""
                self.judging = Judging(plan, begun_us, estimating=True)
            if self.judging is None:
                return [], []
            return self._judge(self.judging, batches, firing), self.judging.take_estimates()
        except Exception as exc:
            return [self._failed(exc)], []

    def keep(self, writer: JournalWriter, firing: FiringInfo | None) -> None:
        """Save the state for a restart, within a transaction."""
        if firing is not None and self.judging is not None:
            writer.save_state(firing.id, self.judging.snapshot())
            writer.set_meta(UNJUDGED, {})

    def refresh(self) -> None:
        """Make the verdict show at once what somebody did about an alarm."""
        if self.judging is not None:
            self.verdict = self.judging.verdict_data()

    def show(self, *, firing: bool) -> Show:
        """What the beacons should show."""
        alarms = [] if self.verdict is None else self.verdict["alarms"]
        unseen = [a for a in alarms if a["state"] in ("unacknowledged", "returned-unacknowledged")]
        return show_for(
            firing=firing,
            unacknowledged=any(a["warning"] for a in unseen),
            standing=any(a["warning"] and a["state"] == "acknowledged" for a in alarms),
            good=any(not a["warning"] for a in unseen),
        )

    def _catch_up(
        self,
        writer: JournalWriter,
        firing: FiringInfo,
        plan: Plan | None,
        told_us: int,
        restored: tuple[Judging, int | None] | None = None,
    ) -> None:
        """Judge a long stretch again in a thread of its own, then carry on from there."""
        writer.set_meta(UNJUDGED, {"firing": firing.id, "since_us": told_us})
        self.judging = None
        if restored is None:
            restored = Judging(plan, firing.started_us, estimating=True), None
            restored[0].rebuild(firing.seen)
        judging, since_us = restored
        said: Future[list[Said]] = Future()

        def judge() -> None:
            try:
                with contextlib.closing(JournalReader(self._path)) as reader:
                    said.set_result(judging.replay(reader, firing.id, since_us))
            except Exception as exc:
                said.set_exception(exc)

        self._catching_up = _CatchingUp(firing, judging, told_us, said)
        threading.Thread(target=judge, name="catching up", daemon=True).start()

    def _failed(self, exc: Exception) -> Event:
        log.error("the judgement failed; readings are still recorded", exc_info=exc)
        self.judging = self.verdict = None
        self.trouble = _OFF
        data = {"what": "judgement_failed", "detail": repr(exc)}
        return Event(self._time.utc_us(), "system", data)

    def _judge(self, judging: Judging, batches: list[Batch], firing: FiringInfo | None) -> list[Event]:
        fresh = [
            key for b in batches for key in ((b.rig, c.name) for c in b.channels) if key not in self._seen
        ]
        if fresh:
            self._seen += dict.fromkeys(fresh)
            judging.rebuild(self._seen)
            if firing is not None:
                with contextlib.closing(JournalReader(self._path)) as reader:
                    judging.replay(reader, firing.id, None)
        found = judging.take(batches)
        now_us = self._time.utc_us()
        found += judging.advance(now_us - round(SETTLE_US * self._time.scale))
        found += self._of_beacons(judging, now_us)
        if (now_s := time.monotonic()) - self._verdict_s >= _VERDICT_S or found:
            self._verdict_s = now_s
            self.verdict = judging.verdict_data()
        return events_of(judging, found)

    def _of_beacons(self, judging: Judging, now_us: int) -> list[Said]:
        found: list[Said] = []
        for rig, state in self._beacons().items():
            if state not in ("failed", "shown"):
                continue  # no news: an active alarm stays as it is
            words = f"the lamp or buzzer of rig {rig} hasn't answered properly for 12 s"
            found += judging.report(now_us, "beacon_failed", rig, state == "failed", words)
        self.keep_at_once |= bool(found)
        return found


def events_of(judging: Judging, said: Iterable[Said]) -> list[Event]:
    """Turn what the judgement said, in seconds since the first reading, into events of the firing."""
    return [Event(judging.micros(s.t_s), s.kind, s.data, s.who) for s in said]
