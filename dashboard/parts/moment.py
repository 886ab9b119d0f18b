"""What was judged at each moment of a stored firing, for the replay. Pure."""

import math
from bisect import bisect_right
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import partial
from typing import Any

from dash import html

from dashboard.figures.model import Band, Mark, Place
from dashboard.figures.traces import ahead_s
from dashboard.parts.frame import table
from dashboard.parts.single import one_of
from dashboard.words import Unit, alarm_name, degrees, difference, need, shown, span
from logger.judgement.ledger import HOLD_S
from logger.words.looks import READS, STAGES
from logger.words.said import in_unit

SIGNS = {"note": "□", "wood": "■", "spot": "◇", "alarm": "▼", "good": "●", "act": "·"}
SAME_S = 1.0
MOVED_S = 600.0
MODEL_HOLD_S = 45.0
"""How long an estimate counts after it was made. [s]"""


def moments(
    judged: Mapping[str, Any], firing: Mapping[str, Any], estimates: Sequence[Band], unit: Unit
) -> dict[str, Any]:
    """Put the verdicts of all moments into words, each sentence once.

    `judged` is from `logger.replay.moments.judged`; `estimates` of the pots were made at the fire. The
    result has `t_s`, `words`, and `columns`: by name (`line`, and `now 0`, `peak 0`, `above 0`, `soak 0`,
    `need 0` of the first zone, …) indices into `words`, one per moment.
    """
    told = judged["moments"]
    words: dict[str, int] = {"": 0}
    columns: dict[str, list[int]] = {}

    def put(name: str, texts: Iterable[str]) -> None:
        columns[name] = [words.setdefault(text, len(words)) for text in texts]

    put("line", (STAGES.get(told["words"][k], "") for k in told["stage"]))
    for z, zone in enumerate(told["zones"]):
        coals = zone["coals"]
        levels = [None if bad else c for c, bad in zip(zone["level_c"], zone["faulty"], strict=True)]
        put(f"now {z}", (degrees(c, unit) for c in levels))
        put(f"peak {z}", (degrees(c, unit) for c in peaks(told["t_s"], levels, zone["peak_c"])))
        put(f"above {z}", (f"{s // 60:.0f} min" for s in zone["above_burnout_s"]))
        put(f"soak {z}", ("" if coals else f"{s // 60:.0f} min" for s in zone["soak_s"]))
        estimate = next((band for band in estimates if band.zone == zone["zone"]), None)
        put(f"need {z}", _needs(told, zone, firing, estimate, unit))
    return {"t_s": told["t_s"], "words": list(words), "columns": columns}


def peaks(
    t_s: Sequence[float], level_c: Sequence[float | None], booked_c: Sequence[float | None]
) -> list[float | None]:
    """Return a zone's peak so far [°C], never lower than its present level.

    `level_c` is None where it could not be trusted; `booked_c` is the judgement's peak, a minute late.
    Whatever that never records (from a probe that turned out to be faulty) is no peak.
    """
    most = next((c for c in reversed(booked_c) if c is not None), None)
    found, begin = [], 0
    for k, at_s in enumerate(t_s):
        while t_s[begin] < at_s - HOLD_S:
            begin += 1
        seen = [c for c in (booked_c[k], *level_c[begin : k + 1]) if c is not None]
        found.append(None if most is None or not seen else min(max(seen), most))
    return found


def _needs(
    told: Mapping[str, Any],
    zone: Mapping[str, Any],
    firing: Mapping[str, Any],
    estimate: Band | None,
    unit: Unit,
) -> Iterator[str]:
    """Say what a zone needed at each moment, what was forecast then, and the estimate of its pots."""
    for k, t_s in enumerate(told["t_s"]):
        card = [zone[key][k] for key in ("level_c", "rate_c_per_min", "peak_c")]
        card += [zone[key][k] / 60 for key in ("above_burnout_s", "soak_s")]
        card += [told["words"][zone["missing"][k]], "faulty" if zone["faulty"][k] else ""]
        number = zone["ahead"][k]
        parts = told["parts"].get(str(number))
        ahead = in_unit(parts, unit) if parts else told["words"][number]
        needs = "Coals" if zone["coals"] else need(card, dict(firing), unit)
        said = (needs, f"Forecast then: {ahead}" if ahead else "", _pots(estimate, t_s, unit))
        yield ". ".join(filter(None, said))


