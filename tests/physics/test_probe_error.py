"""Checks of lag and bead physics against closed forms and a handbook's worked example."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq
from scipy.signal import lfilter

from logger.physics.probe_error import bead_c, bead_film_w_m2k, gas_range_c, lag_from_step, undo_lag
from logger.reading import Floats


def lagged(t: Floats, value: Floats, lag_s: float) -> Floats:
    """Exact for a value that holds between samples (scipy's filter as reference)."""
    keep = np.exp(-(t[1] - t[0]) / lag_s)
    return np.asarray(lfilter([1 - keep], [1, -keep], value, zi=[keep * value[0]])[0])


def test_lag_of_a_climb_is_undone_but_for_the_stated_rest() -> None:
    """A ramp r through a lag τ trails by r τ; what is left after undoing with gain g is r τ / g."""
    t = np.arange(0, 300.0)
    rate, lag = 1.5, 20.0
    reading = 20 + rate * (t - lag * (1 - np.exp(-t / lag)))
    for gain in (1.0, 2.0, 5.0):
        undone = undo_lag(t, reading, lag, noise_gain=gain)
        left = (20 + rate * t - undone)[200:]
        np.testing.assert_allclose(left, rate * lag / gain, rtol=0.01, atol=0.05)


@given(lag=st.floats(0.5, 60), gain=st.floats(1, 10), period=st.floats(0.05, 10), seed=st.integers(0, 99))
def test_noise_gain_stays_below_its_bound(lag: float, gain: float, period: float, seed: int) -> None:
    """The sum of squares of the answer to a single odd reading is the gain of white noise."""
    pulse = np.zeros(600)
    pulse[3] = 1.0
    answer = undo_lag(np.arange(600) * period, pulse, lag, noise_gain=gain)
    assert np.sqrt((answer**2).sum()) <= gain * (1 + 1e-9)
    noise = np.random.default_rng(seed).normal(0, 1, 600)
    out = undo_lag(np.arange(600) * period, noise, lag, noise_gain=gain)
    assert out.std() <= gain * 1.2


def test_gaps_and_steady_readings_pass() -> None:
    t = np.arange(0, 50.0)
    reading = np.full(50, 600.0)
    reading[[0, 7, 8, 30]] = np.nan
    undone = undo_lag(t, reading, 12.0)
    np.testing.assert_array_equal(np.isnan(undone), np.isnan(reading))
    np.testing.assert_allclose(undone[np.isfinite(undone)], 600.0)


def test_only_the_past_is_used() -> None:
    rng = np.random.default_rng(1)
    t, reading = np.arange(100.0), rng.normal(500, 20, 100)
    whole = undo_lag(t, reading, 8.0)
    np.testing.assert_array_equal(undo_lag(t[:60], reading[:60], 8.0), whole[:60])


@pytest.mark.parametrize("lag", [3.0, 12.0, 40.0])
def test_time_constant_at_63_per_cent(lag: float) -> None:
    """The definition: 63.2 % of a step after one time constant (Incropera & DeWitt, section 5.1)."""
    t = np.arange(0, 200.0, 0.5)
    reading = 20 + 60 * (1 - np.exp(-np.maximum(t - 10, 0) / lag))
    found = lag_from_step(t, reading, 10.0)
    assert found.lag_s == pytest.approx(lag, rel=0.005)
    assert found.step_c == pytest.approx(60, rel=0.01)
    assert float(np.interp(10 + found.lag_s, t, reading)) == pytest.approx(20 + 60 * 0.632, abs=0.3)


def test_stated_uncertainty_of_the_time_constant_is_the_scatter() -> None:
    rng = np.random.default_rng(3)
    t = np.arange(0, 60.0)
    clean = 400 - 80 * (1 - np.exp(-t / 9.0))
    fits = [lag_from_step(t, clean + rng.normal(0, 1.5, len(t)), 0.0) for _ in range(60)]
    lags = np.array([f.lag_s for f in fits])
    assert np.isfinite(lags).all()
    assert abs(lags.mean() - 9.0) < 0.3
    assert np.mean([f.u_s for f in fits]) == pytest.approx(lags.std(), rel=0.35)
    assert fits[0].step_c == pytest.approx(-80, abs=3)


def test_what_is_no_step_tells_no_lag() -> None:
    rng = np.random.default_rng(4)
    t = np.arange(0, 60.0)
    assert np.isnan(lag_from_step(t, rng.normal(20, 0.5, 60), 0.0).lag_s)
    assert np.isnan(lag_from_step(t, 20 + 0.5 * t, 0.0).lag_s)
    assert np.isnan(lag_from_step(t[:4], t[:4], 0.0).lag_s)
    assert np.isnan(lag_from_step(t, np.full(60, np.nan), 0.0).lag_s)


def test_worked_example_sphere_in_a_stream() -> None:
    """Incropera & DeWitt, example 7.6 (5th edition), from memory: 10 mm sphere, air 23 °C at 10 m/s.

    Re = 6510, Nu = 47.4, h = 122 W/m²K, with the viscosity factor (1.82/1.97)^¼ = 0.98 that is left out here.
    """
    assert float(bead_film_w_m2k(10.0, 10.0, 23.0)) == pytest.approx(122 / 0.98, rel=0.02)


def test_still_air_is_conduction_alone() -> None:
    """Nu = 2; air of 300 K conducts 0.0263 W/mK (Incropera & DeWitt, table A.4)."""
    assert float(bead_film_w_m2k(1.0, 0.0, 26.85)) == pytest.approx(2 * 0.0263 / 1e-3, rel=0.01)


@given(gas=st.floats(0, 1200), glow=st.floats(0, 1200), film=st.floats(10, 500), emissivity=st.floats(0.1, 1))
def test_bead_settles_where_the_balance_is(gas: float, glow: float, film: float, emissivity: float) -> None:
    sigma = 5.670374419e-8

    def balance(bead: float) -> float:
        return film * (gas - bead) - emissivity * sigma * ((bead + 273.15) ** 4 - (glow + 273.15) ** 4)

    expected = gas if gas == glow else brentq(balance, min(gas, glow), max(gas, glow), xtol=1e-9)
    found = float(bead_c(gas, glow, film_w_m2k=film, emissivity=emissivity))
    assert found == pytest.approx(expected, abs=1e-3)


@given(
    gas=st.floats(50, 1100),
    glow=st.floats(50, 1100),
    film=st.floats(40, 300),
    emissivity=st.floats(0.6, 0.95),
)
def test_the_gas_lies_in_the_stated_range(gas: float, glow: float, film: float, emissivity: float) -> None:
    bead = bead_c(gas, glow, film_w_m2k=film, emissivity=emissivity)
    low, high = gas_range_c(bead, glow_c=(glow - 40, glow + 60), film_w_m2k=(40.0, 300.0))
    assert low - 0.01 <= gas <= high + 0.01


def test_a_bead_above_cold_surroundings_reads_below_the_gas() -> None:
    low, high = gas_range_c(700.0, glow_c=(20.0, 400.0), film_w_m2k=(100.0, 200.0))
    assert 700 < low < high
    low, high = gas_range_c(700.0, glow_c=(800.0, 900.0), film_w_m2k=(100.0, 200.0))
    assert low < high < 700


def test_impossible_settings_are_refused() -> None:
    with pytest.raises(ValueError, match="noise gain"):
        undo_lag([0.0, 1.0], [1.0, 2.0], 5.0, noise_gain=0.5)
    with pytest.raises(ValueError, match="lag"):
        undo_lag([0.0, 1.0], [1.0, 2.0], -1.0)
