"""The parts of the Fire page: zones, values, log, and the Glance screen."""

import functools
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from dash import html

from dashboard.figures.model import Place
from dashboard.parts.alarm_banner import headline
from dashboard.parts.frame import button
from dashboard.parts.single import one_of
from dashboard.words import (
    FAULTS,
    Unit,
    age,
    arrow,
    capital,
    degrees,
    difference,
    had,
    need,
    old,
    rate,
)
from logger.reading import Status
from logger.words.events import event_words, turned
from logger.words.looks import READS
from logger.words.said import told

if TYPE_CHECKING:
    from dashboard.live.board import Board, Value

Cards = Sequence[tuple[str, list[Any]]]


def verdict(told: dict[str, Any] | None, cards: Cards, firing: dict[str, Any], unit: Unit) -> str:
    """Say what the load needs, from the judgement's values so that it is the same in either unit.

    The judgement's own sentence if that has no numbers in it. `cards` are (zone, card), coldest first.
    """
    if told is None or not told.get("line"):
        return ""
    coldest = next(((z, c) for z, c in cards if z == told.get("coldest")), None)
    if coldest is None or coldest[1][0] is None or not coldest[1][5]:
        return capital(str(told["line"]))
    zone, card = coldest
    levels = [c[0] for _, c in cards if c[0] is not None]
    spread = f" Spread {difference(max(levels) - min(levels), unit)}." if len(levels) > 1 else ""
    blind = [z for z, c in cards if c[6] == "faulty"]
    unseen = f" No verdict on {', '.join(blind)}." if blind else ""
    air = " (air)" if card[6] == "air" else ""
    level = f"{degrees(card[0], unit)}{air}"
    which = "coldest at" if len(cards) > 1 else "at"
    return f"{capital(zone)} is {which} {level}: {need(card, firing, unit)}.{spread}{unseen}"


def forecasts(told: dict[str, Any] | None) -> dict[str, dict[str, Any]]:
    """Return a verdict's forecasts, by zone."""
    return {zone["zone"]: zone["forecast"] for zone in (told or {}).get("zones", ()) if zone.get("forecast")}


def to_come(verdict: dict[str, Any] | None, unit: Unit) -> str:
    """Say what is ahead of the load at this rate."""
    words = told(verdict or {}, "coming", unit)
    return f"{capital(words)}." if words else ""


@functools.lru_cache(64)  # identical objects need no comparing
def zone_card(zone: str, n: int) -> Any:
    """Show the nth zone of the row: name, temperature, direction, need; a touch singles it out."""
    level = [html.Span("", id=f"zone-level-{n}"), html.Span("", id=f"zone-way-{n}", className="way")]
    needs = html.Span("", id=f"zone-need-{n}", className="need")
    words = [html.B(zone), html.Span(level, className="level"), needs]
    return html.Li(one_of("fire", zone, words, className="zone"))


def zone_texts(cards: Cards, firing: dict[str, Any], unit: Unit) -> dict[str, str | list[str]]:
    """Make the texts of the zones' cards."""
    texts: dict[str, str | list[str]] = {}
    for n, (_, card) in enumerate(cards):
        texts[f"zone-level-{n}"] = degrees(card[0], unit)
        texts[f"zone-way-{n}"] = "" if card[6] == "faulty" else arrow(card[1])
        texts[f"zone-need-{n}"] = need(card, firing, unit)
    return texts


def zone_details(cards: Cards, board: "Board", unit: Unit) -> list[Any]:
    """Show what each zone has had, the estimate of its pots, and what is ahead."""
    estimates = (board.verdict or {}).get("estimates") or {}
    ahead = forecasts(board.verdict)
    rows = []
    for zone, card in cards:
        by = {"estimate": "the estimate of the pots", "air": "air probes alone"}.get(card[6])
        words = ["" if card[6] == "faulty" else rate(card[1], unit), *had(card, board.firing or {}, unit)]
        words += [pots(estimates[zone], unit)] if zone in estimates else []
        words += [f"judged by {by}"] if by else []
        said = [html.B(zone), html.Span(degrees(card[0], unit), className="level")]
        said += [html.P(text) for text in words]
        if words_ahead := told(ahead.get(zone) or {}, "words", unit):
            said.append(html.P(capital(words_ahead), className="ahead"))
        rows.append(html.Li(said))
    if estimates:
        rows.append(html.Li(html.P(which_counts(cards), className="hint")))
    return rows


def pots(estimate: dict[str, Any], unit: Unit) -> str:
    """Say how hot a zone's pots are by the model, from the verdict's estimate."""
    half_c = (estimate["high_c"] - estimate["low_c"]) / 2
    how = {"spot": "gun readings", "neighbours": "its neighbours"}.get(estimate["basis"])
    said = f", from {how}" if how else "" if estimate["consistent"] else ", not yet sure"
    if estimate["basis"] == "nothing":
        said = ", no longer known"
    return f"pots {degrees(estimate['estimate_c'], unit)} ± {difference(half_c, unit)} (estimated{said})"


