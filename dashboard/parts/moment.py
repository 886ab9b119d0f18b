"""What was judged at each moment of a stored firing, as a tablet goes through it. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from dash import html

from dashboard.figures.model import Mark, Place
from dashboard.parts.words import READS, STAGES, Unit, degrees, need, span

SIGNS = {"note": "□", "wood": "■", "spot": "◇", "alarm": "▼", "good": "●", "act": "·"}


def moments(judged: Mapping[str, Any], firing: Mapping[str, Any], unit: Unit) -> dict[str, Any]:
    """Put the verdicts of all moments together, each sentence once.

    Parameters
    ----------
    judged : mapping
        From `logger.replaying.judged`.
    firing : mapping
        `target_c`, `burnout_c`, `soak_min`.
    unit : {'C', 'F'}

    Returns
    -------
    dict
        `t_s`; `line`, numbers of `words`; `zones`: name, whether it holds coals, `level` and `peak` in the
        unit's whole degrees, `above` and `soak` in minutes, `need` and `ahead` as numbers of `words`;
        `forecasts` as they are.
    """
    told = judged["moments"]
    words: dict[str, int] = {"": 0}

    def number(text: str) -> int:
        return words.setdefault(text, len(words))

    zones = []
    for zone in told["zones"]:
        rows = zip(
            *(zone[k] for k in ("level_c", "rate_c_per_min", "peak_c", "above_burnout_s", "soak_s")),
            *(zone[k] for k in ("missing", "faulty")),
            strict=True,
        )
        needs = []
        for level, rate, peak, above_s, soak_s, missing, faulty in rows:
            card = [level, rate, peak, above_s / 60, soak_s / 60, told["words"][missing]]
            needs.append(
                number(
                    "coals"
                    if zone["coals"]
                    else need([*card, "faulty" if faulty else ""], dict(firing), unit)
                )
            )
        zones.append(
            {
                "zone": zone["zone"],
                "coals": zone["coals"],
                "level": [
                    None if faulty else _whole(c, unit)
                    for c, faulty in zip(zone["level_c"], zone["faulty"], strict=True)
                ],
                "peak": [_whole(c, unit) for c in zone["peak_c"]],
                "above": [int(s // 60) for s in zone["above_burnout_s"]],
                "soak": [int(s // 60) for s in zone["soak_s"]],
                "need": needs,
                "ahead": [number(told["words"][k]) for k in zone["ahead"]],
            }
        )
    return {
        "t_s": told["t_s"],
        "line": [number(STAGES.get(told["words"][k], "")) for k in told["stage"]],
        "zones": zones,
        "words": list(words),
        "forecasts": told["forecasts"],
    }


def _whole(c: float | None, unit: Unit) -> int | None:
    return None if c is None else round(c * 1.8 + 32.0 if unit == "F" else c)


def probe_rows(places: Sequence[Place]) -> list[Any]:
    """List probes from the top of the stack down; a script fills in what each read at a moment.

    Parameters
    ----------
    places : sequence of Place

    Returns
    -------
    list of component
        Buttons: a tap singles a probe's line out.
    """
    order = sorted(range(len(places)), key=lambda i: places[i].number)
    return [
        html.Li(
            html.Button(
                [
                    html.B(str(places[i].number), className="number"),
                    html.Span(places[i].name, className="name"),
                    html.Span("", className="reading"),
                    html.Small(_where(places[i]), className="where"),
                    html.Small("", className="moves"),
                ],
                type="button",
                className="probe",
                **{"data-probe": str(i), "aria-pressed": "false"},
            )
        )
        for i in order
    ]


def _where(place: Place) -> str:
    height = "" if place.height_cm is None else f"{place.height_cm:g} cm"
    return " · ".join(part for part in (height, place.side, READS.get(place.reads, place.reads)) if part)


def zone_table(zones: Sequence[Mapping[str, Any]], firing: Mapping[str, Any], unit: Unit) -> Any:
    """Make the table of zones; a script fills in what each was at a moment.

    Parameters
    ----------
    zones : sequence of mapping
        Of `moments`.
    firing : mapping
    unit : {'C', 'F'}

    Returns
    -------
    component
        The zone whose peak stayed lowest comes first, coals last.
    """
    order = sorted(
        range(len(zones)),
        key=lambda z: (zones[z]["coals"], (zones[z]["peak"] or [None])[-1] or 0),
    )
    heads = (
        "Zone",
        "Now",
        "Peak",
        f"Above burn-out, {degrees(firing['burnout_c'], unit)}",
        f"Above target, {degrees(firing['target_c'], unit)}",
        "It needs",
    )
    rows = [
        html.Tr(
            [
                html.Th(zones[z]["zone"], scope="row"),
                *(html.Td("", className=name) for name in ("now", "peak", "above", "soak", "need")),
            ],
            **{"data-zone": str(z)},
        )
        for z in order
    ]
    return html.Table([html.Thead(html.Tr([html.Th(h, scope="col") for h in heads])), html.Tbody(rows)])


def clock(t_s: float) -> str:
    """Write a time since the first reading as h:mm:ss [s]."""
    whole = max(0, int(t_s))
    hours, minutes, seconds = whole // 3600, whole // 60 % 60, whole % 60
    return f"{hours}:{minutes:02}:{seconds:02}" if hours else f"{minutes}:{seconds:02}"


def happened(marks: Sequence[tuple[Mark, str]]) -> list[Any]:
    """List notes, gun readings, alarms and what people did about them; a tap goes there.

    Parameters
    ----------
    marks : sequence of (Mark, who)

    Returns
    -------
    list of component
    """
    return [
        html.Li(
            html.Button(
                [
                    html.B(clock(mark.t_s)),
                    html.I(SIGNS.get(mark.kind, "·"), **{"aria-hidden": "true"}),
                    html.Span(mark.text + (f" ({who})" if who not in ("", "page") else "")),
                ],
                type="button",
                **{"data-seek": f"{mark.t_s:g}"},
            ),
            className=mark.kind,
        )
        for mark, who in marks
    ]


def differences(
    before: Sequence[Mapping[str, Any]], after: Sequence[Mapping[str, Any]]
) -> dict[str, list[Any]]:
    """Tell which alarms went, came or moved, each beside the nearest of its kind and place.

    Parameters
    ----------
    before, after : sequence of mapping
        Alarms of two rehearsals.

    Returns
    -------
    dict
        `came` and `gone`, lists of alarms; `moved`, pairs of them that lie more than a second, and no more
        than ten minutes, apart.
    """
    left = list(after)
    gone: list[Any] = []
    moved: list[Any] = []
    for alarm in before:
        near = [
            other
            for other in left
            if (other["rule"], other["zone"], other["probe"])
            == (alarm["rule"], alarm["zone"], alarm["probe"])
            and abs(other["raised_s"] - alarm["raised_s"]) <= MOVED_S
        ]
        if not near:
            gone.append(alarm)
            continue
        nearest = min(near, key=lambda other: abs(other["raised_s"] - alarm["raised_s"]))
        left.remove(nearest)
        if abs(nearest["raised_s"] - alarm["raised_s"]) > SAME_S:
            moved.append((alarm, nearest))
    return {"came": left, "gone": gone, "moved": moved}


SAME_S = 1.0
MOVED_S = 600.0


def changed(found: Mapping[str, list[Any]], titles: Mapping[str, str]) -> list[Any]:
    """Show what other settings would have changed.

    Parameters
    ----------
    found : mapping
        From `differences`.
    titles : mapping of str to str
        By rule.

    Returns
    -------
    list of component
    """
    if not any(found.values()):
        return [html.P("With these settings: the same alarms at the same times.")]

    def line(alarm: Mapping[str, Any], more: str = "") -> Any:
        place = alarm["zone"] or alarm["probe"]
        words = f"{titles.get(alarm['rule'], alarm['rule'])}{f': {place}' if place else ''}{more}"
        inside = [html.B(clock(alarm["raised_s"])), html.Span(words)]
        return html.Li(html.Button(inside, type="button", **{"data-seek": f"{alarm['raised_s']:g}"}))

    parts: list[Any] = [html.P("With these settings, against the firing's own:")]
    for head, lines in (
        ("Would have come", [line(a) for a in found["came"]]),
        ("Would not have come", [line(a) for a in found["gone"]]),
        ("At another time", [line(b, f", instead of {clock(a['raised_s'])}") for a, b in found["moved"]]),
    ):
        if lines:
            parts += [html.H3(head), html.Ol(lines)]
    return parts


def about(length_s: float, *, running: bool) -> str:
    """Say what one looks at.

    Parameters
    ----------
    length_s : float
        [s]
    running : bool

    Returns
    -------
    str
    """
    if running:
        return f"{span(length_s)} so far. Still running: this is what was there when you opened it."
    return f"{span(length_s)}. A stored firing; nothing here is happening now."
