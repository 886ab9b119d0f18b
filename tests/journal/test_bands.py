"""A reading's own uncertainty, worked out by hand and by its budget."""

from __future__ import annotations

import numpy as np
import pytest

from logger.journal.bands import ReadingBand
from logger.physics.uncertainty import COVERAGE_90, combined_c, thermocouple_budget
from logger.plan import Probe


def test_put_together_by_hand() -> None:
    """GUM 5.1.2 and 4.3.7: type K, class 2 at 600 °C is ± 0.75 % (IEC 60584-1), amplifier ± 2, cold junction ± 2.

    The cold junction counts by the Seebeck coefficients at 25 and 600 °C: 40.5 and 42.5 µV/°C (NIST ITS-90).
    """
    limits = np.array([0.0075 * 600, 2.0, 2.0 * 40.5 / 42.5])
    still = 1.645 * np.sqrt(((limits / np.sqrt(3)) ** 2).sum())
    band = ReadingBand(Probe("a", "a"))
    assert band.at(600.0, 0.0) == pytest.approx(still, abs=0.05)
    # 60 °C a minute with a lag of 9 s: behind by up to 9 °C.
    moving = 1.645 * np.hypot(still / 1.645, 9.0 / np.sqrt(3))
    assert band.at(600.0, 1.0) == pytest.approx(moving, abs=0.05)
    assert band.at(600.0, -1.0) == band.at(600.0, 1.0)


@pytest.mark.parametrize("letter", ["K", "N"])
def test_between_the_steps_of_its_table_it_is_the_budgets_own(letter: str) -> None:
    band = ReadingBand(Probe("w", "w", reads="wall", letter=letter))
    for c in np.linspace(-20, 1200, 123).tolist():
        whole = COVERAGE_90 * float(combined_c(thermocouple_budget(c, letter=letter)))
        assert band.at(c, 0.0) == pytest.approx(whole, abs=0.1)
    assert band.at(-500.0, 0.0) > 0
    assert band.at(5000.0, 0.0) > 0


def test_a_better_class_is_surer_and_a_gun_is_less_sure_than_a_couple() -> None:
    one, two = ReadingBand(Probe("a", "a", tolerance_class=1)), ReadingBand(Probe("a", "a"))
    gun = ReadingBand(Probe("s", "s", reads="surface", letter=None))
    assert one.at(700.0, 0.0) < two.at(700.0, 0.0) < gun.at(700.0, 0.0)
