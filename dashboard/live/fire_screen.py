"""The Fire page as a tablet shows it: verdict, zones, values, log and pictures. Pure."""

import math
from itertools import groupby
from operator import itemgetter
from typing import Any, Final

import numpy as np
from dash import html

from dashboard.figures.heat_map import heat_figure
from dashboard.figures.look import numbers, plain
from dashboard.figures.model import Course, Line, Mark, Place, Stage
from dashboard.figures.names import PHONE, TABLET, Glass, off_limits
from dashboard.figures.stack import stack_figure
from dashboard.figures.traces import LEAD, ahead_s, ends, peak_of, top_of, traces_figure
from dashboard.live.board import Board
from dashboard.live.messages import Wish
from dashboard.live.screens import Drawn, lighting_s, since_wood
from dashboard.parts import fire_parts
from dashboard.tables import mark_of
from dashboard.words import shown
from logger.reading import Floats
from logger.words.events import event_words
from logger.words.looks import STAGES, rulers

HEAT_COLUMNS: Final = 400
"""Columns of the stack through time; a tablet's screen is some 800 pixels wide."""

MANY: Final = 1_000_000
"""How many points a line may grow to; it is thinned long before that."""
ROOM: Final = 0.9
"""Above this share of the axis there is no room for a name."""


def fire_screen(drawn: Drawn, board: Board, wish: Wish, quiet_s: float | None, whole: bool) -> None:
    """Add the fire to `drawn`: whole pictures, or only what is new."""
    firing, unit, quiet = board.firing, wish.unit, quiet_s or 0.0
    how = "empty" if firing is None else "ended" if not board.running else "burning"
    drawn.props |= {"fire": {"className": how}, "waiting": {"hidden": firing is not None}}
    if firing is None:
        return
    live = board.state(quiet_s) == "fresh"
    cards = sorted(
        ((zone, card) for zone, card in board.cards.items() if card[6] != "coals"),
        key=lambda item: 1e9 if item[1][0] is None else item[1][0],
    )
    zones = [zone for zone, _ in cards] if board.running else []
    made = board.kept("zones", zones, lambda: [fire_parts.zone_card(zone, n) for n, zone in enumerate(zones)])
    drawn.props["zones"] = {"children": made}
    drawn.texts |= {
        "verdict": fire_parts.verdict(board.verdict, cards, firing, unit) if live else "",
        "come": fire_parts.to_come(board.verdict, unit) if live else "",
        "since-wood": since_wood(board, quiet),
        **fire_parts.zone_texts(cards if zones else [], firing, unit),
        **fire_parts.glance(cards, board, unit, live),
        **_values(board, wish, quiet, live),
    }
    drawn.slow |= {
        "zone-details": lambda: fire_parts.zone_details(cards, board, unit),
        "limits": lambda: [html.Li(words) for words in firing["limits"]],
        "events": lambda: fire_parts.log(board.events, unit),
        "past-alarms": lambda: fire_parts.alarm_history(board.events, unit),
    }
    if whole or board.turned:  # its colours are the current readings: a silence, or its end, shows
        drawn.props["stack"] = {"figure": _stack(board, wish, quiet)}
    if whole:
        drawn.props["values"] = {"children": value_rows(board)}
        drawn.props[wish.view] = {"figure": picture(board, wish)}
    elif wish.view == "traces":
        drawn.props |= _grown(board, wish)
    if wish.view == "traces":
        drawn.props.setdefault("traces", {})["follow"] = follow(board, wish)


def value_rows(board: Board) -> list[Any]:
    """Make the probes' rows, top of the stack first; `_values` fills them in."""
    there = sorted(enumerate(board.places), key=lambda item: item[1].number)
    return [fire_parts.value_row(i, place) for i, place in there]


def _values(board: Board, wish: Wish, quiet_s: float, live: bool) -> dict[str, str | list[str]]:
    texts: dict[str, str | list[str]] = {}
    for i, value in enumerate(board.values):
        silent = board.is_silent(i, quiet_s) or not live
        age_s = None if value.value_s is None else board.age_s(value.value_s, quiet_s)
        reading, more, how = fire_parts.value_words(
            value, wish.unit, running=board.running, silent=silent, age_s=age_s
        )
        texts[f"value-{i}"] = [reading, f"reading {how}"]
        texts[f"moves-{i}"] = more
    return texts


def _length_s(board: Board) -> float:
    return max((board.firing or {}).get("ended_s") or 0.0, board.newest_s or 0.0)


def _lead_s(board: Board, wish: Wish) -> float:
    """Return the room for the numbers at the ends of the lines [s]."""
    return LEAD * (wish.window_s or max(_length_s(board), 60.0))


