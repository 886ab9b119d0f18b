"""Which probes a zone's level comes from: those on walls if one can be trusted, else those in the air.

A probe touching a pot, or an infrared sensor aimed at one, reads what the clay goes through. Air between pots
runs hundreds of degrees ahead of it in flame and drops with every gust, so it is used only where no wall can
be trusted, and then everything said about the zone says "air".
"""

from __future__ import annotations

from typing import Final

import numpy as np

from logger.judgement.trend import Bools
from logger.judgement.zones import Places
from logger.reading import Floats, Ints

NONE, WALL, AIR = range(3)
BASES: Final[dict[int, str | None]] = {NONE: None, WALL: "wall", AIR: "air"}

WALL_AWAY_S: Final = 60
"""How long a zone whose walls can't be trusted has no level before its air takes over: a contact that opens
for a moment must not look like a leap of some hundred degrees. [s]"""


class Basis:
    """Chooses each second the probes for each zone; `away_s` (z,): how long no wall could be trusted."""

    def __init__(self, places: Places) -> None:
        self.away_s: Ints = np.zeros(len(places.zones), np.int64)
        self._air = places.is_air
        self._zone_of = np.array(places.zone_of, np.intp)
        z = len(places.zones)
        self._walled = np.array([bool(places.walls_of[i]) for i in range(z)])
        self._aired = np.array([bool(places.airs_of[i]) for i in range(z)])
        self._places = places

    def run(self, trusted: Floats) -> tuple[Floats, Ints]:
        """Take n seconds; `trusted` (n, k) is 1.0 where a probe can be believed.

        Returns weights (n, k), 1.0 where a probe is part of its zone's level, and the basis (n, z): `WALL`,
        `AIR`, or `NONE` where the zone has no level or holds only coals.
        """
        n = len(trusted)
        there = np.zeros((n, len(self._walled)), np.bool_)
        for z, walls in enumerate(self._places.walls_of):
            if walls:
                there[:, z] = (trusted[:, walls] > 0.0).any(axis=1)
        at = np.arange(1, n + 1)[:, None]
        last = np.maximum.accumulate(np.where(there, at, 0), axis=0)
        away_s = np.where(last > 0, at - last, self.away_s + at)
        self.away_s = away_s[-1]
        by_air = ~self._walled | ((away_s > WALL_AWAY_S) & self._aired)
        weight = trusted * np.where(self._air, by_air[:, self._zone_of], True)
        basis = np.where(there, WALL, np.where(by_air & self._aired, AIR, NONE))
        for z, airs in enumerate(self._places.airs_of):
            if airs:
                unseen = ~(trusted[:, airs] > 0.0).any(axis=1)
                basis[unseen & (basis[:, z] == AIR), z] = NONE
        return weight, basis


def zone_levels(places: Places, values: Floats, step_s: float) -> Floats:
    """Combine probes' values on an even grid (n, k) into zones' levels (n, z), as the judgement does.

    Values are NaN where missing or not trusted; so are levels where there is none.
    """
    known: Bools = np.isfinite(values)
    levels = np.full((len(values), len(places.zones)), np.nan)
    away = max(1, round(WALL_AWAY_S / step_s))
    for z, members in enumerate(places.members):
        walls = places.walls_of[z]
        chosen = known[:, members]
        if walls and places.airs_of[z]:
            there = known[:, walls].any(axis=1)
            at = np.arange(len(values))
            last = np.maximum.accumulate(np.where(there, at, -away - 1))
            by_air = at - last > away
            chosen = chosen & (np.isin(members, walls)[None, :] | by_air[:, None])
        count = chosen.sum(axis=1)
        total = np.where(chosen, values[:, members], 0.0).sum(axis=1)
        levels[:, z] = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    return levels
