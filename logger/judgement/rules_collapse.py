"""Coal collapse: a part of the stack loses heat while the coals hold and the rest doesn't fall alike.

What is looked at is each zone's turn for the worse: its loss over the last half minute and minute, beyond
what its own earlier fall leads one to expect, and beyond the same of the other zones. Flames dying, rain and
a raking-out take all down; a gust and an armload dip a zone, which then comes back.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from logger.judgement.alarms import AlarmBook
from logger.judgement.rules import Condition
from logger.judgement.rules_probe import ProbeWatch
from logger.judgement.stages import BURN_DOWN, COOLING, DRYING, Stages
from logger.judgement.trend import Trend
from logger.judgement.zones import Places, ZoneBook
from logger.plan import Plan
from logger.reading import Floats

WINDOWS_S: Final = (30, 60)
FLAMES_WAIT_S: Final = 40.0
"""While wood burns an armload may dip a zone for so much longer."""


class Collapse:
    """Watches each zone with pots for a collapse of the coals beside it.

    Parameters
    ----------
    plan : Plan
    places : Places
    """

    def __init__(self, plan: Plan, places: Places) -> None:
        z = len(places.zones)
        self.held_s = [0.0] * z
        self._places = places
        self._set = plan.alarms["coal_collapse"]

    def conditions(
        self,
        trend: Trend,
        watch: ProbeWatch,
        book: ZoneBook,
        stages: Stages,
        alarms: AlarmBook,
        rate: Floats,
    ) -> Iterator[Condition]:
        """Go through the zones.

        Yields
        ------
        Condition
        """
        places = self._places
        if len(places.pots) < 2 or len(watch.fault) == 0:
            return
        drop_c, within_s = float(self._set["drop_c"]), float(self._set["within_s"])
        pace = drop_c / within_s
        falling = bool((book.rate_c_per_min < -30.0 * pace).any())
        if not falling and not any(f"coal_collapse:{places.zones[z]}" in alarms.alarms for z in places.pots):
            self.held_s = [0.0] * len(self.held_s)
            return
        change30, change60 = trend.change_c(30), trend.change_c(60)
        before30 = (trend.slow.ago(6) - trend.slow.ago(18)) / 2.0
        before60 = trend.slow.ago(12) - trend.slow.ago(24)
        turn30 = change30 - np.minimum(before30, 0.0)
        turn60 = change60 - np.minimum(before60, 0.0)
        sharp = trend.median_c - trend.fast.ago(10)
        turn15 = trend.change_c(15)
        columns = (change30, change60, turn30, turn60, turn15, sharp, trend.level_c, rate)
        table = [book.mean(x).tolist() for x in columns]
        rows = [[column[z] for column in table] for z in places.pots]
        holds_coals = self._coals_hold(watch.trusted, turn15 * 4.0, rows)
        burning = stages.stage != BURN_DOWN
        half, whole = -30.0 * pace, -60.0 * pace
        for i, z in enumerate(places.pots):
            if places.surface[places.members[z]].all():
                continue
            zone = places.zones[z]
            lost30, lost60, own30, own60, lately, now, level, r = rows[i]
            rest = rows[:i] + rows[i + 1 :]
            quick = (
                lost30 < 2.2 * half
                and own30 < 2.0 * half
                and own30 - _common([row[2] for row in rest]) < 1.8 * half
            )
            steady = (
                lost60 < 1.75 * whole
                and own60 < 1.4 * whole
                and own60 - _common([row[3] for row in rest]) < 1.4 * whole
            )
            turning = (
                (quick or steady)
                and holds_coals
                and lately < -5.0
                and level > 200.0
                and stages.stage not in (DRYING, COOLING)
            )
            self.held_s[z] = self.held_s[z] + 1.0 if turning else 0.0
            wait = float(self._set["for_s"])
            if alarms.active(f"coal_collapse:{zone}"):
                # Stands while the zone goes on falling.
                holds = r < 0.5 * whole
            elif burning:
                # An armload's dip has its lowest point by now.
                holds = self.held_s[z] >= wait + FLAMES_WAIT_S and now < -2.0
            else:
                holds = self.held_s[z] >= wait
            words = f"{zone} has lost {-lost60:.0f} °C in a minute while the coals hold" if holds else ""
            yield Condition("coal_collapse", zone, None, holds, 1.0, 45.0, words)

    def _coals_hold(self, trusted: Floats, coals_rate: Floats, rows: list[list[float]]) -> bool:
        limit = -float(self._set["coals_fall_c_per_min"])
        coals = [float(coals_rate[j]) for j in self._places.coals if trusted[j] > 0.0]
        if coals:
            return sum(coals) / len(coals) > limit
        # Nobody looks at the coals: something in the stack must hold.
        rates = [4.0 * row[4] for row in rows if row[4] == row[4]]
        return bool(rates) and max(rates) > limit


def _common(turns: list[float]) -> float:
    """How much of a turn is common: 2.5 times the middle zone's, as exposed places turn by so much more."""
    known = [turn for turn in turns if turn == turn]
    return min(2.5 * _median(known), min(known, default=0.0), 0.0)


def _median(values: list[float]) -> float:
    known = sorted(v for v in values if v == v)
    n = len(known)
    return (known[n // 2] + known[(n - 1) // 2]) / 2.0 if n else 0.0
