"""The judgement of one firing: readings in, events and a verdict out. No clock, no files.

Readings go onto a grid of whole seconds, and each second is judged when it is over, so the result doesn't
depend on how the readings were batched.
"""

from __future__ import annotations

import math
from functools import partial
from typing import Any, Final

import numpy as np

from logger.judgement.alarms import AlarmBook, Condition, Event
from logger.judgement.estimate.pots import Pots
from logger.judgement.estimate.zones import EstimateRow, zones_of_pots
from logger.judgement.forecast.arrivals import Forecast
from logger.judgement.forecast.outlook import Outlook, coming
from logger.judgement.ledger import HOLD_S, Ledger, Pages
from logger.judgement.levels import Levels
from logger.judgement.packing import memory, pack, recall, unpack
from logger.judgement.probes.faults import Fault
from logger.judgement.probes.watch import ProbeWatch
from logger.judgement.rows import Bools
from logger.judgement.rules.others import Rules
from logger.judgement.seconds import Rows, Seconds, onto_seconds
from logger.judgement.stages import Stages
from logger.judgement.trend import Course, Trend
from logger.judgement.verdicts import LoadVerdict, load_line, one_hour, zone_verdict
from logger.judgement.zones import Places, Walls
from logger.physics.heat_work import HeatWork
from logger.plan import Plan
from logger.reading import Bytes, Floats

STATE: Final = 13
"""Version of a snapshot. One with another number isn't resumed; the readings are judged again."""

LATE_S: Final = 2.0
"""How late readings may be by the clock before a second is judged without them. [s]"""

BLOCK_S: Final = 1200
"""How many seconds are worked through at once. [s]"""

HEAT_EVERY_S: Final = 10
"""How often heat work is added up: a zone changes little in between. [s]"""

NOTED_S: Final = 5.0
"""A note takes effect this long after it was made: by then all readings of its time are here, so a rehearsal
takes it at exactly the same moment. [s]"""

LONGEST_GAP_S: Final = 4 * 3600
"""Of a longer jump ahead in time only the end is judged. [s]"""

_OWN: Final = ("_second", "_pending", "_quiet_s", "_was_silent", "_raked_s")


