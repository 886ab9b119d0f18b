"""The one-hour equivalent temperature of a judged firing: the integral of `physics.heat_work`, labelled a
model."""

from __future__ import annotations

import math

import numpy as np
import pytest

from logger.judgement.judge import Judge
from logger.judgement.rehearsal import summary, table
from logger.plan import Plan, Probe
from tests.physics.test_heat_work import equivalent_c

PLAN = Plan(
    title="Invented",
    probes=(Probe("low", "k0", zone="lower"), Probe("high", "k1", zone="upper")),
)


def fired(judge: Judge, seconds: int = 2400, since: int = 0) -> None:
    """Two zones: up to 750 and 850 °C within ten minutes, then level."""
    t = np.arange(since, seconds, dtype=float)
    judge.push(t, values_at(t), np.zeros((len(t), 2), np.uint8))


def values_at(t_s: np.ndarray) -> np.ndarray:
    """With a little flicker: a value that never moves would be a stuck probe."""
    flicker = np.random.default_rng(1).normal(0, 2, (5000, 2))[t_s.astype(int)]
    return 20 + np.minimum(t_s / 600.0, 1.0)[:, None] * np.array([730.0, 830.0]) + flicker


def test_it_is_the_integral_over_what_the_verdict_goes_by() -> None:
    judge = Judge(PLAN)
    fired(judge)
    found = judge.verdict().one_hour
    t = np.arange(2400.0)
    for zone, whole in zip(("lower", "upper"), equivalent_c(t, values_at(t)).tolist(), strict=True):
        assert found[zone].c == pytest.approx(whole, abs=2.0)  # levels are smoothed over some seconds
    # Held for half an hour: less than the held temperature, since a cooler hour does as much.
    assert found["lower"].c < 750 < found["upper"].c < 850


def test_by_hand() -> None:
    """30 min at 750 °C (300 kJ/mol): 1/T = 1/1023.15 + R/E ln 2, so 731 °C; the climb adds little."""
    judge = Judge(PLAN)
    fired(judge, 600 + 1800)
    kelvin = 1 / (1 / 1023.15 + 8.314462618 / 300e3 * math.log(2.0))
    assert judge.verdict().one_hour["lower"].c == pytest.approx(kelvin - 273.15, abs=3.0)


def test_it_says_how_much_it_depends_on_the_energy() -> None:
    judge = Judge(PLAN)
    fired(judge)
    hour = judge.verdict().one_hour["lower"]
    assert hour.low_c < hour.c < hour.high_c
    assert hour.high_c - hour.low_c > 5


def test_a_restart_resumes() -> None:
    straight = Judge(PLAN)
    fired(straight, 1200)
    again = Judge.restore(PLAN, straight.snapshot())
    fired(straight, 2400, since=1200)
    fired(again, 2400, since=1200)
    assert again.verdict().one_hour == straight.verdict().one_hour


def test_programs_and_people_are_told_that_it_is_a_model() -> None:
    judge = Judge(PLAN)
    fired(judge)
    result = summary(PLAN, [], judge.verdict(), 2400.0)
    zone = result["zones"][0]
    assert zone["one_hour_model"]["kind"] == "model"
    assert zone["one_hour_model"]["low_c"] < zone["one_hour_c"] < zone["one_hour_model"]["high_c"]
    assert zone["one_hour_model"]["energy_kj_mol"] == 300.0
    assert zone["one_hour_model"]["energies_kj_mol"] == [200.0, 500.0]
    assert zone["one_hour_model"]["covers"].startswith("the clay's activation energy alone")
    told = table(result)
    assert f"{zone['one_hour_c']:.0f}" in told
    assert "1 h model" in told
    assert "not a measurement" in told


def test_without_readings_there_is_none() -> None:
    judge = Judge(PLAN)
    judge.push(np.arange(100.0), np.full((100, 2), np.nan), np.ones((100, 2), np.uint8))
    assert judge.verdict().one_hour == {}
    zone = summary(PLAN, [], judge.verdict(), 100.0)["zones"][0]
    assert zone["one_hour_c"] is None
    assert zone["one_hour_model"] is None
