"""Where the probes are, and what is known about each zone."""

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

    Per probe: `zone_of`, `is_wall` and `is_air` (k,), and `surface` (k,): infrared, which may be blind
    without being at fault. `coals` lists the probes that read coals.

    Per zone: `members`, the probes its level may come from: those on walls (`walls_of`, infrared included)
    and in the air (`airs_of`), or the coals' own in a zone of coals; `levels.Levels` chooses among them.

    `pots` lists the zones with more than coals in them; `top` and `bottom` are the highest and lowest of
    these, empty where unknown.
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
        # The zones' first members, second members and so on, each with whether there is one: a zone with
        # fewer repeats its first.
        most = max((len(members) for members in self.members), default=0)
        self._slots = [
            (
                np.array([m[i] if i < len(m) else m[0] for m in self.members], np.intp),
                np.array([float(i < len(m)) for m in self.members]),
            )
            for i in range(most)
        ]
        self.walls = [j for j, p in enumerate(probes) if p.reads == "wall"]
        self.top, self.bottom = self._ends(plan)

    def means(self, values: Floats, weight: Floats) -> Floats:
        """Mean by zone (n, z) of the probes (n, k) whose weight is 1.0; NaN where there are none."""
        # A probe that doesn't count may hold NaN, and NaN times zero is NaN.
        safe = np.where(weight > 0.0, values, 0.0)
        total = np.zeros((len(values), len(self.zones)))
        count = np.zeros_like(total)
        for member, there in self._slots:
            total += safe[:, member] * there
            count += weight[:, member] * there
        count[count == 0.0] = np.nan
        total /= count
        return total

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
    """z zones over n seconds; arrays (n, z)."""

    level_c: Floats  # with the rate, the mean of the probes that count; NaN where there are none
    rate_c_per_min: Floats
    basis: Ints  # what kind of probes these are (`levels`)
    weight: Floats  # (n, k); 1.0 for the probes that count


@dataclass(frozen=True, slots=True)
class Walls:
    """The pots' walls as estimated (n, z); NaN without their thickness or a reliable estimate."""

    wall_c: Floats
    gradient_c_mm: Floats  # positive where the face is hotter than the inside
