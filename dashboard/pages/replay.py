"""A stored firing burns again: its readings at any speed, and what was to be said of them at each moment."""

from __future__ import annotations

import asyncio
import base64
import contextlib
import math
from typing import Any, Final

import dash_mantine_components as dmc
import numpy as np
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

from dashboard import tables
from dashboard.context import here
from dashboard.figures.heat_map import heat_figure
from dashboard.figures.look import Theme, Unit
from dashboard.figures.model import Mark
from dashboard.figures.stack import side_columns, stack_figure
from dashboard.figures.traces import traces_figure
from dashboard.gathering import gathering
from dashboard.live.watch import band
from dashboard.parts import moment
from dashboard.parts.progress import working
from dashboard.parts.single import chosen, let_single_out
from dashboard.parts.templates import follow_theme, templates
from dashboard.parts.words import FAULTS, STEADY_C_MIN, event_words
from logger.errors import StokewatchError, UserError
from logger.journal.reader import FiringInfo, JournalReader
from logger.journal.rollup import LEVELS_S
from logger.plan import Plan
from logger.plan.alarm_rules import RULES
from logger.reading import Event, Status
from logger.replay.moments import with_alarms
from logger.report.gather import alarms_called, distrusted, judged_plan, named, zone_levels
from logger.report.levels import lighting

MAX_POINTS: Final = 1000
"""Points a trace that is drawn; the values beside it are of every second."""
STEPS: Final = 300
"""Steps of time of the stack through time."""
MAX_STEPS: Final = 86_400
NONE: Final = -32768
"""No reading in a grid: this plus the status."""
LEAST_HOLD_S: Final = 5.0
"""As beside the fire: a probe that says nothing for so long is silent. [s]"""
RATE_S: Final = 60.0
LEAST_RATE_S: Final = 15.0
SPEEDS: Final = (1, 10, 30, 60, 120)
_JUDGED: Final = ("raised", "cleared")
ALL_SIDES: Final = "all sides"


class SettingRefused(UserError):
    """An alarm's setting that is none: names the field."""

    def __init__(self, rule: str, name: str, text: str) -> None:
        super().__init__(text)
        self.field = f"{rule}.{name}" if name else rule


def layout(firing: str = "", at: str = "", **_query: str) -> Any:
    """Give the page of one stored firing.

    Parameters
    ----------
    firing : str
        Its ID.
    at : str
        Seconds since its first reading.

    Returns
    -------
    component
    """
    return html.Div(
        id="replay",
        children=[
            templates("replay"),
            dcc.Store(id="replay-firing", data={"firing": firing}),
            dcc.Store(id="replay-told"),
            dcc.Store(id="replay-marks"),
            *chosen("replay"),
            dcc.Store(id="replay-wish", data={"alarms": {}}),
            dcc.Store(id="replay-judged"),
            html.Div(
                [
                    html.H1("Replay", id="replay-title"),
                    html.P("", id="replay-about"),
                    html.Div(id="replay-doors", className="page-doors"),
                ],
                className="page-top",
            ),
            working("replay"),
            html.Div(
                id="replay-body", hidden=True, children=[*_look(_seconds(at)), *_judged(), *_settings()]
            ),
        ],
    )


def _seconds(text: Any) -> float:
    try:
        seconds = float(text)
    except (TypeError, ValueError):
        return 0.0
    return max(0.0, seconds) if math.isfinite(seconds) else 0.0


def _graph(name: str, label: str) -> Any:
    return html.Div(
        dcc.Graph(
            id=name,
            config={"displaylogo": False, "displayModeBar": False, "responsive": True},
            responsive=True,
            style={"height": "100%"},
        ),
        className="graph",
        role="img",
        **{"aria-label": label},
    )


