"""Prepare, the last steps: packing, the cold check, and arming."""

import asyncio
import contextlib
from typing import Any, Final

import dash_mantine_components as dmc
from dash import ALL, Input, Output, State, callback, ctx, dcc, html, no_update
from dash.exceptions import PreventUpdate

from dashboard.context import here
from dashboard.figures.look import unit_of
from dashboard.pages.asked import PLAN, WRONG, act, carry_out, needed_draft, on_change, read_kept
from dashboard.pages.prepare_probes import channel_of, key_of
from dashboard.parts.frame import button, door_row, facts_list, halves, section
from dashboard.parts.readiness import Ready, Report, Standing, burns, cautions, finding, fitness
from dashboard.parts.wiring import inputs, outputs, states
from dashboard.preparing.planning import Document, Problem, draft_of, problems, read_document
from dashboard.preparing.rig_look import look_at_rig
from dashboard.security.guard import operator_only
from dashboard.words import capital
from logger.cold_check.look import check_journal
from logger.errors import UserError
from logger.journal.reader import JournalReader
from logger.plan import library as plans

CHECK_MS: Final = 4000
END: Final = "End the running firing now."
_Items = list[tuple[str, bool]]
_KIT: Final = Output("prepare-kit", "data", allow_duplicate=True)


NOTHING_COMES_IN: Final = "no readings are coming in, so there is nothing to check; “Rig and probes” says why"


def pack_panel() -> list[Any]:
    """Make the panel of the packing list."""
    typed = {"input": {"maxLength": plans.MAX_ITEM, "autoComplete": "off"}}
    label = "Something else to take"
    new = dmc.TextInput(id="prepare-kit-new", value="", label=label, error="", attributes=typed)
    left = [
        html.H2("What to take"),
        html.Ul(id="prepare-kit-list"),
        html.Div(
            [new, button("Add", "prepare-kit-add"), button("Untick all", "prepare-kit-none")],
            className="page-doors ends",
        ),
    ]
    return [halves(section(*left), cautions())]


def check_panel() -> list[Any]:
    """Make the panel of the cold check."""
    left = [
        html.H2("Cold check"),
        html.P(
            "Before lighting, all probes are at air temperature, so they must agree. Repeated every "
            "few seconds. Hold each tip in your hand for ten seconds: its reading must rise.",
            className="hint",
        ),
        html.P("", id="prepare-verdict", role="status"),
        html.Ul(id="prepare-found"),
    ]
    right = [
        html.H2("Warm each tip in your hand"),
        html.Ul(id="prepare-hands"),
        html.H2("This tablet and the lamp"),
        html.P(
            "Tap the sound button at the top of the page: it plays the alarm. Can you hear it "
            "from where you will stand? A firing takes half a day: is the battery full, and is the "
            "time shown at the top correct?"
        ),
        door_row(
            button("Test the lamp at the fire", "prepare-beacon"),
            html.P("", id="prepare-beacon-said", role="status"),
            id="prepare-beacons",
            hidden=True,
        ),
    ]
    return [
        dcc.Interval(id="prepare-check-again", interval=CHECK_MS, disabled=True),
        halves(section(*left), section(*right)),
    ]


def arm_panel() -> list[Any]:
    """Make the panel of the last step."""
    left = [
        html.H2("Arm, and light"),
        html.Dl(id="prepare-facts"),
        html.Ul(id="prepare-reasons"),
        html.H3("What this rig can't judge"),
        html.Ul(id="prepare-arm-limits"),
        *(
            html.Div(dmc.Checkbox(id=own, label=words), id=f"{own}-row", hidden=True)
            for own, words in (
                ("prepare-anyway", "I have seen this; arm anyway."),
                ("prepare-ending", END),
            )
        ),
        button("Arm", "prepare-arm", className="main big", disabled=True),
        html.P("", id="prepare-arm-said", role="status"),
    ]
    return [halves(section(*left), cautions())]


# --- packing ------------------------------------------------------------------------------------------------


@callback(Output("prepare-kit", "data"), Input("prepare-turn", "data"))
async def kit(_: Any) -> Any:
    """List what to pack."""
    return await asyncio.to_thread(plans.read_kit, here().home)


