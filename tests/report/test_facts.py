"""Facts of a firing, checked on firings made so that the facts are known."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.plan import Plan, Probe
from logger.reading import Floats
from logger.report.facts import POTS_PEAK, Fact, facts_of
from logger.report.levels import Levels, Line, crossing, decimate, levels_of, lighting, smoothed
from logger.simulator import simulate

PLAN = Plan(
    title="Two zones",
    target_c=780.0,
    burnout_c=650.0,
    soak_min=10.0,
    probes=(
        Probe("coals", "k0", reads="coals", zone="under", height_cm=0),
        Probe("low", "k1", reads="wall", zone="lower", height_cm=10),
        Probe("top a", "k2", reads="air", zone="upper", height_cm=40),
        Probe("top b", "k3", reads="wall", zone="upper", height_cm=40),
    ),
)


def ramp(corners: list[tuple[float, float]], every_s: float = 1.0) -> tuple[Floats, Floats]:
    """Straight lines through (minutes, °C)."""
    t = np.arange(0.0, corners[-1][0] * 60.0 + 0.5, every_s)
    return t, np.interp(t, [60.0 * m for m, _ in corners], [c for _, c in corners])


# 20 °C for 5 min; 20 °C/min up to 800 °C (44 min); held 20 min (64 min); 10 °C/min down to 300 °C (114 min).
FIRE = [(0.0, 20.0), (5.0, 20.0), (44.0, 800.0), (64.0, 800.0), (114.0, 300.0)]


def levels(shift_c: float = 0.0, corners: list[tuple[float, float]] = FIRE) -> Levels:
    t, c = ramp(corners)
    lines = [Line("low", t, c + shift_c), Line("top a", t, c), Line("top b", t, c), Line("coals", t, c)]
    return levels_of(PLAN, lines, {})


def rehearsal(found: Levels, **peaks: tuple[float, float]) -> dict[str, Any]:
    zones = []
    for zone in found.zones:
        if zone in peaks:
            peak_c, peak_s = peaks[zone]
        else:
            c = found.line(zone)
            peak_c, peak_s = float(np.nanmax(c)), float(found.t_s[np.nanargmax(c)])
        zones.append(
            {"zone": zone, "peak_c": peak_c, "peak_s": peak_s, "reached_target": peak_c >= 780.0,
             "above_burnout_s": 60.0, "soak_s": 30.0}
        )  # fmt: skip
    stages = [{"stage": "drying", "from_s": 0.0}, {"stage": "climb", "from_s": 600.0}]
    stages += [{"stage": "peak", "from_s": 2400.0}, {"stage": "climb", "from_s": 3000.0}]
    return {"duration_s": float(found.t_s[-1] + 0.5), "zones": zones, "stages": stages}


def facts(found: Levels, **more: Any) -> dict[tuple[str, str | None], Fact]:
    given = {"alarms": [], "notes": [], "spots": [], **more}
    return {(f.key, f.zone): f for f in facts_of(PLAN, found, rehearsal(found), **given)}


def test_times_and_rates_of_straight_lines() -> None:
    """By hand: 200 °C above 600 °C at 20 °C/min are 10 min up, 20 min hold, 20 min down at 10 °C/min."""
    found = facts(levels())
    assert found["above_600_min", "lower"].value == pytest.approx(50.0, abs=0.1)
    assert found["above_500_min", "upper"].value == pytest.approx(65.0, abs=0.1)
    assert found["above_700_min", "lower"].value == pytest.approx(35.0, abs=0.1)
    assert found["fastest_drying_c_per_min", "lower"].value == pytest.approx(20.0, abs=0.1)
    assert found["climb_c_per_min", "lower"].value == pytest.approx(20.0, abs=0.1)
    assert found["fastest_fall_c_per_min", "lower"].value == pytest.approx(10.0, abs=0.1)
    assert found["fall_at_quartz_c_per_min", "lower"].value == pytest.approx(10.0, abs=0.1)
    assert found["through_quartz_min", "lower"].value == pytest.approx(6.0, abs=0.1)
    assert found["soak_min", "lower"].value == 0.5
    assert found["recorded_min", None].value == pytest.approx(114.0, abs=0.1)


def test_where_the_fastest_stood() -> None:
    corners = [(0.0, 20.0), (10.0, 60.0), (11.0, 100.0), (20.0, 110.0), (40.0, 800.0), (60.0, 780.0)]
    found = facts(levels(corners=corners))["fastest_drying_c_per_min", "lower"]
    assert found.value == pytest.approx(40.0, rel=0.2)
    assert found.at_s == pytest.approx(10.5 * 60.0, abs=40.0)


def test_the_load_as_a_whole() -> None:
    found = facts(levels(shift_c=-60.0))
    assert found["coldest_peak_c", None].value == pytest.approx(740.0, abs=0.1)
    assert found["coldest_peak_c", None].words == "lower"
    assert found["peaks_apart_c", None].value == pytest.approx(60.0, abs=0.1)
    assert found["spread_at_peak_c", None].value == pytest.approx(60.0, abs=0.1)
    assert found["zones_at_target", None].value == 1
    assert found["zones_at_target", None].words == "of 2"
    assert found["climb_min", None].value == pytest.approx(
        (2400 - 600) / 60 + (114 * 60 - 3000) / 60, abs=0.1
    )
    assert found["cooling_min", None].value is None


def test_what_people_did_is_counted() -> None:
    notes = [{"kind": "wood", "amount": "2 armloads"}, {"kind": "wood"}, {"kind": "gust"}]
    alarms = [
        {"title": "A zone has stalled", "warning": True},
        {"title": "A zone has stalled", "warning": True},
        {"title": "A zone has reached its target", "warning": False},
    ]
    found = facts(levels(), notes=notes, alarms=alarms, spots=[{}])
    assert found["wood_notes", None].value == 2
    assert found["wood_notes", None].words == "2 armloads"
    assert found["notes", None].value == 3
    assert found["spots", None].value == 1
    assert found["alarms", None].value == 2
    assert found["alarms", None].words == "2 × A zone has stalled"


def test_what_is_a_model_says_so() -> None:
    found = levels()
    told = rehearsal(found)
    told["zones"][1] |= {"one_hour_c": 745.0, "one_hour_model": {"low_c": 730.0, "high_c": 770.0}}
    by_key = {(f.key, f.zone): f for f in facts_of(PLAN, found, told, alarms=[], notes=[], spots=[])}
    fact = by_key["one_hour_c", found.zones[1]]
    assert (fact.value, fact.low, fact.high) == (745.0, 730.0, 770.0)
    estimated = {key for key, f in by_key.items() if f.basis == "estimated"}
    assert estimated == {("one_hour_c", zone) for zone in found.zones}


def test_what_the_pots_were_estimated_at_is_told_with_its_band() -> None:
    peak = replace(POTS_PEAK, value=701.0, low=690.0, high=712.0, at_s=2500.0)
    found = facts(levels(), pots={"lower": peak})
    assert found["pots_peak_c", "lower"] == replace(peak, zone="lower")
    assert found["pots_peak_c", "lower"].basis == "estimated"
    assert found["pots_peak_c", "upper"].value is None
    assert ("pots_peak_c", "lower") not in facts(levels()), "an import wasn't estimated"


def test_nothing_is_made_up_where_nothing_was_read() -> None:
    t = np.arange(0.0, 60.0)
    found = levels_of(PLAN, [Line("low", t, np.full(60, np.nan))], {})
    told = rehearsal(found, under=(math.nan, 0), lower=(math.nan, 0), upper=(math.nan, 0))
    for zone in told["zones"]:
        zone["peak_c"] = zone["peak_s"] = None
    by_key = {(f.key, f.zone): f for f in facts_of(PLAN, found, told, alarms=[], notes=[], spots=[])}
    assert by_key["peak_c", "lower"].value is None
    assert by_key["one_hour_c", "lower"].value is None
    assert by_key["lit_min", None].value is None
    assert by_key["above_500_min", "lower"].value == 0
    assert not [f for f in by_key.values() if f.value is not None and not math.isfinite(f.value)]


def test_no_reading_at_all() -> None:
    found = levels_of(PLAN, [], {})
    assert len(found.t_s) == 0
    assert not lighting(found).found
    assert crossing(found, "lower", 500.0) is None


# --- levels of zones ----------------------------------------------------------------------------------------


def test_a_zone_goes_by_its_wall() -> None:
    t = np.arange(300.0)
    found = levels_of(PLAN, [Line("top a", t, t * 0 + 700.0), Line("top b", t, t * 0 + 600.0)], {})
    np.testing.assert_allclose(found.line("upper"), 600.0)


def test_air_stands_in_where_no_wall_was_trusted_for_a_minute() -> None:
    t = np.arange(300.0)
    lines = [Line("top a", t, t * 0 + 700.0), Line("top b", t, t * 0 + 600.0)]
    found = levels_of(PLAN, lines, {"top b": [(100.0, 200.0)]}).line("upper")
    np.testing.assert_allclose(found[:100], 600.0)
    assert np.isnan(found[100:159]).all()
    np.testing.assert_allclose(found[161:200], 700.0)
    np.testing.assert_allclose(found[200:], 600.0)


def test_coals_are_no_pots() -> None:
    t = np.arange(0.0, 300.0)
    found = levels_of(PLAN, [Line("coals", t, t * 0 + 500.0), Line("low", t, t * 0 + 300.0)], {})
    assert found.pots == (False, True, True)
    np.testing.assert_allclose(found.hottest(), 300.0)


def test_a_rig_that_speaks_every_five_seconds() -> None:
    t = np.arange(0.0, 600.0, 5.0)
    found = levels_of(PLAN, [Line("low", t, t)], {})
    assert found.step_s == 5.0
    assert np.isfinite(found.line("lower")).all()


# --- moments that firings have in common --------------------------------------------------------------------


def test_lit_when_wood_burns_not_when_coals_warm() -> None:
    """Coals warm the pots at 5 °C a minute for 40 minutes; then the wood catches: 60 °C a minute."""
    found = lighting(levels(corners=[(0.0, 20.0), (40.0, 220.0), (50.0, 820.0), (60.0, 820.0)]))
    assert found.found
    assert found.t_s == pytest.approx(40 * 60.0, abs=120.0)


def test_a_slow_fire_is_lit_at_its_first_lasting_rise() -> None:
    found = lighting(levels(corners=[(0.0, 20.0), (20.0, 20.0), (100.0, 340.0)]))
    assert found.found
    assert found.t_s == pytest.approx(25 * 60.0, abs=60.0)
    assert "none rose as fast" in found.how


def test_nothing_lit() -> None:
    found = lighting(levels(corners=[(0.0, 20.0), (60.0, 22.0)]))
    assert not found.found
    assert found.t_s == 0.0


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 4, 9, 12])
def test_lighting_of_simulated_firings(seed: int) -> None:
    """The simulated wood is lit at a known time; it takes a minute or three to burn, as wood does."""
    made = simulate(seed, rate_hz=0.2)
    values = np.where(made.status == 0, made.temperature_c, np.nan)
    lines = [Line(p.name, made.t_s, values[:, j]) for j, p in enumerate(made.plan.probes)]
    assert 0.0 < lighting(levels_of(made.plan, lines, {})).t_s - made.truth["lit_s"] < 240.0


def test_crossing() -> None:
    found = crossing(levels(), "lower", 620.0)
    assert found is not None
    assert found.t_s == pytest.approx((5 + 30) * 60.0, abs=2.0)  # 600 °C at 20 °C/min
    assert crossing(levels(), "lower", 801.0) is None
    assert crossing(levels(), "elsewhere", 600.0) is None


# --- thinning -----------------------------------------------------------------------------------------------


@given(st.lists(st.floats(-50, 1200) | st.just(math.nan), min_size=1, max_size=400), st.integers(2, 60))
def test_thinning_keeps_peaks_and_order(values: list[float], points: int) -> None:
    c = np.array(values)
    t, thin = decimate(np.arange(len(c), dtype=float), c, points)
    assert (np.diff(t) > 0).all()
    assert len(t) <= max(points, 2)
    if np.isfinite(c).any():
        assert np.nanmax(thin) == np.nanmax(c)
        assert np.nanmin(thin) == np.nanmin(c)


def test_smoothing_is_a_mean_and_looks_through_no_long_gap() -> None:
    c = np.full((200, 1), 500.0)
    c[50] = 530.0
    c[100:160] = np.nan
    smooth = smoothed(c, 1.0)[:, 0]
    assert smooth[50] == pytest.approx(500.0 + 30.0 / 31.0)
    assert np.isnan(smooth[130])
    assert np.isfinite(smooth[10])