class Judge:
    """Judges a firing as its readings come; the plan's probes are the columns of what is pushed.

    `estimating`: estimate the pots' own temperature even where no rule of the plan uses it. `stored`: the
    readings come from a file written by somebody else's logger, so what is missing from it is no fault.
    `usual_s` (k,): time between each probe's readings, where known beforehand.
    """

    def __init__(
        self, plan: Plan, *, estimating: bool = False, stored: bool = False, usual_s: Floats | None = None
    ) -> None:
        self.plan = plan
        wanted = estimating or plan.clay.wall_mm is not None
        self._pots = Pots(plan) if plan.probes and wanted and zones_of_pots(plan) else None
        self._estimates: list[EstimateRow] = []
        k, places = len(plan.probes), Places(plan)
        self._places = places
        self._trend = Trend(k, usual_s)
        self._watch = ProbeWatch(plan, places, stored=stored)
        self._levels = Levels(places)
        self._ledger = Ledger(plan, places)
        self._stages = Stages(places)
        self._rules = Rules(plan, places)
        self._heat = HeatWork(len(places.zones))
        self._alarms = AlarmBook()
        self._outlook = Outlook(plan, places)
        self._rigs = list(dict.fromkeys(p.rig for p in plan.probes))
        self._rig_of = np.array([self._rigs.index(p.rig) for p in plan.probes], np.int64)
        self._second = 0
        self._pending = Rows.none(k)
        self._quiet_s = [math.nan] * len(self._rigs)
        self._was_silent = False
        self._raked_s: list[float] = []

    def push(
        self, t_s: Floats, temperature_c: Floats, status: Bytes, cold_junction_c: Floats | None = None
    ) -> list[Event]:
        """Judge readings; return events in order of time.

        `t_s` (n,) counts from the firing's first reading. Readings of a second already judged are ignored;
        those of the newest second wait until it is over. All else is (n, k): the temperature is NaN where
        the status is not `Status.OK`; `Status.ABSENT` means not in this frame.
        """
        if cold_junction_c is None:
            cold_junction_c = np.full(temperature_c.shape, np.nan)
        new = Rows(np.asarray(t_s, float), temperature_c, status, cold_junction_c)
        both: Any = zip(self._pending, new, strict=True)
        rows = Rows._make(map(np.concatenate, both))
        # A reading whose second was judged is too late; one that is only out of order is put in its place.
        order = np.argsort(rows.t_s, kind="stable")
        order = order[rows.t_s[order] >= self._second]
        if not len(order):
            return []
        rows = rows.part(order)
        return self._judge_until(math.floor(rows.t_s[-1]), rows)

    def advance(self, t_s: float) -> list[Event]:
        """Let time pass without readings; a time earlier than what was pushed changes nothing."""
        until = math.floor(t_s - LATE_S)
        return self._judge_until(until, self._pending) if until > self._second else []

    def report(self, t_s: float, rule: str, place: str, holds: bool, message: str) -> list[Event]:
        """Take a condition that no reading shows, such as a lamp that isn't answering."""
        return self._alarm(t_s, Condition(rule, place, None, holds, 1.0, 1.0, partial(str, message)))

    def act(self, t_s: float, action: str, key: str, who: str, *, minutes: float = 10.0) -> list[Event]:
        """Acknowledge an alarm, shelve it for `minutes` or unshelve it; KeyError: there is no such alarm."""
        return self._alarms.act(t_s, action, key, who, minutes)

    def spot(self, t_s: float, zone: str, reading_c: float, set_emissivity: float) -> bool:
        """Take a gun reading of a zone's surface, as shown with the emissivity the gun was set to.

        False where no estimate can use it: there is none, or none for that place.
        """
        return self._pots is not None and self._pots.spot(t_s, zone, reading_c, set_emissivity)

    def retract_spot(self, t_s: float, zone: str) -> None:
        """Take back the gun reading of `t_s`, as if it had never been made."""
        if self._pots is not None:
            self._pots.retract(t_s, zone)

    def raked(self, t_s: float) -> None:
        """Take a note that raking out began at `t_s`; it takes effect after `NOTED_S`."""
        if t_s not in self._raked_s:
            self._raked_s.append(t_s)

    def retract_raked(self, t_s: float) -> None:
        """Take back such a note, as if it had never been made."""
        if t_s not in self._raked_s:
            self._stages.raked = False
        self._raked_s = [noted for noted in self._raked_s if noted != t_s]

    def close(self) -> None:
        """Book what still waits for a minute without a fault: no more readings will come."""
        if self.plan.probes:
            self._heat_work(self._second, self._ledger.close(self._second))

    def take_estimates(self) -> list[EstimateRow]:
        """Return the estimate's rows since the last call, to be stored."""
        rows, self._estimates = self._estimates, []
        return rows

    def verdict(self, *, ahead: bool = True) -> LoadVerdict:
        """The verdict now; the forecast (`ahead`) costs about a millisecond more per zone."""
        come: dict[str, Forecast | None] = {}
        levels, ledger = self._levels, self._ledger
        if ahead:
            come = self._outlook.forecasts(self._second, self._stages.stage, self._trend, levels, ledger)
        sure = self._outlook.rate_sd(self._trend, levels)
        found = [
            zone_verdict(z, self.plan, self._places, levels, ledger, come.get(zone), sure[zone])
            for z, zone in enumerate(self._places.zones)
        ]
        zones = tuple(sorted(found, key=lambda v: (v.faulty, v.coals, v.level_c or 0.0)))
        pots = [v for v in zones if not v.coals and not v.faulty]
        return LoadVerdict(
            line=load_line(pots, zones),
            stage=self._stages.stage,
            leading=self._stages.leading,
            coldest=pots[0].zone if pots else None,
            zones=zones,
            alarms=tuple(self._alarms.standing()),
            coming=coming(pots),
            estimates={} if self._pots is None else self._pots.state(),
            one_hour=one_hour(self._places.zones, self._heat),
        )

    def snapshot(self) -> bytes:
        """Everything needed to resume at the same second, for `restore`."""
        own = {name: getattr(self, name) for name in _OWN}
        parts = [None if part is None else memory(part) for part in self._parts()]
        zones = [*self.plan.zones, *self.plan.clay.zones]
        return pack({"state": STATE, "zones": zones, "own": own, "parts": parts})

    @classmethod
    def restore(cls, plan: Plan, state: bytes, *, estimating: bool = False, stored: bool = False) -> Judge:
        """Resume from a snapshot with the same plan and switches.

        ValueError if it is of another version, or of a plan with other zones.
        """
        judge = cls(plan, estimating=estimating, stored=stored)
        data = unpack(state)
        if data.get("state") != STATE:
            raise ValueError(f"snapshot of version {data.get('state')}, not {STATE}")
        if data["zones"] != [*plan.zones, *plan.clay.zones]:
            raise ValueError("the snapshot is of other zones; start afresh")
        for name, value in data["own"].items():
            setattr(judge, name, value)
        judge._pending = Rows(*judge._pending)
        for part, remembered in zip(judge._parts(), data["parts"], strict=True):
            if part is not None and remembered is not None:
                recall(part, remembered)
        return judge

    def _parts(self) -> list[object]:
        zones = [self._levels, self._ledger, self._stages, self._heat, self._pots]
        return [self._trend, self._watch, *zones, self._rules, self._alarms]

    def _judge_until(self, second: int, rows: Rows) -> list[Event]:
        """Judge the rows before a second, and keep the rest until their own second is over."""
        over = int(np.searchsorted(rows.t_s, float(second)))
        self._pending = rows.part(np.arange(over, len(rows.t_s)))  # a copy: a view would keep all of them
        return self._judge(rows.part(slice(over))) + self._empty_until(second)

    def _judge(self, rows: Rows) -> list[Event]:
        if not len(rows.t_s):
            return []
        events: list[Event] = []
        at, gathered = onto_seconds(rows)
        far = np.flatnonzero(np.diff(at) > LONGEST_GAP_S) + 1
        for part in np.split(np.arange(len(at)), far):
            events += self._empty_until(int(at[part[0]]))
            here = at[part] - self._second
            seconds = Seconds.empty(int(here[-1]) + 1, len(self.plan.probes))
            for into, what in zip(seconds, gathered, strict=True):
                into[here] = what[part]
            events += self._blocks(seconds)
        return events

    def _empty_until(self, second: int) -> list[Event]:
        if second <= self._second:
            return []
        self._second = max(self._second, second - LONGEST_GAP_S)
        return self._blocks(Seconds.empty(second - self._second, len(self.plan.probes)))

    def _blocks(self, seconds: Seconds) -> list[Event]:
        n = len(seconds.fresh)
        return [e for a in range(0, n, BLOCK_S) for e in self._run(seconds.between(a, a + BLOCK_S))]

    def _run(self, seconds: Seconds) -> list[Event]:
        """Judge some seconds: the arithmetic for all at once, then the alarms and stages one by one."""
        n, begin = len(seconds.fresh), self._second
        if not self.plan.probes:
            self._second += n
            return []
        course = self._trend.run(begin, seconds.value_c, seconds.fresh)
        fault, trusted = self._watch.run(course, seconds)
        walls = self._estimate(begin, course, trusted)
        zones = self._levels.run(course, trusted)
        wrong = (fault > 0) & (fault != Fault.HOT_JUNCTION)
        pages = Pages(course.level_c, zones.weight, seconds.fresh, wrong, zones.basis)
        booked = self._ledger.run(begin, pages)
        self._rules.run(course, fault, trusted, zones, walls, booked)
        stages, alarms = self._stages, self._alarms
        stages.run(zones.level_c, zones.rate_c_per_min, *self._coals(course, trusted))
        heard = seconds.fresh | (seconds.bad > 0)
        all_heard = np.all(heard, axis=1).tolist()
        events: list[Event] = []
        for i in range(n):
            self._second += 1
            # A second is judged when it is over.
            t_s = float(self._second)
            events += alarms.expire(t_s)
            if self._raked_s:
                self._take_notes(t_s)
            if stages.step(i):
                events.append(Event(t_s, "stage", {"stage": stages.stage, "leading": stages.leading}))
            if not all_heard[i] or self._was_silent:
                events += self._rig_silent(t_s, heard[i], course.interval_s[i])
            else:
                self._quiet_s = [0.0] * len(self._quiet_s)
            for condition in self._rules.conditions(i, stages.stage, stages.raked, alarms):
                events += self._alarm(t_s, condition)
        self._heat_work(begin + n - HOLD_S, booked.counted_c)
        return events

    def _heat_work(self, end_s: int, counted_c: Floats) -> None:
        """Add up the heat work of booked seconds, the last of which ends at `end_s`."""
        begin = end_s - len(counted_c)
        for t in range(max(begin // HEAT_EVERY_S + 1, 1) * HEAT_EVERY_S, end_s + 1, HEAT_EVERY_S):
            self._heat.push(float(t), counted_c[t - begin - 1])

    def _take_notes(self, t_s: float) -> None:
        """Put notes of raking into effect once they are due."""
        if any(noted + NOTED_S <= t_s for noted in self._raked_s):
            self._stages.raked = True
            self._raked_s = [noted for noted in self._raked_s if noted + NOTED_S > t_s]

    def _estimate(self, begin: int, course: Course, trusted: Floats) -> Walls | None:
        """The pots' estimated walls each second; None where nothing is estimated."""
        if self._pots is None:
            return None
        rows, walls = self._pots.run(begin, course, trusted)
        self._estimates += rows
        return walls

    def _alarm(self, t_s: float, condition: Condition) -> list[Event]:
        enabled = self.plan.alarms[condition.rule]["enabled"]
        return self._alarms.step(t_s, condition) if enabled else []

    def _rig_silent(self, t_s: float, heard: Bools, interval_s: Floats) -> list[Event]:
        events: list[Event] = []
        after = float(self.plan.alarms["rig_silent"]["after_s"])
        self._was_silent = False
        for i, rig in enumerate(self._rigs):
            here = self._rig_of == i
            quiet_s = self._quiet_s[i] = 0.0 if heard[here].any() else self._quiet_s[i] + 1.0
            holds = bool(quiet_s > max(after, 3.0 * float(interval_s[here].min())))
            words = f"{rig or 'the rig'} has been silent for {quiet_s:.0f} s"
            condition = Condition("rig_silent", rig, None, holds, 1.0, 5.0, partial(str, words))
            events += self._alarm(t_s, condition)
            self._was_silent |= holds or self._alarms.active(condition.key)
        return events

    def _coals(self, course: Course, trusted: Floats) -> list[Floats]:
        """Level and rate of the coals each second, (n,) each; NaN without a trusted probe in them."""
        there = trusted[:, self._places.coals]
        count = there.sum(axis=1)
        count[count == 0.0] = np.nan
        columns = (course.level_c[:, self._places.coals], course.rate_c_per_min[:, self._places.coals])
        return [np.where(there > 0.0, values, 0.0).sum(axis=1) / count for values in columns]
