"""One-hour equivalent temperature of each zone, with how far it hangs on the model's energy. A model."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from logger.physics.heat_work import HeatWork

COVERS: Final = "the clay's activation energy alone, not what the probes are off"
"""What lies between least and greatest."""


@dataclass(frozen=True, slots=True)
class OneHour:
    """The steady temperature that would have done the same to the clay within an hour. A model."""

    c: float  # by the usual activation energy
    # with `high_c`, least and greatest by the energies that are thought possible; what the probes are off is
    # not in them
    low_c: float
    high_c: float
    energies_kj_mol: tuple[float, ...]  # the usual energy first

    def data(self) -> dict[str, Any]:
        """For programs: JSON, rounded; `kind` says that it is no measurement."""
        usual, *others = self.energies_kj_mol
        return {
            "kind": "model",
            "low_c": round(self.low_c, 1),
            "high_c": round(self.high_c, 1),
            "energy_kj_mol": usual,
            "energies_kj_mol": others,
            "covers": COVERS,
        }


def one_hour(zones: Sequence[str], work: HeatWork) -> dict[str, OneHour]:
    """Give what has come together so far, without unknown zones; `zones` are in the work's columns' order."""
    found = work.equivalent_c()
    return {
        zone: OneHour(float(column[0]), float(column.min()), float(column.max()), work.energies_kj_mol)
        for zone, column in zip(zones, found.T, strict=True)
        if np.isfinite(column).all()
    }
