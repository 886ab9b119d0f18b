"""Figures, without a browser: what is drawn is what was read, and nothing is drawn where nothing is known."""

from __future__ import annotations

import json
import re
from dataclasses import fields
from itertools import pairwise
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import numpy as np
import plotly.graph_objects as go
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dashboard.figures import comparison, heat_map, look, spark, stack, traces
from dashboard.figures.model import Band, Course, Line, Mark, Place, Stage, numbered
from dashboard.figures.names import PHONE, TABLET, Glass
from logger.report.stack_map import REACH_CM, heat

TOP = Place("top", 1, 60.0, "centre", "wall", "upper")
WIND = Place("wind", 2, 33.0, "windward", "wall", "windward")
LEE = Place("lee", 3, 33.0, "leeward", "wall", "leeward")
LOW = Place("low", 4, 9.0, "front", "wall", "lower")
COALS = Place("coals", 5, 0.0, "centre", "coals", "under")
LOOSE = Place("loose", 6, None, "", "air", "upper")
PLACES = [TOP, WIND, LEE, LOW, COALS, LOOSE]
NASTY = "<b>%{x}</b>"


def line(place: Place, *c: float) -> Line:
    return Line(place, np.arange(len(c)) * 60.0, np.array(c, float))


def told(figure: Any) -> dict[str, Any]:
    """As sent to the browser: JSON, with each property checked by plotly."""
    return dict(json.loads(go.Figure(figure).to_json()))


def drawn(**more: Any) -> dict[str, Any]:
    lines = [line(TOP, 20, 400, float("nan"), 810), line(LOW, 20, 100, 200, 300)]
    course, given = limits(more)
    return told(traces.traces_figure(given.pop("lines", lines), course, **{"length_s": 180.0, **given}))


def limits(more: dict[str, Any]) -> tuple[Course, dict[str, Any]]:
    """Which of a figure's keywords belong to its course, and the rest."""
    own = {field.name for field in fields(Course)}
    course = {"target_c": 780.0, "burnout_c": 650.0, **{k: v for k, v in more.items() if k in own}}
    return Course(**course), {k: v for k, v in more.items() if k not in own}


# --- traces --------------------------------------------------------------------------------------------------


def test_a_line_is_what_the_probe_read_and_breaks_where_it_read_nothing() -> None:
    figure = drawn(zero_s=60.0)
    top = figure["data"][0]
    assert top["x"] == [-1.0, 0.0, 1.0, 2.0]
    assert top["y"] == [20.0, 400.0, None, 810.0]
    assert top["connectgaps"] is False
    assert figure["layout"]["hovermode"] == "x unified"


def test_the_standing_picture_has_the_live_ones_margins() -> None:
    css = (Path(traces.__file__).parents[1] / "assets" / "00_style.css").read_text()
    found = re.search(r"\.at-traces \{\s+padding: (\d+)px (\d+)px (\d+)px (\d+)px;", css)
    assert found is not None
    margin = drawn()["layout"]["margin"]
    assert [int(px) for px in found.groups()] == [margin[side] for side in "trbl"]


def test_numbers_at_the_ends_stand_no_further_off_than_the_glass_needs() -> None:
    lines = [line(TOP, 500, 500), line(WIND, 500, 500)]
    high, low = (
        next(t["y"] for t in drawn(lines=lines, glass=glass)["data"] if t.get("name") == "numbers")
        for glass in (TABLET, PHONE)
    )
    high, low = high[1::3], low[1::3]
    assert sum(high) == sum(low) == pytest.approx(1000.0), "around the lines' own ends"
    assert abs(low[1] - low[0]) > 1.5 * abs(high[1] - high[0]) > 30.0  # 480 px of plot, and 250


def test_fahrenheit_is_computed_from_values() -> None:
    figure = drawn(unit="F")
    assert figure["data"][0]["y"] == [68.0, 752.0, None, 1490.0]
    rules = [s["y0"] for s in figure["layout"]["shapes"] if s.get("xref") == "paper"]
    assert rules == pytest.approx([1436.0, 1202.0, 1063.4])
    assert "°F" in figure["data"][0]["hovertemplate"]


