"""Replay of a stored firing: its readings at any speed, and the verdicts at each moment."""

import asyncio
import math
from typing import Any, Final

import dash_mantine_components as dmc
from dash import ALL, Input, Output, State, callback, ctx, html, no_update, set_props
from dash.exceptions import PreventUpdate

from dashboard.context import here
from dashboard.figures.look import theme_of, unit_of
from dashboard.figures.names import Glass
from dashboard.figures.traces import glass_of
from dashboard.pages import progress
from dashboard.pages.asked import glass_px, id_of, on_change
from dashboard.parts import moment
from dashboard.parts.frame import ALL_FIRINGS, button, door_row, options, page_top, picture, scroll, stores
from dashboard.parts.plan_form import other_alarms
from dashboard.parts.single import chosen, let_single_out
from dashboard.parts.wiring import client, inputs, outputs, states
from dashboard.preparing.planning import errors_of, read_document, to_document, with_fields
from dashboard.stored.replayed import ALL_SIDES, named_for, shown
from dashboard.work.works import Work
from logger.errors import UserError
from logger.plan import Plan
from logger.replay.moments import with_alarms
from logger.report.gather import named

FIELDS: Final = {"type": "replay-field", "path": ALL, "as": ALL}
SPEEDS: Final = (1, 10, 30, 60, 120)


def layout(firing: str = "", at: str = "", **_query: str) -> Any:
    """Lay out the page of one stored firing; `at` is in seconds from its first reading."""
    parts: list[Any] = [
        *stores("replay", firing=firing, told=None, marks=None, wish={}, judged=None),
        *chosen("replay"),
        page_top(
            "Replay",
            door_row(id="replay-doors"),
            html.P("", id="replay-about"),
            progress.working("replay"),
            own="replay-title",
        ),
        html.Div([*_look(_seconds(at)), *_judged(), *_settings_form()], id="replay-body", hidden=True),
    ]
    return html.Div(parts, id="replay")


def _seconds(text: Any) -> float:
    try:
        seconds = float(text)
    except (TypeError, ValueError):
        return 0.0
    return max(0.0, seconds) if math.isfinite(seconds) else 0.0


def _look(at_s: float) -> list[Any]:
    """Lay out probes and traces, below them the stack and the stack through time on one height axis."""
    look = [
        html.Ol(id="replay-values"),
        picture("replay-traces", "Traces of all probes"),
        picture("replay-stack", "The stack at this moment"),
        picture("replay-heat", "The stack through time, on the same height axis"),
    ]
    sides = {"label": "Stack through time", "data": [ALL_SIDES], "value": ALL_SIDES, "allowDeselect": False}
    views = [
        dmc.Select(id="replay-side", **sides),
        dmc.Switch(id="replay-bands", label="Estimates of the pots", checked=True, persistence=True),
    ]
    return [
        html.Div(look, className="replay-look"),
        _bar(at_s),
        html.Div(views, className="replay-views"),
    ]


def _bar(at_s: float) -> Any:
    """Make the replay controls, always within reach."""
    name = html.Span("Note or alarm", className="long")
    scrub = dmc.Slider(
        id="replay-scrub",
        min=0,
        max=max(1.0, at_s),
        value=at_s,
        step=1,
        updatemode="drag",
        thumbSize=44,
        thumbLabel="Time in the firing",
        label=None,
    )
    speeds = options((str(n), f"{n}×") for n in SPEEDS)
    tools = [
        button("▶ Play", "replay-play"),
        html.P("", id="replay-clock"),
        button(["◂ ", name], "replay-back", aloud="Previous note or alarm"),
        button([name, " ▸"], "replay-on", aloud="Next note or alarm"),
        dmc.SegmentedControl(id="replay-speed", data=speeds, value="10"),
    ]
    jumped = html.P("", id="replay-jumped", role="status")
    return html.Div([jumped, scrub, html.Div(tools, className="replay-tools")], id="replay-bar")


def _judged() -> list[Any]:
    now = [
        html.H2("At this moment"),
        html.P("", id="replay-line", **{"data-column": "line"}),
        html.Div(id="replay-standing"),
        scroll("Zones at this moment", id="replay-zones"),
    ]
    named = {"className": "scroll", "aria-label": "Notes and alarms"}
    happened = [html.H2("Notes and alarms"), html.Ol(id="replay-happened", tabIndex=0, **named)]
    return [html.Div([html.Div(now), html.Div(happened)], className="replay-verdicts")]


