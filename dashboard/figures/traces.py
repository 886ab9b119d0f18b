"""The traces of a firing: one line per probe, and above them what happened, clear of the lines. Pure."""

import math
import textwrap
from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from dashboard.figures.look import AT_AN_END, TEMPLATES, line_dash, numbers, plain, ruler_shapes
from dashboard.figures.model import Band, Course, Kind, Line, Mark, Stage
from dashboard.figures.names import TABLET, Glass, rule_names, stage_names
from dashboard.words import shown
from logger.reading import Floats
from logger.words.looks import rulers

LOWEST_TOP_C: Final = 700.0
SHARE, LEAST_S, FURTHEST_S = 0.25, 120.0, 1200.0
"""How far ahead a forecast is drawn, as a share of the past that is shown, and its limits.

Nothing further ahead is drawn: a forecast is surest for the near future.
"""
TIGHT: Final = 0.7
"""Share of its height that a number at a line's end needs; with less, only some numbers are drawn."""
LEAD: Final = 0.015
"""Share of the time shown between a line's end and its number, to which a thin line leads."""

_LETTER_PX, _NAME_PX, _NUMBER_PX = 9.0, 20.0, 16.0
_STRIP_PX: Final = 48
"""Above the traces, on any screen: names of stages over alarms over notes."""
_MARGIN_PX: Final = {"l": 72, "r": 40, "t": _STRIP_PX, "b": 51}
"""Room for `1,400 °F` and for the minutes with their title."""
_AS_IT_IS: Final = {"automargin": False, "ticklabeloverflow": "allow"}
"""For an axis: to find room by itself, plotly draws everything twice and measures each label each time."""
_EMPTY: Final[dict[str, Any]] = {"type": "scatter", "x": [], "y": [], "hoverinfo": "skip"}
NO_FORECAST: Final = (
    {
        **_EMPTY,
        "name": "forecast band",
        "mode": "lines",
        "fill": "toself",
        "fillcolor": "rgba(128,110,92,0.25)",
        "line": {"width": 0},
    },
    {
        **_EMPTY,
        "name": "forecast",
        "mode": "lines+text",
        "line": {"width": 2, "dash": "2px,3px", "color": "#7a6a5c"},
        "text": [],
        "textposition": "bottom left",
    },
)
"""Two lines that a script fills in."""
_LANES_PX: Final[dict[Kind, float]] = {"alarm": 23, "good": 23}
_LOWEST_PX: Final = 9
_ACROSS: Final = {"type": "line", "yref": "paper", "y0": 0, "y1": 1, "layer": "below"}
_STAGE: Final = {**_ACROSS, "opacity": 0.5, "line": {"width": 1, "dash": "2px,4px"}}
_SIGNS: Final[dict[Kind, tuple[str, str, str]]] = {  # what it is, plotly's sign, colour by day and by night
    "note": ("Notes", "square-open", "#8a6d54"),
    "wood": ("Wood", "square", "#8a6d54"),
    "spot": ("Gun readings", "diamond-open", "#8a6d54"),
    "alarm": ("Alarms", "triangle-up", "#d0331c"),  # it is turned upside down, see `_marks`
    "act": ("Acknowledged, silenced", "circle-open", "#8a6d54"),
    "good": ("Good news", "circle", "#3f8f5f"),
}


def traces_figure(
    lines: Sequence[Line],
    course: Course,
    *,
    length_s: float,
    marks: Sequence[Mark] = (),
    stages: Sequence[Stage] = (),
    bands: Sequence[Band] = (),
    ahead: Sequence[Line] = (),
    lead_s: float | None = None,
    shown_s: tuple[float, float] | None = None,
    glass: Glass = TABLET,
) -> dict[str, Any]:
    """Draw the traces of a firing.

    Minutes across; one hover shows all probes at a moment. Colours come from the template, so that swapping
    it turns day into night. Lists, not arrays: plotly's `extendData` ignores arrays. Trace `i` of the figure
    is line `i`, which `extendData` and a tap on its name rely on.

    `length_s` is from the first reading to the last [s]. Marks are in a strip above the traces and never
    cover a line. Names keep clear of `ahead`, forecasts drawn elsewhere, and have as much room as the `glass`
    gives them. `lead_s` is from a line's end to its number, `LEAD` of the whole firing if left out [s];
    `shown_s` the part of the firing that the axis will show, if not the whole [s].
    """
    top_c = top_of(peak_of(lines), course.target_c)
    by_kind = {kind: [mark for mark in marks if mark.kind == kind] for kind in _SIGNS}
    lead_s = LEAD * length_s if lead_s is None else lead_s
    scatters = [
        *(_line(i, line, course) for i, line in enumerate(lines)),
        _ends(lines, course, top_c, lead_s, glass),
        *(_band(band, course) for band in bands),
        *(_marks(kind, some, course, length_s) for kind, some in by_kind.items() if some),
    ]
    shown_s = shown_s or (0.0, max(length_s, 60.0))
    layout = {
        **_layout(course, top_c, length_s),
        "shapes": [
            *({**_STAGE, "x0": (x := course.minute(stage.from_s)), "x1": x} for stage in stages),
            *ruler_shapes(rulers(target_c=course.target_c, burnout_c=course.burnout_c), course.unit),
        ],
        "annotations": [
            *rule_names([*lines, *ahead], course, shown_s, top_c, glass),
            *stage_names(stages, course, shown_s, glass),
        ],
    }
    return {"data": [{"type": "scatter", **each} for each in scatters], "layout": layout}


