"""Prepare, the last steps: packing, the cold check, and arming."""

import asyncio
import contextlib
from typing import Any, Final

import dash_mantine_components as dmc
from dash import ALL, Input, Output, State, callback, ctx, dcc, html, no_update
from dash.exceptions import PreventUpdate

from dashboard.context import here
from dashboard.figures.look import unit_of
from dashboard.pages.asked import act, carry_out, read_kept
from dashboard.pages.drafting import PLAN, needed_draft
from dashboard.pages.prepare_probes import channel_of, key_of
from dashboard.parts.frame import button, door_row, halves, section
from dashboard.parts.readiness import Ready, burns, cautions, finding, fitness, step_states
from dashboard.preparing.planning import Document, draft_of, problems, read_document
from dashboard.preparing.rig_look import look_at_rig
from dashboard.security.guard import operator_only
from dashboard.words import Unit, capital
from logger.cold_check.look import check_journal
from logger.errors import UserError
from logger.journal.reader import JournalReader
from logger.plan import library as plans

CHECK_MS: Final = 4000
_Items = list[tuple[str, bool]]
_KIT: Final = Output("prepare-kit", "data", allow_duplicate=True)


class NothingComesIn(UserError):
    """There are no readings to check."""

    def __init__(self) -> None:
        super().__init__("no readings are coming in, so there is nothing to check; “Rig and probes” says why")


def pack_panel() -> list[Any]:
    """Make the panel of the packing list."""
    return [
        halves(
            section(
                html.H2("What to take"),
                html.Ul(id="prepare-kit-list"),
                html.Div(
                    [
                        dmc.TextInput(
                            id="prepare-kit-new",
                            value="",
                            label="Something else to take",
                            error="",
                            attributes={"input": {"maxLength": plans.MAX_ITEM, "autoComplete": "off"}},
                        ),
                        button("Add", "prepare-kit-add"),
                        button("Untick all", "prepare-kit-none"),
                    ],
                    className="page-doors ends",
                ),
            ),
            cautions(),
        )
    ]


def check_panel() -> list[Any]:
    """Make the panel of the cold check."""
    return [
        dcc.Interval(id="prepare-check-again", interval=CHECK_MS, disabled=True),
        halves(
            section(
                html.H2("Cold check"),
                html.P(
                    "Before lighting, all probes are at air temperature, so they must agree. Repeated every "
                    "few seconds. Hold each tip in your hand for ten seconds: its reading must rise.",
                    className="hint",
                ),
                html.P("", id="prepare-verdict", role="status"),
                html.Ul(id="prepare-found"),
            ),
            section(
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
            ),
        ),
    ]


def arm_panel() -> list[Any]:
    """Make the panel of the last step."""
    return [
        halves(
            section(
                html.H2("Arm, and light"),
                html.Dl(id="prepare-facts"),
                html.Ul(id="prepare-reasons"),
                html.H3("What this rig can't judge"),
                html.Ul(id="prepare-arm-limits"),
                html.Div(
                    dmc.Checkbox(id="prepare-anyway", label="I have seen this; arm anyway."),
                    id="prepare-anyway-row",
                    hidden=True,
                ),
                html.Div(
                    dmc.Checkbox(id="prepare-ending", label="End the running firing now."),
                    id="prepare-ending-row",
                    hidden=True,
                ),
                button("Arm", "prepare-arm", className="main big", disabled=True),
                html.P("", id="prepare-arm-said", role="status"),
            ),
            cautions(),
        )
    ]


# --- packing ------------------------------------------------------------------------------------------------


@callback(Output("prepare-kit", "data"), Input("prepare-turn", "data"))
async def kit(_: Any) -> Any:
    """List what to pack."""
    return await asyncio.to_thread(plans.read_kit, here().home)


@callback(
    Output("prepare-kit-list", "children"),
    Input("prepare-kit", "data"),
)
def show_kit(items: Any) -> list[Any]:
    """Show the packing list."""
    return [
        html.Li(
            [
                dmc.Checkbox(id={"type": "prepare-kit-tick", "item": item}, label=item, checked=done),
                button("×", {"type": "prepare-kit-off", "item": item}, aloud=f"Remove from the list: {item}"),
            ]
        )
        for item, done in read_kept(_Items, items) or []
    ]


