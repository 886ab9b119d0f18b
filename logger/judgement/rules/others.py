"""The alarm rules: which condition holds where, each second.

For each of its places a rule says whether its condition holds (with a deadband while its alarm is active),
how long it must last, and the message.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from typing import Any, Final

import numpy as np

from logger.judgement.alarms import LOAD, AlarmBook, Condition
from logger.judgement.ledger import Booked
from logger.judgement.levels import told_place
from logger.judgement.probes.faults import WORDS, Fault
from logger.judgement.rows import Bools
from logger.judgement.rules.stalls import Stalls
from logger.judgement.stages import BURN_DOWN, PEAK
from logger.judgement.trend import Course
from logger.judgement.zones import Places, Walls, ZoneCourse
from logger.plan import Plan
from logger.reading import Floats, Ints
from logger.words.said import Degrees, Said, said

GOOD_NEWS_S: Final = 120.0
"""How long good news is shown. [s]"""

Rows = list[list[float]]


class Rules:
    """All rules but coal collapse."""

    def __init__(self, plan: Plan, places: Places) -> None:
        self.done_s: Floats = np.zeros(len(places.zones))
        self.stalls = Stalls(plan, places)
        self._plan = plan
        self._places = places
        self._set: dict[str, dict[str, Any]] = plan.alarms

    def run(
        self,
        course: Course,
        fault: Ints,
        trusted: Floats,
        zones: ZoneCourse,
        walls: Walls | None,
        booked: Booked,
    ) -> None:
        """Take n seconds for `conditions` to step through. Rules that hold nowhere in them are skipped.

        `fault` and `trusted` are (n, k); `walls` is None where nothing is estimated.
        """
        self.stalls.run(course, trusted, zones, booked.counted_c)
        hot, fall = self._set["over_temperature"], self._set["cooling_too_fast"]
        level, rate = zones.level_c, zones.rate_c_per_min
        self._level: Rows = level.tolist()
        self._rate: Rows = rate.tolist()
        self._basis: list[list[int]] = zones.basis.tolist()
        self._counted: Rows = booked.counted_c.tolist()
        self._fault = fault.tolist()
        self._faulty = _columns(fault > 0)
        self._hot = _columns(level > float(hot["limit_c"]) - 15.0)
        within = (level > float(fall["to_c"])) & (level < float(fall["from_c"]))
        self._falling = set(self._places.pots) & _columns(
            within & (rate < -0.7 * float(fall["rate_c_per_min"]))
        )
        self._news = self._good_news(booked)
        self._heating = self._coldest(course, trusted, zones, walls)

    def conditions(self, i: int, stage: str, raked: bool, alarms: AlarmBook) -> Iterator[Condition]:
        """Yield the conditions that hold in second i of the last `run`, and those whose alarm may be up.

        `raked`: raking out has begun.
        """
        level = self._level[i]
        up = {alarm.rule for alarm in alarms.alarms.values()}
        if self._faulty or "probe_fault" in up:
            yield from self._probe_fault(i, alarms)
        if self._heating is not None or "heating_too_fast" in up:
            yield from self._heating_too_fast(i, alarms)
        if self._hot or "over_temperature" in up:
            yield from self._over_temperature(i, alarms)
        if self._falling or "cooling_too_fast" in up:
            yield from self._cooling(i, alarms)
        yield from self.stalls.conditions(i, raked, alarms)
        if stage in (PEAK, BURN_DOWN) or "spread_too_wide" in up:
            yield from self._spread(level, stage, alarms)
        if self._news is not None or "target_reached" in up or "soak_done" in up:
            yield from self._good(i, alarms)

    def _probe_fault(self, i: int, alarms: AlarmBook) -> Iterator[Condition]:
        for j, fault in enumerate(self._fault[i]):
            probe = self._plan.probes[j]
            if _idle("probe_fault", probe.name, fault > 0, alarms):
                continue
            words = partial('"{}" {}'.format, probe.name, WORDS.get(fault, ""))
            # `ProbeWatch` has the delays of all faults but a hot junction, which warms slowly.
            delay = float(self._set["probe_fault"]["for_s"]) if fault == Fault.HOT_JUNCTION else 1.0
            yield Condition("probe_fault", probe.zone, probe.name, fault > 0, delay, 1.0, words)

    def _coldest(
        self, course: Course, trusted: Floats, zones: ZoneCourse, walls: Walls | None
    ) -> list[tuple[float, float, float, int]] | None:
        """Level, rate, gradient and zone of the coldest place each second; None if never heating too fast."""
        touching, pots = self._places.walls, self._places.pots
        level = np.where(trusted[:, touching] > 0.0, course.level_c[:, touching], np.inf)
        rate, of_zone = course.rate_c_per_min[:, touching], [self._places.zone_of[j] for j in touching]
        if not touching or not np.isfinite(level.min(axis=1)).all():
            # Walls decide where there are any: the air between them may jump.
            blind = ~np.isfinite(level).any(axis=1, keepdims=True)
            pot_level = np.where(blind, zones.level_c[:, pots], np.inf)
            pot_level[np.isnan(pot_level)] = np.inf
            level = np.concatenate([level, pot_level], axis=1)
            rate = np.concatenate([rate, zones.rate_c_per_min[:, pots]], axis=1)
            of_zone = [*of_zone, *pots]
        if not of_zone:
            return None
        at = level.argmin(axis=1)
        rows = np.arange(len(at))
        lowest, speed, zone = level[rows, at], rate[rows, at], np.array(of_zone)[at]
        rule = self._set["heating_too_fast"]
        fast = speed > 0.8 * float(rule["rate_c_per_min"])
        steep = np.full(len(at), np.nan)
        if walls is not None:
            # Clay bursts from the difference between its face and its inside, not from a reading's rate.
            steep = walls.gradient_c_mm[rows, zone]
            known = ~np.isnan(steep)
            lowest = np.where(known, walls.wall_c[rows, zone], lowest)
            fast = np.where(known, steep > 0.8 * float(rule["gradient_c_mm"]), fast)
        if not ((lowest < float(rule["below_c"])) & fast).any():
            return None
        return list(zip(lowest.tolist(), speed.tolist(), steep.tolist(), zone.tolist(), strict=True))

    def _heating_too_fast(self, i: int, alarms: AlarmBook) -> Iterator[Condition]:
        rule = self._set["heating_too_fast"]
        ease = 0.8 if alarms.active(f"heating_too_fast:{LOAD}") else 1.0
        holds = False
        if self._heating is not None:
            coldest, speed, steep, _ = self._heating[i]
            if steep == steep:
                fast = steep > float(rule["gradient_c_mm"]) * ease
            else:
                fast = speed > float(rule["rate_c_per_min"]) * ease
            holds = coldest < float(rule["below_c"]) and fast
        if not _idle("heating_too_fast", LOAD, holds, alarms):
            words = partial(self._heats, i)
            yield Condition("heating_too_fast", None, None, holds, float(rule["for_s"]), 60.0, words)

    def _heats(self, i: int) -> Said:
        coldest, speed, steep, zone = (self._heating or [])[i]
        if steep == steep:
            words = "its wall gets {}/mm hotter towards the face (estimated)."
            value = Degrees("by", steep, ".1f")
        else:
            words, value = "rising by {} a minute.", Degrees("by", speed)
        return said(f"{{}} is at {{}} and {words}", self._places.zones[zone], Degrees("at", coldest), value)

    def _place(self, i: int, z: int) -> str:
        return told_place(self._places, z, self._basis[i][z])

    def _over_temperature(self, i: int, alarms: AlarmBook) -> Iterator[Condition]:
        hot, level = self._set["over_temperature"], self._level[i]
        limit = float(hot["limit_c"])
        for z, zone in enumerate(self._places.zones):
            active = alarms.active(f"over_temperature:{zone}")
            holds = level[z] > limit - (15.0 if active else 0.0)
            if not _idle("over_temperature", zone, holds, alarms):
                words = partial(said, "{} is at {}.", self._place(i, z), Degrees("at", level[z]))
                yield Condition("over_temperature", zone, None, holds, float(hot["for_s"]), 30.0, words)

    def _cooling(self, i: int, alarms: AlarmBook) -> Iterator[Condition]:
        fall = self._set["cooling_too_fast"]
        quick, low, high = float(fall["rate_c_per_min"]), float(fall["to_c"]), float(fall["from_c"])
        for z in self._places.pots:
            zone, c, r = self._places.zones[z], self._level[i][z], self._rate[i][z]
            active = alarms.active(f"cooling_too_fast:{zone}")
            holds = low < c < high and r < -quick * (0.7 if active else 1.0)
            if _idle("cooling_too_fast", zone, holds, alarms):
                continue
            fell = (self._place(i, z), Degrees("at", c), Degrees("by", -r))
            words = partial(said, "{} is at {} and falling by {} a minute.", *fell)
            yield Condition("cooling_too_fast", zone, None, holds, float(fall["for_s"]), 60.0, words)

    def _spread(self, level: list[float], stage: str, alarms: AlarmBook) -> Iterator[Condition]:
        rule = self._set["spread_too_wide"]
        known = [(level[z], z) for z in self._places.pots if level[z] == level[z]]
        if len(known) < 2:
            return
        (low, cold), (high, hot) = min(known), max(known)
        active = alarms.active(f"spread_too_wide:{LOAD}")
        holds = (
            high - low > float(rule["spread_c"]) - (30.0 if active else 0.0)
            and stage in (PEAK, BURN_DOWN)
            and low < self._plan.burnout_c
        )
        if _idle("spread_too_wide", LOAD, holds, alarms):
            return
        names = self._places.zones
        told = (names[hot], Degrees("by", high - low), names[cold])
        words = partial(said, "{} is {} hotter than {}.", *told)
        yield Condition("spread_too_wide", None, None, holds, float(rule["for_s"]), 120.0, words)

    def _good_news(self, booked: Booked) -> tuple[list[list[bool]], list[list[bool]]] | None:
        """Where a target was reached lately and where a soak was done; None if nowhere."""
        wait = max(1.0, float(self._set["target_reached"]["for_s"]) - 59.0)
        soak = self._plan.soak_min * 60.0
        done_s = np.empty(booked.soak_s.shape)
        for i, there in enumerate(booked.there):
            self.done_s = done_s[i] = np.where(there | (self.done_s >= wait), self.done_s + 1.0, 0.0)
        reached = (wait <= done_s) & (done_s <= wait + GOOD_NEWS_S)
        soaked = (soak <= booked.soak_s) & (booked.soak_s <= soak + GOOD_NEWS_S) & (done_s > 0.0)
        if not (reached.any() or soaked.any()):
            return None
        return reached.tolist(), soaked.tolist()

    def _good(self, i: int, alarms: AlarmBook) -> Iterator[Condition]:
        for z in self._places.pots:
            zone, c = self._places.zones[z], self._counted[i][z]
            reached, soaked = (news[i][z] for news in self._news) if self._news else (False, False)
            if not _idle("target_reached", zone, reached, alarms):
                at = partial(said, "{} is at {}.", self._place(i, z), Degrees("at", c))
                words: Callable[[], str] = at if c == c else str
                yield Condition("target_reached", zone, None, reached, 1.0, 1.0, words)
            if not _idle("soak_done", zone, soaked, alarms):
                target = f"{self._plan.soak_min:.0f} min", Degrees("at", self._plan.target_c)
                words = partial(said, "{} has had {} at {}.", self._place(i, z), *target)
                yield Condition("soak_done", zone, None, soaked, 1.0, 1.0, words)


def _idle(rule: str, place: str, holds: bool, alarms: AlarmBook) -> bool:
    return not holds and f"{rule}:{place}" not in alarms.alarms


def _columns(where: Bools) -> set[int]:
    """Columns that hold in any row."""
    return set(np.flatnonzero(where.any(axis=0)).tolist())
