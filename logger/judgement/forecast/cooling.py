"""When a cooling zone will be down to a temperature, by Newton's law with a film that weakens as it cools.

F. P. Incropera and D. P. DeWitt, Fundamentals of Heat and Mass Transfer, Wiley: lumped capacitance, radiation
heat transfer coefficient.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np

from logger.judgement.trend import SLOW_EVERY_S
from logger.physics.infrared import KELVIN, STEFAN_BOLTZMANN
from logger.reading import Floats

AMBIENT_C: Final = 15.0
LEAST_ROWS: Final = 13
_FALLING_ROWS: Final = 36
_LEAST_FALL_C_PER_MIN: Final = 0.2
_LONGEST_S: Final = 12 * 3600.0
# Errors of the logarithm of the time to cool: larger early on, while embers still give off heat.
_ERROR: Final = 0.35
_EMBERS_ERROR: Final = 0.6


def film_w_m2k(temperature_c: Any) -> Any:
    """Heat exchange of a body with surroundings at nearly its own temperature [W/m²K].

    Convection, 12 W/m²K (free convection and a light wind), and radiation, 4 ε σ T³ with ε = 0.9.
    """
    return 12.0 + 4.0 * 0.9 * STEFAN_BOLTZMANN * (temperature_c + KELVIN) ** 3


def cooling_s(
    past_c: Floats, temperature_c: float, ambient_c: float = AMBIENT_C
) -> tuple[float, float, float] | None:
    """When a cooling zone will be down to a temperature: early, middle and late [s].

    None if it isn't falling, is there already, or won't be within half a day. `past_c` (n,) is its level
    every `SLOW_EVERY_S`, the newest last.

    ``dT/dt = -k (T - Ta) sqrt(h(T) / h(T0))``, k from a line through the logarithm of the last three minutes;
    h is convection and radiation. The square root allows for the embers and ground that cool along with the
    zone: they lose heat by convection and conduction more than by radiation.
    """
    past = past_c[np.isfinite(past_c)][-_FALLING_ROWS:]
    if len(past) < LEAST_ROWS or temperature_c <= ambient_c + 1.0 or past[-1] <= temperature_c:
        return None
    t = (np.arange(len(past)) - (len(past) - 1)) * float(SLOW_EVERY_S)
    log = np.log(np.maximum(past - ambient_c, 1.0))
    centred = t - t.mean()
    slope = float(centred @ log / (centred @ centred))
    now_c = float(past[-1])
    if slope * (now_c - ambient_c) * 60.0 > -_LEAST_FALL_C_PER_MIN:
        return None
    rest = log - log.mean() - slope * centred
    # Levels overlap by fifteen seconds: only a third of them count.
    u_slope = math.sqrt(3.0 * float(rest @ rest) / max(len(past) / 3.0 - 2.0, 1.0) / float(centred @ centred))
    grid = np.linspace(temperature_c, now_c, 50)
    pace = (grid - ambient_c) * np.sqrt(film_w_m2k(grid) / film_w_m2k(now_c))
    seconds = float(np.trapezoid(1.0 / pace, grid)) / -slope
    error = _ERROR + _EMBERS_ERROR * (temperature_c - ambient_c) / (now_c - ambient_c)
    factor = math.exp(math.hypot(error, 1.28 * u_slope / -slope))
    if seconds > _LONGEST_S:
        return None
    return seconds / factor, seconds, seconds * factor
