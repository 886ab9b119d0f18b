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

import math
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike

from logger.physics.infrared import KELVIN
from logger.reading import Floats

GAS_CONSTANT: Final = 8.314462618  # J/(mol K), exact since the SI of 2019
HOUR_S: Final = 3600.0

ENERGY_KJ_MOL: Final = 300.0
"""Default activation energy [kJ/mol]: a round figure within the 200 to 600 kJ/mol reported for sintering and
vitrification of clays (from memory, no single source).
"""
ENERGY_RANGE_KJ_MOL: Final = (200.0, 500.0)
"""Energies over which `HeatWork` shows how far the answer moves. [kJ/mol]"""


def minutes_above(
    t_s: ArrayLike, temperature_c: ArrayLike, threshold_c: float, *, longest_gap_s: float = 60.0
) -> Floats:
    """Time spent at or above a temperature [min], with straight lines between readings. A fact, not a model.

    `t_s` (n,) ascends; temperatures are (n,) or (n, z), NaN where unknown; nothing is counted between
    readings further apart than `longest_gap_s`. The result is () or (z,).
    """
    t = np.asarray(t_s, dtype=np.float64)
    value = np.asarray(temperature_c, dtype=np.float64)
    columns = value.reshape(len(value), math.prod(value.shape[1:]))
    total = np.zeros(columns.shape[1])
    for z, column in enumerate(columns.T):
        known = np.isfinite(column)
        time, above = t[known], column[known] - threshold_c
        if len(time) < 2:
            continue
        dt, low, high = np.diff(time), np.minimum(above[1:], above[:-1]), np.maximum(above[1:], above[:-1])
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.where(low >= 0, 1.0, np.where(high < 0, 0.0, high / (high - low)))
        total[z] = (dt * share)[dt <= longest_gap_s].sum() / 60.0
    return total.reshape(value.shape[1:])


class HeatWork:
    """The integral, updated reading by reading, for several zones and energies at once.

    The first energy is the one used; the others show how much it matters. A zone without a reading for longer
    than `longest_gap_s` gains nothing for that time. ValueError: no energy given, or an energy or the hold
    isn't above 0.
    """

    def __init__(
        self,
        zones: int,
        *,
        energies_kj_mol: Sequence[float] = (ENERGY_KJ_MOL, *ENERGY_RANGE_KJ_MOL),
        hold_s: float = HOUR_S,
        longest_gap_s: float = 60.0,
    ) -> None:
        energies = np.asarray(energies_kj_mol, dtype=np.float64)
        if not len(energies) or not (energies > 0).all() or not hold_s > 0:
            raise ValueError(f"energies {energies_kj_mol!r} kJ/mol, hold {hold_s!r} s: give numbers above 0")
        self.energies_kj_mol = tuple(float(e) for e in energies)
        self._slope_k = (energies * 1e3 / GAS_CONSTANT)[:, None]
        self._hold_s = hold_s
        self._longest_gap_s = longest_gap_s
        self._sum = np.zeros((len(energies), zones))
        self._last_t = np.full(zones, np.nan)
        self._last_rate = np.zeros((len(energies), zones))

    def push(self, t_s: float, temperature_c: Floats) -> None:
        """Take one reading (zones,), no earlier than the last; NaN where unknown."""
        known = np.isfinite(temperature_c)
        kelvin = np.maximum(np.where(known, temperature_c, 0.0) + KELVIN, 1.0)
        rate = np.exp(-self._slope_k / kelvin)
        dt = np.where(known & np.isfinite(self._last_t), t_s - self._last_t, 0.0)
        gap = dt > self._longest_gap_s
        self._sum += np.where(gap, 0.0, dt) * _log_mean(self._last_rate, rate)
        self._last_rate = np.where(known, rate, self._last_rate)
        self._last_t = np.where(known, t_s, self._last_t)

    def equivalent_c(self) -> Floats:
        """One-hour equivalent temperature so far (energies, zones): a model; NaN if nothing was integrated.

        ``hold exp(-E / (R T_eq)) = ∫ exp(-E / (R T)) dt``: at 300 kJ/mol, ten minutes at 800 °C equal an hour
        at 746 °C.
        """
        with np.errstate(divide="ignore"):
            kelvin = self._slope_k / -np.log(self._sum / self._hold_s)
        found: Floats = np.where((self._sum > 0) & (kelvin > 0), kelvin, np.nan) - KELVIN
        return found

    def snapshot(self) -> dict[str, Any]:
        """State as plain lists, for `restore`."""
        return {
            "sum": self._sum.tolist(),
            "last_t": [None if np.isnan(t) else t for t in self._last_t.tolist()],
            "last_rate": self._last_rate.tolist(),
        }

    def restore(self, state: dict[str, Any]) -> None:
        """Carry on from a snapshot; ValueError: it belongs to other zones or energies."""
        total = np.array(state["sum"], dtype=np.float64)
        if total.shape != self._sum.shape:
            raise ValueError(f"the snapshot is for {total.shape}, but this has {self._sum.shape}")
        self._sum = total
        self._last_t = np.array([np.nan if t is None else t for t in state["last_t"]], dtype=np.float64)
        self._last_rate = np.array(state["last_rate"], dtype=np.float64)


def _log_mean(a: Floats, b: Floats) -> Floats:
    """Mean of a rate that changes exponentially from a to b: within a step 1/T is taken as linear."""
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = b / a
        mean = (b - a) / np.log(ratio)
    # If they are nearly equal, the quotient loses its digits and the plain mean is as good.
    plain: Floats = np.where((np.abs(ratio - 1) > 1e-4) & np.isfinite(mean), mean, 0.5 * (a + b))
    return plain
