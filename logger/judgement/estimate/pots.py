"""Each zone's wall temperature second by second: anchored on its walls' probes, carried by its air without
them.

An estimate, never a measurement. What it stands on is the best that can be believed: the zone's probes on
walls; its probes in the air, whose heat a wall takes up at a pace with physical bounds; its neighbours; or
nothing. Whether it is *consistent* is tested against readings that it hasn't used yet, and its band widens
while it isn't.

References
----------
.. [1] JCGM 100:2008 (GUM), table G.1: a band of 90 % is 1.645 standard uncertainties on either side.
"""

from __future__ import annotations

from dataclasses import asdict
from typing import Any, Final

import numpy as np

from logger.judgement.estimate.heard import COLDEST_C, FASTEST_C_S, HOTTEST_C, Ears, Heard
from logger.judgement.estimate.model import AMBIENT_C, Model
from logger.judgement.estimate.spots import COUNTS_S, Spot, moved_by, surface_of_spot
from logger.judgement.estimate.zones import Basis, EstimateRow, ZoneEstimate, likeness, zones_of_pots
from logger.judgement.trend import Bools, Course
from logger.judgement.zones import Walls
from logger.physics.uncertainty import COVERAGE
from logger.physics.wall import steady_lag_c, steady_steepest_c_mm
from logger.plan import Plan
from logger.reading import Floats

BAND: Final = COVERAGE[0.90]
STEP_S: Final = 5
"""How often the estimate goes on: a wall moves little in between. [s]"""
ROW_S: Final = 10
"""How often a row is given out to be kept. [s]"""
SPOT_WAIT_S: Final = 5.0
"""A spot reading counts this long after it was taken: by then all readings of its time are here, so that a
rehearsal takes it at the very same moment. [s]"""
SPOT_S: Final = 900.0
"""A spot reading counts as what an estimate stands on for this long. [s]"""
CANT_TELL_C: Final = 150.0
"""A zone of which no probe is heard, and whose band is wider than this on either side, is not told. [°C]"""
LIT_C: Final = 300.0
"""Embers lie against pots once the air there has been so hot (common practice, no source). [°C]"""
EMBERS_S: Final = (60.0, 3600.0)
"""Without a probe in the coals: how quickly embers come to glow as hot as the air, and how long they do so
(common practice, no source). [s]"""
TEST_S: Final = 30
"""What the walls' probes say is foretold so far ahead, and compared with what came. [s]"""
MEMORY_S: Final = 300.0
PROVED_S: Final = 300.0
"""How long it must have been tested before it counts as consistent. [s]"""
MISFIT: Final = 2.5
"""Mean square of what is off, in standard deviations, above which it is not consistent."""
_FORGETS_S: Final = 150.0
_GROWS_S: Final = 30.0
"""Doubt comes more quickly than it goes: at ignition air and wall part within half a minute. [s]"""


