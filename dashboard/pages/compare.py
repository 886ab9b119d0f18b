"""Two to six firings side by side: what the pots went through, a table of facts, and curves."""

import asyncio
import contextlib
import csv
import io
from typing import Any, Final
from urllib.parse import quote

import dash_mantine_components as dmc
import numpy as np
from dash import Input, Output, State, callback, dcc, html, no_update
from dash.exceptions import PreventUpdate

from dashboard import tables
from dashboard.context import here
from dashboard.figures.comparison import Curve, curves_figure, endured_figure
from dashboard.figures.look import Unit, theme_of, unit_of
from dashboard.pages import progress
from dashboard.pages.asked import ids_of, on_change, read_kept
from dashboard.parts.comparison import SOURCES, bars, fact_table, heat_key
from dashboard.parts.frame import button, door_row, graph, items, options, page_top, stores
from dashboard.parts.wiring import inputs, outputs, states
from dashboard.stored import shelf
from dashboard.words import shown as in_unit
from logger.errors import StokewatchError, UserError
from logger.exchange.export import FORMULA
from logger.report.gather import Gathered
from logger.report.levels import LIT_C_PER_MIN, crossing, decimate, smoothed
from logger.report.shown import Shown, minutes, shown

MOST: Final = 6
LINE_POINTS: Final = 700
"""Points per curve."""
COLDEST, HOTTEST = "coldest zone", "hottest zone"
LIGHTING, PASSING = "lighting", "a temperature"
LEAST_C, MOST_C = 30.0, 1200.0


def layout(firings: str = "", **_query: str) -> Any:
    """Lay out the page for firings whose IDs are separated by commas."""
    asked = list(dict.fromkeys(part.strip() for part in firings.split(",") if part.strip()))
    more = f" Six at most: {len(asked) - MOST} left out." if len(asked) > MOST else ""
    choice = dmc.MultiSelect(
        id="compare-choice",
        label="Firings",
        description="Two to six",
        data=[],
        value=asked[:MOST],
        maxValues=MOST,
        searchable=True,
        debounce=300,
    )
    parts: list[Any] = [
        dcc.Location(id="compare-address", refresh="callback-nav"),
        *stores("compare", firings=asked[:MOST], ready=[]),
        dcc.Download(id="compare-file"),
        page_top("Compare firings", html.P(more, id="compare-left-out")),
        progress.working("compare"),
        html.Ol(id="compare-chosen"),
        html.Details([html.Summary("Choose firings"), choice], open=len(asked) < 2),
        html.Div(id="compare-body", hidden=True, children=_body()),
    ]
    return html.Div(parts, id="compare")


def _body() -> list[Any]:
    return [
        html.H2("What the pots went through"),
        html.P(
            "Time spent at each temperature, zone by zone. Each bar ends with the peak: ✓ if it reached the "
            "target, “short” if not."
        ),
        html.Ul(id="compare-key", **{"aria-label": "Temperature colours"}),
        dcc.Graph(id="compare-endured", config={"displayModeBar": False, "responsive": True}),
        html.H2("Comparison"),
        html.P("Differences from the first are in small print."),
        html.Div(id="compare-facts"),
        html.P(SOURCES, className="sources"),
        door_row(button("Save the table as CSV", "compare-save")),
        html.H2("Curves"),
        _how(),
        html.Div(graph("compare-curves", style={"height": "100%"}), className="compare-curves"),
        html.Ol(id="compare-moments"),
    ]


def _how() -> Any:
    """Choose what the curves show, and where they are aligned."""
    kept = {"persistence": True, "persistence_type": "session"}

    def choice(name: str, label: str, data: list[str], **more: Any) -> Any:
        return dmc.Select(id=f"compare-{name}", label=label, data=data, allowDeselect=False, **more)

    passing = [
        choice("zone", "Zone", [], **kept),
        dmc.NumberInput(id="compare-at", label="Temperature", value=500, debounce=300),
    ]
    parts = [
        choice("line", "Line", [COLDEST, HOTTEST], value=COLDEST),
        choice("align", "Align at", [LIGHTING, PASSING], value=LIGHTING, **kept),
        html.Div(passing, id="compare-passing", className="compare-how", hidden=True),
    ]
    return html.Div(parts, className="compare-how")


@callback(Output("compare-choice", "data"), Input("compare-firings", "data"))
async def firings_there(_: Any) -> list[dict[str, str]]:
    """List the firings that can be compared."""
    found = await asyncio.to_thread(shelf.firings, here().journal_path)
    said = [(i.title or "Firing", tables.day_of(i), "invented" if i.invented else "") for i in found]
    return options((i.id, ", ".join(filter(None, words))) for i, words in zip(found, said, strict=True))


