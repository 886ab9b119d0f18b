"""The filter's mathematics against finite differences, a general-purpose solver and a textbook's filter."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from logger.judgement.zone_filter import HOTTEST_C, ZoneFilter, wall_mean
from logger.judgement.zone_model import (
    CORE,
    GAS,
    GLOW,
    GUN,
    HEAT,
    INNER,
    OUTER,
    THICKNESS,
    Model,
)
from logger.reading import Floats

SIGMA = 5.670374419e-8


def one_zone(forget_s: float | None = 300.0) -> ZoneFilter:
    filter_ = ZoneFilter([["air", "wall"]], np.zeros((1, 1)), Model(), forget_s=forget_s)
    filter_.start(np.array([[400.0, 300.0]]))
    filter_.x[0, : GLOW + 1] = [420.0, 380.0, 350.0, 300.0, 650.0, 40.0]
    filter_.wet[:] = 0.0
    return filter_


@pytest.mark.parametrize("gas_c", [650.0, 150.0], ids=["heating", "cooling"])
def test_transition_is_the_slope_of_the_step(gas_c: float) -> None:
    """Finite differences over a short step, every state but those that only enter as random walks."""
    base = one_zone()
    base.x[0, GAS] = gas_c
    start = base.x.copy()
    transition = base.predict(0.02)[0]
    for state in range(base.size):
        size = 1e-3 if THICKNESS <= state <= HEAT else 1e-2
        ends = []
        for sign in (1, -1):
            other = one_zone()
            other.x = start.copy()
            other.x[0, state] += sign * size
            other.predict(0.02)
            ends.append(other.x[0])
        slope = (ends[0] - ends[1]) / (2 * size)
        np.testing.assert_allclose(
            slope, transition[:, state], atol=2e-2 * max(1.0, np.abs(slope).max()) * 0.02
        )


def test_the_wall_between_readings_follows_the_equations() -> None:
    """The filter's steps of a second against scipy's solver on the same wall, gas and glow held."""
    m = Model(gas_s=1e12, glow_s=1e12, film_s=1e12)
    filter_ = ZoneFilter([["air"]], np.zeros((1, 1)), m)
    filter_.start(np.array([[20.0]]))
    filter_.wet[:] = 0.0
    filter_.x[0, GAS], filter_.x[0, GLOW] = 700.0, 60.0
    wall = m.wall
    cells = wall.areal_capacity_j_m2k * np.array([0.25, 0.5, 0.25])
    link = wall.conductivity_w_mk / (wall.thickness_mm / 2e3)

    def rates(_: float, y: Floats) -> Floats:
        outer, middle, inner, core = y
        seen = (outer + 60 + 273.15) ** 4 - (outer + 273.15) ** 4
        taken = m.film_w_m2k * (700 - outer) + wall.emissivity * SIGMA * seen
        within = m.core_view * wall.emissivity * SIGMA * ((core + 273.15) ** 4 - (inner + 273.15) ** 4)
        flow = link * (outer - middle), link * (middle - inner)
        return np.array(
            [
                (taken - flow[0]) / cells[0],
                (flow[0] - flow[1]) / cells[1],
                (flow[1] + within) / cells[2],
                -within / (m.core_walls * wall.areal_capacity_j_m2k),
            ]
        )

    solved = solve_ivp(rates, (0, 400), np.full(4, 20.0), method="LSODA", rtol=1e-8).y[:, -1]
    for _ in range(400):
        filter_.predict(1.0)
    np.testing.assert_allclose(filter_.x[0, : CORE + 1], solved, atol=1.5)


def test_without_considered_states_a_spot_is_the_textbook_update() -> None:
    """Anderson and Moore: K = P h / (h P h + r), x + K (z - h x), P - K h P; written out here once more."""
    filter_ = one_zone()
    for _ in range(30):
        filter_.predict(1.0)
    x, p = filter_.x[0].copy(), filter_.p[0].copy()
    filter_.spot(0, 500.0, 12.0)
    h = np.zeros(len(x))
    common = Model().spot_common * 12.0
    h[OUTER], h[GUN] = 1.0, common
    gain = p @ h / (h @ p @ h + 144.0 - common**2)
    np.testing.assert_allclose(filter_.x[0], x + gain * (500.0 - h @ x), rtol=1e-9, atol=1e-9)
    expected = (np.eye(len(x)) - np.outer(gain, h)) @ p
    np.testing.assert_allclose(filter_.p[0], expected, rtol=1e-6, atol=1e-6)


def test_many_shots_of_one_gun_share_its_fault() -> None:
    """GUM F.1.2.3: what is common to repeated readings doesn't average out."""
    filter_ = one_zone()
    filter_.p[0, : CORE + 1, : CORE + 1] += 60.0**2
    for _ in range(200):
        filter_.spot(0, 500.0, 12.0)
    left = float(np.sqrt(filter_.p[0, OUTER, OUTER]))
    assert 0.8 * 12.0 * 0.9 < left < 12.0


