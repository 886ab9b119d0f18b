"""The fire as it burns: the live link fills what stands here; callbacks carry out what a person does."""

from __future__ import annotations

import math
from typing import Any, Final

import dash_mantine_components as dmc
from dash import (
    ALL,
    ClientsideFunction,
    Input,
    Output,
    State,
    callback,
    clientside_callback,
    ctx,
    dcc,
    html,
    no_update,
)
from dash.exceptions import PreventUpdate

from dashboard.acts import ask
from dashboard.context import here
from dashboard.fire_reading import doubt, ended_summary, noted, place_options
from dashboard.guard import operator_only, who_asks
from dashboard.parts.single import chosen, let_single_out
from dashboard.parts.words import event_words
from dashboard.shell import WAITING
from logger.errors import UserError
from logger.words.notes import NOTES

CLOSE: Final = {"aria-label": "Close"}
AT_A_PLACE: Final = (
    ("wood", "a few sticks", "A few sticks"),
    ("wood", "an armful", "An armful"),
    ("wood", "a big load", "A big load"),
    ("raked", "", "Coals raked"),
)
"""Kind, amount and words of what is noted where it was done."""
ANYWHERE: Final = (
    ("lit", "", "The fire is lit"),
    ("uncovered", "", "Uncovered"),
    ("smothered", "", "Smothered"),
    ("gust", "", "A gust"),
    ("rain", "", "Rain"),
)
"""What has no place in the stack."""
EMISSIVITY: Final = 0.95
GRAPH: Final[dict[str, Any]] = {
    "displaylogo": False,
    "doubleClick": False,  # a script does what it says: all, and as it comes
    "modeBarButtonsToRemove": ["select2d", "lasso2d", "autoScale2d", "toImage"],
    "scrollZoom": True,
    "responsive": True,
}


def layout(**_query: str) -> Any:
    """Give the page.

    Returns
    -------
    component
    """
    return html.Div(
        id="fire",
        className="opening",
        children=[
            html.H1("Fire", className="unseen"),
            dcc.Store(id="fire-here", data=1),
            dcc.Store(id="fire-place"),
            dcc.Store(id="fire-spot-asked"),
            *chosen("fire"),
            _verdict_row(),
            html.Ol(id="zones", **{"aria-label": "Zones, the coldest first"}),
            html.Div([_chart(), _side()], id="course"),
            html.P("", id="fire-done", role="status"),
            html.Section(id="ended-summary", **{"aria-label": "This firing in short"}),
            dcc.Store(id="edit-event"),
            _note_dialog(),
            _edit_dialog(),
            _end_dialog(),
            dmc.Modal(
                html.Div(
                    [
                        html.P("", id="glance-alarm"),
                        html.P("", id="glance-zone"),
                        html.P(
                            [
                                html.Span("", id="glance-number"),
                                html.Span("", id="glance-way", className="way"),
                            ]
                        ),
                        html.P("", id="glance-need"),
                    ],
                    id="glance-words",
                ),
                id="glance",
                fullScreen=True,
                title="At a glance",
                closeButtonProps={"aria-label": "Close", "size": "xl"},
            ),
        ],
    )


def _verdict_row() -> Any:
    return html.Div(
        id="verdict-row",
        children=[
            html.Div(
                [
                    html.P("", id="verdict"),
                    html.P(
                        [
                            html.Span("", id="since-wood"),
                            html.Span("", id="come"),
                        ],
                        id="next",
                    ),
                    html.P(
                        [
                            "No firing yet, waiting for the rig. ",
                            dcc.Link("Prepare a firing", href="/prepare"),
                        ],
                        id="waiting",
                        hidden=True,
                    ),
                ],
                className="words",
            ),
            html.Div(
                className="switches",
                children=[
                    dmc.SegmentedControl(
                        id="fire-view",
                        value="traces",
                        data=[
                            {"value": "traces", "label": "Traces"},
                            {"value": "heat", "label": "Stack through time"},
                        ],
                    ),
                    dmc.SegmentedControl(
                        id="fire-window",
                        value="whole",
                        persistence=True,
                        data=[
                            {"value": "whole", "label": "Whole"},
                            {"value": "1800", "label": "30 min"},
                            {"value": "600", "label": "10 min"},
                        ],
                    ),
                    html.Button("Glance", id="glance-open", type="button"),
                ],
            ),
        ],
    )