@on_change(
    Output("compare-address", "search"),
    Input("compare-choice", "value"),
    *states("compare-firings.data", "compare-choice.data"),
)
def choose(chosen: Any, now: Any, options: Any) -> str:
    """Go to the page of the chosen firings, whose address can be bookmarked."""
    ids, there = ids_of(chosen)[:MOST], [option["value"] for option in options or ()]
    # The list drops unknown IDs by itself; the page stays, to say why they can't be compared.
    if ids == [firing for firing in ids_of(now) if firing in there]:
        raise PreventUpdate
    return f"?firings={quote(','.join(ids), safe=',')}"


@callback(
    *progress.shown("compare"),
    Output("compare-ready", "data"),
    Input("compare-poll", "n_intervals"),
    *states("compare-firings.data", "compare-ready.data"),
)
async def work_out(_: int | None, firings: Any, ready: Any) -> Any:
    """Work out one firing after another: each takes seconds the first time, and shows once it is ready."""
    ids = ids_of(firings)[:MOST]
    gathered = here().gathering
    done: list[str] = []
    for number, firing in enumerate(ids, 1):
        try:
            work = await gathered.rehearsal(await gathered.firing(firing))
        except UserError:
            done.append(firing)  # reported where it is listed
            continue
        if await progress.so_far(work) is not None:
            share = (number - 1 + work.share) / len(ids)
            said = f"Working out {number} of {len(ids)} …"
            # Only if there is something new: otherwise everything would be redrawn each time.
            return f"{share:.2f}", said, False, False, no_update if done == ids_of(ready) else done
        done.append(firing)
    return *progress.over("" if len(ids) > 1 else "Choose at least two firings."), done


@on_change(
    *progress.shown("compare", again=True),
    Input("compare-stop", "n_clicks"),
    *states("compare-firings.data", "compare-ready.data"),
)
async def stop(_: int, firings: Any, ready: Any) -> progress.Shown:
    """Stop working out."""
    gathered = here().gathering
    for firing in ids_of(firings)[:MOST]:
        if firing not in ids_of(ready):
            with contextlib.suppress(UserError):
                await (await gathered.rehearsal(await gathered.firing(firing))).stop()
    return progress.over("Stopped. The rest of the firings were not worked out.")


@callback(
    *outputs("compare-chosen.children", "compare-body.hidden", "compare-key.children"),
    *outputs("compare-endured.figure", "compare-endured.style", "compare-facts.children"),
    *outputs("compare-line.data", "compare-zone.data", "compare-zone.value"),
    *inputs("compare-ready.data", "unit.data"),
    *states("theme.data", "compare-firings.data", "compare-zone.value"),
)
async def show(ready: Any, unit: Any, theme: Any, firings: Any, zone: Any) -> Any:
    """Show what the pots went through in each firing."""
    known, wrong = await _known(ready)
    chosen = [await _chosen(firing, known, wrong) for firing in ids_of(firings)[:MOST]]
    if not known:
        return chosen, True, [], {}, {}, [], [COLDEST, HOTTEST], [], None
    write = shown(unit_of(unit), "UTC")
    zones = list(dict.fromkeys(zone for one in known for zone in one.levels.zones))
    figure = endured_figure(bars(known), unit=write.unit, theme=theme_of(theme))
    named = [f"zone {name}" for name in zones]
    picked = zone if zone in zones else zones[0] if zones else None
    high = {"height": f"{figure['layout']['height']}px"}  # a responsive figure has no height of its own
    key, lines = heat_key(write.unit), [COLDEST, HOTTEST, *named]
    return chosen, False, key, figure, high, _facts(known, write), lines, zones, picked


async def _known(ready: Any) -> tuple[list[Gathered], dict[str, str]]:
    """Return the firings that have been worked out, and why the others couldn't be."""
    gathered = here().gathering
    known, wrong = [], {}
    for firing in ids_of(ready)[:MOST]:
        try:
            known.append(await gathered.known(firing))
        except StokewatchError as exc:
            wrong[firing] = str(exc)
    return known, wrong


async def _chosen(firing: str, known: list[Gathered], wrong: dict[str, str]) -> Any:
    if firing in wrong:
        return html.Li([html.B(firing), html.Span(f" {wrong[firing]}", className="wrong")])
    one = next((one for one in known if one.info.id == firing), None)
    if one is None:
        title = ""
        with contextlib.suppress(UserError):  # an unknown one is reported when its turn comes
            title = (await here().gathering.firing(firing)).title
        return html.Li([html.B(title or firing), " is being worked out …"])
    info = one.info
    when = tables.day_of(info, "no date in the file")
    notes = [when, "still running" if info.running else "", "invented, not measured" if info.invented else ""]
    number = html.B(f"{known.index(one) + 1} ", className="number")
    link = dcc.Link(info.title or "Firing", href=f"/report/{info.id}")
    return html.Li([number, link, html.Span(" " + " · ".join(filter(None, notes)))])


