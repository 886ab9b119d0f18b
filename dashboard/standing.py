"""What a tablet shows while its scripts load: the page at the moment it was asked for, as plain HTML.

The ids belong to the live page, so here they become classes with `at-` in front. Style rules for `#zones`
also hold for `.at-zones` (`for_both`), so the still page is laid out like the live one that replaces it. The
traces are one SVG.
"""

import math
import re
from collections.abc import Mapping, Sequence
from contextvars import ContextVar
from html import escape
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from dashboard.live.board import Board
from dashboard.live.fire_screen import picture, value_rows
from dashboard.live.messages import Wish
from dashboard.live.screens import draw
from dashboard.shell import shell
from logger.reading import Floats

opening_now: ContextVar[tuple[Wish, str]] = ContextVar("opening_now", default=(Wish(), ""))
"""For the request being answered: what its document shows first; HTML, empty on every page but the fire."""


def wish_of(cookie: str) -> Wish:
    """Read the unit and light a tablet has chosen; the default is °C and day."""
    unit, theme = cookie.startswith("F"), cookie.endswith("night")
    return Wish("fire", "F" if unit else "C", "night" if theme else "day")


def opened(document: str) -> str:
    """Fill in the document of the request being answered."""
    wish, look = opening_now.get()
    for place, words in (("theme", wish.theme), ("page", "fire" if look else ""), ("first-look", look)):
        document = document.replace(f"@{place}@", words)
    return document


def first_look(board: Board, quiet_s: float | None, time_of_day: str, wish: Wish) -> str:
    """Render the Fire page: what is wrong, which zone is coldest, what each needs, and the traces.

    HTML; empty where no firing is running. `time_of_day` is shown at the bottom, because the numbers don't
    change and mustn't look as if they did.
    """
    from dashboard.pages import fire

    if board.firing is None or not board.running:
        return ""
    drawn = draw(board, wish, quiet_s, False)
    props = drawn.props | {
        "door-fire": {"aria-current": "page"},
        "clock": {"children": time_of_day[:5]},
        "sound": {"children": "Sound is off: tap"},
        "_pages_content": {"children": fire.layout()},
        "values": {"children": value_rows(board)},
        "traces": {"children": Markup(standing_traces(picture(board, wish)))},
    }
    if board.state(quiet_s) != "fresh":
        props |= {"zones": {}, "values": {}}
    texts = drawn.texts | {"health": f"As it was at {time_of_day}. The live page is loading."}
    for name, told in texts.items():
        words, kind = (told, None) if isinstance(told, str) else told
        props[name] = {"children": words} | ({"className": kind} if kind else {})
    return f'<div id="first-look">{still(shell(), props)}</div>'


# --- components as plain HTML

_ID: Final = re.compile(r"#([A-Za-z_][\w-]*)(?=[^{}]*\{)")  # in a selector: a colour has no brace after it
_TAGS: Final = {"Link": "a", "Graph": "div", "SegmentedControl": "div"}
UNPRESSED: Final = ' disabled role="none"'
_KEPT: Final = ("href", "role", "aria-label", "aria-current")


class Markup(str):
    """Text that is HTML already."""


def for_both(css: str) -> str:
    """Let rules for an id hold for its class too, with the same weight."""
    return _ID.sub(r":is(#\1, .at-\1)", css)


def still(part: Any, props: dict[str, dict[str, Any]]) -> str:
    """Render components as HTML; `props`, by id, override a component's own.

    Buttons can't be pressed yet, so screen readers aren't told of them. Anything hidden, or that only a
    script can show, is left out.
    """
    if part is None or isinstance(part, str | int | float):
        return part if isinstance(part, Markup) else escape(str(part or ""))
    if isinstance(part, list | tuple):
        return "".join(still(each, props) for each in part)
    own = part.to_plotly_json()
    name = own["props"].get("id")
    has = own["props"] | (props.get(name, {}) if isinstance(name, str) else {})
    children = has.get("children")
    if has.get("hidden"):
        return ""
    if own["type"] == "MantineProvider":
        return still(children, props)
    if own["type"] == "SegmentedControl":
        children = [_segment(each["label"], each["value"] == has["value"]) for each in has["data"]]
        has["className"] = "mantine-SegmentedControl-root"
    elif own["namespace"] != "dash_html_components" and own["type"] not in _TAGS:
        return ""
    classes = [f"at-{name}"] if isinstance(name, str) else []
    classes += [has["className"]] if has.get("className") else []
    tag = _TAGS.get(own["type"], own["type"].lower())
    told = {"class": " ".join(classes)}
    if tag != "button":
        told |= {key: str(has[key]) for key in _KEPT if has.get(key)}
    written = "".join(f' {key}="{escape(value)}"' for key, value in told.items() if value)
    return f"<{tag}{written}{UNPRESSED if tag == 'button' else ''}>{still(children, props)}</{tag}>"