def test_sixteen_lines_are_told_apart_without_their_colours_too() -> None:
    lines = [line(Place(f"p{n}", n + 1, float(n)), 20, 30) for n in range(16)]
    figure = drawn(lines=lines)
    own = figure["data"][:16]
    assert not any("color" in one["line"] for one in own)  # from the template, which day and night change
    colours = figure["layout"]["template"]["layout"]["colorway"]
    looks = {(colours[n % len(colours)], one["line"]["dash"]) for n, one in enumerate(own)}
    assert len(looks) == 16
    assert [one["name"].split()[0] for one in own] == [str(n + 1) for n in range(16)]


def test_marks_stand_in_a_strip_above_all_lines() -> None:
    marks = [
        Mark(30, "note", "flames"),
        Mark(40, "wood", "an armful"),
        Mark(50, "spot", "741 °C"),
        Mark(60, "alarm", "Stalled", until_s=120),
        Mark(90, "alarm", "Stands"),
        Mark(95, "good", "Reached"),
    ]
    figure = drawn(marks=marks, stages=[Stage("Climb", 0.0), Stage("Peak", 170.0)])
    layout = figure["layout"]
    kinds = {d["meta"]["marks"]: d for d in figure["data"] if "marks" in (d.get("meta") or {})}
    assert set(kinds) == {"note", "wood", "spot", "alarm", "good"}
    # They sit on the traces' upper edge and are lifted off it, into a strip that is equally high on any screen.
    assert all(d["yaxis"] == "y2" and set(d["y"]) <= {1.0, None} for d in kinds.values())
    half_px = max(max(d["marker"]["size"]) for d in kinds.values()) / 2
    lifted_px = [d["marker"]["standoff"] for d in kinds.values()]
    assert min(lifted_px) > half_px
    assert {abs(d["marker"]["angle"]) for d in kinds.values()} == {180}
    assert kinds["alarm"]["x"] == [1.0, 2.0, None, 1.5, 3.0, None]  # for as long as they were raised
    names = [a for a in layout["annotations"] if a.get("yref") == "paper"]
    assert [a["text"] for a in names] == ["Climb", "Peak"]
    assert max(lifted_px) + half_px <= names[0]["yshift"] + 3
    assert names[0]["yshift"] + 18 <= layout["margin"]["t"]


STAGES = [Stage("Drying", 430.0), Stage("Climb", 2790.0), Stage("Peak", 3730.0), Stage("Burn-down", 6490.0)]
"""Of an invented firing of two hours: the last is a sixth of it."""


def stage_names(**more: Any) -> dict[str, dict[str, Any]]:
    figure = drawn(**{"length_s": 7675.0, "stages": STAGES, **more})
    return {a["text"]: a for a in figure["layout"]["annotations"] if a.get("yref") == "paper"}


@pytest.mark.parametrize("glass", [TABLET, PHONE])
def test_each_stage_has_its_name_on_any_glass_and_none_covers_another(glass: Glass) -> None:
    names = stage_names(glass=glass)
    assert list(names) == [stage.name for stage in STAGES]
    letter_min = 7675.0 / 60.0 / glass.letters
    ends = []
    for stage, name in zip(STAGES, names.values(), strict=True):
        wide = letter_min * len(stage.name)
        begin = name["x"] - (wide if name["xanchor"] == "right" else 0.0)
        assert begin <= stage.from_s / 60.0 + 0.001
        assert begin + wide >= stage.from_s / 60.0 + wide / 3.0, "at its own stage"
        ends.append((begin, begin + wide))
    assert all(after[0] > before[1] for before, after in pairwise(ends))
    assert ends[-1][1] <= 7675.0 / 60.0 + 0.001


def test_a_long_firing_names_its_stages_as_far_as_the_glass_is_wide() -> None:
    """Twelve hours, hot for one: a tablet lying flat has room for what a phone leaves out."""
    found = [
        ("Drying", 300.0),
        ("Climb", 2600.0),
        ("Peak", 3700.0),
        ("Burn-down", 6600.0),
        ("Cooling", 12900.0),
    ]
    stages = [Stage(*stage) for stage in found]
    for wide, high, least in ((915.0, 247.0, 4), (366.0, 320.0, 1)):
        names = stage_names(stages=stages, length_s=43200.0, glass=traces.glass_of(wide, high))
        assert len(names) >= least, wide
        min_px = 720.0 / (wide - 112.0)
        places = []
        for name in names.values():
            width = 8.5 * len(name["text"]) * min_px
            begin = name["x"] - (width if name["xanchor"] == "right" else 0.0)
            places.append((begin, begin + width))
        assert all(after[0] > before[1] for before, after in pairwise(places)), wide


