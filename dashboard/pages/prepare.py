"""The room for the day before and the last hour: plan, probes, alarms, packing, cold check; then arm."""

from __future__ import annotations

import contextlib
import math
import tomllib
from dataclasses import replace
from datetime import UTC, datetime
from typing import Annotated, Any, Final

import numpy as np
from dash import html
from fastapi import APIRouter, Body, Depends
from fastapi.responses import Response

from dashboard.apart import Apart
from dashboard.context import Context
from dashboard.feed import dumps
from dashboard.rig_look import look_at_rig
from logger.cold_check.look import check_journal
from logger.errors import UserError
from logger.journal.reader import FiringInfo, JournalReader
from logger.plan import LETTERS, MAX_PROBES, MAX_TOML, Plan, PlanError, assign_probes, from_document, loads
from logger.plan import library as plans
from logger.plan.alarm_rules import RULES

MAX_POINTS: Final = 700
"""Points a trace of a rehearsal: it is looked at beside the settings, on half of the glass."""
MAX_FIRINGS: Final = 200

DIFFERENCES: Final = frozenset({"drop_c", "spread_c", "short_c"})
"""Settings in °C that are no temperatures but differences of two."""

Document = dict[str, Any]


class PlanRefused(UserError):
    """Something in a plan that a page sent is wrong: names the field and the mend."""

    def __init__(self, exc: PlanError) -> None:
        super().__init__(exc.what)
        self.field = exc.field


class FileRefused(UserError):
    """A plan file that can't be read: says the line."""

    field = "file"


class NothingComesIn(UserError):
    """There are no readings that could be checked."""

    def __init__(self) -> None:
        super().__init__(
            "no readings come in that could be checked; see under Probes what the rig is waiting for"
        )


