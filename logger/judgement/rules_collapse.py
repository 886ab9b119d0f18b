"""Coal collapse: one part of the stack starts to lose heat while the coals hold and the rest doesn't fall alike.

What is looked at is each zone's turn for the worse: its loss over the last half minute and minute, beyond what
its own earlier fall leads one to expect, and beyond the same of the other zones. Flames dying, rain and a
raking-out take all down; a gust and an armload dip a zone, which then comes back.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

import numpy as np

from logger.judgement.alarms import AlarmBook
from logger.judgement.rules import Condition
from logger.judgement.rules_probe import ProbeWatch
from logger.judgement.stages import BURN_DOWN, DRYING, Stages
from logger.judgement.trend import Trend
from logger.judgement.zones import Places, ZoneBook
from logger.plan import Plan
from logger.reading import Floats

WINDOWS_S: Final = (30, 60)
FLAMES_WAIT_S: Final = 45.0
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
        self.from_c: Floats = np.full(z, np.nan)
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
            return
        change30, change60 = trend.change_c(30), trend.change_c(60)
        before30 = (trend.slow.ago(6) - trend.slow.ago(18)) / 2.0
        before60 = trend.slow.ago(12) - trend.slow.ago(24)
        turn30 = change30 - np.minimum(before30, 0.0)
        turn60 = change60 - np.minimum(before60, 0.0)
        columns = (change30, change60, turn30, turn60, rate, trend.level_c)
        table = [book.mean(x).tolist() for x in columns]
        rows = [[column[z] for column in table] for z in places.pots]
        holds_coals = self._coals_hold(watch.trusted > 0.0, rate, rows)
        flames = stages.stage != BURN_DOWN
        for i, z in enumerate(places.pots):
            if places.surface[places.members[z]].all():
                continue
            zone = places.zones[z]
            lost30, lost60, own30, own60, r, level = rows[i]
            others30 = _median([rows[o][2] for o in range(len(rows)) if o != i])
            others60 = _median([rows[o][3] for o in range(len(rows)) if o != i])
            active = alarms.active(f"coal_collapse:{zone}")
            if active:
                # Stands while it goes on falling faster than the pace of a collapse.
                holds = r < -0.5 * pace * 60.0
            else:
                quick = (
                    lost30 < -pace * 30.0 * 1.6
                    and own30 < -pace * 30.0 * 1.4
                    and own30 - min(others30, 0.0) < -pace * 30.0 * 1.2
                )
                steady = (
                    lost60 < -pace * 60.0 * 1.3
                    and own60 < -pace * 60.0 * 0.9
                    and own60 - min(others60, 0.0) < -pace * 60.0 * 0.8
                )
                holds = (
                    (quick or steady)
                    and holds_coals
                    and r < -pace * 60.0
                    and level > 200.0
                    and stages.stage != DRYING
                )
            words = f"{zone} has lost {-lost60:.0f} °C in a minute while the coals hold" if holds else ""
            wait = float(self._set["for_s"]) + (FLAMES_WAIT_S if flames else 0.0)
            yield Condition("coal_collapse", zone, None, holds, wait, 45.0, words)

    def _coals_hold(self, trusted: Floats, rate: Floats, rows: list[list[float]]) -> bool:
        limit = -float(self._set["coals_fall_c_per_min"])
        coals = [float(rate[j]) for j in self._places.coals if trusted[j]]
        if coals:
            return sum(coals) / len(coals) > limit
        # Nobody looks at the coals: something in the stack must hold.
        rates = [row[4] for row in rows if row[4] == row[4]]
        return bool(rates) and max(rates) > limit

    def state(self) -> dict[str, Any]:
        """For a snapshot."""
        return {}


def _median(values: list[float]) -> float:
    known = sorted(v for v in values if v == v)
    n = len(known)
    return (known[n // 2] + known[(n - 1) // 2]) / 2.0 if n else 0.0