def glass_of(wide_px: float, high_px: float) -> Glass:
    """Tell how much room names have in a picture of this size."""
    wide_px -= _MARGIN_PX["l"] + _MARGIN_PX["r"]
    high_px -= _MARGIN_PX["t"] + _MARGIN_PX["b"]
    return Glass(wide_px / _LETTER_PX, _NAME_PX / high_px, _NUMBER_PX / high_px)


def ahead_s(past_s: float) -> float:
    """Tell how far ahead a forecast is drawn, by how much of the past is shown [s]."""
    return min(FURTHEST_S, max(LEAST_S, SHARE * past_s))


def peak_of(lines: Sequence[Line]) -> float:
    """Find the lines' hottest reading; far below any if there is none [°C]."""
    return max((float(np.nanmax(line.c)) for line in lines if np.isfinite(line.c).any()), default=-1e9)


def top_of(peak_c: float, target_c: float) -> float:
    """Choose the top of the temperature axis [°C]: a multiple of 50 well above target and hottest reading."""
    return math.ceil(max(LOWEST_TOP_C, target_c + 60.0, peak_c + 30.0) / 50.0) * 50.0


def _line(i: int, line: Line, course: Course) -> dict[str, Any]:
    name = f"{line.place.number} {line.place.name}"
    return {
        "x": course.minute(line.t_s),
        "y": numbers(line.c, course.unit),
        "name": name,
        "mode": "lines",
        "line": {"width": 2.2, "dash": line_dash(i)},
        "connectgaps": False,
        "hovertemplate": f"%{{y:.0f}} °{course.unit}<extra>{plain(name)}</extra>",
        "meta": {"probe": line.place.name, "zone": line.place.zone},
    }


def last(t_s: Floats, c: Floats) -> tuple[float | None, float | None]:
    """Find a line's last reading, [s] and [°C]; None if it has none."""
    known = np.flatnonzero(np.isfinite(c))
    return (float(t_s[known[-1]]), float(c[known[-1]])) if len(known) else (None, None)


def _ends(lines: Sequence[Line], course: Course, top_c: float, lead_s: float, glass: Glass) -> dict[str, Any]:
    """Write a number at each line's end."""
    x, y = ends([last(line.t_s, line.c) for line in lines], course, top_c, lead_s, glass)
    return {
        **AT_AN_END,
        "x": x,
        "y": y,
        # A blank where there is no number: plotly drops an empty text, and its neighbours with it.
        "text": [text for line in lines for text in (" ", f" {line.place.number}", " ")],
        "mode": "lines+text",
        "line": {"width": 1, "color": "#8a6d54"},
        "name": "numbers",
    }


