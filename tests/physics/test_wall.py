"""Checks of wall conduction against closed forms and a handbook's worked examples."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.optimize import brentq
from scipy.special import erf, erfc, erfcx

from logger.physics.wall import INSULATED, Face, Wall, march, profile, steady_lag_c, step
from logger.reading import Floats

SIGMA = 5.670374419e-8


def series(depth: Floats, fourier: float, biot: float, terms: int = 60) -> Floats:
    """Plane wall, one face insulated (depth 1), the other in a fluid (depth 0): Incropera & DeWitt eq. 5.39.

    Gives (T - T_fluid) / (T_start - T_fluid); depth runs from the heated face.
    """
    total = np.zeros_like(depth)
    for n in range(terms):
        low, high = n * np.pi + 1e-9, (n + 0.5) * np.pi - 1e-9
        zeta = brentq(lambda z: z * np.tan(z) - biot, low, high)
        factor = 4 * np.sin(zeta) / (2 * zeta + np.sin(2 * zeta))
        total += factor * np.exp(-(zeta**2) * fourier) * np.cos(zeta * (1 - depth))
    return total


@pytest.mark.parametrize("biot", [0.05, 0.313, 1.0, 10.0])
def test_plane_wall_follows_the_series_solution(biot: float) -> None:
    wall = Wall(thickness_mm=8.0, diffusivity_mm2_s=0.5)
    points, dt = 33, 0.1
    film = biot * wall.conductivity_w_mk / (wall.thickness_mm / 1e3)
    outside = Face(gas_c=700.0, film_w_m2k=film)
    temperature = np.full((1, points), 20.0)
    for count in (128, 256, 640):
        temperature = np.full((1, points), 20.0)
        for _ in range(count):
            temperature = step(temperature, dt, wall, outside)
        fourier = count * dt / wall.diffusion_s
        expected = 700 + (20 - 700) * series(np.linspace(0, 1, points), fourier, biot)
        # Backward differences trail by about half a step: 680 °C x dt/2 over the time constant.
        np.testing.assert_allclose(temperature[0], expected, atol=2.0)


def test_worked_example_pipeline_wall() -> None:
    """Incropera & DeWitt, example 5.5 (5th edition), from memory: a steel wall of 40 mm, -20 °C, hot oil.

    Oil at 60 °C, k = 63.9 W/mK, density 7832 kg/m³, c = 434 J/kgK, h = 500 W/m²K, outer face insulated.
    After 8 min: Bi = 0.313, Fo = 5.64, insulated face 42.9 °C, oil's face 45.2 °C, flux -7400 W/m².
    """
    capacity = 7832 * 434 / 1e6
    steel = Wall(
        thickness_mm=40.0, diffusivity_mm2_s=63.9 / capacity, heat_capacity_mj_m3k=capacity, emissivity=0.1
    )
    assert steel.conductivity_w_mk == pytest.approx(63.9)
    t = np.arange(0, 480.5, 0.5)
    through = march(t, Face(gas_c=60.0, film_w_m2k=500.0), steel, [-20.0], points=17)
    assert through[-1, 0, -1] == pytest.approx(42.9, abs=0.2)
    assert through[-1, 0, 0] == pytest.approx(45.2, abs=0.2)
    assert 500 * (through[-1, 0, 0] - 60) == pytest.approx(-7400, rel=0.01)


def test_worked_example_burial_of_a_pipe() -> None:
    """Incropera & DeWitt, example 5.6 (5th edition), from memory: soil at 20 °C, surface at -15 °C.

    After 60 days, with 0.138 mm²/s the frost (0 °C) is 0.68 m deep. A wall of 4 m is as good as endless.
    """
    soil = Wall(thickness_mm=4000.0, diffusivity_mm2_s=0.138, heat_capacity_mj_m3k=2050 * 1840 / 1e6)
    t = np.arange(0, 60 * 24 + 1) * 3600.0
    through = march(t, Face(gas_c=-15.0, film_w_m2k=1e6), soil, [20.0], points=201)
    depth = np.linspace(0, 4, 201)
    assert float(np.interp(0.0, through[-1, 0], depth)) == pytest.approx(0.68, abs=0.01)


def test_semi_infinite_solid_with_convection() -> None:
    """Incropera & DeWitt eq. 5.60 (Carslaw and Jaeger, section 2.7)."""
    wall = Wall(thickness_mm=60.0, diffusivity_mm2_s=0.5)
    film, seconds = 60.0, 120.0
    dt = 0.25
    temperature = np.full(241, 20.0)
    for _ in range(int(seconds / dt)):
        temperature = step(temperature, dt, wall, Face(gas_c=800.0, film_w_m2k=film))
    x = np.linspace(0, 0.06, 241)
    spread = np.sqrt(0.5e-6 * seconds)
    hk = film / wall.conductivity_w_mk
    eta = x / (2 * spread)
    # exp(hx/k + h²at/k²) erfc(...) as erfcx, which does not overflow.
    share = erfc(eta) - np.exp(-(eta**2)) * erfcx(eta + hk * spread)
    np.testing.assert_allclose(temperature, 20 + 780 * share, atol=0.6)


def test_semi_infinite_solid_with_given_surface() -> None:
    """Incropera & DeWitt eq. 5.57: the error function."""
    wall = Wall(thickness_mm=60.0, diffusivity_mm2_s=0.5)
    temperature = np.full(241, 20.0)
    for _ in range(480):
        temperature = step(temperature, 0.25, wall, Face(gas_c=800.0, film_w_m2k=1e7))
    x = np.linspace(0, 0.06, 241)
    expected = 800 + (20 - 800) * erf(x / (2 * np.sqrt(0.5e-6 * 120)))
    np.testing.assert_allclose(temperature, expected, atol=1.0)


def test_radiation_cooling_of_a_thin_wall() -> None:
    """Lumped body radiating into the cold: Incropera & DeWitt eq. 5.19, t = ρcL/(3εσ) (1/T³ - 1/T0³)."""
    metal = Wall(thickness_mm=1.0, diffusivity_mm2_s=100.0, heat_capacity_mj_m3k=2.0, emissivity=0.8)
    t = np.arange(0, 120.01, 0.1)
    through = march(t, Face(glow_c=-273.15, view=1.0), metal, [900.0], points=3)
    kelvin0 = 900 + 273.15
    expected = (kelvin0**-3 + 3 * 0.8 * SIGMA * t / metal.areal_capacity_j_m2k) ** (-1 / 3) - 273.15
    np.testing.assert_allclose(through[:, 0, 1], expected, atol=1.0)


def test_both_faces_with_radiation_against_an_ode_solver() -> None:
    """The same cells handed to scipy's stiff solver; what is checked is the stepping and the radiation."""
    wall = Wall()
    outside = Face(gas_c=650.0, film_w_m2k=25.0, glow_c=820.0, view=0.8)
    inside = Face(gas_c=200.0, film_w_m2k=5.0, glow_c=300.0, view=0.4)
    points = 5
    dx = wall.thickness_mm / 1e3 / (points - 1)
    cell = np.full(points, 1.8e6 * dx)
    cell[[0, -1]] /= 2

    def rates(_: float, y: Floats) -> Floats:
        flow = wall.conductivity_w_mk / dx * -np.diff(y)
        heat = np.zeros(points)
        heat[:-1] -= flow
        heat[1:] += flow
        for at, face in ((0, outside), (-1, inside)):
            black = (face.glow_c + 273.15) ** 4 - (y[at] + 273.15) ** 4
            heat[at] += face.film_w_m2k * (face.gas_c - y[at]) + 0.92 * SIGMA * face.view * black
        return heat / cell

    solved = solve_ivp(rates, (0, 300), np.full(points, 20.0), method="LSODA", rtol=1e-8, atol=1e-6)
    temperature = np.full(points, 20.0)
    for _ in range(3000):
        temperature = step(temperature, 0.1, wall, outside, inside)
    np.testing.assert_allclose(temperature, solved.y[:, -1], atol=0.3)