def _chart() -> Any:
    return html.Section(
        id="chart",
        **{"aria-label": "Temperatures over time"},
        children=[
            dcc.Graph(id="traces", responsive=True, config=GRAPH, className="graph"),
            dcc.Graph(id="heat", responsive=True, config=GRAPH, className="graph", style={"display": "none"}),
        ],
    )


def _side() -> Any:
    return html.Section(
        id="side",
        **{"aria-label": "The stack, its zones, and what happened"},
        children=[
            dmc.SegmentedControl(
                id="fire-side",
                value="now",
                fullWidth=True,
                data=[
                    {"value": "now", "label": "Stack"},
                    {"value": "zones", "label": "Zones"},
                    {"value": "log", "label": "Log"},
                ],
            ),
            html.Div(
                id="side-now",
                children=[
                    dcc.Graph(
                        id="stack",
                        responsive=True,
                        config={"displayModeBar": False, "responsive": True},
                        className="stack",
                    ),
                    html.P("Touch the place where you add wood, rake or aim the gun.", className="hint act"),
                    html.Button("Note …", id="note-open", type="button", className="act"),
                    html.Ol(id="values", tabIndex=0, **{"aria-label": "Probes, from the top down"}),
                ],
            ),
            html.Div(
                id="side-zones",
                hidden=True,
                tabIndex=0,
                children=[
                    html.Ol(id="zone-details"),
                    dmc.Switch(
                        id="fire-bands",
                        label="Draw the pots’ estimates",
                        checked=True,
                        persistence=True,
                        size="lg",
                    ),
                    html.Ul(id="limits", **{"aria-label": "What this rig can't judge"}),
                ],
            ),
            html.Div(
                id="side-log",
                hidden=True,
                tabIndex=0,
                children=[
                    html.H2("What happened"),
                    html.Ol(id="events"),
                    html.Details([html.Summary("Alarms so far"), html.Ol(id="past-alarms")]),
                    html.Button("End the firing …", id="end-open", type="button", className="act"),
                ],
            ),
        ],
    )


def _note_dialog() -> Any:
    def buttons(told: tuple[tuple[str, str, str], ...]) -> list[Any]:
        return [
            html.Button(
                words,
                id={"type": "fire-note", "kind": kind, "amount": amount},
                type="button",
                className="big",
            )
            for kind, amount, words in told
        ]

    return dmc.Modal(
        id="note-dialog",
        title="Note",
        size="lg",
        closeButtonProps=CLOSE,
        children=[
            dmc.Select(
                id="note-place", label="Where", data=[], size="lg", clearable=True, allowDeselect=True
            ),
            html.Div(
                [html.P("Wood and coals", className="label"), *buttons(AT_A_PLACE)],
                className="choices",
                role="group",
                **{"aria-label": "Wood and coals"},
            ),
            html.Div(
                [html.P("The whole fire", className="label"), *buttons(ANYWHERE)],
                className="choices",
                role="group",
                **{"aria-label": "The whole fire"},
            ),
            html.Form(
                className="row",
                children=[
                    dmc.NumberInput(
                        id="spot-value",
                        label="Gun reading",
                        size="lg",
                        clampBehavior="none",
                        hideControls=True,
                        allowDecimal=False,
                        attributes={"input": {"inputMode": "numeric"}},
                    ),
                    dmc.NumberInput(
                        id="spot-emissivity",
                        label="Emissivity set",
                        value=EMISSIVITY,
                        size="lg",
                        step=0.01,
                        clampBehavior="none",
                        hideControls=True,
                        persistence=True,
                    ),
                    html.Button("Keep the reading", id="spot-keep", type="button"),
                ],
            ),
            html.P(
                "Unglazed clay and soot: 0.90–0.95. A gun reads one spot of surface, and nothing "
                "through flame or smoke. Never point its laser at eyes.",
                className="hint",
            ),
            html.P("", id="spot-wrong", className="wrong", role="alert"),
            html.Div(
                className="row",
                children=[
                    dmc.Textarea(
                        id="note-text", label="In your own words", size="lg", autosize=True, minRows=1
                    ),
                    dmc.NumberInput(
                        id="note-ago",
                        label="Minutes ago",
                        value=0,
                        min=0,
                        max=600,
                        size="lg",
                        hideControls=True,
                        clampBehavior="none",
                    ),
                    html.Button("Keep the note", id="note-keep", type="button"),
                ],
            ),
            html.P("", id="note-wrong", className="wrong", role="alert"),
        ],
    )


