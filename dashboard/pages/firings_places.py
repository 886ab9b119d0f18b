"""Places, zones and a plan for a firing that came without them: from a file, or a rig without a plan."""

import asyncio
import contextlib
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote

import dash_mantine_components as dmc
from dash import ALL, Input, Output, State, callback, dcc, html, no_update
from dash.exceptions import PreventUpdate

from dashboard.acts import write
from dashboard.context import here
from dashboard.figures.look import unit_of
from dashboard.pages.asked import id_of
from dashboard.parts.firing_card import may_be_placed
from dashboard.parts.frame import door_row, options
from dashboard.security.guard import operator_only
from dashboard.stored import shelf
from dashboard.words import Unit, shown
from logger.errors import UserError
from logger.journal.reader import Column, FiringInfo, JournalReader
from logger.plan import Plan, PlanError, Probe, from_document
from logger.words.looks import READS

PARTS: Final = ("height_cm", "side", "reads", "zone")
WHOLE: Final = {"target_c": "Target", "burnout_c": "Burn-out", "soak_min": "Soak"}


class PlacesError(UserError):
    """A firing that can't be given places: says why."""


def layout(firing: str) -> Any:
    """Lay out the page."""
    return html.Div(
        id="places",
        children=[
            dcc.Store(id="places-firing", data=firing),
            dcc.Store(id="places-unit", data="C"),
            html.Div(
                [
                    html.H1("Places, zones and plan"),
                    html.P("", id="places-about"),
                    door_row(dcc.Link("To the firings", href="/firings")),
                ],
                className="page-top",
            ),
            html.Div(
                id="places-body",
                hidden=True,
                children=[
                    dmc.Select(
                        id="places-plan",
                        label="Take them from a plan",
                        description="Probes are known by their names; what is below can still be changed",
                        placeholder="no plan",
                        data=[],
                        clearable=True,
                    ),
                    html.Div(id="places-whole", className="fields"),
                    html.Ol(id="places-rows"),
                    door_row(
                        dmc.Button("Save", id="places-save"),
                        html.P("", id="places-said", role="status"),
                        id="places-bar",
                    ),
                ],
            ),
        ],
    )


def _read(path: Path, firing: str) -> tuple[FiringInfo, tuple[Column, ...]]:
    with contextlib.closing(JournalReader(path)) as reader:
        info = reader.firing(firing)
        if not may_be_placed(info):
            raise PlacesError(
                f"{info.title or info.id} was fired by a plan of its own, by which its alarms were judged; "
                "that one stays"
            )
        return info, reader.columns(info.id)


@callback(
    Output("places-about", "children"),
    Output("places-body", "hidden"),
    Output("places-plan", "data"),
    Output("places-whole", "children"),
    Output("places-rows", "children"),
    Output("places-unit", "data"),
    Input("places-firing", "data"),
    State("unit", "data"),
)
@operator_only
async def show(firing: Any, unit: Any) -> Any:
    """Show where the probes are, as far as anybody said."""
    path = here().journal_path
    try:
        info, columns = await asyncio.to_thread(_read, path, id_of(firing))
    except UserError as exc:
        return str(exc), True, [], [], [], no_update
    own: Unit = unit_of(unit)
    names = {column.probe.name.casefold() for column in columns}
    plans = [
        (p["ref"], p["title"])
        for p in await asyncio.to_thread(shelf.known_plans, path)
        if any(name.casefold() in names for name in p["names"]) and p["ref"] != f"firing:{info.id}"
    ]
    about = f"{info.title or 'Firing'}: peaks, verdicts and alarms go by what is said here."
    rows = [_row(n, column.probe) for n, column in enumerate(columns)]
    return about, False, options(plans), _whole(info.plan, own), rows, own


def _whole(plan: Plan, unit: Unit) -> list[Any]:
    return [
        dmc.NumberInput(
            id={"type": "places-whole", "part": part},
            label=WHOLE[part],
            value=value,
            suffix=" min" if part == "soak_min" else f" °{unit}",
        )
        for part, value in _whole_of(plan, unit).items()
    ]


def _whole_of(plan: Plan, unit: Unit) -> dict[str, float]:
    """Targets as the form has them."""
    target, burnout = (round(shown(c, unit), 1) for c in (plan.target_c, plan.burnout_c))
    return {"target_c": target, "burnout_c": burnout, "soak_min": plan.soak_min}


def _row(n: int, probe: Probe) -> Any:
    def field(make: Any, part: str, label: str, **more: Any) -> Any:
        own, value = {"type": "place", "n": n, "part": part}, getattr(probe, part)
        return make(id=own, label=label, value="" if value is None else value, **more)

    fields = [
        field(dmc.NumberInput, "height_cm", "Height", suffix=" cm"),
        field(dmc.TextInput, "side", "Side"),
        field(dmc.Select, "reads", "Reads", data=options(READS.items()), allowDeselect=False),
        field(dmc.TextInput, "zone", "Zone"),
    ]
    return html.Li(html.Fieldset([html.Legend(probe.name), *fields]))