def _settings_form() -> list[Any]:
    parts = [
        html.Summary("Alarm settings: change them and run the alarms again"),
        html.Div(id="replay-settings"),
        door_row(
            dmc.Button("Re-run the alarms", id="replay-rerun"),
            dmc.Button("Back to its own settings", id="replay-own", variant="default"),
        ),
    ]
    return [
        html.Details(parts, className="replay-rules"),
        html.Div(id="replay-differences", role="status"),
    ]


# --- what is worked out -------------------------------------------------------------------------------------


def judged_by(plan: Plan, alarms: Any) -> Plan:
    """Apply alarm settings to a plan, by rule and including `enabled`; PlanRefused names the field."""
    read_document({"alarm": alarms})
    return with_alarms(plan, alarms)


async def judgement(firing: Any, alarms: Any) -> Work:
    """Start or find the judgement of a firing by its own plan, but with these alarm settings."""
    gathered = here().gathering
    info = await gathered.firing(id_of(firing))
    return await gathered.judgement(info, judged_by(info.plan, alarms) if alarms else None)


async def _judgement(firing: Any, alarms: Any) -> Work | None:
    """Start or find the firing's judgement; None if there is no such firing, which the page's top reports."""
    try:
        await here().gathering.firing(id_of(firing))
    except UserError:
        return None
    return await judgement(firing, alarms)


progress.follow(
    "replay",
    Output("replay-judged", "data"),
    *states("replay-firing.data", "replay-wish.data"),
    find=_judgement,
    tell=lambda answer, firing, wish: ("", wish or {}),
    failed=lambda why, *_: f"It could not be judged: {why}",
    stopped=lambda *_: "Stopped before the firing was judged; re-run the alarms to judge it.",
)


# --- what is shown ------------------------------------------------------------------------------------------


@callback(
    output={
        "title": Output("replay-title", "children"),
        "about": Output("replay-about", "children"),
        "doors": Output("replay-doors", "children"),
        "hidden": Output("replay-body", "hidden"),
        "told": Output("replay-told", "data"),
        "marks": Output("replay-marks", "data"),
        "values": Output("replay-values", "children"),
        "happened": Output("replay-happened", "children"),
        "zones": Output("replay-zones", "children"),
        "traces": Output("replay-traces", "figure"),
        "heat": Output("replay-heat", "figure"),
        "stack": Output("replay-stack", "figure"),
        "sides": Output("replay-side", "data"),
        "standing": Output("replay-standing", "children"),
        "end": Output("replay-scrub", "max"),
    },
    inputs={
        "firing": Input("replay-firing", "data"),
        "judged": Input("replay-judged", "data"),
        "unit": Input("unit", "data"),
        "bands": Input("replay-bands", "checked"),
        "side": Input("replay-side", "value"),
    },
    state={"theme": State("theme", "data"), "glass": State("glass-px", "data")},
)
async def show(
    firing: Any, judged: Any, unit: Any, theme: Any, bands: Any, side: Any, glass: Any = None
) -> Any:
    """Show the firing; its verdicts as soon as they are worked out."""
    try:
        if not id_of(firing):
            raise UserError("No firing chosen.")
        info = await here().gathering.firing(id_of(firing))
        answer = await _answer(info.id, judged)
    except UserError as exc:
        set_props("replay-about", {"children": f"{exc}"})
        set_props("replay-doors", {"children": ALL_FIRINGS})
        set_props("replay-body", {"hidden": True})
        return no_update
    looks = (unit_of(unit), theme_of(theme), bands is not False, str(side or ALL_SIDES), _room(glass))
    return await asyncio.to_thread(shown, info, answer, *looks)


async def _answer(firing: str, judged: Any) -> dict[str, Any] | None:
    """Find the judgement; None if it isn't known yet."""
    if not isinstance(judged, dict):
        return None
    work = await (await judgement(firing, judged)).wait()
    return dict(work.answer())


@on_change(
    Output("replay-traces", "figure", allow_duplicate=True),
    Input("glass-px", "data"),
    *states("replay-firing.data", "replay-judged.data", "unit.data", "replay-body.hidden"),
)
async def turn(glass: Any, firing: Any, judged: Any, unit: Any, hidden: Any) -> Any:
    """Place the names in the traces again: the tablet was turned."""
    if not id_of(firing) or hidden:
        raise PreventUpdate
    info = await here().gathering.firing(id_of(firing))
    answer = await _answer(info.id, judged)
    return await asyncio.to_thread(named_for, info, answer, unit_of(unit), _room(glass))


