"""When a probe that was off is believed again: it has long been near the others, and gone with them."""

from __future__ import annotations

from typing import Final

import numpy as np

from logger.judgement.trend import Bools
from logger.reading import Floats

AGREES_S: Final = 300
"""It must have been near them for so long, [s]"""
AGREES_C: Final = 60.0
"""and gone with them while they went by so much: what drifts where the others happen to be does not. [°C]"""


class Agreement:
    """Watches k probes, second by second."""

    def __init__(self, k: int) -> None:
        self.back_s: Floats = np.zeros(k)
        self.back_c: Floats = np.full((2, k), np.nan)

    def reached(self, asked: Bools, value_c: Floats, around_c: Floats) -> Bools:
        """Tell which are believed again; (k,).

        Parameters
        ----------
        asked : bool array (k,)
            The others begin anew.
        value_c, around_c : array (k,)
            What each reads, and the median of the others. [°C]
        """
        near = asked & (np.abs(value_c - around_c) < 0.25 * np.maximum(np.abs(around_c), 100.0))
        self.back_c = np.where(self.back_s > 0.0, self.back_c, np.stack([value_c, around_c]))
        self.back_s = np.where(near, self.back_s + 1.0, 0.0)
        went_c, others_c = value_c - self.back_c[0], around_c - self.back_c[1]
        far = np.abs(others_c) >= AGREES_C
        alike = np.abs(went_c - others_c) < 0.5 * np.abs(others_c)
        # Where they went and it didn't, it begins anew.
        self.back_s = np.where(far & ~alike, 0.0, self.back_s)
        agrees: Bools = (self.back_s >= AGREES_S) & far & alike
        return agrees