def _look(at_s: float) -> list[Any]:
    """What is seen: probes and traces, below them the stack and the stack through time on one height axis."""
    return [
        html.Div(
            className="replay-look",
            children=[
                html.Ol(id="replay-values"),
                _graph("replay-traces", "Traces of all probes"),
                _graph("replay-stack", "The stack at this moment"),
                _graph("replay-heat", "The stack through time, on the same height axis"),
            ],
        ),
        dmc.Slider(
            id="replay-scrub",
            min=0,
            max=max(1.0, at_s),
            value=at_s,
            step=1,
            updatemode="drag",
            thumbSize=44,
            thumbLabel="Time in the firing",
            label=None,
            size="lg",
        ),
        html.Div(
            className="replay-tools",
            children=[
                html.Button("▶ Play", id="replay-play", type="button"),
                html.P("", id="replay-clock"),
                html.Button("◂ Note or alarm before", id="replay-back", type="button"),
                html.Button("Next note or alarm ▸", id="replay-on", type="button"),
                dmc.SegmentedControl(
                    id="replay-speed", data=[{"value": str(n), "label": f"{n}×"} for n in SPEEDS], value="10"
                ),
            ],
        ),
        html.P("", id="replay-jumped", role="status"),
        html.Div(
            [
                dmc.Select(
                    id="replay-side",
                    label="Stack through time",
                    data=[ALL_SIDES],
                    value=ALL_SIDES,
                    allowDeselect=False,
                    size="lg",
                ),
                dmc.Switch(
                    id="replay-bands", label="Estimate of the pots", checked=True, persistence=True, size="lg"
                ),
            ],
            className="replay-views",
        ),
    ]


def _judged() -> list[Any]:
    return [
        html.Div(
            className="replay-verdicts",
            children=[
                html.Div(
                    [
                        html.H2("At this moment"),
                        html.P("", id="replay-line", **{"data-column": "line"}),
                        html.Div(id="replay-standing"),
                        html.Div(
                            id="replay-zones",
                            className="scroll",
                            tabIndex=0,
                            role="region",
                            **{"aria-label": "Zones at this moment"},
                        ),
                    ]
                ),
                html.Div(
                    [
                        html.H2("Notes and alarms"),
                        html.Ol(
                            id="replay-happened",
                            tabIndex=0,
                            className="scroll",
                            **{"aria-label": "Notes and alarms"},
                        ),
                    ]
                ),
            ],
        )
    ]


def _settings() -> list[Any]:
    return [
        html.Details(
            [
                html.Summary("Alarm settings: change them and run the alarms again"),
                html.Div(id="replay-settings"),
                html.Div(
                    [
                        dmc.Button("Re-run the alarms", id="replay-rerun", size="lg"),
                        dmc.Button("Back to its own settings", id="replay-own", size="lg", variant="default"),
                    ],
                    className="page-doors",
                ),
            ],
            className="replay-rules",
        ),
        html.Div(id="replay-differences", role="status"),
    ]


# --- what is worked out -------------------------------------------------------------------------------------


@callback(
    Output("replay-progress", "value"),
    Output("replay-said", "children"),
    Output("replay-working", "hidden"),
    Output("replay-poll", "disabled"),
    Output("replay-judged", "data"),
    Input("replay-poll", "n_intervals"),
    State("replay-firing", "data"),
    State("replay-wish", "data"),
)
async def work_out(_: int | None, which: dict[str, Any], wish: dict[str, Any]) -> Any:
    """Judge the firing, or say how far that has come."""
    try:
        info, plan = await _firing_and_plan(which, wish)
        work = await gathering(here().journal_path).judgement(info, plan)
        if not work.done:
            await asyncio.wait([work.task], timeout=0.3)
        if not work.done:
            said = f"Working out what was to be said at each moment: {work.share:.0%}"
            return f"{work.share:.2f}", said, False, False, no_update
        work.answer()
    except StokewatchError as exc:
        return "0", f"It could not be judged: {exc}", True, True, no_update
    return "1", "", True, True, {"alarms": wish.get("alarms") or {}}


@callback(
    Output("replay-poll", "disabled", allow_duplicate=True),
    Output("replay-working", "hidden", allow_duplicate=True),
    Output("replay-said", "children", allow_duplicate=True),
    Input("replay-stop", "n_clicks"),
    State("replay-firing", "data"),
    State("replay-wish", "data"),
    prevent_initial_call=True,
)
async def stop(_: int, which: dict[str, Any], wish: dict[str, Any]) -> Any:
    """Stop judging."""
    info, plan = await _firing_and_plan(which, wish)
    gathered = gathering(here().journal_path)
    work = await gathered.judgement(info, plan)
    if not work.done:
        gathered.stop(work)
    return True, True, "Stopped. What is shown was not judged; re-run the alarms to judge it."