@settings(max_examples=60, deadline=None)
@given(
    dt=st.floats(1e-3, 1e6),
    start=st.lists(st.floats(-50, 1200), min_size=2, max_size=9),
    gas=st.floats(-50, 1300),
    glow=st.floats(-50, 1300),
    film=st.floats(0, 500),
    view=st.floats(0, 1),
    thickness=st.floats(1, 30),
)
def test_no_step_leaves_the_span_of_what_there_is(
    dt: float, start: list[float], gas: float, glow: float, film: float, view: float, thickness: float
) -> None:
    """Stable at any step: a maximum principle, not only a bound on growth."""
    end = step(np.array(start), dt, Wall(thickness_mm=thickness), Face(gas, film, glow, view))
    assert end.min() >= min(*start, gas, glow) - 1e-6
    assert end.max() <= max(*start, gas, glow) + 1e-6


def test_insulated_wall_keeps_its_heat() -> None:
    start = np.array([800.0, 300.0, 100.0, 50.0])
    end = start
    for _ in range(50):
        end = step(end, 7.0, Wall(), INSULATED, INSULATED)
    assert profile(end, Wall()).mean_c == pytest.approx(profile(start, Wall()).mean_c)
    assert np.ptp(end) < 1.0


def test_zones_are_worked_out_apart() -> None:
    t = np.arange(0, 60.0)
    gas = np.array([200.0, 500.0, 900.0])
    together = march(t, Face(gas_c=gas, film_w_m2k=30.0, glow_c=gas, view=1.0), Wall(), [20.0, 30.0, 40.0])
    for i, start in enumerate((20.0, 30.0, 40.0)):
        alone = march(t, Face(gas_c=gas[i], film_w_m2k=30.0, glow_c=gas[i], view=1.0), Wall(), [start])
        np.testing.assert_allclose(together[:, i], alone[:, 0])


