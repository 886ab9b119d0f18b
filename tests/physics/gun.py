"""What an infrared thermometer shows of a surface: the law forwards, where the product only needs its inverse."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from logger.physics.infrared import LONG_INFRARED, radiance, temperature_c
from logger.reading import Floats


def apparent_c(
    surface_c: ArrayLike,
    *,
    emissivity: ArrayLike,
    set_emissivity: float = 0.95,
    surroundings_c: ArrayLike = 20.0,
    assumed_c: float = 20.0,
) -> Floats:
    """Parameters as those of `infrared.corrected_c`; [°C] in and out."""

    def glow(c: ArrayLike) -> Floats:
        return radiance(c, LONG_INFRARED)

    true = np.asarray(emissivity, np.float64)
    signal = true * glow(surface_c) + (1 - true) * glow(surroundings_c)
    return temperature_c((signal - (1 - set_emissivity) * glow(assumed_c)) / set_emissivity, LONG_INFRARED)
