"""The day before and the last hour: plan, probes, alarms, packing, cold check; then arm.

The draft is one store in the browser: fields write into it, everything else is made from it. `prepare-turn`
is incremented when the forms must be rebuilt: another plan was opened, or a probe was added or removed.
"""

import asyncio
from typing import Any, Final

import dash_mantine_components as dmc
from dash import ALL, Input, Output, State, callback, ctx, dcc, html, no_update
from dash.exceptions import PreventUpdate

from dashboard.figures.look import unit_of
from dashboard.pages import prepare_alarms, prepare_plans, prepare_probes, prepare_ready
from dashboard.pages.asked import PLAN, button_pressed, changes_draft, needed_draft, next_turn, on_change
from dashboard.parts.frame import button, items, stores
from dashboard.parts.plan_form import alarm_fields, changed_words, plan_fields, when_words
from dashboard.parts.wiring import inputs, outputs, states
from dashboard.preparing.planning import (
    Document,
    Draft,
    draft_of,
    errors_of,
    problems,
    read_document,
    to_document,
    with_fields,
)
from dashboard.words import Unit
from logger.judgement.limits import limits
from logger.plan.alarm_rules import RULES

STEPS: Final = (
    ("plan", "Plan", prepare_plans.panel),
    ("probes", "Rig and probes", prepare_probes.panel),
    ("alarms", "Alarms", prepare_alarms.panel),
    ("pack", "Pack", prepare_ready.pack_panel),
    ("check", "Cold check", prepare_ready.check_panel),
    ("arm", "Arm", prepare_ready.arm_panel),
)
NAMES: Final = tuple(name for name, *_ in STEPS)
BEGUN: Final = 1
"""The first turn: its forms came with the draft."""


def layout(step: str = "plan", **_query: str) -> Any:
    """Lay out the page at one of the steps of `NAMES`."""
    tabs = []
    for n, (name, title, _) in enumerate(STEPS, 1):
        state = html.Span("", id={"type": "prepare-state", "step": name})
        words = html.Span([html.B(f"{n} {title}"), state], className="prepare-tab")
        tabs.append(dmc.TabsTab(words, value=name))
    panels = [dmc.TabsPanel([*make(), _onward(n)], value=name) for n, (name, _, make) in enumerate(STEPS)]
    parts: list[Any] = [
        dcc.Store(id="prepare-plan", storage_type="local"),
        *stores("prepare", turn=0, tried={}, checked=None, selected=None, rig=None, in_hand=None),
        *stores("prepare", standing=None, report=None, kit=None),
        dcc.Location(id="prepare-onward", refresh="callback-nav"),
        html.H1("Prepare", className="unseen"),
        dmc.Tabs(
            id="prepare-step",
            value=step if step in NAMES else "plan",
            activateTabWithKeyboard=False,  # arrows move, Enter opens
            children=[dmc.TabsList(tabs), *panels],
        ),
    ]
    return html.Div(parts, id="prepare")


def _onward(at: int) -> Any:
    if at + 1 == len(STEPS):
        return html.P("")
    name, title, _ = STEPS[at + 1]
    onward = button(f"Next: {title}", {"type": "prepare-go", "to": name, "at": "next"})
    return html.P(onward, className="prepare-next")


@on_change(Output("prepare-step", "value"), Input({"type": "prepare-go", "to": ALL, "at": ALL}, "n_clicks"))
def go(_: list[int | None]) -> Any:
    """Go to another step."""
    return button_pressed()["to"]


# --- the draft ----------------------------------------------------------------------------------------------


@callback(
    *outputs("prepare-plan.data", "prepare-turn.data"),
    *outputs("prepare-plan-form.children", "prepare-alarm-form.children", again=True),
    Input("prepare-plan", "modified_timestamp"),
    *states("prepare-plan.data", "prepare-turn.data", "prepare-step.value", "unit.data"),
    prevent_initial_call="initial_duplicate",
)
async def begin(_: Any, kept: Any, turn: Any, step: Any, unit: Any) -> Any:
    """Continue with this browser's draft, or start from a plan for what is running.

    The forms come in the same answer: a busy tablet takes seconds to ask again.
    """
    before, in_unit = draft_of(kept), unit_of(unit)
    if turn and before is not None:
        raise PreventUpdate
    draft = before or Draft(to_document(await asyncio.to_thread(prepare_plans.fresh)))
    errors = errors_of(draft.doc, in_unit)
    shown = plan_fields(draft.doc, in_unit, errors), alarm_form(step, draft.doc, in_unit, errors)
    return (no_update, BEGUN, *shown) if before else (draft.kept(), next_turn(turn), *shown)


