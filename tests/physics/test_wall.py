"""Checks of a steadily warming wall against the same wall cut into cells and solved by scipy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from logger.physics.wall import Wall, steady_lag_c, steady_steepest_c_mm
from logger.reading import Floats


def through(wall: Wall, rate_c_s: float, points: int = 41) -> Floats:
    """A plane wall, back insulated, whose face rises at a rate until the start is forgotten."""
    spacing = wall.thickness_mm / (points - 1)
    pull = wall.diffusivity_mm2_s / spacing**2

    def rates(t: float, inner: Floats) -> Floats:
        row = np.concatenate([[rate_c_s * t], inner, inner[-2:-1]])  # a mirror behind the insulated back
        return pull * (row[:-2] - 2 * row[1:-1] + row[2:])

    end = 4 * wall.diffusion_s
    solved = solve_ivp(rates, (0, end), np.zeros(points - 1), method="LSODA", rtol=1e-8, atol=1e-6)
    return np.concatenate([[rate_c_s * end], solved.y[:, -1]])


@pytest.mark.parametrize(("mm", "diffusivity", "c_per_min"), [(7.0, 0.45, 90.0), (12.0, 0.6, -40.0)])
def test_a_steady_climb_leaves_the_inside_behind(mm: float, diffusivity: float, c_per_min: float) -> None:
    """Carslaw and Jaeger: T = surface - r/(2a) (L² - (L - x)²); the mean is two thirds of the lag behind."""
    wall = Wall(thickness_mm=mm, diffusivity_mm2_s=diffusivity)
    row = through(wall, c_per_min / 60)
    lag = float(steady_lag_c(c_per_min, wall))
    assert lag == pytest.approx(row[0] - row[-1], rel=0.01)
    mean = (row.sum() - 0.5 * (row[0] + row[-1])) / (len(row) - 1)
    assert lag * 2 / 3 == pytest.approx(row[0] - mean, rel=0.01)
    steepest = float(np.abs(np.diff(row)).max()) / (mm / (len(row) - 1))
    # The steepest cell's middle lies half a spacing behind the face.
    assert float(steady_steepest_c_mm(c_per_min, wall)) == pytest.approx(steepest, rel=0.02)


def test_by_hand() -> None:
    """60 °C/min in 7 mm: r L² / (2 a) = 1 x 49 / 1 = 49 °C, r L / a = 14 °C/mm."""
    assert float(steady_lag_c(60.0, Wall())) == pytest.approx(49.0)
    assert float(steady_steepest_c_mm(-60.0, Wall())) == pytest.approx(14.0)
