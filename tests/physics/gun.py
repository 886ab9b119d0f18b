"""What an infrared gun shows for a surface: the law forwards, where the product needs only its inverse."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from logger.physics.infrared import radiance, temperature_c
from logger.reading import Floats


def apparent_c(
    surface_c: ArrayLike,
    *,
    emissivity: ArrayLike,
    set_emissivity: float = 0.95,
    surroundings_c: ArrayLike = 20.0,
    assumed_c: float = 20.0,
) -> Floats:
    """Parameters as for `infrared.corrected_c`; [°C] in and out."""

    true = np.asarray(emissivity, np.float64)
    signal = true * radiance(surface_c) + (1 - true) * radiance(surroundings_c)
    return temperature_c((signal - (1 - set_emissivity) * radiance(assumed_c)) / set_emissivity)
