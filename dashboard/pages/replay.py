"""The room where a stored firing burns again: its readings at any speed, and what was to be said of them."""

from __future__ import annotations

import asyncio
import base64
import contextlib
import math
from collections import OrderedDict
from pathlib import Path
from typing import Annotated, Any, Final

import numpy as np
from dash import html
from fastapi import APIRouter
from pydantic import BaseModel, Field, StrictBool
from starlette.responses import Response

from dashboard.apart import Apart
from dashboard.context import Context
from dashboard.feed import dumps
from dashboard.watch import SHOWN_EVENTS, band
from logger.errors import UserError
from logger.journal.reader import FiringInfo, JournalReader
from logger.journal.rollup import LEVELS_S
from logger.judgement.settings import RULES
from logger.plan import Plan
from logger.reading import Status
from logger.replaying import with_alarms

MAX_POINTS: Final = 1200
"""Points a trace that is drawn; the values beside it are of every second."""
DAY_S: Final = 86_400
MAX_CELLS: Final = 100_000
"""Steps of a grid."""
KEPT: Final = 12
"""Judgements that are kept."""
NONE: Final = -32768
"""No reading in a grid: this plus the status."""


class SettingRefused(UserError):
    """An alarm's setting that is none: names the field."""

    def __init__(self, rule: str, name: str, text: str) -> None:
        super().__init__(text)
        self.field = f"{rule}.{name}" if name else rule


class Judgement(BaseModel):
    """Alarm settings to judge a firing by; those left out are its own plan's."""

    alarms: dict[str, dict[str, StrictBool | Annotated[float, Field(allow_inf_nan=False)]]] = {}


def layout() -> Any:
    """Give the room, hidden and empty.

    Returns
    -------
    dash component
    """
    return html.Section(
        id="room-replay",
        className="room",
        hidden=True,
        **{"aria-label": "Replay"},
        children=[html.Div(id="replay")],
    )


def routes(context: Context) -> APIRouter:
    """Give the room's endpoints.

    Parameters
    ----------
    context : Context

    Returns
    -------
    APIRouter
    """
    router = APIRouter(prefix="/api/replay")
    judgements = _Judgements(context.journal_path)

    @router.get("/{firing}")
    def stored(firing: str) -> Response:
        with contextlib.closing(JournalReader(context.journal_path)) as reader:
            return _json(replayed(reader, reader.firing(firing)))

    @router.post("/{firing}/judge")
    async def judge(firing: str, given: Judgement) -> Response:
        return _json(await judgements.of(firing, given.alarms))

    return router


class _Judgements:
    """Judgements of stored firings, each made once."""

    def __init__(self, journal_path: Path) -> None:
        self._path = journal_path
        self._apart = Apart()
        self._made: OrderedDict[tuple[Any, ...], asyncio.Task[Any]] = OrderedDict()

    async def of(self, firing: str, alarms: dict[str, dict[str, float | bool]]) -> Any:
        info = await asyncio.to_thread(self._firing, firing)
        plan = judged_by(info.plan, alarms).dumps() if alarms else None
        state = (info.id, info.last_us, info.readings, info.late, info.plan_toml, plan)
        task = self._made.get(state)
        if task is None or (task.done() and (task.cancelled() or task.exception() is not None)):
            task = asyncio.create_task(
                self._apart.run("judge", journal=str(self._path), firing=info.id, plan=plan)
            )
            self._made[state] = task
            while len(self._made) > KEPT:
                self._made.popitem(last=False)
        self._made.move_to_end(state)
        return await asyncio.shield(task)  # who goes away doesn't take it from the others

    def _firing(self, firing: str) -> FiringInfo:
        with contextlib.closing(JournalReader(self._path)) as reader:
            return reader.firing(firing)


