"""How sure each reading is: the band that holds the true temperature where it is read, nine times in ten.

Combined from its causes as in the GUM (`logger.physics.uncertainty`): tolerance class, ageing, amplifier,
cold junction, lag. How that temperature relates to the pots is the estimate's business, not this one's.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Final

import numpy as np

from logger.physics.uncertainty import COVERAGE_90, combined_c, infrared_budget, thermocouple_budget
from logger.plan import Probe, Reads
from logger.reading import Floats

LAG_S: Final[dict[Reads, float]] = {"air": 9.0, "coals": 9.0, "wall": 6.0, "surface": 1.0}
"""Time constant of a sheathed probe that nobody has measured (common practice, no source). [s]"""

_GRID_C: Final = np.arange(-100.0, 1801.0, 10.0)
_K: Final = COVERAGE_90


class ReadingBand:
    """How sure one probe's readings are."""

    def __init__(self, probe: Probe) -> None:
        self._still_c = _still_c(probe.letter, probe.tolerance_class, probe.reads == "surface")
        # A lag that isn't corrected is an error of known size: a limit, with a rectangle's √3.
        self._lag_s = LAG_S[probe.reads] / math.sqrt(3.0)

    def at(self, temperature_c: float, rate_c_s: float) -> float:
        """Half the 90 % band's width [°C]."""
        still_c = float(np.interp(temperature_c, _GRID_C, self._still_c))
        return _K * math.hypot(still_c, rate_c_s * self._lag_s)


@lru_cache(maxsize=64)
def _still_c(letter: str | None, tolerance_class: int, surface: bool) -> Floats:
    """Standard uncertainty of a steady reading, over the grid. [°C]."""
    if surface and letter is None:
        return combined_c(infrared_budget(_GRID_C))
    u = combined_c(thermocouple_budget(_GRID_C, letter=letter, tolerance_class=tolerance_class))
    known = np.isfinite(u)  # beyond the letter's range: as at its end
    return np.asarray(np.interp(_GRID_C, _GRID_C[known], u[known]), dtype=np.float64)
