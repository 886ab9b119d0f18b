"""Looks at the journal for the live page: what is there, and what came since. No network, no clock."""

from __future__ import annotations

import json
import math
import threading
import time
from collections import deque
from pathlib import Path
from statistics import median
from typing import Any, Final

import numpy as np

from dashboard.live.trend import OVER_S, RateOfChange
from logger.errors import StokewatchError
from logger.home import Home
from logger.journal.bands import ReadingBand
from logger.journal.reader import Column, FiringInfo, JournalReader, Traces
from logger.journal.traces import GAP_STEPS, GAP_US, Estimates
from logger.plan import Plan
from logger.reading import Batch, Status
from logger.recording.health import look

HEALTH_S: Final = 1.0
"""How often it is looked whether the logger can record. [s]"""
MAX_POINTS: Final = 1200
"""Points a trace in a snapshot; more than a tablet has pixels across. A line grows to about twice that."""
MAX_ROWS: Final = 24
MAX_CELLS: Final = 16 * MAX_ROWS
"""Values in one update: 24 frames of 16 channels, more of fewer; it keeps an update below 4 kB. Where one
look finds more frames of a rig, only those with a least or a greatest value are drawn until a snapshot."""
MAX_EVENTS: Final = 200
MAX_ESTIMATES: Final = 400
"""Points of a zone's estimate in a snapshot."""
SHOWN_EVENTS: Final = frozenset({"stage", "alarm", "note", "spot", "retract", "gap", "rig", "fault"})

OK, ABSENT = int(Status.OK), int(Status.ABSENT)
"""As plain numbers: they are compared with each reading."""

Message = dict[str, Any]


class _Line:
    """The newest readings of one column."""

    def __init__(self, column: Column) -> None:
        self._band = ReadingBand(column.probe)
        self.newest_us = -1
        self.value_us = -1
        self.value_c = math.nan
        self.status = ABSENT
        self._rate = RateOfChange()

    def take(self, t_us: int, temperature_c: float, status: int) -> None:
        self.newest_us = t_us
        self.status = status
        if status != OK or math.isnan(temperature_c):
            return
        self.value_us, self.value_c = t_us, temperature_c
        self._rate.push(t_us, temperature_c)

    def rate(self) -> float | None:
        """Give the rate of change [°C/min]; None while there is too little to say, or no reading now."""
        return self._rate.c_min() if self.status == OK else None

    def value(self, since_us: int) -> list[float | int | None]:
        """Give what stands on the page: °C, °C/min, status, times of value and newest reading [s], ± °C."""
        known = self.value_us >= 0
        rate = self.rate()
        return [
            round(self.value_c, 1) if known else None,
            None if rate is None else round(rate, 1),
            self.status,
            _since(self.value_us, since_us) if known else None,
            _since(self.newest_us, since_us) if self.newest_us >= 0 else None,
            math.ceil(self._band.at(self.value_c, (rate or 0.0) / 60.0)) if known else None,
        ]


