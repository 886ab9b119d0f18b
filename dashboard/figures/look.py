"""How figures look: colours by day and by night, dashes, the colours of heat, °C or °F. Pure.

A figure takes its ink from its template alone, so that another template turns day into night:
``Patch().assign(["layout", "template"], TEMPLATES["night"])``.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final, Literal

import plotly.graph_objects as go

from logger.report.stack_map import HEAT

Unit = Literal["C", "F"]
Theme = Literal["day", "night"]

FACE: Final = '"Atkinson Hyperlegible Next", "Atkinson Hyperlegible", "DejaVu Sans", sans-serif'
SIZE: Final = 15

DAY: Final = ("#0b4f8a", "#8a2c02", "#005c45", "#75286a", "#704a00", "#1d1815", "#075865", "#981a57")
NIGHT: Final = ("#7cc0ff", "#ff9a5c", "#5fd6a8", "#e39ad6", "#f0c75e", "#f3ead9", "#6fd3e0", "#ff8fb5")
"""Each at least 7 : 1 on its ground: lines in these colours are read in the sun, and in the dark."""
DASHES: Final = ("solid", "9px,4px", "3px,4px", "14px,4px,3px,4px", "6px,8px")
"""Number, dashes and colour tell lines apart; 8 colours and 5 dashes make 40 pairs."""

COLDEST_C: Final = HEAT[0][0]
HOTTEST_C: Final = HEAT[-1][0]
HEAT_SCALE: Final = [
    [(c - COLDEST_C) / (HOTTEST_C - COLDEST_C), f"rgb({','.join(map(str, rgb))})"] for c, rgb in HEAT
]
"""Colour scale from `COLDEST_C` to `HOTTEST_C`, as plotly takes it."""


def number(temperature_c: float, unit: Unit) -> float:
    """Give a temperature in the unit that is shown.

    Parameters
    ----------
    temperature_c : float
        [°C]
    unit : {'C', 'F'}

    Returns
    -------
    float
        [°C or °F]
    """
    return temperature_c * 1.8 + 32.0 if unit == "F" else temperature_c


def numbers(temperatures_c: Iterable[float], unit: Unit) -> list[float | None]:
    """Give temperatures in the unit that is shown, as plotly's `extendData` takes them.

    Parameters
    ----------
    temperatures_c : iterable of float
        [°C]
    unit : {'C', 'F'}

    Returns
    -------
    list
        To a tenth; None for NaN, where a line breaks. [°C or °F]
    """
    return [None if c != c else round(number(c, unit), 1) for c in temperatures_c]


def _template(
    ink: str, soft: str, grid: str, ground: str, sheet: str, colours: tuple[str, ...]
) -> go.layout.Template:
    axis = {
        "color": ink,
        "gridcolor": grid,
        "linecolor": ink,
        "zeroline": False,
        "ticks": "outside",
        "tickcolor": soft,
        "tickfont": {"size": SIZE, "color": ink},
        "title": {"font": {"size": SIZE, "color": ink}, "standoff": 6},
        "automargin": True,
    }
    return go.layout.Template(
        layout={
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
        }
    )


TEMPLATES: Final[dict[str, Any]] = {
    "day": _template("#1c1410", "#6e5544", "#e2d5be", "#fdfaf3", "#e6d8bd", DAY).to_plotly_json(),
    "night": _template("#ecd9bd", "#a58a6f", "#33271e", "#211913", "#2a2019", NIGHT).to_plotly_json(),
}
