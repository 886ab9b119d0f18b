"""Which firing runs, under which plan, and whether what comes in belongs to it.

Arming makes a plan that of the firing that begins with the next reading. Whatever runs without a plan until
then is a rig being set up. A firing that has a plan is ended for another one only if the request names it.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from logger.conversion.assembler import Assembler, Trouble
from logger.errors import UserError
from logger.journal.layout import as_stored
from logger.journal.rows import FiringInfo
from logger.plan import Plan, PlanError, loads
from logger.reading import Batch, Frame
from logger.requests import Arm, RequestError

if TYPE_CHECKING:
    from logger.journal.reader import JournalReader
    from logger.journal.writer import JournalWriter

_ARMED: Final = "armed"

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Armed:
    """An armed plan, and its firing."""

    plan: Plan
    firing: str | None = None  # the firing that opened under it; None until the next reading


@dataclass(frozen=True, slots=True)
class Standing:
    """What is running."""

    firing: FiringInfo | None = None
    holding: bool = False  # whether readings are ignored until somebody asks for a firing
    armed: Armed | None = None


class FiringState:
    """The state of the recording, from one firing to the next.

    The plan `given` is for the next firing; if it differs from the running firing's plan, it replaces that.
    """

    def __init__(self, given: Plan | None, *, title: str, invented: bool) -> None:
        self._given, self._title, self._invented = given, title, invented
        self._begin_us: int | None = None
        self._assembler = Assembler(given)
        self.plan = given
        self.now = Standing()

    @property
    def channels(self) -> list[str]:
        """The plan's channels, for choosing among rigs."""
        return [probe.channel for probe in self.plan.probes] if self.plan is not None else []

    def resume(self, writer: JournalWriter, reader: JournalReader, now_us: int) -> str:
        """Carry on from the journal; return why the firing's plan can't be read, if it can't."""
        firing = writer.running()
        armed = self._armed(reader, firing)
        damage = ""
        self.plan = self._given if armed is None else armed.plan
        if firing is None:
            pass
        elif self.plan is not None and (toml := self.plan.dumps()) != firing.plan_toml:
            with writer.transaction():
                firing = writer.change_firing(firing.id, plan_toml=toml)
                data = {"what": "plan_replaced", "title": self.plan.title}
                writer.add_event(firing.id, now_us, "system", data)
        elif self.plan is None and firing.plan_toml is not None:
            try:
                self.plan = loads(firing.plan_toml)
            except UserError as exc:
                log.error("the firing's plan is damaged: %s", exc)
                damage = str(exc)
        self._assembler = Assembler(self.plan, () if firing is None else firing.seen)
        self.now = replace(self.now, firing=firing, armed=armed)
        return damage

    def _armed(self, reader: JournalReader, firing: FiringInfo | None) -> Armed | None:
        """Return the plan armed on a page, which goes before the one on the command line."""
        found = reader.meta(_ARMED)
        try:
            armed = Armed(loads(found["plan"], "armed plan"), found["firing"]) if found else None
        except (PlanError, AttributeError, KeyError, TypeError) as exc:
            # From an older version, or damaged; the firing must still be recorded.
            log.error("the armed plan can't be used: %s", exc)
            return None
        if armed is None or armed.firing != (None if firing is None else firing.id):
            return None
        if self._given is not None and self._given != armed.plan:
            log.warning("using the plan %r, armed on the page, until that firing ends", armed.plan.title)
        return armed

    def convert(self, frames: Sequence[tuple[Frame, int]]) -> tuple[list[Batch], list[Trouble]]:
        """Convert frames to readings, rounded as the journal keeps them, so a rehearsal judges the same."""
        batches = [as_stored(batch) for batch in self._assembler.take(frames)] if frames else []
        return batches, self._assembler.new_troubles()

    def begins(self, batches: Sequence[Batch]) -> int | None:
        """Return the time [µs] at which a firing begins with these readings; None if none does."""
        if not batches or self.now.firing is not None or self._begin_us is not None:
            return None
        self._begin_us = min(int(batch.t_us[0]) for batch in batches)
        return self._begin_us

    def open(self, writer: JournalWriter) -> Standing:
        """Open the firing that has begun, if any, within a transaction; pass the result to `opened`."""
        if self.now.firing is not None or self._begin_us is None:
            return self.now
        firing = writer.open_firing(
            (self.plan.title if self.plan else "") or self._title or _dated_title(self._begin_us),
            self.plan.dumps() if self.plan else None,
            self._begin_us,
            invented=self._invented,
        )
        armed = self.now.armed
        if armed is not None:
            armed = Armed(armed.plan, firing.id)
            keep_armed(writer, armed)
        return replace(self.now, firing=firing, armed=armed)

    def opened(self, standing: Standing) -> None:
        """Take over the result of `open`, once it is on the disk."""
        self.now = standing
        if standing.firing is not None:
            self._begin_us = None

    def change(self, standing: Standing) -> bool:
        """Take over a request's result; True if the next firing starts afresh."""
        before, self.now = self.now, standing
        if standing.firing is not None or (before.firing, before.armed) == (None, standing.armed):
            return False
        self.plan = self._given if standing.armed is None else standing.armed.plan
        self._assembler = Assembler(self.plan)
        return True


def arm(writer: JournalWriter, asked: Arm, firing: FiringInfo | None, now_us: int, who: str) -> Armed:
    """Carry out a request to arm, within a transaction: end what runs, keep the plan for the next firing.

    RequestError: the plan is wrong, or the running firing has one and isn't named.
    """
    try:
        plan = loads(asked.plan_toml)
    except PlanError as exc:
        raise RequestError(str(exc), "plan_toml") from exc
    if firing is not None:
        if firing.plan_toml is not None and asked.replace != firing.id:
            raise RequestError(
                f"firing {firing.id} ({firing.title}) already runs under a plan; finish it first, or confirm "
                "that it should end now"
            )
        if firing.plan_toml is None and firing.title == _dated_title(firing.started_us):
            writer.change_firing(firing.id, title=_dated_title(firing.started_us, "Setting up on"))
        event = {"what": "ended_by_arming", "title": plan.title}
        writer.add_event(firing.id, now_us, "system", event, who)
        writer.finish_firing(firing.id, now_us)
    armed = Armed(plan)
    keep_armed(writer, armed)
    return armed


def keep_armed(writer: JournalWriter, armed: Armed | None) -> None:
    """Store what is armed, for a logger that is restarted."""
    writer.set_meta(_ARMED, {} if armed is None else {"plan": armed.plan.dumps(), "firing": armed.firing})


def _dated_title(t_us: int, what: str = "Firing of") -> str:
    """Title for a firing that nobody has named."""
    return time.strftime(f"{what} %Y-%m-%d, %H:%M", time.localtime(t_us / 1e6))