def _matched(plan: Plan, columns: tuple[Column, ...]) -> list[Probe | None]:
    """The plan's probe of each column: by its name, else by its channel."""
    by_name = {probe.name.casefold(): probe for probe in plan.probes}
    by_channel = {probe.channel.casefold(): probe for probe in plan.probes}
    return [
        by_name.get(column.probe.name.casefold()) or by_channel.get(column.channel.casefold())
        for column in columns
    ]


@callback(
    Output({"type": "place", "n": ALL, "part": ALL}, "value"),
    Output({"type": "places-whole", "part": ALL}, "value"),
    Input("places-plan", "value"),
    State("places-firing", "data"),
    State("places-unit", "data"),
    State({"type": "place", "n": ALL, "part": ALL}, "id"),
    State({"type": "places-whole", "part": ALL}, "id"),
    prevent_initial_call=True,
)
@operator_only
async def take_plan(ref: Any, firing: Any, unit: Any, ids: list[Any], whole: list[Any]) -> Any:
    """Fill in what a plan says of probes of the same names."""
    path = here().journal_path
    plan = await asyncio.to_thread(shelf.plan_called, path, ref)
    if plan is None:
        raise PreventUpdate
    _, columns = await asyncio.to_thread(_read, path, id_of(firing))
    matched = _matched(plan, columns)
    values = []
    for each in ids:
        n, part = each.get("n"), each.get("part")
        probe = matched[n] if isinstance(n, int) and 0 <= n < len(matched) else None
        value = no_update if probe is None or part not in PARTS else getattr(probe, part)
        values.append("" if value is None else value)
    numbers = _whole_of(plan, unit_of(unit))
    return values, [numbers[each["part"]] for each in whole]


@callback(
    Output({"type": "place", "n": ALL, "part": ALL}, "error"),
    Output({"type": "places-whole", "part": ALL}, "error"),
    Output("places-said", "children"),
    Input("places-save", "n_clicks"),
    State("places-firing", "data"),
    State("places-plan", "value"),
    State("places-unit", "data"),
    State({"type": "place", "n": ALL, "part": ALL}, "id"),
    State({"type": "place", "n": ALL, "part": ALL}, "value"),
    State({"type": "places-whole", "part": ALL}, "id"),
    State({"type": "places-whole", "part": ALL}, "value"),
    prevent_initial_call=True,
)
@operator_only
async def save(
    _: Any,
    firing: Any,
    ref: Any,
    unit: Any,
    ids: list[Any],
    values: list[Any],
    whole_ids: list[Any],
    whole: list[Any],
) -> Any:
    """Save where the probes are, and what the firing was to reach."""
    path = here().journal_path
    info, columns = await asyncio.to_thread(_read, path, id_of(firing))
    chosen = await asyncio.to_thread(shelf.plan_called, path, ref)
    said = {(own.get("n"), own.get("part")): value for own, value in zip(ids, values, strict=True)}
    numbers = {own.get("part"): value for own, value in zip(whole_ids, whole, strict=True)}
    try:
        plan = placed(info, columns, chosen, said, numbers, unit_of(unit))
    except PlanError as exc:
        _, _, rest = (exc.field or "").partition("probe.")
        n, _, part = rest.partition(".")
        wrong = [exc.what if (str(own.get("n")), own.get("part")) == (n, part) else "" for own in ids]
        wrong_whole = [exc.what if own.get("part") == exc.field else "" for own in whole_ids]
        beside = any(wrong) or any(wrong_whole)
        return wrong, wrong_whole, "Not saved." if beside else f"Not saved: {exc.what}"
    await write(path, lambda writer: writer.change_firing(info.id, plan_toml=plan.dumps()))
    own = quote(info.id)
    doors = [dcc.Link("Report", href=f"/report/{own}"), dcc.Link("Replay it", href=f"/replay/{own}")]
    return [""] * len(ids), [""] * len(whole_ids), ["Saved. ", *doors]


def placed(
    info: FiringInfo,
    columns: tuple[Column, ...],
    chosen: Plan | None,
    said: dict[tuple[Any, Any], Any],
    numbers: dict[Any, Any],
    unit: Unit,
) -> Plan:
    """Make the plan that a firing is given; PlanError names the field that is wrong.

    Alarms and couples are those of `chosen`, or of the firing's own plan. `said` is by column and part
    (`PARTS`), as the form has it; `numbers` has `target_c`, `burnout_c` [in `unit`] and `soak_min`.
    """
    base = chosen or info.plan
    matched = _matched(base, columns)
    probes = tuple(
        replace(found or column.probe, channel=column.channel, rig=column.rig)
        for found, column in zip(matched, columns, strict=True)
    )
    doc = tomllib.loads(replace(base, title=base.title or info.title, probes=probes, sources=()).dumps())
    for name in WHOLE:
        value = numbers.get(name)
        if unit == "F" and name != "soak_min" and isinstance(value, int | float):
            value = value if isinstance(value, bool) else (value - 32.0) / 1.8
        doc[name] = value
    for n, table in enumerate(doc.get("probe", [])):
        for part in PARTS:
            value = said.get((n, part))
            if value in (None, ""):
                table.pop(part, None)
                if part == "zone":
                    table[part] = table["name"]  # a zone of its own, as where nobody made a plan
            else:
                table[part] = value
    return from_document(doc)