def test_where_numbers_at_the_ends_have_no_room_only_some_stand() -> None:
    lines = [line(Place(f"p{n}", n + 1, float(n)), 20, 30 + n) for n in range(16)]
    figure = drawn(lines=lines, glass=traces.glass_of(800.0, 210.0))
    ends = [y for y in next(d for d in figure["data"] if d["name"] == "numbers")["y"][1::3] if y is not None]
    assert 5 <= len(ends) < 16
    assert np.diff(sorted(ends)).min() * 111 / figure["layout"]["yaxis"]["range"][1] >= 11.0, "pixels"


def test_a_stage_too_short_for_its_name_has_none() -> None:
    crowded = [Stage("Climb", 0.0), Stage("Peak", 100.0), Stage("Burn-down", 110.0), Stage("Cooling", 3000.0)]
    assert list(stage_names(stages=crowded)) == ["Burn-down", "Cooling"]


def test_the_stage_that_is_on_is_named_where_only_the_last_minutes_are_shown() -> None:
    [peak] = stage_names(shown_s=(4000.0, 4700.0)).values()
    assert (peak["text"], peak["xref"], peak["x"]) == ("Peak", "paper", 0)
    climb, peak = stage_names(shown_s=(3400.0, 4100.0)).values()
    assert (climb["text"], climb["xanchor"], "xref" in climb) == ("Climb", "right", False)
    assert climb["x"] < peak["x"] == pytest.approx(3730.0 / 60.0, abs=0.001)


def test_names_and_notes_are_never_markup() -> None:
    figure = drawn(
        lines=[line(Place(NASTY, 1, 5.0), 20, 30)], marks=[Mark(30, "note", NASTY), Mark(31, "alarm", NASTY)]
    )
    hovers = [d.get("hovertemplate") or "" for d in figure["data"]]
    assert "&lt;b>" in hovers[0]
    assert "%{x}" not in hovers[0]
    for d in figure["data"]:
        if (d.get("meta") or {}).get("marks"):
            assert all("<b>" not in text for text in d["text"])


def test_numbers_at_the_ends_never_cover_one_another() -> None:
    lines = [line(Place(f"p{n}", n + 1, float(n)), 20, 500 + n) for n in range(8)]
    ends = next(d for d in drawn(lines=lines)["data"] if d["name"] == "numbers")
    assert np.diff(ends["y"][1::3]).min() >= 30
    assert np.mean(ends["y"][1::3]) == pytest.approx(503.5, abs=0.1), "around their lines"
    cold = [line(Place(f"p{n}", n + 1, float(n)), 10, 20) for n in range(8)]
    ends = next(d for d in drawn(lines=cold)["data"] if d["name"] == "numbers")
    assert min(ends["y"][1::3]) == 0, "and never below the axis, where plotly would leave them out"
    assert np.diff(ends["y"][1::3]).min() >= 30


def test_sixteen_numbers_fit_a_low_glass_too() -> None:
    for hottest in (300, 600, 880):
        lines = [line(Place(f"p{n}", n + 1, float(n)), 20, hottest - n) for n in range(16)]
        figure = drawn(lines=lines, glass=PHONE)
        ends = next(d for d in figure["data"] if d["name"] == "numbers")["y"][1::3]
        bottom, top = figure["layout"]["yaxis"]["range"]
        assert bottom <= min(ends)
        assert max(ends) <= top, "beyond the axis plotly leaves them out"
        assert np.diff(sorted(ends)).min() >= top / 16.5


def test_a_thin_line_leads_from_each_lines_end_to_its_number() -> None:
    lines = [line(Place(f"p{n}", n + 1, float(n)), 20, 500 + n) for n in range(16)]
    ends = next(d for d in drawn(lines=lines)["data"] if d["name"] == "numbers")
    assert ends["mode"] == "lines+text"
    assert ends["y"][::3] == [500.0 + n for n in range(16)]
    assert ends["y"][2::3] == [None] * 16, "and breaks before the next"
    assert [text.strip() for text in ends["text"][1::3]] == [str(n + 1) for n in range(16)]
    assert set(ends["text"][::3] + ends["text"][2::3]) == {" "}, "an empty one would be forgotten"
    assert all(end < number for end, number in zip(ends["x"][::3], ends["x"][1::3], strict=True))


