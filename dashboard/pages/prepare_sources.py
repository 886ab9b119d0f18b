"""Prepare: listen to rigs that don't speak the wire line, name their numbers, add them to the plan."""

import re
from pathlib import Path
from typing import Any

import dash_mantine_components as dmc
import msgspec
from dash import ALL, Input, Output, State, callback, ctx, dcc, html, no_update
from dash.exceptions import PreventUpdate

from dashboard.pages.asked import PLAN, act, button_pressed, changes_draft, needed_draft, on_change, read_kept
from dashboard.parts.frame import UNAIDED, button, door_row, section
from dashboard.parts.readiness import UNPROVEN
from dashboard.parts.source_form import (
    FIELDS,
    Number,
    channels_of,
    form_of,
    key_of,
    named_in,
    source_at,
    source_fields,
    table_of,
    with_source,
)
from dashboard.parts.wiring import inputs, outputs, states
from dashboard.preparing.hearing import hearing
from dashboard.preparing.planning import Draft, errors_of, problems
from dashboard.security.guard import operator_only
from logger.errors import UserError
from logger.plan import MAX_PROBES


def sources_section() -> list[Any]:
    """Make the section for sources."""
    patterns = ("ttyACM*", "ttyUSB*", "serial/by-id/*")
    ports = sorted(str(p) for pattern in patterns for p in Path("/dev").glob(pattern))
    about = f"A board that prints numbers, numbers on an MQTT broker, a Modbus module. {UNPROVEN}"
    setup = [
        html.Summary("Set one up"),
        html.Div(source_fields(ports), className="prepare-fields"),
        door_row(
            button("Listen", "prepare-hear", className="main"),
            button("Stop listening", "prepare-hear-stop", hidden=True),
        ),
        html.P("", id="prepare-heard-said", role="status"),
        html.Pre("", id="prepare-heard", tabIndex=0, hidden=True, **{"aria-label": "What it sends"}),
        dcc.Interval(id="prepare-hear-poll", interval=500, disabled=True),
        dcc.Store(id="prepare-found-keys", data=[]),
        html.Div(id="prepare-numbers", className="prepare-fields"),
        dcc.Store(id="prepare-changing"),
        door_row(
            button("Add these to the plan", "prepare-source-take", hidden=True),
            button("Leave it as it is", "prepare-source-leave", hidden=True),
        ),
    ]
    head = [html.H2("Other kinds of rig"), html.P(about, className="hint"), html.Ul(id="prepare-sources")]
    return [section(*head, html.Details(setup, id="prepare-setup"), className="prepare-sources")]


@callback(
    Output({"type": "prepare-source", "name": ALL}, "style"),
    Input({"type": "prepare-source", "name": "format"}, "value"),
)
def fit(form: Any) -> list[Any]:
    """Show the fields of the chosen format."""
    names = [part["id"]["name"] for part in ctx.outputs_list]
    shown = {name for name, field in FIELDS.items() if name == "format" or form in field.formats}
    return [{} if name in shown else {"display": "none"} for name in names]


def _given(values: list[Any], parts: list[Any], key: str = "name") -> dict[str, str]:
    """Return what was typed into a group of fields, by a part of their IDs."""
    return {str(part["id"][key]): str(v or "") for part, v in zip(parts, values, strict=True)}


@act(
    *outputs("prepare-hear-poll.disabled", "prepare-hear-stop.hidden", "prepare-heard-said.children"),
    *outputs("prepare-found-keys.data"),
    *inputs("prepare-hear.n_clicks", "prepare-hear-stop.n_clicks"),
    State({"type": "prepare-source", "name": ALL}, "value"),
)
async def hear(_: Any, __: Any, values: list[Any]) -> Any:
    """Start listening to a rig, or stop."""
    if ctx.triggered_id == "prepare-hear-stop":
        await hearing.end()
        return no_update, True, no_update, no_update
    try:
        table = table_of(_given(values, ctx.states_list[0]))
    except UserError as exc:
        return True, True, str(exc), no_update
    await hearing.begin(table)
    return False, False, "Listening …", []


@act(
    *outputs("prepare-hear-poll.disabled", "prepare-hear-stop.hidden", again=True),
    *outputs("prepare-heard-said.children", again=True),
    *outputs("prepare-heard.children", "prepare-heard.hidden"),
    Output("prepare-found-keys", "data", allow_duplicate=True),
    Output({"type": "prepare-number", "key": ALL}, "description"),
    Input("prepare-hear-poll", "n_intervals"),
    State("prepare-found-keys", "data"),
)
async def heard(_: Any, keys: Any) -> Any:
    """Show what has been heard so far."""
    going = hearing.goes_on
    try:
        told = hearing.told()
    except UserError as exc:
        blank = [no_update] * len(ctx.outputs_list[6])
        return True, True, str(exc), "", True, no_update, blank
    found = {str(f["key"]): f for f in told["found"]}
    said = told["trouble"] or (f"{len(found)} numbers found." if found else "Listening …")
    if not going:
        said = f"{said} No longer listening."
    offered = [{"key": f["key"], "name": f["name"], "mark": f["mark"]} for f in found.values()]
    new = no_update if offered == keys or not offered else offered
    reads = {k: "no reading" if (v := f["value"]) is None else f"reads {v:g}" for k, f in found.items()}
    now = [reads.get(part["id"]["key"], "no longer sent") for part in ctx.outputs_list[6]]
    return not going, not going, said, "\n".join(told["said"]), not told["said"], new, now


