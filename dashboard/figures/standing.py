"""The traces as a picture that needs no script, where the live ones will stand. Pure."""

import math
from collections.abc import Sequence
from html import escape
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from dashboard.figures.look import Theme, Unit, number
from dashboard.figures.model import Line
from dashboard.figures.names import TABLET, rule_names
from dashboard.figures.traces import ends, last
from logger.reading import Floats
from logger.words.looks import DASHES, DAY, NIGHT, Dash, rulers

SIDE: Final = 1000
"""The picture's own units, across and up; the browser stretches it to its place."""
COLUMN: Final = 3
"""Units across of which a line keeps its least and its greatest reading."""


def standing_traces(
    lines: Sequence[Line],
    *,
    x: Sequence[float],
    y: Sequence[float],
    target_c: float,
    burnout_c: float,
    zero_s: float,
    lit: bool,
    top_c: float,
    lead_min: float,
    unit: Unit,
    theme: Theme,
) -> str:
    """Draw the traces, their limits and a few numbers at the axes, as an `svg` to be stretched to any size.

    It has no styles or scripts. `x` and `y` are the axes' ends, as the live picture's: minutes, and °C or °F;
    `top_c` is where the temperature axis ends [°C]. The rest: see `traces_drawing`.
    """

    def across(minutes: Any) -> Any:
        return (minutes - x[0]) / (x[1] - x[0])

    def up(shown: Any) -> Any:
        return (y[1] - shown) / (y[1] - y[0])

    rules = rulers(target_c=target_c, burnout_c=burnout_c)
    colours = NIGHT if theme == "night" else DAY
    levels = ticks(y[0], y[1], 9.0)
    drawn = [_rule([up(level) for level in levels], 'class="grid"')]
    drawn += [
        _rule([up(number(r.temperature_c, unit))], f'class="rule" stroke-width="{r.width}"{_dashed(r.dash)}')
        for r in rules
    ]
    for i, line in enumerate(lines):
        shown = up(line.c * 1.8 + 32.0 if unit == "F" else line.c)
        if path := _path(across((line.t_s - zero_s) / 60.0), shown):
            look = f'stroke="{colours[i % len(colours)]}"{_dashed(DASHES[i % len(DASHES)])}'
            drawn.append(f'<path class="line" d="{path}" {look}/>')
    words = [
        _text(f"{level:g}{f' °{unit}' if level == levels[-1] else ''}", 0.0, up(level), "end", -10, 5)
        for level in levels
    ]
    words += [_text(f"{at:g}", across(at), 1.0, "middle", 0, 23) for at in ticks(x[0], x[1], 6.0)]
    since = f"minutes since {'lighting' if lit else 'the first reading'}"
    words.append(_text(since, 0.5, 1.0, "middle", 0, 44))
    shown_s = (60.0 * x[0] + zero_s, 60.0 * x[1] + zero_s)
    for name in rule_names(rules, lines, shown_s, top_c, TABLET, unit):
        lift = -6 if name["yanchor"] == "bottom" else 17
        at, anchor, aside = (name["x"], "start", 4) if name["xanchor"] == "left" else (1.0, "end", -8)
        words.append(_text(name["text"], at, up(name["y"]), anchor, aside, lift))
    end_x, end_y = ends([last(line) for line in lines], top_c, lead_min, zero_s, unit, TABLET)
    numbers = [
        _text(str(line.place.number), across(at), up(level), "start", 5, 5)
        for line, at, level in zip(lines, end_x[1::3], end_y[1::3], strict=True)
        if at is not None and level is not None
    ]
    words.append(f'<g class="ends">{"".join(numbers)}</g>')
    return (
        '<svg class="standing" role="img" aria-label="Temperatures so far" width="100%" height="100%">'
        f'<svg viewBox="0 0 {SIDE} {SIDE}" preserveAspectRatio="none">{"".join(drawn)}</svg>'
        f"{''.join(words)}</svg>"
    )


def ticks(low: float, high: float, at_most: float) -> list[float]:
    """Choose round numbers along an axis, about so many, with plotly's steps."""
    rough = (high - low) / at_most
    ten = 10.0 ** math.floor(math.log10(rough))
    step = ten * next(n for n in (2.0, 5.0, 10.0, 20.0) if n >= rough / ten)
    first = math.ceil(low / step - 1e-9)
    return [n * step + 0.0 for n in range(first, math.floor(high / step + 1e-9) + 1)]


def _path(x: Floats, y: Floats) -> str:
    """Write a line: whole units, each stretch without a gap from where it begins, then by steps."""
    known = np.flatnonzero(np.isfinite(y))
    parts = []
    for stretch in np.split(known, np.flatnonzero(np.diff(known) > 1) + 1):
        if not len(stretch):
            continue
        at = np.rint(np.column_stack((x[stretch], y[stretch])) * SIDE).astype(int)
        kept = at[_telling(at[:, 0] // COLUMN, at[:, 1])]
        moves = np.diff(kept, axis=0)
        steps = moves[moves.any(axis=1)].tolist() or [[1, 0]]  # a reading alone is seen, too
        parts.append(f"M{kept[0, 0]} {kept[0, 1]}l" + " ".join(f"{dx} {dy}" for dx, dy in steps))
    return "".join(parts).replace(" -", "-")


def _telling(column: NDArray[np.int64], y: NDArray[np.int64]) -> NDArray[np.int64]:
    """Which points of each column to keep: the least, the greatest, and the very last."""
    order = np.lexsort((y, column))
    begins = np.flatnonzero(np.diff(column[order], prepend=-1_000_000))
    ends_ = np.append(begins[1:], len(order)) - 1
    return np.unique(np.concatenate((order[begins], order[ends_], [len(y) - 1])))


def _rule(levels: Sequence[float], look: str) -> str:
    return f'<path {look} d="{"".join(f"M0 {SIDE * level:.0f}h{SIDE}" for level in levels)}"/>'


def _dashed(dash: Dash) -> str:
    return f' stroke-dasharray="{" ".join(map(str, dash))}"' if dash else ""


def _text(words: str, x: float, y: float, anchor: str, dx: int, dy: int) -> str:
    place = f'x="{100 * x:.2f}%" y="{100 * y:.2f}%" dx="{dx}" dy="{dy}" text-anchor="{anchor}"'
    return f"<text {place}>{escape(words)}</text>"
