"""Which firing runs, under which plan, and whether what comes in belongs to it."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from logger.conversion.assembler import Assembler, Trouble
from logger.errors import UserError
from logger.journal.layout import as_stored
from logger.journal.rows import FiringInfo
from logger.plan import Plan
from logger.plan import loads as loads_plan
from logger.reading import Batch, Frame
from logger.recording import arming

if TYPE_CHECKING:
    from logger.journal.reader import JournalReader
    from logger.journal.writer import JournalWriter

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Standing:
    """What runs."""

    firing: FiringInfo | None = None
    holding: bool = False  # whether readings are let go by until somebody asks for a firing
    armed: arming.Armed | None = None


class FiringState:
    """Where the recording stands, from one firing to the next.

    The plan `given` is for a firing that begins; in place of the running firing's plan if it differs.
    """

    def __init__(self, given: Plan | None, *, title: str, invented: bool) -> None:
        self._given, self._title, self._invented = given, title, invented
        self._begin_us: int | None = None
        self._assembler = Assembler(given)
        self.plan = given
        self.now = Standing()

    @property
    def channels(self) -> list[str]:
        """Those of the plan, for whoever must choose among rigs."""
        return [probe.channel for probe in self.plan.probes] if self.plan is not None else []

    def resume(self, writer: JournalWriter, reader: JournalReader, now_us: int) -> str:
        """Go on from what is in the journal; say why the firing's plan can't be read, where that is so."""
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
                self.plan = loads_plan(firing.plan_toml)
            except UserError as exc:
                log.error("the firing's plan is damaged: %s", exc)
                damage = str(exc)
        self._assembler = Assembler(self.plan, () if firing is None else firing.seen)
        self.now = replace(self.now, firing=firing, armed=armed)
        return damage

    def _armed(self, reader: JournalReader, firing: FiringInfo | None) -> arming.Armed | None:
        """What was armed on a page goes before the plan that the command line names at each start."""
        armed = arming.kept(reader)
        if armed is None or armed.firing != (None if firing is None else firing.id):
            return None
        if self._given is not None and self._given != armed.plan:
            log.warning("the plan %r was armed on a page and holds until that firing ends", armed.plan.title)
        return armed

    def convert(self, frames: Sequence[tuple[Frame, int]]) -> tuple[list[Batch], list[Trouble]]:
        """Make readings of frames, rounded as the journal keeps them: a rehearsal judges the same numbers."""
        batches = [as_stored(batch) for batch in self._assembler.take(frames)] if frames else []
        return batches, self._assembler.new_troubles()

    def begins(self, batches: Sequence[Batch]) -> int | None:
        """Give the time [µs] at which a firing begins with these readings; None where none does."""
        if not batches or self.now.firing is not None or self._begin_us is not None:
            return None
        self._begin_us = min(int(batch.t_us[0]) for batch in batches)
        return self._begin_us

    def open(self, writer: JournalWriter) -> Standing:
        """Open the firing that has begun, if any, within a transaction; for `opened` once on disk."""
        if self.now.firing is not None or self._begin_us is None:
            return self.now
        firing = writer.open_firing(
            (self.plan.title if self.plan else "") or self._title or arming.dated_title(self._begin_us),
            self.plan.dumps() if self.plan else None,
            self._begin_us,
            invented=self._invented,
        )
        armed = self.now.armed
        if armed is not None:
            armed = arming.Armed(armed.plan, firing.id)
            arming.keep(writer, armed)
        return replace(self.now, firing=firing, armed=armed)

    def opened(self, standing: Standing) -> None:
        """Take over what `open` gave: it is on the disk."""
        self.now = standing
        if standing.firing is not None:
            self._begin_us = None

    def change(self, standing: Standing) -> bool:
        """Take over what a request made of it; True where the next firing begins afresh."""
        before, self.now = self.now, standing
        if standing.firing is not None or (before.firing, before.armed) == (None, standing.armed):
            return False
        self.plan = self._given if standing.armed is None else standing.armed.plan
        self._assembler = Assembler(self.plan)
        return True
