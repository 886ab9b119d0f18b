"""Reads a journal, even while it is being written; any number of readers, in any process."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from logger.journal.layout import MINUTE_US
from logger.journal.packing import PACKED, RECENT
from logger.journal.rollup import LEVELS_S, Buckets
from logger.journal.rows import (
    LATELY,
    Apart,
    FiringInfo,
    Request,
    next_number,
    read_meta,
    select_firings,
    to_event,
    to_request,
)
from logger.journal.schema import NoFiringError, NoJournalError, errors_of, open_to_read
from logger.journal.sealed import DamagedError, load_dict
from logger.journal.stored import FOREVER_US, Stored
from logger.journal.traces import NOTHING, Column, Estimates, Place, Traces, break_gaps, end_at, thin
from logger.plan import assign_probes
from logger.reading import Batch, Event, Ints

__all__ = ["FOREVER_US", "Column", "FiringInfo", "JournalReader", "NoFiringError", "NoJournalError", "Traces"]


class JournalReader:
    """Reads a journal. Several threads may use it; they take turns.

    Throughout, `firing` is a firing's ID, and a stretch of time includes `since_us` but not `until_us`.
    NoJournalError: there is none yet; JournalError: it can't be read.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._db = open_to_read(path)
        self._lock = threading.RLock()
        self._version: int | None = None
        self._stored = Stored(self._db, path)

    def close(self) -> None:
        """Close the file."""
        with self._lock, errors_of(self.path):
            self._db.close()

    def changed(self) -> bool:
        """Whether anything was committed since the last call (the first time: yes); costs next to nothing."""
        with self._lock, errors_of(self.path):
            (version,) = self._db.execute("PRAGMA data_version").fetchone()
        before, self._version = self._version, version
        return bool(version != before)

    def firings(self, *, binned: bool | None = False) -> list[FiringInfo]:
        """List firings, latest first: those in the bin (True), those that aren't (False), or all (None)."""
        with self._snapshot():
            found = select_firings(self._db, "ORDER BY started_us DESC, key DESC")
        return [info for info in found if binned in (None, info.binned)]

    def firing(self, ref: str) -> FiringInfo:
        """Find a firing by its ID, or `last`: the newest in the journal that isn't in the bin.

        NoFiringError if there is none.
        """
        with self._snapshot():
            if ref == "last":
                newest_first = select_firings(self._db, "ORDER BY key DESC")
                found = [info for info in newest_first if not info.binned]
            else:
                found = select_firings(self._db, "WHERE key = ?", (self._key(ref),))
        if not found:
            raise NoFiringError(f"no firings yet in {self.path}; record or import one first")
        return found[0]

    def running(self) -> FiringInfo | None:
        """Return the running firing, if any."""
        with self._snapshot():
            found = select_firings(self._db, "WHERE ended_us IS NULL")
        return found[0] if found else None

    def columns(self, firing: str) -> tuple[Column, ...]:
        """A firing's channels, each with its probe; those in the plan first, in its order."""
        info = self.firing(firing)
        plan = info.plan
        probes = assign_probes(plan, info.seen)
        columns = [Column(probe, *seen) for probe, seen in zip(probes, info.seen, strict=True)]
        rank = {id(probe): i for i, probe in enumerate(plan.probes)}
        return tuple(sorted(columns, key=lambda c: rank.get(id(c.probe), len(rank))))

    def span(self, firing: str) -> tuple[int, int] | None:
        """Times of the first and the last reading; None if there are none. [µs]."""
        with self._snapshot():
            first, last, frames = self._stored.extent(self._key(firing))
        return (first, last) if frames else None

    def readings(self, firing: str, since_us: int = 0, until_us: int = FOREVER_US) -> Traces:
        """Return every reading; a column has only the times at which its channel was sent."""
        columns = self.columns(firing)
        with self._snapshot():
            return Traces.of(columns, self._stored.lines(self._key(firing), since_us, until_us))

    def batches(self, firing: str, since_us: int = 0, until_us: int = FOREVER_US) -> Iterator[Batch]:
        """Yield every reading as its rig sent it, minute by minute, each in order of time.

        Without cold junctions (see `conversion.reconvert`).
        """
        with self._snapshot():
            key = self._key(firing)
            minutes = self._stored.minutes(key, since_us, until_us)
        for minute in minutes:
            begin = minute * MINUTE_US
            with self._snapshot():
                parts = list(self._stored.parts(key, max(since_us, begin), min(until_us, begin + MINUTE_US)))
            for part in parts:
                yield part.layout.decode(part.records, minute)

    def stretches(self, firing: str, length_us: int) -> list[tuple[int, int]]:
        """Return the stretches of time that have readings, so that a gap of years costs nothing.

        Each is (start, end), end excluded, and a whole number of minutes long. [µs]
        """
        with self._snapshot():
            minutes = self._stored.minutes(self._key(firing), 0, FOREVER_US)
        begins = dict.fromkeys(minute * MINUTE_US // length_us * length_us for minute in minutes)
        return [(begin, begin + length_us) for begin in begins]

    def newest_arrival(self) -> int:
        """Number of the newest batch's arrival, from which `arrived` goes on; 0 without readings."""
        with self._snapshot():
            return next_number(self._db, "arrival") - 1

    def arrived(self, after: int, limit: int = 1000) -> list[tuple[int, str, Batch]]:
        """Return readings after an arrival, of all firings, in the order they came into the journal.

        Readings may be returned again, once their minute has been packed with newer ones.
        """
        with self._snapshot():
            rows = self._db.execute(
                f"{PACKED} WHERE arrival > ?1 UNION ALL {RECENT} WHERE arrival > ?1 ORDER BY 1 LIMIT ?2",
                (after, limit),
            ).fetchall()
            ids = dict(self._db.execute("SELECT key, id FROM firing"))
            layouts = self._stored.layouts({row[4] for row in rows})
        found = []
        for row in rows:
            arrival, _, key, minute, layout_id, *_ = row
            records = self._stored.load(row)
            if records is not None and key in ids:
                found.append((arrival, ids[key], layouts[layout_id].decode(records, minute)))
        return found

    def history(self, firing: str, max_points: int, since_us: int = 0) -> Traces:
        """Return a firing, or the end of it, in few points that still show every peak and dip.

        Every reading if there are at most `max_points` per column; otherwise the least and the greatest
        temperature of each step (see `traces.thin`) and then the newest reading itself. NaN where a channel
        sent nothing that was OK, and where nothing came for more than three usual steps. Steps are whole: the
        first may begin before `since_us`.
        """
        columns = self.columns(firing)
        with self._snapshot():
            key = self._key(firing)
            first, last, most = self._stored.extent(key, since_us)
            if most <= max_points:
                lines = self._stored.lines(key, since_us, FOREVER_US)
                return Traces.of(columns, {at: break_gaps(line) for at, line in lines.items()})
            step_us = -(-max(last - max(first, since_us), 1) // max(1, max_points // 2 - 1))
            level_s = max(s for s in LEVELS_S if s * 1_000_000 <= step_us or s == LEVELS_S[0])
            step_us = -(-step_us // (level_s * 1_000_000)) * level_s * 1_000_000
            rolled = self._stored.rollups(key, level_s, since_us // step_us * step_us)
            newest = self._stored.lines(key, max(since_us, last - MINUTE_US), FOREVER_US)
        lines = {place: thin(*own, step_us) for place, own in rolled.items()}
        lines |= {at: end_at(lines.get(at, NOTHING), line) for at, line in newest.items()}
        return Traces.of(columns, {at: break_gaps(line, step_us) for at, line in lines.items()})

    def rollups(self, firing: str, level_s: int, since_us: int = 0) -> dict[Place, tuple[Ints, Buckets]]:
        """Return each channel's buckets (`rollup.BUCKET`) of 1, 10 or 60 s, and when each begins. [µs].

        Only those that begin at or after `since_us`, and in which something was sent.
        """
        with self._snapshot():
            return self._stored.rollups(self._key(firing), level_s, since_us)

    def events(self, firing: str, after_id: int = 0) -> list[Event]:
        """Return a firing's events, in the order they were written."""
        key = self._key(firing)
        return [event for _, event in self._events("event.firing = ? AND event.id > ?", key, after_id)]

    def unproven(self, firing: str) -> set[str]:
        """Name the rigs in a firing whose readings carried neither checksum nor counter."""
        return {
            str(event.data.get("rig"))
            for event in self.events(firing)
            if event.kind == "system" and event.data.get("what") == "proof"
        }

    def happened(self, after_id: int, limit: int = 1000) -> list[tuple[str, Event]]:
        """Return events after a given one, over all firings, in the order they were written."""
        return self._events("event.id > ?", after_id, limit=limit)

    def estimates(self, firing: str, since_us: int = 0) -> dict[str, Estimates]:
        """Return the pots' estimated temperature while the firing ran, by zone; not a measurement."""
        key = self._key(firing)
        sql = "SELECT t_us, data FROM estimate WHERE firing = ? AND t_us >= ? ORDER BY t_us"
        lines: dict[str, list[tuple[int, float, float, float, str]]] = {}
        for t_us, data in self._rows(sql, key, since_us):
            with contextlib.suppress(ValueError, TypeError):  # a damaged one is only a model's word
                for zone, (c, low, high, basis) in load_dict(data, key, t_us).items():
                    lines.setdefault(zone, []).append((t_us, c, low, high, basis))
        out = {}
        for zone, line in lines.items():
            t, *bands, basis = zip(*line, strict=True)
            c, low, high = (np.array(band, np.float64) for band in bands)
            out[zone] = Estimates(np.array(t, np.int64), c, low, high, basis)
        return out

    def set_apart(self, firing: str | None, since_us: int | None = None) -> list[Apart]:
        """Return the frames set apart (None: of all firings), as they came, in that order."""
        rows = self._rows(
            "SELECT id, t_us, rig, source, why, line FROM set_apart"
            " WHERE (?1 IS NULL OR firing = ?1) AND (?2 IS NULL OR t_us >= ?2) ORDER BY id",
            None if firing is None else self._key(firing),
            since_us,
        )
        return [Apart(*row) for row in rows]

    def set_apart_count(self, firing: str) -> list[tuple[str, str, int]]:
        """Count a firing's frames set apart, by rig and reason."""
        return self._rows(
            "SELECT rig, why, count(*) FROM set_apart WHERE firing = ? GROUP BY 1, 2 ORDER BY 1, 2",
            self._key(firing),
        )

    def set_apart_sums(self) -> tuple[int, dict[tuple[str, str], tuple[int, int]]]:
        """Return the next free number, and how many frames and bytes are set apart, by rig and source."""
        with self._snapshot():
            rows = self._rows("SELECT rig, source, count(*), sum(length(line)) FROM set_apart GROUP BY 1, 2")
            free = next_number(self._db, "set_apart")
        return free, {(rig, source): (frames, size) for rig, source, frames, size in rows}

    def noted_lately(self) -> dict[str, dict[tuple[int, int], int]]:
        """Return the checksums of recently recorded frames, by rig, seq and ms.

        A row that can't be read is left out: its frames aren't recognised if they come again.
        """
        found: dict[str, dict[tuple[int, int], int]] = {}
        for (data,) in self._rows("SELECT data FROM lately ORDER BY id"):
            with contextlib.suppress(msgspec.DecodeError, TypeError):
                for rig, keys in LATELY.decode(data).items():
                    found.setdefault(rig, {}).update(((seq, ms), checksum) for seq, ms, checksum in keys)
        return found

    def heartbeat(self) -> dict[str, Any] | None:
        """Return the logger's health as it last wrote it; None if it never did, or the row is damaged."""
        for (data,) in self._rows("SELECT data FROM heartbeat"):
            with contextlib.suppress(DamagedError):
                return load_dict(data)
        return None

    def meta(self, key: str) -> dict[str, Any]:
        """Return a small fact about the whole journal; empty if there is none, or it is damaged."""
        with self._snapshot():
            return read_meta(self._db, key)

    def request(self, request_id: int) -> Request | None:
        """Return a request, with its answer if there is one."""
        sql = "SELECT id, made_us, kind, data, who, result FROM request WHERE id = ?"
        return next(map(to_request, self._rows(sql, request_id)), None)

    @contextlib.contextmanager
    def _snapshot(self) -> Iterator[None]:
        """Let all reads inside see one moment of the journal."""
        with self._lock, errors_of(self.path):
            if self._db.in_transaction:
                yield
                return
            self._db.execute("BEGIN")
            try:
                yield
            finally:
                self._db.execute("ROLLBACK")

    def _rows(self, sql: str, *values: object) -> list[Any]:
        with self._snapshot():
            return self._db.execute(sql, values).fetchall()

    def _events(self, where: str, *values: object, limit: int = -1) -> list[tuple[str, Event]]:
        rows = self._rows(
            "SELECT firing.id, key, event.id, t_us, kind, data, who FROM event"
            f" JOIN firing ON key = event.firing WHERE {where} ORDER BY event.id LIMIT {limit}",
            *values,
        )
        return [(firing, event) for firing, key, *row in rows if (event := to_event(row, key)) is not None]

    def _key(self, firing: str) -> int:
        with self._snapshot():
            row = self._db.execute("SELECT key FROM firing WHERE id = ?", (firing,)).fetchone()
        if row is None:
            raise NoFiringError(
                f"{firing}: no such firing in {self.path}; `stokewatch firings` lists them all"
            )
        return int(row[0])
