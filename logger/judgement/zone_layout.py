"""Which probe of a plan goes where in the zone filter, and which zones are neighbours."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final, cast

import numpy as np

from logger.judgement.zone_filter import ZoneFilter
from logger.judgement.zone_model import Looks, Model
from logger.plan import Plan, Probe
from logger.reading import Floats

LIKE_CM: Final = 25.0
"""Zones this far apart in height are like each other by 1/e (common practice, no source). [cm]"""

NO_FIRE_C: Final = 1300.0
"""No wood fire in the open makes anything so hot (common practice, no source): beyond use. [°C]"""


def zones_of_pots(plan: Plan, extra_zones: Sequence[str]) -> tuple[str, ...]:
    """Zones that can be estimated: a zone that only coals probes belong to holds no pots.

    Parameters
    ----------
    plan : Plan
    extra_zones : sequence of str
        Without a probe of their own.

    Returns
    -------
    tuple of str
        The extra ones last.
    """
    looking = [p.zone for p in plan.probes if p.reads != "coals"]
    return tuple(dict.fromkeys([*looking, *extra_zones]))


class ZoneLayout:
    """Which column of a plan's readings goes where in the filter."""

    def __init__(self, plan: Plan, extra_zones: Sequence[str], lag_s: Mapping[str, float]) -> None:
        looking = [(column, p) for column, p in enumerate(plan.probes) if p.reads != "coals"]
        self.zones = zones_of_pots(plan, extra_zones)
        by_zone = [[(column, p) for column, p in looking if p.zone == zone] for zone in self.zones]
        slots = max([1, *(len(members) for members in by_zone)])
        self.columns = len(plan.probes)
        self.looks: list[list[Looks]] = [
            [cast(Looks, p.reads) for _, p in members] + [""] * (slots - len(members)) for members in by_zone
        ]
        self.lag_s = np.full((len(self.zones), slots), np.nan)
        places: list[tuple[int, int, int]] = []
        for z, members in enumerate(by_zone):
            for slot, (column, probe) in enumerate(members):
                places.append((z, slot, column))
                self.lag_s[z, slot] = lag_s.get(probe.name, np.nan)
        self._at = np.array(places, dtype=np.int64).reshape(-1, 3).T
        self.neighbours = self._neighbours(by_zone)

    def filter(self, model: Model, forget_s: float | None = None) -> ZoneFilter:
        """Make the filter for these zones."""
        return ZoneFilter(self.looks, self.neighbours, model, self.lag_s, forget_s)

    def spread(self, row: Floats) -> Floats:
        """Readings by column -> by zone and slot; without those of no use."""
        out = np.full(self.lag_s.shape, np.nan)
        out[self._at[0], self._at[1]] = np.where(row < NO_FIRE_C, row, np.nan)[self._at[2]]
        return out

    def _neighbours(self, by_zone: list[list[tuple[int, Probe]]]) -> Floats:
        heights = [[p.height_cm for _, p in members if p.height_cm is not None] for members in by_zone]
        means = np.array([np.mean(h) if h else np.nan for h in heights])
        apart = np.abs(means[:, None] - means[None, :])
        weights = np.exp(-np.where(np.isnan(apart), LIKE_CM, apart) / LIKE_CM)
        np.fill_diagonal(weights, 0.0)
        return np.asarray(weights, dtype=np.float64)


def median(rows: Floats) -> Floats:
    """Median of each column's numbers; NaN where it has none."""
    if len(rows) == 1:
        first: Floats = rows[0]
        return first
    ordered = np.sort(rows, axis=0)  # NaN last
    count = np.isfinite(ordered).sum(axis=0)
    columns = np.arange(rows.shape[1])
    low, high = np.maximum(count - 1, 0) // 2, count // 2
    high = np.where(count > 0, np.minimum(high, np.maximum(count - 1, 0)), 0)
    return np.asarray(0.5 * (ordered[low, columns] + ordered[high, columns]), dtype=np.float64)