async def _firing_and_plan(which: Any, wish: Any) -> tuple[FiringInfo, Plan | None]:
    info = await gathering(here().journal_path).firing(_id(which))
    alarms = wish.get("alarms") if isinstance(wish, dict) else None
    return info, judged_by(info.plan, alarms) if alarms else None


def _id(which: Any) -> str:
    firing = which.get("firing") if isinstance(which, dict) else None
    return firing if isinstance(firing, str) else ""


def judged_by(plan: Plan, alarms: Any) -> Plan:
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
    if not isinstance(alarms, dict):
        raise SettingRefused("", "", "alarm settings: give them by alarm")
    for name, settings in alarms.items():
        rule = RULES.get(name)
        if rule is None or not isinstance(settings, dict):
            raise SettingRefused(str(name), "", f"{name}: there is no such alarm")
        ranges = {s.name: s for s in rule.settings}
        for key, value in settings.items():
            if key == "enabled":
                if not isinstance(value, bool):
                    raise SettingRefused(name, key, f"{rule.title}: on or off, not {value!r}")
            elif key not in ranges:
                raise SettingRefused(name, key, f"{rule.title}: has no setting {key!r}")
            else:
                s = ranges[key]
                number = isinstance(value, int | float) and not isinstance(value, bool)
                if not number or not s.minimum <= value <= s.maximum:
                    given = f"{value:g} is out of range; " if number else ""
                    raise SettingRefused(
                        name, key, f"{given}give {s.minimum:g} to {s.maximum:g} {s.unit}".strip()
                    )
    return with_alarms(plan, alarms)


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
        "which": Input("replay-firing", "data"),
        "judged": Input("replay-judged", "data"),
        "unit": Input("unit", "data"),
        "bands": Input("replay-bands", "checked"),
        "side": Input("replay-side", "value"),
    },
    state={"theme": State("theme", "data")},
)
async def show(which: Any, judged: Any, unit: Any, theme: Any, bands: Any, side: Any) -> dict[str, Any]:
    """Show the firing; its verdicts as soon as they are worked out."""
    nothing = {
        "title": "Replay",
        "doors": dcc.Link("To the firings", href="/firings"),
        "hidden": True,
        **{k: [] for k in ("values", "happened", "zones", "standing")},
        **{k: {} for k in ("traces", "heat", "stack")},
        "told": None,
        "marks": [],
        "sides": [ALL_SIDES],
        "end": 1,
    }
    if not _id(which):
        return {**nothing, "about": "No firing was chosen."}
    gathered = gathering(here().journal_path)
    try:
        info = await gathered.firing(_id(which))
        answer = None
        if isinstance(judged, dict):
            alarms = judged.get("alarms")
            work = await gathered.judgement(info, judged_by(info.plan, alarms) if alarms else None)
            await asyncio.wait([work.task])
            answer = work.answer()
    except UserError as exc:
        return {**nothing, "about": f"{exc}"}
    looks = (
        "F" if unit == "F" else "C",
        "night" if theme == "night" else "day",
        bands is not False,
        side if isinstance(side, str) else ALL_SIDES,
    )
    return await asyncio.to_thread(_shown, info, answer, *looks)


