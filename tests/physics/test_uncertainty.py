"""Checks of the uncertainty budgets against the GUM."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.stats

from logger.physics import infrared
from logger.physics.uncertainty import (
    COVERAGE_90,
    combined_c,
    from_limits,
    infrared_budget,
    thermocouple_budget,
)
from tests.physics.gun import apparent_c


def test_worked_example_end_gauge() -> None:
    """JCGM 100:2008 (GUM), H.1 end-gauge calibration, from memory: 25, 9.7, 0, 2.9 and 16.6 nm give 32 nm."""
    causes = {"standard": 25.0, "difference": 9.7, "expansion": 0.0, "d_expansion": 2.9, "d_temp": 16.6}
    assert float(combined_c({name: np.array(u) for name, u in causes.items()})) == pytest.approx(
        32.0, abs=0.5
    )


def test_rectangular_limits() -> None:
    """GUM 4.3.7: u = a/√3; the reference is the distribution itself. GUM 4.4.5: ± 4 °C gives 2.3 °C."""
    assert float(from_limits(4.0)) == pytest.approx(2.3, abs=0.05)
    assert float(from_limits(4.0)) == pytest.approx(scipy.stats.uniform(-4, 8).std())


def test_the_coverage_factor_is_the_normal_distributions() -> None:
    """GUM table G.1, printed to four figures."""
    assert pytest.approx(scipy.stats.norm.ppf(0.5 + 0.90 / 2), abs=5e-4) == COVERAGE_90


def test_type_k_class_2_at_800() -> None:
    """By hand: class ±6.0, amplifier ±2.0, cold junction ±2.0 x S(25)/S(800) = 40.5/41.0 (NIST tables)."""
    budget = thermocouple_budget(800.0)
    assert budget["class"] == pytest.approx(6.0 / np.sqrt(3))
    assert budget["cold_junction"] == pytest.approx(2.0 * 40.5 / 41.0 / np.sqrt(3), rel=0.01)
    assert float(combined_c(budget)) == pytest.approx(np.sqrt((36 + 4 + 3.9) / 3), rel=0.01)


def test_shapes_gaps_and_what_has_no_thermocouple() -> None:
    reading = np.array([[20.0, np.nan], [500.0, 900.0]])
    budget = thermocouple_budget(reading)
    assert combined_c(budget).shape == (2, 2)
    np.testing.assert_array_equal(np.isnan(combined_c(budget)), np.isnan(reading))
    assert set(thermocouple_budget(500.0, letter=None)) == {"amplifier"}


def test_beyond_its_class_a_couple_is_no_better_than_at_its_end() -> None:
    """Class 1 of type K ends at 1000 °C with ±4.0 °C."""
    budget = thermocouple_budget(1100.0, tolerance_class=1)
    assert float(budget["class"]) == pytest.approx(4.0 / np.sqrt(3))
    with pytest.raises(ValueError, match="no class 1"):
        thermocouple_budget(700.0, letter="B", tolerance_class=1)


def test_type_k_drifts_when_hot() -> None:
    assert float(thermocouple_budget(790.0)["drift"]) == 0.0
    assert float(thermocouple_budget(900.0)["drift"]) == pytest.approx(4.5 / np.sqrt(3))
    assert float(thermocouple_budget(900.0, letter="S")["drift"]) == 0.0


def test_infrared_budget_is_the_scatter_of_the_correction() -> None:
    """GUM supplement 1 in miniature: draw the inputs, correct, and look at the spread."""
    rng = np.random.default_rng(8)
    seen = apparent_c(700.0, emissivity=0.92, set_emissivity=0.95, surroundings_c=200.0)
    draws = infrared.corrected_c(
        float(seen) + rng.uniform(-14, 14, 4000) + rng.normal(0, 8, 4000),
        emissivity=np.clip(rng.normal(0.92, 0.02, 4000), 0.5, 1.0),
        set_emissivity=0.95,
        surroundings_c=rng.normal(200, 30, 4000),
    )
    budget = infrared_budget(700.0, emissivity=0.92, surroundings_c=200.0)
    assert float(combined_c(budget)) == pytest.approx(float(np.std(draws)), rel=0.06)
