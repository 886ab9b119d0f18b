"""Names in the traces: of stages above them, of limits between them, where they cover nothing. Pure."""

from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from dashboard.figures.look import Unit, ruler_name
from dashboard.figures.model import Line, Stage
from logger.words.looks import Ruler

LETTERS: Final = {False: 80.0, True: 30.0}
"""So many stand side by side over the traces of a tablet held upright; True: of a phone."""
HIGH: Final = {False: 1.0 / 14.0, True: 1.0 / 9.0}
"""A limit's name and its ground, of what the temperature axis shows; True: on a low glass."""
STAGES_PX: Final = 28
"""How far above the traces the stages' names stand."""


def minute(t_s: float, zero_s: float) -> float:
    """Say where a moment stands on the time axis."""
    return round((t_s - zero_s) / 60.0, 3)


def stage_names(
    stages: Sequence[Stage], shown_s: tuple[float, float], zero_s: float, low: bool
) -> list[dict[str, Any]]:
    """Names of stages, uppermost in the strip: behind a stage's beginning, else before the next one's name.

    One that hardly stands within its stage is left out.
    """
    begin_s, end_s = shown_s
    letter_s = (end_s - begin_s) / LETTERS[low]
    strip = {"yref": "paper", "y": 1, "yshift": STAGES_PX, "yanchor": "bottom", "showarrow": False}
    names: list[dict[str, Any]] = []
    free_s = end_s
    for stage in reversed([each for each in stages if each.from_s < end_s]):
        wide_s = len(stage.name) * letter_s
        place = {**strip, "text": stage.name, "xanchor": "left", "x": minute(stage.from_s, zero_s)}
        left_s = stage.from_s
        if stage.from_s < begin_s and not names:
            place |= {"xref": "paper", "x": 0}  # it stays where it is as time goes on
        elif stage.from_s < begin_s or stage.from_s + wide_s > free_s:
            place |= {"xanchor": "right", "x": minute(free_s, zero_s)}
            left_s = free_s - wide_s
        if free_s - stage.from_s >= wide_s / 3.0 and (left_s >= begin_s or "xref" in place):
            names.insert(0, place)
            free_s = left_s - letter_s
        if stage.from_s <= begin_s:
            break
    return names


def rule_names(
    rules: Sequence[Ruler],
    lines: Sequence[Line],
    shown_s: tuple[float, float],
    top_c: float,
    low: bool,
    unit: Unit,
) -> list[dict[str, Any]]:
    """Name the limits, above or under their lines, left or right: clear of traces and of other names.

    Over a trace where there is no other room; not at all where another's name would be covered.
    """
    names: list[dict[str, Any]] = []
    taken: list[tuple[str, float, float]] = []
    for rule in rules:
        name, c, high_c = ruler_name(rule, unit), rule.temperature_c, HIGH[low] * top_c
        share = len(name["text"]) / LETTERS[low] + 0.02
        there = {edge: _spans(lines, _stretch(shown_s, edge, share)) for edge in ("left", "right")}
        places = [
            (edge, bottom, {"yanchor": "top" if bottom < c else "bottom"})
            for edge in ("left", "right")
            for bottom in (c, c - high_c)
        ]
        places = [p for p in places if not _meet(p[1], high_c, [t[1:] for t in taken if t[0] == p[0]])]
        clear = [p for p in places if not _meet(p[1], high_c, there[p[0]])]
        for edge, bottom, side in (clear or places)[:1]:
            taken.append((edge, bottom, bottom + high_c))
            end = {"x": 0.99, "xanchor": "right"} if edge == "right" else {}
            names.append(name | side | end | {"bgcolor": "rgba(128,128,128,0.12)", "borderpad": 1})
    return names


def off_limits(y: float, limits: Sequence[float], high: float) -> float:
    """Move a name that stands from y to y + `high` off the limits' lines that would strike it through.

    A negative `high` is a name below y; it moves on away from there.
    """
    for limit in sorted(limits, reverse=high < 0.0):
        if 0.0 < (limit - y) / high < 1.0:
            y = limit
    return y


def _stretch(shown_s: tuple[float, float], edge: str, share: float) -> tuple[float, float]:
    begin, end = shown_s
    wide = share * (end - begin)
    return (begin, begin + wide) if edge == "left" else (end - wide, end)


def _spans(lines: Sequence[Line], stretch_s: tuple[float, float]) -> list[tuple[float, float]]:
    """Between which temperatures each line runs in a stretch of time [°C]."""
    parts = [line.c[(line.t_s >= stretch_s[0]) & (line.t_s <= stretch_s[1])] for line in lines]
    return [(float(np.nanmin(c)), float(np.nanmax(c))) for c in parts if np.isfinite(c).any()]


def _meet(bottom: float, high: float, spans: Sequence[tuple[float, float]]) -> bool:
    return any(bottom < top and bottom + high > low for low, top in spans)