@callback(
    *outputs("prepare-numbers.children", "prepare-source-take.hidden", "prepare-source-leave.hidden"),
    *inputs("prepare-found-keys.data", "prepare-changing.data"),
    State({"type": "prepare-number", "key": ALL}, "value"),
    State("prepare-plan", "data"),
)
def offer(keys: Any, changing: Any, typed: list[Any], kept: Any) -> Any:
    """Offer the numbers found, to be named; names already typed stay when another number is found."""
    doc, numbers = needed_draft(kept).doc, read_kept(list[Number], keys) or []
    standing = source_at(doc, changing)
    called = {k: probe for k, (_, probe) in named_in(doc, standing).items()}
    if ctx.triggered_id == "prepare-found-keys" and len(ctx.triggered) == 1:
        called |= _given(typed, ctx.states_list[0], "key")
    rows = []
    for f in filter(lambda number: number.name, numbers):
        own = {"id": {"type": "prepare-number", "key": f.key}, "value": called.get(f.key, f.name)}
        label = f"Name of number {f.key}"
        rows.append(dmc.TextInput(label=label, description="", attributes=UNAIDED, **own))
    hint = [html.P("Name each number; those without a name are left out.", className="hint")] if rows else []
    return [*hint, *rows], not numbers, standing is None


@on_change(
    Output({"type": "prepare-source", "name": ALL}, "value"),
    Output("prepare-changing", "data"),
    *outputs("prepare-found-keys.data", "prepare-heard-said.children", again=True),
    Output("prepare-setup", "open"),
    Input({"type": "prepare-source-change", "i": ALL}, "n_clicks"),
    *states("prepare-plan.data", "prepare-setup.open"),
)
def change(_: list[Any], kept: Any, opened: Any) -> Any:
    """Load a source of the plan into the form."""
    doc, i = needed_draft(kept).doc, button_pressed()["i"]
    if (source := source_at(doc, i)) is None:
        raise PreventUpdate
    form, channels = form_of(source), map(dict, channels_of(source))
    keys = [Number(key_of(c), c.pop("name", "") or "", c, stood=True) for c in channels]
    values = [form.get(part["id"]["name"], "") for part in ctx.outputs_list[0]]
    said = f"This is the {source.get('format')} source in the plan. Tap Listen to see what it sends now."
    # Another value for "open", so that one closed by hand opens again.
    return values, i, msgspec.to_builtins(keys), said, "open" if opened is True else True


@on_change(
    *outputs("prepare-changing.data", "prepare-found-keys.data", again=True),
    *outputs("prepare-heard-said.children", again=True),
    Input("prepare-source-leave", "n_clicks"),
)
def leave(_: Any) -> Any:
    """Leave the source as it is."""
    return None, [], ""


@changes_draft(
    *outputs("prepare-heard-said.children", "prepare-found-keys.data", again=True),
    *outputs("prepare-changing.data", again=True),
    Input("prepare-source-take", "n_clicks"),
    State({"type": "prepare-number", "key": ALL}, "value"),
    State({"type": "prepare-source", "name": ALL}, "value"),
    *states("prepare-found-keys.data", "prepare-changing.data"),
)
@operator_only
async def take(_: Any, names: list[Any], values: list[Any], keys: Any, changing: Any, draft: Draft) -> Any:
    """Add the source and its named numbers to the plan, each with a probe; or change one already there."""
    table = table_of(_given(values, ctx.states_list[1]))
    called = {key: name.strip() for key, name in _given(names, ctx.states_list[0], "key").items()}
    chosen = [f for f in read_kept(list[Number], keys) or [] if called.get(f.key) or not f.name]
    if not chosen:
        return None, "Give at least one number a name.", no_update, no_update
    new = with_source(draft.doc, table, chosen, called, changing)
    if len(new["probe"]) > MAX_PROBES:
        said = f"A plan can have at most {MAX_PROBES} probes; leave some numbers out."
        return None, said, no_update, no_update
    before = errors_of(draft.doc)
    wrong = [p for p in problems(new) if str(p["field"]) not in before]
    if any(str(p["field"]).startswith("source") for p in wrong):
        return None, f"{wrong[0]['label']}: {wrong[0]['text']}", no_update, no_update
    await hearing.end()  # the logger needs the port
    words = f"Added to the plan, with {len(chosen)} probes; give them places above. {UNPROVEN}"
    return Draft(new, draft.name), words, [], None


@callback(Output("prepare-sources", "children"), Input("prepare-plan", "data"))
def show_sources(kept: Any) -> list[Any]:
    """List the plan's sources, and what is wrong with them."""
    doc = needed_draft(kept).doc
    found = problems(doc)
    rows = []
    for i, source in enumerate(doc.get("source", [])):
        names = [str(c.get("name") or c.get("topic")) for c in channels_of(source)]
        place = source.get("port") or re.sub(r":[^:@/]*@", ":***@", str(source.get("url") or ""))
        words = [html.B(f"{source.get('format')}, {place}"), f": {', '.join(names) or 'every number'}. "]
        words.append(html.Span("No proof of order or integrity.", className="unproven"))
        for p in found:
            if p["field"] == "source" or str(p["field"]).startswith(f"source.{i}."):
                words.append(html.P(f"{p['label']}: {p['text']}", className="wrong"))
        doors = [
            button(text, {"type": kind, "i": i}, aloud=f"{text} source {place}")
            for text, kind in (("Change", "prepare-source-change"), ("Remove", "prepare-source-off"))
        ]
        rows.append(html.Li([html.Div(words), door_row(*doors)]))
    return rows


@on_change(PLAN, Input({"type": "prepare-source-off", "i": ALL}, "n_clicks"), State("prepare-plan", "data"))
def take_out(_: list[Any], kept: Any) -> Any:
    """Remove a source from the plan."""
    draft, i = needed_draft(kept), button_pressed()["i"]
    left = [s for n, s in enumerate(draft.doc.pop("source", [])) if n != i]
    return draft.with_(**({"source": left} if left else {})).kept()
