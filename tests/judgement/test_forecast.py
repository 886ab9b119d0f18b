"""The forecast against closed forms, and what it must never do."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.judgement.fire_ensemble import AHEAD_S, ensemble, film_w_m2k
from logger.judgement.forecast import DRAWN_S, Arrival, Futures, cooling, forecast, futures, in_words
from logger.judgement.judge import Judge, verdict_data
from logger.plan import PlanError, loads
from logger.reading import Floats, Status
from tests.judgement.crude import lines, plan

T_S = np.arange(-600.0, 1.0, 5.0)

COLD = (0.0, [250.0, 60.0, 60.0, 60.0, 60.0])
WARM = (900.0, [280.0, 120.0, 120.0, 120.0, 120.0])
HOT = (1400.0, [500.0, 560.0, 600.0, 560.0, 500.0])


def approach(now_c: float, end_c: float, tau_s: float) -> Floats:
    """Newton's exponential approach to a steady source: Incropera and DeWitt, lumped capacitance (5.6)."""
    return end_c - (end_c - now_c) * np.exp(-T_S / tau_s)


@pytest.mark.parametrize(("tau_s", "end_c"), [(120.0, 850.0), (200.0, 900.0), (300.0, 850.0)])
def test_an_exponential_approach_arrives_within_the_band(tau_s: float, end_c: float) -> None:
    now_c = 560.0
    past = np.maximum(approach(now_c, end_c, tau_s), 100.0)
    true_s = tau_s * math.log((end_c - now_c) / (end_c - 650.0))
    told = futures(past).arrival(650.0)
    assert told.chance > 0.7
    assert told.early_s is not None
    assert told.middle_s is not None
    assert told.late_s is not None
    assert told.early_s - 20 <= true_s <= told.late_s + 20
    # Closer than the straight line through the last two minutes, or within half a minute.
    slope = np.polyfit(T_S[-24:], past[-24:], 1)[0]
    assert abs(told.middle_s - true_s) <= max(abs((650.0 - now_c) / slope - true_s), 30.0)


@pytest.mark.parametrize("level_c", [400.0, 500.0, 560.0])
def test_what_stands_still_far_below_never_arrives(level_c: float) -> None:
    told = futures(np.full(len(T_S), level_c)).arrival(level_c + 250.0)
    assert told.chance < 0.15
    assert told.middle_s is None or told.chance > 0.0


def test_what_falls_never_arrives() -> None:
    told = futures(600.0 - 0.1 * T_S).arrival(780.0)
    assert told.chance < 0.05


@pytest.mark.parametrize("back_s", [40, 90, 200])
def test_an_outage_is_no_sudden_rise(back_s: int) -> None:
    t_s, values = lines([COLD, WARM, (1500.0, [500.0, 420.0, 420.0, 420.0, 420.0])])
    status = np.zeros(values.shape, np.uint8)
    keep = (t_s < len(t_s) - back_s - 150) | (t_s >= len(t_s) - back_s)
    told = []
    for here in (slice(None), keep):
        judge = Judge(plan())
        judge.push(t_s[here], values[here], status[here])
        told.append({v.zone: v.forecast for v in judge.verdict().zones}["middle"])
    whole, broken = told
    assert whole is not None
    assert broken is not None
    for n in (2, 4, 6):
        assert broken.middle_c[n] == pytest.approx(whole.middle_c[n], abs=20 + 8 * n)


def test_more_heat_arrives_sooner() -> None:
    slow, fast = (futures(550.0 + rate / 60.0 * T_S).arrival(650.0) for rate in (10.0, 40.0))
    assert fast.chance > slow.chance
    assert fast.middle_s is not None
    assert slow.middle_s is not None
    assert fast.middle_s < slow.middle_s


def test_arrivals_of_known_futures() -> None:
    ahead = np.array(AHEAD_S, float)
    rows = np.stack([500.0 + ahead / 60.0 * rate for rate in (10.0, 20.0, 30.0, 0.0)])
    told = Futures(rows, np.array([0.25, 0.25, 0.25, 0.25])).arrival(560.0)
    assert told.chance == 0.75
    # Straight lines: 60 °C at 30, 20, 10 °C/min.
    assert (told.early_s, told.middle_s, told.late_s) == (120, 180, 360)
    none = Futures(rows, np.array([0.0, 0.0, 0.0, 1.0])).arrival(560.0)
    assert none == Arrival(560.0, 0.0, None, None, None)