def test_what_is_only_considered_widens_and_is_never_moved() -> None:
    considered, sure = one_zone(None), one_zone(None)
    sure.p[:, THICKNESS : HEAT + 1, :] = 0.0
    sure.p[:, :, THICKNESS : HEAT + 1] = 0.0
    for filter_ in (considered, sure):
        for _ in range(120):
            filter_.predict(1.0)
            filter_.update(np.array([[650.0, 480.0]]), 1.0)
    assert (considered.x[0, THICKNESS : HEAT + 1] == 0).all()
    assert wall_mean(considered.x, considered.p)[1] > wall_mean(sure.x, sure.p)[1]


def test_the_covariance_stays_one() -> None:
    """Hours of steps, faults, gaps and spots: symmetric, no negative variance, no overflow."""
    rng = np.random.default_rng(6)
    filter_ = ZoneFilter([["air", "wall"], ["air", ""], ["", ""]], np.ones((3, 3)) - np.eye(3), Model())
    reading = np.array([[20.0, 20.0], [20.0, np.nan], [np.nan, np.nan]])
    filter_.start(reading)
    level = 20.0
    for i in range(2500):
        level = float(np.clip(level + rng.normal(0.2, 8.0), 10, 1100))
        dt = float(rng.choice([0.2, 1.0, 5.0, 400.0], p=[0.2, 0.6, 0.19, 0.01]))
        filter_.predict(dt)
        row = np.where(rng.random((3, 2)) < 0.05, rng.uniform(-50, 1370, (3, 2)), level)
        row[np.isnan(reading) | (rng.random((3, 2)) < 0.1)] = np.nan
        filter_.update(row, dt)
        if i % 97 == 0:
            filter_.spot(int(rng.integers(3)), level, 10.0)
    assert np.isfinite(filter_.x).all()
    np.testing.assert_allclose(filter_.p, np.swapaxes(filter_.p, 1, 2))
    for p in filter_.p:
        scale = np.sqrt(np.maximum(np.diag(p), 1e-12))
        assert np.linalg.eigvalsh(p / np.outer(scale, scale)).min() > -1e-6
    assert filter_.x[:, OUTER : INNER + 1].min() > -60
    assert filter_.x[:, OUTER : INNER + 1].max() < 1500


def test_a_state_that_has_run_away_comes_back() -> None:
    """Radiation goes with the fourth power: what broken sensors can lead to must not grow without end."""
    made = one_zone()
    made.x[0, CORE] = 1e5
    for _ in range(900):
        made.predict(1.0)
        assert (made.x[0, : GAS + 1] <= HOTTEST_C).all()
        made.update(np.full((1, 2), 700.0), 1.0)
    assert made.x[0, CORE] < 1500.0
    assert np.isfinite(made.p).all()
