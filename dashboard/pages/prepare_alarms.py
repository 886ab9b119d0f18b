"""Prepare, third step: every alarm's settings, and a rehearsal of them on an earlier firing."""

import asyncio
import contextlib
from typing import Any, Final

import dash_mantine_components as dmc
from dash import Output, State, callback, html, no_update
from dash.exceptions import PreventUpdate
from msgspec.structs import replace

from dashboard import tables
from dashboard.context import here
from dashboard.figures.look import theme_of, unit_of
from dashboard.figures.model import Course
from dashboard.figures.names import PHONE
from dashboard.figures.traces import traces_figure
from dashboard.pages import progress
from dashboard.pages.asked import WRONG, on_change
from dashboard.parts.frame import graph, halves, section, stores
from dashboard.parts.wiring import inputs, outputs, states
from dashboard.words import Unit, alarm_name, span
from dashboard.work.works import Work
from logger.errors import StokewatchError
from logger.journal.reader import FiringInfo, JournalReader
from logger.plan import Plan, loads
from logger.report.gather import named

MAX_POINTS: Final = 700
"""Points per trace, which has half the screen, beside the settings."""


def panel() -> list[Any]:
    """Make the step's panel."""
    why = "Choose an earlier firing to see when these settings would have raised an alarm."
    empty, kind = {"placeholder": "Choose one …"}, {"className": "prepare-rehearsal"}
    left = [
        html.H2("Rehearse"),
        html.P(why, className="hint"),
        dmc.Select(id="prepare-on-firing", label="Earlier firing", data=[], clearable=True, **empty),
        progress.working("prepare"),
        html.Div(graph("prepare-rehearsal"), id="prepare-rehearsal-box", hidden=True, **kind),
        html.Ol(id="prepare-calls"),
    ]
    return [
        *stores("prepare", wish=None, rehearsed=None),
        halves(
            section(*left, label="Rehearsal"),
            section(html.H2("Which alarms, and when"), html.Div(id="prepare-alarm-form"), label="Alarms"),
        ),
    ]


def tried_on(plan: Plan, firing: FiringInfo) -> Plan:
    """Combine an earlier firing's own probes with the targets and alarms being tried."""
    return replace(plan, title=firing.title, probes=firing.plan.for_channels(firing.seen).probes, sources=())


@on_change(
    Output("prepare-wish", "data"),
    *progress.shown("prepare", again=True),
    *inputs("prepare-on-firing.value", "prepare-checked.data"),
    State("prepare-wish", "data"),
)
async def wish(firing: Any, checked: Any, before: Any) -> Any:
    """Start a rehearsal when a firing is chosen, and again when something changes."""
    toml = checked.get("toml") if isinstance(checked, dict) else None
    if not isinstance(firing, str):
        return None, *progress.over()
    if toml is None:
        return no_update, *progress.over(WRONG)
    new = {"firing": firing, "toml": toml}
    if new == before:
        raise PreventUpdate
    with contextlib.suppress(StokewatchError):
        if (work := await _work(before)) is not None:
            await work.stop()
    return new, "0", "Working it out …", False, False


async def _work(wanted: Any, _: Any = None) -> Work | None:
    """Find or start the rehearsal that is wanted."""
    if not isinstance(wanted, dict) or not {"firing", "toml"} <= set(wanted):
        return None
    gathered = here().gathering
    info = await gathered.firing(str(wanted["firing"]))
    return await gathered.rehearsal(info, tried_on(loads(str(wanted["toml"])), info))


def _rehearsed(answer: dict[str, Any], wanted: Any, before: Any) -> tuple[str, dict[str, Any]]:
    """Count the warnings, compared with `before`, and collect what the figure needs."""
    warnings = sum(alarm["warning"] for alarm in named(answer["alarms"]))
    same = isinstance(before, dict) and before.get("firing") == wanted["firing"]
    was = before.get("warnings") if same else None
    count = {0: "No warning", 1: "1 warning"}.get(warnings, f"{warnings} warnings")
    more = f"; {was} before this change" if isinstance(was, int) and was != warnings else ""
    told = {"warnings": warnings, "alarms": answer["alarms"], "stages": answer["stages"], **wanted}
    return f"{count} over {span(answer['duration_s'])}{more}.", told


progress.follow(
    "prepare",
    Output("prepare-rehearsed", "data"),
    *states("prepare-wish.data", "prepare-rehearsed.data"),
    find=_work,
    tell=_rehearsed,
)


@callback(
    *outputs("prepare-rehearsal.figure", "prepare-rehearsal-box.hidden", "prepare-calls.children"),
    *inputs("prepare-rehearsed.data", "prepare-on-firing.value", "unit.data"),
    State("theme", "data"),
)
async def show(told: Any, firing: Any, unit: Any, theme: Any) -> Any:
    """Show the firing's traces, and when each alarm was active."""
    if not isinstance(firing, str):
        return no_update, True, []
    mine = told if isinstance(told, dict) and told.get("firing") == firing else None
    info = await here().gathering.firing(firing)
    figure = await asyncio.to_thread(_figure, info, mine, unit_of(unit), theme_of(theme))
    return figure, False, [] if mine is None else [_call(alarm) for alarm in named(mine["alarms"])]


def _figure(info: FiringInfo, told: dict[str, Any] | None, unit: Unit, theme: Any) -> Any:
    with contextlib.closing(JournalReader(here().journal_path)) as reader:
        lines = tables.lines(reader, info, MAX_POINTS)
    alarms = [] if told is None else named(told["alarms"])
    marks = [tables.mark_of_alarm(alarm, alarm_name(alarm)) for alarm in alarms]
    plan = info.plan if told is None else loads(str(told["toml"]))
    return traces_figure(
        lines,
        Course(plan.target_c, plan.burnout_c, unit=unit, theme=theme),
        length_s=info.length_s,
        marks=sorted(marks, key=lambda mark: mark.t_s),
        stages=tables.stages([] if told is None else told["stages"]),
        glass=PHONE,  # it has half the screen
    )


def _call(alarm: dict[str, Any]) -> Any:
    raised, ended = alarm["raised_s"], alarm["cleared_s"]
    lasts = "to the end" if ended is None else f"for {span(ended - raised)}"
    words = [
        html.B(f"{round(raised / 60)} min"),
        html.Span(alarm_name(alarm)),
        html.Span(lasts, className="hint"),
    ]
    return html.Li(words, className="warning" if alarm["warning"] else "good")
