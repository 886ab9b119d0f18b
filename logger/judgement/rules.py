"""The alarm rules: each second, which condition holds where.

A rule gives for each of its places whether its condition holds (less is asked for where its alarm is active:
the deadband), how long that must last, and the words for it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from logger.judgement.alarms import AlarmBook
from logger.judgement.rules_probe import HOT_JUNCTION, WORDS
from logger.judgement.stages import BURN_DOWN, COOLING, DRYING, PEAK
from logger.judgement.trend import SLOW_EVERY_S, Bools, Course, Trend
from logger.judgement.zones import Places, Walls, ZoneBook, ZoneCourse
from logger.plan import Plan
from logger.reading import Floats, Ints

STALL_SETTLED_S: Final = 80.0
"""A zone fed by armloads rises in steps: it must look like a stall for so long. [s]"""

STALL_KNOWN: Final = 0.6
"""Least share of each half of the time looked at in which a probe must have told its zone's level."""

LOAD: Final = "load"
"""Place of an alarm that is about the whole stack."""


@dataclass(frozen=True, slots=True)
class Condition:
    """One rule at one place in one second."""

    rule: str
    zone: str | None
    probe: str | None
    holds: bool
    on_delay_s: float
    off_delay_s: float
    message: str

    @property
    def key(self) -> str:
        """The alarm's key."""
        return f"{self.rule}:{self.probe or self.zone or LOAD}"


Rows = list[list[float]]


