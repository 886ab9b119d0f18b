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
    set_props,
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
from dashboard.parts.words import FAULTS, event_words
from logger.errors import StokewatchError, UserError
from logger.journal.reader import EventRow, FiringInfo, JournalReader
from logger.judgement.settings import RULES
from logger.levels import lighting
from logger.plan import Plan
from logger.reading import Status
from logger.replaying import with_alarms
from logger.report.gather import alarms_called, distrusted, judged_plan, named, zone_levels

MAX_POINTS: Final = 1000
"""Points a trace that is drawn; the values beside it are of every second."""
STEPS: Final = 300
"""Steps of time of the stack through time."""
DAY_S: Final = 86_400
NONE: Final = -32768
"""No reading in a grid: this plus the status."""
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
            dcc.Store(id="replay-firing", data={"firing": firing, "at": _seconds(at)}),
            dcc.Store(id="replay-told"),
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
            html.Div(id="replay-body", hidden=True, children=[*_look(), *_judged(), *_settings()]),
        ],
    )


def _seconds(text: str) -> float:
    try:
        seconds = float(text)
    except ValueError:
        return 0.0
    return seconds if math.isfinite(seconds) else 0.0


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


def _look() -> list[Any]:
    """What is seen: the stack, the probes, the traces, and what moves the moment."""
    return [
        html.Div(
            className="replay-look",
            children=[
                html.Div(_graph("replay-stack", "The stack at this moment"), className="replay-stack"),
                html.Ol(id="replay-values"),
                html.Div(
                    className="replay-right",
                    children=[
                        html.Div(
                            [
                                dmc.SegmentedControl(
                                    id="replay-view", data=["Traces", "Stack through time"], value="Traces"
                                ),
                                dmc.Select(
                                    id="replay-side",
                                    data=[ALL_SIDES],
                                    value=ALL_SIDES,
                                    allowDeselect=False,
                                    attributes={"input": {"aria-label": "Side of the stack"}},
                                    size="lg",
                                ),
                                dmc.Switch(
                                    id="replay-bands",
                                    label="Estimate of the pots",
                                    checked=True,
                                    persistence=True,
                                    size="lg",
                                ),
                            ],
                            className="replay-views",
                        ),
                        html.Div(_graph("replay-traces", "Traces of all probes"), id="replay-traces-box"),
                        html.Div(
                            _graph("replay-heat", "The stack through time"), id="replay-heat-box", hidden=True
                        ),
                    ],
                ),
            ],
        ),
        dmc.Slider(
            id="replay-scrub",
            min=0,
            max=1,
            value=0,
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
    ]


def _judged() -> list[Any]:
    return [
        html.Div(
            className="replay-verdicts",
            children=[
                html.Div(
                    [
                        html.H2("At this moment"),
                        html.P("", id="replay-line"),
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
            return f"{work.share:.2f}", said, False, False
        work.answer()
    except StokewatchError as exc:
        return "0", f"It could not be judged: {exc}", True, True
    # Not as an output: what depends on it would wait for this each time, and the traces with it.
    set_props("replay-judged", {"data": {"alarms": wish.get("alarms") or {}}})
    return "1", "", True, True


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
        "values": Output("replay-values", "children"),
        "happened": Output("replay-happened", "children"),
        "zones": Output("replay-zones", "children"),
        "traces": Output("replay-traces", "figure"),
        "heat": Output("replay-heat", "figure"),
        "stack": Output("replay-stack", "figure"),
        "sides": Output("replay-side", "data"),
        "end": Output("replay-scrub", "max"),
    },
    inputs={
        "which": Input("replay-firing", "data"),
        "judged": Input("replay-judged", "data"),
        "unit": Input("unit", "data"),
        "theme": Input("theme", "data"),
        "bands": Input("replay-bands", "checked"),
        "side": Input("replay-side", "value"),
    },
)
async def show(which: Any, judged: Any, unit: Any, theme: Any, bands: Any, side: Any) -> dict[str, Any]:
    """Show the firing; its verdicts as soon as they are worked out."""
    nothing = {
        "title": "Replay",
        "doors": dcc.Link("To the firings", href="/firings"),
        "hidden": True,
        **{k: [] for k in ("values", "happened", "zones")},
        **{k: {} for k in ("traces", "heat", "stack")},
        "told": None,
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
        told = replayed(reader, info)
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
    moments = None if judged is None else moment.moments(judged, firing, unit)
    told |= {
        "zero_s": zero_s,
        "unit": unit,
        "marks": [{"t": m.t_s, "long": m.text} for m, _ in marks],
        "alarms": [
            {"t": m.t_s, "until": m.until_s, "text": m.text, "good": m.kind == "good"}
            for m, _ in marks
            if m.kind in ("alarm", "good")
        ],
        "heat": {"t_s": steps_s, "z": _whole_degrees(side_columns(places, read))},
        "moments": moments,
    }
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
        "values": moment.probe_rows(places),
        "happened": moment.happened(marks),
        "zones": [] if moments is None else moment.zone_table(moments["zones"], firing, unit),
        "traces": traces,
        "heat": heat,
        "stack": stack_figure(places, np.full(len(places), np.nan), theme=theme),
        "sides": [ALL_SIDES, *(sides if len(sides) > 1 else [])],
        "end": max(1, math.ceil(length_s)),
    }


def _stages_told(info: FiringInfo, events: list[EventRow]) -> list[dict[str, Any]]:
    return [
        {"stage": e.data["stage"], "from_s": (e.t_us - info.started_us) / 1e6}
        for e in events
        if e.kind == "stage"
    ]


def _whole_degrees(values: Any) -> Any:
    return [[[None if c != c else round(c) for c in part] for part in step] for step in values.tolist()]


def marks_of(
    info: FiringInfo, events: list[EventRow], judged: dict[str, Any] | None, unit: Unit
) -> list[tuple[Mark, str]]:
    """Give what happened in a firing, in order of time, and who wrote it down.

    Parameters
    ----------
    info : FiringInfo
    events : list of EventRow
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


def replayed(reader: JournalReader, firing: FiringInfo) -> dict[str, Any]:
    """Gather what a script needs to go through a firing.

    Parameters
    ----------
    reader : JournalReader
    firing : FiringInfo

    Returns
    -------
    dict
        `grid` (what each probe read, second by second), `faults` (words, by status), `estimates` (what the
        pots were estimated to be at beside the fire; none of an import), `started_s`, `length_s`,
        `time_known`. Times in seconds from the first reading, temperatures in °C.
    """
    last_us = firing.last_us or firing.started_us
    columns = reader.columns(firing.id)
    return {
        "id": firing.id,
        "started_s": firing.started_us / 1e6,
        "time_known": firing.facts.get("time_known", True) is not False,
        "length_s": (last_us - firing.started_us) / 1e6,
        "faults": [FAULTS[status] for status in sorted(Status)],
        "grid": _grid(reader, firing, [(c.rig, c.channel) for c in columns]),
        "estimates": {
            zone: band(line, firing.started_us) for zone, line in reader.estimates(firing.id).items()
        },
    }


def _grid(reader: JournalReader, firing: FiringInfo, keys: list[tuple[str, str]]) -> dict[str, Any]:
    """The newest reading of each second (10 s where it is longer than a day), as base64 of int16, 0.1 °C."""
    last_us = firing.last_us or firing.started_us
    level_s = 1 if last_us - firing.started_us <= DAY_S * 1_000_000 else 10
    level_us = level_s * 1_000_000
    begin = firing.started_us // level_us
    n = last_us // level_us - begin + 1
    rollups = reader.rollups(firing.id, level_s)
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
            if len(at) > 1:
                every_s = float(np.median(np.diff(at))) * level_s
        columns.append({"every_s": every_s, "cells": base64.b64encode(cells.tobytes()).decode()})
    return {
        "step_s": level_s,
        "from_s": (begin * level_us - firing.started_us) / 1e6,
        "n": n,
        "none": NONE,
        "columns": columns,
    }


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
    Input("replay-traces", "figure"),
    Input("replay-heat", "figure"),
    Input("replay-stack", "figure"),
)
_client(
    "replay_begin",
    Output("replay-scrub", "value"),
    Input("replay-scrub", "max"),
    State("replay-firing", "data"),
    State("replay-scrub", "value"),
)
_client(
    "replay_play", Output("replay-play", "title"), Input("replay-play", "n_clicks"), prevent_initial_call=True
)
_client(
    "replay_back", Output("replay-back", "title"), Input("replay-back", "n_clicks"), prevent_initial_call=True
)
_client("replay_on", Output("replay-on", "title"), Input("replay-on", "n_clicks"), prevent_initial_call=True)
_client("replay_speed", Output("replay-speed", "style"), Input("replay-speed", "value"))
_client(
    "replay_view",
    Output("replay-traces-box", "hidden"),
    Output("replay-heat-box", "hidden"),
    Input("replay-view", "value"),
)
_client(
    "replay_tap",
    Output("replay-traces", "clickData"),
    Output("replay-heat", "clickData"),
    Input("replay-traces", "clickData"),
    Input("replay-heat", "clickData"),
    prevent_initial_call=True,
)
