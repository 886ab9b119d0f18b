"""Each zone's wall temperature second by second: from its wall probes, or else from its air.

An estimate, never a measurement. It rests on the best that can be believed: the zone's probes on walls; its
probes in the air, whose heat a wall takes up at a physically bounded pace; its neighbours; or nothing.
Whether it is *consistent* is tested against readings it hasn't used yet, and its band widens while it isn't.
The 90 % band is 1.645 standard uncertainties on either side (JCGM 100:2008, GUM, table G.1).
"""

from __future__ import annotations

from typing import Final

import numpy as np

from logger.judgement.estimate.air import STEP_S, ByAir
from logger.judgement.estimate.heard import COLDEST_C, FASTEST_C_S, HOTTEST_C, Ears, Heard
from logger.judgement.estimate.model import AMBIENT_C, Model
from logger.judgement.estimate.spots import COUNTS_S, Spot, moved_by, surface_of_spot
from logger.judgement.estimate.zones import (
    ROW_S,
    Basis,
    EstimateRow,
    ZoneEstimate,
    likeness,
    mean_around,
    zones_of_pots,
)
from logger.judgement.rows import Bools
from logger.judgement.trend import Course
from logger.judgement.zones import Walls
from logger.physics.uncertainty import COVERAGE_90
from logger.physics.wall import steady_lag_c, steady_steepest_c_mm
from logger.plan import Plan
from logger.reading import Floats

BAND: Final = COVERAGE_90
SPOT_WAIT_S: Final = 5.0
"""A gun reading takes effect this long after it was taken: by then all readings of its time are here, so a
rehearsal takes it at exactly the same moment. [s]"""
SPOT_S: Final = 900.0
"""How long a gun reading counts as the basis of an estimate. [s]"""
CANT_TELL_C: Final = 150.0
"""No estimate is given for a zone where it may well be farther off than this, embers apart. [°C]"""
LAGS_S: Final = (80.0, 60.0)
"""How far a probe on a wall, and one in the air, may be behind while it moves fast: lags of up to a minute
(common practice, no source), the smoothing's, and what a rise gains in the meantime. [s]"""
TOO_COLD_C: Final = 100.0
"""A probe more than this below the coldest that a wall beside that air can be touches no wall. [°C]"""
TEST_S: Final = 30
"""How far ahead the wall probes' readings are predicted, to be compared with what came. [s]"""
MEMORY_S: Final = 300.0
PROVED_S: Final = 300.0
"""How long it must have been tested before it counts as consistent. [s]"""
MISFIT: Final = 2.5
"""Mean square error, in standard deviations, above which it is not consistent."""
_FORGETS_S: Final = 150.0
_GROWS_S: Final = 10.0
"""Doubt grows faster than it fades: at ignition air and wall part within half a minute. [s]"""


