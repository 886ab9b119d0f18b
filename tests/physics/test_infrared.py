"""Checks of the infrared physics against published tables and general-purpose libraries."""

from __future__ import annotations

import astropy.units as u
import numpy as np
import pytest
import scipy.constants
from astropy.modeling.physical_models import BlackBody
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from logger.physics import infrared
from logger.physics.uncertainty import U_EMISSIVITY, infrared_budget
from tests.physics.gun import apparent_c

# Incropera & DeWitt, Fundamentals of Heat and Mass Transfer, table 12.1 (blackbody radiation functions):
# T [K], F(0 -> 8 µm T), F(0 -> 14 µm T). From memory. The table was worked out with c2 = 14388 µm K and the σ of
# its day: the same function in today's constants differs by up to 6 in the fifth decimal.
INCROPERA_TABLE_12_1 = [(500, 0.480877, 0.808109), (1000, 0.856288, 0.962898)]


@pytest.mark.parametrize(("kelvin", "below", "up_to"), INCROPERA_TABLE_12_1)
def test_the_bands_share_matches_the_handbook_table(kelvin: float, below: float, up_to: float) -> None:
    whole = scipy.constants.Stefan_Boltzmann * kelvin**4 / np.pi
    share = float(infrared.radiance(kelvin - 273.15)) / whole
    assert share == pytest.approx(up_to - below, rel=0, abs=6e-5)


def test_constants_are_those_of_codata() -> None:
    assert pytest.approx(scipy.constants.Stefan_Boltzmann, rel=1e-9) == infrared.STEFAN_BOLTZMANN
    second = scipy.constants.h * scipy.constants.c / scipy.constants.k * 1e6
    assert pytest.approx(second, rel=1e-9) == infrared.SECOND_RADIATION_UM_K
    first = 2 * scipy.constants.h * scipy.constants.c**2 * 1e24
    assert pytest.approx(first, rel=1e-9) == infrared.FIRST_RADIATION_W_UM4


@pytest.mark.slow
@pytest.mark.parametrize("temperature_c", [-100.0, -40.0, 20.0, 100.0, 380.0, 573.0, 800.0, 1100.0, 2500.0])
def test_band_radiance_matches_astropys_black_body(temperature_c: float) -> None:
    """The reference is astropy's Planck function, summed over the band by scipy's quadrature."""
    body = BlackBody(temperature=(temperature_c + 273.15) * u.K, scale=1 * u.W / (u.m**2 * u.um * u.sr))
    reference, _ = quad(lambda um: body(um * u.um).value, *infrared.BAND_UM, epsrel=1e-10)
    assert float(infrared.radiance(temperature_c)) == pytest.approx(reference, rel=1e-6)


def test_inverse_and_slope() -> None:
    temperature = np.linspace(-90, 2400, 997)
    back = infrared.temperature_c(infrared.radiance(temperature))
    np.testing.assert_allclose(back, temperature, rtol=0, atol=1e-5)
    step = (infrared.radiance(temperature + 0.01) - infrared.radiance(temperature - 0.01)) / 0.02
    warm = temperature > 100
    np.testing.assert_allclose(infrared.radiance_slope(temperature)[warm], step[warm], rtol=1e-6)


def test_inverse_of_nonsense_is_nan() -> None:
    found = infrared.temperature_c([-1.0, 0.0, np.nan, 1e9, 1000.0])
    assert np.isnan(found[:4]).all()
    assert np.isfinite(found[4])


@given(
    surface=st.floats(50, 1200),
    surroundings=st.floats(-20, 300),
    emissivity=st.floats(0.5, 1.0),
    told=st.floats(0.5, 1.0),
    assumed=st.floats(-20, 60),
)
def test_correction_undoes_what_the_thermometer_does(
    surface: float, surroundings: float, emissivity: float, told: float, assumed: float
) -> None:
    settings = {
        "emissivity": emissivity,
        "set_emissivity": told,
        "surroundings_c": surroundings,
        "assumed_c": assumed,
    }
    reading = float(apparent_c(surface, **settings))
    if np.isnan(reading):  # below what the thermometer's own settings can explain
        return
    assert float(infrared.corrected_c(reading, **settings)) == pytest.approx(surface, abs=1e-3)


def test_directions() -> None:
    """A formula turned upside down would pass a round trip, but not this."""
    assert infrared.corrected_c(700.0, emissivity=0.90, set_emissivity=0.95) > 700
    assert infrared.corrected_c(700.0, emissivity=0.98, set_emissivity=0.95) < 700
    cool = infrared.corrected_c(700.0, emissivity=0.90, set_emissivity=0.90, surroundings_c=20.0)
    hot = infrared.corrected_c(700.0, emissivity=0.90, set_emissivity=0.90, surroundings_c=800.0)
    assert float(cool) == pytest.approx(700.0, abs=1e-5)
    assert hot < cool


def test_a_wall_inside_a_fire_of_its_own_temperature_looks_black() -> None:
    """In an isothermal enclosure emissivity doesn't matter (Kirchhoff)."""
    seen = apparent_c(650.0, emissivity=[0.6, 0.8, 0.95], set_emissivity=1.0, surroundings_c=650.0)
    np.testing.assert_allclose(seen, 650.0, atol=1e-5)


@pytest.mark.parametrize("surface_c", [100.0, 400.0, 800.0])
def test_sensitivities_are_the_slopes_of_the_correction(surface_c: float) -> None:
    seen = apparent_c(surface_c, emissivity=0.92, set_emissivity=0.95, surroundings_c=60.0)

    def found(emissivity: float, surroundings: float) -> float:
        return float(
            infrared.corrected_c(
                seen, emissivity=emissivity, set_emissivity=0.95, surroundings_c=surroundings
            )
        )

    slope = (found(0.921, 60) - found(0.919, 60)) / 0.2
    budget = infrared_budget(surface_c, emissivity=0.92, surroundings_c=60.0, u_surroundings_c=1.0)
    assert float(budget["emissivity"]) == pytest.approx(abs(slope) * 100 * U_EMISSIVITY, rel=1e-4)
    slope = (found(0.92, 60.5) - found(0.92, 59.5)) / 1.0
    assert float(budget["reflection"]) == pytest.approx(abs(slope), rel=1e-3)


@pytest.mark.parametrize("emissivity", [0.0, -0.1, 1.01, np.nan])
def test_impossible_emissivity_is_refused(emissivity: float) -> None:
    with pytest.raises(ValueError, match="above 0 and at most 1"):
        infrared.corrected_c(500.0, emissivity=emissivity)
    with pytest.raises(ValueError, match="above 0 and at most 1"):
        infrared.corrected_c(500.0, emissivity=0.9, set_emissivity=emissivity)