def test_numbers_at_the_end_lie_within_the_axis() -> None:
    """Beyond it plotly leaves them out; minutes are rounded, a length in seconds isn't."""
    for length_s in (5758.0, 5759.9, 61.003):
        lines = [Line(TOP, np.array([0.0, length_s]), np.array([20.0, 500.0]))]
        figure = drawn(lines=lines, length_s=length_s)
        ends = next(d for d in figure["data"] if d["name"] == "numbers")
        assert ends["x"][1] <= figure["layout"]["xaxis"]["range"][1]


def test_names_of_limits_never_cover_one_another() -> None:
    for target, burnout in ((780, 650), (600, 590), (575, 570), (900, 880)):
        names = drawn(target_c=target, burnout_c=burnout)["layout"]["annotations"]
        assert len(names) >= 2
        for edge in ("left", "right"):
            own = [n for n in names if n["xanchor"] == edge]
            at = sorted(n["y"] + (25 if n["yanchor"] == "bottom" else -25) for n in own)
            assert all(after - before >= 40 for before, after in pairwise(at))
    names = drawn(target_c=700, burnout_c=650)["layout"]["annotations"]
    assert [n["text"] for n in names] == ["target 700°", "burn-out 650°", "quartz 573°"], (
        "a high glass has room"
    )


def test_names_of_limits_stand_where_no_trace_is() -> None:
    """A fire that is hot from the first minute, and one that cools for hours."""
    hot = Line(TOP, np.array([0.0, 60.0, 900.0, 5000.0]), np.array([20.0, 800.0, 820.0, 90.0]))
    names = drawn(lines=[hot], length_s=5000.0)["layout"]["annotations"]
    assert {n["text"]: n["xanchor"] for n in names} == {
        "target 780°": "right",
        "burn-out 650°": "right",
        "quartz 573°": "right",
    }
    to_come = Line(TOP, np.array([4500.0, 5000.0]), np.array([690.0, 700.0]))
    names = drawn(lines=[hot], ahead=[to_come], length_s=5000.0)["layout"]["annotations"]
    [burnout] = [n for n in names if n["text"].startswith("burn-out")]
    assert (burnout["xanchor"], burnout["yanchor"]) == ("right", "top"), "nor over what is to come"
    late = Line(TOP, np.array([0.0, 4000.0, 5000.0]), np.array([20.0, 100.0, 900.0]))
    assert {n["xanchor"] for n in drawn(lines=[late], length_s=5000.0)["layout"]["annotations"]} == {"left"}


def test_day_turns_into_night_by_the_template_alone() -> None:
    day, night = drawn(theme="day"), drawn(theme="night")
    assert day["layout"].pop("template") != night["layout"].pop("template")
    assert day == night


@pytest.mark.parametrize("theme", ["day", "night"])
def test_lines_are_seen_in_the_sun_and_in_the_dark(theme: str) -> None:
    """Contrast 7 : 1 by the formula of WCAG 2.2 (relative luminance), on the page's own ground."""
    ground = {"day": "#f8f2e6", "night": "#14100d"}[theme]
    for colour in look.TEMPLATES[theme]["layout"]["colorway"]:
        light, dark = sorted((luminance(ground), luminance(colour)), reverse=True)
        assert (light + 0.05) / (dark + 0.05) >= 7.0, colour


