"""What the Replay page shows of a stored firing: its figures, and every second of its readings."""

import base64
import contextlib
import math
from typing import Any, Final

import numpy as np
from dash import Patch, dcc, html

from dashboard import tables
from dashboard.context import here
from dashboard.figures.heat_map import heat_figure
from dashboard.figures.look import Theme, Unit
from dashboard.figures.model import Course, Mark, Stage
from dashboard.figures.names import Glass
from dashboard.figures.stack import heat_of, stack_figure
from dashboard.figures.traces import NO_FORECAST, traces_figure
from dashboard.parts import moment
from dashboard.words import FAULTS, STEADY_C_MIN, alarm_name
from logger.journal.reader import FiringInfo, JournalReader
from logger.journal.rollup import LEVELS_S
from logger.plan import Plan
from logger.reading import Event, Status
from logger.report.gather import alarms_called, distrusted, named, zone_levels
from logger.report.levels import lighting
from logger.words import said
from logger.words.events import event_words, headed

MAX_POINTS: Final = 1000
"""Points drawn of each trace; the values next to it are given for every second."""
STEPS: Final = 300
"""Time steps of the stack through time."""
MAX_STEPS: Final = 86_400
NONE: Final = -32768
"""Stands for no reading in a grid, with the status added."""
LEAST_HOLD_S: Final = 5.0
"""A reading is shown for at least this long, then the probe is silent [s]."""
RATE_S: Final = 60.0
LEAST_RATE_S: Final = 15.0
_JUDGED: Final = ("raised", "cleared")
ALL_SIDES: Final = "all sides"


def shown(
    info: FiringInfo,
    judged: dict[str, Any] | None,
    unit: Unit,
    theme: Theme,
    bands: bool,
    side: str,
    glass: Glass,
) -> dict[str, Any]:
    """Work out everything the page shows of a firing, by the callback's names for its outputs.

    `judged` is from `logger.replay.moments.judged`, None while there is none; `bands` draws the estimates of
    the pots; `side` is the one whose stack through time is drawn, or `ALL_SIDES`; `glass` tells how much room
    names have in the traces.
    """
    with contextlib.closing(JournalReader(here().journal_path)) as reader:
        lines = tables.lines(reader, info, MAX_POINTS)
        estimates = tables.bands(reader, info)
        doubtful = {} if judged is None else distrusted(judged)
        steps_s, read = tables.on_steps(reader, info, STEPS, doubtful)
        told = replayed(reader, info, unit)
        told_by = marks_of(info, reader.events(info.id), judged, unit)
        course, stages = _around(reader, info, judged, unit, theme)
    plan = info.plan.for_channels(info.seen)
    places = [line.place for line in lines]
    marks = [mark for mark, _ in told_by]
    length_s, zero_s = told["length_s"], course.zero_s
    sides = sorted({place.side for place in places if place.side})
    firing = {"target_c": plan.target_c, "burnout_c": plan.burnout_c, "soak_min": plan.soak_min}
    told |= {
        "unit": unit,
        "zero_s": zero_s,
        "heat": {"t_s": steps_s - steps_s[:1], "z": heat_of(places, read)},
        "moments": None if judged is None else moment.moments(judged, firing, estimates, unit),
        "forecasts": [] if judged is None else moment.forecasts(judged, zero_s, length_s, unit),
    }
    estimates = estimates if bands else []
    traces = traces_figure(
        lines, course, length_s=length_s, marks=marks, stages=stages, bands=estimates, glass=glass
    )
    return {
        **_named(info, plan, told),
        "hidden": False,
        "told": told,
        "marks": [[mark.t_s, mark.text] for mark in marks],
        "values": moment.probe_rows(places),
        "happened": moment.happened(told_by),
        "zones": [] if judged is None else moment.zone_table(judged, firing, unit),
        "standing": moment.standing(marks),
        "traces": {**traces, "data": [*traces["data"], *NO_FORECAST]},
        "heat": heat_figure(
            places, steps_s, read, course, marks=marks, sides=(side,) if side in sides else None
        ),
        "stack": stack_figure(places, np.full(len(places), np.nan), low=True, theme=theme),
        "sides": [ALL_SIDES, *(sides if len(sides) > 1 else [])],
        "end": max(1, math.ceil(length_s)),
    }


def _around(
    reader: JournalReader, info: FiringInfo, judged: dict[str, Any] | None, unit: Unit, theme: Theme = "day"
) -> tuple[Course, list[Stage]]:
    """Collect limits, lighting and stages, as figures take them."""
    plan = info.plan.for_channels(info.seen)
    lit = lighting(zone_levels(reader, info, {} if judged is None else distrusted(judged)))
    beside_the_fire = [
        {"stage": e.data["stage"], "from_s": (e.t_us - info.started_us) / 1e6}
        for e in reader.events(info.id)
        if e.kind == "stage"
    ]
    zero_s = lit.t_s if lit.found else 0.0
    course = Course(plan.target_c, plan.burnout_c, zero_s, lit.found, unit, theme)
    return course, tables.stages(beside_the_fire if judged is None else judged["stages"])