def span_s(board: Board, wish: Wish) -> tuple[float, float]:
    """Return the stretch of time shown [s]; it moves on in steps, not with every reading."""
    length_s = max(_length_s(board), 60.0)
    lead_s = _lead_s(board, wish)
    if wish.window_s is not None:
        step_s = 0.04 * wish.window_s
        end_s = math.ceil((length_s + lead_s) / step_s) * step_s
        return end_s - wish.window_s, end_s + _ahead_s(board, wish.window_s)
    if not board.running:
        return 0.0, length_s + lead_s
    end_s = length_s + max(_ahead_s(board, length_s), lead_s)
    steps = math.ceil(math.log(max(end_s, 600.0) / 600.0) / math.log(1.06) - 1e-9)
    return 0.0, 600.0 * 1.06**steps


def follow(board: Board, wish: Wish) -> dict[str, Any]:
    """Return the axis ranges while nobody has zoomed: `x` in minutes, `y` in the unit shown."""
    begin_s, end_s = span_s(board, wish)
    zero_s = course_of(board, wish).zero_s
    low, high = numbers([0.0, top_c(board)], wish.unit)
    return {
        # Rounded up, so that the number at the end of the last line stays inside.
        "x": [round((begin_s - zero_s) / 60.0, 2), math.ceil((end_s - zero_s) / 0.6 + 0.1) / 100.0],
        "y": [low, high],
    }


def course_of(board: Board, wish: Wish) -> Course:
    """Collect what all pictures of the firing have in common."""
    firing, lit_s = board.firing or {}, lighting_s(board)
    limits = firing.get("target_c", 0.0), firing.get("burnout_c", 0.0)
    return Course(*limits, lit_s or 0.0, lit_s is not None, wish.unit, wish.theme)


def top_c(board: Board) -> float:
    """Return the top of the temperature axis, above the target and the hottest reading so far [°C]."""
    if board.peak_c < -273.0:
        board.peak_c = peak_of(board.lines)
    board.peak_c = max([board.peak_c, *(v.c for v in board.values if v.c is not None)])
    return top_of(board.peak_c, (board.firing or {}).get("target_c", 0.0))


def _glass(wish: Wish) -> Glass:
    return PHONE if wish.low else TABLET


def picture(board: Board, wish: Wish) -> Any:
    """Draw the traces or the stack through time."""
    course = course_of(board, wish)
    marks = [mark for event in board.events if (mark := _mark(event, wish)) is not None]
    if wish.view == "heat":
        begin_s, _ = span_s(board, wish)
        t_s, c = grid(board.lines, max(0.0, begin_s), _length_s(board))
        return heat_figure(board.places, t_s, c, course, marks=marks)
    ahead = forecast(board, wish)
    figure = traces_figure(
        board.lines,
        course,
        length_s=_length_s(board),
        lead_s=_lead_s(board, wish),
        shown_s=span_s(board, wish),
        marks=marks,
        stages=_stages(board),
        bands=board.bands if wish.bands else [],
        ahead=ahead,
        glass=_glass(wish),
    )
    figure["data"] += forecast_lines(ahead, course)
    for axis, range_ in follow(board, wish).items():
        figure["layout"][f"{axis}axis"]["range"] = range_
    return figure


def grid(lines: list[Line], begin_s: float, end_s: float) -> tuple[Floats, Floats]:
    """Resample k lines to n common moments between `begin_s` and `end_s`: t_s (n,), °C (n, k).

    Each value is the last reading before its moment, NaN where there was none within two steps (10 s at
    least).
    """
    step_s = max((end_s - begin_s) / HEAT_COLUMNS, 2.0)
    t_s = np.arange(begin_s, end_s + 0.5 * step_s, step_s)
    c = np.full((len(t_s), len(lines)), math.nan)
    for k, line in enumerate(lines):
        if not len(line.t_s):
            continue
        at = np.searchsorted(line.t_s, t_s, side="right") - 1
        there = (at >= 0) & (t_s - line.t_s[np.maximum(at, 0)] <= 2.0 * max(step_s, 5.0))
        c[there, k] = line.c[at[there]]
    return t_s, c


def _stages(board: Board) -> list[Stage]:
    told = ((STAGES.get(e["data"].get("stage", "")), e["t"]) for e in board.events if e["kind"] == "stage")
    by_name = groupby((each for each in told if each[0]), key=itemgetter(0))
    return [Stage(str(name), next(some)[1]) for name, some in by_name]


def _mark(event: dict[str, Any], wish: Wish) -> Mark | None:
    kind, data = event["kind"], event["data"]
    words = f"{event['t'] / 60:.0f} min: {event_words(kind, data, wish.unit)}"
    if kind in ("note", "spot"):
        return mark_of(event["t"], kind, data, words)
    if kind == "alarm" and data.get("transition") in (None, "raised"):
        good = data.get("warning") is False
        return Mark(event["t"], "good" if good else "alarm", words, event["t"], str(data.get("zone") or ""))
    return None


def _stack(board: Board, wish: Wish, quiet_s: float) -> Any:
    now = [v.c if v.ok and not board.is_silent(i, quiet_s) else None for i, v in enumerate(board.values)]
    there = zip(board.places, board.values, strict=True)
    return stack_figure(
        board.places,
        np.array(now, np.float64),  # None is NaN
        words={place.name: fire_parts.touched(value, wish.unit) for place, value in there},
        touchable=board.running,
        low=wish.low,
        unit=wish.unit,
        theme=wish.theme,
    )


