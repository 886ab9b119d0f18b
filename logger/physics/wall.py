"""Heat through a pot's wall that warms or cools steadily from outside.

A pot's wall is thin compared with the pot, so heat goes straight through it. What strains the clay is not the
rate of a reading but the difference between its face and its inside.

.. [1] H. S. Carslaw and J. C. Jaeger, Conduction of Heat in Solids, Oxford 1959.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from logger.reading import Floats


@dataclass(frozen=True, slots=True)
class Wall:
    """A wall's properties. The defaults are those of a low-fired, porous earthenware."""

    thickness_mm: float = 7.0  # open-fired pots have 4 to 10 (common practice, no source). [mm]
    diffusivity_mm2_s: float = 0.5  # fired clay, 0.4 to 0.6 (from memory). [mm²/s]
    # density times specific heat, about 1.8 g/cm³ × 1.0 kJ/(kg K) (from memory). [MJ/(m³ K)]
    heat_capacity_mj_m3k: float = 1.8
    emissivity: float = 0.92  # 0.90 to 0.95 for fired clay (from memory)

    @property
    def areal_capacity_j_m2k(self) -> float:
        """Heat that warms a square metre of it by one degree. [J/(m² K)]."""
        return self.thickness_mm * 1e3 * self.heat_capacity_mj_m3k

    @property
    def diffusion_s(self) -> float:
        """Thickness squared over diffusivity. [s]."""
        return self.thickness_mm**2 / self.diffusivity_mm2_s


def steady_lag_c(rate_c_min: ArrayLike, wall: Wall) -> Floats:
    """How far, in °C, the inner face trails the outer when the wall warms steadily from outside.

    ``r L² / (2 a)`` for an insulated inner face, once the start has faded (after some L²/(2 a)) [1]_. The
    surface is ``r L² / (3 a)`` from the mean. A 7 mm wall at 60 °C a minute:

    >>> round(float(steady_lag_c(60.0, Wall())), 1)
    49.0
    """
    return np.asarray(rate_c_min, dtype=np.float64) / 60.0 * wall.diffusion_s / 2


def steady_steepest_c_mm(rate_c_min: ArrayLike, wall: Wall) -> Floats:
    """Steepest gradient [°C/mm] in a wall that warms or cools steadily from outside: at its face, unsigned.

    ``r L / a`` for an insulated inner face: the heat flowing in through the face warms everything behind it
    [1]_. A 7 mm wall at 60 °C a minute:

    >>> round(float(steady_steepest_c_mm(60.0, Wall())), 1)
    14.0
    """
    rate = np.abs(np.asarray(rate_c_min, dtype=np.float64)) / 60.0
    return rate * wall.thickness_mm / wall.diffusivity_mm2_s