def _shown(
    info: FiringInfo, judged: dict[str, Any] | None, unit: Unit, theme: Theme, bands: bool, side: str
) -> dict[str, Any]:
    with contextlib.closing(JournalReader(here().journal_path)) as reader:
        events = reader.events(info.id)
        lines = tables.lines(reader, info, MAX_POINTS)
        estimates = tables.bands(reader, info)
        doubtful = {} if judged is None else distrusted(judged)
        steps_s, steps = tables.on_steps(reader, info, STEPS, doubtful)
        told = replayed(reader, info, unit)
        lit = lighting(zone_levels(reader, info, doubtful))
    plan = judged_plan(info)
    places = [line.place for line in lines]
    marks = marks_of(info, events, judged, unit)
    length_s = told["length_s"]
    limits = {"target_c": plan.target_c, "burnout_c": plan.burnout_c}
    zero_s = lit.t_s if lit.found else 0.0
    common = {**limits, "zero_s": zero_s, "lit": lit.found, "unit": unit, "theme": theme}
    stages = _stages_told(info, events) if judged is None else judged["stages"]
    traces = traces_figure(
        lines,
        length_s=length_s,
        marks=[mark for mark, _ in marks],
        stages=tables.stages(stages),
        bands=estimates if bands else [],
        cursor_s=0.0,
        forecast=True,
        **common,
    )
    read = steps.to_numpy()
    sides = sorted({place.side for place in places if place.side})
    chosen = None if side not in sides else (side,)
    heat = heat_figure(
        places, steps_s, read, marks=[mark for mark, _ in marks], sides=chosen, cursor_s=0.0, **common
    )
    firing = {**limits, "soak_min": plan.soak_min}
    told |= {
        "unit": unit,
        "zero_s": zero_s,
        "heat": {"t_s": steps_s - steps_s[:1], "z": _whole_degrees(side_columns(places, read))},
        "moments": None,
        "forecasts": [],
    }
    if judged is not None:
        told["moments"] = moment.moments(judged, firing, told["estimates"], unit)
        told["forecasts"] = moment.forecasts(judged, zero_s, length_s, unit)
    del told["estimates"]
    when = "" if not told["time_known"] else f"{tables.local_time(info.started_us)}, "
    return {
        "title": f"Replay: {info.title or plan.title or 'Firing'}",
        "about": [
            f"{when}{moment.about(length_s, running=info.running)}",
            html.B(" Invented: nothing in it was measured.") if info.invented else "",
        ],
        "doors": [
            dcc.Link("Report", href=f"/report/{info.id}"),
            dcc.Link("Compare", href=f"/compare?firings={info.id}"),
            dcc.Link("All firings", href="/firings"),
        ],
        "hidden": False,
        "told": told,
        "marks": [[mark.t_s, mark.text] for mark, _ in marks],
        "values": moment.probe_rows(places),
        "happened": moment.happened(marks),
        "zones": [] if judged is None else moment.zone_table(judged, firing, unit),
        "standing": moment.standing([mark for mark, _ in marks]),
        "traces": traces,
        "heat": heat,
        "stack": stack_figure(places, np.full(len(places), np.nan), theme=theme),
        "sides": [ALL_SIDES, *(sides if len(sides) > 1 else [])],
        "end": max(1, math.ceil(length_s)),
    }


def _stages_told(info: FiringInfo, events: list[Event]) -> list[dict[str, Any]]:
    return [
        {"stage": e.data["stage"], "from_s": (e.t_us - info.started_us) / 1e6}
        for e in events
        if e.kind == "stage"
    ]


def _whole_degrees(values: Any) -> Any:
    return [[[None if c != c else round(c) for c in part] for part in step] for step in values.tolist()]


def marks_of(
    info: FiringInfo, events: list[Event], judged: dict[str, Any] | None, unit: Unit
) -> list[tuple[Mark, str]]:
    """Give what happened in a firing, in order of time, and who wrote it down.

    Parameters
    ----------
    info : FiringInfo
    events : list of Event
    judged : dict or None
        Alarms as they were worked out; None: as they were called beside the fire.
    unit : {'C', 'F'}

    Returns
    -------
    list of (Mark, str)
    """
    found: list[tuple[Mark, str]] = []
    for event in events:
        t_s = (event.t_us - info.started_us) / 1e6
        told = {"kind": event.kind, "data": event.data}
        if event.kind in ("note", "spot"):
            wood = event.data.get("kind") == "wood"
            kind: Any = "spot" if event.kind == "spot" else "wood" if wood else "note"
            place = tables.place_of(event.data)
            found.append((Mark(t_s, kind, event_words(told, unit), **place), event.who))
        elif event.kind == "alarm" and event.who and event.data.get("transition") not in _JUDGED:
            found.append((Mark(t_s, "act", event_words(told, unit)), event.who))
    alarms = named(judged["alarms"]) if judged is not None else alarms_called(info, events) or []
    for alarm in alarms:
        place = alarm["zone"] or alarm["probe"]
        name = f"{alarm['title']}: {place}" if place else alarm["title"]
        words = alarm["message"] if alarm["message"].startswith(name) else f"{name}. {alarm['message']}"
        kind = "alarm" if alarm["warning"] else "good"
        found.append((Mark(alarm["raised_s"], kind, words, alarm["cleared_s"], str(alarm["zone"] or "")), ""))
    return sorted(found, key=lambda pair: pair[0].t_s)