def _grown(board: Board, wish: Wish) -> dict[str, dict[str, Any]]:
    """Collect what is new since the last picture, as `extendData` takes it."""
    which = [i for i, (t, _) in enumerate(board.points) if t]
    if not which:
        return {}
    course = course_of(board, wish)
    new = [telling(*board.points[i]) for i in which]
    x = [[round((t - course.zero_s) / 60.0, 3) for t in times] for times, _ in new]
    y = [[None if c is None else round(shown(c, wish.unit), 1) for c in line] for _, line in new]
    last = [(v.value_s, v.c) for v in board.values]
    end_x, end_y = ends(last, course, top_c(board), _lead_s(board, wish), _glass(wish))
    keep = [MANY] * len(which) + [len(end_x)]
    more = {"x": [*x, end_x], "y": [*y, end_y]}
    return {"traces": {"extendData": [more, [*which, len(last)], {"x": keep, "y": keep}]}}


def telling(t_s: list[float], c: list[float | None]) -> tuple[list[float], list[float | None]]:
    """Thin one pixel's worth of points to the lowest, the highest, the last, and the breaks in the line."""
    known = [(value, n) for n, value in enumerate(c) if value is not None]
    kept = {n for n, value in enumerate(c) if value is None and (n == 0 or c[n - 1] is not None)}
    if known:
        kept |= {known[-1][1], min(known)[1], c.index(max(known)[0])}
    order = sorted(kept)
    return [t_s[n] for n in order], [c[n] for n in order]


def _told(board: Board) -> dict[str, Any] | None:
    """Find the coldest zone's forecast; None once the firing has ended, or where there is none."""
    coldest = (board.verdict or {}).get("coldest")
    if not board.running or coldest is None:
        return None
    return fire_parts.forecasts(board.verdict).get(coldest)


def _ahead_s(board: Board, past_s: float) -> float:
    return 0.0 if _told(board) is None else ahead_s(past_s)


def forecast(board: Board, wish: Wish) -> list[Line]:
    """Return the forecast's lines: lowest, highest, middle, and one that gives the place of its name.

    That last one runs from the foot of the name to its head, or from its head down where the name is below.
    """
    if (now := _told(board)) is None:
        return []
    top, reach_s = top_c(board), ahead_s(wish.window_s or now["at_s"])
    after_s = np.asarray(now["ahead_s"], np.float64)
    at_s = np.append(after_s[after_s < reach_s], min(reach_s, float(after_s[-1])))
    low, middle, high = (
        np.interp(at_s, after_s, np.asarray(now[key], np.float64)) for key in ("low_c", "middle_c", "high_c")
    )
    rises = now["middle_c"][-1] >= now["middle_c"][0]
    y = min(float(high[-1]), top) if rises else float(low[-1])
    # Clear of the numbers at the ends of the lines: above a rising forecast, below a falling one.
    room_c = _glass(wish).name * top * (1.0 if rises and y < ROOM * top else -1.0)
    course = course_of(board, wish)
    limits = rulers(target_c=course.target_c, burnout_c=course.burnout_c)
    y = off_limits(y, [rule.temperature_c for rule in limits], room_c)
    place = Place((board.verdict or {})["coldest"], 0)
    lines = [Line(place, now["at_s"] + at_s, c) for c in (low, high, middle)]
    return [*lines, Line(place, lines[0].t_s[[-1, -1]], np.array([y, y + room_c]))]


def forecast_lines(ahead: list[Line], course: Course) -> list[dict[str, Any]]:
    """Make the traces of a `forecast`: a shaded range, the middle dashed, and the zone's name."""
    if not ahead:
        return []
    own = {"type": "scatter", "hoverinfo": "skip", "mode": "lines", "meta": {"forecast": ahead[0].place.name}}
    edge = {"line": {"width": 1, "dash": "2px,4px", "color": "#8a7a6a"}}
    looks: list[dict[str, Any]] = [
        {**edge, "name": "to come, least"},
        {**edge, "name": "to come, most", "fill": "tonexty", "fillcolor": "rgba(138,122,106,0.18)"},
        {"name": "to come", "line": {"width": 2.2, "dash": "7px,5px", "color": "#8a7a6a"}},
        {
            "name": "whose forecast",
            "mode": "text",
            "text": [plain(ahead[0].place.name)],  # on a phone, more would cover the traces
            "textposition": "top left" if ahead[3].c[1] > ahead[3].c[0] else "bottom left",
        },
    ]
    drawn = [
        {**own, **look, "x": course.minute(line.t_s), "y": numbers(line.c, course.unit)}
        for look, line in zip(looks, ahead, strict=True)
    ]
    for axis in ("x", "y"):
        drawn[3][axis] = drawn[3][axis][:1]
    return drawn
