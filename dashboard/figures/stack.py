"""The drawn stack: pots over coals, in the colours of their heat, and where the probes are. Pure."""

import math
import re
from collections.abc import Mapping, Sequence
from typing import Any, Final, NamedTuple

import numpy as np

from dashboard.figures.heat_map import KEY_PX, column, columns_of, heights_range, rows_of
from dashboard.figures.look import COLDEST_C, HEAT_SCALE, HOTTEST_C, TEMPLATES, Theme, Unit, plain
from dashboard.figures.model import Place
from dashboard.words import shown
from logger.reading import Floats
from logger.report.stack_map import BED_CM

PLACES_TRACE: Final = "places"
"""Name of the trace whose points are touched to add a note there; `customdata` is the zone."""

_LEFT: Final = ("windward", "left", "north", "west", "back")
_RIGHT: Final = ("leeward", "right", "south", "east")
_ASIDE: Final = 0.62
"""Distance of the sides from the middle; the pile's edge is at 1."""
_JAR: Final = (  # a jar's outline around its middle, 1 high: mouth, neck, shoulder, belly, base
    *((-0.23, 0.5), (0.23, 0.5), (0.18, 0.38), (0.43, 0.24), (0.5, 0.0), (0.42, -0.22), (0.3, -0.42)),
    *((0.12, -0.5), (-0.12, -0.5), (-0.3, -0.42), (-0.42, -0.22), (-0.5, 0.0), (-0.43, 0.24), (-0.18, 0.38)),
)
ASPECT: Final = 0.8
"""The drawing's approximate width, as a share of its height."""
WOOD: Final = {"color": "rgba(110,80,50,0.55)", "width": 6}
NO_FILL: Final = "rgba(0,0,0,0)"
RING_PX: Final = 60
NEXT: Final = 0.33
"""From number to number across: 26 px of a drawing 180 px wide, as on the Fire page."""


class Spot(NamedTuple):
    """A position on the drawing."""

    x: float  # -1 to 1, the edges of the pile
    height_cm: float


Placed = tuple[Place, Spot, float]
"""A probe, where it is drawn, and what it reads [°C]."""


def side_of(side: str) -> int:
    """Tell where a side is drawn: 0 left (windward), 1 middle (any other text), 2 right (leeward)."""
    words = set(re.findall(r"\w+", side.lower()))
    return 0 if words & set(_LEFT) else 2 if words & set(_RIGHT) else 1


def spots_of(places: Sequence[Place], *, low: bool = False) -> list[Spot | None]:
    """Place each probe beside its neighbours, never over them; None for one without a height.

    In a `low` drawing numbers need more of the height.
    """
    bottom, top = heights_range(places)
    near, near_cm = 0.9 * NEXT, (top - bottom) * (0.2 if low else 0.13)
    found: list[Spot | None] = []
    for place in places:
        if place.height_cm is None:
            found.append(None)
            continue
        centre = (side_of(place.side) - 1) * _ASIDE
        for aside in (n * NEXT for n in (0, 1, -1, 2, -2, 3, -3)):
            spot = Spot(min(max(centre + aside, -1.0), 1.0), place.height_cm)
            if not any(
                s is not None and abs(s.x - spot.x) < near and abs(s.height_cm - spot.height_cm) < near_cm
                for s in found
            ):
                break
        found.append(spot)
    return found


def zone_spots(places: Sequence[Place]) -> dict[str, Spot]:
    """Find where each zone is touched: in the middle of its probes; zones without a height are left out."""
    own: dict[str, list[Spot]] = {}
    for place, spot in zip(places, spots_of(places), strict=True):
        if spot is not None and place.zone:
            own.setdefault(place.zone, []).append(spot)
    return {
        zone: Spot(sum(s.x for s in some) / len(some), sum(s.height_cm for s in some) / len(some))
        for zone, some in own.items()
    }


def heat_of(places: Sequence[Place], temperature_c: Floats) -> list[list[list[int | None]]]:
    """Spread what k probes read at n moments (n, k) over the drawing: n times left, middle, right (h) [°C].

    By rows of `rows_of(places)`: at each moment, `z` of the figure's first trace. A part without a probe of
    its own at a height shows the mean of the others there; None where no probe is near, or none read
    anything.
    """
    whole = columns_of(places, temperature_c)
    parts = []
    for part in range(3):
        sides = [place.side for place in places if side_of(place.side) == part]
        own = columns_of(places, temperature_c, sides)
        parts.append(np.where(np.isfinite(own), own, whole))
    return [[column(c, "C") for c in moment] for moment in zip(*parts, strict=True)]