def _edit_dialog() -> Any:
    return dmc.Modal(
        id="edit-dialog",
        title="Edit",
        size="lg",
        closeButtonProps=CLOSE,
        children=[
            html.Div(
                className="row",
                children=[
                    dmc.Textarea(
                        id="edit-text", label="In your own words", size="lg", autosize=True, minRows=2
                    ),
                    dmc.NumberInput(
                        id="edit-ago",
                        label="Minutes ago",
                        description="Empty: when it says",
                        min=0,
                        max=600,
                        size="lg",
                        hideControls=True,
                        clampBehavior="none",
                    ),
                    html.Button("Save", id="edit-keep", type="button"),
                ],
            ),
            html.P("", id="edit-wrong", className="wrong", role="alert"),
        ],
    )


def _end_dialog() -> Any:
    return dmc.Modal(
        id="end-dialog",
        title="End the firing?",
        closeButtonProps=CLOSE,
        children=[
            html.P("Nothing more is recorded until the next firing. Coals stay hot under ash for a day."),
            html.Div(
                [
                    html.Button("End the firing", id="end-now", type="button", className="big"),
                    html.Button("Go on", id="end-not", type="button", className="big"),
                ],
                className="choices",
            ),
        ],
    )


def _client(name: str, *args: Any, **kwargs: Any) -> None:
    clientside_callback(ClientsideFunction("stokewatch", name), *args, **kwargs)


_client("arrive", Output("fire-here", "storage_type"), Input("fire-here", "data"))
_client(
    "look",
    Output("traces", "style"),
    Output("heat", "style"),
    Input("fire-view", "value"),
    Input("fire-window", "value"),
    Input("fire-bands", "checked"),
)
let_single_out("fire", "traces")


@callback(
    Output("side-now", "hidden"),
    Output("side-zones", "hidden"),
    Output("side-log", "hidden"),
    Input("fire-side", "value"),
)
def turn(side: str) -> list[bool]:
    """Show one side of what stands beside the traces."""
    return [side != name for name in ("now", "zones", "log")]


@callback(Output("glance", "opened"), Input("glance-open", "n_clicks"), prevent_initial_call=True)
def open_glance(_: int) -> bool:
    """Let the coldest zone fill the glass."""
    return True


@callback(Output("end-dialog", "opened"), Input("end-open", "n_clicks"), prevent_initial_call=True)
def ask_before_the_end(_: int) -> bool:
    """Ask whether the firing is really to end."""
    return True


@callback(
    Output("note-dialog", "opened"),
    Output("note-dialog", "title"),
    Output("note-place", "data"),
    Output("note-place", "value"),
    Output("fire-place", "data"),
    Output("stack", "clickData"),
    Output("spot-value", "label"),
    Input("stack", "clickData"),
    Input("note-open", "n_clicks"),
    State("unit", "data"),
    prevent_initial_call=True,
)
@operator_only
def open_note(touched: Any, clicks: int | None, unit: str) -> Any:
    """Open the dialog for a note, at the place that was touched."""
    if not touched and not clicks:
        raise PreventUpdate
    options = place_options(here().journal_path)
    zone, height_cm = _touched_place(touched, [o["value"] for o in options])
    title = "Note" if zone is None else f"Note at {zone}"
    title += f", {height_cm:.0f} cm" if height_cm is not None else ""
    place = {"zone": zone, "height_cm": height_cm}
    return True, title, options, zone, place, None, f"Gun reading, °{'F' if unit == 'F' else 'C'}"


def _touched_place(touched: Any, zones: list[str]) -> tuple[str | None, float | None]:
    try:
        point = touched["points"][0]
        found = point.get("customdata")
        height = float(point["y"])
    except (TypeError, KeyError, IndexError, ValueError, AttributeError):
        return None, None
    zone = str(found[0] if isinstance(found, list) and found else found)
    if zone not in zones:
        return None, None
    return zone, height if math.isfinite(height) and -50 <= height <= 500 else None


