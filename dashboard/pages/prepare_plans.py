"""Prepare, first step: what will be fired and how hot, and where the plan comes from."""

import asyncio
import base64
import contextlib
from datetime import UTC, datetime
from typing import Any, Final

import dash_mantine_components as dmc
from dash import ALL, Input, Output, Patch, State, callback, ctx, dcc, html, no_update
from dash.exceptions import PreventUpdate
from msgspec.structs import replace

from dashboard.context import here
from dashboard.figures.look import unit_of
from dashboard.pages.asked import (
    PLAN,
    WRONG,
    act,
    button_pressed,
    changes_draft,
    needed_draft,
    next_turn,
    on_change,
)
from dashboard.parts.frame import button, door_row, halves, options, section, stores
from dashboard.parts.wiring import inputs, outputs, states
from dashboard.preparing.planning import Document, Draft, draft_of, read_document, to_document
from dashboard.stored import shelf
from dashboard.tables import day_of
from dashboard.words import Unit, capital, degrees
from dashboard.work.apart import run_apart
from logger.errors import UserError
from logger.journal.reader import FiringInfo, JournalReader
from logger.plan import MAX_TOML, Plan, PlanError, loads
from logger.plan import library as plans

MAX_FIRINGS: Final = 200
_SAID: Final = Output("prepare-plan-said", "children", allow_duplicate=True)
_LIST: Final = Output("prepare-plans-turn", "data", allow_duplicate=True)


def panel() -> list[Any]:
    """Make the step's panel."""
    named = {"input": {"aria-label": "Earlier firing"}}
    choose = html.Span("Choose a plan file (TOML)", className="button")
    left = [
        html.H2("What you will fire, and how hot"),
        html.Div(id="prepare-plan-form"),
        html.P("", id="prepare-plan-said", role="status"),  # any lower, the footer covers it
        door_row(
            button("Save this plan", "prepare-save", className="main"),
            button("Save a copy under this title", "prepare-copy"),
            button("Replace that one", "prepare-replace", hidden=True),
            button("Download it (TOML)", "prepare-export"),
        ),
        dcc.Download(id="prepare-file"),
    ]
    right = [
        html.H2("Start from"),
        html.H3("A saved plan"),
        html.Ul(id="prepare-plans"),
        *stores("prepare", sure=None, plans_turn=0),
        html.H3("An earlier firing"),
        door_row(
            dmc.Select(id="prepare-from", data=[], placeholder="Choose one …", attributes=named),
            button("Copy its plan", "prepare-from-copy"),
        ),
        html.H3("A plan file"),
        html.Label(dcc.Upload(choose, id="prepare-upload", accept=".toml", max_size=4 * MAX_TOML)),
        html.H3("Just the rig"),
        button("A new plan from its channels", "prepare-fresh"),
    ]
    return [halves(section(*left), section(*right))]


@callback(
    *outputs("prepare-plans.children", "prepare-from.data", "prepare-on-firing.data"),
    *outputs("prepare-save.children", "prepare-copy.hidden"),
    *inputs("prepare-turn.data", "prepare-plans-turn.data", "prepare-sure.data", "unit.data"),
    State("prepare-plan", "data"),
)
async def show_plans(_: Any, __: Any, sure: Any, unit: Any, kept: Any) -> Any:
    """List the plans and firings to start from."""
    draft = draft_of(kept)
    name = draft.name if draft else ""
    found = await asyncio.to_thread(plans.list_plans, here().home)
    firings = (await asyncio.to_thread(shelf.firings, here().journal_path))[:MAX_FIRINGS]
    rows = [_row(plan, sure == plan.name, unit_of(unit)) for plan in found]
    return (
        rows or html.Li("No plan saved yet.", className="hint"),
        options((f.id, _label(f)) for f in firings if f.plan_toml or not f.running),
        options((f.id, _label(f)) for f in firings if not f.running),
        f"Save as “{name}”" if name else "Save this plan",
        not name,
    )


def _label(firing: FiringInfo) -> str:
    invented = " (invented)" if firing.invented else ""
    when = f", {day}" if (day := day_of(firing)) else ""
    return f"{firing.title or firing.id}{when}, {len(firing.seen)} probes{invented}"


def _row(stored: plans.StoredPlan, sure: bool, unit: Unit) -> Any:
    plan, name = stored.plan, stored.name
    does = "Really remove" if sure else "Remove"
    removes = {"type": "prepare-remove", "name": name, "sure": sure}
    buttons = [button(does, removes, aloud=f"{does} {name}")]
    title, about = name, f"can't be read: {stored.trouble}"
    if plan is not None:
        title = plan.title or name
        about = f"{name} · {len(plan.probes)} probes · {degrees(plan.target_c, unit)}{unit}"
        opens = {"type": "prepare-open", "name": name}
        buttons.insert(0, button("Open", opens, aloud=f"Open {name}"))
    words = html.Div([html.B(title), html.Span(about, className="hint")])
    return html.Li([words, door_row(*buttons)])


