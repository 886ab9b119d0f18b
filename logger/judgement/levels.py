"""Which probes a zone's level comes from: those on walls if one can be trusted, else those in the air.

A probe touching a pot, or an infrared sensor aimed at one, reads what the clay goes through. Air between pots
runs hundreds of degrees ahead of it in flame and drops with every gust, so it is used only where no wall can
be trusted, and then everything said about the zone says "air".
"""

from __future__ import annotations

from typing import Final

import numpy as np

from logger.judgement.rows import Bools, run_lengths
from logger.judgement.trend import Course
from logger.judgement.zones import Places, ZoneCourse
from logger.reading import Floats, Ints

NONE, WALL, AIR = range(3)
BASES: Final[dict[int, str | None]] = {NONE: None, WALL: "wall", AIR: "air"}

WALL_AWAY_S: Final = 60
"""How long a zone whose walls can't be trusted has no level before its air takes over: a contact that opens
for a moment must not look like a leap of some hundred degrees. [s]"""


class Levels:
    """Chooses each second the probes for each zone, and gives its level by them.

    What it remembers is of the last second, as in `ZoneCourse`; `away_s` (z,): how long no wall could be
    trusted.
    """

    def __init__(self, places: Places, away_rows: int = WALL_AWAY_S) -> None:
        z = len(places.zones)
        self.level_c: Floats = np.full(z, np.nan)
        self.rate_c_per_min: Floats = np.full(z, np.nan)
        self.weight: Floats = np.zeros(len(places.zone_of))
        self.basis: Ints = np.zeros(z, np.int64)
        self.away_s: Ints = np.zeros(z, np.int64)
        self._away_rows = away_rows
        self._zone_of = np.array(places.zone_of, np.intp)
        self._walled, self._aired = (
            np.array([bool(of) for of in lists], np.bool_) for lists in (places.walls_of, places.airs_of)
        )
        self._places = places

    def run(self, course: Course, trusted: Floats) -> ZoneCourse:
        """Take n seconds; `trusted` (n, k) is 1.0 where a probe can be believed.

        The basis is `WALL`, `AIR`, or `NONE` where the zone has no level or holds only coals.
        """
        weight, basis = self.choose(trusted)
        level, rate = (self._places.means(of, weight) for of in (course.level_c, course.rate_c_per_min))
        self.level_c, self.rate_c_per_min = level[-1], rate[-1]
        self.weight, self.basis = weight[-1], basis[-1]
        return ZoneCourse(level, rate, basis, weight)

    def choose(self, trusted: Floats) -> tuple[Floats, Ints]:
        """Weights (n, k), 1.0 for the probes that count, and the basis (n, z)."""
        places = self._places
        walled, aired = (self._any(trusted, lists) for lists in (places.walls_of, places.airs_of))
        away_s = run_lengths(~walled, self.away_s)
        self.away_s = away_s[-1]
        by_air = ~self._walled | ((away_s > self._away_rows) & self._aired)
        weight = trusted * np.where(places.is_air, by_air[:, self._zone_of], True)
        return weight, np.where(walled, WALL, np.where(by_air & aired, AIR, NONE))

    def _any(self, trusted: Floats, lists: list[list[int]]) -> Bools:
        """Whether any of each zone's listed probes can be believed, (n, z)."""
        found = np.zeros((len(trusted), len(lists)), np.bool_)
        for z, probes in enumerate(lists):
            found[:, z] = (trusted[:, probes] > 0.0).any(axis=1)
        return found


def told_place(places: Places, z: int, basis: int) -> str:
    """A zone's name, with "(air)" where its level is only that of its air."""
    return f"{places.zones[z]} (air)" if basis == AIR else places.zones[z]


def zone_levels(places: Places, values: Floats, step_s: float) -> Floats:
    """Combine probes' values on an even grid (n, k) into zones' levels (n, z), as the judgement does.

    Values are NaN where missing or not trusted; so are levels where there is none.
    """
    if not len(values):
        return np.empty((0, len(places.zones)))
    choice = Levels(places, max(1, round(WALL_AWAY_S / step_s)))
    choice.away_s += choice._away_rows  # no wall was seen before the first reading
    return places.means(values, choice.choose(np.isfinite(values).astype(np.float64))[0])