def replayed(reader: JournalReader, firing: FiringInfo, unit: Unit = "C") -> dict[str, Any]:
    """Gather what a script needs to go through a firing.

    Parameters
    ----------
    reader : JournalReader
    firing : FiringInfo
    unit : {'C', 'F'}

    Returns
    -------
    dict
        `shown`, what each probe showed second by second (in longer steps beyond a day) in whole degrees, or
        `none` plus its status; `rates`, how fast it changed, in tenths of a degree a minute, or `none`:
        base64 of int16. `step_s`, `from_s`, `steps`; `faults` (words, by status); `estimates` (what
        the pots were estimated to be at beside the fire, °C; none of an import); `started_s`, `length_s`,
        `time_known`. Times in seconds from the first reading.
    """
    last_us = firing.last_us or firing.started_us
    length_s = (last_us - firing.started_us) / 1e6
    level_s = next((level for level in LEVELS_S if length_s <= level * MAX_STEPS), LEVELS_S[-1])
    step_s = max(level_s, math.ceil(length_s / MAX_STEPS / level_s) * level_s)
    level_us = step_s * 1_000_000
    begin = firing.started_us // level_us
    steps = last_us // level_us - begin + 1
    rollups = reader.rollups(firing.id, level_s)
    scale, zero = (1.8, 32.0) if unit == "F" else (1.0, 0.0)
    grids = []
    for column in reader.columns(firing.id):
        c, status, every_s = np.full(steps, np.nan), np.full(steps, int(Status.ABSENT)), float(step_s)
        if (found := rollups.get((column.rig, column.channel))) is not None:
            at = found[0] // level_us - begin
            inside = (at >= 0) & (at < steps)
            at, buckets = at[inside], found[1][inside]
            c[at], status[at] = buckets["last"].astype(np.float64), buckets["status"]
            every_s = float(np.median(np.diff(at))) * step_s if len(at) > 1 else every_s
        held = _held(status != int(Status.ABSENT), max(LEAST_HOLD_S, 2.5 * every_s) / step_s)
        value, state = (
            np.where(held < 0, np.nan, c[held]),
            np.where(held < 0, int(Status.ABSENT), status[held]),
        )
        known = np.isfinite(value)
        shown = np.where(known, np.rint(np.where(known, value, 0.0) * scale + zero), NONE + state)
        rate = rates(c, step_s) * scale * 10
        moving = np.where(np.isfinite(rate), np.clip(np.rint(np.nan_to_num(rate)), -9999, 9999), NONE)
        grids.append([base64.b64encode(g.astype("<i2").tobytes()).decode() for g in (shown, moving)])
    return {
        "id": firing.id,
        "started_s": firing.started_us / 1e6,
        "time_known": firing.facts.get("time_known", True) is not False,
        "length_s": length_s,
        "step_s": step_s,
        "from_s": (begin * level_us - firing.started_us) / 1e6,
        "steps": steps,
        "none": NONE,
        "steady": STEADY_C_MIN * scale * 10,
        "faults": [FAULTS[status] for status in sorted(Status)],
        "shown": [grid[0] for grid in grids],
        "rates": [grid[1] for grid in grids],
        "estimates": {
            zone: band(line, firing.started_us) for zone, line in reader.estimates(firing.id).items()
        },
    }