def test_steady_climb_has_the_parabola_of_the_closed_form() -> None:
    """Carslaw and Jaeger: surface rising at r, back insulated, T = surface - r/(2a) (L² - (L - x)²)."""
    wall = Wall(thickness_mm=7.0, diffusivity_mm2_s=0.45)
    rate = 90.0
    t = np.arange(0, 600.0)
    through = march(t, Face(gas_c=(20 + rate / 60 * t)[:, None], film_w_m2k=1e6), wall, [20.0], points=15)
    found = profile(through[-1], wall)
    lag = float(steady_lag_c(rate, wall))
    assert lag == pytest.approx(1.5 * 49 / 0.45 / 2)
    assert found.inside_lag_c[0] == pytest.approx(lag, rel=0.01)
    assert -found.surface_strain_c[0] == pytest.approx(lag * 2 / 3, rel=0.01)
    # Steepest at the heated face: r L / a, half a spacing short of it here.
    assert found.steepest_c_mm[0] == pytest.approx(1.5 * 7 / 0.45, rel=0.05)


def test_cooling_pulls_the_surface_and_heating_presses_it() -> None:
    hot_surface = profile(np.array([700.0, 650.0, 600.0]), Wall())
    assert hot_surface.surface_stress_mpa() < 0
    cold_surface = profile(np.array([600.0, 650.0, 700.0]), Wall())
    # By hand: E α / (1 - ν) x 50 K = 10e3 MPa x 6e-6 / 0.8 x 50 = 3.75 MPa.
    assert float(cold_surface.surface_stress_mpa()) == pytest.approx(3.75)


def test_what_makes_no_wall_is_refused() -> None:
    with pytest.raises(ValueError, match="thickness_mm"):
        Wall(thickness_mm=0.0)
    with pytest.raises(ValueError, match="at least 2"):
        step(np.array([20.0]), 1.0, Wall(), INSULATED)
    with pytest.raises(ValueError, match="above 0"):
        step(np.array([20.0, 20.0]), 0.0, Wall(), INSULATED)