def _segment(label: str, is_chosen: bool) -> Markup:
    chosen = " mantine-SegmentedControl-indicator" if is_chosen else ""
    return Markup(f'<span class="mantine-SegmentedControl-label{chosen}">{escape(label)}</span>')


# --- the traces

SIDE: Final = 1000
"""Width and height of the picture in its own units; the browser stretches it to fit."""
COLUMN: Final = 3
"""Width of a column in which a line keeps its lowest and highest reading."""


def standing_traces(figure: Mapping[str, Any]) -> str:
    """Draw a figure of `traces_figure` as an `svg` that stretches to any size, without styles or scripts.

    Only lines, limits and their names, and a few numbers on the axes: no events and no forecast.
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
    unit = layout["yaxis"]["ticksuffix"]
    words = [
        _text(f"{level:g}{unit * (level == levels[-1])}", 0.0, up(level), "end", -10, 5) for level in levels
    ]
    words += [_text(f"{at:g}", across(at), 1.0, "middle", 0, 23) for at in ticks(left, right, 6.0)]
    words.append(_text(layout["xaxis"]["title"]["text"], 0.5, 1.0, "middle", 0, 44))
    for name in (name for name in layout["annotations"] if "yref" not in name):
        lift = -6 if name["yanchor"] == "bottom" else 17
        at, anchor, aside = (name["x"], "start", 4) if name["xanchor"] == "left" else (1.0, "end", -8)
        words.append(_text(name["text"], at, up(name["y"]), anchor, aside, lift))
    ends = zip(*(numbers[key][1::3] for key in ("text", "x", "y")), strict=True)
    placed = [
        _text(text.strip(), across(x), up(y), "start", 5, 5) for text, x, y in ends if None not in (x, y)
    ]
    return (
        '<svg class="standing" role="img" aria-label="Temperatures so far" width="100%" height="100%">'
        f'<svg viewBox="0 0 {SIDE} {SIDE}" preserveAspectRatio="none">{"".join(drawn)}</svg>'
        f'{"".join(words)}<g class="ends">{"".join(placed)}</g></svg>'
    )


def ticks(low: float, high: float, at_most: float) -> list[float]:
    """Choose round numbers for an axis, at most about `at_most` of them, with plotly's steps."""
    rough = (high - low) / at_most
    ten = 10.0 ** math.floor(math.log10(rough))
    step = ten * next(n for n in (2.0, 5.0, 10.0, 20.0) if n >= rough / ten)
    first = math.ceil(low / step - 1e-9)
    return [n * step + 0.0 for n in range(first, math.floor(high / step + 1e-9) + 1)]


def _path(x: Floats, y: Floats) -> str:
    """Write a line in whole units: for each stretch without a gap its start, then relative steps."""
    known = np.flatnonzero(np.isfinite(y))
    parts = []
    for stretch in np.split(known, np.flatnonzero(np.diff(known) > 1) + 1):
        if not len(stretch):
            continue
        at = np.rint(np.column_stack((x[stretch], y[stretch])) * SIDE).astype(int)
        kept = at[_telling(at[:, 0] // COLUMN, at[:, 1])]
        moves = np.diff(kept, axis=0)
        steps = moves[moves.any(axis=1)].tolist() or [[1, 0]]  # a lone reading shows, too
        parts.append(f"M{kept[0, 0]} {kept[0, 1]}l" + " ".join(f"{dx} {dy}" for dx, dy in steps))
    return "".join(parts).replace(" -", "-")


def _telling(column: NDArray[np.int64], y: NDArray[np.int64]) -> NDArray[np.int64]:
    """Choose the points to keep: the lowest and highest of each column, and the very last."""
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
