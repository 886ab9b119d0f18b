"""Looks at the journal for the live page: what is there, and what came since. No network, no clock."""

from __future__ import annotations

import json
import threading
import time
from collections import deque
from operator import attrgetter
from pathlib import Path
from statistics import median
from typing import Any, Final

import numpy as np

from dashboard.live.told import (
    ABSENT,
    Message,
    Newest,
    band,
    brief,
    card_of,
    cells_of,
    forecast,
    number,
    since,
    to_draw,
)
from dashboard.live.trend import OVER_S
from logger.errors import StokewatchError
from logger.home import Home
from logger.journal.reader import Column, FiringInfo, JournalReader, Traces
from logger.journal.traces import GAP_STEPS, GAP_US
from logger.judgement.limits import limits
from logger.reading import Batch
from logger.recording.health import look

HEALTH_S: Final = 1.0
"""How often to check that the logger can record. [s]"""
MAX_POINTS: Final = 1200
"""Points a trace in a snapshot; more than a tablet has pixels across. A line grows to about twice that."""
MAX_EVENTS: Final = 200
SHOWN_EVENTS: Final = frozenset({"stage", "alarm", "note", "spot", "retract", "gap", "rig", "fault"})
_SHOWN_OF = attrgetter("id", "seen", "late", "plan_toml", "title", "ended_us")


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
        self._lines: list[Newest] = []
        self._arrival = 0
        self._steps: dict[str, deque[int]] = {}  # of each rig, the last times between its frames [µs]
        self._event_id = 0
        self._health: Message | None = None
        self._told: dict[str, str] = {}
        self._told_zones: dict[str, list[Any]] = {}
        self.fresh_wall_s: float | None = None
        """When the logger last gave a sign of life, as far as can be told. Unix time [s]."""

    def close(self) -> None:
        """Close the journal; the next look opens it and begins again."""
        with self._turn:
            if self._reader is not None:
                self._reader.close()
                self._reader = None

    def look(self, wall_s: float) -> tuple[str, Message | None]:
        """Look for what is new: `same`, `update` with what to add, or `afresh`.

        `afresh`: what was drawn no longer holds, ask for a snapshot.
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
            self.fresh_wall_s = number(health, "wall_s", wall_s) if health else None
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
        self._lines = [Newest(c) for c in self._columns]
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
        return since(t_us, self._firing.started_us)

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
            told = to_draw(batch, rows)
            cells = [cells_of(batch.temperature_c[n, columns], batch.status[n, columns]) for n in told]
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
            now["readings"] = self._firing.readings
        now["scale"] = number(health, "time_scale", 1.0)
        zones = (health.get("verdict") or {}).get("zones") or ()
        cards = {zone["zone"]: card_of(zone) for zone in zones}
        new = {name: card for name, card in cards.items() if self._told_zones.get(name) != card}
        self._told_zones = cards
        if new or not changes_only:
            now["zones"] = new if changes_only else cards
        texts = {key: health.get(key) for key in ("alarms", "sources")}
        texts |= {"verdict": brief(health.get("verdict")), "forecast": forecast(health.get("verdict"))}
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
        """Give all that is needed to draw the page again, or the last `window_s` seconds of it."""
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
        since_us = 0
        if window_s is not None and firing.last_us is not None:
            since_us = firing.last_us - round(window_s * 1e6)
        traces = reader.history(firing.id, MAX_POINTS, since_us)
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
                "limits": tuple(limits(plan)) if firing.plan_toml is not None else (),
                "unproven": sorted(reader.unproven(firing.id)),
            },
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
                for zone, line in reader.estimates(firing.id, since_us).items()
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
                    "c": cells_of(traces.temperature_c[i][:until], traces.status[i][:until]),
                }
            )
        return drawn


def _another(new: FiringInfo | None, old: FiringInfo | None) -> bool:
    if new is None or old is None:
        return new is not old
    return _SHOWN_OF(new) != _SHOWN_OF(old)
