"""Prepare, second step: the probes as they report; each is warmed in the hand, named, and given a place."""

import asyncio
from typing import Any, Final

import numpy as np
from dash import ALL, Input, Output, State, callback, ctx, dcc, html, no_update
from dash.exceptions import PreventUpdate

from dashboard.context import here
from dashboard.figures.look import theme_of, unit_of
from dashboard.figures.stack import moved, stack_figure
from dashboard.pages.asked import (
    act,
    button_pressed,
    carry_out,
    changes_draft,
    needed_draft,
    on_change,
    read_kept,
)
from dashboard.pages.prepare_sources import sources_section
from dashboard.parts.frame import button, door_row, halves, section
from dashboard.parts.plan_form import places_of, probe_fields, probe_rows
from dashboard.parts.readiness import STATES, hand_words
from dashboard.parts.wiring import inputs, states
from dashboard.preparing.planning import Document, Draft, draft_of, errors_of
from dashboard.preparing.rig_look import look_at_rig
from dashboard.words import FAULTS, Unit, shown
from logger.plan import MAX_PROBES
from logger.reading import Status

LOOK_MS: Final = 1000
_ASIDE: Final = 0.31
"""Halfway from the middle of the drawing to a side."""
_SELECTED: Final = Output("prepare-selected", "data", allow_duplicate=True)


def panel() -> list[Any]:
    """Make the step's panel."""
    how = {"displayModeBar": False, "responsive": True, "edits": {"annotationPosition": True}}
    graph = dcc.Graph(id="prepare-stack", responsive=True, config=how, className="stack")
    drag = (
        "Drag each probe to its place: windward is left, leeward right. Or tap it in the list and enter its "
        "height and side."
    )
    right = [
        html.Ol(id="prepare-probes"),
        door_row(
            html.P("", id="prepare-more-said"),
            button("Add all to the plan", "prepare-more", hidden=True),
            button("Add a probe", "prepare-add"),
        ),
        html.Div(id="prepare-editor"),
        html.H2("What this rig can't judge"),
        html.Ul(id="prepare-limits"),
    ]
    return [
        dcc.Interval(id="prepare-look", interval=LOOK_MS),
        door_row(
            html.P("", id="prepare-rig-said", role="status"),
            button("Wake the rig", "prepare-wake", className="main", hidden=True),
        ),
        door_row(
            html.P("", id="prepare-hand-said", role="status"),
            button("Name it", "prepare-name-it", hidden=True),
            id="prepare-hand",
        ),
        halves(
            section(graph, html.P(drag, className="hint"), label="The stack before lighting"),
            section(*right, label="Probes"),
        ),
        *sources_section(),
    ]


def _selected(i: Any, doc: Document) -> int | None:
    return i if read_kept(int, i) is not None and 0 <= i < len(doc.get("probe", [])) else None


@callback(
    Output("prepare-probes", "children"), Input("prepare-plan", "data"), Input("prepare-selected", "data")
)
def show_probes(kept: Any, chosen: Any) -> Any:
    """Show the probes as a list."""
    doc = needed_draft(kept).doc
    return probe_rows(doc, _selected(chosen, doc), errors_of(doc))


@callback(
    Output("prepare-stack", "figure"), Input("prepare-plan", "data"), *states("theme.data", "unit.data")
)
def draw(kept: Any, theme: Any, unit: Any) -> Any:
    """Draw the stack before lighting."""
    places = places_of(needed_draft(kept).doc)
    return stack_figure(
        places,
        np.full(len(places), np.nan),
        words={p.name: "no reading yet" for p in places},
        editable=True,
        theme=theme_of(theme),
        unit=unit_of(unit),
    )


def editor(chosen: Any, doc: Document, unit: Unit, errors: dict[str, str]) -> list[Any]:
    """Make the fields of the probe at index `chosen`, as the browser sent it; `errors` are by field."""
    i = _selected(chosen, doc)
    return [] if i is None else probe_fields(doc, i, unit, errors)


@on_change(
    _SELECTED,
    Input({"type": "prepare-pick", "i": ALL, "at": ALL}, "n_clicks"),
    State("prepare-selected", "data"),
)
def pick(_: list[Any], chosen: Any) -> Any:
    """Choose a probe, or close its fields."""
    i = button_pressed()["i"]
    return None if i == chosen else i


