"""Equivalent one-hour temperature of each zone, and how much it depends on the model's energy. A model."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from logger.physics.heat_work import ENERGIES_KJ_MOL, HeatWork

COVERS: Final = "the clay's activation energy alone, not the probes' errors"
"""What the range between `low_c` and `high_c` covers."""


@dataclass(frozen=True, slots=True)
class OneHour:
    """The steady temperature that would have done the same to the clay in an hour. A model."""

    c: float  # by the usual activation energy
    # lowest and highest by the energies thought possible; the probes' errors are not included
    low_c: float
    high_c: float

    def data(self) -> dict[str, Any]:
        """As JSON, rounded; `kind` says that it is not a measurement."""
        usual, *others = ENERGIES_KJ_MOL
        return {
            "kind": "model",
            "low_c": round(self.low_c, 1),
            "high_c": round(self.high_c, 1),
            "energy_kj_mol": usual,
            "energies_kj_mol": others,
            "covers": COVERS,
        }


def one_hour(zones: Sequence[str], work: HeatWork) -> dict[str, OneHour]:
    """The equivalents so far, unknown zones left out; `zones` in the order of the work's columns."""
    found = work.equivalent_c()
    return {
        zone: OneHour(float(column[0]), float(column.min()), float(column.max()))
        for zone, column in zip(zones, found.T, strict=True)
        if np.isfinite(column).all()
    }