def true_cooling_s(from_c: float, to_c: float, k_s: float) -> float:
    """The law itself, in small steps."""
    t, level = 0.0, from_c
    while level > to_c:
        level -= k_s * (level - 15.0) * math.sqrt(film_w_m2k(level) / film_w_m2k(from_c))
        t += 1.0
    return t


def test_cooling_against_newtons_closed_form() -> None:
    # Over a small step the film is steady: t = ln((T0 - Ta) / (T - Ta)) / k (Incropera and DeWitt, 5.6).
    k = 1 / 900.0
    past = 15.0 + (500.0 - 15.0) * np.exp(-k * T_S)
    told = cooling(past, 490.0)
    assert told is not None
    assert told.middle_s == pytest.approx(math.log(485.0 / 475.0) / k, abs=1.5)


@pytest.mark.parametrize("to_c", [400.0, 200.0, 100.0])
def test_cooling_with_a_weakening_film(to_c: float) -> None:
    k = 1 / 1200.0
    past = 15.0 + (600.0 - 15.0) * np.exp(-k * T_S)
    told = cooling(past, to_c)
    assert told is not None
    assert told.middle_s == pytest.approx(true_cooling_s(600.0, to_c, k), rel=0.02)
    assert told.early_s is not None
    assert told.late_s is not None
    assert told.early_s < told.middle_s < told.late_s
    # Slower than with the film of now.
    assert told.middle_s > math.log((600.0 - 15.0) / (to_c - 15.0)) / k


def test_no_cooling_without_a_fall() -> None:
    assert cooling(np.full(60, 400.0), 100.0) is None
    assert cooling(400.0 + T_S / 60.0, 100.0) is None
    assert cooling(400.0 - T_S / 60.0, 500.0) is None
    assert cooling(400.0 - T_S / 60.0, 15.0) is None


def test_film_against_handbook() -> None:
    # Radiation heat transfer coefficient 4 ε σ T³ (Incropera and DeWitt, 1.9 for equal temperatures): for a
    # black body at 300 K it is 6.1 W/m²K (from memory); here ε is 0.9, with 12 W/m²K of convection.
    assert film_w_m2k(300.0 - 273.15) == pytest.approx(12.0 + 0.9 * 6.12, abs=0.05)


@given(
    st.lists(
        st.one_of(st.floats(-50.0, 1400.0), st.just(math.nan)),
        min_size=0,
        max_size=130,
    )
)
def test_no_past_breaks_it(past: list[float]) -> None:
    told = forecast(0.0, np.array(past), burnout_c=650.0, target_c=780.0, cool_c=100.0)
    if told is None:
        return
    assert np.isfinite([*told.low_c, *told.middle_c, *told.high_c]).all()
    assert len(told.low_c) == len(told.ahead_s) == len(DRAWN_S)
    for low, middle, high in zip(told.low_c, told.middle_c, told.high_c, strict=True):
        assert low <= middle <= high
    for arrival in (told.burnout, told.target, told.cool):
        if arrival is None:
            continue
        assert 0.0 <= arrival.chance <= 1.0
        if arrival.middle_s is not None:
            assert arrival.early_s is not None
            assert arrival.late_s is not None
            assert 0.0 <= arrival.early_s <= arrival.middle_s <= arrival.late_s
    assert told.target is not None
    assert told.burnout is not None
    assert told.target.chance <= told.burnout.chance + 1e-6
    json.dumps([told.words, told.low_c])


def test_the_fires_of_the_ensemble_are_open_fires() -> None:
    fires = ensemble()
    hottest = np.maximum(fires.past_c.max(axis=1), fires.future_c.max(axis=1))
    # Gosselain 1992 and Maggetti 2011 (trade's list; values from memory): open firings peak at 500-900 °C.
    assert 500.0 < np.percentile(hottest, 25) < np.percentile(hottest, 75) < 950.0
    assert np.percentile(hottest, 99) < 1150.0
    assert fires.future_c.min() > -30.0
    # Left alone, most have cooled well after an hour.
    assert np.median(hottest - fires.future_c[:, -1]) > 100.0


def told_arrival(chance: float, early_s: float, late_s: float) -> Arrival:
    return Arrival(650.0, chance, early_s, (early_s + late_s) / 2, late_s)