def luminance(colour: str) -> float:
    parts = [int(colour[n : n + 2], 16) / 255 for n in (1, 3, 5)]
    r, g, b = (v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def test_estimates_are_a_band_and_say_so() -> None:
    band = Band("upper", *(np.array(v) for v in ([0.0, 60.0], [110.0, 130.0], [90.0, 110.0], [130.0, 150.0])))
    [found] = [d for d in drawn(bands=[band])["data"] if (d.get("meta") or {}).get("estimate")]
    assert (found["x"], found["y"]) == ([0.0, 1.0, 1.0, 0.0], [130.0, 150.0, 110.0, 90.0])
    assert "estimate" in found["name"]


def test_without_any_reading() -> None:
    assert drawn(lines=[])["layout"]["yaxis"]["range"][1] >= 780
    assert drawn(lines=[line(TOP, float("nan"))])["data"][0]["y"] == [None]


def test_numbers_go_from_the_top_down() -> None:
    assert numbered([0.0, None, 60.0, 33.0, 33.0]) == [4, 5, 1, 2, 3]


# --- the stack through time ----------------------------------------------------------------------------------


def at_height(places: list[Place], column: Any, height: float) -> float:
    return float(column[int(np.argmin(np.abs(heat_map.rows_of(places) - height)))])


def test_between_two_near_probes_lies_the_line_between_them() -> None:
    places = [Place("a", 1, 10.0), Place("b", 2, 25.0)]
    [column] = heat_map.columns_of(places, np.array([[200.0, 500.0]]))
    assert at_height(places, column, 17.5) == pytest.approx(350.0)
    assert at_height(places, column, 10.0) == 200.0
    assert at_height(places, column, 25.0) == 500.0


def test_between_distant_probes_there_is_an_honest_gap() -> None:
    places = [Place("a", 1, 10.0), Place("b", 2, 60.0)]
    [column] = heat_map.columns_of(places, np.array([[200.0, 500.0]]))
    rows = heat_map.rows_of(places)
    for row, c in zip(rows, column, strict=True):
        near = min(abs(row - 10.0), abs(row - 60.0)) <= REACH_CM
        assert np.isfinite(c) == near
    assert set(column[np.isfinite(column)]) == {200.0, 500.0}  # nothing is made up


def test_numbers_of_near_probes_share_a_line_of_the_picture() -> None:
    places = [Place("a", 3, 58.0), Place("b", 1, 60.0), Place("c", 2, 59.0), Place("d", 4, 0.0)]
    figure = told(heat_map.heat_figure(places, np.array([0.0]), np.full((1, 4), 300.0), Course(780, 650)))
    names = next(d for d in figure["data"] if d["name"] == "probes")
    assert dict(zip(names["y"], names["text"], strict=True)) == {0.0: " 4", 59.0: " 1–3"}


def test_a_probe_at_fault_leaves_its_height_empty() -> None:
    places = [Place("a", 1, 10.0), Place("b", 2, 60.0)]
    first, second = heat_map.columns_of(places, np.array([[200.0, np.nan], [np.nan, np.nan]]))
    assert np.isnan(at_height(places, first, 60.0))
    assert at_height(places, first, 10.0) == 200.0
    assert np.isnan(second).all()


@given(
    st.lists(
        st.tuples(st.floats(-5, 150), st.floats(0, 1100) | st.just(float("nan"))), min_size=1, max_size=9
    )
)
@settings(max_examples=60, deadline=None)
def test_no_colour_lies_outside_of_what_was_read_nor_out_of_reach(probes: list[tuple[float, float]]) -> None:
    places = [Place(f"p{n}", n + 1, height) for n, (height, _) in enumerate(probes)]
    read = np.array([c for _, c in probes])
    [column] = heat_map.columns_of(places, read[None, :])
    known = column[np.isfinite(column)]
    if len(known):
        assert known.min() >= np.nanmin(read) - 1e-6
        assert known.max() <= np.nanmax(read) + 1e-6
    live = [h for h, c in probes if c == c]
    for row, c in zip(heat_map.rows_of(places), column, strict=True):
        if not live or min(abs(row - h) for h in live) > REACH_CM:
            assert np.isnan(c)


def heat_drawn(**more: Any) -> dict[str, Any]:
    t_s = np.arange(5) * 60.0
    c = np.column_stack([np.linspace(20, 820, 5) + 10 * k for k in range(len(PLACES))])
    course, given = limits(more)
    return told(heat_map.heat_figure(PLACES, t_s, c, course, **given))


def test_the_stack_through_time_has_the_drawn_stacks_height_axis() -> None:
    figure = heat_drawn()
    still = told(stack.stack_figure(PLACES, np.full(len(PLACES), 300.0)))
    assert figure["layout"]["yaxis"]["range"] == still["layout"]["yaxis"]["range"]
    for side in ("t", "b"):
        assert figure["layout"]["margin"][side] == still["layout"]["margin"][side]
    heat = figure["data"][0]
    assert heat["transpose"] is True  # else columns can't be appended
    assert len(heat["z"]) == len(heat["x"]) == 5
    assert len(heat["z"][0]) == len(heat["y"])


def test_lines_where_the_stack_passes_its_limits_only_if_it_does() -> None:
    assert [d["name"] for d in heat_drawn()["data"] if d["type"] == "contour"] == ["target", "burn-out"]
    cold = heat_map.heat_figure(PLACES, np.arange(3.0), np.full((3, len(PLACES)), 100.0), Course(780, 650))
    assert not [d for d in told(cold)["data"] if d["type"] == "contour"]
    assert "annotations" not in told(cold)["layout"]


def test_white_lines_are_explained_in_the_picture() -> None:
    [key] = heat_drawn()["layout"]["annotations"]
    assert key["text"] == "white: target 780°, dashed: burn-out 650°"
    [key] = heat_drawn(unit="F")["layout"]["annotations"]
    assert key["text"] == "white: target 1436°, dashed: burn-out 1202°"


def test_wood_stands_where_it_went() -> None:
    marks = [
        Mark(60, "wood", "an armful", zone="windward"),
        Mark(70, "spot", "741 °C", height_cm=50.0),
        Mark(80, "note", "nowhere in particular"),
    ]
    [placed] = [d for d in heat_drawn(marks=marks)["data"] if d["name"] == "marks"]
    assert placed["y"] == [33.0, 50.0]
    assert placed["x"] == pytest.approx([1.0, 1.167], abs=1e-3)


def test_nothing_read_yet() -> None:
    empty = told(heat_map.heat_figure(PLACES, np.zeros(0), np.zeros((0, 6)), Course(780, 650)))
    assert empty["data"][0]["x"] == []


# --- the stack ------------------------------------------------------------------------------------------------


def test_windward_and_leeward_have_their_own_heat() -> None:
    c = np.array([700.0, 300.0, 600.0, 500.0, 800.0, 100.0])
    [(left, _, right)] = stack.heat_of(PLACES, c[None, :])
    k = int(np.argmin(np.abs(heat_map.rows_of(PLACES) - 32.5)))
    assert (left[k], right[k]) == (300, 600)
    low = int(np.argmin(np.abs(heat_map.rows_of(PLACES) - 10.0)))
    assert left[low] == right[low] == 500  # no probe of their own there: what is known of that height
    assert None in left


def test_probes_are_numbered_and_answer_a_finger() -> None:
    c = np.array([700.0, np.nan, 600.0, 500.0, 800.0, 100.0])
    figure = told(stack.stack_figure(PLACES, c, words={"wind": "open"}))
    assert [a["text"] for a in figure["layout"]["annotations"]] == ["1", "2", "3", "4", "5"]
    hover = next(d for d in figure["data"] if d["name"] == "probes")["hovertext"]
    assert hover[0] == "top, 60 cm: 700 °C"
    assert hover[1] == "wind, 33 cm: open"
    assert "customdata" not in figure["data"][0]


def test_numbers_on_the_stack_never_cover_one_another() -> None:
    places = [Place(f"p{n}", n + 1, 58.0 + n % 2, "centre") for n in range(6)]
    spots = stack.spots_of(places)
    for n, one in enumerate(spots):
        for other in spots[n + 1 :]:
            assert one is not None
            assert other is not None
            assert abs(one.x - other.x) >= 0.2


def test_numbers_on_a_low_drawing_have_room_too() -> None:
    """130 px of drawing and numbers of 24: each is as high as a fifth of it."""
    heights = (33.0, 35.0, 41.0, 24.0, 0.0, 9.0)
    places = [Place(f"p{n}", n + 1, height, "leeward") for n, height in enumerate(heights)]
    bottom, top = heat_map.heights_range(places)
    spots = [spot for spot in stack.spots_of(places, low=True) if spot is not None]
    for n, one in enumerate(spots):
        for other in spots[n + 1 :]:
            near = abs(one.height_cm - other.height_cm) < (top - bottom) * 24 / 130
            assert not near or abs(one.x - other.x) >= 0.2
    assert [spot.height_cm for spot in spots] == list(heights)


def test_places_that_can_be_touched_are_the_zones() -> None:
    figure = told(stack.stack_figure(PLACES, np.full(6, 20.0), touchable=True))
    [touch] = [d for d in figure["data"] if d["name"] == stack.PLACES_TRACE]
    assert touch["customdata"] == ["upper", "windward", "leeward", "lower", "under"]
    assert touch["marker"]["size"] >= 44
    windward = touch["customdata"].index("windward")
    assert touch["x"][windward] < 0 < touch["x"][touch["customdata"].index("leeward")]


def test_a_stack_of_which_no_height_is_known_says_so() -> None:
    t_s, c = np.array([0.0, 60.0]), np.full((2, 1), 500.0)
    for place, words in (
        (LOOSE, ["No probe’s height is known.<br>Set them under Firings, More."]),
        (TOP, []),
    ):
        figure = told(heat_map.heat_figure([place], t_s, c, Course(780, 650)))
        assert [a["text"] for a in figure["layout"].get("annotations", [])] == words


def test_what_was_dragged_where() -> None:
    said = {"annotations[1].y": 41.7, "annotations[1].x": -3.0, "annotations[0].y": 20, "xaxis.range[0]": 1}
    assert stack.moved(said) == {1: (-1.0, 42.0), 0: (None, 20.0)}
    assert stack.moved(None) == {}
    assert stack.moved({"annotations[0].y": "high", "annotations[x].y": 1, "annotations[2].y": True}) == {}


def test_draggable_probes_are_large_enough_for_a_finger() -> None:
    figure = told(stack.stack_figure(PLACES, np.full(6, np.nan), editable=True))
    for badge in figure["layout"]["annotations"]:
        assert badge["width"] + 2 * badge["borderpad"] + 2 * badge["borderwidth"] >= 44


# --- small pictures, comparison ----------------------------------------------------------------------------------


def test_a_small_picture_has_gaps_where_nothing_was_read() -> None:
    picture = unquote(spark.spark([20.0, 300.0, None, 500.0], [40.0, 500.0, None, 900.0], 780.0))
    assert picture.startswith("data:image/svg+xml,<svg")
    area = re.findall(r'd="([^"]+)"', picture)[1]
    assert area.count("M") == area.count("Z") == 2
    assert spark.spark([], [], 780.0)


def bars() -> list[comparison.Bar]:
    return [
        comparison.Bar("upper", 1, "First", (60.0, 45.0, 30.0, 10.0), 830.0, True),
        comparison.Bar("upper", 2, "Second", (50.0, 20.0, 0.0, 0.0), 655.0, False),
        comparison.Bar("lower", 1, "First", (None, None, None, None), None, False),
    ]


def test_minutes_in_each_heat_add_up_to_the_minutes_above_the_first() -> None:
    figure = told(comparison.endured_figure(bars()))
    parts = [d["x"] for d in figure["data"] if d["type"] == "bar"]
    assert [sum(part[0] for part in parts), sum(part[1] for part in parts)] == [60.0, 50.0]
    assert [part[0] for part in parts] == [15.0, 15.0, 20.0, 10.0]
    words = next(d for d in figure["data"] if d["name"] == "peaks")["text"]
    assert [w.strip() for w in words] == [
        "peak 830° ✓",
        "peak 655° short",
        "no trusted probe",
    ]


def test_bars_stand_in_the_order_given_where_a_firing_first_comes_in_a_later_zone() -> None:
    """Plotly orders second names by first appearance: firing 2 was above firing 1."""
    known = (60.0, 45.0, 30.0, 10.0)
    given = [
        comparison.Bar(zone, n, "", known, 830.0) for zone, n in (("upper", 2), ("lower", 1), ("lower", 2))
    ]
    names = told(comparison.endured_figure(given))["data"][0]["y"][1]
    assert [name.strip(comparison.NO_WIDTH) for name in names] == ["2", "1", "2"]
    assert len(set(names)) == 3, "each zone has names of its own"


def test_comparison_in_fahrenheit() -> None:
    figure = told(comparison.endured_figure(bars(), unit="F"))
    assert figure["data"][0]["name"] == "932–1112 °F"
    assert "1526°" in next(d for d in figure["data"] if d["name"] == "peaks")["text"][0]


def test_curves_begin_at_the_moment_they_have_in_common() -> None:
    curve = comparison.Curve(2, "Second", np.array([-60.0, 0.0, 60.0]), np.array([20.0, np.nan, 60.0]))
    figure = told(comparison.curves_figure([curve], since="lighting", target_c=780.0))
    assert figure["data"][0]["x"] == [-1.0, 0.0, 1.0]
    assert figure["data"][0]["y"] == [20.0, None, 60.0]
    assert "lighting" in figure["layout"]["xaxis"]["title"]["text"]


@given(st.floats(-50, 1300))
def test_heat_is_a_colour(c: float) -> None:
    assert re.fullmatch(r"rgb\((\d{1,3}),(\d{1,3}),(\d{1,3})\)", heat(c))