class Watcher:
    """What the page knows of the journal. Threads take turns: one left behind may still be looking."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.trouble: str | None = None
        self._unrecorded: str | None = None
        self._asked_s = float("-inf")
        self._turn = threading.RLock()
        self._reader: JournalReader | None = None
        self._inode = 0
        self._firing: FiringInfo | None = None
        self._columns: tuple[Column, ...] = ()
        self._index: dict[tuple[str, str], int] = {}
        self._lines: list[_Line] = []
        self._arrival = 0
        self._steps: dict[str, deque[int]] = {}  # of each rig, the last times between its frames [µs]
        self._event_id = 0
        self._health: Message | None = None
        self._told: dict[str, str] = {}
        self._told_zones: dict[str, list[Any]] = {}
        self.fresh_wall_s: float | None = None
        """When the logger last gave a sign of life, as far as can be told. Unix time [s]."""

    def close(self) -> None:
        """Close the journal; the next look opens it again and begins afresh."""
        with self._turn:
            if self._reader is not None:
                self._reader.close()
                self._reader = None

    def look(self, wall_s: float) -> tuple[str, Message | None]:
        """Look for what is new.

        Returns
        -------
        kind : {'same', 'update', 'afresh'}
            `afresh`: what was drawn no longer holds, ask for a snapshot.
        update : dict or None
            What to add, where `kind` is `update`.
        """
        with self._turn:
            return self._look_or_tell(wall_s)

    def _look_or_tell(self, wall_s: float) -> tuple[str, Message | None]:
        try:
            kind, update = self._look(wall_s)
            return self._told_of_recording(kind, update)
        except (StokewatchError, OSError) as exc:
            self.close()
            changed = self.trouble != str(exc)
            self.trouble = str(exc)
            return ("afresh" if changed else "same"), None

    def _told_of_recording(self, kind: str, update: Message | None) -> tuple[str, Message | None]:
        """Notice a logger that can't record: on a full disk the journal says nothing of it."""
        if (now_s := time.monotonic()) - self._asked_s < HEALTH_S:
            return kind, update
        self._asked_s = now_s
        health = look(Home(self.path.parent), str((self._health or {}).get("trouble", "")))
        before = self._unrecorded
        self._unrecorded = health.trouble if health.running and not health.recording else None
        return (kind, update) if self._unrecorded == before else ("afresh", None)

    def _look(self, wall_s: float) -> tuple[str, Message | None]:
        reader, reopened = self._open()
        if reader is None:
            gone = self._firing is not None
            self._firing = None
            return ("afresh" if gone else "same"), None
        if not reader.changed() and not reopened:
            return "same", None
        recovered, self.trouble = self.trouble is not None, None
        firing = reader.running()
        if firing is None:
            found = reader.firings()
            firing = found[0] if found else None
        health = reader.heartbeat()
        if reopened:
            # How long ago that was nobody saw: the logger's own word for it, if it left one.
            self.fresh_wall_s = _number(health, "wall_s", wall_s) if health else None
        elif health != self._health:
            self.fresh_wall_s = wall_s
        self._health = health
        if reopened or recovered or _another(firing, self._firing):
            self._begin(reader, firing, wall_s)
            return "afresh", None
        self._firing = firing
        return "update", self._update(reader, wall_s)

    def _open(self) -> tuple[JournalReader | None, bool]:
        """The journal, opened again where its file was replaced."""
        inode = self.path.stat().st_ino if self.path.exists() else 0
        if self._reader is not None and inode == self._inode:
            return self._reader, False
        self.close()
        if not inode:
            return None, False
        self._reader = JournalReader(self.path)
        self._inode = inode
        return self._reader, True

    def _begin(self, reader: JournalReader, firing: FiringInfo | None, wall_s: float) -> None:
        self._firing = firing
        self._arrival = reader.newest_arrival()
        self._columns = reader.columns(firing.id) if firing else ()
        self._index = {(c.rig, c.channel): i for i, c in enumerate(self._columns)}
        self._lines = [_Line(c) for c in self._columns]
        self._told.clear()
        self._steps.clear()
        self._event_id = 0
        if firing is None:
            return
        events = reader.events(firing.id)
        self._event_id = events[-1].id if events else 0
        if firing.last_us is not None:
            tail = reader.readings(firing.id, firing.last_us - round(OVER_S * 1e6))
            for line, t_us, values, status in zip(
                self._lines, tail.t_us, tail.temperature_c, tail.status, strict=True
            ):
                for row in zip(t_us.tolist(), values.tolist(), status.tolist(), strict=True):
                    line.take(*row)
            for column, t_us in zip(tail.columns, tail.t_us, strict=True):
                if len(t_us) > 1:
                    self._steps[column.rig] = deque(np.diff(t_us[-26:]).tolist(), maxlen=25)
            if self.fresh_wall_s is None:
                self.fresh_wall_s = min(wall_s, firing.last_us / 1e6)

    def _seconds(self, t_us: int) -> float:
        assert self._firing is not None
        return _since(t_us, self._firing.started_us)

    def _update(self, reader: JournalReader, wall_s: float) -> Message:
        update: Message = {}
        if self._firing is not None:
            rigs = self._take_new(reader, self._firing.id)
            if rigs:
                update["rigs"] = rigs
                self.fresh_wall_s = wall_s
            new = reader.events(self._firing.id, self._event_id)
            if new:
                self._event_id = new[-1].id
                shown = [self._event(e) for e in new if e.kind in SHOWN_EVENTS]
                if shown:
                    update["events"] = shown[-20:]
        update.update(self._now(changes_only=True))
        return update

    def _take_new(self, reader: JournalReader, firing: str) -> list[Message]:
        rigs: list[Message] = []
        while batches := reader.arrived(self._arrival):
            for arrival, owner, batch in batches:
                self._arrival = max(self._arrival, arrival)
                if owner == firing:
                    rigs += self._points(batch)
            if len(batches) < 1000:
                break
        return rigs

    def _points(self, batch: Batch) -> list[Message]:
        """What of a batch is new, as it is sent; what was sent before comes again when minutes are packed."""
        at = [
            (j, self._index[batch.rig, c.name])
            for j, c in enumerate(batch.channels)
            if (batch.rig, c.name) in self._index  # a channel that is new makes the next look begin afresh
        ]
        newest = max((self._lines[i].newest_us for _, i in at), default=-1)
        fresh = np.flatnonzero(batch.t_us > newest)
        if not len(fresh) or not at:
            return []
        columns, cols = [j for j, _ in at], [i for _, i in at]
        lines = [self._lines[i] for i in cols]
        times, values, statuses = (
            each.tolist()
            for each in (
                batch.t_us[fresh],
                batch.temperature_c[fresh][:, columns],
                batch.status[fresh][:, columns],
            )
        )
        for t, row, how in zip(times, values, statuses, strict=True):
            for line, c, status in zip(lines, row, how, strict=True):
                if status != ABSENT:
                    line.take(t, c, status)
        breaks = self._breaks(batch.rig, newest, batch.t_us[fresh])
        parts: list[Message] = []
        for rows in np.split(fresh, breaks):
            if not len(rows):
                continue
            if parts or 0 in breaks:
                before = int(batch.t_us[rows[0] - 1]) if parts else newest
                # Right after the last reading, as in the journal's histories.
                none = [[f"!{ABSENT}"] * len(at)]
                parts.append({"gap": 1, "cols": cols, "t": [self._seconds(before + 1000)], "c": none})
            told = _telling(batch, rows)
            cells = [_cells(batch.temperature_c[n, columns], batch.status[n, columns]) for n in told]
            parts.append({"cols": cols, "t": [self._seconds(int(batch.t_us[n])) for n in told], "c": cells})
        return parts

    def _breaks(self, rig: str, newest: int, t_us: np.ndarray) -> list[int]:
        """Before which of these frames readings are missing, by the rule of the journal's histories."""
        steps = self._steps.setdefault(rig, deque(maxlen=25))
        before = np.concatenate(([newest if newest >= 0 else t_us[0]], t_us))
        breaks = []
        for n, step in enumerate(np.diff(before).tolist()):
            if len(steps) > 3 and step > max(GAP_STEPS * median(steps), GAP_US):
                breaks.append(n)
            elif step > 0:
                steps.append(step)
        return breaks

    def _every_s(self, rig: str) -> float | None:
        """Give the usual time between a rig's frames [s]; None while it isn't known."""
        steps = self._steps.get(rig)
        return round(median(steps) / 1e6, 3) if steps and len(steps) > 3 else None

    def _now(self, *, changes_only: bool) -> Message:
        """The current values, and how the logger is."""
        started_us = 0 if self._firing is None else self._firing.started_us
        now: Message = {"now": [line.value(started_us) for line in self._lines]}
        health = self._health or {}
        if self._firing is not None:
            if "at_us" in health:
                now["at"] = self._seconds(int(health["at_us"]))
            now["ended"] = self._firing.ended_us is not None
            now["readings"] = self._firing.readings
        now["scale"] = _number(health, "time_scale", 1.0)
        zones = (health.get("verdict") or {}).get("zones") or ()
        cards = {zone["zone"]: _zone(zone) for zone in zones}
        new = {name: card for name, card in cards.items() if self._told_zones.get(name) != card}
        self._told_zones = cards
        if new or not changes_only:
            now["zones"] = new if changes_only else cards
        texts = {key: health.get(key) for key in ("alarms", "sources")}
        texts |= {"verdict": _brief(health.get("verdict")), "forecast": _forecast(health.get("verdict"))}
        for key, value in texts.items():
            text = json.dumps(value, sort_keys=True)
            # Long texts that rarely change: sent when they do.
            if not changes_only or self._told.get(key) != text:
                self._told[key] = text
                now[key] = value
        return now

    def _event(self, event: Any) -> Message:
        return {
            "id": event.id,
            "t": self._seconds(event.t_us),
            "kind": event.kind,
            "data": event.data,
            "who": event.who,
        }

    def snapshot(self, window_s: float | None = None) -> Message:
        """Everything needed to draw the page anew.

        Parameters
        ----------
        window_s : float, optional
            Only the last so many seconds of readings; the whole firing if left out. [s]
        """
        with self._turn:
            return self._snapshot(window_s)

    def _snapshot(self, window_s: float | None) -> Message:
        base: Message = {
            "trouble": self.trouble or self._unrecorded,
            "unrecorded": self.trouble is None and self._unrecorded is not None,
            "firing": None,
            "probes": [],
        }
        firing, reader = self._firing, self._reader
        if firing is None or reader is None:
            return {**base, "now": [], "readings": 0}
        since = None
        if window_s is not None and firing.last_us is not None:
            since = firing.last_us - round(window_s * 1e6)
        traces = reader.history(firing.id, MAX_POINTS, since)
        events = [e for e in reader.events(firing.id) if e.kind in SHOWN_EVENTS][-MAX_EVENTS:]
        plan = firing.plan
        return {
            **base,
            "firing": {
                "id": firing.id,
                "title": firing.title or plan.title,
                "started_s": firing.started_us / 1e6,
                "ended_s": None if firing.ended_us is None else self._seconds(firing.ended_us),
                "invented": firing.invented,
                "planned": firing.plan_toml is not None,
                "target_c": plan.target_c,
                "burnout_c": plan.burnout_c,
                "soak_min": plan.soak_min,
                "limits": _limits(plan) if firing.plan_toml is not None else (),
                "unproven": sorted(reader.unproven(firing.id)),
            },
            "window_s": window_s,
            "probes": [
                {
                    "name": c.probe.name,
                    "height_cm": c.probe.height_cm,
                    "side": c.probe.side,
                    "reads": c.probe.reads,
                    "zone": c.probe.zone,
                    "every_s": self._every_s(c.rig),
                }
                for c in self._columns
            ],
            "traces": self._drawn(firing, traces),
            "estimates": {
                zone: band(line, firing.started_us)
                for zone, line in reader.estimates(firing.id, since).items()
            },
            "events": [self._event(e) for e in events],
            **self._now(changes_only=False),
        }

    def _drawn(self, firing: FiringInfo, traces: Traces) -> list[Message]:
        by_key = {(c.rig, c.channel): i for i, c in enumerate(traces.columns)}
        drawn = []
        for column, line in zip(self._columns, self._lines, strict=True):
            i = by_key[column.rig, column.channel]
            # What is newer than the last update is sent with the next one: nothing is drawn twice.
            until = int(np.searchsorted(traces.t_us[i], line.newest_us, side="right"))
            since_s = (traces.t_us[i][:until] - firing.started_us) / 1e6
            drawn.append(
                {
                    "t": [round(t, 3) for t in since_s.tolist()],
                    "c": _cells(traces.temperature_c[i][:until], traces.status[i][:until]),
                }
            )
        return drawn


