"""Names in the traces: stages above them, limits among them, placed where they cover nothing. Pure."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from dashboard.figures.look import ruler_name
from dashboard.figures.model import Course, Line, Stage
from logger.words.looks import rulers


@dataclass(frozen=True, slots=True)
class Glass:
    """How much room letters have on the traces of a screen."""

    letters: float  # how many fit side by side
    name: float  # height of a limit's name and its background, as a share of the temperature axis
    number: float  # height of a number at a line's end, likewise


TABLET: Final = Glass(80.0, 1.0 / 14.0, 1.0 / 26.0)
"""Held upright; a wider one has more room."""
PHONE: Final = Glass(30.0, 1.0 / 9.0, 1.0 / 15.0)
"""Also for any low screen, or half of one."""
STAGES_PX: Final = 28
"""How far the stages' names are above the traces."""


def stage_names(
    stages: Sequence[Stage], course: Course, shown_s: tuple[float, float], glass: Glass
) -> list[dict[str, Any]]:
    """Name the stages at the top of the strip: after a stage's beginning, or else before the next name.

    A name that would be mostly outside its stage is left out.
    """
    begin_s, end_s = shown_s
    letter_s = (end_s - begin_s) / glass.letters
    strip = {"yref": "paper", "y": 1, "yshift": STAGES_PX, "yanchor": "bottom", "showarrow": False}
    names: list[dict[str, Any]] = []
    free_s = end_s
    for stage in reversed([each for each in stages if each.from_s < end_s]):
        wide_s = len(stage.name) * letter_s
        place = {**strip, "text": stage.name, "xanchor": "left", "x": course.minute(stage.from_s)}
        left_s = stage.from_s
        if stage.from_s < begin_s and not names:
            place |= {"xref": "paper", "x": 0}  # it stays where it is as time goes on
        elif stage.from_s < begin_s or stage.from_s + wide_s > free_s:
            place |= {"xanchor": "right", "x": course.minute(free_s)}
            left_s = free_s - wide_s
        if free_s - stage.from_s >= wide_s / 3.0 and (left_s >= begin_s or "xref" in place):
            names.insert(0, place)
            free_s = left_s - letter_s
        if stage.from_s <= begin_s:
            break
    return names


def rule_names(
    lines: Sequence[Line], course: Course, shown_s: tuple[float, float], top_c: float, glass: Glass
) -> list[dict[str, Any]]:
    """Name the limits above or below their lines, clear of traces and of other names, further in if need be.

    Over a trace if there is no other room; left out if it would cover another name.
    """
    names: list[dict[str, Any]] = []
    taken: list[tuple[float, float, float, float]] = []
    high_c = glass.name * top_c
    for rule in rulers(target_c=course.target_c, burnout_c=course.burnout_c):
        name, c = ruler_name(rule, course.unit), rule.temperature_c
        wide = len(name["text"]) / glass.letters + 0.02
        begins = [0.0, 1.0 - wide, *(0.05 * n for n in range(1, 11))]
        places = [(begin, begin + wide, low, low + high_c) for begin in begins for low in (c, c - high_c)]
        free = [place for place in places if not any(_meet(place, other) for other in taken)]
        clear = (p for p in free if not any(_meet(p, span) for span in _spans(lines, shown_s, p)))
        edges = (p for p in free if p[0] in begins[:2])
        if (place := next(clear, None) or next(edges, None)) is not None:
            taken.append(place)
            side = {"yanchor": "top" if place[2] < c else "bottom"}
            at = {"x": 0.99, "xanchor": "right"} if place[0] == begins[1] else {"x": name["x"] + place[0]}
            names.append(name | side | at | {"bgcolor": "rgba(128,128,128,0.12)", "borderpad": 1})
    return names


def off_limits(y: float, limits: Sequence[float], high: float) -> float:
    """Move a name that spans y to y + `high` off any limit's line that would strike it through.

    A negative `high` is a name below y; it moves further down.
    """
    for limit in sorted(limits, reverse=high < 0.0):
        if 0.0 < (limit - y) / high < 1.0:
            y = limit
    return y


def _spans(
    lines: Sequence[Line], shown_s: tuple[float, float], place: Sequence[float]
) -> Iterator[tuple[float, float, float, float]]:
    """Yield, as places, the range of temperatures [°C] that each line covers in the time of a place."""
    begin_s, end_s = (shown_s[0] + share * (shown_s[1] - shown_s[0]) for share in place[:2])
    for line in lines:
        c = line.c[(line.t_s >= begin_s) & (line.t_s <= end_s)]
        if np.isfinite(c).any():
            yield place[0], place[1], float(np.nanmin(c)), float(np.nanmax(c))


def _meet(one: Sequence[float], other: Sequence[float]) -> bool:
    """Tell whether two places (from, to in shares of the time; from, to in °C) overlap."""
    left, right, low, high = other
    return one[0] < right and one[1] > left and one[2] < high and one[3] > low