def _place(zone: Any, touched: Any) -> dict[str, Any]:
    """Where it was: the touched height counts as long as the zone is the touched one."""
    if not zone:
        return {}
    place: dict[str, Any] = {"zone": str(zone)}
    if isinstance(touched, dict) and touched.get("zone") == zone and touched.get("height_cm") is not None:
        place["height_cm"] = touched["height_cm"]
    return place


def _done(words: str, answer: dict[str, Any], *, later: bool = False) -> list[Any]:
    if answer.get("waiting"):
        return [WAITING]
    if later:  # the logger takes back only what is younger than a minute
        return [words]
    undo = html.Button("Undo", id={"type": "undo", "event": answer["event"]}, type="button")
    return [html.Span(f"{words} "), undo]


@callback(
    Output("fire-done", "children"),
    Output("note-dialog", "opened", allow_duplicate=True),
    Input({"type": "fire-note", "kind": ALL, "amount": ALL}, "n_clicks"),
    State("note-place", "value"),
    State("fire-place", "data"),
    State("note-ago", "value"),
    prevent_initial_call=True,
)
@operator_only
async def note_kind(clicks: list[int | None], zone: Any, touched: Any, ago: Any) -> Any:
    """Note what was done with one tap."""
    pressed = ctx.triggered_id
    if not pressed or not any(clicks):
        raise PreventUpdate
    kind, amount = pressed["kind"], pressed["amount"]
    if (kind, amount) not in {(k, a) for k, a, _ in (*AT_A_PLACE, *ANYWHERE)}:
        raise PreventUpdate
    where = _place(zone, touched) if kind in ("wood", "raked") else {}
    data = {"kind": kind, "amount": amount, **where, **_ago(ago)}
    answer = await ask(here().journal_path, "note", data, who_asks())
    said = f"Noted: {NOTES[kind].lower()}{f', {amount}' if amount else ''}"
    said += f", {where['zone']}." if where else "."
    return _done(said, answer, later=bool(_ago(ago))), False


def _ago(minutes: Any) -> dict[str, float]:
    if isinstance(minutes, int | float) and not isinstance(minutes, bool) and 0 < minutes <= 600:
        return {"ago_min": float(minutes)}
    return {}


@callback(
    Output("fire-done", "children", allow_duplicate=True),
    Output("note-dialog", "opened", allow_duplicate=True),
    Output("note-text", "value"),
    Output("note-wrong", "children"),
    Output("note-ago", "value"),
    Input("note-keep", "n_clicks"),
    State("note-text", "value"),
    State("note-ago", "value"),
    State("note-place", "value"),
    State("fire-place", "data"),
    prevent_initial_call=True,
)
@operator_only
async def note_text(clicks: int | None, text: Any, ago: Any, zone: Any, touched: Any) -> Any:
    """Note something in words."""
    if not clicks:
        raise PreventUpdate
    words = str(text or "").strip()
    if not words:
        return no_update, True, no_update, "Write a word or two.", no_update
    data = {"kind": "text", "text": words, **_place(zone, touched), **_ago(ago)}
    try:
        answer = await ask(here().journal_path, "note", data, who_asks())
    except UserError as exc:
        return no_update, True, no_update, str(exc), no_update
    short = words if len(words) <= 40 else f"{words[:39]}…"
    return _done(f"Noted: {short}", answer, later=bool(_ago(ago))), False, "", "", 0