def _limits(plan: Plan) -> tuple[str, ...]:
    """What the alarms can't tell with these probes, where the judgement says so."""
    try:
        from logger.judgement.limits import limits
    except ImportError:
        return ()
    return tuple(limits(plan))


def band(line: Estimates, started_us: int) -> Message:
    """Give what the pots of a zone were estimated to be at in few points: it moves slowly.

    Returns
    -------
    dict
        `t` since then [s], `c`, and the band `lo`, `hi`. [°C]
    """
    kept = np.unique(np.linspace(0, len(line.t_us) - 1, min(len(line.t_us), MAX_ESTIMATES)).astype(int))
    drawn = {"c": line.estimate_c, "lo": line.low_c, "hi": line.high_c}
    return {
        "t": [_since(t, started_us) for t in line.t_us[kept].tolist()],
        **{key: [round(c) for c in values[kept].tolist()] for key, values in drawn.items()},
    }


def _another(new: FiringInfo | None, old: FiringInfo | None) -> bool:
    if new is None or old is None:
        return new is not old
    return (new.id, new.seen, new.late, new.plan_toml, new.title, new.ended_us) != (
        old.id,
        old.seen,
        old.late,
        old.plan_toml,
        old.title,
        old.ended_us,
    )


def _cells(temperature_c: np.ndarray, status: np.ndarray) -> list[float | str]:
    """Temperatures, or `!` and the status: no number can be mistaken for a fault."""
    # Not numpy's rounding: it differs in the last digit now and then, and a point has one value everywhere.
    cells: list[float | str] = [round(c, 1) for c in temperature_c.tolist()]
    for n in np.flatnonzero(np.isnan(temperature_c)).tolist():
        cells[n] = f"!{int(status[n])}"
    return cells