def replayed(reader: JournalReader, firing: FiringInfo) -> dict[str, Any]:
    """Gather what a tablet needs to show a firing again.

    Parameters
    ----------
    reader : JournalReader
    firing : FiringInfo

    Returns
    -------
    dict
        `firing`, `probes`, `traces` (few points, to be drawn), `grid` (what each probe read, second by
        second), `estimates` (what the pots were estimated to be at beside the fire; none of an import),
        `events`, `rules` with this firing's settings. Times in seconds from the first reading.
    """
    plan = firing.plan
    last_us = firing.last_us or firing.started_us
    columns = reader.columns(firing.id)
    drawn = reader.history(firing.id, MAX_POINTS)
    grid = _grid(reader, firing, [(c.rig, c.channel) for c in columns])
    return {
        "firing": {
            "id": firing.id,
            "title": firing.title or plan.title,
            "started_s": firing.started_us / 1e6,
            "time_known": firing.facts.get("time_known", True) is not False,
            "length_s": (last_us - firing.started_us) / 1e6,
            "running": firing.running,
            "invented": firing.invented,
            "target_c": plan.target_c,
            "burnout_c": plan.burnout_c,
            "soak_min": plan.soak_min,
        },
        "probes": [
            {
                "name": c.probe.name,
                "height_cm": c.probe.height_cm,
                "side": c.probe.side,
                "reads": c.probe.reads,
                "zone": c.probe.zone,
            }
            for c in columns
        ],
        "traces": [
            {
                "t": np.round((t_us - firing.started_us) / 1e6, 1),
                "c": [None if c != c else round(c, 1) for c in values.tolist()],
            }
            for t_us, values in zip(drawn.t_us, drawn.temperature_c, strict=True)
        ],
        "grid": grid,
        "estimates": {
            zone: band(line, firing.started_us) for zone, line in reader.estimates(firing.id).items()
        },
        "events": [
            {
                "id": e.id,
                "t": round((e.t_us - firing.started_us) / 1e6, 3),
                "kind": e.kind,
                "data": e.data,
                "who": e.who,
            }
            for e in reader.events(firing.id)
            if e.kind in SHOWN_EVENTS | {"spot"}
        ],
        "rules": _rules(plan),
    }


def _grid(reader: JournalReader, firing: FiringInfo, keys: list[tuple[str, str]]) -> dict[str, Any]:
    """The newest reading of each second as base64 of int16, 0.1 °C; of longer steps over more than a day."""
    last_us = firing.last_us or firing.started_us
    length_s = (last_us - firing.started_us) / 1e6
    level_s = next((s for s in LEVELS_S if length_s <= s * DAY_S), LEVELS_S[-1])
    rollups = reader.rollups(firing.id, level_s)
    level_s *= max(1, math.ceil(length_s / level_s / MAX_CELLS))  # over a gap of months
    level_us = level_s * 1_000_000
    begin = firing.started_us // level_us
    n = last_us // level_us - begin + 1
    columns = []
    for key in keys:
        cells = np.full(n, NONE + int(Status.ABSENT), "<i2")
        every_s = 1.0
        if key in rollups:
            t_us, buckets = rollups[key]
            at = t_us // level_us - begin
            inside = (at >= 0) & (at < n)
            at, buckets = at[inside], buckets[inside]
            value = buckets["last"].astype(np.float64)
            ok = np.isfinite(value)
            cells[at] = np.where(
                ok, np.rint(np.where(ok, value, 0) * 10), NONE + buckets["status"].astype(np.int64)
            )
            if len(np.unique(at)) > 1:
                every_s = float(np.median(np.diff(np.unique(at)))) * level_s
        columns.append({"every_s": every_s, "cells": base64.b64encode(cells.tobytes()).decode()})
    return {
        "step_s": level_s,
        "from_s": (begin * level_us - firing.started_us) / 1e6,
        "n": n,
        "none": NONE,
        "columns": columns,
    }


def _rules(plan: Plan) -> list[dict[str, Any]]:
    return [
        {
            "rule": rule.name,
            "title": rule.title,
            "warning": rule.warning,
            "cause": rule.cause,
            "advice": rule.advice,
            "enabled": plan.alarms[rule.name]["enabled"],
            "settings": [
                {
                    "name": s.name,
                    "unit": s.unit,
                    "value": plan.alarms[rule.name][s.name],
                    "default": s.default,
                    "minimum": s.minimum,
                    "maximum": s.maximum,
                    "doc": s.doc,
                }
                for s in rule.settings
            ],
        }
        for rule in RULES.values()
    ]


def judged_by(plan: Plan, alarms: dict[str, dict[str, float | bool]]) -> Plan:
    """Change a plan's alarm settings.

    Parameters
    ----------
    plan : Plan
    alarms : dict
        By rule: settings to be others, `enabled` among them.

    Returns
    -------
    Plan

    Raises
    ------
    SettingRefused
        No such rule or setting, or a number out of its range.
    """
    for name, settings in alarms.items():
        rule = RULES.get(name)
        if rule is None:
            raise SettingRefused(name, "", f"{name}: there is no such alarm")
        ranges = {s.name: s for s in rule.settings}
        for key, value in settings.items():
            if key == "enabled":
                if not isinstance(value, bool):
                    raise SettingRefused(name, key, f"{rule.title}: on or off, not {value!r}")
            elif key not in ranges:
                raise SettingRefused(name, key, f"{rule.title}: has no setting {key!r}")
            elif isinstance(value, bool) or not ranges[key].minimum <= value <= ranges[key].maximum:
                s = ranges[key]
                said = f"{value} is out of range; give {s.minimum:g} to {s.maximum:g} {s.unit}"
                raise SettingRefused(name, key, said)
    return with_alarms(plan, alarms)


def _json(answer: Any) -> Response:
    return Response(dumps(answer), media_type="application/json")
