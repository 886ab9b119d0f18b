"""One-hour equivalent temperature: the temperature that, held for an hour, does the same to the clay.

A model, not a measurement. The idea of an equivalent firing temperature held for one hour is Tite's [1]_;
here 'the same' means an Arrhenius integral with one activation energy, which real clay, with its many
overlapping changes, doesn't have. `HeatWork` therefore also gives the answers for a low and a high energy.

.. [1] M. S. Tite, "Determination of the firing temperature of ancient ceramics by measurement of thermal
   expansion: a reassessment", Archaeometry 11 (1969), 131-143. From memory, as is the definition.
.. [2] J. D. Haynes, "Worldwide virtual temperatures for product stability testing", J. Pharm. Sci. 60 (1971),
   927-929 (mean kinetic temperature: the same integral over a given time). From memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from logger.physics.infrared import KELVIN
from logger.reading import Floats

GAS_CONSTANT: Final = 8.314462618  # J/(mol K), exact since the SI of 2019
HOUR_S: Final = 3600.0

ENERGIES_KJ_MOL: Final = (300.0, 200.0, 500.0)
"""The activation energy used, a round figure within the 200 to 600 kJ/mol reported for sintering and
vitrification of clays (from memory, no single source), and two that show how far the answer moves.
[kJ/mol]"""


def minutes_above(
    t_s: ArrayLike, temperature_c: ArrayLike, threshold_c: float, *, longest_gap_s: float = 60.0
) -> float:
    """Time spent at or above a temperature [min], with straight lines between readings. A fact, not a model.

    `t_s` (n,) ascends; temperatures (n,) are NaN where unknown; nothing is counted between readings further
    apart than `longest_gap_s`.
    """
    t, value = np.asarray(t_s, dtype=np.float64), np.asarray(temperature_c, dtype=np.float64)
    known = np.isfinite(value)
    dt, above = np.diff(t[known]), value[known] - threshold_c
    low, high = np.minimum(above[1:], above[:-1]), np.maximum(above[1:], above[:-1])
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(low >= 0, 1.0, np.where(high < 0, 0.0, high / (high - low)))
    return float((dt * share)[dt <= longest_gap_s].sum() / 60.0)


class HeatWork:
    """The integral, updated reading by reading, for several zones and energies at once.

    A zone without a reading for longer than `longest_gap_s` gains nothing for that time.
    """

    def __init__(
        self,
        zones: int,
        *,
        energies_kj_mol: Sequence[float] = ENERGIES_KJ_MOL,
        hold_s: float = HOUR_S,
        longest_gap_s: float = 60.0,
    ) -> None:
        self._slope_k = (np.asarray(energies_kj_mol) * 1e3 / GAS_CONSTANT)[:, None]
        self._hold_s = hold_s
        self._longest_gap_s = longest_gap_s
        self.sum = np.zeros((len(energies_kj_mol), zones))
        self.last_t = np.full(zones, np.nan)
        self.last_rate = np.zeros((len(energies_kj_mol), zones))

    def push(self, t_s: float, temperature_c: Floats) -> None:
        """Take one reading (zones,), no earlier than the last; NaN where unknown."""
        known = np.isfinite(temperature_c)
        kelvin = np.maximum(np.where(known, temperature_c, 0.0) + KELVIN, 1.0)
        rate = np.exp(-self._slope_k / kelvin)
        dt = np.where(known & np.isfinite(self.last_t), t_s - self.last_t, 0.0)
        gap = dt > self._longest_gap_s
        self.sum += np.where(gap, 0.0, dt) * _log_mean(self.last_rate, rate)
        self.last_rate = np.where(known, rate, self.last_rate)
        self.last_t = np.where(known, t_s, self.last_t)

    def equivalent_c(self) -> Floats:
        """One-hour equivalent temperature so far (energies, zones): a model; NaN if nothing was integrated.

        ``hold exp(-E / (R T_eq)) = ∫ exp(-E / (R T)) dt``: at 300 kJ/mol, ten minutes at 800 °C equal an hour
        at 746 °C.
        """
        with np.errstate(divide="ignore"):
            kelvin = self._slope_k / -np.log(self.sum / self._hold_s)
        found: Floats = np.where((self.sum > 0) & (kelvin > 0), kelvin, np.nan) - KELVIN
        return found


def _log_mean(a: Floats, b: Floats) -> Floats:
    """Mean of a rate that changes exponentially from a to b: within a step 1/T is taken as linear."""
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = b / a
        mean = (b - a) / np.log(ratio)
    # If they are nearly equal, the quotient loses its digits and the plain mean is as good.
    plain: Floats = np.where((np.abs(ratio - 1) > 1e-4) & np.isfinite(mean), mean, 0.5 * (a + b))
    return plain