def _telling(batch: Batch, rows: np.ndarray) -> list[int]:
    """Rows to draw: all, or where there are many those with peaks and dips, the first and the last."""
    if len(rows) <= max(MAX_ROWS, MAX_CELLS // len(batch.channels)):
        return [int(n) for n in rows]
    keep = {int(rows[0]), int(rows[-1])}
    for part in np.array_split(rows, MAX_ROWS // 4):
        values = batch.temperature_c[part]
        with np.errstate(invalid="ignore"):
            level = np.where(np.isnan(values), 0.0, values).sum(axis=1)
        keep |= {int(part[level.argmin()]), int(part[level.argmax()])}
        keep |= {
            int(n) for n in part[1:][(batch.status[part[1:]] != batch.status[part[:-1]]).any(axis=1)][:2]
        }
    return sorted(keep)


def _since(t_us: int, started_us: int) -> float:
    return round((t_us - started_us) / 1e6, 3)


def _brief(verdict: Any) -> Any:
    """Of a verdict only what is shown: times above temperatures change every second."""
    if not isinstance(verdict, dict):
        return None
    brief = {key: verdict[key] for key in ("line", "stage", "leading", "coldest") if key in verdict}
    if estimates := verdict.get("estimates"):
        brief["estimates"] = {
            zone: [round(e["estimate_c"]), round(e["low_c"]), round(e["high_c"]), e["basis"], e["consistent"]]
            for zone, e in estimates.items()
        }
    return brief


def _zone(zone: Message) -> list[Any]:
    """Of a zone what its card shows: °C, °C/min, peak, min above burn-out, min of soak, what is missing, how.

    In steps that are seen: else each zone would be sent every second.
    """
    level, rate, peak = (
        None if (value := zone.get(key)) is None else round(value)
        for key in ("level_c", "rate_c_per_min", "peak_c")
    )
    above, soak = (int((zone.get(key) or 0) // 60) for key in ("above_burnout_s", "soak_s"))
    how = "coals" if zone.get("coals") else "faulty" if zone.get("faulty") else zone.get("by", "probes")
    return [level, rate, peak, above, soak, zone.get("missing", ""), how]


def _forecast(verdict: Any) -> Any:
    """What is to come, in words and to be drawn; it is made anew every few seconds only."""
    if not isinstance(verdict, dict):
        return None
    drawn = ("at_s", "words", "cool", "ahead_s", "low_c", "middle_c", "high_c")
    zones = {
        z["zone"]: {key: z["forecast"].get(key) for key in drawn}
        for z in verdict.get("zones", ())
        if z.get("forecast")
    }
    return {"words": verdict.get("coming", ""), "zones": zones}


def _number(data: Message | None, key: str, default: float) -> float:
    value = (data or {}).get(key)
    return float(value) if isinstance(value, int | float) else default
