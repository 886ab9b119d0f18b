"""Carry out what people ask of the running firing, each request in its own transaction."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

from logger.errors import StokewatchError, shortened
from logger.journal.rows import FiringInfo, Request
from logger.journal.schema import JournalError
from logger.recording.firing_state import Standing, arm, keep_armed
from logger.recording.hosttime import HostTime
from logger.requests import (
    UNDO_S,
    Acknowledge,
    Amend,
    Arm,
    Asked,
    BeaconTest,
    Begin,
    Finish,
    MirrorRefused,
    Note,
    RequestError,
    Retract,
    Shelve,
    Spot,
    Unshelve,
    data_of,
    read_request,
)

if TYPE_CHECKING:
    from logger.journal.writer import JournalWriter
    from logger.recording.rigs import Rigs
    from logger.replay.judging import Judging

UNDO_GRACE_S: Final = 5.0
"""Allowance for a request that waited a moment. [s]"""
WAITS: Final = ("full", "read_only", "busy", "gone", "io")
"""Errors that a disk may recover from: the request is tried again."""
NO_FIRING: Final = "no firing is running; start the rig, or ask for a new one"

log = logging.getLogger(__name__)


Keep = Callable[["JournalWriter", Standing], None]
"""Saves, in the request's own transaction, what must survive a restart along with it."""


class RequestDesk:
    """Carries requests out, and answers each of them.

    If a request fails, for whatever reason, only that request suffers: it is marked refused, with the reason,
    and never taken again.
    """

    def __init__(self, time_line: HostTime, rigs: Rigs, *, keep: Keep) -> None:
        self._time, self._rigs, self._keep = time_line, rigs, keep

    def answer(
        self, writer: JournalWriter, request: Request, standing: Standing, judging: Judging | None
    ) -> Standing:
        """Carry out one request, store its answer, and return the new state.

        JournalError: the disk takes nothing; the request waits to be tried again.
        """
        try:
            with writer.transaction():
                asked = read_request(request.kind, request.data)
                after, said = self._carry_out(writer, asked, request.who, standing, judging)
                writer.finish_request(request.id, {"ok": True, **said})
                self._keep(writer, after)
            return after
        except JournalError as exc:
            if exc.reason in WAITS:
                raise
            why = str(exc)
        except StokewatchError as exc:
            why = str(exc)
        except Exception as exc:
            # A fault of ours: it must not cost any readings, or the requests after it.
            log.error("request %d (%s) failed", request.id, shortened(request.kind), exc_info=exc)
            why = f"a fault in the logger ({type(exc).__name__}); see its log"
        with writer.transaction():
            writer.finish_request(request.id, {"ok": False, "error": why[:1000]})
        return standing

    def _carry_out(
        self, writer: JournalWriter, asked: Asked, who: str, standing: Standing, judging: Judging | None
    ) -> tuple[Standing, dict[str, Any]]:
        now_us, scale = self._time.utc_us(), self._time.scale
        firing = standing.firing
        match asked:
            case Begin():
                return replace(standing, holding=False), {}
            case Arm():
                armed = arm(writer, asked, firing, now_us, who)
                ended = None if firing is None else firing.id
                return Standing(None, False, armed), {"ended": ended}
            case BeaconTest():
                return standing, {"beacons": self._tried()}
        if firing is None:
            raise RequestError(NO_FIRING)
        on = _Firing(writer, firing, who, judging, now_us, scale)
        match asked:
            case Finish():
                writer.finish_firing(firing.id, now_us)
                keep_armed(writer, None)
                return Standing(None, True, None), {"firing": firing.id}
            case Note():
                return standing, {"event": on.add("note", on.ago_us(asked.ago_min), _kept(asked))}
            case Spot():
                return standing, {"event": on.add("spot", now_us, _kept(asked))}
            case Amend():
                return standing, {"event": on.amend(asked)}
            case MirrorRefused():
                told = {"source": "mirror", "what": "refused", "detail": asked.detail}
                return standing, {"event": writer.add_event(firing.id, now_us, "system", told, who)}
            case Retract():
                on.retract(asked)
            case Acknowledge() | Shelve():
                on.act(asked)
            case _:
                raise TypeError(type(asked))
        return standing, {}

    def _tried(self) -> dict[str, str]:
        beacons = self._rigs.beacons()
        if not beacons:
            raise RequestError("no rig has reported a lamp or a buzzer; see firmware_notes/wiring.md")
        self._rigs.test_beacons()
        return beacons


@dataclass(frozen=True, slots=True)
class _Firing:
    """The running firing, for one request."""

    writer: JournalWriter
    firing: FiringInfo
    who: str
    judging: Judging | None
    now_us: int
    scale: float

    def ago_us(self, minutes: float) -> int:
        return max(self.firing.started_us, self.now_us - round(minutes * 60e6 * self.scale))

    def add(self, kind: str, at_us: int, data: dict[str, Any]) -> int:
        if self.judging is not None:
            self.judging.heed(at_us, kind, data)
        return self.writer.add_event(self.firing.id, at_us, kind, data, self.who)

    def act(self, asked: Acknowledge | Shelve) -> None:
        if self.judging is None:
            raise RequestError("no alarms are being judged at the moment")
        action = {Shelve: "shelve", Unshelve: "unshelve", Acknowledge: "ack"}[type(asked)]
        minutes = asked.minutes if isinstance(asked, Shelve) else 10.0
        for event in self.judging.act(self.now_us, action, asked.key, self.who, minutes=minutes):
            t_us = self.judging.micros(event.t_s)
            self.writer.add_event(self.firing.id, t_us, event.kind, event.data, event.who)

    def amend(self, asked: Amend) -> int:
        """Replace a note by a corrected one; the old one stays in the journal as retracted."""
        was = self.writer.retract_event(self.firing.id, asked.event, self.now_us, 0, self.who)
        if was is None or was.kind != "note":
            raise RequestError("that isn't a note of this firing; choose one that is", "event")
        if was.data.get("kind") == "text" and not asked.text:
            raise RequestError("an empty note; write a word or two", "text")
        if self.judging is not None:
            self.judging.heed(was.t_us, was.kind, was.data, undo=True)
        at_us = was.t_us if asked.ago_min is None else self.ago_us(asked.ago_min)
        return self.add("note", at_us, {**was.data, "text": asked.text})

    def retract(self, asked: Retract) -> None:
        since_us = self.now_us - round((UNDO_S * self.scale + UNDO_GRACE_S) * 1e6)
        was = self.writer.retract_event(self.firing.id, asked.event, self.now_us, since_us, self.who)
        if was is None:
            raise RequestError(
                f"too late to take that back: only possible within {UNDO_S:.0f} s. Add a note instead"
            )
        if self.judging is not None:
            self.judging.heed(was.t_us, was.kind, was.data, undo=True)


def _kept(asked: Note | Spot) -> dict[str, Any]:
    """What the journal keeps: a place only if one was given, so that older journals look the same."""
    data = data_of(asked)
    data.pop("ago_min", None)
    if not data["zone"]:
        del data["zone"]
    if data["height_cm"] is None:
        del data["height_cm"]
    return data
