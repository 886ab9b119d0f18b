"""Arming: what is decided before lighting becomes the plan of the firing that begins with the next reading.

What runs without a plan until then is a rig that is being set up. A firing that has a plan is ended for
another one only if the request names it.
"""

from __future__ import annotations

import logging
import time
from dataclasses import dataclass
from typing import Final

from logger.journal.reader import JournalReader
from logger.journal.rows import FiringInfo
from logger.journal.writer import JournalWriter
from logger.plan import Plan, PlanError, loads
from logger.requests import Arm, RequestError

_META: Final = "armed"

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Armed:
    """A plan that was armed, and what became of it."""

    plan: Plan
    firing: str | None = None  # the firing that opened under it; None until the next reading


def arm(writer: JournalWriter, asked: Arm, firing: FiringInfo | None, now_us: int, who: str) -> Armed:
    """Carry out a request to arm, within a transaction: end what runs, and keep the plan for what begins.

    RequestError: the plan is wrong, or the running firing has one and isn't named.
    """
    try:
        plan = loads(asked.plan_toml)
    except PlanError as exc:
        raise RequestError(str(exc), "plan_toml") from exc
    if firing is not None:
        if firing.plan_toml is not None and asked.replace != firing.id:
            raise RequestError(
                f"firing {firing.id} ({firing.title}) runs under a plan; finish it first, or confirm that "
                "it is to end now"
            )
        if firing.plan_toml is None and firing.title == dated_title(firing.started_us):
            writer.change_firing(firing.id, title=_setting_up(firing.started_us))
        event = {"what": "ended_by_arming", "title": plan.title}
        writer.add_event(firing.id, now_us, "system", event, who)
        writer.finish_firing(firing.id, now_us)
    armed = Armed(plan)
    keep(writer, armed)
    return armed


def keep(writer: JournalWriter, armed: Armed | None) -> None:
    """Keep what is armed, so that a logger that is started again knows of it."""
    writer.set_meta(_META, {} if armed is None else {"plan": armed.plan.dumps(), "firing": armed.firing})


def kept(reader: JournalReader) -> Armed | None:
    """Give what was armed last, if that still holds."""
    found = reader.meta(_META)
    try:
        return Armed(loads(found["plan"], "armed plan"), found["firing"]) if found else None
    except (PlanError, AttributeError, KeyError, TypeError) as exc:
        # Of an older version's rules, or damaged; the firing itself must be recorded all the same.
        log.error("the armed plan can't be used: %s", exc)
        return None


def dated_title(t_us: int) -> str:
    """Give the title of a firing that nobody has named."""
    return time.strftime("Firing of %Y-%m-%d, %H:%M", time.localtime(t_us / 1e6))


def _setting_up(t_us: int) -> str:
    return time.strftime("Setting up on %Y-%m-%d, %H:%M", time.localtime(t_us / 1e6))