def _pots(estimate: Band | None, t_s: float, unit: Unit) -> str:
    if estimate is None or not len(estimate.t_s):
        return ""
    times = estimate.t_s
    n = bisect_right(times, t_s) - 1
    usual = (times[-1] - times[0]) / len(times)
    if n < 0 or t_s - times[n] > max(MODEL_HOLD_S, 2.5 * usual):  # it had stopped
        return ""
    half = difference((estimate.high_c[n] - estimate.low_c[n]) / 2, unit)
    return f"Pots (estimated): {degrees(estimate.c[n], unit)} ± {half}"


def forecasts(judged: Mapping[str, Any], zero_s: float, length_s: float, unit: Unit) -> list[dict[str, Any]]:
    """Cut the forecasts of `logger.replay.moments.judged` to the part that is drawn.

    Each has `t_s`, `zone`, `x` in minutes on the time axis, `y` and `band` (out and back) in the unit
    shown: empty lists if nothing was forecast.
    """
    found = []
    for made in judged["moments"]["forecasts"]:
        t_s, zone = made["t_s"], made["zone"]
        end_s = min(t_s + ahead_s(t_s), length_s)
        at = [] if zone is None else [made["at_s"] + s for s in made["ahead_s"]]
        kept = [n for n, s in enumerate(at) if s <= end_s]
        low, middle, high = (
            [shown(made[key][n], unit) for n in kept] for key in ("low_c", "middle_c", "high_c")
        )
        text = ["" for _ in kept[1:]] + [zone] if kept else []
        x = [round((at[n] - zero_s) / 60, 3) for n in kept]
        band = [*high, *reversed(low)]
        found.append({"t_s": t_s, "zone": zone, "x": x, "y": middle, "band": band, "text": text})
    return found


def probe_rows(places: Sequence[Place]) -> list[Any]:
    """List probes from the top of the stack down; a script fills in their readings, a tap singles one out."""
    rows = []
    for i, place in sorted(enumerate(places), key=lambda each: each[1].number):
        height = "" if place.height_cm is None else f"{place.height_cm:g} cm"
        where = filter(None, (height, place.side, READS.get(place.reads, place.reads)))
        words = [
            html.B(str(place.number), className="number"),
            html.Span(place.name, className="name"),
            html.Span("", className="reading"),
            html.Small(" · ".join(where), className="where"),
            html.Small("", className="moves"),
        ]
        own = {"className": "probe", "data-probe": str(i)}
        rows.append(html.Li(one_of("replay", place.zone, words, line=i, **own)))
    return rows


def zone_table(judged: Mapping[str, Any], firing: Mapping[str, Any], unit: Unit) -> Any:
    """Make the table of zones, lowest peak first, coals last; a script fills in what each was at a moment."""
    zones = judged["moments"]["zones"]
    peaks = [(zone["peak_c"] or [None])[-1] or 0.0 for zone in zones]
    burnout, target = (degrees(firing[name], unit) for name in ("burnout_c", "target_c"))
    heads = ("Zone", "Now", "Peak", f"Above burn-out, {burnout}", f"Above target, {target}", "Still needs")
    rows = []
    for z in sorted(range(len(zones)), key=lambda z: (zones[z]["coals"], peaks[z])):
        columns = (f"{name} {z}" for name in ("now", "peak", "above", "soak", "need"))
        cells = [html.Td("", **{"data-column": column}) for column in columns]
        name = zones[z]["zone"]
        rows.append(html.Tr([html.Th(name, scope="row"), *cells], **{"data-zone": name}))
    return table(heads, rows, className="tall-last")