@callback(
    Output("fire-done", "children", allow_duplicate=True),
    Output("note-dialog", "opened", allow_duplicate=True),
    Output("spot-value", "value"),
    Output("spot-wrong", "children"),
    Output("spot-keep", "children"),
    Output("fire-spot-asked", "data"),
    Input("spot-keep", "n_clicks"),
    Input("note-dialog", "opened"),
    State("spot-value", "value"),
    State("spot-emissivity", "value"),
    State("note-place", "value"),
    State("fire-place", "data"),
    State("unit", "data"),
    State("fire-spot-asked", "data"),
    prevent_initial_call=True,
)
@operator_only
async def keep_spot(
    clicks: int | None,
    opened: bool,
    value: Any,
    emissivity: Any,
    zone: Any,
    touched: Any,
    unit: str,
    asked: Any,
) -> Any:
    """Keep a gun's reading; one that is far from all that is known of the zone is asked about once."""
    if ctx.triggered_id == "note-dialog":
        if opened:
            raise PreventUpdate
        return no_update, no_update, "", "", "Keep the reading", None
    if not clicks:
        raise PreventUpdate
    stay = (no_update, True, no_update)
    if not zone:
        return *stay, "Choose where the gun pointed.", no_update, no_update
    if isinstance(value, bool) or not isinstance(value, int | float):
        return *stay, "Enter what the gun shows, in whole degrees.", no_update, no_update
    c = (value - 32.0) / 1.8 if unit == "F" else float(value)
    question = doubt(here().journal_path, str(zone), c, unit)
    if question and asked != [zone, value]:
        words = (
            f"{value:g} °{unit}, but {question}. Is it the right zone, and the number as the gun shows it?"
        )
        return *stay, words, "Keep it all the same", [zone, value]
    data = {"temperature_c": c, "emissivity": emissivity, **_place(zone, touched)}
    try:
        answer = await ask(here().journal_path, "spot", data, who_asks())
    except UserError as exc:
        return *stay, str(exc), no_update, no_update
    return _done(f"Noted: {zone} at {value:g} °{unit}.", answer), False, "", "", "Keep the reading", None


@callback(
    Output("fire-done", "children", allow_duplicate=True),
    Input({"type": "undo", "event": ALL}, "n_clicks"),
    prevent_initial_call=True,
)
@operator_only
async def undo(clicks: list[int | None]) -> Any:
    """Take back what was just noted."""
    pressed = ctx.triggered_id
    if not pressed or not any(clicks):
        raise PreventUpdate
    await ask(here().journal_path, "retract", {"event": pressed["event"]}, who_asks())
    return "Taken back."


@callback(
    Output("edit-dialog", "opened"),
    Output("edit-dialog", "title"),
    Output("edit-text", "value"),
    Output("edit-ago", "value"),
    Output("edit-wrong", "children"),
    Output("edit-event", "data"),
    Input({"type": "note-edit", "event": ALL}, "n_clicks"),
    State("unit", "data"),
    prevent_initial_call=True,
)
@operator_only
def open_edit(clicks: list[int | None], unit: str) -> Any:
    """Open a note, to put it right."""
    pressed = ctx.triggered_id
    if not pressed or not ctx.triggered[0]["value"]:
        raise PreventUpdate
    note = noted(here().journal_path, pressed["event"])
    title = event_words({"kind": "note", "data": note}, "F" if unit == "F" else "C")
    return True, f"Edit: {title}", note.get("text", ""), "", "", pressed["event"]


@callback(
    Output("edit-dialog", "opened", allow_duplicate=True),
    Output("edit-wrong", "children", allow_duplicate=True),
    Output("fire-done", "children", allow_duplicate=True),
    Input("edit-keep", "n_clicks"),
    State("edit-text", "value"),
    State("edit-ago", "value"),
    State("edit-event", "data"),
    prevent_initial_call=True,
)
@operator_only
async def keep_edit(clicks: int | None, text: Any, ago: Any, event: Any) -> Any:
    """Put a note right: its words, its time, or both."""
    if not clicks:
        raise PreventUpdate
    data = {"event": event, "text": str(text or "").strip(), "ago_min": None if ago in ("", None) else ago}
    try:
        answer = await ask(here().journal_path, "amend", data, who_asks())
    except UserError as exc:
        return True, str(exc), no_update
    return False, "", WAITING if answer.get("waiting") else "Saved."


@callback(
    Output("end-dialog", "opened", allow_duplicate=True),
    Output("fire-done", "children", allow_duplicate=True),
    Input("end-now", "n_clicks"),
    Input("end-not", "n_clicks"),
    prevent_initial_call=True,
)
@operator_only
async def end(now: int | None, go_on: int | None) -> Any:
    """End the firing, after it was asked whether that is meant."""
    if ctx.triggered_id != "end-now" or not now:
        return False, no_update
    answer = await ask(here().journal_path, "finish", {}, who_asks())
    return False, WAITING if answer.get("waiting") else "The firing has ended."


@callback(
    Output("ended-summary", "children"),
    Input("fire", "className"),
    Input("unit", "data"),
    prevent_initial_call=True,
)
async def summary(state: str, unit: str) -> Any:
    """Show an ended firing in short: peaks, verdicts, and where to go from here."""
    if state != "ended":
        return []
    return await ended_summary(here().journal_path, "F" if unit == "F" else "C")