def named_for(info: FiringInfo, judged: dict[str, Any] | None, unit: Unit, glass: Glass) -> Patch:
    """Patch the traces for a screen of another size: names, and the numbers at the ends of the lines."""
    with contextlib.closing(JournalReader(here().journal_path)) as reader:
        lines = tables.lines(reader, info, MAX_POINTS)
        course, stages = _around(reader, info, judged, unit)
    drawn = traces_figure(lines, course, length_s=info.length_s, stages=stages, glass=glass)
    told = Patch()
    told["layout"]["annotations"] = drawn["layout"]["annotations"]
    told["data"][len(lines)]["y"] = drawn["data"][len(lines)]["y"]
    return told


def _named(info: FiringInfo, plan: Plan, told: dict[str, Any]) -> dict[str, Any]:
    """Make the top of the page."""
    when = f"{day}, " if (day := tables.day_of(info)) else ""
    return {
        "title": f"Replay: {info.title or plan.title or 'Firing'}",
        "about": [
            f"{when}{moment.about(told['length_s'], running=info.running)}",
            html.B(" Invented: nothing was measured.") if info.invented else "",
        ],
        "doors": [
            dcc.Link("Report", href=f"/report/{info.id}"),
            dcc.Link("Compare", href=f"/compare?firings={info.id}"),
            dcc.Link("All firings", href="/firings"),
        ],
    }


def marks_of(
    info: FiringInfo, events: list[Event], judged: dict[str, Any] | None, unit: Unit
) -> list[tuple[Mark, str]]:
    """List what happened in a firing, in order of time, and who noted it.

    Alarms are those of `judged`, or without it those raised at the fire.
    """
    found: list[tuple[Mark, str]] = []
    for event in events:
        t_s = (event.t_us - info.started_us) / 1e6
        if event.kind in ("note", "spot"):
            kind: Any = event.kind
            words = event_words(event.kind, event.data, unit)
            found.append((tables.mark_of(t_s, kind, event.data, words), event.who))
        elif event.kind == "alarm" and event.who and event.data.get("transition") not in _JUDGED:
            found.append((Mark(t_s, "act", event_words(event.kind, event.data, unit)), event.who))
    alarms = named(judged["alarms"]) if judged is not None else alarms_called(info, events) or []
    for alarm in alarms:
        words = headed(alarm_name(alarm), said.told(alarm, "message", unit), ". ")
        found.append((tables.mark_of_alarm(alarm, words), ""))
    return sorted(found, key=lambda pair: pair[0].t_s)


def replayed(reader: JournalReader, firing: FiringInfo, unit: Unit = "C") -> dict[str, Any]:
    """Gather what a script needs to step through a firing; times are seconds from the first reading.

    `shown`: what each probe showed second by second (in longer steps beyond a day), in whole degrees, or
    `none` plus its status; `rates`: tenths of a degree a minute, or `none`; both base64 of int16. `step_s`,
    `from_s`, `steps`; `faults`: words by status; `started_s`, `length_s`, `time_known`.
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
    for own in reader.columns(firing.id):
        c, status, every_s = np.full(steps, np.nan), np.full(steps, int(Status.ABSENT)), float(step_s)
        if (found := rollups.get((own.rig, own.channel))) is not None:
            at = found[0] // level_us - begin
            inside = (at >= 0) & (at < steps)
            at, buckets = at[inside], found[1][inside]
            c[at], status[at] = buckets["last"].astype(np.float64), buckets["status"]
            every_s = float(np.median(np.diff(at))) * step_s if len(at) > 1 else every_s
        held = _held(status != int(Status.ABSENT), max(LEAST_HOLD_S, 2.5 * every_s) / step_s)
        value = np.where(held < 0, np.nan, c[held])
        state = np.where(held < 0, int(Status.ABSENT), status[held])
        shown = np.where(np.isfinite(value), np.rint(np.nan_to_num(value) * scale + zero), NONE + state)
        rate = rates(c, step_s) * scale * 10
        moving = np.where(np.isfinite(rate), np.clip(np.rint(np.nan_to_num(rate)), -9999, 9999), NONE)
        grids.append([base64.b64encode(g.astype("<i2").tobytes()).decode() for g in (shown, moving)])
    return {
        "id": firing.id,
        "started_s": firing.started_us / 1e6,
        "time_known": firing.time_known,
        "length_s": length_s,
        "step_s": step_s,
        "from_s": (begin * level_us - firing.started_us) / 1e6,
        "steps": steps,
        "none": NONE,
        "steady": STEADY_C_MIN * scale * 10,
        "faults": [FAULTS[status] for status in sorted(Status)],
        "shown": [grid[0] for grid in grids],
        "rates": [grid[1] for grid in grids],
    }


def _held(there: Any, longest: float) -> Any:
    """Find, for each step, the latest one in which something was sent; -1 where that is too long ago."""
    at = np.arange(len(there))
    newest = np.maximum.accumulate(np.where(there, at, -1))
    return np.where(at - newest <= longest, newest, -1)


def rates(c: Any, step_s: float) -> Any:
    """Fit a least-squares slope over the last minute to readings in even steps [°C/min].

    NaN where there are fewer than three readings, or they span less than 15 s.
    """
    import pandas as pd  # 80 MB that a page showing only a fire can do without

    value = pd.Series(np.where(np.isfinite(c), c, np.nan))
    t_s = pd.Series(np.arange(len(value)) * step_s).where(value.notna())
    recent = t_s.rolling(round(RATE_S / step_s) + 1, min_periods=1)
    slope = recent.cov(value) / recent.var() * 60.0
    enough = (recent.count() >= 3) & (recent.max() - recent.min() >= LEAST_RATE_S)
    return slope.where(enough).to_numpy()
