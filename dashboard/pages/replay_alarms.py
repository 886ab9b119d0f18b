"""A stored firing's alarms under other settings: the form, the run, and what would have been different."""

from typing import Any

import dash_mantine_components as dmc
from dash import ALL, Input, Output, State, callback, ctx, html
from dash.exceptions import PreventUpdate

from dashboard.context import here
from dashboard.figures.look import unit_of
from dashboard.pages.asked import id_of, on_change
from dashboard.parts import moment
from dashboard.parts.frame import door_row
from dashboard.parts.plan_form import other_alarms
from dashboard.preparing.planning import errors_of, read_document, to_document, with_fields
from dashboard.work.gathering import gathering
from dashboard.work.works import Work
from logger.errors import UserError
from logger.plan import Plan
from logger.replay.moments import with_alarms
from logger.report.gather import named

FIELDS = {"type": "replay-field", "path": ALL, "as": ALL}


def settings_form() -> list[Any]:
    """Make the section for the alarms' settings and for what other settings would have changed."""
    return [
        html.Details(
            [
                html.Summary("Alarm settings: change them and run the alarms again"),
                html.Div(id="replay-settings"),
                door_row(
                    dmc.Button("Re-run the alarms", id="replay-rerun"),
                    dmc.Button("Back to its own settings", id="replay-own", variant="default"),
                ),
            ],
            className="replay-rules",
        ),
        html.Div(id="replay-differences", role="status"),
    ]


def judged_by(plan: Plan, alarms: Any) -> Plan:
    """Apply alarm settings to a plan, by rule and including `enabled`; PlanRefused names the field."""
    read_document({"alarm": alarms})
    return with_alarms(plan, alarms)


async def judgement(firing: Any, alarms: Any) -> Work:
    """Start or find the judgement of a firing by its own plan, but with these alarm settings."""
    gathered = gathering(here().journal_path)
    info = await gathered.firing(id_of(firing))
    return await gathered.judgement(info, judged_by(info.plan, alarms) if alarms else None)


@callback(
    Output("replay-settings", "children"),
    Input("replay-firing", "data"),
    Input("replay-own", "n_clicks"),
    Input("unit", "data"),
)
async def settings(firing: Any, _: int | None, unit: Any) -> Any:
    """Make the form of all alarms' settings, filled in with the firing's own."""
    try:
        info = await gathering(here().journal_path).firing(id_of(firing))
    except UserError:
        raise PreventUpdate from None  # reported at the top of the page
    return other_alarms(to_document(info.plan), unit_of(unit))


@on_change(
    Output("replay-wish", "data"),
    Output("replay-poll", "disabled", allow_duplicate=True),
    Output(FIELDS, "error"),
    Input("replay-rerun", "n_clicks"),
    Input("replay-own", "n_clicks"),
    State({"type": "replay-on", "rule": ALL}, "checked"),
    State(FIELDS, "value"),
    State("replay-firing", "data"),
    State("unit", "data"),
)
async def rerun(_: Any, __: Any, ons: list[Any], values: list[Any], firing: Any, unit: Any) -> Any:
    """Re-run the alarms with the form's settings, or the firing's own."""
    switches, fields = ([part["id"] for part in group] for group in ctx.states_list[:2])
    if ctx.triggered_id == "replay-own":
        return {}, False, [""] * len(fields)
    plan = (await gathering(here().journal_path).firing(id_of(firing))).plan
    alarms = with_fields(to_document(plan), fields, values)["alarm"]
    for switch, on in zip(switches, ons, strict=True):
        alarms.setdefault(switch["rule"], {})["enabled"] = on
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
    State("replay-firing", "data"),
    State("replay-rerun", "n_clicks"),
)
async def compare_alarms(judged: Any, firing: Any, asked: int | None) -> Any:
    """Say which alarms the changed settings would have added, removed or moved."""
    if not isinstance(judged, dict) or not asked:
        return []
    works = [await judgement(firing, alarms) for alarms in (None, judged)]
    own, other = [named((await work.wait()).answer()["alarms"]) for work in works]
    return moment.changed(moment.differences(own, other))