@callback(Output("prepare-kit-list", "children"), Input("prepare-kit", "data"))
def show_kit(items: Any) -> list[Any]:
    """Show the packing list."""
    rows = []
    for item, done in read_kept(_Items, items) or []:
        tick = dmc.Checkbox(id={"type": "prepare-kit-tick", "item": item}, label=item, checked=done)
        off = {"type": "prepare-kit-off", "item": item}
        rows.append(html.Li([tick, button("×", off, aloud=f"Remove from the list: {item}")]))
    return rows


@on_change(
    _KIT,
    *outputs("prepare-kit-new.value", "prepare-kit-new.error"),
    Input({"type": "prepare-kit-tick", "item": ALL}, "checked"),
    Input({"type": "prepare-kit-off", "item": ALL}, "n_clicks"),
    *inputs("prepare-kit-add.n_clicks", "prepare-kit-new.n_submit", "prepare-kit-none.n_clicks"),
    State("prepare-kit-new", "value"),
)
def change_kit(ticks: list[Any], _: list[Any], __: Any, ___: Any, ____: Any, new: Any) -> Any:
    """Change the packing list; only an actual change needs an operator."""
    items, pressed = plans.read_kit(here().home), ctx.triggered_id
    ticked = {part["id"]["item"]: v is True for part, v in zip(ctx.inputs_list[0], ticks, strict=True)}
    changed = [(item, ticked.get(item, done)) for item, done in items]
    adds = str(new or "").strip() if pressed in ("prepare-kit-add", "prepare-kit-new") else ""
    if isinstance(pressed, dict) and pressed.get("type") == "prepare-kit-off" and ctx.triggered[0]["value"]:
        changed = [(item, done) for item, done in changed if item != pressed.get("item")]
    elif pressed == "prepare-kit-none":
        changed = [(item, False) for item, _ in changed]
    elif adds:
        changed.append((adds, False))
    if changed == items:
        raise PreventUpdate
    return _keep_kit(changed, bool(adds))


@operator_only
def _keep_kit(items: list[tuple[str, bool]], adds: bool) -> Any:
    try:
        plans.write_kit(here().home, items)
    except plans.StoreError as exc:
        return no_update, no_update, capital(str(exc))
    return items, "" if adds else no_update, ""


# --- cold check ---------------------------------------------------------------------------------------------


@callback(
    *outputs("prepare-report.data", "prepare-verdict.children", "prepare-found.children"),
    *outputs("prepare-check-again.disabled"),
    *inputs("prepare-step.value", "prepare-check-again.n_intervals", "unit.data"),
    State("prepare-plan", "data"),
)
async def cold_check(step: Any, _: Any, unit: Any, kept: Any) -> Any:
    """Check whether the rig is fit to be lit."""
    draft, here_now = draft_of(kept), step in ("check", "arm")
    if not here_now or draft is None:  # a page opened at this step has no draft yet
        return no_update, no_update, no_update, not here_now
    if problems(draft.doc):
        return None, WRONG, [], False
    try:
        report = await asyncio.to_thread(check_rig, draft.doc)
    except UserError as exc:
        return None, f"{capital(str(exc))}.", [], False
    return report, f"{fitness(report)}.", [finding(f, unit_of(unit)) for f in report["findings"]], False


def check_rig(doc: Document) -> dict[str, Any]:
    """Check the rig by what the logger records; UserError: the plan is wrong, or no readings come in."""
    plan, path = read_document(doc), here().journal_path
    if not path.exists():
        raise UserError(NOTHING_COMES_IN)
    with contextlib.closing(JournalReader(path)) as reader:
        if (firing := reader.running()) is None:
            raise UserError(NOTHING_COMES_IN)
        return check_journal(reader, firing, plan if plan.probes else None, here().home).as_dict()