def _room(glass: Any) -> Glass:
    """Return how much room the traces have, by `rooms.css`."""
    wide, high = glass_px(glass)
    if wide < 640:
        return glass_of(wide - 24, 320)
    return glass_of(min(0.8 * (wide - 34), wide - 234), max(210.0, high / 2 - (205 if wide <= 900 else 163)))


client(
    "replay_show",
    Output("replay-clock", "children"),
    *inputs("replay-scrub.value", "replay-told.data", "replay-values.children"),
    *inputs("replay-zones.children", "replay-happened.children", "replay-standing.children"),
    *inputs("replay-traces.figure", "replay-heat.figure", "replay-stack.figure"),
)
client(
    "replay_act",
    *outputs("replay-traces.clickData", "replay-heat.clickData"),
    *inputs("replay-play.n_clicks", "replay-speed.value", "replay-traces.clickData"),
    *inputs("replay-heat.clickData"),
    prevent_initial_call=True,
)

let_single_out("replay", "replay-traces")


@on_change(
    Output("replay-scrub", "value", allow_duplicate=True),
    Output("replay-jumped", "children"),
    *inputs("replay-back.n_clicks", "replay-on.n_clicks"),
    *states("replay-scrub.value", "replay-scrub.max", "replay-marks.data", "replay-play.children"),
    *states("replay-speed.value"),
)
def jump(back: Any, on: Any, now: Any, end: Any, marks: Any, play: Any, speed: Any) -> tuple[float, str]:
    """Go to the previous or next note or alarm, and say which it is."""
    at_s, found = _seconds(now), marks if isinstance(marks, list) else []
    if ctx.triggered_id == "replay-on":
        following = [mark for mark in found if mark[0] > at_s + 0.5]
        if following:
            return following[0][0], following[0][1]
        return _seconds(end), "The end: no more notes or alarms."
    # While it plays, the mark just passed is not the one wanted.
    near_s = 0.3 * _seconds(speed) if "Pause" in str(play) else 0.5
    before = [mark for mark in found if mark[0] < at_s - near_s]
    return (before[-1][0], before[-1][1]) if before else (0.0, "The beginning: no earlier notes or alarms.")


# --- the alarms under other settings ------------------------------------------------------------------------


@callback(
    Output("replay-settings", "children"), *inputs("replay-firing.data", "replay-own.n_clicks", "unit.data")
)
async def settings(firing: Any, _: int | None, unit: Any) -> Any:
    """Make the form of all alarms' settings, filled in with the firing's own."""
    try:
        info = await here().gathering.firing(id_of(firing))
    except UserError:
        raise PreventUpdate from None  # reported at the top of the page
    return other_alarms(to_document(info.plan), unit_of(unit))


@on_change(
    Output("replay-wish", "data"),
    Output("replay-poll", "disabled", allow_duplicate=True),
    Output(FIELDS, "error"),
    *inputs("replay-rerun.n_clicks", "replay-own.n_clicks"),
    State({"type": "replay-on", "rule": ALL}, "checked"),
    State(FIELDS, "value"),
    *states("replay-firing.data", "unit.data"),
)
async def rerun(_: Any, __: Any, ons: list[Any], values: list[Any], firing: Any, unit: Any) -> Any:
    """Re-run the alarms with the form's settings, or the firing's own."""
    switches, fields = ([part["id"] for part in group] for group in ctx.states_list[:2])
    if ctx.triggered_id == "replay-own":
        return {}, False, [""] * len(fields)
    plan = (await here().gathering.firing(id_of(firing))).plan
    alarms = with_fields(to_document(plan), [*fields, *switches], [*values, *ons])["alarm"]
    wished = {}
    for rule, settings in alarms.items():
        own = plan.alarms.get(rule, {})
        if changed := {k: v for k, v in settings.items() if v != own.get(k)}:
            wished[rule] = changed
    wrong = errors_of({"alarm": wished}, unit_of(unit))
    return {} if wrong else wished, bool(wrong), [wrong.get(f["path"], "") for f in fields]


@callback(
    Output("replay-differences", "children"),
    Input("replay-judged", "data"),
    *states("replay-firing.data", "replay-rerun.n_clicks"),
)
async def compare_alarms(judged: Any, firing: Any, asked: int | None) -> Any:
    """Say which alarms the changed settings would have added, removed or moved."""
    if not isinstance(judged, dict) or not asked:
        return []
    works = [await judgement(firing, alarms) for alarms in (None, judged)]
    own, other = [named((await work.wait()).answer()["alarms"]) for work in works]
    return moment.changed(moment.differences(own, other))
