"""Faults that show beside other probes: hot and alone, cold among hot walls, below the air, fallen out."""

from __future__ import annotations

from typing import Final

import numpy as np

from logger.judgement.probes.signal import COLDEST_C, FLAME_C, WALL_OFTEN_S
from logger.judgement.rows import Bools, Lasting, Past, last_rows, median, run_lengths, since_begun
from logger.judgement.trend import Course
from logger.judgement.zones import Places
from logger.reading import Floats, Ints

LONG_S: Final = 100
"""How far back is looked at. [s]"""
ALONE_C: Final = 200.0
COLD_C: Final = 60.0
ALONE_S: Final = 100
"""How long one place may flame while nothing beside it is warm or warming. [s]"""
WARMS_C: Final = 4.0
"""Others that rose by more than this meanwhile feel a fire. [°C]"""
COOLS_SHARE: Final = 0.02
"""If another probe was once hot too, clay losing this share of its heat within `LONG_S` is cooling after the
fire."""
WALLS_C: Final = 250.0
TIGHT: Final = 0.8
"""Share of the other walls that must be between half and twice their median."""
DEAD_SHARE: Final = 0.06
"""A wall probe that rose by less than this share of the walls around it is not there."""
DEAD_S: Final = 60
DEEP_N: Final = 3
"""This many walls that have never warmed and stay equally cold are deep, or the fire hasn't reached them:
that as many inputs died in the same way before lighting is less likely."""
BELOW_C: Final = 15.0
BELOW_S: Final = 30
NIGHT_C: Final = 40.0
FELL_SHARE: Final = 0.35
"""A probe hanging in the open air reads less than this share of its neighbours."""
FELL_S: Final = 10
HOT_SHARE: Final = 0.25
"""Share of the time before that a fallen probe must have been hot: a puff of flame is shorter."""
SLIPPED_SHARE: Final = 0.75
"""A probe that fell faster than a wall can, to less than half, need only be below this share of them."""
LONE_FELL_S: Final = 40
LONE_HELD: Final = 0.06
"""With no other probe in the air, walls and coals must show for `LONE_FELL_S` that the fire hasn't been raked
away, by losing less than this share meanwhile."""
NEVER_IN_C: Final = 300.0
NEVER_IN_S: Final = 60
"""A wall hotter than `NEVER_IN_C` and still warming has something hotter beside it: its air can't stay below
`FELL_SHARE` of it for this long. [s]"""
SHADED_C: Final = 400.0
SHADED_S: Final = 180
SHADED_SHARE: Final = 0.12
"""Once the air of its zone has been above `SHADED_C` for `SHADED_S`, a wall has risen by more than this share
of the air's rise: one of 10 mm by a third or more, heated from one side (lumped capacitance)."""
LEFT_C: Final = 5.0
"""The coldest wall, below `WALLS_C`, is out of place if it loses this much within `LONG_S` while every other
one gains at least `HEATS_C`; a hotter one is seen to fall. [°C]"""
HEATS_C: Final = 30.0
LEFT_S: Final = 10
LEFT_N: Final = 3
"""The least number of others."""
WALL_SHARE: Final = 0.09
"""No wall loses this share of its heat within 8 s: at 800 °C a thin one radiates 6 °C a second (Stefan and
Boltzmann's law, 5 mm of clay, both faces)."""

SLIPPED_S: Final = 90
"""How long a probe isn't believed after such a loss: by then it shows whether it hangs in the air. [s]"""