def standing(marks: Sequence[Mark]) -> list[Any]:
    """List the alarms; a script shows those active at the moment."""
    rows = []
    for mark in marks:
        if (name := {"alarm": "alarm-words", "good": "good"}.get(mark.kind)) is not None:
            until = mark.until_s if mark.until_s is not None else mark.t_s if name == "good" else 1e9
            when = {"data-from": f"{mark.t_s:g}", "data-until": f"{until:g}"}
            rows.append(html.P(mark.text, className=name, hidden=True, **when))
    return rows


def clock(t_s: float) -> str:
    """Write a time since the first reading as h:mm:ss [s]."""
    minutes, seconds = divmod(max(0, int(t_s)), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02}:{seconds:02}" if hours else f"{minutes}:{seconds:02}"


def happened(marks: Sequence[tuple[Mark, str]]) -> list[Any]:
    """List notes, gun readings, alarms and who did what about them; a tap goes to that moment."""
    return [
        _seek(
            mark.t_s,
            html.I(SIGNS.get(mark.kind, "·"), **{"aria-hidden": "true"}),
            html.Span(mark.text + (f" ({who})" if who not in ("", "page") else "")),
            className=f"was-{mark.kind}",
        )
        for mark, who in marks
    ]


def _seek(t_s: float, *words: Any, **more: Any) -> Any:
    """Make a list item whose button goes to a moment."""
    inside = [html.B(clock(t_s)), *words]
    return html.Li(html.Button(inside, type="button", **{"data-seek": f"{t_s:g}"}), **more)


def differences(
    before: Sequence[Mapping[str, Any]], after: Sequence[Mapping[str, Any]]
) -> dict[str, list[Any]]:
    """Compare two rehearsals' alarms, each with the nearest of its kind and place.

    `came` and `gone` are alarms; `moved` are pairs more than a second, and no more than ten minutes, apart.
    """
    left = list(after)
    gone: list[Any] = []
    moved: list[Any] = []
    for alarm in before:
        nearest = min(left, key=partial(_apart_s, alarm), default=None)
        if nearest is None or _apart_s(alarm, nearest) > MOVED_S:
            gone.append(alarm)
            continue
        left.remove(nearest)
        if _apart_s(alarm, nearest) > SAME_S:
            moved.append((alarm, nearest))
    return {"came": left, "gone": gone, "moved": moved}


def _apart_s(a: Mapping[str, Any], b: Mapping[str, Any]) -> float:
    """Return how far apart two alarms of the same kind and place were raised; infinitely far for others."""
    same = all(a[key] == b[key] for key in ("rule", "zone", "probe"))
    return abs(a["raised_s"] - b["raised_s"]) if same else math.inf


def changed(found: Mapping[str, list[Any]]) -> list[Any]:
    """Show what other settings would have changed, from `differences`."""
    if not any(found.values()):
        return [html.P("With these settings: the same alarms at the same times.")]

    def line(alarm: dict[str, Any], more: str = "") -> Any:
        return _seek(alarm["raised_s"], html.Span(f"{alarm_name(alarm)}{more}"))

    parts: list[Any] = [html.P("With these settings, compared with the firing's own:")]
    for head, lines in (
        ("Would have been raised", [line(a) for a in found["came"]]),
        ("Would not have been raised", [line(a) for a in found["gone"]]),
        ("At another time", [line(b, f", instead of {clock(a['raised_s'])}") for a, b in found["moved"]]),
    ):
        if lines:
            parts += [html.H3(head), html.Ol(lines)]
    return parts


def about(length_s: float, *, running: bool) -> str:
    """Say how long the firing is, and whether it is still running."""
    if running:
        return f"{span(length_s)} so far. Still running: this is how it was when you opened the page."
    return f"{span(length_s)}. Stored: nothing here is happening now."