def _held(there: Any, longest: float) -> Any:
    """For each step, the newest in which something was sent; -1 where that is too long ago."""
    at = np.arange(len(there))
    newest = np.maximum.accumulate(np.where(there, at, -1))
    return np.where(at - newest <= longest, newest, -1)


def rates(c: Any, step_s: float) -> Any:
    """Give how fast readings change: the slope of the straight line of least squares through the last minute.

    Parameters
    ----------
    c : array, shape (n,)
        By even steps; NaN where nothing was read. [°C]
    step_s : float
        [s]

    Returns
    -------
    array, shape (n,)
        NaN where the last minute's readings span less than 15 s or are fewer than three. [°C/min]
    """
    n = len(c)
    wide = round(RATE_S / step_s)
    ok = np.isfinite(c)
    t = np.arange(n) * step_s
    value = np.where(ok, c, 0.0)

    def over(values: Any) -> Any:
        total = np.concatenate(([0.0], np.cumsum(np.where(ok, values, 0.0))))
        return total[1:] - total[np.maximum(np.arange(n) - wide, 0)]

    count, st, sc, stt, stc = (over(v) for v in (np.ones(n), t, value, t * t, t * value))
    first = np.array([0.0] * n)
    places = np.flatnonzero(ok)
    if len(places):
        after = np.searchsorted(places, np.maximum(np.arange(n) - wide, 0))
        first = t[places[np.minimum(after, len(places) - 1)]]
        newest = t[places[np.maximum(np.searchsorted(places, np.arange(n), side="right") - 1, 0)]]
        spans = newest - first
    else:
        spans = first
    with np.errstate(invalid="ignore", divide="ignore"):
        slope = (count * stc - st * sc) / (count * stt - st * st) * 60.0
    return np.where((count >= 3) & (spans >= LEAST_RATE_S), slope, np.nan)


# --- other settings -----------------------------------------------------------------------------------------


@callback(
    Output("replay-settings", "children"), Input("replay-firing", "data"), Input("replay-own", "n_clicks")
)
async def settings(which: Any, _: int | None) -> Any:
    """Make the form of all alarms' settings, filled in with the firing's own."""
    if not _id(which):
        raise PreventUpdate
    try:
        info = await gathering(here().journal_path).firing(_id(which))
    except UserError:
        raise PreventUpdate from None  # said at the head of the page
    return [_rule(rule, info.plan.alarms[rule.name]) for rule in RULES.values()]


def _rule(rule: Any, own: dict[str, Any]) -> Any:
    return html.Fieldset(
        [
            html.Legend(rule.title),
            dmc.Switch(
                id={"type": "replay-on", "rule": rule.name},
                label="On",
                checked=bool(own["enabled"]),
                size="lg",
            ),
            *(
                dmc.NumberInput(
                    id={"type": "replay-set", "rule": rule.name, "name": s.name},
                    label=s.doc,
                    description=f"{s.minimum:g} to {s.maximum:g} {s.unit}, usually {s.default:g}",
                    value=own[s.name],
                    suffix=f" {s.unit}" if s.unit else "",
                    clampBehavior="none",
                    hideControls=True,
                    size="lg",
                )
                for s in rule.settings
            ),
        ]
    )


@callback(
    Output("replay-wish", "data"),
    Output("replay-poll", "disabled", allow_duplicate=True),
    Output({"type": "replay-set", "rule": ALL, "name": ALL}, "error"),
    Input("replay-rerun", "n_clicks"),
    State({"type": "replay-on", "rule": ALL}, "checked"),
    State({"type": "replay-set", "rule": ALL, "name": ALL}, "value"),
    State("replay-firing", "data"),
    prevent_initial_call=True,
)
async def rerun(_: int | None, ons: list[Any], values: list[Any], which: Any) -> Any:
    """Run the alarms again, by the settings of the form."""
    info = await gathering(here().journal_path).firing(_id(which))
    switches, inputs = ([part["id"] for part in group] for group in ctx.states_list[:2])
    wished: dict[str, dict[str, Any]] = {}
    wrong: dict[tuple[str, str], str] = {}
    given = [(name["rule"], "enabled", on) for name, on in zip(switches, ons, strict=True)]
    given += [(name["rule"], name["name"], value) for name, value in zip(inputs, values, strict=True)]
    for rule, name, value in given:
        own = info.plan.alarms.get(rule, {}).get(name)
        try:
            judged_by(info.plan, {rule: {name: value}})
        except SettingRefused as exc:
            wrong[rule, name] = str(exc)
        else:
            if value != own:
                wished.setdefault(rule, {})[name] = value
    errors = [wrong.get((name["rule"], name["name"]), "") for name in inputs]
    if wrong:
        return {"alarms": {}}, True, errors
    return {"alarms": wished}, False, errors