def stack_figure(
    places: Sequence[Place],
    temperature_c: Floats,
    *,
    words: Mapping[str, str] | None = None,
    touchable: bool = False,
    editable: bool = False,
    low: bool = False,
    unit: Unit = "C",
    theme: Theme = "day",
) -> dict[str, Any]:
    """Draw the stack as it is now.

    The first trace is the heat behind the pots (3 parts across); for another moment only its `z` changes.
    The second answers a finger on a probe (its `hovertext`), a third one on a zone.

    `temperature_c` (k,) is NaN where a probe read nothing [°C]; `words` has what the hover says instead, by
    probe. Where `touchable`, the customdata of the trace `places` are the zones. Where `editable`, probes can
    be dragged by a finger, if the graph's `config` allows it (`edits.annotationPosition`, see `moved`).
    """
    now = np.asarray(temperature_c, np.float64)
    heat = {
        "type": "heatmap",
        "x": [-2 / 3, 0, 2 / 3],
        "y": rows_of(places).tolist(),
        "z": heat_of(places, now[None, :])[0],
        "transpose": True,
        "zmin": COLDEST_C,
        "zmax": HOTTEST_C,
        "colorscale": HEAT_SCALE,
        "showscale": False,
        "hoverinfo": "skip",
        "name": "heat",
    }
    spots = zip(places, spots_of(places, low=low), now.tolist(), strict=True)
    placed = [(place, spot, c) for place, spot, c in spots if spot is not None]
    rings = zone_spots(places) if touchable else {}
    scatters = [_probes(placed, words or {}, unit)]
    if touchable:
        scatters.append(_touch(rings))
    layout = {
        "template": TEMPLATES[theme],
        "margin": {"l": 8, "r": 8, "t": 8 if touchable else KEY_PX, "b": 8},
        "hovermode": "closest",
        "dragmode": False,
        "shapes": [*_drawing(places), *(_ring(spot) for spot in rings.values())],
        "annotations": _badges(placed, large=editable),
        "xaxis": {"range": [-1.12, 1.12], "visible": False, "fixedrange": True},
        "yaxis": {
            "range": heights_range(places),
            "title": {"text": "cm" if low else "cm above the coals"},
            "fixedrange": True,
            "showgrid": False,
        },
    }
    return {"data": [heat, *({"type": "scatter", **each} for each in scatters)], "layout": layout}


def moved(relayout: Mapping[str, Any] | None) -> dict[int, tuple[float | None, float | None]]:
    """Read from a graph's `relayoutData` which probes were dragged where; anything else in it is ignored.

    Keys number the places that have a height. x runs from -1 to 1, the height is in whole cm; None for what
    didn't move.
    """
    found: dict[int, tuple[float | None, float | None]] = {}
    for key, value in (relayout or {}).items():
        match = re.fullmatch(r"annotations\[(\d{1,3})\]\.([xy])", str(key))
        is_number = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
        if match is None or not is_number:
            continue
        x, height = found.get(int(match[1]), (None, None))
        moved_x = min(max(float(value), -1.0), 1.0)
        found[int(match[1])] = (moved_x, height) if match[2] == "x" else (x, float(round(value)))
    return found


def _touch(zones: Mapping[str, Spot]) -> dict[str, Any]:
    return {
        "x": [spot.x for spot in zones.values()],
        "y": [spot.height_cm for spot in zones.values()],
        "mode": "markers",
        "marker": {"size": RING_PX, "color": NO_FILL},
        "customdata": list(zones),
        "text": [plain(zone) for zone in zones],
        "hovertemplate": "%{text}: touch to add a note here<extra></extra>",
        "name": PLACES_TRACE,
    }


def _ring(spot: Spot) -> dict[str, Any]:
    """Draw a ring around a touchable zone: a shape, since the sheet with the pots covers all traces."""
    half = RING_PX / 2
    return {
        "type": "circle",
        "xsizemode": "pixel",
        "xanchor": spot.x,
        "x0": -half,
        "x1": half,
        "ysizemode": "pixel",
        "yanchor": spot.height_cm,
        "y0": -half,
        "y1": half,
        "fillcolor": NO_FILL,
        "line": {"width": 2, "dash": "3px,4px"},
    }


