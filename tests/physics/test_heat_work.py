"""Checks of the one-hour equivalent temperature against its definition and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.constants
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import ArrayLike
from scipy.special import expn

from logger.physics import heat_work
from logger.physics.heat_work import ENERGIES_KJ_MOL, HeatWork, minutes_above
from logger.reading import Floats


def equivalent_c(
    t_s: ArrayLike, c: ArrayLike, *, energy_kj_mol: float = ENERGIES_KJ_MOL[0], **given: float
) -> Floats:
    """For a whole record at once, with zones as columns."""
    columns = np.asarray(c, dtype=np.float64)
    rows = columns.reshape(len(columns), -1)
    work = HeatWork(rows.shape[1], energies_kj_mol=(energy_kj_mol,), **given)
    for when, row in zip(np.asarray(t_s, dtype=np.float64).tolist(), rows, strict=True):
        work.push(when, row)
    return work.equivalent_c()[0].reshape(columns.shape[1:])


def test_the_example_of_the_documentation() -> None:
    assert round(float(equivalent_c([0.0, 600.0], [800.0, 800.0], longest_gap_s=600.0))) == 746


def test_an_hour_at_a_temperature_is_that_temperature() -> None:
    """Tite's definition (Archaeometry 11, 1969, from memory)."""
    t = np.arange(0, 3601.0)
    for energy in (150.0, 300.0, 600.0):
        found = equivalent_c(t, np.full(len(t), 760.0), energy_kj_mol=energy)
        assert float(found) == pytest.approx(760.0, abs=1e-6)


def test_twice_the_time() -> None:
    """By hand: 1/T_eq = 1/T - R ln 2 / E."""
    t = np.arange(0, 7201.0, 10.0)
    kelvin = 1 / (1 / 1033.15 - 8.314462618 * np.log(2) / 300e3)
    assert float(equivalent_c(t, np.full(len(t), 760.0))) == pytest.approx(kelvin - 273.15, abs=1e-6)


def test_gas_constant() -> None:
    assert pytest.approx(scipy.constants.R, rel=1e-9) == heat_work.GAS_CONSTANT


@pytest.mark.parametrize("energy", [150.0, 300.0, 600.0])
@pytest.mark.parametrize("step_s", [1.0, 10.0])
def test_a_steady_climb_against_the_exponential_integral(energy: float, step_s: float) -> None:
    """The temperature integral of thermal analysis: ∫ exp(-E/RT) dT = T E2(E/RT)."""
    rate = 50.0 / 60.0
    t = np.arange(0, 900.0 + step_s, step_s)
    start = 300.15

    def primitive(kelvin: float) -> float:
        return float(kelvin * expn(2, energy * 1e3 / (scipy.constants.R * kelvin)))

    end = start + rate * t[-1]
    integral = (primitive(end) - primitive(start)) / rate
    expected = -energy * 1e3 / scipy.constants.R / np.log(integral / 3600) - 273.15
    found = equivalent_c(t, start - 273.15 + rate * t, energy_kj_mol=energy)
    assert float(found) == pytest.approx(expected, abs=0.02 * step_s)


def test_mean_kinetic_temperature_formula() -> None:
    """Over a hold as long as the record this is the mean kinetic temperature of the stability guidelines.

    Haynes 1971, from memory: T_k = (E/R) / -ln(mean of exp(-E/RT)), E = 83.144 kJ/mol.
    """
    level = np.repeat([5.0, 15.0, 25.0, 30.0], 2)
    t = np.array([0, 100, 100, 200, 200, 300, 300, 400.0]) * 3600
    mean = np.mean(np.exp(-83144 / (scipy.constants.R * (np.array([5, 15, 25, 30]) + 273.15))))
    expected = 83144 / scipy.constants.R / -np.log(mean) - 273.15
    found = equivalent_c(t, level, energy_kj_mol=83.144, hold_s=400 * 3600.0, longest_gap_s=1e9)
    assert float(found) == pytest.approx(expected, abs=1e-6)
    assert level.mean() < float(found) < 30


@given(
    level=st.floats(300, 1000),
    minutes=st.floats(1, 59),
    energies=st.tuples(st.floats(100, 400), st.floats(100, 400)),
)
def test_less_than_an_hour_is_less_and_matters_less_with_more_energy(
    level: float, minutes: float, energies: tuple[float, float]
) -> None:
    found = [
        float(equivalent_c([0, minutes * 60], [level, level], energy_kj_mol=e, longest_gap_s=4000.0))
        for e in sorted(energies)
    ]
    assert found[0] <= found[1] + 1e-9 <= level + 2e-9


def test_several_energies_at_once_equal_each_alone() -> None:
    rng = np.random.default_rng(5)
    t = np.cumsum(rng.uniform(0.5, 5, 400))
    temperature = 500 + np.cumsum(rng.normal(0, 5, (400, 3)), axis=0)
    temperature[rng.random((400, 3)) < 0.1] = np.nan
    live = HeatWork(3)
    for when, row in zip(t, temperature, strict=True):
        live.push(float(when), row)
    for found, energy in zip(live.equivalent_c(), ENERGIES_KJ_MOL, strict=True):
        batch = equivalent_c(t, temperature, energy_kj_mol=energy)
        np.testing.assert_allclose(found, batch, rtol=0, atol=1e-9)


def test_a_long_gap_is_not_made_up() -> None:
    live = HeatWork(1, longest_gap_s=60.0)
    for when, value in ((0, 800), (30, 800), (1000, 800), (1030, 800)):
        live.push(when, np.array([value], dtype=float))
    whole = HeatWork(1)
    whole.push(0, np.array([800.0]))
    whole.push(60, np.array([800.0]))
    np.testing.assert_allclose(live.equivalent_c(), whole.equivalent_c())


def test_nothing_known_is_nan() -> None:
    live = HeatWork(2)
    live.push(0.0, np.array([np.nan, 500.0]))
    assert np.isnan(live.equivalent_c()).all()
    live.push(1.0, np.array([np.nan, 500.0]))
    assert np.isnan(live.equivalent_c()[:, 0]).all()
    assert np.isfinite(live.equivalent_c()[:, 1]).all()


def test_minutes_above_counts_parts_of_a_step() -> None:
    t = np.array([0.0, 60, 120, 180, 240])
    up_and_down = np.array([600.0, 700, 800, 700, 600])
    # By hand: from 750 up (half of a minute) and back down (half of a minute).
    assert minutes_above(t, up_and_down, 750.0) == pytest.approx(1.0)
    assert minutes_above(t, up_and_down, 600.0) == pytest.approx(4.0)
    assert minutes_above(t, up_and_down, 801.0) == 0.0
    assert minutes_above(t, up_and_down, 600.0, longest_gap_s=30.0) == 0.0
    assert minutes_above(t, np.where(t == 120.0, np.nan, up_and_down), 600.0) == pytest.approx(2.0)
    assert minutes_above([], [], 600.0) == 0.0
