"""What an infrared thermometer sees: Planck's law over its band, emissivity, and what the surface reflects.

A thermometer of the 8-14 µm kind turns the radiance of a spot into a temperature with the emissivity it is
set to. The spot sends out its own glow, weakened by its emissivity, and reflects its surroundings'. Given
both, the reading can be put right; flame, smoke and ash in the way can't.

.. [1] R. Siegel and J. R. Howell, Thermal Radiation Heat Transfer, McGraw-Hill (fraction of a black body's
   emission between 0 and λT, and its series).
.. [2] F. P. Incropera and D. P. DeWitt, Fundamentals of Heat and Mass Transfer, Wiley, chapter 12 and
   table 12.1.
.. [3] E. Tiesinga, P. J. Mohr, D. B. Newell and B. N. Taylor, CODATA recommended values of the fundamental
   physical constants: 2018. Exact since the SI of 2019: h, c, k.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from logger.reading import Floats

KELVIN: Final = 273.15
STEFAN_BOLTZMANN: Final = 5.670374419e-8  # W/(m² K⁴) [3]
SECOND_RADIATION_UM_K: Final = 14387.76877  # h c / k, µm K [3]

COLDEST_C: Final = -100.0
HOTTEST_C: Final = 2500.0
"""Ends of the table that the inverse looks in: far beyond any fire on both sides."""


@dataclass(frozen=True, slots=True)
class Band:
    """The wavelengths an instrument sees."""

    # low_um, high_um: [µm]
    low_um: float
    high_um: float


LONG_INFRARED: Final = Band(8.0, 14.0)
"""Nearly every hand-held gun and hobby chip: the window in which air is clear."""
FULL: Final = Band(0.0, float("inf"))


def fraction_below(lambda_t_um_k: ArrayLike) -> Floats:
    """Share of a black body's emission that lies below a wavelength, within 1e-9.

    The argument, wavelength times absolute temperature, is 0 or more; infinity is allowed. With ``x = c2 /
    (λT)``: ``15/π⁴ Σ exp(-n x)/n (x³ + 3x²/n + 6x/n² + 6/n³)`` [1]_; below x = 1, where that takes many
    terms, one minus the power series of the rest.
    """
    lambda_t = np.asarray(lambda_t_um_k, dtype=np.float64)
    with np.errstate(divide="ignore"):
        x = np.minimum(SECOND_RADIATION_UM_K / lambda_t, 700.0)
    # Short waves: exp(-n x) falls by e a term at least, so 24 terms leave 1e-11.
    far = np.maximum(x, 1.0)
    decay = np.exp(-far)
    power = np.ones_like(far)
    total = np.zeros_like(far)
    for n in range(1, 25):
        power *= decay
        total += power / n * (((far + 3 / n) * far + 6 / n**2) * far + 6 / n**3)
    near = np.minimum(x, 1.0)
    square = near * near
    # Bernoulli numbers of x / (e^x - 1), integrated term by term against x².
    rest = near**3 * (
        1 / 3
        - near / 8
        + square * (1 / 60 - square * (1 / 5040 - square * (1 / 272160 - square * (1 / 13305600))))
    )
    scale = 15 / np.pi**4
    fraction: Floats = np.where(x >= 1.0, scale * total, 1 - scale * rest)
    return fraction


def radiance(temperature_c: ArrayLike, band: Band = LONG_INFRARED) -> Floats:
    """Radiance [W/(m² sr)] of a black body above -273.15 °C within a band; NaN where the temperature is."""
    kelvin = np.asarray(temperature_c, dtype=np.float64) + KELVIN
    full: Floats = STEFAN_BOLTZMANN / np.pi * kelvin**4
    if band == FULL:
        return full
    share = fraction_below(band.high_um * kelvin) - fraction_below(band.low_um * kelvin)
    return full * share


def radiance_slope(temperature_c: ArrayLike, band: Band = LONG_INFRARED) -> Floats:
    """Change of a black body's radiance with temperature, in W/(m² sr K).

    From ``L = σT⁴/π (F(λ₂T) - F(λ₁T))`` with ``dF/d(λT) = 15/π⁴ x⁵/c2 / (exp(x) - 1)``.
    """
    kelvin = np.asarray(temperature_c, dtype=np.float64) + KELVIN
    slope: Floats = 4 * radiance(temperature_c, band) / kelvin
    for wavelength, sign in ((band.high_um, 1.0), (band.low_um, -1.0)):
        if 0 < wavelength < np.inf:
            x = SECOND_RADIATION_UM_K / (wavelength * kelvin)
            density = 15 / np.pi**4 * x**5 / SECOND_RADIATION_UM_K / np.expm1(np.minimum(x, 700.0))
            slope = slope + sign * STEFAN_BOLTZMANN / np.pi * kelvin**4 * density * wavelength
    return slope


def temperature_c(radiance_w_m2_sr: ArrayLike, band: Band = LONG_INFRARED) -> Floats:
    """Temperature of the black body that has a given radiance within a band, from -100 to 2500 °C, else NaN.

    ``ln L`` is nearly straight in ``1/T``: a table gives the start, one Newton step the rest; the error stays
    below 1e-6 °C.
    """
    wanted = np.asarray(radiance_w_m2_sr, dtype=np.float64)
    if band == FULL:
        with np.errstate(invalid="ignore"):
            kelvin = (np.where(wanted > 0, wanted, np.nan) * np.pi / STEFAN_BOLTZMANN) ** 0.25
        found: Floats = kelvin - KELVIN
        return np.where((found >= COLDEST_C) & (found <= HOTTEST_C), found, np.nan)
    logs, inverse = _table(band)
    with np.errstate(invalid="ignore", divide="ignore"):
        log = np.log(np.where(wanted > 0, wanted, np.nan))
        start = 1 / np.interp(log, logs, inverse, left=np.nan, right=np.nan) - KELVIN
        return start + (wanted - radiance(start, band)) / radiance_slope(start, band)


@lru_cache(maxsize=8)
def _table(band: Band) -> tuple[Floats, Floats]:
    inverse = np.linspace(1 / (COLDEST_C + KELVIN), 1 / (HOTTEST_C + KELVIN), 1024)
    return np.log(radiance(1 / inverse - KELVIN, band)), inverse


def corrected_c(
    reading_c: ArrayLike,
    *,
    emissivity: ArrayLike,
    set_emissivity: ArrayLike = 0.95,
    surroundings_c: ArrayLike = 20.0,
    assumed_c: ArrayLike | None = None,
    band: Band = LONG_INFRARED,
) -> Floats:
    """Temperature of the surface behind a thermometer's reading.

    `emissivity` is the surface's own, `set_emissivity` what the thermometer is set to. `surroundings_c` is
    what the surface reflects: the open air, or the fire's other side; `assumed_c` what the thermometer takes
    that to be (most take their own temperature), 20 if left out. NaN where the reflection alone is more than
    what was seen, or the answer lies outside -100 to 2500 °C. ValueError: an emissivity is not above 0 and at
    most 1.

    The signal is ``S = ε_set L(reading) + (1 - ε_set) L(assumed)``; the surface solves
    ``S = ε L(T) + (1 - ε) L(surroundings)``. The surface is taken as grey and diffuse within the band.

    A gun left at 0.95 reads 700 °C from clay of 0.90 that faces open air:

    >>> round(float(corrected_c(700.0, emissivity=0.90)), 1)
    727.1
    """
    true, told = _emissivity(emissivity), _emissivity(set_emissivity)
    assumed = radiance(20.0 if assumed_c is None else assumed_c, band)
    signal = told * radiance(reading_c, band) + (1 - told) * assumed
    return temperature_c((signal - (1 - true) * radiance(surroundings_c, band)) / true, band)


def emissivity_sensitivity_c(
    surface_c: ArrayLike,
    *,
    emissivity: ArrayLike,
    surroundings_c: ArrayLike = 20.0,
    band: Band = LONG_INFRARED,
) -> Floats:
    """How far the surface's temperature moves when its emissivity is taken 0.01 higher, the signal the same.

    Negative where the surface is hotter than what it reflects. ValueError: an emissivity is not above 0 and
    at most 1.
    """
    true = _emissivity(emissivity)
    excess = radiance(surface_c, band) - radiance(surroundings_c, band)
    return -0.01 * excess / (true * radiance_slope(surface_c, band))


def surroundings_sensitivity(
    surface_c: ArrayLike,
    *,
    emissivity: ArrayLike,
    surroundings_c: ArrayLike,
    band: Band = LONG_INFRARED,
) -> Floats:
    """How far the surface's temperature moves for each °C that the surroundings are taken hotter: 0 or less.

    ValueError: an emissivity is not above 0 and at most 1.
    """
    true = _emissivity(emissivity)
    return -(1 - true) / true * radiance_slope(surroundings_c, band) / radiance_slope(surface_c, band)


def _emissivity(value: ArrayLike) -> Floats:
    emissivity = np.asarray(value, dtype=np.float64)
    if not ((emissivity > 0) & (emissivity <= 1)).all():
        raise ValueError(f"emissivity {value!r} must be above 0 and at most 1")
    return emissivity