@callback(
    *outputs("prepare-hands.children", "prepare-beacons.hidden"),
    *inputs("prepare-rig.data", "prepare-report.data", "prepare-step.value"),
    *states("prepare-tried.data", "prepare-plan.data", "unit.data"),
)
def hands(rig: Any, report: Any, step: Any, tried: Any, kept: Any, unit: Any) -> Any:
    """Say which tips were warmed in the hand."""
    draft = draft_of(kept)
    known_rig = isinstance(rig, dict) and isinstance(rig.get("channels"), list)
    if draft is None or not known_rig or step != "check":
        raise PreventUpdate
    no_lamp = not rig.get("beacons")
    if burns(read_kept(Report, report)):
        return html.Li("A fire is burning: keep your hands off the tips.", className="hint"), no_lamp
    rows = [c for c in rig["channels"] if c["letter"] is not None and c["how"] != "°C"]
    known, scale = tried if isinstance(tried, dict) else {}, 1.8 if unit == "F" else 1.0
    found = []
    for c in rows:
        own = (p for p in draft.doc["probe"] if channel_of(p, rig["channels"]) is c)
        name, had = next(own, {"name": c["channel"]}).get("name"), str(known.get(key_of(c)) or "")
        words = {"rose": "✓ rose", "fell": "✗ fell: swap its two wires"}.get(had, "not warmed yet")
        if c["moving"]:
            sign = "▲ rising, +" if c["moving"] == "rising" else "▼ falling, −"
            words = f"{sign}{abs(c['away'] or 0.0) * scale:.1f} °{unit_of(unit)}"
        found.append(html.Li([html.B(str(name)), html.Span(words)], className=had))
    return found or html.Li("No thermocouple is sending.", className="hint"), no_lamp


@act(Output("prepare-beacon-said", "children"), Input("prepare-beacon", "n_clicks"))
async def beacon(_: Any) -> str:
    """Test the rigs' lamps and buzzers."""
    await carry_out("beacon_test", {})
    return "Test sent. Does it light up or sound?"


# --- arm ----------------------------------------------------------------------------------------------------


@callback(
    Output({"type": "prepare-state", "step": ALL}, "children"),
    *outputs("prepare-facts.children", "prepare-reasons.children", "prepare-anyway-row.hidden"),
    *outputs("prepare-ending-row.hidden", "prepare-ending.label", "prepare-arm.disabled"),
    *inputs("prepare-checked.data", "prepare-standing.data", "prepare-report.data", "prepare-kit.data"),
    *inputs("prepare-anyway.checked", "prepare-ending.checked"),
    *states("prepare-plan.data", "unit.data"),
)
def ready(
    checked: Any, rig: Any, report: Any, items: Any, anyway: Any, ending: Any, kept: Any, unit: Any
) -> Any:
    """Show how far the preparations are, and whether the plan can be armed."""
    doc, name = needed_draft(kept)
    if not isinstance(checked, dict):
        raise PreventUpdate
    found, packing = read_kept(list[Problem], checked.get("problems")), read_kept(_Items, items)
    known = Ready(doc, found or [], read_kept(Standing, rig), read_kept(Report, report), packing or [])
    never, advice = known.never(), known.advice(unit_of(unit))
    reasons = []
    for n, (text, where) in enumerate([*never, *advice]):
        door = {"type": "prepare-go", "to": where, "at": f"reason {n}"}
        reasons.append(html.Li([html.Span(text), button("Go there", door, aloud=f"Go there: {text}")]))
    running = _planned(known.rig)
    may = not never and (not advice or anyway is True) and (not running or ending is True)
    states = known.states(name)
    return (
        [states.get(part["id"]["step"], "") for part in ctx.outputs_list[0]],
        facts_list(known.facts(unit_of(unit))),
        reasons,
        bool(never) or not advice,
        not running,
        f"“{running['title']}” is running under its own plan. End it now." if running else END,
        not may,
    )


def _planned(rig: Any) -> Any:
    """Return the firing that is running under a plan of its own."""
    firing = rig["firing"] if rig else None
    return firing if firing and firing["planned"] else None


@act(
    Output("prepare-onward", "href"),
    PLAN,
    Output("prepare-arm-said", "children"),
    Input("prepare-arm", "n_clicks"),
    *states("prepare-plan.data", "prepare-ending.checked"),
    running=[(Output("prepare-arm", "disabled"), True, False)],
)
async def arm(_: Any, kept: Any, ending: Any) -> Any:
    """Arm: the logger records under this plan from now on."""
    doc = needed_draft(kept).doc
    running = _planned(await asyncio.to_thread(look_at_rig, here().home, here().journal_path))
    if found := problems(doc):
        said = f"{found[0]['label']}: {found[0]['text']}."
    elif running and ending is not True:
        said = f"“{running['title']}” is running under its own plan. First tick “End it now”."
    else:
        data = {"plan_toml": read_document(doc).dumps(), **({"replace": running["id"]} if running else {})}
        if not (await carry_out("arm", data)).get("waiting"):
            return "/", None, ""
        said = "The logger hasn't answered yet; it will arm as soon as it is back."
    return no_update, no_update, said
