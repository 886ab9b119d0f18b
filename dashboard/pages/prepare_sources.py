"""Preparing: rigs that don't speak the rig's line are heard, their numbers named, and put into the plan."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Any, Final

import dash_mantine_components as dmc
from dash import ALL, Input, Output, State, callback, ctx, dcc, html, no_update
from dash.exceptions import PreventUpdate

from dashboard.guard import operator_only
from dashboard.hearing import hearing
from dashboard.parts.readiness import UNPROVEN
from dashboard.planning import draft_of, problems
from logger.errors import UserError
from logger.plan import MAX_PROBES
from logger.plan.sources import WORDS

FORMATS: Final = (
    ("lines", "A board that prints numbers (serial)"),
    ("mqtt", "Numbers on a broker's topics (MQTT)"),
    ("rtu", "A Modbus module on a serial line (RTU)"),
    ("tcp", "A Modbus module in the network (TCP)"),
)
SHOWN: Final = {
    "port": ("lines", "rtu"),
    "baud": ("lines", "rtu"),
    "parity": ("rtu",),
    "url": ("mqtt", "tcp"),
    "topic": ("mqtt",),
    "unit_id": ("rtu", "tcp"),
    "table": ("rtu", "tcp"),
    "first": ("rtu", "tcp"),
    "count": ("rtu", "tcp"),
    "type": ("rtu", "tcp"),
    "scale": ("rtu", "tcp"),
    "unit": ("lines", "mqtt", "rtu", "tcp"),
}
"""Which fields a format has."""
_WHOLE: Final = ("baud", "unit_id", "first", "count")


def sources_section() -> list[Any]:
    """Make the section for sources.

    Returns
    -------
    list of component
    """
    return [
        html.Section(
            [
                html.H2("Rigs that speak otherwise"),
                html.P(
                    f"A board that prints numbers, numbers on a broker, a Modbus module. {UNPROVEN}",
                    className="hint",
                ),
                html.Ul(id="prepare-sources"),
                html.Details(
                    [
                        html.Summary("Set one up"),
                        html.Div(_fields(), className="prepare-fields"),
                        html.Div(
                            [
                                html.Button("Listen", id="prepare-hear", type="button", className="main"),
                                html.Button(
                                    "Stop listening", id="prepare-hear-stop", type="button", hidden=True
                                ),
                            ],
                            className="page-doors",
                        ),
                        html.P("", id="prepare-heard-said", role="status"),
                        html.Pre(
                            "", id="prepare-heard", tabIndex=0, hidden=True, **{"aria-label": "What it says"}
                        ),
                        dcc.Interval(id="prepare-hear-poll", interval=500, disabled=True),
                        dcc.Store(id="prepare-found-keys", data=[]),
                        html.Div(id="prepare-numbers", className="prepare-fields"),
                        html.Button(
                            "Put these into the plan", id="prepare-source-take", type="button", hidden=True
                        ),
                    ],
                    id="prepare-setup",
                ),
            ],
            className="prepare-sources",
        )
    ]


def _fields() -> list[Any]:
    ports = sorted(
        str(p) for name in ("ttyACM*", "ttyUSB*", "serial/by-id/*") for p in Path("/dev").glob(name)
    )
    text: dict[str, Any] = {"size": "lg", "attributes": {"input": {"autoComplete": "off"}}}

    def choice(name: str, label: str, words: list[tuple[str, str]], value: str, **more: Any) -> Any:
        data = [{"value": v, "label": t} for v, t in words]
        return dmc.Select(
            id=_id(name), label=label, data=data, value=value, allowDeselect=False, size="lg", **more
        )

    return [
        choice("format", "What it is", list(FORMATS), "lines"),
        dmc.Autocomplete(
            id=_id("port"), label="Serial port", data=ports, value=ports[0] if ports else "", **text
        ),
        dmc.Autocomplete(
            id=_id("baud"),
            label="Speed, Bd",
            data=["115200", "57600", "38400", "19200", "9600"],
            value="115200",
            **text,
        ),
        choice("parity", "Parity", [("N", "none"), ("E", "even"), ("O", "odd")], "N"),
        dmc.TextInput(
            id=_id("url"),
            label="Address",
            value="",
            description="mqtt://host of a broker, tcp://host:502 of a module",
            **text,
        ),
        dmc.TextInput(id=_id("topic"), label="Topic to look at", value="#", description="# for all", **text),
        dmc.TextInput(id=_id("unit_id"), label="Unit id", value="1", **text),
        choice(
            "table", "Registers", [("input", "input (30001 …)"), ("holding", "holding (40001 …)")], "input"
        ),
        dmc.TextInput(id=_id("first"), label="First register, from 0", value="0", **text),
        dmc.TextInput(id=_id("count"), label="How many values", value="8", **text),
        choice("type", "Kind of number", [(t, t) for t in WORDS], "int16"),
        dmc.TextInput(
            id=_id("scale"), label="Times", value="0.1", description="0.1 where it counts tenths", **text
        ),
        choice("unit", "Unit", [("C", "°C"), ("F", "°F"), ("K", "K")], "C"),
    ]


def _id(name: str) -> dict[str, str]:
    return {"type": "prepare-source", "name": name}


@callback(
    Output({"type": "prepare-source", "name": ALL}, "style"),
    Input({"type": "prepare-source", "name": "format"}, "value"),
)
def fit(form: Any) -> list[Any]:
    """Show the fields that a format has."""
    names = [part["id"]["name"] for part in ctx.outputs_list]
    return [{} if form in SHOWN.get(name, (form,)) else {"display": "none"} for name in names]


class FieldWrong(UserError):
    """Something in the form is no number."""


def table_of(given: dict[str, Any]) -> dict[str, Any]:
    """Read the form.

    Parameters
    ----------
    given : dict
        By field; from anybody.

    Returns
    -------
    dict
        As `logger.diagnosis.hear.hear` takes it.

    Raises
    ------
    FieldWrong
    """
    form = str(given.get("format"))
    table: dict[str, Any] = {"format": "modbus" if form in ("rtu", "tcp") else form}
    for name, formats in SHOWN.items():
        text = str(given.get(name) or "").strip()[:200]
        if form not in formats or (name == "topic" and not text):
            continue
        if name in _WHOLE:
            if not re.fullmatch(r"\d{1,7}", text):
                raise FieldWrong(f"{name}: “{text}” is no whole number")
            table[name] = int(text)
        elif name == "scale":
            try:
                table[name] = float(text.replace(",", "."))
            except ValueError:
                table[name] = math.nan
            if not math.isfinite(table[name]) or table[name] == 0:
                raise FieldWrong(f"times: “{text}” is no number to multiply by; 1, or 0.1 for tenths")
        elif not text:
            raise FieldWrong(
                {"port": "Name the serial port.", "url": "Give the address."}.get(name, f"{name} is empty")
            )
        else:
            table[name] = text
    return table


def _given(values: list[Any], parts: list[Any]) -> dict[str, Any]:
    return {str(part["id"]["name"]): v for part, v in zip(parts, values, strict=True)}


@callback(
    Output("prepare-hear-poll", "disabled"),
    Output("prepare-hear-stop", "hidden"),
    Output("prepare-heard-said", "children"),
    Output("prepare-found-keys", "data"),
    Input("prepare-hear", "n_clicks"),
    State({"type": "prepare-source", "name": ALL}, "value"),
    prevent_initial_call=True,
)
@operator_only
async def hear(_: Any, values: list[Any]) -> Any:
    """Begin to hear what a rig says."""
    try:
        table = table_of(_given(values, ctx.states_list[0]))
    except FieldWrong as exc:
        return True, True, str(exc), no_update
    await hearing.begin(table)
    return False, False, "Listening …", []


@callback(
    Output("prepare-hear-poll", "disabled", allow_duplicate=True),
    Output("prepare-hear-stop", "hidden", allow_duplicate=True),
    Output("prepare-heard-said", "children", allow_duplicate=True),
    Output("prepare-heard", "children"),
    Output("prepare-heard", "hidden"),
    Output("prepare-found-keys", "data", allow_duplicate=True),
    Output({"type": "prepare-number", "key": ALL}, "description"),
    Input("prepare-hear-poll", "n_intervals"),
    State("prepare-found-keys", "data"),
    prevent_initial_call=True,
)
@operator_only
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
    descriptions = [_value(found.get(part["id"]["key"])) for part in ctx.outputs_list[6]]
    return (
        not going,
        not going,
        said,
        "\n".join(told["said"]),
        not told["said"],
        no_update if offered == keys or not offered else offered,
        descriptions,
    )


def _value(found: dict[str, Any] | None) -> str:
    if found is None:
        return "no longer said"
    return "no reading" if found["value"] is None else f"says {found['value']:g}"


@callback(
    Output("prepare-hear-stop", "hidden", allow_duplicate=True),
    Input("prepare-hear-stop", "n_clicks"),
    prevent_initial_call=True,
)
@operator_only
async def stop(_: Any) -> bool:
    """Hear no more."""
    await hearing.end()
    return True


@callback(
    Output("prepare-numbers", "children"),
    Output("prepare-source-take", "hidden"),
    Input("prepare-found-keys", "data"),
)
def offer(keys: Any) -> Any:
    """Offer the numbers that were found, to be named."""
    found = keys if isinstance(keys, list) else []
    rows = [
        dmc.TextInput(
            id={"type": "prepare-number", "key": str(f["key"])},
            label=f"Number {f['key']}: its name",
            description="",
            value=str(f["name"]),
            size="lg",
            attributes={"input": {"autoComplete": "off"}},
        )
        for f in found
        if isinstance(f, dict) and {"key", "name", "mark"} <= set(f)
    ]
    hint = [html.P("Name each; what has no name is left out.", className="hint")] if rows else []
    return [*hint, *rows], not rows


@callback(
    Output("prepare-plan", "data", allow_duplicate=True),
    Output("prepare-turn", "data", allow_duplicate=True),
    Output("prepare-heard-said", "children", allow_duplicate=True),
    Output("prepare-found-keys", "data", allow_duplicate=True),
    Input("prepare-source-take", "n_clicks"),
    State({"type": "prepare-number", "key": ALL}, "value"),
    State({"type": "prepare-source", "name": ALL}, "value"),
    State("prepare-found-keys", "data"),
    State("prepare-plan", "data"),
    State("prepare-turn", "data"),
    prevent_initial_call=True,
)
@operator_only
async def take(_: Any, names: list[Any], values: list[Any], keys: Any, kept: Any, turn: Any) -> Any:
    """Put the source and its named numbers into the plan, each with a probe."""
    draft = draft_of(kept)
    if draft is None or not isinstance(keys, list):
        raise PreventUpdate
    table = table_of(_given(values, ctx.states_list[1]))
    for extra in ("topic", "first", "count", "table", "type", "scale"):
        table.pop(extra, None)
    called = {
        str(p["id"]["key"]): str(v or "").strip() for p, v in zip(ctx.states_list[0], names, strict=True)
    }
    chosen = [f for f in keys if isinstance(f, dict) and called.get(str(f.get("key")))]
    if not chosen:
        return no_update, no_update, "Give at least one number a name.", no_update
    table["channel"] = [{"name": f["name"], **f["mark"]} for f in chosen]
    doc = draft[0]
    probes = [
        {
            "name": name,
            "channel": f["name"],
            "height_cm": None,
            "side": "",
            "reads": "air",
            "zone": name,
            "type": "",
        }
        for f in chosen
        for name in [called[str(f["key"])]]
    ]
    taken = {p.get("channel") or p.get("name") for p in doc["probe"]}
    new = {
        **doc,
        "source": [*doc.get("source", []), table],
        "probe": [*doc["probe"], *(p for p in probes if p["channel"] not in taken)][:MAX_PROBES],
    }
    before = {p["field"] for p in problems(doc)}
    wrong = [p for p in problems(new) if p["field"] not in before]
    if any(str(p["field"]).startswith("source") for p in wrong):
        return no_update, no_update, f"{wrong[0]['label']}: {wrong[0]['text']}", no_update
    await hearing.end()  # the logger is to have the port
    words = f"In the plan, with {len(chosen)} probes; give them places above. {UNPROVEN}"
    return {"doc": new, "name": draft[1]}, (turn if isinstance(turn, int) else 0) + 1, words, []


@callback(
    Output("prepare-sources", "children"),
    Input("prepare-plan", "data"),
)
def show_sources(kept: Any) -> list[Any]:
    """List the plan's sources, and what is wrong with them."""
    draft = draft_of(kept)
    if draft is None:
        raise PreventUpdate
    found = problems(draft[0])
    rows = []
    for i, source in enumerate(draft[0].get("source", [])):
        channels = source.get("channel")
        names = [str(c.get("name") or c.get("topic")) for c in channels] if isinstance(channels, list) else []
        place = source.get("port") or re.sub(r":[^:@/]*@", ":***@", str(source.get("url") or ""))
        wrong = [
            f"{p['label']}: {p['text']}"
            for p in found
            if p["field"] == "source" or str(p["field"]).startswith(f"source.{i}.")
        ]
        words = [html.B(f"{source.get('format')}, {place}"), f": {', '.join(names) or 'every number'}. "]
        words += [html.Span("No proof of order or integrity.", className="unproven")]
        words += [html.P(text, className="wrong") for text in wrong]
        away = html.Button(
            "Take out",
            id={"type": "prepare-source-off", "i": i},
            type="button",
            **{"aria-label": f"Take out source {place}"},
        )
        rows.append(html.Li([html.Div(words), away]))
    return rows


@callback(
    Output("prepare-plan", "data", allow_duplicate=True),
    Input({"type": "prepare-source-off", "i": ALL}, "n_clicks"),
    State("prepare-plan", "data"),
    prevent_initial_call=True,
)
def take_out(_: list[Any], kept: Any) -> Any:
    """Take a source out of the plan."""
    draft = draft_of(kept)
    if draft is None or not isinstance(ctx.triggered_id, dict) or not ctx.triggered[0]["value"]:
        raise PreventUpdate
    left = [s for i, s in enumerate(draft[0].get("source", [])) if i != ctx.triggered_id["i"]]
    doc = {k: v for k, v in draft[0].items() if k != "source"}
    return {"doc": {**doc, "source": left} if left else doc, "name": draft[1]}
