"""The traces as a picture that needs no script, where the live ones will stand. Pure."""

import math
from collections.abc import Mapping, Sequence
from html import escape
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from logger.reading import Floats

SIDE: Final = 1000
"""The picture's own units, across and up; the browser stretches it to its place."""
COLUMN: Final = 3
"""Units across of which a line keeps its least and its greatest reading."""


def standing_traces(figure: Mapping[str, Any]) -> str:
    """Draw a figure of `traces_figure` as an `svg` to be stretched to any size, without styles or scripts.

    Its lines, limits and their names, and a few numbers at the axes; nothing of what happened, or is to come.
    """
    layout, lines = figure["layout"], [t for t in figure["data"] if "probe" in t.get("meta", {})]
    numbers = next(trace for trace in figure["data"] if trace["name"] == "numbers")
    (left, right), (low, high) = (layout[axis]["range"] for axis in ("xaxis", "yaxis"))
    colours = layout["template"]["layout"]["colorway"]

    def across(x: Any) -> Any:
        return (x - left) / (right - left)

    def up(y: Any) -> Any:
        return (high - y) / (high - low)

    levels = ticks(low, high, 9.0)
    drawn = [_rule([up(level) for level in levels], 'class="grid"')]
    for rule in (shape for shape in layout["shapes"] if shape.get("xref") == "paper"):
        look = f'class="rule" stroke-width="{rule["line"]["width"]}"{_dashed(rule["line"]["dash"])}'
        drawn.append(_rule([up(rule["y0"])], look))
    for i, line in enumerate(lines):
        if path := _path(across(np.array(line["x"], float)), up(np.array(line["y"], float))):
            look = f'stroke="{colours[i % len(colours)]}"{_dashed(line["line"]["dash"])}'
            drawn.append(f'<path class="line" d="{path}" {look}/>')
    words = [
        _text(
            f"{level:g}{layout['yaxis']['ticksuffix'] * (level == levels[-1])}", 0.0, up(level), "end", -10, 5
        )
        for level in levels
    ]
    words += [_text(f"{at:g}", across(at), 1.0, "middle", 0, 23) for at in ticks(left, right, 6.0)]
    words.append(_text(layout["xaxis"]["title"]["text"], 0.5, 1.0, "middle", 0, 44))
    for name in (name for name in layout["annotations"] if "yref" not in name):
        lift = -6 if name["yanchor"] == "bottom" else 17
        at, anchor, aside = (name["x"], "start", 4) if name["xanchor"] == "left" else (1.0, "end", -8)
        words.append(_text(name["text"], at, up(name["y"]), anchor, aside, lift))
    ends = zip(*(numbers[key][1::3] for key in ("text", "x", "y")), strict=True)
    placed = [
        _text(text.strip(), across(x), up(y), "start", 5, 5)
        for text, x, y in ends
        if x is not None and y is not None
    ]
    return (
        '<svg class="standing" role="img" aria-label="Temperatures so far" width="100%" height="100%">'
        f'<svg viewBox="0 0 {SIDE} {SIDE}" preserveAspectRatio="none">{"".join(drawn)}</svg>'
        f'{"".join(words)}<g class="ends">{"".join(placed)}</g></svg>'
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


def _dashed(dash: str) -> str:
    return "" if dash == "solid" else f' stroke-dasharray="{dash.replace("px", "").replace(",", " ")}"'


def _text(words: str, x: float, y: float, anchor: str, dx: int, dy: int) -> str:
    place = f'x="{100 * x:.2f}%" y="{100 * y:.2f}%" dx="{dx}" dy="{dy}" text-anchor="{anchor}"'
    return f"<text {place}>{escape(words)}</text>"