def _probes(placed: Sequence[Placed], words: Mapping[str, str], unit: Unit) -> dict[str, Any]:
    """Make the touch targets under the probes' numbers, which show a temperature [°C] or its `words`."""
    said = []
    for place, spot, c in placed:
        value = words.get(place.name) or ("no reading" if c != c else f"{shown(c, unit):.0f} °{unit}")
        said.append(f"{plain(place.name)}, {spot.height_cm:g} cm: {value}")
    return {
        "x": [spot.x for _, spot, _ in placed],
        "y": [spot.height_cm for _, spot, _ in placed],
        "mode": "markers",
        "marker": {"size": 30, "color": NO_FILL},
        "customdata": [place.zone for place, *_ in placed],
        "hovertext": said,
        "hovertemplate": "%{hovertext}<extra></extra>",
        "name": "probes",
    }


def _badges(placed: Sequence[Placed], *, large: bool) -> list[dict[str, Any]]:
    """Make the probes' numbers; large enough for a finger where they can be dragged."""
    size = 36 if large else 20
    look = {
        "showarrow": False,
        "width": size,
        "height": size,
        "borderpad": 3 if large else 1,
        "borderwidth": 2,
        "bordercolor": "#1c1410",
        "bgcolor": "#fffdf7",
        "font": {"color": "#1c1410", "size": 16 if large else 14},
    }
    return [
        {"x": spot.x, "y": spot.height_cm, "text": str(place.number), **look} for place, spot, _ in placed
    ]


def _drawing(places: Sequence[Place]) -> list[dict[str, Any]]:
    """Cover everything but pots and coals with a sheet that has them for holes, then draw the wood."""
    low, high = heights_range(places)
    ground = low + BED_CM
    sheet = f"M-1.2,{low:.1f} L1.2,{low:.1f} L1.2,{high:.1f} L-1.2,{high:.1f} Z"
    jars = [_path(jar) for jar in _jars(ground, high)]
    coals = [_path(coal) for coal in _coals(ground, high - low)]
    path = {"type": "path", "layer": "above"}
    lines = (jars, {"color": "#6e5544", "width": 1.2}), (_wood(ground, high), WOOD)
    return [
        # Its fill is the template's.
        {**path, "path": " ".join([sheet, *jars, *coals]), "fillrule": "evenodd", "line": {"width": 0}},
        *({**path, "path": " ".join(parts), "fillcolor": NO_FILL, "line": line} for parts, line in lines),
    ]


def _jars(low: float, high: float) -> list[Floats]:
    """Outline jars in rows, fewer towards the top; x from -1 to 1, y in cm."""
    tall = (high - low) * 0.94
    rows = 6
    size_cm = tall / (0.9 * rows + 0.1)
    wide = size_cm / (high - low + BED_CM) / ASPECT * 2.24  # as wide on screen as it is high
    most = max(2, int(1.9 / (wide * 1.04)))
    jars = []
    for row in range(rows):
        count = max(1, round(most * (1.0 - 0.14 * row)) - row % 2)
        middle = low + size_cm * (0.5 + 0.9 * row)
        for n in range(count):
            # Mouths turned a little, as pots lie in a stack.
            turn = math.radians(((row * 5 + n * 7) % 5) * 5 - 10)
            turned = np.array(_JAR) @ [[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]]
            jars.append(turned * (wide, size_cm) + ((n - (count - 1) / 2) * wide * 1.04, middle))
    return jars


def _coals(ground: float, span: float) -> list[Floats]:
    size = span * 0.022
    turns = np.arange(8) * math.tau / 8
    coal = np.column_stack((0.05 * np.cos(turns), size * np.sin(turns)))
    lows = (ground - size * (1.1 + (n * 7) % 3 * 0.35) for n in range(19))
    return [np.add(coal, (-0.96 + n * 0.1067, low)) for n, low in enumerate(lows)]


def _wood(low: float, high: float) -> list[str]:
    """Draw long wood that leans against the pile from both sides."""
    logs = []
    for side in (-1, 1):
        for n in range(4):
            foot, head = side * (1.08 - 0.07 * n), side * (0.2 + 0.09 * n)
            top = low + (high - low) * (0.97 - 0.16 * n)
            logs.append(f"M{foot:.3f},{low - 2.0:.2f} L{head:.3f},{top:.2f}")
    return logs


def _path(points: Floats) -> str:
    return "M" + " L".join(f"{x:.3f},{y:.2f}" for x, y in points.tolist()) + " Z"
