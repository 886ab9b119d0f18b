"""The stack through time: height up, time across, colour for temperature, blank where no probe was. Pure."""

from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from dashboard.figures.look import COLDEST_C, HEAT_SCALE, HOTTEST_C, TEMPLATES, Unit, plain
from dashboard.figures.model import Course, Mark, Place
from dashboard.words import shown
from logger.reading import Floats
from logger.report.stack_map import STEP_CM, numbers_beside, rows_cm, spread

ON_HEAT: Final = {"color": "#fffdf7", "shadow": "0 0 3px #000, 0 0 3px #000"}
"""Letters that are legible over any colour of heat."""
KEY_PX: Final = 24
"""Room above the picture for its lines' names; above the drawn stack too, since they share an axis. [px]"""
APART: Final = 0.1
"""Share of the height that a probe's number needs on a low screen."""
_NOWHERE: Final = {
    "text": "No probe’s height is known.<br>Set them under Firings, More.",
    "xref": "paper",
    "yref": "paper",
    "x": 0.5,
    "y": 0.5,
    "showarrow": False,
}


def heights_range(places: Sequence[Place]) -> list[float]:
    """Return the range of the height axis [cm], the same for the drawn stack and the stack through time."""
    rows = rows_of(places)
    return [float(rows[0]), float(rows[-1]) + STEP_CM]


def columns_of(places: Sequence[Place], temperature_c: Floats, sides: Sequence[str] | None = None) -> Floats:
    """Spread what k probes read at n moments over the heights they stand for [°C].

    `temperature_c` is (n, k), NaN where a probe read nothing or could not be trusted; only probes on `sides`
    count, if given. The result is (n, h), by rows of `rows_of(places)`; see `logger.report.stack_map.spread`.
    """
    heights = [p.height_cm if sides is None or p.side in sides else None for p in places]
    return spread(heights, temperature_c, rows_of(places))


def rows_of(places: Sequence[Place]) -> Floats:
    """Return the heights of the picture's rows, from the bottom up [cm]."""
    return rows_cm([place.height_cm for place in places])


def heat_figure(
    places: Sequence[Place],
    t_s: Floats,
    temperature_c: Floats,
    course: Course,
    *,
    marks: Sequence[Mark] = (),
    sides: Sequence[str] | None = None,
) -> dict[str, Any]:
    """Draw the stack through time.

    `t_s` (n,) ascends [s]; `temperature_c` (n, k) is NaN where there was no reading [°C]. Lines are drawn
    where the stack passes the limits of its `course`, and `marks` that have a height or a zone. Only probes
    on `sides` count, if given.
    """
    unit, minutes = course.unit, course.minute(np.asarray(t_s))
    known = columns_of(places, temperature_c, sides)
    z = [column(c, unit) for c in known]
    map_ = {"x": minutes, "y": rows_of(places).tolist(), "z": z, "transpose": True}
    look = {
        "type": "heatmap",
        "zmin": shown(COLDEST_C, unit),
        "zmax": shown(HOTTEST_C, unit),
        "colorscale": HEAT_SCALE,
        "hoverongaps": False,
        "hovertemplate": f"%{{x:.0f}} min, %{{y:.0f}} cm: %{{z}} °{unit}<extra></extra>",
        "colorbar": {"title": {"text": f"°{unit}"}, "thickness": 14, "outlinewidth": 0, "x": 1.01},
        "name": "stack",
    }
    data: list[dict[str, Any]] = [map_ | look]
    white = []
    for c, name, dash in ((course.target_c, "target", "solid"), (course.burnout_c, "burn-out", "dash")):
        if len(minutes) > 1 and np.isfinite(known).any() and np.nanmax(known) >= c:
            data.append(map_ | _contour(shown(c, unit), name, dash))
            white.append(f"{'white' if dash == 'solid' else 'dashed'}: {name} {shown(c, unit):.0f}°")
    if some := [m for m in marks if m.kind not in ("good", "act") and _height_of(m, places) is not None]:
        data.append(_placed(some, places, course))
    data.append(_probes(places, minutes, sides))
    nowhere = all(place.height_cm is None for place in places)
    layout = {
        "template": TEMPLATES[course.theme],
        "margin": {"l": 8, "r": 8, "t": KEY_PX, "b": 8},
        "xaxis": {"title": {"text": course.axis}, "showgrid": False},
        "yaxis": {
            "title": {"text": "cm above the coals"},
            "range": heights_range(places),
            "showgrid": False,
        },
        "annotations": [*([_key(", ".join(white))] if white else ()), *([_NOWHERE] if nowhere else ())],
    }
    if minutes:
        layout["xaxis"]["range"] = [minutes[0], max(minutes[-1], minutes[0] + 1.0)]
    return {"data": data, "layout": layout}


def column(spread_c: Floats, unit: Unit) -> list[int | None]:
    """Round one row of `columns_of` [°C] to whole degrees of `unit`; None where no probe was near."""
    return [None if c != c else round(shown(c, unit)) for c in spread_c.tolist()]


def _contour(at: float, name: str, dash: str) -> dict[str, Any]:
    return {
        "type": "contour",
        "contours": {"type": "constraint", "operation": "=", "value": at},
        "line": {"color": "#fffdf7", "width": 2, "dash": dash},
        "fillcolor": "rgba(0,0,0,0)",
        "showscale": False,
        "hoverinfo": "skip",
        "connectgaps": False,
        "name": name,
    }


def _key(text: str) -> dict[str, Any]:
    """Name the lines above the picture, from its left edge, where they fit a phone's screen too."""
    place = {"xref": "paper", "yref": "paper", "x": 0, "y": 1, "xanchor": "left", "yanchor": "bottom"}
    return {**place, "xshift": -50, "text": text, "showarrow": False}


def _height_of(mark: Mark, places: Sequence[Place]) -> float | None:
    """Find where a mark belongs: its own height, or the middle of its zone's probes."""
    if mark.height_cm is not None:
        return mark.height_cm
    own = [p.height_cm for p in places if mark.zone and p.zone == mark.zone and p.height_cm is not None]
    return float(np.mean(own)) if own else None


def _placed(marks: Sequence[Mark], places: Sequence[Place], course: Course) -> dict[str, Any]:
    signs = {"wood": "square", "spot": "diamond", "alarm": "triangle-down"}
    return {
        "type": "scatter",
        "x": [course.minute(m.t_s) for m in marks],
        "y": [_height_of(m, places) for m in marks],
        "mode": "markers",
        "marker": {
            "symbol": [signs.get(m.kind, "circle") for m in marks],
            "size": 13,
            "color": "#fffdf7",
            "line": {"width": 2, "color": "#1c1410"},
        },
        "text": [plain(m.text) for m in marks],
        "hovertemplate": "%{text}<extra></extra>",
        "name": "marks",
    }


def _probes(places: Sequence[Place], minutes: list[float], sides: Sequence[str] | None) -> dict[str, Any]:
    """Write the probes' numbers at their heights, at the left edge."""
    low, high = heights_range(places)
    own = [p for p in places if sides is None or p.side in sides]
    probes = ((p.height_cm, p.number) for p in own if p.height_cm is not None)
    rows = numbers_beside(probes, (high - low) * APART)
    return {
        "type": "scatter",
        "x": [minutes[0] if minutes else 0.0] * len(rows),
        "y": [height for height, _ in rows],
        "text": [f" {numbers}" for _, numbers in rows],
        "mode": "text",
        "textposition": "middle right",
        "textfont": ON_HEAT,
        "hoverinfo": "skip",
        "name": "probes",
    }