class Pots:
    """Estimates the pots' temperature from what the judgement's probes say.

    All (z,): `wall_c` and its variance `var_c2`, by probes alone, the mean through the wall, NaN before
    anything was known; `behind_c`, what is behind the wall; `trail_c`, how much farther towards that the mean
    may be, positive where it is colder; `rate_c_s`; `behind_by_c`, how far the readings may lag; `misfit`,
    the mean square error of the last tests in standard deviations; `proved_s`, how long there have been
    tests. Gun readings, as shown, are `awaited` before they become `spots`.
    """

    awaited: list[tuple[float, str, float, float]]
    spots: list[Spot]

    def __init__(self, plan: Plan) -> None:
        mm = plan.clay.wall_mm
        self._model = Model() if mm is None else Model.of_wall(mm)
        self._zones = zones_of_pots(plan)
        z = len(self._zones)
        self.wall_c: Floats = np.full(z, np.nan)
        self.var_c2: Floats = np.full(z, np.nan)
        self.behind_c: Floats = np.full(z, np.nan)
        self.trail_c: Floats = np.zeros(z)
        self.rate_c_s: Floats = np.zeros(z)
        self.behind_by_c: Floats = np.zeros(z)
        self.misfit: Floats = np.zeros(z)
        self.proved_s: Floats = np.zeros(z)
        self.foretold_c: Floats = np.full(z, np.nan)
        self.line_c_s: Floats = np.zeros(z)
        self.by_probe: Bools = np.zeros(z, np.bool_)
        self.by_wall: Bools = np.zeros(z, np.bool_)
        self.coals_c = float("nan")
        self.second = 0
        self.awaited, self.spots = [], []
        self._plan = plan
        self._ears = Ears(plan, self._zones, self._model)
        # Zones with a probe touching a wall, which also feels the air beside it.
        touching = {p.zone for p in plan.probes if p.reads == "wall"}
        self._touching = np.array([zone in touching for zone in self._zones], np.bool_)
        self._likeness = likeness(plan, self._zones)
        self.air = ByAir(self._model, self._likeness)

    def spot(self, t_s: float, zone: str, reading_c: float, set_emissivity: float) -> bool:
        """Take a gun reading as shown; it takes effect after `SPOT_WAIT_S`.

        False for a place that is no zone of the estimate, or a number that no pot in a fire shows.
        """
        surface_c, _ = surface_of_spot(reading_c, set_emissivity)
        if zone not in self._zones or not COLDEST_C < surface_c < HOTTEST_C:
            return False
        # After a restart the journal repeats what the snapshot already has.
        known = [(s.t_s, s.zone) for s in self.spots] + [(t, name) for t, name, *_ in self.awaited]
        if (t_s, zone) not in known:
            self.awaited = sorted([*self.awaited, (t_s, zone, reading_c, set_emissivity)])
        return True

    def retract(self, t_s: float, zone: str) -> None:
        """Take back the gun reading of `t_s`, as if it had never been made."""
        self.awaited = [s for s in self.awaited if s[:2] != (t_s, zone)]
        self.spots = [s for s in self.spots if (s.t_s, s.zone) != (t_s, zone)]

    def run(self, begin_s: int, course: Course, trusted: Floats) -> tuple[list[EstimateRow], Walls]:
        """Take n seconds from `begin_s`; however they are split, the result is the same.

        `trusted` (n, k) is 1.0 where a probe can be believed. Returns a row to store every `ROW_S`, and the
        walls if the plan gives their thickness.
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
            while self.awaited and self.awaited[0][0] + SPOT_WAIT_S <= self.second:
                self._take_spot(*self.awaited.pop(0))
            if self.second % ROW_S == 0 and (now := self.state()):
                rows.append(EstimateRow(float(self.second), now))
            if told:
                wall[i : i + STEP_S], gradient[i : i + STEP_S] = self._walls()
        return rows, Walls(wall, gradient)

    def _walls(self) -> tuple[Floats, Floats]:
        """Walls and their gradients in the order of the plan's zones, NaN where not reliable."""
        wall, gradient = np.full((2, len(self._plan.zones)), np.nan)
        for name, zone in self.state().items():
            if zone.consistent and name in self._plan.zones:
                z = self._plan.zones.index(name)
                wall[z] = zone.wall_c
                gradient[z] = np.copysign(zone.steepest_c_mm, zone.inside_lag_c)
        return wall, gradient

    def state(self) -> dict[str, ZoneEstimate]:
        """The estimate by zone, where enough is known (`CANT_TELL_C`)."""
        told = {}
        for z, zone in enumerate(self._zones):
            if not np.isfinite(self.wall_c[z]):
                continue
            now = self._estimate(z)
            if now and np.isfinite((now.wall_c, now.lo_c, now.hi_c, now.surface_c, now.steepest_c_mm)).all():
                told[zone] = now
        return told

    def _step(self, heard: Heard, i: int) -> None:
        """Advance by `STEP_S`."""
        model, air, before = self._model, heard.air_c[i], self.wall_c
        wall = heard.wall_c[i]
        impossible = ~np.isnan(air) & (wall < self.air.least_c - TOO_COLD_C)
        wall = np.where(impossible, np.nan, wall)
        self.coals_c = coals = float(heard.coals_c[i])
        on_wall, in_air = ~np.isnan(wall), ~np.isnan(air)
        own = on_wall | in_air
        source = air
        if coals == coals:
            source = air + model.ember_share * np.maximum(coals - air, 0.0)
        gap = np.nan_to_num(np.where(self._touching, wall - air, 0.0))
        wall = self._towards_behind(wall + model.gas_share * gap)
        others = before if own.all() else mean_around(self._likeness, np.where(own, before, np.nan))
        begun = np.where(np.isnan(before), np.where(on_wall, wall, np.where(in_air, source, others)), before)
        warming = self.air.warm(begun, source)
        goal_c2 = self.air.lift(np.where(on_wall, wall, np.nan), source)
        # A zone without readings of its own drifts to its neighbours, more slowly than heat would flow.
        drift = np.nan_to_num(np.clip(others - begun, -200.0, 200.0) / MEMORY_S)
        pace = np.where(own, warming, drift)
        now = np.where(in_air, self.air.body_c + self.air.lift_c, begun + STEP_S * pace)
        most = STEP_S * FASTEST_C_S
        now = np.where(on_wall, wall, np.clip(now, begun - most, begun + most))
        self.rate_c_s = np.where(on_wall, heard.rate_c_s[i], pace)
        self.wall_c = np.clip(now, COLDEST_C, HOTTEST_C)
        self.air.lift_c = np.nan_to_num(self.wall_c - self.air.body_c)
        self.by_wall, self.by_probe = on_wall, own
        rising = np.where(source > self.air.body_c, np.nan_to_num(heard.air_rate_c_s[i]), 0.0)
        self.behind_by_c = np.where(on_wall, LAGS_S[0] * np.abs(self.rate_c_s), LAGS_S[1] * rising)
        self.air.lie_in_embers(self.wall_c, air, coals, on_wall)
        self._doubt(goal_c2, heard.apart_c[i], gap)
        # Predicted from the air's heat where that is known, else along the line it was on. Air colder than
        # the wall need not cool it: embers may hold it where it is.
        heated = np.fmax((source - begun) * model.speed_per_s(begun, source), warming)
        self.foretold_c = self.foretold_c + STEP_S * np.where(in_air, heated, self.line_c_s)
        if self.second % TEST_S == 0:
            self._test(heard.apart_c[i])

    def _towards_behind(self, face: Floats) -> Floats:
        """The mean, between what a wall's probe says and what is behind the wall."""
        model, told = self._model, np.where(np.isnan(face), self.wall_c, face)
        behind = np.where(np.isnan(self.behind_c), told, self.behind_c)
        self.behind_c = behind + STEP_S / model.behind_s * (told - behind)
        gap = face - self.behind_c
        self.trail_c = np.nan_to_num(model.behind_u_share * gap)
        mean: Floats = face - model.behind_share * gap
        return mean

    def _doubt(self, goal_c2: Floats, apart_c: Floats, gap_c: Floats) -> None:
        """Update the variance."""
        model, rise = self._model, np.fmax(self.wall_c - AMBIENT_C, 0.0)
        apart = np.where(np.isnan(apart_c), 0.0, apart_c)
        by_wall = (
            (model.wall_u_c + model.wall_u_share * rise) ** 2
            + (model.wall_u_s * self.rate_c_s) ** 2
            + (model.gas_u_share * gap_c) ** 2
            + 0.1 * apart**2
        )
        if self.by_wall.all():
            self.var_c2 = by_wall
            return
        goal = np.where(self.by_probe, goal_c2, (model.lost_u_c + model.lost_u_share * rise) ** 2)
        goal = np.where(np.isnan(goal), self.var_c2, goal)
        over_s = np.where(goal > self.var_c2, np.where(self.by_probe, _GROWS_S, MEMORY_S), _FORGETS_S)
        grown = self.var_c2 + STEP_S / over_s * (goal - self.var_c2)
        # Where a wall was never probed, its temperature when its air was first read is unknown.
        first = np.where(self.by_probe & np.isnan(self.var_c2), (0.6 * rise) ** 2, np.nan)
        grown = np.where(np.isnan(grown), np.fmax(first, goal), grown)
        self.var_c2 = np.where(self.by_wall, by_wall, grown)

    def _test(self, apart_c: Floats) -> None:
        """Compare the wall probes' readings with what was predicted half a minute ago."""
        usual = 6.0 + 0.01 * np.abs(self.wall_c) + 15.0 * np.abs(self.rate_c_s)
        off = np.fmax(np.abs(self.wall_c - self.foretold_c) / usual, apart_c / (2.0 * usual))
        tested = self.by_wall & np.isfinite(off)
        learnt = self.misfit + TEST_S / MEMORY_S * (np.minimum(off, 5.0) ** 2 - self.misfit)
        self.misfit = np.where(self.by_wall, np.where(tested, learnt, self.misfit), 0.0)
        self.proved_s = np.where(tested, self.proved_s + TEST_S, 0.0)
        self.foretold_c = np.where(self.by_wall, self.wall_c, np.nan)
        self.line_c_s = self.rate_c_s

    def _take_spot(self, t_s: float, zone: str, reading_c: float, set_emissivity: float) -> None:
        z = self._zones.index(zone)
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
        wall += self._model.lain_share * self._above(z)
        expected = wall + float(steady_lag_c(60.0 * moved, self._model.wall)) / 2
        self.spots = [s for s in self.spots if self.second - s.t_s <= COUNTS_S]
        # If the reading was entered late, the wall has moved since.
        late_s = max(self.second - SPOT_WAIT_S - t_s, 0.0)
        u_c = float(np.hypot(u_c, 0.5 * moved * late_s))
        self.spots.append(Spot(t_s, zone, surface_c + moved * late_s, u_c, expected, u_wall))

    def _above(self, z: int) -> float:
        """How far a wall in embers would be above what its air says [°C]."""
        return max(float(np.nan_to_num(self.air.lain_c[z] - self.wall_c[z])), 0.0)

    def _variance(self, z: int) -> float:
        return float(self.var_c2[z]) * (max(1.0, float(self.misfit[z])) if self.by_wall[z] else 1.0)

    def _estimate(self, z: int) -> ZoneEstimate | None:
        u_c, offset, trail_c = float(np.sqrt(self._variance(z))), 0.0, float(self.trail_c[z])
        above_c = self._above(z)
        spots = [s for s in self.spots if s.zone == self._zones[z] and self.second - s.t_s <= COUNTS_S]
        fits = spots[-1].fits if spots else True
        fresh = bool(spots) and self.second - spots[-1].t_s <= SPOT_S
        if spots:
            alone_u_c = u_c
            offset, u_c = moved_by(spots, float(self.second), u_c)
            trail_c *= u_c / alone_u_c
        if max(BAND * u_c + abs(trail_c), float(self.behind_by_c[z])) > CANT_TELL_C:
            return None
        by_air = float(self.wall_c[z]) + offset
        wall = min(max(by_air + self._model.lain_share * above_c, COLDEST_C), HOTTEST_C)
        rate = 60.0 * float(self.rate_c_s[z])
        lag = float(steady_lag_c(rate, self._model.wall))
        basis: Basis = "probe" if self.by_probe[z] else "spot" if fresh else "neighbours"
        if basis == "neighbours" and not self.by_probe.any():
            basis = "nothing"
        low, high = wall - BAND * u_c - max(trail_c, 0.0), wall + BAND * u_c - min(trail_c, 0.0)
        if self.by_probe[z] and not self.by_wall.any() and not spots:
            # No wall probe shows how fast walls warm at this fire.
            low = min(low, float(self.air.least_c[z] + self.air.lift_c[z]) - BAND * self._model.air_u_c)
        tested = self.by_wall[z] and self.proved_s[z] >= PROVED_S and self.misfit[z] < MISFIT
        return ZoneEstimate(
            wall_c=wall,
            lo_c=max(low, COLDEST_C),
            hi_c=min(max(high, by_air + self._model.lain_most_share * above_c), HOTTEST_C),
            surface_c=wall + lag * 2 / 3,
            inside_lag_c=lag,
            steepest_c_mm=float(steady_steepest_c_mm(rate, self._model.wall)),
            basis=basis,
            consistent=bool(fits and (tested or (fresh and spots[-1].fits))),
        )
