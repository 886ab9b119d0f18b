"""What the probes of each zone say about its walls and the air beside them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.judgement.estimate.model import AMBIENT_C, Model
from logger.judgement.rows import Bools
from logger.judgement.trend import Course
from logger.plan import Plan
from logger.reading import Floats

COLDEST_C: Final = -40.0
HOTTEST_C: Final = 1300.0
"""No pot at a wood fire in the open is outside these (common practice, no source). [°C]"""
FASTEST_C_S: Final = 6.0
"""Nor does its wall move faster: the glow of 800 °C, 75 kW/m² on one face of 7 mm of clay (Stefan and
Boltzmann's law). [°C/s]"""


@dataclass(frozen=True, slots=True)
class Heard:
    """What the probes of z zones say over n seconds; arrays (n, z), NaN where none reads."""

    wall_c: Floats
    rate_c_s: Floats
    air_c: Floats
    air_rate_c_s: Floats
    apart_c: Floats  # between the highest and the lowest wall probe
    coals_c: Floats  # (n,)


class Ears:
    """Combines the probes of each zone."""

    def __init__(self, plan: Plan, zones: tuple[str, ...], model: Model) -> None:
        self._model = model
        self._walls, self._airs = (
            [[j for j, p in enumerate(plan.probes) if p.zone == zone and p.reads in reads] for zone in zones]
            for reads in (("wall", "surface"), ("air",))
        )
        self._coals = [j for j, p in enumerate(plan.probes) if p.reads == "coals"]

    def heard(self, course: Course, trusted: Floats, here: slice) -> Heard:
        """What they say in the seconds `here`; `trusted` (n, k) is 1.0 where a probe can be believed."""
        model = self._model
        level, rate = course.level_c[here], course.rate_c_per_min[here] / 60.0
        good = (trusted[here] > 0.0) & course.valid[here] & (level > COLDEST_C) & (level < HOTTEST_C)
        rate = np.clip(np.where(np.isfinite(rate), rate, 0.0), -FASTEST_C_S, FASTEST_C_S)
        face = level + model.lead_s * rate + model.tip_share * (level - AMBIENT_C)
        near = level + model.air_lead_s * rate
        wall, pace, air, air_pace, apart = np.full((5, len(level), len(self._walls)), np.nan)
        for z, (walls, airs) in enumerate(zip(self._walls, self._airs, strict=True)):
            wall[:, z], pace[:, z] = (_mean(of[:, walls], good[:, walls]) for of in (face, rate))
            air[:, z], air_pace[:, z] = (_mean(of[:, airs], good[:, airs]) for of in (near, rate))
            if len(walls) > 1:
                there, mine = good[:, walls], face[:, walls]
                most = np.where(there, mine, -np.inf).max(axis=1)
                least = np.where(there, mine, np.inf).min(axis=1)
                apart[:, z] = np.where(there.sum(axis=1) > 1, most - least, np.nan)
        return Heard(wall, pace, air, air_pace, apart, _mean(level[:, self._coals], good[:, self._coals]))


def _mean(values: Floats, good: Bools) -> Floats:
    """Mean over the good columns of each row; NaN where none is good."""
    count = good.sum(axis=1)
    total = np.where(good, values, 0.0).sum(axis=1)
    mean: Floats = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    return mean
