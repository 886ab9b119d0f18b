"""Places, zones and a plan for a firing that came without them: imported, or recorded without a plan."""

import asyncio
import contextlib
from pathlib import Path
from typing import Any
from urllib.parse import quote

import dash_mantine_components as dmc
from dash import ALL, Input, Output, State, callback, ctx, dcc, html
from msgspec.structs import replace

from dashboard.acts import write
from dashboard.context import here
from dashboard.figures.look import unit_of
from dashboard.pages.asked import act, id_of
from dashboard.parts.firing_card import may_be_placed
from dashboard.parts.frame import ALL_FIRINGS, door_row, options, page_top
from dashboard.parts.plan_form import places_form
from dashboard.parts.wiring import inputs, outputs, states
from dashboard.preparing.planning import Document, errors_of, read_document, to_document, with_fields
from dashboard.security.guard import operator_only
from dashboard.stored import shelf
from logger.errors import UserError
from logger.journal.reader import Column, FiringInfo, JournalReader
from logger.plan import Plan

FIELDS = {"type": "places-field", "path": ALL, "as": ALL}


def layout(firing: str) -> Any:
    """Lay out the page."""
    plan = dmc.Select(
        id="places-plan",
        label="Take them from a plan",
        description="Probes are matched by name; you can still change everything below",
        placeholder="no plan",
        data=[],
        clearable=True,
    )
    said = html.P("", id="places-said", role="status")
    body = [
        plan,
        html.Div(id="places-whole", className="fields"),
        html.Ol(id="places-rows"),
        door_row(dmc.Button("Save", id="places-save"), said, id="places-bar"),
    ]
    parts: list[Any] = [
        dcc.Store(id="places-firing", data=firing),
        page_top("Places, zones and plan", html.P("", id="places-about"), door_row(ALL_FIRINGS)),
        html.Div(body, id="places-body", hidden=True),
    ]
    return html.Div(parts, id="places")


def _read(path: Path, firing: str, ref: Any) -> tuple[FiringInfo, tuple[Column, ...], Document]:
    """Read a firing, its columns, and the plan to give it, as the page edits it.

    Its probes are those of the plan `ref` (see `shelf.known_plans`), matched by name, else by channel; or
    its own.
    """
    with contextlib.closing(JournalReader(path)) as reader:
        info = reader.firing(firing)
        columns = reader.columns(info.id)
    if not may_be_placed(info):
        raise UserError(
            f"{info.title or info.id} was fired under a plan of its own, and its alarms were judged by it; "
            "that plan stays"
        )
    base: Plan = shelf.plan_called(path, ref) or info.plan
    by_name = {probe.name.casefold(): probe for probe in base.probes}
    by_channel = {probe.channel.casefold(): probe for probe in base.probes}
    probes = []
    for c in columns:
        found = by_name.get(c.probe.name.casefold()) or by_channel.get(c.channel.casefold()) or c.probe
        probes.append(replace(found, channel=c.channel, rig=c.rig))
    own = replace(base, title=base.title or info.title, probes=tuple(probes), sources=())
    return info, columns, to_document(own)


@callback(
    *outputs("places-about.children", "places-body.hidden", "places-plan.data"),
    *outputs("places-whole.children", "places-rows.children"),
    *inputs("places-firing.data", "places-plan.value"),
    State("unit", "data"),
)
@operator_only
async def show(firing: Any, ref: Any, unit: Any) -> Any:
    """Show where the probes are, as far as known, or where the chosen plan has probes of the same names."""
    path = here().journal_path
    try:
        info, columns, doc = await asyncio.to_thread(_read, path, id_of(firing), ref)
    except UserError as exc:
        return str(exc), True, [], [], []
    names = {column.probe.name.casefold() for column in columns}
    plans = [
        (p["ref"], p["title"])
        for p in await asyncio.to_thread(shelf.known_plans, path)
        if any(name.casefold() in names for name in p["names"]) and p["ref"] != f"firing:{info.id}"
    ]
    about = f"{info.title or 'Firing'}: peaks, verdicts and alarms depend on what you enter here."
    return about, False, options(plans), *places_form(doc, unit_of(unit))


@act(
    Output(FIELDS, "error"),
    Output("places-said", "children"),
    Input("places-save", "n_clicks"),
    State(FIELDS, "value"),
    *states("places-firing.data", "places-plan.value", "unit.data"),
)
async def save(_: Any, values: list[Any], firing: Any, ref: Any, unit: Any) -> Any:
    """Save where the probes are, and the firing's targets."""
    path = here().journal_path
    info, _columns, doc = await asyncio.to_thread(_read, path, id_of(firing), ref)
    fields = [part["id"] for part in ctx.states_list[0]]
    doc = with_fields(doc, fields, values)
    for probe in doc["probe"]:
        probe["zone"] = probe["zone"] or probe["name"]  # a zone of its own, as without a plan
    wrong = errors_of(doc, unit_of(unit))
    beside = [wrong.pop(f["path"], "") for f in fields]
    if wrong or any(beside):
        return beside, ": ".join(["Not saved", *wrong.values()]) if wrong else "Not saved."
    plan = read_document(doc)
    await write(path, lambda writer: writer.change_firing(info.id, plan_toml=plan.dumps()))
    own = quote(info.id)
    doors = [dcc.Link("Report", href=f"/report/{own}"), dcc.Link("Replay it", href=f"/replay/{own}")]
    return beside, ["Saved. ", *doors]