@changes_draft(_SAID, Input({"type": "prepare-open", "name": ALL}, "n_clicks"), another=True)
async def open_plan(_: list[Any]) -> Any:
    """Open a saved plan."""
    name = str(button_pressed()["name"])
    try:
        plan = await asyncio.to_thread(plans.load_plan, here().home, name)
    except PlanError as exc:
        raise plans.StoreError(str(exc)) from exc
    return Draft(to_document(plan), name), f"Opened “{name}”."


@act(
    PLAN,
    _LIST,
    Output("prepare-sure", "data"),
    Input({"type": "prepare-remove", "name": ALL, "sure": ALL}, "n_clicks"),
    *states("prepare-plan.data", "prepare-plans-turn.data"),
)
async def remove(_: list[Any], kept: Any, turn: Any) -> Any:
    """Remove a plan on the second tap, so that a slip of a sooty finger costs nothing."""
    pressed = button_pressed()
    name = str(pressed["name"])
    if pressed["sure"] is not True:
        return no_update, no_update, name
    await asyncio.to_thread(plans.delete_plan, here().home, name)
    draft = draft_of(kept)
    mine = draft is not None and draft.name == name
    return _called("") if mine else no_update, next_turn(turn), ""


def _called(name: str) -> Patch:
    """Rename the draft; anything typed meanwhile stays."""
    patch = Patch()
    patch["name"] = name
    return patch


@changes_draft(_SAID, Input("prepare-from-copy", "n_clicks"), State("prepare-from", "value"), another=True)
async def copy_firing(_: Any, firing: Any) -> Any:
    """Copy an earlier firing's plan."""
    if not isinstance(firing, str):
        return None, "Choose a firing first."
    info = await here().gathering.firing(firing)
    plan = info.plan.for_channels(info.seen)
    plan = replace(plan, title=f"Copy of {plan.title}"[:200] if plan.title else "")
    return Draft(to_document(plan)), "Copied that firing's probes, targets and alarms."


@changes_draft(
    _SAID,
    Output("prepare-upload", "contents"),  # emptied: the same file, chosen again, is read again
    Input("prepare-upload", "contents"),
    State("prepare-upload", "filename"),
    another=True,
)
async def read_file(contents: Any, name: Any) -> Any:
    """Read a plan file in a separate process."""
    if not isinstance(contents, str):
        raise PreventUpdate
    shown = str(name)[:80]
    try:
        toml = base64.b64decode(contents.partition(",")[2], validate=True).decode("utf-8-sig")
        if len(toml) > MAX_TOML:
            return None, f"{shown} is too large to be a plan.", None
        plan = loads(await run_apart("read_plan", toml=toml), "file")
    except UserError as exc:
        return None, f"{shown}: {exc}", None
    except ValueError:
        return None, f"{shown} isn't UTF-8 text; save the plan as UTF-8.", None
    return Draft(to_document(plan)), f"Read from {shown}.", None


@changes_draft(_SAID, Input("prepare-fresh", "n_clicks"), another=True)
async def afresh(_: Any) -> Any:
    """Start again from what the rig sends."""
    return Draft(to_document(await asyncio.to_thread(fresh))), "Started a new plan."


def fresh() -> Plan:
    """Make the plan to start from: the running firing's, or else an empty one with today's date."""
    plan = Plan(title=f"Firing of {datetime.now(UTC).astimezone():%Y-%m-%d}")
    if not here().journal_path.exists():
        return plan
    with contextlib.closing(JournalReader(here().journal_path)) as reader:
        running = reader.running()
    if running is None:
        return plan
    known = running.plan
    return known.for_channels(running.seen) if running.plan_toml else replace(plan, probes=known.probes)


@act(
    PLAN,
    _LIST,
    _SAID,
    Output("prepare-replace", "hidden"),
    *inputs("prepare-save.n_clicks", "prepare-copy.n_clicks", "prepare-replace.n_clicks"),
    *states("prepare-plan.data", "prepare-plans-turn.data"),
)
async def save(_: Any, __: Any, ___: Any, kept: Any, turn: Any) -> Any:
    """Save the plan: over the one that was opened, over any other only when confirmed."""
    doc, own = needed_draft(kept)
    if (plan := _good(doc)) is None:
        return no_update, no_update, WRONG, True
    name = own if ctx.triggered_id == "prepare-save" else ""
    name = name or plans.name_for(plan.title)
    if not name:
        return no_update, no_update, "Give the plan a title, then save it.", True
    sure = ctx.triggered_id == "prepare-replace" or name == own
    try:
        await asyncio.to_thread(plans.save_plan, here().home, name, plan, replace=sure)
    except plans.PlanTaken as exc:
        return no_update, no_update, capital(f"{exc}"), False
    return _called(name), next_turn(turn), f"Saved as “{name}”.", True


def _good(doc: Document) -> Plan | None:
    try:
        return read_document(doc)
    except UserError:
        return None


@on_change(
    Output("prepare-file", "data"),
    _SAID,
    Input("prepare-export", "n_clicks"),
    State("prepare-plan", "data"),
)
def export(_: Any, kept: Any) -> Any:
    """Download the plan as a file."""
    if (plan := _good(needed_draft(kept).doc)) is None:
        return no_update, WRONG
    return {"content": plan.dumps(), "filename": f"{plans.name_for(plan.title) or 'plan'}.toml"}, ""
