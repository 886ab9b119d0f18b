"""Read the journal for the live page: what is there, and what is new. No network."""

import threading
import time
from collections import deque
from operator import attrgetter
from pathlib import Path
from statistics import median
from typing import Any, Final, Literal

import numpy as np

from dashboard import tables
from dashboard.figures.model import Line
from dashboard.live.board import ABSENT, MAX_EVENTS, OK, OVER_S, Board, Newest, card_of, since
from logger.errors import StokewatchError
from logger.home import Home
from logger.journal.reader import Column, FiringInfo, JournalReader
from logger.journal.traces import GAP_STEPS, GAP_US
from logger.judgement.limits import limits
from logger.reading import Batch, Event
from logger.recording.health import look

HEALTH_S: Final = 1.0
"""How often to check that the logger can record [s]."""
MAX_POINTS: Final = 1200
"""Points of a trace when it is drawn, more than a tablet is wide; it grows to about twice that."""
MAX_ESTIMATES: Final = 400
"""Points of a zone's estimate, which changes slowly."""
SHOWN_EVENTS: Final = frozenset({"stage", "alarm", "note", "spot", "retract", "gap", "rig", "fault"})
_SHOWN_OF = attrgetter("id", "seen", "late", "plan_toml", "title", "ended_us")

Look = Literal["same", "update", "afresh"]
"""`update`: what is new is on the board; `afresh`: the drawing no longer holds, ask for another board."""


