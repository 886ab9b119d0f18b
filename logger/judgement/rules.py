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
from logger.judgement.rules_probe import HOT_JUNCTION, WORDS, ProbeWatch
from logger.judgement.stages import BURN_DOWN, COOLING, DRYING, PEAK, Stages
from logger.judgement.trend import SLOW_EVERY_S, Trend
from logger.judgement.zones import Places, ZoneBook
from logger.plan import Plan
from logger.reading import Floats

STALL_SETTLED_S: Final = 140.0
"""A zone fed by armloads rises in steps: its last minutes must look alike for so long."""

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


def _idle(rule: str, place: str, holds: bool, alarms: AlarmBook) -> bool:
    return not holds and f"{rule}:{place}" not in alarms.alarms


class Rules:
    """All rules but those about collapse, with what they must remember.

    Parameters
    ----------
    plan : Plan
    places : Places
    """

    def __init__(self, plan: Plan, places: Places) -> None:
        z = len(places.zones)
        self.still_s = [0.0] * z
        self.done_s = [0.0] * z
        self.mean_c: Floats = np.full(z, np.nan)
        self._plan = plan
        self._places = places
        self._set: dict[str, dict[str, Any]] = plan.alarms

    def conditions(
        self, t_s: float, trend: Trend, book: ZoneBook, stages: Stages, watch: ProbeWatch, alarms: AlarmBook
    ) -> Iterator[Condition]:
        """Go through the rules.

        Yields
        ------
        Condition
            Those that hold, and those that don't where their alarm may be up.
        """
        if len(watch.fault) == 0:
            return
        level = book.level_c.tolist()
        rate = book.rate_c_per_min.tolist()
        yield from self._probe_fault(watch, alarms)
        yield from self._heating(level, rate, trend, book, watch, alarms)
        yield from self._zones(level, rate, stages, alarms)
        yield from self._stalled(level, trend, book, stages, alarms)
        yield from self._spread(level, stages, alarms)
        yield from self._good(book)

    def _probe_fault(self, watch: ProbeWatch, alarms: AlarmBook) -> Iterator[Condition]:
        for j, fault in enumerate(watch.fault.tolist()):
            probe = self._plan.probes[j]
            if _idle("probe_fault", probe.name, fault > 0, alarms):
                continue
            words = f"{probe.name} {WORDS[fault]}" if fault else ""
            # The delays of faults are in the watch itself, but for heat, which comes slowly.
            delay = float(self._set["probe_fault"]["for_s"]) if fault == HOT_JUNCTION else 1.0
            yield Condition("probe_fault", probe.zone, probe.name, fault > 0, delay, 30.0, words)

    def _heating(
        self,
        level: list[float],
        rate: list[float],
        trend: Trend,
        book: ZoneBook,
        watch: ProbeWatch,
        alarms: AlarmBook,
    ) -> Iterator[Condition]:
        rule = self._set["heating_too_fast"]
        walls = [j for j in self._places.walls if watch.trusted[j]]
        if walls:
            # Walls tell: the air between them may jump.
            coldest, j = min((float(trend.level_c[j]), j) for j in walls)
            speed, zone = float(trend.rate_c_per_min()[j]), self._places.zone_of[j]
        else:
            known = [(level[z], z) for z in self._places.pots if level[z] == level[z]]
            if not known:
                return
            coldest, zone = min(known)
            speed = rate[zone]
        ease = 0.8 if alarms.active(f"heating_too_fast:{LOAD}") else 1.0
        gradient = float(book.gradient_c_mm[zone])
        if gradient == gradient:
            # What the clay feels is how much hotter its face is than its inside, not a reading's rate.
            coldest = float(book.wall_c[zone])
            fast = gradient > float(rule["gradient_c_mm"]) * ease
            words = f"its wall is {gradient:.1f} °C/mm hotter towards its face (estimated)"
        else:
            fast = speed > float(rule["rate_c_per_min"]) * ease
            words = f"rises by {speed:.0f} °C/min"
        holds = coldest < float(rule["below_c"]) and fast
        yield Condition(
            "heating_too_fast",
            None,
            None,
            holds,
            float(rule["for_s"]),
            60.0,
            f"{self._places.zones[zone]} is at {coldest:.0f} °C and {words}" if holds else "",
        )

    def _zones(
        self, level: list[float], rate: list[float], stages: Stages, alarms: AlarmBook
    ) -> Iterator[Condition]:
        hot, fall = self._set["over_temperature"], self._set["cooling_too_fast"]
        limit, quick = float(hot["limit_c"]), float(fall["rate_c_per_min"])
        low, high = float(fall["to_c"]), float(fall["from_c"])
        for z, zone in enumerate(self._places.zones):
            c, r = level[z], rate[z]
            active = alarms.active(f"over_temperature:{zone}")
            holds = c > limit - (15.0 if active else 0.0)
            if not _idle("over_temperature", zone, holds, alarms):
                words = f"{zone} is at {c:.0f} °C"
                yield Condition("over_temperature", zone, None, holds, float(hot["for_s"]), 30.0, words)
            if z not in self._places.pots:
                continue
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
        self, level: list[float], trend: Trend, book: ZoneBook, stages: Stages, alarms: AlarmBook
    ) -> Iterator[Condition]:
        rule = self._set["stalled_zone"]
        slow = float(rule["rate_c_per_min"])
        # Four quarters of the time, each by its middle value, so that neither flicker nor a dip shakes it.
        part = max(int(float(rule["for_s"]) / (4.0 * SLOW_EVERY_S)), 1)
        rows = trend.slow.last(4 * part).reshape(4, part, -1)
        quarters = np.sort(rows, axis=1)[:, part // 2]
        minutes = part * SLOW_EVERY_S / 60.0
        change = book.mean((quarters[3] - quarters[0]) / (3.0 * minutes)).tolist()
        late = book.mean((quarters[3] - quarters[2]) / minutes).tolist()
        for z in self._places.pots:
            zone = self._places.zones[z]
            r = change[z]
            active = alarms.active(f"stalled_zone:{zone}")
            c = level[z]
            short = self._plan.target_c - float(rule["short_c"]) + (10.0 if active else 0.0)
            holds = (
                float(rule["above_c"]) < c < short
                and abs(r) < slow * (2.0 if active else 1.0)
                and (active or abs(late[z]) < 3.0 * slow)
                and self.done_s[z] == 0.0
                and stages.stage not in (DRYING, COOLING)
            )
            if _idle("stalled_zone", zone, holds, alarms):
                continue
            words = (
                f"{zone} stands still at {c:.0f} °C, {self._plan.target_c - c:.0f} °C short" if holds else ""
            )
            yield Condition("stalled_zone", zone, None, holds, STALL_SETTLED_S, 60.0, words)

    def _spread(self, level: list[float], stages: Stages, alarms: AlarmBook) -> Iterator[Condition]:
        rule = self._set["spread_too_wide"]
        known = [(level[z], z) for z in self._places.pots if level[z] == level[z]]
        if len(known) < 2:
            return
        (low, cold), (high, hot) = min(known), max(known)
        active = alarms.active(f"spread_too_wide:{LOAD}")
        holds = (
            high - low > float(rule["spread_c"]) - (30.0 if active else 0.0)
            and stages.stage in (PEAK, BURN_DOWN)
            and low < self._plan.burnout_c
        )
        names = self._places.zones
        words = f"{names[hot]} is {high - low:.0f} °C hotter than {names[cold]}" if holds else ""
        yield Condition("spread_too_wide", None, None, holds, float(rule["for_s"]), 120.0, words)

    def _good(self, book: ZoneBook) -> Iterator[Condition]:
        wait = float(self._set["target_reached"]["for_s"])
        level, soak_s = book.counted_c.tolist(), book.soak_s.tolist()
        for z in self._places.pots:
            zone, c = self._places.zones[z], level[z]
            if c >= self._plan.target_c:
                self.done_s[z] += 1.0
            elif self.done_s[z] < wait:
                self.done_s[z] = 0.0
            # Good news stands for two minutes and then makes room.
            fresh = wait <= self.done_s[z] <= wait + 120.0
            how = " (estimated)" if book.by_estimate[z] else ""
            words = f"{zone} is at {c:.0f} °C{how}" if fresh else ""
            yield Condition("target_reached", zone, None, fresh, 1.0, 1.0, words)
            soak = self._plan.soak_min * 60.0
            fresh = soak <= soak_s[z] <= soak + 120.0 and self.done_s[z] > 0.0
            yield Condition(
                "soak_done",
                zone,
                None,
                fresh,
                1.0,
                1.0,
                f"{zone} has had {self._plan.soak_min:.0f} min at {self._plan.target_c:.0f} °C{how}"
                if fresh
                else "",
            )
