"""A reading's standard uncertainty, combined from its causes.

.. [1] JCGM 100:2008, Guide to the expression of uncertainty in measurement (GUM): combination 5.1.2,
   rectangular limits 4.3.7, coverage factors table G.1.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from logger.physics import infrared
from logger.physics.thermocouple import slope_uv_per_c, tolerance_c
from logger.reading import Floats

COVERAGE_90: Final = 1.645
"""Coverage factor of a normal distribution at a level of confidence of 90 % [1]_, table G.1."""

DRIFT_FROM_C: Final = 800.0
U_EMISSIVITY: Final = 0.02
INSTRUMENT_SHARE: Final = 0.02
Causes = dict[str, Floats]
"""Standard uncertainties by cause, independent of one another: arrays of the reading's shape [°C]."""


def combined_c(causes: Causes) -> Floats:
    """Root of the sum of squares [1]_, 5.1.2. [°C]."""
    combined: Floats = np.sqrt(sum(np.square(u) for u in causes.values()))
    return combined


def from_limits(half_width: ArrayLike) -> Floats:
    """Standard uncertainty of a value known only to be within ± a limit: ``a / √3`` [1]_, 4.3.7."""
    u: Floats = np.asarray(half_width, dtype=np.float64) / np.sqrt(3)
    return u


def thermocouple_budget(
    temperature_c: ArrayLike,
    *,
    letter: str | None = "K",
    tolerance_class: int = 2,
    amplifier_limit_c: ArrayLike = 2.0,
    cold_junction_limit_c: float = 2.0,
    cold_junction_c: float = 25.0,
) -> Causes:
    """Uncertainty of a thermocouple's reading as the temperature where its bead is.

    Causes `class`, `drift`, `amplifier`, `cold_junction`; the probe's lag, and how that place relates to the
    clay, are not included. No `letter` means a channel that delivers plain °C, without tolerance or cold
    junction. Outside the range of the IEC 60584-1 class, its value at the nearest end is used.

    The tolerance, the amplifier's stated accuracy and the cold junction at the terminals are limits (±), so
    rectangular. The cold junction's share is weighted by the ratio of the Seebeck coefficients there and
    here. Type K and its kin drift above 800 °C and in smoke: half a per cent of the reading is included as a
    limit there (from memory; ageing can be worse).
    """
    reading = np.asarray(temperature_c, dtype=np.float64)
    still = np.zeros(reading.shape)
    causes = {"amplifier": from_limits(amplifier_limit_c) + still}
    if letter is not None:
        causes["class"] = from_limits(tolerance_c(letter, tolerance_class, reading)) + still
        drifts = (reading > DRIFT_FROM_C) & (letter in ("E", "J", "K", "N", "T"))
        causes["drift"] = from_limits(np.where(drifts, 0.005 * reading, 0.0)) + still
        here = slope_uv_per_c(letter, reading)
        share = slope_uv_per_c(letter, np.asarray(cold_junction_c, dtype=np.float64)) / here
        causes["cold_junction"] = from_limits(cold_junction_limit_c * np.abs(share)) + still
    return causes


def infrared_budget(
    surface_c: ArrayLike,
    *,
    emissivity: float = 0.92,
    surroundings_c: ArrayLike = 20.0,
    u_surroundings_c: float = 30.0,
    instrument_limit_c: float = 2.0,
    aim_c: float = 8.0,
) -> Causes:
    """Uncertainty of a corrected infrared reading (`infrared.corrected_c`) as the surface's temperature.

    Causes `instrument`, `emissivity`, `reflection`, `aim`; flame, smoke or ash in the way are not included.
    `u_surroundings_c` is a standard uncertainty, as `U_EMISSIVITY` is; `surroundings_c` is what the surface
    reflects; the instrument's stated accuracy is ± the greater of its limit and a share of the reading;
    `aim_c` is the standard deviation between two shots at the same place (common practice, no source).
    """
    surface = np.asarray(surface_c, dtype=np.float64)
    around = np.asarray(surroundings_c, dtype=np.float64)
    # The same signal is seen if ε L(surface) + (1 - ε) L(around) stays, whichever of the others moves.
    slope = emissivity * infrared.radiance_slope(surface)
    excess = infrared.radiance(surface) - infrared.radiance(around)
    reflected = (1 - emissivity) * infrared.radiance_slope(around)
    limit = np.maximum(instrument_limit_c, INSTRUMENT_SHARE * np.abs(surface))
    return {
        "instrument": from_limits(limit),
        "emissivity": np.abs(excess / slope) * U_EMISSIVITY,
        "reflection": reflected / slope * u_surroundings_c,
        "aim": np.full(surface.shape, aim_c),
    }