@changes_draft(
    _SELECTED,
    *inputs("prepare-take-out.n_clicks", "prepare-lower.n_clicks", "prepare-higher.n_clicks"),
    State("prepare-selected", "data"),
)
def change_probe(_: Any, __: Any, ___: Any, chosen: Any, draft: Draft) -> Any:
    """Remove a probe from the plan, or move it by 1 cm."""
    i = _selected(chosen, draft.doc)
    if i is None or not ctx.triggered[0]["value"]:
        raise PreventUpdate
    probes = _probes(draft)
    if ctx.triggered_id == "prepare-take-out":
        del probes[i]
        return draft.with_(probe=probes), None
    by = 1.0 if ctx.triggered_id == "prepare-higher" else -1.0
    probes[i]["height_cm"] = (places_of(draft.doc)[i].height_cm or 0.0) + by
    return draft.with_(probe=probes), chosen


def _probes(draft: Draft) -> list[dict[str, Any]]:
    """Copy the plan's probes, to change them."""
    return [dict(p) for p in draft.doc["probe"]]


@changes_draft(Input("prepare-stack", "relayoutData"))
def drag(relayout: Any, draft: Draft) -> Draft:
    """Put a probe where it was dragged."""
    found = moved(relayout) if isinstance(relayout, dict) else {}
    if not found:
        raise PreventUpdate
    probes = _probes(draft)
    placed = [i for i, place in enumerate(places_of(draft.doc)) if place.height_cm is not None]
    for n, (x, height) in found.items():
        probe = probes[placed[n]] if n < len(placed) else {}
        if height is not None:
            probe["height_cm"] = min(max(height, -200.0), 1000.0)
        if x is not None:
            middle = probe.get("side") if probe.get("side") in ("front", "back") else "centre"
            probe["side"] = "windward" if x < -_ASIDE else "leeward" if x > _ASIDE else middle
    return draft.with_(probe=probes)


# --- what the rig sends -------------------------------------------------------------------------------------


def key_of(channel: dict[str, Any]) -> str:
    """Name a channel and its rig."""
    return f"{channel['rig']} {channel['channel']}"


def channel_of(probe: dict[str, Any], channels: list[dict[str, Any]]) -> dict[str, Any] | None:
    """Find a probe's channel as the logger does: by name, and by rig where one is named."""
    name, rig = probe.get("channel") or probe.get("name"), probe.get("rig")
    return next((c for c in channels if c["channel"] == name and (not rig or rig == c["rig"])), None)


@callback(
    output={
        "rig": Output("prepare-rig", "data"),
        "in_hand": Output("prepare-in-hand", "data"),
        "standing": Output("prepare-standing", "data"),
        "tried": Output("prepare-tried", "data"),
        "said": Output("prepare-rig-said", "children"),
        "wake": Output("prepare-wake", "hidden"),
        "hand": Output("prepare-hand-said", "children"),
        "way": Output("prepare-hand", "data-way"),
        "name_it": Output("prepare-name-it", "hidden"),
        "more": Output("prepare-more-said", "children"),
        "no_more": Output("prepare-more", "hidden"),
        "idle": Output("prepare-look", "disabled"),
    },
    inputs={"_": Input("prepare-look", "n_intervals"), "step": Input("prepare-step", "value")},
    state={
        "kept": State("prepare-plan", "data"),
        "tried": State("prepare-tried", "data"),
        "standing": State("prepare-standing", "data"),
        "unit": State("unit", "data"),
    },
)
async def look(_: Any, step: Any, kept: Any, tried: Any, standing: Any, unit: Any) -> dict[str, Any]:
    """Show what the rig is sending."""
    rig = await asyncio.to_thread(look_at_rig, here().home, here().journal_path)
    draft = draft_of(kept)
    probes = draft.doc["probe"] if draft else []
    mine = {key_of(c): str(p.get("name", "")) for p in probes if (c := channel_of(p, rig["channels"]))}
    words, key, way = hand_words(rig, mine, unit_of(unit))
    others = [c["channel"] for c in rig["channels"] if key_of(c) not in mine]
    more = f"{', '.join(others)}: sending, but not in the plan." if others else ""
    stands = {"state": rig["state"], "firing": rig["firing"]}
    known = dict(tried) if isinstance(tried, dict) and len(tried) < 200 else {}
    known |= {key_of(c): c["tried"] for c in rig["channels"] if c["tried"]}
    return {
        "rig": rig,
        "in_hand": key or no_update,  # it may have settled just before "Name it" is tapped
        "standing": no_update if stands == standing else stands,  # all that depends on it is rebuilt
        "tried": known,
        "said": STATES[rig["state"]],
        "wake": rig["state"] != "holding",
        "hand": words,
        "way": way,
        "name_it": not key,
        "more": more,
        "no_more": not others,
        "idle": step not in ("probes", "check", "arm"),  # not visible elsewhere
    }


