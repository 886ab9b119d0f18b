"""A stored firing's alarms by other settings: the form, the run, and what would have been otherwise."""

import asyncio
from typing import Any

import dash_mantine_components as dmc
from dash import ALL, Input, Output, State, callback, ctx, html
from dash.exceptions import PreventUpdate

from dashboard.context import here
from dashboard.parts import moment
from dashboard.parts.frame import door_row
from dashboard.preparing.planning import problems, read_document
from dashboard.work.gathering import Work, gathering
from logger.errors import UserError
from logger.plan import Plan
from logger.plan.alarm_rules import RULES
from logger.replay.moments import with_alarms
from logger.report.gather import named


def settings_form() -> list[Any]:
    """Make the place for the alarms' settings, and for what others would have changed."""
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


def firing_id(which: Any) -> str:
    """Read the ID of the firing from the page's store; empty where there is none."""
    firing = which.get("firing") if isinstance(which, dict) else None
    return firing if isinstance(firing, str) else ""


def judged_by(plan: Plan, alarms: Any) -> Plan:
    """Change a plan's alarm settings, given by rule, `enabled` among them; PlanRefused names the field."""
    read_document({"alarm": alarms})
    return with_alarms(plan, alarms)


def alarms_of(wish: Any) -> Any:
    """Read the changed settings from the page's store; empty where they are the firing's own."""
    return (wish.get("alarms") if isinstance(wish, dict) else None) or {}


async def judgement(firing: str, alarms: Any) -> Work:
    """Begin to judge a firing by its own plan, with alarm settings in place of its own; or find that."""
    gathered = gathering(here().journal_path)
    info = await gathered.firing(firing)
    return await gathered.judgement(info, judged_by(info.plan, alarms) if alarms else None)


@callback(
    Output("replay-settings", "children"), Input("replay-firing", "data"), Input("replay-own", "n_clicks")
)
async def settings(which: Any, _: int | None) -> Any:
    """Make the form of all alarms' settings, filled in with the firing's own."""
    if not firing_id(which):
        raise PreventUpdate
    try:
        info = await gathering(here().journal_path).firing(firing_id(which))
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
            ),
            *(
                dmc.NumberInput(
                    id={"type": "replay-set", "rule": rule.name, "name": s.name},
                    label=s.doc,
                    description=f"{s.minimum:g} to {s.maximum:g} {s.unit}, usually {s.default:g}",
                    value=own[s.name],
                    suffix=f" {s.unit}" if s.unit else "",
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
    info = await gathering(here().journal_path).firing(firing_id(which))
    switches, inputs = ([part["id"] for part in group] for group in ctx.states_list[:2])
    wished: dict[str, dict[str, Any]] = {}
    given = [(name["rule"], "enabled", on) for name, on in zip(switches, ons, strict=True)]
    given += [(name["rule"], name["name"], value) for name, value in zip(inputs, values, strict=True)]
    for rule, name, value in given:
        if value != info.plan.alarms.get(rule, {}).get(name):
            wished.setdefault(rule, {})[name] = value
    wrong = {p["field"]: p["text"] for p in problems({"alarm": wished})}
    errors = [wrong.get(f"alarm.{name['rule']}.{name['name']}", "") for name in inputs]
    return {"alarms": {} if wrong else wished}, bool(wrong), errors


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
    both: tuple[Any, ...] = (None, alarms_of(judged))
    works = [await judgement(firing_id(which), alarms) for alarms in both]
    await asyncio.wait([work.task for work in works])
    own, other = (named(work.answer()["alarms"]) for work in works)
    return moment.changed(moment.differences(own, other))