def _facts(known: list[Gathered], write: Shown) -> list[Any]:
    """Make a table for the whole load and one per zone; the first firing's coldest zone is open."""
    by_zone: dict[str, list[Any]] = {}
    for (zone, _), facts in tables.fact_rows(known):
        by_zone.setdefault(zone, []).append(facts)
    coldest = next((f.words for f in known[0].facts if f.key == "coldest_peak_c"), "")
    titles = [one.info.title or "Firing" for one in known]
    few = len(by_zone) < 4
    order = ["", *dict.fromkeys(bar.zone for bar in bars(known))]
    return [
        fact_table(zone, rows, titles, write, opened=few or zone in ("", coldest))
        for zone, rows in sorted(by_zone.items(), key=lambda each: order.index(each[0]))
    ]


@callback(
    *outputs("compare-curves.figure", "compare-moments.children", "compare-at.error"),
    *outputs("compare-at.suffix", "compare-passing.hidden"),
    *inputs("compare-ready.data", "compare-line.value", "compare-align.value", "compare-zone.value"),
    *inputs("compare-at.value", "unit.data"),
    State("theme", "data"),
)
async def curves(ready: Any, line: Any, align: Any, zone: Any, at: Any, unit: Any, theme: Any) -> Any:
    """Draw one curve per firing, aligned at the chosen moment."""
    own: Unit = unit_of(unit)
    free = align != PASSING
    low, high = in_unit(LEAST_C, own), in_unit(MOST_C, own)
    typed = read_kept(float, at)
    if not free and (typed is None or not low <= typed <= high):
        said = f"Enter {low:.0f} to {high:.0f} °{own}."
        return no_update, no_update, said, no_update, no_update
    at_c = None if free or typed is None else (typed - 32.0) / 1.8 if own == "F" else typed
    known, _ = await _known(ready)
    zone = zone if isinstance(zone, str) else ""
    drawn, words = await asyncio.to_thread(_curves, known, line, zone, at_c, own)
    targets = {one.plan.target_c for one in known}
    figure = curves_figure(
        drawn,
        since="lighting" if free else "that moment",
        target_c=targets.pop() if len(targets) == 1 else None,
        unit=own,
        theme=theme_of(theme),
    )
    rate = LIT_C_PER_MIN * (1.8 if own == "F" else 1.0)
    words.append(f"Lighting is when a zone first rises by {rate:.0f} °{own} a minute for two minutes.")
    return figure, items(words), "", f" °{own}", free


def _curves(
    known: list[Gathered], line: Any, zone: str, at_c: float | None, unit: Unit
) -> tuple[list[Curve], list[str]]:
    drawn, words = [], []
    name = line.removeprefix("zone ") if isinstance(line, str) and line.startswith("zone ") else ""
    for number, one in enumerate(known, 1):
        zero_s, how = moment(one, zone, at_c, unit)
        levels = one.levels
        if name and name not in levels.zones:
            words.append(f"{number}: {how}; it has no zone {name}.")
            continue
        words.append(f"{number}: {how}.")
        c = levels.line(name) if name else levels.hottest() if line == HOTTEST else levels.coldest()
        if not len(levels.t_s):
            continue
        t_s, thin = decimate(levels.t_s, smoothed(c, levels.step_s), LINE_POINTS)
        drawn.append(Curve(number, one.info.title, np.asarray(t_s) - zero_s, thin))
    return drawn, words


def moment(one: Gathered, zone: str, at_c: float | None, unit: Unit = "C") -> tuple[float, str]:
    """Find the moment a firing is aligned at [s from its first reading], and describe it.

    It is when the zone first passes `at_c` [°C]; the lighting if that is None or the zone never got that hot.
    """
    lit = one.lit
    how = "no lighting was seen: aligned at its first reading"
    if lit.found:
        how = f"lit {minutes(lit.t_s)} after its first reading"
    if at_c is None:
        return lit.t_s, how
    if zone not in one.levels.zones:
        return lit.t_s, f"it has no zone {zone}; {how}"
    at = f"{in_unit(at_c, unit):.0f} °{unit}"
    if (found := crossing(one.levels, zone, at_c)) is None:
        return lit.t_s, f"{zone} never reached {at}; {how}"
    return found.t_s, f"{zone} first passes {at} {minutes(found.t_s)} after the first reading"


@on_change(Output("compare-file", "data"), Input("compare-save", "n_clicks"), State("compare-ready", "data"))
async def save(_: int | None, ready: Any) -> Any:
    """Save the facts as a CSV file: values in the units of their keys, one column per firing."""
    known, _wrong = await _known(ready)
    text = io.StringIO()
    table = csv.writer(text, lineterminator="\n")
    table.writerow(["zone", "fact", *(one.info.id for one in known)])
    for (zone, key), facts in tables.fact_rows(known):
        values = [
            None if fact is None or fact.value is None else round(float(fact.value), 3) for fact in facts
        ]
        table.writerow([f"'{zone}" if zone.startswith(FORMULA) else zone, key, *values])
    return {"content": text.getvalue(), "filename": "comparison.csv"}