@callback(
    Output({"type": "prepare-reading", "i": ALL}, "children"),
    *inputs("prepare-rig.data", "prepare-probes.children"),
    *states("prepare-plan.data", "prepare-tried.data", "unit.data"),
)
def readings(rig: Any, _: Any, kept: Any, tried: Any, unit: Any) -> list[Any]:
    """Show what each probe reads."""
    probes = dict(enumerate(needed_draft(kept).doc["probe"]))
    if not isinstance(rig, dict) or not isinstance(channels := rig.get("channels"), list):
        raise PreventUpdate
    known = tried if isinstance(tried, dict) else {}
    own = [channel_of(probes.get(part["id"]["i"], {}), channels) for part in ctx.outputs_list]
    return [_reading(channel, known, unit_of(unit), bool(channels)) for channel in own]


def _reading(channel: dict[str, Any] | None, tried: dict[str, Any], unit: Unit, sends: bool) -> list[Any]:
    if channel is None:
        return [html.Span("no such channel" if sends else "")]
    if channel["status"] != int(Status.OK) or channel["c"] is None:
        return [html.B(FAULTS.get(Status(channel["status"]), "no reading"))]
    had = str(tried.get(key_of(channel)))
    words = {"rose": " ✓ rose when warmed", "fell": " ! fell when warmed"}.get(had, "")
    if channel["moving"]:
        away = abs(channel["away"] or 0.0) * (1.8 if unit == "F" else 1.0)
        words = f" {'▲ +' if channel['moving'] == 'rising' else '▼ −'}{away:.1f}"
    return [html.B(f"{shown(channel['c'], unit):.1f}°"), html.Span(words)]


@act(Output("prepare-wake", "hidden", allow_duplicate=True), Input("prepare-wake", "n_clicks"))
async def wake(_: Any) -> bool:
    """Have the logger record again after a firing has ended."""
    await carry_out("begin", {})
    return True


@changes_draft(
    _SELECTED,
    *inputs("prepare-name-it.n_clicks", "prepare-more.n_clicks", "prepare-add.n_clicks"),
    State("prepare-in-hand", "data"),
)
async def add(_: Any, __: Any, ___: Any, in_hand: Any, draft: Draft) -> Any:
    """Add to the plan: the probe in the hand, every channel that is sending, or one more probe."""
    rig = await asyncio.to_thread(look_at_rig, here().home, here().journal_path)
    channels, probes = rig["channels"], _probes(draft)
    chosen: Any = len(probes)
    if ctx.triggered_id == "prepare-add":
        probes.append(_probe_named(f"probe {len(probes) + 1}"))
    elif ctx.triggered_id == "prepare-more":
        chosen = no_update
        own = [channel_of(p, channels) for p in probes]
        probes += [_probe_of(c, channels) for c in channels if not any(c is mine for mine in own)]
    else:
        held = next((c for c in channels if key_of(c) == in_hand), None)
        if held is None:
            raise PreventUpdate
        at = next((i for i, p in enumerate(probes) if channel_of(p, channels) is held), None)
        if at is not None:
            return None, at
        probes.append(_probe_of(held, channels))
    return draft.with_(probe=probes[:MAX_PROBES]), chosen


def _probe_named(name: str) -> dict[str, Any]:
    own = {"name": name, "channel": name, "zone": name}
    return {**own, "height_cm": None, "side": "", "reads": "air", "type": "K"}


def _probe_of(channel: dict[str, Any], channels: list[dict[str, Any]]) -> dict[str, Any]:
    """Make a probe for a channel, prefixed with its rig's name if two rigs have such a channel."""
    own = channel["channel"]
    twice = sum(c["channel"] == own for c in channels) > 1
    surface = own.startswith("ir") or channel["how"] == "mlx90614"
    probe = _probe_named(f"{channel['rig']} {own}" if twice else own)
    probe |= {"channel": own} | ({"rig": channel["rig"]} if twice else {})
    return probe | ({"reads": "surface", "type": ""} if surface else {"type": channel["letter"] or "K"})