def layout() -> Any:
    """Give the room, hidden and empty; its script fills it.

    Returns
    -------
    dash component
    """
    return html.Section(
        id="room-prepare",
        className="room",
        hidden=True,
        **{"aria-label": "Prepare"},
        children=[html.Div(id="prepare")],
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
    router = APIRouter(prefix="/api/prepare")
    operator = [Depends(context.operator)]
    apart = Apart()
    home, journal = context.home, context.journal_path

    @router.get("/start")
    def start() -> Response:
        return _json(_start(context))

    @router.get("/rig")
    def rig() -> Response:
        return _json(look_at_rig(home, journal))

    @router.get("/plans")
    def stored() -> Response:
        return _json({"plans": _plans(context)})

    @router.get("/plans/{name}")
    def one(name: str) -> Response:
        return _json({"plan": to_document(_read_stored(context, name))})

    @router.post("/plans", dependencies=operator)
    def keep(
        plan: Document, name: Annotated[str, Body()] = "", replace: Annotated[bool, Body()] = False
    ) -> Response:
        read = read_document(plan)
        name = plans.name_for(name or read.title)
        if not name:
            raise plans.StoreError("a plan without a name; give it a title", "title")
        plans.save_plan(home, name, read, replace=replace)
        return _json({"name": name, "plans": _plans(context)})

    @router.post("/plans/{name}/remove", dependencies=operator)
    def remove(name: str) -> Response:
        plans.delete_plan(home, name)
        return _json({"plans": _plans(context)})

    @router.get("/firing/{firing}")
    def of_firing(firing: str) -> Response:
        with contextlib.closing(JournalReader(journal)) as reader:
            info = reader.firing(firing)
        return _json({"plan": to_document(_of_firing(info))})

    @router.get("/firing/{firing}/traces")
    def traces(firing: str) -> Response:
        with contextlib.closing(JournalReader(journal)) as reader:
            return _json(_traces(reader, reader.firing(firing)))

    @router.post("/read")
    async def read_file(toml: Annotated[str, Body(embed=True, max_length=MAX_TOML)]) -> Response:
        try:
            plain = await apart.run("read_plan", toml=toml)
        except UserError as exc:
            raise FileRefused(str(exc)) from exc
        return _json({"plan": to_document(loads(plain, "file"))})

    @router.post("/problems")
    def wrong(plan: Annotated[Document, Body(embed=True)]) -> Response:
        found = problems(plan)
        read = None if found else read_document(plan)
        return _json(
            {
                "problems": found,
                "toml": None if read is None else read.dumps(),
                "name": "" if read is None else plans.name_for(read.title),
            }
        )

    @router.post("/rehearse")
    async def rehearse(plan: Document, firing: Annotated[str, Body()]) -> Response:
        read = read_document(plan)
        tried = _under(read, _info(context, firing)).dumps()
        return _json(await apart.run("rehearse", journal=str(journal), firing=firing, plan=tried))

    @router.post("/check")
    def check(plan: Annotated[Document, Body(embed=True)]) -> Response:
        read = read_document(plan)
        if not journal.exists():
            raise NothingComesIn
        with contextlib.closing(JournalReader(journal)) as reader:
            firing = reader.running()
            if firing is None:
                raise NothingComesIn
            return _json(check_journal(reader, firing, read if read.probes else None, home).as_dict())

    @router.post("/kit", dependencies=operator)
    def kit(items: Annotated[list[tuple[str, bool]], Body(embed=True)]) -> Response:
        plans.write_kit(home, items)
        return _json({"kit": plans.read_kit(home)})

    return router


def read_document(doc: Document) -> Plan:
    """Read a plan as the page sends it.

    Parameters
    ----------
    doc : dict
        As `to_document` gives it; a height that nobody knows may be None.

    Returns
    -------
    Plan

    Raises
    ------
    PlanRefused
        Names the field.
    """
    probes = doc.get("probe", [])
    if isinstance(probes, list):
        probes = [{k: v for k, v in p.items() if v is not None} if isinstance(p, dict) else p for p in probes]
    try:
        return from_document({**doc, "probe": probes})
    except PlanError as exc:
        raise PlanRefused(exc) from exc


def problems(doc: Document) -> list[dict[str, str | None]]:
    """Find all that is wrong with a plan, not the first thing alone: each belongs beside its own field.

    Parameters
    ----------
    doc : dict
        As for `read_document`.

    Returns
    -------
    list of dict
        `field` and `text`; none where the plan is good.
    """
    found: dict[str | None, str] = {}

    def look(part: Document, shift: int = 0) -> None:
        try:
            read_document(part)
        except PlanRefused as exc:
            field = exc.field
            if field is not None and field.startswith("probe.0"):
                field = f"probe.{shift}{field[7:]}"
            found.setdefault(field, str(exc))

    for key in ("title", "target_c", "soak_min", "estimate"):
        if key in doc:
            look({key: doc[key]})
    probes, alarms = doc.get("probe"), doc.get("alarm")
    few = isinstance(probes, list) and len(probes) <= MAX_PROBES  # too many are one problem
    for index, probe in enumerate(probes if few else ()):
        look({"probe": [probe]}, index)
    for rule, settings in (alarms if isinstance(alarms, dict) else {}).items():
        for key, value in (settings if isinstance(settings, dict) else {}).items():
            look({"alarm": {rule: {key: value}}})
    if not found:
        look(doc)  # what shows in the whole alone: names given twice, a burn-out above the target
    return [{"field": field, "text": text} for field, text in found.items()]


def to_document(plan: Plan) -> Document:
    """Give a plan as a page edits it: the file's tables, with every setting of every alarm.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    dict
    """
    doc = tomllib.loads(plan.dumps())
    alarms = {rule: dict(settings) for rule, settings in plan.alarms.items()}
    return {**doc, "probe": doc.get("probe", []), "alarm": alarms}


def rules() -> list[dict[str, Any]]:
    """Describe the alarms and all their settings.

    Returns
    -------
    list of dict
    """
    return [
        {
            "name": rule.name,
            "title": rule.title,
            "warning": rule.warning,
            "cause": rule.cause,
            "advice": rule.advice,
            "settings": [
                {
                    "name": s.name,
                    "unit": s.unit,
                    "default": s.default,
                    "minimum": s.minimum,
                    "maximum": s.maximum,
                    "doc": s.doc,
                    "difference": s.name in DIFFERENCES or s.unit.startswith("°C/"),
                }
                for s in rule.settings
            ],
        }
        for rule in RULES.values()
    ]


def _start(context: Context) -> dict[str, Any]:
    firings: list[FiringInfo] = []
    if context.journal_path.exists():
        with contextlib.closing(JournalReader(context.journal_path)) as reader:
            firings = reader.firings()
    running = next((f for f in firings if f.running), None)
    plan = Plan(title=f"Firing of {datetime.now(UTC).astimezone():%Y-%m-%d}")
    if running is not None:
        plan = _of_firing(running) if running.plan_toml else replace(plan, probes=running.plan.probes)
    return {
        "plan": to_document(plan),
        "rules": rules(),
        "letters": LETTERS,
        "plans": _plans(context),
        "firings": [
            {
                "id": f.id,
                "title": f.title,
                "started_s": f.started_us / 1e6,
                "length_s": ((f.last_us or f.started_us) - f.started_us) / 1e6,
                "probes": len(f.seen),
                "planned": f.plan_toml is not None,
                "invented": f.invented,
                "running": f.running,
            }
            for f in firings[:MAX_FIRINGS]
        ],
        "kit": plans.read_kit(context.home),
    }


def _plans(context: Context) -> list[dict[str, Any]]:
    return [
        {
            "name": p.name,
            "title": p.plan.title if p.plan else "",
            "probes": len(p.plan.probes) if p.plan else 0,
            "target_c": p.plan.target_c if p.plan else None,
            "trouble": p.trouble,
            "changed_s": p.changed_s,
        }
        for p in plans.list_plans(context.home)
    ]


def _read_stored(context: Context, name: str) -> Plan:
    try:
        return plans.load_plan(context.home, name)
    except PlanError as exc:
        raise plans.StoreError(str(exc)) from exc


def _info(context: Context, firing: str) -> FiringInfo:
    with contextlib.closing(JournalReader(context.journal_path)) as reader:
        return reader.firing(firing)


def _of_firing(firing: FiringInfo) -> Plan:
    """A firing's plan, with a probe for each of its channels where nobody had made one."""
    plan = firing.plan
    return plan if plan.probes else replace(plan, probes=assign_probes(None, firing.seen))


def _under(plan: Plan, firing: FiringInfo) -> Plan:
    """An earlier firing's own probes, with the targets and alarms that are being tried."""
    return replace(plan, title=firing.title, probes=_of_firing(firing).probes)


def _traces(reader: JournalReader, firing: FiringInfo) -> dict[str, Any]:
    drawn = reader.history(firing.id, MAX_POINTS)
    return {
        "id": firing.id,
        "title": firing.title,
        "invented": firing.invented,
        "traces": [
            {
                "name": column.probe.name,
                "zone": column.probe.zone,
                "t": np.round((t_us - firing.started_us) / 1e6, 1),
                "c": [round(c, 1) if math.isfinite(c) else None for c in values.tolist()],
            }
            for column, t_us, values in zip(drawn.columns, drawn.t_us, drawn.temperature_c, strict=True)
        ],
    }


def _json(content: Any) -> Response:
    return Response(dumps(content), media_type="application/json")