def which_counts(cards: Cards) -> str:
    """Say which of a zone's two numbers counts for verdict, target and soak."""
    by = {card[6] == "estimate" for _, card in cards}
    if by == {True}:
        return "The estimates count for verdict, target and soak."
    if True in by:
        return "The estimate counts where a zone says so; elsewhere the probes do."
    return "The probe readings count; the estimate of the pots is only a model's advice."


def glance(cards: Cards, board: "Board", unit: Unit, live: bool) -> dict[str, str | list[str]]:
    """Say what must be readable from three metres: the coldest zone, or that nothing can be trusted."""
    bad = board.unseen() if board.running else []
    bad.sort(key=lambda a: a.get("state") != "unacknowledged")  # standing alarms before cleared ones
    more = f" (+{len(bad) - 1} more)" if bad[1:] else ""
    texts: dict[str, str | list[str]] = {
        "glance-alarm": headline(bad[0])[0] + more if bad else "",
        "glance-advice": told(bad[0], "advice", unit) if bad else "",
    }
    if not live or not cards:
        words = "No reading to go by: look at the fire."
        return texts | {"glance-zone": "", "glance-number": "", "glance-way": "", "glance-need": words}
    zone, card = cards[0]
    ways = {"▬": "Steady", "▲": "Rising", "▼": "Falling"}
    way = ways.get(arrow(card[1]), "Direction not known yet")
    return texts | {
        "glance-zone": f"{capital(zone)}{' is coldest' if cards[1:] else ''}",
        "glance-number": degrees(card[0], unit),
        "glance-way": arrow(card[1]),
        "glance-need": f"{way}. {need(card, board.firing or {}, unit)}.",
    }


def value_row(i: int, place: Place) -> Any:
    """Make the row of a probe; `value-{i}` and `moves-{i}` fill in what it reads."""
    where = [f"{place.height_cm:g} cm" if place.height_cm is not None else place.side, READS[place.reads]]
    about = html.Span(" · ".join(filter(None, where)), className="where")
    says = [html.Span("", id=f"value-{i}"), html.Span("", id=f"moves-{i}")]
    words = [
        html.Span(str(place.number), className=f"key line-{i % 8} dash-{i % 5}"),
        html.Span([html.B(place.name), about], className="who"),
        html.Span(says, className="says"),
    ]
    return html.Li(one_of("fire", place.zone, words, line=i, className="value", **{"data-probe": place.name}))


def value_words(
    value: "Value", unit: Unit, *, running: bool, silent: bool, age_s: float | None
) -> tuple[str, str, str]:
    """Return a probe's reading, a detail, and its kind: `ok`, `beyond`, `fault` or `stale`.

    An old number never looks like a new one: `silent` if nothing has come for too long, `age_s` is the age
    of the last temperature.
    """
    c = degrees(value.c, unit)
    if value.status != Status.OK:
        reading = "no reading" if value.newest_s is None else FAULTS[Status(value.status)]
        ago = f", {age(age_s)}" if running and age_s is not None else ""
        was = "" if value.c is None else f"was {c}{ago}"
        # Out of range is no fault: the fire is hotter than the probe can read.
        return reading, was, "beyond" if value.status == Status.RANGE else "fault"
    if not running:
        return c, "last reading", "ok"
    if silent:
        return c, "" if age_s is None else old(age_s), "stale"
    return c, f"{arrow(value.rate_c_min)}{_half(value, unit)}", "ok"


def _half(value: "Value", unit: Unit) -> str:
    return "" if value.half_c is None else f" ± {difference(value.half_c, unit)}"


def touched(value: "Value", unit: Unit) -> str:
    """Describe a touched probe: its reading, how certain it is, and how fast it changes."""
    if not value.ok:
        return FAULTS[Status(value.status)] or "no reading"
    return f"{degrees(value.c, unit)}{_half(value, unit)}, {rate(value.rate_c_min, unit)}"


def log(events: Sequence[dict[str, Any]], unit: Unit) -> list[Any]:
    """Show what happened, newest first."""
    rows = []
    for event in sorted(events, key=lambda e: (-e["t"], -e["id"]))[:60]:
        words = event_words(event["kind"], event.get("data") or {}, unit)
        row = [_minute(event), html.Span(words + _who(event, " ({})"))]
        if event["kind"] == "note":
            edit = {"type": "note-edit", "event": event["id"]}
            row.append(button("Edit", edit, className="act", aloud=f"Edit: {words}"))
        rows.append(html.Li(row, className=f"was-{event['kind']}"))
    return rows


def alarm_history(events: Sequence[dict[str, Any]], unit: Unit) -> list[Any]:
    """Show every turn of every alarm, newest first."""
    rows = []
    for event in reversed([e for e in events if e["kind"] == "alarm"]):
        name, fact = headline(event["data"], unit)
        turn = capital(turned(event["data"])) + _who(event, " by {}")
        rows.append(html.Li([_minute(event), html.Span(f"{turn}: {name}. {fact}")]))
    return rows


def _minute(event: dict[str, Any]) -> Any:
    return html.B(f"{int(event['t'] // 60)} min")


def _who(event: dict[str, Any], words: str) -> str:
    return words.format(event["who"]) if event["who"] not in ("", None, "page") else ""
