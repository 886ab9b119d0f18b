"""Firings side by side: how long the pots spent at each temperature, their peaks, and curves. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final

import numpy as np

from dashboard.figures.look import (
    AT_AN_END,
    TEMPLATES,
    Theme,
    Unit,
    line_dash,
    numbers,
    ruler_name,
    ruler_shapes,
)
from dashboard.figures.traces import last
from dashboard.words import shown
from logger.reading import Floats
from logger.report.stack_map import heat
from logger.words.looks import ABOVE_C, rulers

NO_WIDTH: Final = "\u200b"
ROW_PX: Final = 34
"""Height of one firing's bar in one zone. [px]"""
PEAK_PX: Final = 124
"""Room beside the longest bar, for "peak 1380° short". [px]"""


@dataclass(frozen=True, slots=True)
class Bar:
    """What one zone of one firing went through."""

    zone: str
    firing: int  # its number, from 1
    title: str
    # minutes above each of `ABOVE_C`; None if unknown
    above_min: tuple[float | None, ...]
    peak_c: float | None  # [°C]
    reached_target: bool | None = None  # None: it has no target, as coals


@dataclass(frozen=True, slots=True)
class Curve:
    """One firing's line."""

    firing: int  # its number, from 1
    title: str
    # t_s, c: array, shape (n,); from the moment the firings are aligned at. [s], [°C]
    t_s: Floats
    c: Floats


def heats(unit: Unit) -> list[tuple[str, str]]:
    """List the temperature ranges that bars are made of, coldest first: (name, colour)."""
    ends = [f"{shown(c, unit):.0f}" for c in ABOVE_C]
    names = [*(f"{low}–{high}" for low, high in pairwise(ends)), f"above {ends[-1]}"]
    return [(f"{name} °{unit}", heat(c + 50.0)) for name, c in zip(names, ABOVE_C, strict=True)]


def endured_figure(bars: Sequence[Bar], *, unit: Unit = "C", theme: Theme = "day") -> dict[str, Any]:
    """Draw how long each zone spent at each temperature, one bar per firing, with the peak at its end.

    A bar's parts are minutes between `ABOVE_C`, in the colour of that heat. The height grows with the bars.
    """
    # Plotly orders second-level names by first appearance, whatever the zone: marks without width make them
    # different in each zone.
    zones = list(dict.fromkeys(bar.zone for bar in bars))
    names = [f"{bar.firing}{NO_WIDTH * zones.index(bar.zone)}" for bar in bars]
    rows = [[bar.zone for bar in bars], names]
    data: list[dict[str, Any]] = [
        {
            "type": "bar",
            "x": [_between(bar, k) for bar in bars],
            "y": rows,
            "orientation": "h",
            "name": name,
            "marker": {"color": colour, "line": {"width": 1, "color": "#fffdf7"}},
            "hovertemplate": f"%{{x:.0f}} min at {name}<extra></extra>",
        }
        for k, (name, colour) in enumerate(heats(unit))
    ]
    whole = [bar.above_min[0] or 0.0 for bar in bars]
    peaks = {
        **AT_AN_END,
        "x": whole,
        "y": rows,
        "text": [f"  {_peak(bar, unit)}" for bar in bars],
        "name": "peaks",
    }
    layout = {
        "template": TEMPLATES[theme],
        "barmode": "stack",
        "bargap": 0.28,
        "height": 64 + ROW_PX * max(1, len(bars)),
        "margin": {"l": 8, "r": PEAK_PX, "t": 8, "b": 8},
        "hovermode": "closest",
        "dragmode": False,
        "xaxis": {
            "title": {"text": "minutes"},
            "range": [0, max([10.0, *whole]) * 1.02],
            "fixedrange": True,
        },
        "yaxis": {
            "autorange": "reversed",
            "fixedrange": True,
            "ticks": "",
            "showgrid": False,
            "dividerwidth": 1,
        },
    }
    return {"data": [*data, peaks], "layout": layout}


def _between(bar: Bar, k: int) -> float:
    low = bar.above_min[k]
    high = bar.above_min[k + 1] if k + 1 < len(bar.above_min) else 0.0
    return 0.0 if low is None else round(max(0.0, low - (high or 0.0)), 1)


def _peak(bar: Bar, unit: Unit) -> str:
    if bar.peak_c is None:
        return "no trusted probe"
    word = "" if bar.reached_target is None else " ✓" if bar.reached_target else " short"
    return f"peak {shown(bar.peak_c, unit):.0f}°{word}"


def curves_figure(
    curves: Sequence[Curve],
    *,
    since: str,
    target_c: float | None = None,
    unit: Unit = "C",
    theme: Theme = "day",
) -> dict[str, Any]:
    """Draw one line per firing, all from the moment they are aligned at, named by `since`: `lighting`."""
    data = [
        {
            "type": "scatter",
            "x": [round(t, 3) for t in (np.asarray(curve.t_s) / 60.0).tolist()],
            "y": numbers(np.asarray(curve.c), unit),
            "mode": "lines",
            "name": f"{curve.firing} {curve.title}",
            "line": {"width": 2.6, "dash": line_dash(curve.firing - 1)},
            "connectgaps": False,
            "hovertemplate": f"%{{y:.0f}} °{unit}<extra>{curve.firing}</extra>",
        }
        for curve in curves
    ]
    limits = rulers(target_c=target_c)
    layout = {
        "template": TEMPLATES[theme],
        "margin": {"l": 8, "r": 34, "t": 8, "b": 8},
        "hovermode": "x unified",
        "xaxis": {
            "title": {"text": f"minutes since {since}"},
            "showgrid": False,
            "unifiedhovertitle": {"text": "%{x:.0f} min"},
        },
        "yaxis": {"ticksuffix": f" °{unit}", "showticksuffix": "last", "rangemode": "tozero"},
        "shapes": [
            {"type": "line", "yref": "paper", "y0": 0, "y1": 1, "x0": 0, "x1": 0, "layer": "below"},
            *ruler_shapes(limits, unit),
        ],
        "annotations": [ruler_name(limit, unit) for limit in limits],
    }
    return {"data": [*data, _ends(curves, unit)], "layout": layout}


def _ends(curves: Sequence[Curve], unit: Unit) -> dict[str, Any]:
    """Write each firing's number at its line's end, moved up where two would overlap."""
    ends = ((*last(curve.t_s, curve.c), curve.firing) for curve in curves)
    found = sorted((c, t_s, firing) for t_s, c, firing in ends if c is not None and t_s is not None)
    at: list[float] = []
    for c, *_ in found:
        at.append(max(c, at[-1] + 45.0) if at else c)
    return {
        **AT_AN_END,
        "x": [round(t_s / 60.0, 3) for _, t_s, _ in found],
        "y": numbers(at, unit),
        "text": [f" <b>{firing}</b>" for *_, firing in found],
        "name": "numbers",
    }
