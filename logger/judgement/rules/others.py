"""The alarm rules: which condition holds where, each second.

For each of its places a rule says whether its condition holds (with a deadband while its alarm is active),
how long it must last, and the message.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Any, Final

import numpy as np

from logger.judgement.alarms import AlarmBook, Condition
from logger.judgement.ledger import Booked
from logger.judgement.levels import told_place
from logger.judgement.probes.faults import WORDS, Fault
from logger.judgement.rows import Bools
from logger.judgement.rules.collapse import Collapse
from logger.judgement.rules.held import Held
from logger.judgement.rules.stalls import Stalls
from logger.judgement.stages import BURN_DOWN, PEAK
from logger.judgement.trend import Course
from logger.judgement.zones import Places, Walls, ZoneCourse
from logger.plan import Plan
from logger.reading import Floats, Ints
from logger.words.said import Degrees, Said, said

GOOD_NEWS_S: Final = 120.0
"""How long good news is shown. [s]"""


class Rules:
    """All rules, with what they must remember."""

    def __init__(self, plan: Plan, places: Places) -> None:
        self.done_s: Floats = np.zeros(len(places.zones))
        self.collapse = Collapse(plan, places)
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
        """Take n seconds for `conditions` to step through.

        `fault` and `trusted` are (n, k); `walls` is None where nothing is estimated.
        """
        self._zones = zones
        self._fallen = self.collapse.run(course, trusted, zones)
        self.stalls.run(course, trusted, zones, booked.counted_c)
        self._first = (
            self._probe_fault(fault),
            self._heating_too_fast(course, trusted, zones, walls),
            self._over_temperature(),
            self._cooling(),
        )
        self._wide, self._news = self._spread(), self._good_news(booked)

    def conditions(self, i: int, stage: str, raked: bool, alarms: AlarmBook) -> Iterator[Condition]:
        """Yield the conditions that hold in second i of the last `run`, and those whose alarm may be up.

        `raked`: raking out has begun.
        """
        up = {alarm.rule for alarm in alarms.alarms.values()}
        yield from self._fallen.conditions(i, alarms, up, raises=not raked)
        for held in self._first:
            yield from held.conditions(i, alarms, up)
        yield from self.stalls.conditions(i, raked, alarms)
        hot = stage in (PEAK, BURN_DOWN)
        yield from self._wide.conditions(i, alarms, up, raises=hot, keeps=hot)
        yield from self._news.conditions(i, alarms, up)

    def _held(
        self,
        rule: str,
        zones: Sequence[str | None],
        holds: Bools,
        stays: Bools,
        off_s: float,
        words: Callable[[int, int], str],
        known: Bools | None = None,
    ) -> Held:
        for_s = float(self._set[rule]["for_s"])
        return Held([(rule, zone, None) for zone in zones], holds, stays, for_s, off_s, words, known)

    def _probe_fault(self, fault: Ints) -> Held:
        # `ProbeWatch` has the delays of all faults but a hot junction, which warms slowly.
        for_s = np.where(fault == Fault.HOT_JUNCTION, float(self._set["probe_fault"]["for_s"]), 1.0)
        probes, there = self._plan.probes, fault > 0

        def words(i: int, j: int) -> str:
            return f'"{probes[j].name}" {WORDS[Fault(fault[i, j])]}'

        return Held([("probe_fault", p.zone, p.name) for p in probes], there, there, for_s, 1.0, words)

    def _heating_too_fast(
        self, course: Course, trusted: Floats, zones: ZoneCourse, walls: Walls | None
    ) -> Held:
        rule = self._set["heating_too_fast"]
        lowest, speed, zone = self._coldest(course, trusted, zones)
        steep = np.full(len(zone), np.nan)
        if walls is not None:
            # Clay bursts from the difference between its face and its inside, not from a reading's rate.
            rows = np.arange(len(zone))
            steep = walls.gradient_c_mm[rows, zone]
            lowest = np.where(np.isnan(steep), lowest, walls.wall_c[rows, zone])
        most_c, most_c_mm = float(rule["rate_c_per_min"]), float(rule["gradient_c_mm"])
        holds, stays = (
            (lowest < float(rule["below_c"]))
            & np.where(np.isnan(steep), speed > most_c * ease, steep > most_c_mm * ease)
            for ease in (1.0, 0.8)
        )

        def words(i: int, _: int) -> Said:
            if np.isnan(steep[i]):
                how, value = "rising by {} a minute.", Degrees("by", float(speed[i]))
            else:
                how = "its wall gets {}/mm hotter towards the face (estimated)."
                value = Degrees("by", float(steep[i]), ".1f")
            name = self._places.zones[zone[i]]
            return said(f"{{}} is at {{}} and {how}", name, Degrees("at", float(lowest[i])), value)

        return self._held("heating_too_fast", [None], holds[:, None], stays[:, None], 60.0, words)

    def _coldest(self, course: Course, trusted: Floats, zones: ZoneCourse) -> tuple[Floats, Floats, Ints]:
        """Level, rate and zone of the coldest place each second; inf where nothing is known."""
        touching, pots = self._places.walls, self._places.pots
        level = np.where(trusted[:, touching] > 0.0, course.level_c[:, touching], np.inf)
        # Walls decide where there are any: the air between them may jump.
        blind = ~np.isfinite(level).any(axis=1, keepdims=True)
        pot_level = np.where(blind & ~np.isnan(zones.level_c[:, pots]), zones.level_c[:, pots], np.inf)
        unknown = np.full((len(level), 1), np.inf)
        level = np.concatenate([level, pot_level, unknown], axis=1)
        rates = [course.rate_c_per_min[:, touching], zones.rate_c_per_min[:, pots], unknown]
        rate = np.concatenate(rates, axis=1)
        of_zone = np.array([*(self._places.zone_of[j] for j in touching), *pots, 0])
        at = level.argmin(axis=1)
        rows = np.arange(len(at))
        return level[rows, at], rate[rows, at], of_zone[at]

    def _at(self, i: int, z: int) -> tuple[str, Degrees]:
        """A zone and its level."""
        zones = self._zones
        return told_place(self._places, z, zones.basis[i, z]), Degrees("at", float(zones.level_c[i, z]))

    def _over_temperature(self) -> Held:
        level, limit_c = self._zones.level_c, float(self._set["over_temperature"]["limit_c"])

        def words(i: int, z: int) -> Said:
            return said("{} is at {}.", *self._at(i, z))

        zones = self._places.zones
        return self._held("over_temperature", zones, level > limit_c, level > limit_c - 15.0, 30.0, words)

    def _cooling(self) -> Held:
        rule, pots = self._set["cooling_too_fast"], self._places.pots
        level, rate = self._zones.level_c[:, pots], self._zones.rate_c_per_min[:, pots]
        within = (level > float(rule["to_c"])) & (level < float(rule["from_c"]))
        holds, stays = (within & (rate < -float(rule["rate_c_per_min"]) * ease) for ease in (1.0, 0.7))

        def words(i: int, m: int) -> Said:
            fell = Degrees("by", -float(rate[i, m]))
            return said("{} is at {} and falling by {} a minute.", *self._at(i, pots[m]), fell)

        zones = [self._places.zones[z] for z in pots]
        return self._held("cooling_too_fast", zones, holds, stays, 60.0, words)

    def _spread(self) -> Held:
        level = self._zones.level_c[:, self._places.pots]
        there = ~np.isnan(level)
        low = np.where(there, level, np.inf).min(axis=1, initial=np.inf)
        high = np.where(there, level, -np.inf).max(axis=1, initial=-np.inf)
        most_c = float(self._set["spread_too_wide"]["spread_c"])
        holds, stays = (
            ((high - low > most_c - ease_c) & (low < self._plan.burnout_c))[:, None] for ease_c in (0.0, 30.0)
        )

        def words(i: int, _: int) -> Said:
            row = self._zones.level_c[i].tolist()
            known = [(row[z], z) for z in self._places.pots if row[z] == row[z]]
            (least, cold), (most, hot) = min(known), max(known)
            names = self._places.zones
            return said("{} is {} hotter than {}.", names[hot], Degrees("by", most - least), names[cold])

        known = there.sum(axis=1) > 1
        return self._held("spread_too_wide", [None], holds, stays, 120.0, words, known)

    def _good_news(self, booked: Booked) -> Held:
        """Where a target was reached lately, and where a soak was done."""
        wait = max(1.0, float(self._set["target_reached"]["for_s"]) - 59.0)
        soak, pots = self._plan.soak_min * 60.0, self._places.pots
        done_s = np.empty(booked.soak_s.shape)
        for i, there in enumerate(booked.there):
            self.done_s = done_s[i] = np.where(there | (self.done_s >= wait), self.done_s + 1.0, 0.0)
        reached = (wait <= done_s) & (done_s <= wait + GOOD_NEWS_S)
        soaked = (soak <= booked.soak_s) & (booked.soak_s <= soak + GOOD_NEWS_S) & (done_s > 0.0)
        # A zone's two pieces of news follow one another.
        holds = np.stack([reached[:, pots], soaked[:, pots]], axis=2).reshape(len(done_s), -1)
        zones = [self._places.zones[z] for z in pots for _ in range(2)]
        rules = ("target_reached", "soak_done") * len(pots)

        def words(i: int, m: int) -> str:
            z = pots[m // 2]
            place = told_place(self._places, z, self._zones.basis[i, z])
            if m % 2:
                target = f"{self._plan.soak_min:.0f} min", Degrees("at", self._plan.target_c)
                return said("{} has had {} at {}.", place, *target)
            c = float(booked.counted_c[i, z])
            return said("{} is at {}.", place, Degrees("at", c)) if c == c else ""

        places = [(rule, zone, None) for rule, zone in zip(rules, zones, strict=True)]
        return Held(places, holds, holds, 1.0, 1.0, words)