@callback(
    _KIT,
    Output("prepare-kit-new", "value"),
    Output("prepare-kit-new", "error"),
    Input({"type": "prepare-kit-tick", "item": ALL}, "checked"),
    Input({"type": "prepare-kit-off", "item": ALL}, "n_clicks"),
    Input("prepare-kit-add", "n_clicks"),
    Input("prepare-kit-new", "n_submit"),
    Input("prepare-kit-none", "n_clicks"),
    State("prepare-kit-new", "value"),
    prevent_initial_call=True,
)
def change_kit(ticks: list[Any], _: list[Any], __: Any, ___: Any, ____: Any, new: Any) -> Any:
    """Change the packing list; only an actual change needs an operator."""
    items = plans.read_kit(here().home)
    pressed = ctx.triggered_id
    ticked = {part["id"]["item"]: v is True for part, v in zip(ctx.inputs_list[0], ticks, strict=True)}
    changed = [(item, ticked.get(item, done)) for item, done in items]
    adds = pressed in ("prepare-kit-add", "prepare-kit-new") and str(new or "").strip()
    if isinstance(pressed, dict) and pressed.get("type") == "prepare-kit-off" and ctx.triggered[0]["value"]:
        changed = [(item, done) for item, done in changed if item != pressed.get("item")]
    elif pressed == "prepare-kit-none":
        changed = [(item, False) for item, _ in changed]
    elif adds:
        changed.append((str(new).strip(), False))
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
    Output("prepare-report", "data"),
    Output("prepare-verdict", "children"),
    Output("prepare-found", "children"),
    Output("prepare-check-again", "disabled"),
    Input("prepare-step", "value"),
    Input("prepare-check-again", "n_intervals"),
    Input("unit", "data"),
    State("prepare-plan", "data"),
)
async def cold_check(step: Any, _: Any, unit: Any, kept: Any) -> Any:
    """Check whether the rig is fit to be lit."""
    draft = draft_of(kept)
    if step not in ("check", "arm") or draft is None:  # a page opened at this step has no draft yet
        return no_update, no_update, no_update, step not in ("check", "arm")
    if problems(draft.doc):
        return None, "Something in the plan is wrong; fix that first.", [], False
    try:
        report = await asyncio.to_thread(check_rig, draft.doc)
    except UserError as exc:
        return None, f"{capital(str(exc))}.", [], False
    return report, f"{fitness(report)}.", [finding(f, unit_of(unit)) for f in report["findings"]], False


def check_rig(doc: Document) -> dict[str, Any]:
    """Check the rig by what the running logger records: `fit` and `findings`.

    UserError if the plan is wrong or no readings are coming in.
    """
    plan, path = read_document(doc), here().journal_path
    if not path.exists():
        raise NothingComesIn
    with contextlib.closing(JournalReader(path)) as reader:
        firing = reader.running()
        if firing is None:
            raise NothingComesIn
        return check_journal(reader, firing, plan if plan.probes else None, here().home).as_dict()


@callback(
    Output("prepare-hands", "children"),
    Output("prepare-beacons", "hidden"),
    Input("prepare-rig", "data"),
    Input("prepare-report", "data"),
    Input("prepare-step", "value"),
    State("prepare-tried", "data"),
    State("prepare-plan", "data"),
    State("unit", "data"),
)
def hands(rig: Any, report: Any, step: Any, tried: Any, kept: Any, unit: Any) -> Any:
    """Say which tips were warmed in the hand."""
    draft = draft_of(kept)
    known_rig = isinstance(rig, dict) and isinstance(rig.get("channels"), list)
    if draft is None or not known_rig or step != "check":
        raise PreventUpdate
    no_lamp = not rig.get("beacons")
    if _is_report(report) and burns(report):
        return html.Li("A fire is burning: keep your hands off the tips.", className="hint"), no_lamp
    rows = [c for c in rig["channels"] if c["letter"] is not None and c["how"] != "°C"]
    if not rows:
        return html.Li("No thermocouple is sending.", className="hint"), no_lamp
    known = tried if isinstance(tried, dict) else {}
    scale, letter = (1.8, "F") if unit == "F" else (1.0, "C")
    found = []
    for c in rows:
        probe = next((p for p in draft.doc["probe"] if channel_of(p, rig["channels"]) is c), None)
        had = known.get(key_of(c))
        words = {"rose": "✓ rose", "fell": "✗ fell: swap its two wires"}.get(str(had), "not warmed yet")
        if c["moving"]:
            sign = "▲ rising, +" if c["moving"] == "rising" else "▼ falling, −"
            words = f"{sign}{abs(c['away'] or 0.0) * scale:.1f} °{letter}"
        name = probe.get("name") if probe else c["channel"]
        found.append(html.Li([html.B(str(name)), html.Span(words)], className=str(had or "")))
    return found, no_lamp


