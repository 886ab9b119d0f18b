"""Which zones hold pots, how alike they are, and what the estimate says about each, also as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np

from logger.plan import Plan
from logger.reading import Floats

ROW_S: Final = 10
"""How often a row is stored. [s]"""
LIKE_CM: Final = 25.0
"""Zones this far apart in height are alike by 1/e (common practice, no source). [cm]"""

Basis = Literal["probe", "spot", "neighbours", "nothing"]


@dataclass(frozen=True, slots=True)
class ZoneEstimate:
    """The temperature of a zone's pots. Estimated, not measured."""

    wall_c: float  # mean through the wall …
    lo_c: float  # … and the band that should hold it nine times in ten
    hi_c: float
    surface_c: float  # outer face
    inside_lag_c: float  # outer face minus inner face
    steepest_c_mm: float  # steepest gradient in the wall
    # the best it rests on now: a trusted probe of its own; a gun reading of the last 15 min; other zones; or
    # only what was known before
    basis: Basis
    # it rests on a wall probe whose readings have come as predicted for 5 min, or on a gun reading of the
    # last 15 min that fell where expected; and the last gun reading, if any, fell where expected
    consistent: bool


@dataclass(frozen=True, slots=True)
class EstimateRow:
    """All zones' estimates at one time, counted from the firing's first reading."""

    t_s: float
    zones: dict[str, ZoneEstimate]


def zones_of_pots(plan: Plan) -> tuple[str, ...]:
    """Zones that can be estimated: all but those with only coals probes, which hold no pots.

    Zones without a probe, known only by gun readings, come last.
    """
    looking = [p.zone for p in plan.probes if p.reads != "coals"]
    return tuple(dict.fromkeys([*looking, *plan.clay.zones]))


def likeness(plan: Plan, zones: Sequence[str]) -> Floats:
    """How much each zone counts for each other (z, z): 1 for zones at the same height, 0 for itself."""
    heights = [
        [p.height_cm for p in plan.probes if p.zone == zone and p.height_cm is not None] for zone in zones
    ]
    means = np.array([np.mean(h) if h else np.nan for h in heights])
    apart = np.abs(means[:, None] - means[None, :])
    weights = np.exp(-np.where(np.isnan(apart), LIKE_CM, apart) / LIKE_CM)
    np.fill_diagonal(weights, 0.0)
    return np.asarray(weights, dtype=np.float64)


def mean_around(weights: Floats, of_c: Floats) -> Floats:
    """Mean over the other known zones, weighted by likeness; NaN where none is known.

    `weights` (z, z) from `likeness`; `of_c` (z,), NaN where unknown.
    """
    there = ~np.isnan(of_c)
    weight = weights * there
    total = weight.sum(axis=1)
    total[total == 0.0] = np.nan
    mean: Floats = weight @ np.where(there, of_c, 0.0) / total
    return mean


def estimate_data(zone: ZoneEstimate) -> dict[str, Any]:
    """A zone's estimate as JSON; `kind` says that it is not a measurement."""
    return {
        "kind": "estimated",
        "estimate_c": round(zone.wall_c, 1),
        "low_c": round(zone.lo_c, 1),
        "high_c": round(zone.hi_c, 1),
        "surface_c": round(zone.surface_c, 1),
        "inside_lag_c": round(zone.inside_lag_c, 1),
        "steepest_c_mm": round(zone.steepest_c_mm, 2),
        "basis": zone.basis,
        "consistent": zone.consistent,
    }


def estimate_table(plan: Plan, rows: Sequence[EstimateRow], duration_s: float) -> dict[str, Any]:
    """A firing's estimate on an even grid: `time_s` 0, 10, 20 …, and by zone `c`, `low_c` and `high_c`.

    These are the mean temperature of the pots' walls and its 90 % band, null where there is none.
    """
    zones = dict.fromkeys([*plan.zones, *plan.clay.zones])
    n = int(duration_s // ROW_S) + 1
    lines: dict[str, dict[str, list[float | None]]] = {
        zone: {name: [None] * n for name in ("c", "low_c", "high_c")} for zone in zones
    }
    for row in rows:
        i = int(row.t_s // ROW_S)
        for zone, told in row.zones.items() if i < n else ():
            for name, value in (("c", told.wall_c), ("low_c", told.lo_c), ("high_c", told.hi_c)):
                lines[zone][name][i] = round(value, 1)
    return {"time_s": [float(ROW_S * i) for i in range(n)], "zones": lines}
