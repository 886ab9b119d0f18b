"""Where the probes are, and what each zone is at now."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.plan import Plan
from logger.reading import Floats, Ints

ABOVE_C: Final = (500.0, 550.0, 600.0, 650.0, 700.0, 750.0, 800.0)

_TOP_WORDS: Final = ("top", "upper", "neck", "rim", "high", "mouth", "crown")
_BOTTOM_WORDS: Final = ("lower", "base", "bottom", "low", "foot")


class Places:
    """A plan's probes and zones as index arrays; k probes, z zones.

    Attributes
    ----------
    zones : tuple of str
    zone_of : list of int
        Per probe.
    members : list of list of int
        Per zone, the probes that may stand for it: those at walls, infrared among them, and those in the air;
        in a zone of coals only, these. `logger.judgement.levels` says which of them do.
    walls_of, airs_of : list of list of int
        Per zone, its members at walls, and those in the air.
    is_wall, is_air : bool array (k,)
    coals : list of int
        Probes that read coals.
    slots : list of (int array (z,), float array (z,))
        The same as arrays: the zones' first members, second members and so on; whether there is one.
    surface : bool array (k,)
        Infrared: may be blind, and is no fault then.
    pots : list of int
        Zones with more than coals in them.
    top, bottom : list of int
        The uppermost and lowest of these; empty where nobody said.
    """

    def __init__(self, plan: Plan) -> None:
        self.zones = plan.zones
        probes = plan.probes
        self.zone_of = [self.zones.index(p.zone) for p in probes]
        self.surface = np.array([p.reads == "surface" for p in probes], bool)
        self.coals = [j for j, p in enumerate(probes) if p.reads == "coals"]
        self.is_wall = np.array([p.reads in ("wall", "surface") for p in probes], bool)
        self.is_air = np.array([p.reads == "air" for p in probes], bool)
        self.members: list[list[int]] = []
        self.walls_of: list[list[int]] = []
        self.airs_of: list[list[int]] = []
        self.pots: list[int] = []
        for z in range(len(self.zones)):
            here = [j for j in range(len(probes)) if self.zone_of[j] == z]
            pots = [j for j in here if probes[j].reads != "coals"]
            self.members.append(pots or here)
            self.walls_of.append([j for j in pots if self.is_wall[j]])
            self.airs_of.append([j for j in pots if self.is_air[j]])
            if pots:
                self.pots.append(z)
        # The zones' first, second, ... members; zones with fewer have their first again, which doesn't count.
        most = max((len(members) for members in self.members), default=0)
        self.slots = [
            (
                np.array([m[i] if i < len(m) else m[0] for m in self.members], np.intp),
                np.array([float(i < len(m)) for m in self.members]),
            )
            for i in range(most)
        ]
        self.walls = [j for j, p in enumerate(probes) if p.reads == "wall"]
        self.top, self.bottom = self._ends(plan)

    def _ends(self, plan: Plan) -> tuple[list[int], list[int]]:
        heights: dict[int, float] = {}
        for z in self.pots:
            known = [h for j in self.members[z] if (h := plan.probes[j].height_cm) is not None]
            if known:
                heights[z] = sum(known) / len(known)
        if len(heights) >= 2 and max(heights.values()) > min(heights.values()):
            low, high = min(heights.values()), max(heights.values())
            quarter = 0.25 * (high - low)
            top = [z for z, h in heights.items() if h >= high - quarter]
            bottom = [z for z, h in heights.items() if h <= low + quarter]
            return top, bottom
        names = {z: self.zones[z].lower() for z in self.pots}
        top = [z for z, name in names.items() if any(word in name for word in _TOP_WORDS)]
        bottom = [z for z, n in names.items() if z not in top and any(w in n for w in _BOTTOM_WORDS)]
        return top, bottom


@dataclass(frozen=True, slots=True)
class ZoneCourse:
    """What became of z zones over n seconds; all arrays (n, z).

    Attributes
    ----------
    level_c, rate_c_per_min
        As in `ZoneBook`. [°C], [°C/min]
    basis : int array
        What the level is taken from (`levels.Basis`).
    """

    level_c: Floats
    rate_c_per_min: Floats
    basis: Ints


@dataclass(frozen=True, slots=True)
class Walls:
    """Of the pots' walls, as estimated, over n seconds.

    Attributes
    ----------
    wall_c, gradient_c_mm : array (n, z)
        Where the plan tells their thickness and the estimate can be relied on; NaN elsewhere. The gradient is
        above 0 where the face is hotter than the inside. [°C], [°C/mm]
    """

    wall_c: Floats
    gradient_c_mm: Floats


class ZoneBook:
    """What each of z zones is at now.

    Attributes
    ----------
    level_c, rate_c_per_min : array (z,)
        Mean of each zone's probes that count; NaN where there is none. [°C], [°C/min]
    weight : array (k,)
        1.0 for the probes that the levels are taken from.
    basis : int array (z,)
        What each level is taken from (`levels.Basis`).
    """

    def __init__(self, plan: Plan, places: Places) -> None:
        z = len(places.zones)
        self.level_c: Floats = np.full(z, np.nan)
        self.rate_c_per_min: Floats = np.full(z, np.nan)
        self.weight: Floats = np.zeros(len(plan.probes))
        self.basis: Ints = np.zeros(z, np.int64)
        self._places = places

    def run(
        self,
        level_c: Floats,
        rate_c_per_min: Floats,
        weight: Floats,
        basis: Ints,
    ) -> ZoneCourse:
        """Take n seconds.

        Parameters
        ----------
        level_c, rate_c_per_min : array (n, k)
            Per probe. [°C], [°C/min]
        weight : array (n, k)
            1.0 where the probe is part of its zone's level.
        basis : int array (n, z)
            What each level is taken from.
        """
        level, rate = self.means(level_c, weight), self.means(rate_c_per_min, weight)
        self.level_c, self.rate_c_per_min = level[-1], rate[-1]
        self.weight, self.basis = weight[-1], basis[-1]
        return ZoneCourse(level, rate, basis)

    def means(self, values: Floats, weight: Floats) -> Floats:
        """Mean of the probes of each zone that count.

        Parameters
        ----------
        values, weight : array (n, k)

        Returns
        -------
        array (n, z)
            NaN where there is none.
        """
        # What doesn't count may hold NaN, and NaN times nothing is NaN.
        safe = np.where(weight > 0.0, values, 0.0)
        total = np.zeros((len(values), len(self._places.zones)))
        count = np.zeros_like(total)
        for member, there in self._places.slots:
            total += safe[:, member] * there
            count += weight[:, member] * there
        count[count == 0.0] = np.nan
        total /= count
        return total