class Pots:
    """Estimates what the pots are at, beside a judgement that gives it what the probes say.

    Parameters
    ----------
    plan : Plan
    model : Model, optional
        Left out: that for the plan's wall.

    Attributes
    ----------
    zones : tuple of str
    wall_c, var_c2 : array (z,)
        By probes alone: mean through the wall, NaN before anything was known, and its variance. [°C], [°C²]
    behind_c, trail_c : array (z,)
        What stands behind the wall; how much farther towards it the mean may lie, above 0 where it is
        colder. [°C]
    peak_c, lain_c : array (z,)
        The hottest that its air was, fading; what the wall would be at if embers lay against it. [°C]
    rate_c_s : array (z,)
        [°C/s]
    misfit, proved_s : array (z,)
        Mean square of what the last tests were off, in standard deviations; how long there have been tests.
    """

    def __init__(self, plan: Plan, model: Model | None = None) -> None:
        mm = plan.clay.wall_mm
        self.model = model or (Model() if mm is None else Model.of_wall(mm))
        self.zones = zones_of_pots(plan)
        z = len(self.zones)
        self.wall_c: Floats = np.full(z, np.nan)
        self.var_c2: Floats = np.full(z, 400.0)
        self.behind_c: Floats = np.full(z, np.nan)
        self.trail_c: Floats = np.zeros(z)
        self.peak_c: Floats = np.full(z, np.nan)
        self.lain_c: Floats = np.full(z, np.nan)
        self.rate_c_s: Floats = np.zeros(z)
        self.misfit: Floats = np.zeros(z)
        self.proved_s: Floats = np.zeros(z)
        self.foretold_c: Floats = np.full(z, np.nan)
        self.line_c_s: Floats = np.zeros(z)
        self.by_probe: Bools = np.zeros(z, np.bool_)
        self.by_wall: Bools = np.zeros(z, np.bool_)
        self.coals_c = float("nan")
        self.second = 0
        self._awaited: list[tuple[float, str, float, float]] = []
        self._spots: list[Spot] = []
        self._plan = plan
        self._ears = Ears(plan, self.zones, self.model)
        self._likeness = likeness(plan, self.zones)

    def spot(self, t_s: float, zone: str, reading_c: float, set_emissivity: float) -> bool:
        """Take a spot reading; it counts once the seconds up to `SPOT_WAIT_S` after it have come.

        Parameters
        ----------
        t_s : float
            [s]
        zone : str
        reading_c : float
            As the gun showed it. [°C]
        set_emissivity : float

        Returns
        -------
        bool
            False for a place that is no zone of the estimate, or a number that no pot in a fire shows.
        """
        surface_c, _ = surface_of_spot(reading_c, set_emissivity)
        if zone not in self.zones or not COLDEST_C < surface_c < HOTTEST_C:
            return False
        # After a restart the journal tells again what the snapshot knows already.
        known = [(s.t_s, s.zone) for s in self._spots] + [(t, name) for t, name, *_ in self._awaited]
        if (t_s, zone) not in known:
            self._awaited = sorted([*self._awaited, (t_s, zone, reading_c, set_emissivity)])
        return True

    def retract(self, t_s: float, zone: str) -> None:
        """Take a spot reading back, as if it had never been.

        Parameters
        ----------
        t_s : float
            When it was taken. [s]
        zone : str
        """
        self._awaited = [s for s in self._awaited if s[:2] != (t_s, zone)]
        self._spots = [s for s in self._spots if (s.t_s, s.zone) != (t_s, zone)]

    def run(self, begin_s: int, course: Course, trusted: Floats) -> tuple[list[EstimateRow], Walls]:
        """Take n seconds. However they are cut, the same comes of them.

        Parameters
        ----------
        begin_s : int
            Start of the first. [s]
        course : Course
        trusted : array (n, k)
            1.0 where the probe is to be believed.

        Returns
        -------
        list of EstimateRow
            Rows to keep, every `ROW_S`.
        Walls
            Where the plan tells how thick the walls are.
        """
        n, shape = len(trusted), (len(trusted), len(self._plan.zones))
        first = (-begin_s - 1) % STEP_S
        rows: list[EstimateRow] = []
        wall, gradient = np.full((2, *shape), np.nan)
        heard = self._ears.heard(course, trusted, slice(first, None, STEP_S))
        told = self._plan.clay.wall_mm is not None
        if told:
            wall[:first], gradient[:first] = self._walls()
        for i in range(first, n, STEP_S):
            self.second = begin_s + i + 1
            self._step(heard, i // STEP_S)
            while self._awaited and self._awaited[0][0] + SPOT_WAIT_S <= self.second:
                self._take_spot(*self._awaited.pop(0))
            if self.second % ROW_S == 0 and (now := self.state()):
                rows.append(EstimateRow(float(self.second), now))
            if told:
                wall[i : i + STEP_S], gradient[i : i + STEP_S] = self._walls()
        return rows, Walls(wall, gradient)

    def _walls(self) -> tuple[Floats, Floats]:
        """Walls and their gradients in the order of the plan's zones, where they can be relied on."""
        wall, gradient = np.full((2, len(self._plan.zones)), np.nan)
        for name, zone in self.state().items():
            if zone.consistent and name in self._plan.zones:
                z = self._plan.zones.index(name)
                wall[z] = zone.wall_c
                gradient[z] = np.copysign(zone.steepest_c_mm, zone.inside_lag_c)
        return wall, gradient

    def state(self) -> dict[str, ZoneEstimate]:
        """Give the estimate by zone, of those of which enough is known (`CANT_TELL_C`)."""
        told = {}
        for z, zone in enumerate(self.zones):
            if not np.isfinite(self.wall_c[z]):
                continue
            now = self._estimate(z)
            if now.basis in ("neighbours", "nothing") and now.hi_c - now.lo_c > 2 * CANT_TELL_C:
                continue
            if np.isfinite((now.wall_c, now.lo_c, now.hi_c, now.surface_c, now.steepest_c_mm)).all():
                told[zone] = now
        return told

    def snapshot(self) -> dict[str, Any]:
        """Everything needed to go on: plain attributes, for `restore`."""
        kept = {name: value for name, value in self.__dict__.items() if name in _KEPT}
        return {
            **kept,
            "zones": self.zones,
            "awaited": self._awaited,
            "spots": [asdict(spot) for spot in self._spots],
        }

    def restore(self, state: dict[str, Any]) -> None:
        """Go on from a snapshot of the same plan.

        Parameters
        ----------
        state : dict
            From `snapshot`.

        Raises
        ------
        ValueError
            It belongs to other zones.
        """
        if list(state["zones"]) != list(self.zones):
            raise ValueError("a snapshot of other zones; start afresh")
        self.__dict__.update({name: state[name] for name in _KEPT})
        self._awaited = [(t, zone, c, e) for t, zone, c, e in state["awaited"]]
        self._spots = [Spot(**spot) for spot in state["spots"]]

    def _step(self, heard: Heard, i: int) -> None:
        """Go on by `STEP_S`."""
        model, wall, air, before = self.model, heard.wall_c[i], heard.air_c[i], self.wall_c
        coals = float(heard.coals_c[i])
        self.coals_c = coals
        on_wall, in_air = ~np.isnan(wall), ~np.isnan(air)
        source = air
        if coals == coals:
            source = air + model.ember_share * np.maximum(coals - air, 0.0)
        own = on_wall | in_air
        if not own.all():
            source = np.where(in_air, source, self._neighbours(own))
        wall = self._towards_behind(wall)
        known = ~np.isnan(before)
        begun = np.where(known, before, np.where(on_wall, wall, source))
        source = np.where(np.isnan(source), begun, source)
        pace = (source - begun) * model.speed_per_s(begun, source)
        # Where nothing of its own is heard a zone drifts to its neighbours, more slowly than heat would flow.
        pace = np.where(own, pace, np.clip(source - begun, -200.0, 200.0) / MEMORY_S)
        now = np.where(on_wall, wall, begun + STEP_S * np.clip(pace, -FASTEST_C_S, FASTEST_C_S))
        self.rate_c_s = np.where(on_wall, heard.rate_c_s[i], pace)
        self.wall_c = np.clip(now, COLDEST_C, HOTTEST_C)
        self.by_wall, self.by_probe = on_wall, own
        self._lie_in_embers(air, coals)
        self._doubt(source, heard.apart_c[i])
        # Foretold by the heat of the air where that is known, else along the line it was on.
        self.foretold_c = self.foretold_c + STEP_S * np.where(in_air, pace, self.line_c_s)
        if self.second % TEST_S == 0:
            self._test(heard.apart_c[i])

    def _towards_behind(self, face: Floats) -> Floats:
        """Where the mean lies between what a wall's probe says and what stands behind the wall."""
        model, told = self.model, np.where(np.isnan(face), self.wall_c, face)
        behind = np.where(np.isnan(self.behind_c), told, self.behind_c)
        self.behind_c = behind + STEP_S / model.behind_s * (told - behind)
        gap = face - self.behind_c
        self.trail_c = np.nan_to_num(model.behind_u_share * gap)
        mean: Floats = face - model.behind_share * gap
        return mean

    def _lie_in_embers(self, air: Floats, coals_c: float) -> None:
        """Carry on what each wall with no probe on it would be at if embers lay against it."""
        gap = np.nan_to_num(air - self.peak_c)
        begun = np.where(np.isnan(self.peak_c), air, self.peak_c)
        self.peak_c = begun + gap * STEP_S / np.where(gap > 0.0, *EMBERS_S)
        wall, glow = self.wall_c, self.peak_c if np.isnan(coals_c) else coals_c
        source = np.fmax(np.fmax(wall, air), glow)
        lain = np.fmax(self.lain_c, wall)
        pace = (source - lain) * self.model.speed_per_s(lain, source)
        lain = lain + STEP_S * np.clip(pace, -FASTEST_C_S, FASTEST_C_S)
        self.lain_c = np.where(~self.by_wall & (self.peak_c > LIT_C), lain, wall)

    def _doubt(self, source: Floats, apart_c: Floats) -> None:
        """Carry the variance on."""
        model, rise = self.model, np.fmax(self.wall_c - AMBIENT_C, 0.0)
        apart = np.where(np.isnan(apart_c), 0.0, apart_c)
        by_wall = (
            (model.wall_u_c + model.wall_u_share * rise) ** 2
            + (model.wall_u_s * self.rate_c_s) ** 2
            + 0.1 * apart**2
        )
        if self.by_wall.all():
            self.var_c2 = by_wall
            return
        gap = model.air_u_gap * np.nan_to_num(np.abs(source - self.wall_c))
        by_air = (model.air_u_c + model.air_u_share * rise) ** 2 + gap**2
        goal = np.where(self.by_probe, by_air, (model.lost_u_c + model.lost_u_share * rise) ** 2)
        over_s = np.where(goal > self.var_c2, np.where(self.by_probe, _GROWS_S, MEMORY_S), _FORGETS_S)
        grown = self.var_c2 + STEP_S / over_s * (goal - self.var_c2)
        self.var_c2 = np.where(self.by_wall, by_wall, grown)

    def _test(self, apart_c: Floats) -> None:
        """Compare what the walls' probes say with what was foretold of them half a minute ago."""
        usual = 6.0 + 0.01 * np.abs(self.wall_c) + 15.0 * np.abs(self.rate_c_s)
        off = np.fmax(np.abs(self.wall_c - self.foretold_c) / usual, apart_c / (2.0 * usual))
        tested = self.by_wall & np.isfinite(off)
        learnt = self.misfit + TEST_S / MEMORY_S * (np.minimum(off, 5.0) ** 2 - self.misfit)
        self.misfit = np.where(self.by_wall, np.where(tested, learnt, self.misfit), 0.0)
        self.proved_s = np.where(tested, self.proved_s + TEST_S, 0.0)
        self.foretold_c = np.where(self.by_wall, self.wall_c, np.nan)
        self.line_c_s = self.rate_c_s

    def _neighbours(self, own: Bools) -> Floats:
        """What the other zones that are heard say of each."""
        there = own & np.isfinite(self.wall_c)
        weight = self._likeness * there
        total = weight.sum(axis=1)
        total[total == 0.0] = np.nan
        mean: Floats = weight @ np.where(there, self.wall_c, 0.0) / total
        return mean

    def _take_spot(self, t_s: float, zone: str, reading_c: float, set_emissivity: float) -> None:
        z = self.zones.index(zone)
        wall = float(self.wall_c[z])
        glowing = [c for c in (wall, self.coals_c) if np.isfinite(c)]
        fire_c = sum(glowing) / len(glowing) if glowing else None
        surface_c, u_c = surface_of_spot(reading_c, set_emissivity, fire_c)
        if not np.isfinite(surface_c):
            return
        u_wall = float(np.sqrt(self._variance(z)))
        if not np.isfinite(wall):  # nothing but the gun has ever been there
            wall, u_wall = surface_c, 100.0
            self.wall_c[z], self.var_c2[z] = wall, u_wall**2
        moved = float(self.rate_c_s[z])
        wall += self.model.lain_share * self._above(z)
        expected = wall + float(steady_lag_c(60.0 * moved, self.model.wall)) / 2
        self._spots = [s for s in self._spots if self.second - s.t_s <= COUNTS_S]
        # The wall has moved on since, if the spot was told late.
        late_s = max(self.second - SPOT_WAIT_S - t_s, 0.0)
        u_c = float(np.hypot(u_c, 0.5 * moved * late_s))
        self._spots.append(Spot(t_s, zone, surface_c + moved * late_s, u_c, expected, u_wall))

    def _above(self, z: int) -> float:
        """How far above what its air says a wall would be in embers. [°C]."""
        return max(float(np.nan_to_num(self.lain_c[z] - self.wall_c[z])), 0.0)

    def _variance(self, z: int) -> float:
        return float(self.var_c2[z]) * max(1.0, float(self.misfit[z]))

    def _estimate(self, z: int) -> ZoneEstimate:
        u_c, offset, trail_c = float(np.sqrt(self._variance(z))), 0.0, float(self.trail_c[z])
        above_c = self._above(z)
        spots = [s for s in self._spots if s.zone == self.zones[z] and self.second - s.t_s <= COUNTS_S]
        fits = spots[-1].fits if spots else True
        fresh = bool(spots) and self.second - spots[-1].t_s <= SPOT_S
        if spots:
            alone_u_c = u_c
            offset, u_c = moved_by(spots, float(self.second), u_c)
            trail_c *= u_c / alone_u_c
        by_air = float(self.wall_c[z]) + offset
        wall = min(max(by_air + self.model.lain_share * above_c, COLDEST_C), HOTTEST_C)
        rate = 60.0 * float(self.rate_c_s[z])
        lag = float(steady_lag_c(rate, self.model.wall))
        basis: Basis = "probe" if self.by_probe[z] else "spot" if fresh else "neighbours"
        if basis == "neighbours" and not self.by_probe.any():
            basis = "nothing"
        tested = self.by_wall[z] and self.proved_s[z] >= PROVED_S and self.misfit[z] < MISFIT
        return ZoneEstimate(
            wall_c=wall,
            lo_c=max(wall - BAND * u_c - max(trail_c, 0.0), COLDEST_C),
            hi_c=min(max(wall + BAND * u_c - min(trail_c, 0.0), by_air + above_c), HOTTEST_C),
            surface_c=wall + lag * 2 / 3,
            inside_lag_c=lag,
            steepest_c_mm=float(steady_steepest_c_mm(rate, self.model.wall)),
            basis=basis,
            consistent=bool(fits and (tested or (fresh and spots[-1].fits))),
        )


_KEPT: Final = frozenset(
    (
        "wall_c", "var_c2", "behind_c", "trail_c", "peak_c", "lain_c", "rate_c_s", "misfit", "proved_s",
        "foretold_c", "line_c_s", "by_probe", "by_wall", "coals_c", "second",
    )
)  # fmt: skip