@callback(
    *outputs("prepare-plan-form.children", "prepare-alarm-form.children", "prepare-editor.children"),
    *inputs("prepare-turn.data", "unit.data", "prepare-selected.data", "prepare-step.value"),
    State("prepare-plan", "data"),
    State({"type": "prepare-on", "rule": ALL}, "id"),
)
def forms(turn: Any, unit: Any, chosen: Any, step: Any, kept: Any, standing: list[Any]) -> Any:
    """Make the forms for the plan, the alarms and the chosen probe, all at once.

    New fields are written into the draft along with those on the page; one from an older draft would undo a
    drag made meanwhile.
    """
    asked = set(ctx.triggered_prop_ids)
    entered = asked == {"prepare-step.value"}
    # `begin` made them; those on the page are from this turn, and somebody may be typing in them.
    if (turn == BEGUN and asked == {"prepare-turn.data"}) or (entered and (step != "alarms" or standing)):
        raise PreventUpdate
    doc, in_unit = needed_draft(kept).doc, unit_of(unit)
    errors = errors_of(doc, in_unit)
    editor = prepare_probes.editor(chosen, doc, in_unit, errors)
    if asked == {"prepare-selected.data"}:
        return no_update, no_update, editor
    alarms = alarm_form(step, doc, in_unit, errors)
    return (no_update, alarms, no_update) if entered else (plan_fields(doc, in_unit, errors), alarms, editor)


def alarm_form(step: Any, doc: Document, unit: Unit, errors: dict[str, str]) -> list[Any]:
    """Make the alarms' forty fields only where they are seen: they take a tablet seconds to draw."""
    return alarm_fields(doc, unit, errors) if step == "alarms" else []


@on_change(
    PLAN,
    Input({"type": "prepare-field", "path": ALL, "as": ALL}, "value"),
    Input({"type": "prepare-on", "rule": ALL}, "checked"),
    State("prepare-plan", "data"),
)
def edit(values: list[Any], ons: list[Any], kept: Any) -> Any:
    """Write the fields into the draft."""
    draft = needed_draft(kept)
    ids = [part["id"] for group in ctx.inputs_list for part in group]
    doc = with_fields(draft.doc, ids, [*values, *ons])
    if doc == draft.doc:
        raise PreventUpdate
    return Draft(doc, draft.name).kept()


@changes_draft(Input({"type": "prepare-default", "rule": ALL}, "n_clicks"))
def defaults(_: list[int | None], draft: Draft) -> Draft:
    """Reset an alarm's settings to their defaults."""
    rule = RULES.get(str(button_pressed()["rule"]))
    if rule is None:
        raise PreventUpdate
    own = {"enabled": True, **{s.name: s.default for s in rule.settings}}
    return draft.with_(alarm={**draft.doc["alarm"], rule.name: own})


@on_change(
    Output("prepare-checked", "data"),
    Output({"type": "prepare-field", "path": ALL, "as": ALL}, "error"),
    Output({"type": "prepare-changed", "rule": ALL}, "children"),
    Output({"type": "prepare-when", "rule": ALL}, "children"),
    *outputs("prepare-limits.children", "prepare-arm-limits.children"),
    Output("prepare-report", "data", allow_duplicate=True),
    *inputs("prepare-plan.data", "unit.data"),
)
def check(kept: Any, unit: Any) -> Any:
    """Say what is wrong with the draft, beside each field, and what its probes can't judge."""
    doc = needed_draft(kept).doc
    in_unit = unit_of(unit)
    found = problems(doc, in_unit)
    by_field = {p["field"]: p["text"] for p in found}
    errors = [by_field.get(part["id"]["path"], "") for part in ctx.outputs_list[1]]
    rules = [RULES[rule] for part in ctx.outputs_list[2] if (rule := part["id"]["rule"]) in RULES]
    changed = [changed_words(rule, doc["alarm"][rule.name]) for rule in rules]
    when = [when_words(rule, doc, in_unit) for rule in rules]
    plan = None if found else read_document(doc)
    told = {"problems": found, "toml": None if plan is None else plan.dumps()}
    shown = limits(plan) if plan else ["Not known yet: something in the plan is wrong."]
    return told, errors, changed, when, items(shown), items(shown), None
