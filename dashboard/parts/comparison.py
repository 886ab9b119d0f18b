"""Firings side by side: what people compare, as tables. Pure."""

from collections.abc import Mapping, Sequence
from typing import Any, Final

from dash import html

from dashboard.figures.comparison import Bar, heats
from dashboard.parts.frame import scroll, table
from dashboard.words import Unit
from logger.report.facts import Basis, Fact
from logger.report.gather import Gathered
from logger.report.shown import MINUS, Shown, since
from logger.words.looks import ABOVE_C

MARKS: Final[dict[Basis, str]] = {"measured": "", "estimated": "*", "judged": "†", "written": "‡"}
WHOSE: Final = "† from the judgement; ‡ written down by people; everything else comes from the readings"
SOURCES: Final = (
    f"* from a model, not a measurement; {WHOSE} of the probes where they sit. A zone is the mean of the "
    "probes that stand for it, leaving out any that could not be trusted; rates are over one minute. A "
    "probe in the gap reads gas and glow, not the pots."
)


def bars(known: Sequence[Gathered]) -> list[Bar]:
    """Return what each zone of each firing went through; a zone of coals alone has no target."""
    zones = dict(pair for one in known for pair in zip(one.levels.zones, one.levels.pots, strict=True))
    order = sorted(zones, key=lambda zone: not zones[zone])  # the pots come first, coals alone last
    found = []
    for number, one in enumerate(known, 1):
        judged = {z["zone"]: z for z in one.rehearsal["zones"]}
        values = {(fact.zone, fact.key): fact.value for fact in one.facts}
        for zone, pots in zip(one.levels.zones, one.levels.pots, strict=True):
            above = tuple(values[zone, f"above_{limit:.0f}_min"] for limit in ABOVE_C)
            reached = bool(judged[zone]["reached_target"]) if pots else None
            found.append(Bar(zone, number, one.info.title, above, judged[zone]["peak_c"], reached))
    return sorted(found, key=lambda bar: order.index(bar.zone))


def change(fact: Fact, first: Fact, unit: Unit) -> str:
    """Write a fact's difference from the first firing's, with its sign; `±0` if it rounds to nothing.

    Degrees are differences of the rounded numbers shown; short differences of minutes have tenths.
    """
    value = _written(fact, unit) - _written(first, unit)
    fine = fact.unit == "°C/min" or (fact.unit == "min" and 0 < abs(value) < 9.95)
    text = f"{abs(value):.{1 if fine else 0}f}"
    sign = "±" if float(text) == 0 else "+" if value > 0 else MINUS
    of = "" if fact.unit == "count" else f" {fact.unit.lstrip('Δ').replace('°C', f'°{unit}')}"
    return f"{sign}{text}{of}"


def _written(fact: Fact, unit: Unit) -> float:
    assert fact.value is not None
    value = fact.value
    if unit == "F" and fact.unit in ("°C", "Δ°C", "°C/min"):
        value = value * 1.8 + (32.0 if fact.unit == "°C" else 0.0)
    return value if fact.unit == "min" else round(value, 1 if fact.unit == "°C/min" else 0)


def fact_table(
    zone: str, rows: Sequence[Sequence[Fact | None]], titles: Sequence[str], shown: Shown, *, opened: bool
) -> Any:
    """Make the table of the whole load (`zone` is empty) or one zone: a row per fact, a column per firing.

    Unless `opened`, it is folded under its name.
    """
    name = f"Zone {zone}" if zone else "The whole load"
    heads = ["Fact", *([html.B(f"{n} "), title] for n, title in enumerate(titles, 1))]
    body = [_row(facts, shown) for facts in rows if any(f is not None and f.value is not None for f in facts)]
    parts = [html.Summary(name), scroll(name, table(heads, body))]
    return html.Details(parts, open=opened, **{"data-zone": zone})


def _row(facts: Sequence[Fact | None], shown: Shown) -> Any:
    some = next(fact for fact in facts if fact is not None)
    marks = "".join(sorted({MARKS[fact.basis] for fact in facts if fact is not None}))
    label = shown.label(some)
    head = html.Th([label, html.Sup(marks)] if marks else label, scope="row")
    cells = [html.Td(_cell(fact, facts[0] if n else None, shown)) for n, fact in enumerate(facts)]
    return html.Tr([head, *cells], **{"data-fact": some.key})


def _cell(fact: Fact | None, first: Fact | None, shown: Shown) -> Any:
    if fact is None or fact.value is None:
        return "–"
    more = []
    if fact.low is not None and fact.high is not None:
        more.append(f"{shown.degrees(fact.low, unit=False)} to {shown.degrees(fact.high)}")
    if fact.limits_c and "{0}" not in fact.label:
        more.append(shown.degrees(fact.limits_c[0]))
    if fact.words and fact.key != "lit_min":
        more.append(fact.words)
    parts: list[Any] = [html.B(shown.fact(fact))]
    if first is not None and first.value is not None:
        parts.append(html.Span(f" {change(fact, first, shown.unit)}", className="change"))
    if more:
        parts.append(html.Small("; ".join(more)))
    return parts


def verdict_rows(verdicts: Sequence[Mapping[str, Any]], shown: Shown) -> Any:
    """Make the table of a rehearsal's zones with their verdicts, the lowest peak first."""
    rows = []
    for zone in verdicts:
        above, soak = (f"{zone[key] / 60:.0f} min" for key in ("above_burnout_s", "soak_s"))
        cells = [html.Th(zone["zone"], scope="row"), html.Td(shown.degrees(zone["peak_c"]), className="peak")]
        cells += [html.Td(text) for text in (since(zone["peak_s"]), above, soak, zone["verdict"])]
        rows.append(html.Tr(cells, **{"data-zone": zone["zone"]}))
    heads = ("Zone", "Peak", "At", "Above burn-out", "At target", "Verdict")
    return table(heads, rows, className="tall-last")


def heat_key(unit: Unit) -> list[Any]:
    """Make the key to the temperature colours."""
    return [
        html.Li([html.Span("", style={"background": colour}), name], **{"data-heat": name})
        for name, colour in heats(unit)
    ]


def told_of_load(facts: Sequence[Fact], shown: Shown) -> list[Any]:
    """List the facts about the whole load."""
    told = []
    for fact in facts:
        if fact.zone is not None or fact.value is None:
            continue
        label = f"{shown.label(fact)}{MARKS[fact.basis]}"
        told.append(html.Div([html.Dt(label), html.Dd(shown.told(fact))], **{"data-fact": fact.key}))
    return told