@pytest.mark.parametrize(
    ("burnout", "target", "cool", "words"),
    [
        (None, told_arrival(0.95, 360, 540), None, "target in 6–9 min if nothing is added"),
        (told_arrival(0.95, 20, 40), told_arrival(0.6, 1200, 1700), None,
         "burn-out in less than a minute, target probably in 20–30 min if nothing is added"),
        (told_arrival(0.95, 60, 70), told_arrival(0.05, 60, 90), None,
         "burn-out in 1 min; will not reach its target without more wood"),
        (told_arrival(0.3, 60, 70), told_arrival(0.05, 60, 90), None,
         "may not reach burn-out without more wood"),
        (None, None, told_arrival(1.0, 5000, 9000), "cooled to 650 °C in 1.5–2.5 h"),
        (None, None, None, ""),
    ],
)  # fmt: skip
def test_words(burnout: Arrival | None, target: Arrival | None, cool: Arrival | None, words: str) -> None:
    assert in_words(burnout, target, cool) == words


def zones_told(knots: list[tuple[float, list[float]]]) -> dict:
    t_s, values = lines(knots)
    judge = Judge(plan())
    judge.push(t_s, values, np.zeros(values.shape, np.uint8))
    data = verdict_data(judge.verdict())
    json.dumps(data)
    return {z["zone"]: z["forecast"] for z in data["load"]["zones"]}


def test_the_verdict_tells_of_pots_and_not_of_coals() -> None:
    told = zones_told([COLD, WARM, HOT])
    assert told["under"] is None
    assert told["middle"]["burnout"]["chance"] > 0.7
    assert told["middle"]["words"].startswith("burn-out")
    assert told["middle"]["at_s"] <= 1400.0


def test_nothing_is_foretold_before_the_wood_is_lit() -> None:
    assert set(zones_told([COLD, WARM]).values()) == {None}


def test_after_the_fire_it_tells_when_it_will_be_cool() -> None:
    peak = (2000.0, [700.0, 800.0, 800.0, 800.0, 800.0])
    raked = (3000.0, [300.0, 320.0, 300.0, 300.0, 300.0])
    told = zones_told([COLD, WARM, HOT, peak, raked])
    assert told["middle"]["target"] is None
    assert told["middle"]["cool"]["temperature_c"] == 100.0
    assert told["middle"]["words"].startswith("cooled to 100 °C in")


def test_a_zone_without_a_probe_to_trust_has_no_forecast() -> None:
    t_s, values = lines([COLD, WARM, HOT])
    status = np.zeros(values.shape, np.uint8)
    status[-60:, 2] = int(Status.OPEN)
    values[-60:, 2] = np.nan
    judge = Judge(plan())
    judge.push(t_s, values, status)
    told = {v.zone: v.forecast for v in judge.verdict().zones}
    assert told["middle"] is None
    assert told["lower"] is not None


def test_a_restored_judge_foretells_the_same() -> None:
    t_s, values = lines([COLD, WARM, HOT])
    judge = Judge(plan())
    judge.push(t_s, values, np.zeros(values.shape, np.uint8))
    assert Judge.restore(plan(), judge.snapshot()).verdict() == judge.verdict()


def test_cool_enough_is_the_plans() -> None:
    assert loads("").cool_c == 100.0
    assert loads(loads("cool_c = 60").dumps()).cool_c == 60.0
    with pytest.raises(PlanError, match=r"line 2: cool_c"):
        loads("target_c = 780\ncool_c = 5")


def test_the_rate_says_how_sure_it_is() -> None:
    """For a steady climb under white noise, the error is within twice the standard uncertainty 19 times in 20."""
    knots = [(0.0, [200.0, 100.0, 100.0, 100.0, 100.0]), (1200.0, [600.0, 500.0, 500.0, 500.0, 500.0])]
    t_s, values = lines(knots, noise_c=10.0)
    judge = Judge(plan())
    within, narrow = [], []
    for end in range(100, 1200, 50):
        judge.push(t_s[end - 50 : end], values[end - 50 : end], np.zeros((50, 5), np.uint8))
        for zone in judge.verdict().zones:
            assert zone.rate_c_per_min is not None
            assert zone.rate_sd_c_per_min is not None
            assert zone.rate_sd_c_per_min > 0.0
            within.append(abs(zone.rate_c_per_min - 20.0) <= 2.0 * zone.rate_sd_c_per_min)
            narrow.append(abs(zone.rate_c_per_min - 20.0) <= 0.3 * zone.rate_sd_c_per_min)
    assert np.mean(within) >= 0.88
    assert np.mean(narrow) <= 0.5  # nor is it told far too large
