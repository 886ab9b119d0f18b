"""How figures look: colours by day and by night, dashes, the colours of heat, °C or °F. Pure.

A figure takes its ink from its template alone, so that swapping the template turns day into night:
``Patch().assign(["layout", "template"], TEMPLATES["night"])``.
"""

from collections.abc import Iterable, Sequence
from typing import Any, Final, Literal

import numpy as np

from dashboard.words import Unit as Unit
from dashboard.words import shown
from logger.reading import Floats
from logger.report.stack_map import HEAT
from logger.words.looks import DASHES, DAY, NIGHT, Dash, Ruler

Theme = Literal["day", "night"]

FACE: Final = '"Atkinson Hyperlegible Next", "Atkinson Hyperlegible", "DejaVu Sans", sans-serif'
SIZE: Final = 15

COLDEST_C: Final = HEAT[0][0]
HOTTEST_C: Final = HEAT[-1][0]
HEAT_SCALE: Final = [
    [(c - COLDEST_C) / (HOTTEST_C - COLDEST_C), f"rgb({','.join(map(str, rgb))})"] for c, rgb in HEAT
]
"""Colour scale from `COLDEST_C` to `HOTTEST_C`, as plotly takes it."""


AT_AN_END: Final = {
    "type": "scatter",
    "mode": "text",
    "textposition": "middle right",
    "cliponaxis": False,
    "hoverinfo": "skip",
}
"""Words at the ends of bars or lines."""


def unit_of(told: Any) -> Unit:
    """Read the unit stored in the browser: °C unless it is `F`."""
    return "F" if told == "F" else "C"


def theme_of(told: Any) -> Theme:
    """Read the theme stored in the browser: day unless it is `night`."""
    return "night" if told == "night" else "day"


def numbers(temperatures_c: Sequence[float | None] | Floats, unit: Unit) -> list[float | None]:
    """Convert temperatures (n,) to the unit shown, to a tenth; NaN and None, which are gaps, become None."""
    found = np.round(shown(np.asarray(temperatures_c, np.float64), unit), 1)
    return [None if value != value else value for value in found.tolist()]


def line_dash(i: int) -> str:
    """Return plotly's dashes for the line of a probe or a firing, by its number from 0."""
    return _dashed(DASHES[i % len(DASHES)])


def plain(text: str) -> str:
    """Escape somebody's words, so that plotly finds no markup and no hover values in them."""
    return text.replace("&", "&amp;").replace("<", "&lt;").replace("%{", "% {")


def ruler_shapes(rulers: Iterable[Ruler], unit: Unit) -> list[dict[str, Any]]:
    """Draw lines across the figure at temperatures, as shapes for plotly's layout."""
    return [
        {
            "type": "line",
            "xref": "paper",
            "x0": 0,
            "x1": 1,
            "y0": shown(ruler.temperature_c, unit),
            "y1": shown(ruler.temperature_c, unit),
            "layer": "below",
            "line": {"width": ruler.width, "dash": _dashed(ruler.dash)},
        }
        for ruler in rulers
    ]


def ruler_name(ruler: Ruler, unit: Unit) -> dict[str, Any]:
    """Name a ruler at its left end, above its line, as an annotation for plotly's layout."""
    c = shown(ruler.temperature_c, unit)
    return {
        "xref": "paper",
        "x": 0.005,
        "xanchor": "left",
        "y": c,
        "yanchor": "bottom",
        "text": f"{ruler.name} {c:.0f}°",
        "showarrow": False,
    }


def _dashed(dash: Dash) -> str:
    return ",".join(f"{length}px" for length in dash) or "solid"


def _template(
    ink: str, soft: str, grid: str, ground: str, sheet: str, colours: tuple[str, ...]
) -> dict[str, Any]:
    axis = {
        "color": ink,
        "gridcolor": grid,
        "linecolor": ink,
        "zeroline": False,
        "ticks": "outside",
        "tickcolor": soft,
        "tickfont": {"size": SIZE, "color": ink},
        "title": {"font": {"size": SIZE, "color": ink}, "standoff": 3},
        "automargin": True,
    }
    layout = {
        "showlegend": False,  # it would wrap beside the drawing
        "colorway": list(colours),
        "font": {"family": FACE, "size": SIZE, "color": ink},
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "hoverlabel": {"bgcolor": ground, "bordercolor": soft, "font": {"color": ink, "size": SIZE}},
        "xaxis": axis,
        "yaxis": axis,
        "shapedefaults": {"line": {"color": soft}, "fillcolor": sheet},
        "annotationdefaults": {"font": {"color": ink, "size": SIZE}},
        "colorscale": {"sequential": HEAT_SCALE},
        "modebar": {"bgcolor": "rgba(0,0,0,0)", "color": soft, "activecolor": ink},
    }
    return {"layout": layout}


TEMPLATES: Final[dict[str, Any]] = {
    "day": _template("#1c1410", "#6e5544", "#e2d5be", "#fdfaf3", "#e6d8bd", DAY),
    "night": _template("#ecd9bd", "#a58a6f", "#33271e", "#211913", "#2a2019", NIGHT),
}