class Watcher:
    """What the page knows of the journal. Threads take turns: an abandoned one may still be looking."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.trouble: str | None = None
        self._unrecorded: str | None = None
        self._asked_s = float("-inf")
        self._turn = threading.RLock()
        self._reader: JournalReader | None = None
        self._inode = 0
        self._wal = Path(f"{path}-wal")
        self._firing: FiringInfo | None = None
        self._columns: tuple[Column, ...] = ()
        self._index: dict[tuple[str, str], int] = {}
        self._lines: list[Newest] = []
        self._arrival = 0
        self._steps: dict[str, deque[int]] = {}  # by rig: the latest intervals between its frames [µs]
        self._event_id = 0
        self._health: dict[str, Any] | None = None
        self.fresh_wall_s: float | None = None
        """When the logger last gave a sign of life, as far as is known; Unix time [s]."""

    def close(self) -> None:
        """Close the journal; the next look opens it and starts over."""
        with self._turn:
            if self._reader is not None:
                self._reader.close()
                self._reader = None

    def written(self) -> tuple[int, ...] | None:
        """Return something that changes whenever anything is written, shortly before it is committed.

        It doesn't touch the journal, so any thread may call it, and it costs next to nothing.
        """
        try:
            told = self._wal.stat()
        except OSError:
            return None
        return told.st_ino, told.st_size, told.st_mtime_ns

    def look(self, wall_s: float, board: Board) -> Look:
        """Look for what is new, and add it to a board made by `board`."""
        with self._turn:
            try:
                return self._recording(self._look(wall_s, board))
            except (StokewatchError, OSError) as exc:
                self.close()
                before, self.trouble = self.trouble, str(exc)
                return "same" if self.trouble == before else "afresh"

    def _recording(self, found: Look) -> Look:
        """Notice a logger that can't record: with the disk full, the journal can't say so."""
        if (now_s := time.monotonic()) - self._asked_s < HEALTH_S:
            return found
        self._asked_s = now_s
        health = look(Home(self.path.parent), str((self._health or {}).get("trouble", "")))
        before = self._unrecorded
        self._unrecorded = health.trouble if health.running and not health.recording else None
        return found if self._unrecorded == before else "afresh"

    def _look(self, wall_s: float, board: Board) -> Look:
        reader, reopened = self._open()
        if reader is None:
            gone = self._firing is not None
            self._firing = None
            return "afresh" if gone else "same"
        if not reader.changed() and not reopened:
            return "same"
        if written := self.written():
            wall_s = min(wall_s, written[-1] / 1e9)  # a look may come up to a second after what it finds
        recovered, self.trouble = self.trouble is not None, None
        firing = reader.running() or next(iter(reader.firings()), None)
        health = reader.heartbeat()
        if reopened:
            # Nobody saw when that was, so take the logger's word for it, if it left one.
            self.fresh_wall_s = float(health.get("wall_s", wall_s)) if health else None
        elif health != self._health:
            self.fresh_wall_s = wall_s
        self._health = health
        new, old = (each and _SHOWN_OF(each) for each in (firing, self._firing))
        if reopened or recovered or new != old:
            self._begin(reader, firing, wall_s)
            return "afresh"
        self._firing = firing
        if firing is not None:
            if self._take_new(reader, firing.id, board):
                self.fresh_wall_s = wall_s
            if came := reader.events(firing.id, self._event_id):
                self._event_id = came[-1].id
                if shown := self._shown(came):
                    board.add_events(shown)
                    board.grown = MAX_POINTS + 1  # marks are part of the picture
        self._now(board)
        return "update"

    def _open(self) -> tuple[JournalReader | None, bool]:
        """Return the journal, and whether it was opened just now; a replaced file is opened again."""
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
        self._steps.clear()
        self._event_id = 0
        if firing is None:
            return
        events = reader.events(firing.id)
        self._event_id = events[-1].id if events else 0
        if firing.last_us is None:
            return
        tail = reader.readings(firing.id, firing.last_us - round(OVER_S * 1e6))
        for column, line, t_us, c, status in zip(
            self._columns, self._lines, tail.t_us, tail.temperature_c, tail.status, strict=True
        ):
            line.take(t_us.tolist(), c.tolist(), status.tolist())
            if len(t_us) > 1:
                self._steps[column.rig] = deque(np.diff(t_us[-26:]).tolist(), maxlen=25)
        if self.fresh_wall_s is None:
            self.fresh_wall_s = min(wall_s, firing.last_us / 1e6)

    def _seconds(self, t_us: int) -> float:
        assert self._firing is not None
        return since(t_us, self._firing.started_us)

    def _take_new(self, reader: JournalReader, firing: str, board: Board) -> bool:
        before = board.grown
        while batches := reader.arrived(self._arrival):
            for arrival, owner, batch in batches:
                self._arrival = max(self._arrival, arrival)
                if owner == firing:
                    self._take(batch, board)
            if len(batches) < 1000:
                break
        return board.grown > before

    def _take(self, batch: Batch, board: Board) -> None:
        """Take what is new in a batch; older readings turn up again when minutes are packed."""
        at = [
            (j, self._index[batch.rig, c.name])
            for j, c in enumerate(batch.channels)
            if (batch.rig, c.name) in self._index  # a new channel makes the next look start afresh
        ]
        newest = max((self._lines[i].newest_us for _, i in at), default=-1)
        fresh = np.flatnonzero(batch.t_us > newest)
        if not len(fresh) or not at:
            return
        board.grown += len(fresh)
        t_us, c, status = batch.t_us[fresh], batch.temperature_c[fresh], batch.status[fresh]
        if breaks := self._breaks(batch.rig, newest, t_us):
            before_us = np.concatenate(([newest], t_us))[breaks]
            t_us = np.insert(t_us, breaks, before_us + 1000)  # right after it, as in the journal's histories
            c, status = np.insert(c, breaks, np.nan, axis=0), np.insert(status, breaks, OK, axis=0)
        columns, statuses, times_us = c.T.tolist(), status.T.tolist(), t_us.tolist()
        seconds = [self._seconds(t) for t in times_us]
        for j, i in at:
            there = [k for k, how in enumerate(statuses[j]) if how != ABSENT]
            read = [columns[j][k] for k in there]
            self._lines[i].take([times_us[k] for k in there], read, [statuses[j][k] for k in there])
            times, values = board.points[i]
            times += [seconds[k] for k in there]
            values += [None if value != value else round(value, 1) for value in read]

    def _breaks(self, rig: str, newest: int, t_us: np.ndarray) -> list[int]:
        """Find the frames with a gap before them, by the rule of the journal's histories."""
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
        """Return the usual time between a rig's frames [s]; None until it is known."""
        steps = self._steps.get(rig)
        return round(median(steps) / 1e6, 3) if steps and len(steps) > 3 else None

    def _now(self, board: Board) -> None:
        """Put the current values and the logger's health on a board."""
        started_us = 0 if self._firing is None else self._firing.started_us
        board.values = [line.value(started_us) for line in self._lines]
        health = self._health or {}
        if self._firing is not None:
            if "at_us" in health:
                board.at_s = self._seconds(int(health["at_us"]))
            board.readings = self._firing.readings
        board.scale = float(health.get("time_scale") or 1.0)
        board.verdict = health.get("verdict")
        if zones := (board.verdict or {}).get("zones"):
            board.cards = {zone["zone"]: card_of(zone) for zone in zones}
        board.alarms, board.sources = health.get("alarms") or [], health.get("sources") or []

    def _shown(self, events: list[Event]) -> list[dict[str, Any]]:
        return [
            {"id": e.id, "t": self._seconds(e.t_us), "kind": e.kind, "data": e.data, "who": e.who}
            for e in events
            if e.kind in SHOWN_EVENTS
        ]

    def board(self, window_s: float | None = None) -> Board:
        """Make a board to draw the page from scratch, or only its last `window_s` seconds."""
        with self._turn:
            trouble = self.trouble or self._unrecorded
            board = Board(trouble=trouble, unrecorded=self.trouble is None and trouble is not None)
            if self._firing is not None and self._reader is not None:
                self._fill(board, self._firing, self._reader, window_s)
            return board

    def _fill(self, board: Board, firing: FiringInfo, reader: JournalReader, window_s: float | None) -> None:
        since_us = 0 if window_s is None else (firing.last_us or 0) - round(window_s * 1e6)
        plan = firing.plan
        board.firing = {
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
        }
        board.places = tables.places(self._columns)
        board.every_s = [self._every_s(c.rig) for c in self._columns]
        board.points = [([], []) for _ in self._columns]
        board.add_events(self._shown(reader.events(firing.id))[-MAX_EVENTS:])
        board.bands = tables.bands(reader, firing, since_us, MAX_ESTIMATES)
        drawn = reader.history(firing.id, MAX_POINTS, since_us)
        lines = zip(drawn.columns, drawn.t_us, drawn.temperature_c, strict=True)
        read = {(column.rig, column.channel): (t_us, c) for column, t_us, c in lines}
        for column, newest, place in zip(self._columns, self._lines, board.places, strict=True):
            t_us, c = read[column.rig, column.channel]
            # Anything newer than the last look is left to the next one, so that nothing is drawn twice.
            t_us = t_us[: t_us.searchsorted(newest.newest_us, side="right")]
            # Not numpy's rounding, which differs in the last digit: a point must be the same everywhere.
            rounded = np.array([round(value, 1) for value in c[: len(t_us)].tolist()])
            board.lines.append(Line(place, (t_us - firing.started_us) / 1e6, rounded))
        self._now(board)