@callback(
    Output("replay-wish", "data", allow_duplicate=True),
    Output("replay-poll", "disabled", allow_duplicate=True),
    Input("replay-own", "n_clicks"),
    prevent_initial_call=True,
)
def own_settings(_: int | None) -> Any:
    """Go back to the firing's own settings."""
    return {"alarms": {}}, False


@callback(
    Output("replay-differences", "children"),
    Input("replay-judged", "data"),
    State("replay-firing", "data"),
    State("replay-rerun", "n_clicks"),
)
async def compare_alarms(judged: Any, which: Any, asked: int | None) -> Any:
    """Say which alarms would have come, gone or moved by the changed settings."""
    if not isinstance(judged, dict) or not asked:
        return []
    alarms = judged.get("alarms")
    gathered = gathering(here().journal_path)
    info = await gathered.firing(_id(which))
    works = [await gathered.judgement(info)]
    works.append(await gathered.judgement(info, judged_by(info.plan, alarms)) if alarms else works[0])
    await asyncio.wait([work.task for work in works])
    own, other = (work.answer()["alarms"] for work in works)
    titles = {rule.name: rule.title for rule in RULES.values()}
    return moment.changed(moment.differences(own, other), titles)


def _client(name: str, *args: Any, **kwargs: Any) -> None:
    clientside_callback(ClientsideFunction("stokewatch", name), *args, **kwargs)


_client(
    "replay_show",
    Output("replay-clock", "children"),
    Input("replay-scrub", "value"),
    Input("replay-told", "data"),
    Input("replay-values", "children"),
    Input("replay-zones", "children"),
    Input("replay-happened", "children"),
    Input("replay-standing", "children"),
    Input("replay-traces", "figure"),
    Input("replay-heat", "figure"),
    Input("replay-stack", "figure"),
)
_client(
    "replay_act",
    Output("replay-traces", "clickData"),
    Output("replay-heat", "clickData"),
    Input("replay-play", "n_clicks"),
    Input("replay-speed", "value"),
    Input("replay-traces", "clickData"),
    Input("replay-heat", "clickData"),
    prevent_initial_call=True,
)

let_single_out("replay", "replay-traces")


@callback(
    Output("replay-scrub", "value", allow_duplicate=True),
    Output("replay-jumped", "children"),
    Input("replay-back", "n_clicks"),
    Input("replay-on", "n_clicks"),
    State("replay-scrub", "value"),
    State("replay-scrub", "max"),
    State("replay-marks", "data"),
    State("replay-play", "children"),
    State("replay-speed", "value"),
    prevent_initial_call=True,
)
def jump(back: Any, on: Any, now: Any, end: Any, marks: Any, play: Any, speed: Any) -> tuple[float, str]:
    """Go to the note or alarm before or after this moment, and say which it is."""
    at_s, found = _seconds(now), marks if isinstance(marks, list) else []
    if ctx.triggered_id == "replay-on":
        following = [mark for mark in found if mark[0] > at_s + 0.5]
        if following:
            return following[0][0], following[0][1]
        return _seconds(end), "The end; no note or alarm comes any more."
    # While it plays, the mark just passed is not the one that is meant.
    near_s = 0.3 * _seconds(speed) if "Pause" in str(play) else 0.5
    before = [mark for mark in found if mark[0] < at_s - near_s]
    return (before[-1][0], before[-1][1]) if before else (0.0, "The beginning; no note or alarm before.")


follow_theme("replay")