@act(Output("prepare-beacon-said", "children"), Input("prepare-beacon", "n_clicks"))
async def beacon(_: Any) -> str:
    """Test the rigs' lamps and buzzers."""
    await carry_out("beacon_test", {})
    return "Test sent. Does it light up or sound?"


# --- arm ----------------------------------------------------------------------------------------------------


def _is_report(report: Any) -> bool:
    return isinstance(report, dict) and isinstance(report.get("findings"), list)


def _is_firing(firing: Any) -> bool:
    return firing is None or (isinstance(firing, dict) and {"title", "planned"} <= set(firing))


def _ready(checked: Any, kept: Any, rig: Any, report: Any, items: Any) -> Ready | None:
    draft = draft_of(kept)
    if draft is None or not isinstance(checked, dict):
        return None
    found = checked.get("problems")
    return Ready(
        draft.doc,
        found if isinstance(found, list) else [],
        rig if isinstance(rig, dict) and _is_firing(rig.get("firing")) and "state" in rig else None,
        report if _is_report(report) else None,
        read_kept(_Items, items) or [],
        checked.get("limits") or [],
    )


@callback(
    Output({"type": "prepare-state", "step": ALL}, "children"),
    Output("prepare-facts", "children"),
    Output("prepare-reasons", "children"),
    Output("prepare-anyway-row", "hidden"),
    Output("prepare-ending-row", "hidden"),
    Output("prepare-ending", "label"),
    Output("prepare-arm", "disabled"),
    Input("prepare-checked", "data"),
    Input("prepare-standing", "data"),
    Input("prepare-report", "data"),
    Input("prepare-kit", "data"),
    Input("prepare-anyway", "checked"),
    Input("prepare-ending", "checked"),
    State("prepare-plan", "data"),
    State("unit", "data"),
)
def ready(
    checked: Any, rig: Any, report: Any, items: Any, anyway: Any, ending: Any, kept: Any, unit: Any
) -> Any:
    """Show how far the preparations are, and whether the plan can be armed."""
    known = _ready(checked, kept, rig, report, items)
    if known is None:
        raise PreventUpdate
    states = step_states(known, needed_draft(kept).name)
    in_unit: Unit = unit_of(unit)
    facts = [html.Div([html.Dt(name), html.Dd(text)]) for name, text in known.facts(in_unit)]
    never, advice = known.never(), known.advice(in_unit)
    reasons = [
        html.Li(
            [
                html.Span(text),
                button(
                    "Go there",
                    {"type": "prepare-go", "to": where, "at": f"reason {n}"},
                    aloud=f"Go there: {text}",
                ),
            ]
        )
        for n, (text, where) in enumerate([*never, *advice])
    ]
    running = (known.rig or {}).get("firing")
    planned = bool(running and running["planned"])
    label = "End the running firing now."
    if running and planned:
        label = f"“{running['title']}” is running under its own plan. End it now."
    may = not never and (not advice or anyway is True) and (not planned or ending is True)
    return (
        [states.get(part["id"]["step"], "") for part in ctx.outputs_list[0]],
        facts,
        reasons,
        bool(never) or not advice,
        not planned,
        label,
        not may,
    )


@act(
    Output("prepare-onward", "href"),
    PLAN,
    Output("prepare-arm-said", "children"),
    Input("prepare-arm", "n_clicks"),
    State("prepare-plan", "data"),
    State("prepare-ending", "checked"),
    State("prepare-anyway", "checked"),
    running=[(Output("prepare-arm", "disabled"), True, False)],
)
async def arm(_: Any, kept: Any, ending: Any, anyway: Any) -> Any:
    """Arm: the logger records under this plan from now on."""
    doc = needed_draft(kept).doc
    found = problems(doc)
    if found:
        return no_update, no_update, f"{found[0]['label']}: {found[0]['text']}."
    rig = await asyncio.to_thread(look_at_rig, here().home, here().journal_path)
    running = rig["firing"]
    planned = bool(running and running["planned"])
    if planned and ending is not True:
        return (
            no_update,
            no_update,
            f"“{running['title']}” is running under its own plan. First tick “End it now”.",
        )
    data = {"plan_toml": read_document(doc).dumps(), **({"replace": running["id"]} if planned else {})}
    answer = await carry_out("arm", data)
    if answer.get("waiting"):
        return no_update, no_update, "The logger hasn't answered yet; it will arm as soon as it is back."
    return "/", None, ""