class Company:
    """Compares k probes with one another."""

    def __init__(self, places: Places) -> None:
        k = len(places.is_wall)
        self.past_c = Past(LONG_S, k)
        self.first_c: Floats = np.full(k, np.nan)
        self.air_c = np.inf
        self.hottest_c: Floats = np.full(k, -np.inf)
        self.warmed = np.zeros(k, np.bool_)
        self.deep = np.zeros(k, np.bool_)
        self.deep_s: Ints = np.zeros(k, np.int64)
        self.left_s: Ints = np.zeros(k, np.int64)
        self.below_s: Ints = np.zeros(k, np.int64)
        self.slipped_s: Ints = np.full(k, SLIPPED_S, np.int64)
        self.alone = Lasting(k, ALONE_S)
        self.dead = Lasting(k, DEAD_S)
        self.shaded = Lasting(k, SHADED_S)
        self.outside = Lasting(k, NEVER_IN_S)
        self.fallen = Lasting(k, FELL_S)
        self._touching = places.is_wall & ~places.surface
        self._coals = np.isin(np.arange(k), places.coals)
        self._zone_of = np.array(places.zone_of, np.intp)
        self._air = places.is_air

    def run(self, course: Course, sound: Bools) -> tuple[Bools, Bools, Bools, Bools, Bools]:
        """Take n seconds; return who is alone, dead, below, fallen and doubtful, (n, k) each.

        `sound` (n, k): nothing else is wrong with the probe. `doubtful`: falls faster than a wall can.
        """
        now = np.where(course.valid, course.median_c, np.nan)
        rows = self.past_c.add(now)
        before = rows[: len(now)]
        for i in np.flatnonzero(np.isnan(self.first_c)):
            known = np.flatnonzero(~np.isnan(now[:, i]))
            if len(known):
                self.first_c[i] = now[known[0], i]
        company = np.where(sound, now, np.nan)
        alone = self._alone(company, before, now)
        dead = self._dead(company, now) | self._shaded(company, now)
        below = self._below(company, now)
        fallen, doubtful = self._falls(rows, company, now, course.interval_s <= WALL_OFTEN_S)
        fallen |= self._never_in(before, company, now) | self._left(before, company, now)
        return alone, dead, below, fallen, doubtful

    def _alone(self, company: Floats, before: Floats, now: Floats) -> Bools:
        hot = np.nan_to_num(now, nan=-np.inf) > ALONE_C
        hot[:, self._coals] = False
        found = np.zeros(now.shape, np.bool_)
        known_c = np.where(np.isnan(company), -np.inf, company)
        hottest = np.maximum.accumulate(np.concatenate([self.hottest_c[None], known_c]))[1:]
        self.hottest_c = hottest[-1]
        with np.errstate(invalid="ignore"):
            cools = before - now > COOLS_SHARE * (before - 30.0)
        for j in np.flatnonzero(hot.any(axis=0) | self.alone.busy()):
            others = [i for i in range(now.shape[1]) if i != j]
            c, was = company[:, others], before[:, others]
            known = ~np.isnan(c)
            cool = known.sum(axis=1) >= 2
            cool &= np.where(known, c, -np.inf).max(axis=1, initial=-np.inf) < COLD_C
            rose = np.where(known & ~np.isnan(was), c - was, -np.inf).max(axis=1, initial=-np.inf)
            cool &= hot[:, j]
            left = cools[:, j] & (hottest[:, others] > ALONE_C).any(axis=1)
            # Once found it lasts until the others are warm, however the day warms them.
            found[:, j] = self.alone.run(int(j), cool & (rose < WARMS_C) & ~left, cool)
        return found

    def _dead(self, company: Floats, now: Floats) -> Bools:
        found = np.zeros(now.shape, np.bool_)
        walls = np.flatnonzero(self._touching)
        if len(walls) < 3:
            return found
        cold = np.zeros(now.shape, np.bool_)
        for j in walls:
            others = walls[walls != j]
            if not (np.nan_to_num(now[:, j], nan=np.inf) < 100.0).any():
                self.dead.forget(int(j))
                continue
            c = company[:, others]
            known = ~np.isnan(c)
            count = known.sum(axis=1)
            middle = median(c)
            near = (known & (c > 0.5 * middle[:, None]) & (c < 2.0 * middle[:, None])).sum(axis=1)
            rose = middle - median(np.broadcast_to(self.first_c[others], c.shape))
            with np.errstate(invalid="ignore"):
                cold[:, j] = (now[:, j] < 100.0) & (now[:, j] - self.first_c[j] < DEAD_SHARE * rose)
                alike = (count >= 2) & (middle > WALLS_C) & (near >= TIGHT * count)
                # If the air beside it is cold too, the fire hasn't reached it.
                alike &= ~(self._beside(int(j), company) < FELL_SHARE * middle)
            # Once found it lasts while the probe stays cold, however the others differ.
            found[:, j] = self.dead.run(int(j), cold[:, j] & alike, cold[:, j])
        return found & ~self._deep(cold, now)

    def _deep(self, cold: Bools, now: Floats) -> Bools:
        """Where walls have never been warm, and others lately stayed as cold beside them."""
        warm = self.warmed | (last_rows(np.nan_to_num(now, nan=-np.inf) >= 100.0) > 0)
        waits = cold & ~warm
        held = run_lengths(waits & (waits.sum(axis=1) >= DEEP_N)[:, None], self.deep_s)
        deep = since_begun(held >= DEAD_S, warm, self.deep)
        self.warmed, self.deep_s, self.deep = warm[-1], held[-1], deep[-1]
        return deep

    def _beside(self, j: int, company: Floats) -> Floats:
        """Median of the air in a probe's own zone, (n,); NaN where there is none."""
        return median(company[:, self._air & (self._zone_of == self._zone_of[j])])

    def _shaded(self, company: Floats, now: Floats) -> Bools:
        """Where a wall stays cold although the air of its zone has long been hot."""
        found = np.zeros(now.shape, np.bool_)
        for j in np.flatnonzero(self._touching):
            airs = np.flatnonzero(self._air & (self._zone_of == self._zone_of[j]))
            if not len(airs) or not ((now[:, airs] > SHADED_C).any() or self.shaded.on[j]):
                self.shaded.held_s[j] = 0
                continue
            around, first_c = median(company[:, airs]), self.first_c[j]
            with np.errstate(invalid="ignore"):
                cold = now[:, j] - first_c < SHADED_SHARE * (around - first_c)
                stays = now[:, j] < 0.5 * around
            found[:, j] = self.shaded.run(int(j), cold & (around > SHADED_C), stays)
        return found

    def _below(self, company: Floats, now: Floats) -> Bools:
        if not np.isfinite(self.air_c):
            # Before lighting the median probe is as warm as the air; if a fire burns already, the coolest is.
            first = self.first_c[~np.isnan(self.first_c)]
            if len(first) and float(np.median(first)) < COLD_C:
                burns = float(first.max() - np.median(first)) > BELOW_C
                self.air_c = float(first.min() if burns else np.median(first))
        hottest = np.where(np.isnan(company), -np.inf, company).max(axis=1, initial=-np.inf)
        coldest = self.air_c - BELOW_C if np.isfinite(self.air_c) else -BELOW_C
        cold_c = np.nan_to_num(now, nan=np.inf)
        found = (cold_c < coldest) & (hottest > ALONE_C)[:, None]
        # No night cools this far below the air before lighting.
        found |= cold_c < (self.air_c - NIGHT_C if np.isfinite(self.air_c) else COLDEST_C)
        held = run_lengths(found, self.below_s)
        self.below_s = held[-1]
        return held >= BELOW_S

    def _falls(self, rows: Floats, company: Floats, now: Floats, often: Bools) -> tuple[Bools, Bools]:
        eight_ago = rows[LONG_S - 8 : -8]
        with np.errstate(invalid="ignore"):
            doubtful = self._touching & often & (eight_ago - now > WALL_SHARE * (eight_ago - 30.0) + 15.0)
            hottest = np.where(np.isnan(rows), -np.inf, rows)
            past = np.lib.stride_tricks.sliding_window_view(hottest, LONG_S + 1, axis=0)
            highest = past.max(axis=2)
            half = (now < 0.5 * highest) & (highest > 250.0)
            for j in np.flatnonzero(half.any(axis=0)):
                at = np.flatnonzero(half[:, j])
                cut = round((1.0 - HOT_SHARE) * LONG_S)
                highest[at, j] = np.partition(past[at, j], cut, axis=1)[:, cut]
            half &= (now < 0.5 * highest) & (highest > 250.0)
            low = half & (now < 0.45 * highest) & (now < 250.0)
        # No wall does that: its probe has slipped, and what it reads next is no wall either.
        since_s = run_lengths(~doubtful, self.slipped_s)
        self.slipped_s = np.minimum(since_s[-1], SLIPPED_S)
        doubtful = since_s < SLIPPED_S
        fallen, slipped = np.zeros(now.shape, np.bool_), half & doubtful
        for j in np.flatnonzero((low | slipped).any(axis=0) | self.fallen.busy()):
            fallen[:, j] = self._fall(int(j), rows[: len(now)], company, now, low[:, j], slipped[:, j])
        return fallen, doubtful

    def _left(self, before: Floats, company: Floats, now: Floats) -> Bools:
        """Where the coldest wall cools while all the others are heating."""
        walls = np.flatnonzero(self._touching)
        found = np.zeros(now.shape, np.bool_)
        if len(walls) <= LEFT_N:
            return found
        with np.errstate(invalid="ignore"):
            rose = (company - before)[:, walls]
            cools = (before - now)[:, walls] > LEFT_C
        heats, known = rose > HEATS_C, ~np.isnan(rose)
        warmer = np.where(heats, company[:, walls], np.inf).min(axis=1)
        cools &= now[:, walls] < np.minimum(warmer, WALLS_C)[:, None]
        heated = (heats.sum(axis=1) >= LEFT_N) & ((heats | ~known).sum(axis=1) >= len(walls) - 1)
        run = run_lengths(cools & heated[:, None], self.left_s[walls])
        self.left_s[walls] = run[-1]
        found[:, walls] = run >= LEFT_S
        return found

    def _never_in(self, before: Floats, company: Floats, now: Floats) -> Bools:
        """Where a probe in the air stays cold although the walls of its zone are heating."""
        found = np.zeros(now.shape, np.bool_)
        cold = np.nan_to_num(now, nan=np.inf) < FELL_SHARE * FLAME_C
        for j in np.flatnonzero(self._air & (cold.any(axis=0) | self.outside.busy())):
            walls = np.flatnonzero(self._touching & (self._zone_of == self._zone_of[j]))
            if not len(walls):
                continue
            around, was = median(company[:, walls]), median(before[:, walls])
            with np.errstate(invalid="ignore"):
                out = (now[:, j] < FELL_SHARE * around) & (around > NEVER_IN_C) & (around > was)
                stays = now[:, j] < 0.5 * around
            found[:, j] = self.outside.run(int(j), out, stays)
        return found

    def _fall(
        self, j: int, before: Floats, company: Floats, now: Floats, low: Bools, slipped: Bools
    ) -> Bools:
        """Where one probe has dropped to the open air while its neighbours held."""
        n, k = now.shape
        mates = [i for i in range(k) if i != j and self._zone_of[i] == self._zone_of[j]]
        others = [i for i in range(k) if i != j and not self._coals[i]]
        near = mates if mates and not np.isnan(company[:, mates]).all() else others
        around = median(company[:, near])
        # If the air beside it falls too, the flames have gone out.
        airs = [i for i in others if self._air[i] or not self._air[j]]
        with np.errstate(invalid="ignore"):
            if airs:
                held = median(company[:, airs] - before[:, airs]) > -0.2 * median(before[:, airs])
                alike = np.isnan(median(company[:, airs]))
                if self._air[j]:
                    # If the walls of its zone lose their heat too, the fire has left that zone.
                    walls = [i for i in mates if self._touching[i]]
                    was = median(before[:, walls])
                    held &= ~(was - median(company[:, walls]) > LONE_HELD * was)
            else:
                held, alike = self._burns_on(before, company), np.zeros(n, np.bool_)
            below = low & (now[:, j] < FELL_SHARE * around) | slipped & (now[:, j] < SLIPPED_SHARE * around)
            out = below & (around > 200.0) & (held | alike)
            stays = now[:, j] < np.where(slipped, SLIPPED_SHARE, 0.5) * around
        return self.fallen.run(j, out, stays, FELL_S if airs else LONE_FELL_S)

    def _burns_on(self, before: Floats, company: Floats) -> Bools:
        """Where neither walls nor coals cool as they would in the open."""
        lost = [
            median(before[:, of] - company[:, of]) > LONE_HELD * median(before[:, of])
            for of in (np.flatnonzero(self._touching), np.flatnonzero(self._coals))
        ]
        burns: Bools = ~np.logical_or(*lost)
        return burns