def ends(
    found: Sequence[tuple[float | None, float | None]],
    course: Course,
    top_c: float,
    lead_s: float,
    glass: Glass,
) -> tuple[list[float | None], list[float | None]]:
    """Place the lines' numbers after their ends, moved apart where they would overlap.

    `found` is each line's last reading [s, °C]; beyond `top_c` [°C] plotly shows none. x and y (length 3 n)
    have, line by line, its end, its number's place `lead_s` [s] further, and None: minutes, and °C or °F.
    If there isn't room for all numbers, only every second or third line has one.
    """
    x: list[float | None] = []
    y: list[float | None] = []
    for t, c in found:
        x += [None] * 3 if t is None else [*course.minute(np.array([t, t + lead_s])), None]
        y += [c, None, None]
    ended = sorted((c, i) for i, (_, c) in enumerate(found) if c is not None)
    ended = ended[:: math.ceil(max(1, len(ended)) * TIGHT * glass.number)]
    apart_c = top_c * min(glass.number, 1.0 / max(1, len(ended)))
    groups: list[list[tuple[float, int]]] = []  # of lines whose numbers are stacked around their middle
    for c, i in ended:
        groups.append([(c, i)])
        while len(groups) > 1 and (
            _low(groups[-1], apart_c, top_c) < _low(groups[-2], apart_c, top_c) + apart_c * len(groups[-2])
        ):
            groups[-2:] = [groups[-2] + groups[-1]]
    for group in groups:
        lowest = _low(group, apart_c, top_c)
        for place, (_, i) in enumerate(group):
            y[3 * i + 1] = lowest + place * apart_c
    return x, numbers(y, course.unit)


def _low(group: Sequence[tuple[float, int]], apart_c: float, top_c: float) -> float:
    """Find the place of a group's lowest number: centred on its lines, and within the axis."""
    high = apart_c * (len(group) - 1)
    return max(0.0, min(sum(c for c, _ in group) / len(group) - 0.5 * high, top_c - high))


def _band(band: Band, course: Course) -> dict[str, Any]:
    minutes = course.minute(band.t_s)
    low, high = numbers(band.low_c, course.unit), numbers(band.high_c, course.unit)
    return {
        "x": [*minutes, *reversed(minutes)],
        "y": [*high, *reversed(low)],
        "mode": "lines",
        "fill": "toself",
        "fillcolor": "rgba(150,120,90,0.22)",
        "line": {"width": 0},
        "hoverinfo": "skip",
        "name": f"pots, {band.zone} (an estimate)",
        "meta": {"estimate": band.zone},
    }


def _marks(kind: Kind, marks: Sequence[Mark], course: Course, length_s: float) -> dict[str, Any]:
    """Draw signs in the strip, lifted by their standoff [px]; an alarm's line is as long as it lasted."""
    name, sign, colour = _SIGNS[kind]
    x: list[float | None] = []
    sizes: list[int] = []
    texts: list[str] = []
    for mark in marks:
        words = "<br>".join(
            textwrap.wrap(plain(mark.text), 44, break_long_words=False, break_on_hyphens=False)
        )
        x.append(course.minute(mark.t_s))
        sizes.append(13)
        texts.append(words)
        if kind == "alarm":
            x += [course.minute(length_s if mark.until_s is None else mark.until_s), None]
            sizes += [0, 0]
            texts += [words, ""]
    return {
        "x": x,
        "y": [None if v is None else 1.0 for v in x],
        "yaxis": "y2",
        "mode": "lines+markers" if kind == "alarm" else "markers",
        "marker": {
            "symbol": sign,
            "size": sizes,
            "opacity": 1,
            "color": colour,
            "line": {"width": 2, "color": colour},
            "angle": 180,
            "standoff": _LANES_PX.get(kind, _LOWEST_PX),
        },
        "cliponaxis": False,
        "line": {"color": colour, "width": 4},
        "text": texts,
        "hovertemplate": "%{text}<extra></extra>",
        "name": name,
        "meta": {"marks": kind},
    }


def _layout(course: Course, top_c: float, length_s: float) -> dict[str, Any]:
    zero_s, unit = course.zero_s, course.unit
    begin, end = -zero_s / 60.0, (max(length_s, 60.0) - zero_s) / 60.0
    # Minutes are rounded, and nothing drawn at the end, not even a line's number, may lie beyond it.
    end += 0.001 + LEAD * length_s / 60.0
    return {
        "template": TEMPLATES[course.theme],
        "margin": _MARGIN_PX,
        "hovermode": "x unified",
        "hoversubplots": "axis",
        "dragmode": "zoom",
        "xaxis": {
            "title": {"text": course.axis},
            "range": [begin, end],
            "showgrid": False,
            "anchor": "y",
            "hoverformat": ".1f",
            "unifiedhovertitle": {"text": "%{x:.0f} min"},
            **_AS_IT_IS,
        },
        "yaxis": {
            "range": [shown(0.0, unit), shown(top_c, unit)],
            "ticksuffix": f" °{unit}",
            "showticksuffix": "last",
            "nticks": 9,
            **_AS_IT_IS,
        },
        "yaxis2": {
            "overlaying": "y",
            "range": [0, 1],
            "fixedrange": True,
            "visible": False,
        },
    }