class Rules:
    """All rules but those about collapse, with what they must remember.

    Parameters
    ----------
    plan : Plan
    places : Places
    """

    def __init__(self, plan: Plan, places: Places) -> None:
        z = len(places.zones)
        self.done_s = [0.0] * z
        self.settled_s = [0.0] * z
        self.stalled = [False] * z
        self._plan = plan
        self._places = places
        self._set: dict[str, dict[str, Any]] = plan.alarms

    def run(
        self, course: Course, fault: Ints, trusted: Floats, zones: ZoneCourse, walls: Walls | None
    ) -> None:
        """Take n seconds; `conditions` then goes through them. What holds nowhere in them is left out.

        Parameters
        ----------
        course : Course
        fault : int array (n, k)
        trusted : array (n, k)
        zones : ZoneCourse
        walls : Walls or None
            None where nothing is estimated.
        """
        hot, fall = self._set["over_temperature"], self._set["cooling_too_fast"]
        level, rate = zones.level_c, zones.rate_c_per_min
        self._level: Rows = level.tolist()
        self._rate: Rows = rate.tolist()
        self._counted: Rows = zones.counted_c.tolist()
        self._soak: Rows = zones.soak_s.tolist()
        self._fault = fault.tolist()
        self._faulty = _columns(fault > 0)
        self._hot = _columns(level > float(hot["limit_c"]) - 15.0)
        within = (level > float(fall["to_c"])) & (level < float(fall["from_c"]))
        self._falling = set(self._places.pots) & _columns(
            within & (rate < -0.7 * float(fall["rate_c_per_min"]))
        )
        self._warm = set(self._places.pots) & _columns(zones.counted_c >= self._plan.target_c)
        self._heating = self._coldest(course, trusted, zones, walls)

    def conditions(
        self,
        i: int,
        second: int,
        trend: Trend,
        book: ZoneBook,
        trusted: Floats,
        stage: str,
        alarms: AlarmBook,
    ) -> Iterator[Condition]:
        """Go through the rules in second i of the last `run`.

        Yields
        ------
        Condition
            Those that hold, and those that don't where their alarm may be up.
        """
        level, rate = self._level[i], self._rate[i]
        up: dict[str, list[str]] = {}
        for key, alarm in alarms.alarms.items():
            up.setdefault(alarm.rule, []).append(key)
        if self._faulty or "probe_fault" in up:
            yield from self._probe_fault(i, alarms)
        if self._heating is not None or "heating_too_fast" in up:
            yield from self._heating_too_fast(i, alarms)
        if self._hot or "over_temperature" in up:
            yield from self._over_temperature(level, alarms)
        if self._falling or "cooling_too_fast" in up:
            yield from self._cooling(level, rate, alarms)
        yield from self._stalled(second, level, trend, book, trusted, stage, alarms)
        if stage in (PEAK, BURN_DOWN) or "spread_too_wide" in up:
            yield from self._spread(level, stage, alarms)
        if self._warm or any(self.done_s):
            yield from self._good(i, alarms)

    def _probe_fault(self, i: int, alarms: AlarmBook) -> Iterator[Condition]:
        for j, fault in enumerate(self._fault[i]):
            probe = self._plan.probes[j]
            if _idle("probe_fault", probe.name, fault > 0, alarms):
                continue
            words = f"{probe.name} {WORDS[fault]}" if fault else ""
            # The delays of faults are in the watch itself, but for heat, which comes slowly.
            delay = float(self._set["probe_fault"]["for_s"]) if fault == HOT_JUNCTION else 1.0
            yield Condition("probe_fault", probe.zone, probe.name, fault > 0, delay, 30.0, words)

    def _coldest(
        self, course: Course, trusted: Floats, zones: ZoneCourse, walls: Walls | None
    ) -> list[tuple[float, float, float, int]] | None:
        """Level, rate, gradient and zone of the coldest place each second; None if none heats too fast."""
        touching, pots = self._places.walls, self._places.pots
        level = np.where(trusted[:, touching] > 0.0, course.level_c[:, touching], np.inf)
        rate, of_zone = course.rate_c_per_min[:, touching], [self._places.zone_of[j] for j in touching]
        if not touching or not np.isfinite(level.min(axis=1)).all():
            # Walls tell: the air between them may jump.
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
            # What the clay feels is how much hotter its face is than its inside, not a reading's rate.
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
        holds, words = False, ""
        if self._heating is not None:
            coldest, speed, steep, zone = self._heating[i]
            if steep == steep:
                fast = steep > float(rule["gradient_c_mm"]) * ease
                words = f"its wall is {steep:.1f} °C/mm hotter towards its face (estimated)"
            else:
                fast = speed > float(rule["rate_c_per_min"]) * ease
                words = f"rises by {speed:.0f} °C/min"
            holds = coldest < float(rule["below_c"]) and fast
            words = f"{self._places.zones[zone]} is at {coldest:.0f} °C and {words}"
        if not _idle("heating_too_fast", LOAD, holds, alarms):
            words = words if holds else ""
            yield Condition("heating_too_fast", None, None, holds, float(rule["for_s"]), 60.0, words)

    def _over_temperature(self, level: list[float], alarms: AlarmBook) -> Iterator[Condition]:
        hot = self._set["over_temperature"]
        limit = float(hot["limit_c"])
        for z, zone in enumerate(self._places.zones):
            active = alarms.active(f"over_temperature:{zone}")
            holds = level[z] > limit - (15.0 if active else 0.0)
            if not _idle("over_temperature", zone, holds, alarms):
                words = f"{zone} is at {level[z]:.0f} °C"
                yield Condition("over_temperature", zone, None, holds, float(hot["for_s"]), 30.0, words)

    def _cooling(self, level: list[float], rate: list[float], alarms: AlarmBook) -> Iterator[Condition]:
        fall = self._set["cooling_too_fast"]
        quick, low, high = float(fall["rate_c_per_min"]), float(fall["to_c"]), float(fall["from_c"])
        for z in self._places.pots:
            zone, c, r = self._places.zones[z], level[z], rate[z]
            active = alarms.active(f"cooling_too_fast:{zone}")
            holds = (
                low < c < high
                and r < -quick * (0.7 if active else 1.0)
                # A collapse says the same, and what to do.
                and not alarms.active(f"coal_collapse:{zone}")
            )
            if _idle("cooling_too_fast", zone, holds, alarms):
                continue
            words = f"{zone} falls by {-r:.0f} °C/min at {c:.0f} °C" if holds else ""
            yield Condition("cooling_too_fast", zone, None, holds, float(fall["for_s"]), 60.0, words)

    def _stalled(
        self,
        second: int,
        level: list[float],
        trend: Trend,
        book: ZoneBook,
        trusted: Floats,
        stage: str,
        alarms: AlarmBook,
    ) -> Iterator[Condition]:
        if second % SLOW_EVERY_S == 0:
            self._look_for_stalls(level, trend, book, trusted, stage, alarms)
        for z in self._places.pots:
            zone, c = self._places.zones[z], level[z]
            if _idle("stalled_zone", zone, self.stalled[z], alarms):
                continue
            words = ""
            if self.stalled[z]:
                words = f"{zone} stands still at {c:.0f} °C, {self._plan.target_c - c:.0f} °C short"
            yield Condition("stalled_zone", zone, None, self.stalled[z], 1.0, 60.0, words)

    def _look_for_stalls(
        self,
        level: list[float],
        trend: Trend,
        book: ZoneBook,
        trusted: Floats,
        stage: str,
        alarms: AlarmBook,
    ) -> None:
        rule = self._set["stalled_zone"]
        slow, above = float(rule["rate_c_per_min"]), float(rule["above_c"])
        short = self._plan.target_c - float(rule["short_c"]) + 5.0
        near = [
            z
            for z in self._places.pots
            if above < level[z] < short + 10.0 and self.done_s[z] == 0.0 and stage not in (DRYING, COOLING)
        ]
        self.stalled = [False] * len(self.stalled)
        if not near:
            self.settled_s = [0.0] * len(self.settled_s)
            return
        # Slopes of lines through the time, a minute longer than asked for, and through both its halves.
        rows = trend.slow.last(2 * int((float(rule["for_s"]) + 60.0) / (2.0 * SLOW_EVERY_S)))
        half = len(rows) // 2
        slopes = np.stack([_slope(rows), _slope(rows[:half]), _slope(rows[half:])])
        known = trusted * np.isfinite(slopes).all(axis=0)
        whole, early, late = book.means(slopes, np.stack([known] * 3)).tolist()
        for z in range(len(self.stalled)):
            still = (
                z in near
                and level[z] < short
                and abs(whole[z]) < slow
                and max(abs(early[z]), abs(late[z])) < 1.6 * slow
                # Else it is turning, as at a peak, and was still for a moment only.
                and abs(early[z] - late[z]) < 2.0 * slow
            )
            # A dip or a puff of flame doesn't start the wait anew.
            change = SLOW_EVERY_S if still else -2.0 * SLOW_EVERY_S
            self.settled_s[z] = min(max(self.settled_s[z] + change, 0.0), STALL_SETTLED_S)
            if alarms.active(f"stalled_zone:{self._places.zones[z]}"):
                self.stalled[z] = z in near and abs(late[z]) < 7.0 / 3.0 * slow
            else:
                self.stalled[z] = still and self.settled_s[z] >= STALL_SETTLED_S

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
        words = f"{names[hot]} is {high - low:.0f} °C hotter than {names[cold]}" if holds else ""
        yield Condition("spread_too_wide", None, None, holds, float(rule["for_s"]), 120.0, words)

    def _good(self, i: int, alarms: AlarmBook) -> Iterator[Condition]:
        level, counted, soak_s = self._level[i], self._counted[i], self._soak[i]
        wait, soak = float(self._set["target_reached"]["for_s"]), self._plan.soak_min * 60.0
        for z in self._places.pots:
            zone, c = self._places.zones[z], counted[z]
            how = " (estimated)" if c == c and c != level[z] else ""
            if c >= self._plan.target_c:
                self.done_s[z] += 1.0
            elif self.done_s[z] < wait:
                self.done_s[z] = 0.0
            # Good news stands for two minutes and then makes room.
            fresh = wait <= self.done_s[z] <= wait + 120.0
            if not _idle("target_reached", zone, fresh, alarms):
                words = f"{zone} is at {c:.0f} °C{how}" if fresh else ""
                yield Condition("target_reached", zone, None, fresh, 1.0, 1.0, words)
            fresh = soak <= soak_s[z] <= soak + 120.0 and self.done_s[z] > 0.0
            if not _idle("soak_done", zone, fresh, alarms):
                words = f"{zone} has had {self._plan.soak_min:.0f} min at {self._plan.target_c:.0f} °C{how}"
                yield Condition("soak_done", zone, None, fresh, 1.0, 1.0, words if fresh else "")


def _idle(rule: str, place: str, holds: bool, alarms: AlarmBook) -> bool:
    return not holds and f"{rule}:{place}" not in alarms.alarms


def _slope(rows: Floats) -> Floats:
    """Slope of a line through rows that are `SLOW_EVERY_S` apart, per column, in °C/min.

    NaN where less than `STALL_KNOWN` of them are known.
    """
    t_min = (np.arange(len(rows)) - (len(rows) - 1) / 2.0) * (SLOW_EVERY_S / 60.0)
    known = np.isfinite(rows)
    if known.all():
        whole: Floats = ((t_min / (t_min @ t_min))[:, None] * rows).sum(axis=0)
        return whole
    n = known.sum(axis=0)
    n = np.where(n >= STALL_KNOWN * len(rows), n, np.nan)
    t = np.where(known, t_min[:, None], 0.0)
    t = np.where(known, t - t.sum(axis=0) / n, 0.0)
    square = (t**2).sum(axis=0)
    square[square == 0.0] = np.nan
    part: Floats = (t * np.where(known, rows, 0.0)).sum(axis=0) / square
    return part


def _columns(where: Bools) -> set[int]:
    """Columns in which something holds somewhere."""
    return set(np.flatnonzero(where.any(axis=0)).tolist())
