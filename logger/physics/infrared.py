"""What an infrared thermometer sees: Planck's law over its band, emissivity, and reflections.

An 8-14 µm thermometer turns the radiance of a spot into a temperature, using the emissivity it is set to. The
spot sends out its own glow, weakened by its emissivity, and reflects that of its surroundings. If both are
known, the reading can be corrected; flame, smoke and ash in the way can't be.

.. [1] R. Siegel and J. R. Howell, Thermal Radiation Heat Transfer, McGraw-Hill (Planck's law).
.. [2] F. P. Incropera and D. P. DeWitt, Fundamentals of Heat and Mass Transfer, Wiley, chapter 12 and
   table 12.1.
.. [3] E. Tiesinga, P. J. Mohr, D. B. Newell and B. N. Taylor, CODATA recommended values of the fundamental
   physical constants: 2018. Exact since the SI of 2019: h, c, k.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from logger.reading import Floats

KELVIN: Final = 273.15
STEFAN_BOLTZMANN: Final = 5.670374419e-8  # W/(m² K⁴) [3]
FIRST_RADIATION_W_UM4: Final = 1.191042972e8  # 2 h c², W µm⁴/(m² sr) [3]
SECOND_RADIATION_UM_K: Final = 14387.76877  # h c / k, µm K [3]

BAND_UM: Final = (8.0, 14.0)
"""The band of nearly every hand-held gun and hobby chip: the window in which air is clear. [µm]"""
COLDEST_C: Final = -100.0
HOTTEST_C: Final = 2500.0
"""Ends of the inverse's table: far beyond any fire on both sides."""

# Planck's law is so smooth in the band that Gauss's rule gives the integral to 1e-12 from 24 values.
_NODES, _SHARES = np.polynomial.legendre.leggauss(24)
_HALF_UM = (BAND_UM[1] - BAND_UM[0]) / 2
_UM = BAND_UM[0] + _HALF_UM * (1 + _NODES)
_WEIGHTS = FIRST_RADIATION_W_UM4 * _HALF_UM * _SHARES / _UM**5


def radiance(temperature_c: ArrayLike) -> Floats:
    """Radiance [W/(m² sr)] of a black body above -273.15 °C within the band; NaN if the temperature is NaN.

    ``∫ c1 / λ⁵ / (exp(x) - 1) dλ`` with ``x = c2 / (λT)`` [1]_.
    """
    found: Floats = (_WEIGHTS / np.expm1(_exponent(temperature_c))).sum(axis=-1)
    return found


def radiance_slope(temperature_c: ArrayLike) -> Floats:
    """Change of a black body's radiance with temperature, in W/(m² sr K)."""
    x = _exponent(temperature_c)
    found: Floats = (_WEIGHTS / np.expm1(x) * x / -np.expm1(-x)).sum(axis=-1)
    return found / (np.asarray(temperature_c, dtype=np.float64) + KELVIN)


def _exponent(temperature_c: ArrayLike) -> Floats:
    kelvin = np.asarray(temperature_c, dtype=np.float64)[..., None] + KELVIN
    return np.minimum(SECOND_RADIATION_UM_K / (_UM * kelvin), 700.0)


_INVERSE_K: Final = np.linspace(1 / (COLDEST_C + KELVIN), 1 / (HOTTEST_C + KELVIN), 1024)
_LOGS: Final = np.log(radiance(1 / _INVERSE_K - KELVIN))


def temperature_c(radiance_w_m2_sr: ArrayLike) -> Floats:
    """Temperature of the black body with a given radiance in the band, from -100 to 2500 °C, else NaN.

    ``ln L`` is nearly linear in ``1/T``: a table gives the starting value, one Newton step the rest; the
    error stays below 1e-6 °C.
    """
    wanted = np.asarray(radiance_w_m2_sr, dtype=np.float64)
    with np.errstate(invalid="ignore", divide="ignore"):
        log = np.log(np.where(wanted > 0, wanted, np.nan))
        start = 1 / np.interp(log, _LOGS, _INVERSE_K, left=np.nan, right=np.nan) - KELVIN
        return start + (wanted - radiance(start)) / radiance_slope(start)


def corrected_c(
    reading_c: ArrayLike,
    *,
    emissivity: ArrayLike,
    set_emissivity: ArrayLike = 0.95,
    surroundings_c: ArrayLike = 20.0,
    assumed_c: ArrayLike | None = None,
) -> Floats:
    """Temperature of the surface behind a thermometer's reading.

    `emissivity` is the surface's own, `set_emissivity` the thermometer's setting. `surroundings_c` is what
    the surface reflects: the open air, or the fire's other side; `assumed_c` is what the thermometer assumes
    for that (usually its own temperature), 20 if left out. NaN if the reflection alone exceeds what was seen,
    or the answer is outside -100 to 2500 °C. ValueError: an emissivity isn't above 0 and at most 1.

    The signal is ``S = ε_set L(reading) + (1 - ε_set) L(assumed)``; the surface solves
    ``S = ε L(T) + (1 - ε) L(surroundings)``. The surface is assumed grey and diffuse within the band.

    A gun left at 0.95 reads 700 °C from clay of 0.90 facing open air:

    >>> round(float(corrected_c(700.0, emissivity=0.90)), 1)
    727.1
    """
    true, told = _emissivity(emissivity), _emissivity(set_emissivity)
    assumed = radiance(20.0 if assumed_c is None else assumed_c)
    signal = told * radiance(reading_c) + (1 - told) * assumed
    return temperature_c((signal - (1 - true) * radiance(surroundings_c)) / true)


def _emissivity(value: ArrayLike) -> Floats:
    emissivity = np.asarray(value, dtype=np.float64)
    if not ((emissivity > 0) & (emissivity <= 1)).all():
        raise ValueError(f"emissivity {value!r} must be above 0 and at most 1")
    return emissivity
