"""Which zones hold pots, how like they are to each other, and what is said of each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from logger.plan import Plan
from logger.reading import Floats

LIKE_CM: Final = 25.0
"""Zones this far apart in height are like each other by 1/e (common practice, no source). [cm]"""

Basis = Literal["probe", "spot", "neighbours", "nothing"]


@dataclass(frozen=True, slots=True)
class ZoneEstimate:
    """What a zone's pots are at. Estimated, not measured.

    Attributes
    ----------
    wall_c, lo_c, hi_c : float
        Mean through the wall, and the band that should hold it nine times in ten. [°C]
    surface_c : float
        Outer face. [°C]
    inside_lag_c : float
        Outer face less inner face. [°C]
    steepest_c_mm : float
        Steepest gradient in the wall. [°C/mm]
    basis : {'probe', 'spot', 'neighbours', 'nothing'}
        The best that it stands on now: a probe of its own that can be believed; a spot reading of the last
        15 min; other zones; or only what was known before.
    consistent : bool
        It stands on a probe on a wall whose readings have come for 5 min as they were foretold, or on a spot
        of the last 15 min that fell where it was expected; and the last spot did, if there was one.
    """

    wall_c: float
    lo_c: float
    hi_c: float
    surface_c: float
    inside_lag_c: float
    steepest_c_mm: float
    basis: Basis
    consistent: bool


@dataclass(frozen=True, slots=True)
class EstimateRow:
    """All zones' estimates at one time.

    Attributes
    ----------
    t_s : float
        Since the firing's first reading. [s]
    zones : dict of str to ZoneEstimate
    """

    t_s: float
    zones: dict[str, ZoneEstimate]


def zones_of_pots(plan: Plan) -> tuple[str, ...]:
    """Zones that can be estimated: one that only coals probes belong to holds no pots.

    Returns
    -------
    tuple of str
        Those without a probe, of which spots are taken, last.
    """
    looking = [p.zone for p in plan.probes if p.reads != "coals"]
    return tuple(dict.fromkeys([*looking, *plan.clay.zones]))


def likeness(plan: Plan, zones: Sequence[str]) -> Floats:
    """How much each zone counts for each other.

    Returns
    -------
    array (z, z)
        1 for zones at one height, 0 for itself.
    """
    heights = [
        [p.height_cm for p in plan.probes if p.zone == zone and p.height_cm is not None] for zone in zones
    ]
    means = np.array([np.mean(h) if h else np.nan for h in heights])
    apart = np.abs(means[:, None] - means[None, :])
    weights = np.exp(-np.where(np.isnan(apart), LIKE_CM, apart) / LIKE_CM)
    np.fill_diagonal(weights, 0.0)
    return np.asarray(weights, dtype=np.float64)


def mean_around(weights: Floats, of_c: Floats) -> Floats:
    """Mean over the other zones of which something is known, the more alike the more.

    Parameters
    ----------
    weights : array (z, z)
        As from `likeness`.
    of_c : array (z,)
        NaN where nothing is known.

    Returns
    -------
    array (z,)
        NaN where nothing is known of any other.
    """
    there = ~np.isnan(of_c)
    weight = weights * there
    total = weight.sum(axis=1)
    total[total == 0.0] = np.nan
    mean: Floats = weight @ np.where(there, of_c, 0.0) / total
    return mean
