"""Reads a journal, while it is written to or after; any number of readers, in any process."""

from __future__ import annotations

import contextlib
import json
import logging
import threading
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from logger.errors import UserError
from logger.journal.layout import MINUTE_US, Layout, Records
from logger.journal.rollup import (
    BUCKET,
    LEVELS_S,
    Buckets,
    empty,
    load_buckets,
    merge,
    roll_minute,
    run_starts,
)
from logger.journal.rows import EventRow, FiringInfo, Request, select_firings, to_request
from logger.journal.schema import JournalError, NoJournalError, errors_of, open_to_read
from logger.journal.traces import Column, Traces, break_gaps, thin
from logger.plan import assign_probes
from logger.reading import Batch, Bytes, Floats, Ints, Status

__all__ = [
    "Column",
    "EventRow",
    "FiringInfo",
    "JournalError",
    "JournalReader",
    "NoJournalError",
    "Request",
    "Traces",
]

FOREVER_US: Final = 2**62

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class _Part:
    """Records of one layout with their times."""

    layout: Layout
    t_us: Ints
    records: Records


class JournalReader:
    """Reads a journal. It may be used from several threads; they take turns.

    Parameters
    ----------
    path : Path

    Raises
    ------
    NoJournalError
        There is none yet.
    JournalError
        It can't be read.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._db = open_to_read(path)
        self._lock = threading.RLock()
        self._version: int | None = None
        self._layouts: dict[int, Layout] = {}
        self._damaged: set[tuple[int, int, int]] = set()

    def close(self) -> None:
        """Close the file."""
        with self._lock, errors_of(self.path):
            self._db.close()

    def changed(self) -> bool:
        """Tell whether anything was committed since the last call; costs next to nothing.

        Returns
        -------
        bool
            True the first time.
        """
        with self._lock, errors_of(self.path):
            (version,) = self._db.execute("PRAGMA data_version").fetchone()
        before, self._version = self._version, version
        return bool(version != before)

    def firings(self) -> list[FiringInfo]:
        """List all firings.

        Returns
        -------
        list of FiringInfo
            The latest first.
        """
        with self._snapshot():
            return select_firings(self._db, "ORDER BY started_us DESC, key DESC")

    def firing(self, ref: str) -> FiringInfo:
        """Find a firing.

        Parameters
        ----------
        ref : str
            Its ID, or `last`: the one that came into the journal last.

        Returns
        -------
        FiringInfo

        Raises
        ------
        UserError
            There is no such firing.
        """
        with self._snapshot():
            if ref == "last":
                found = select_firings(self._db, "ORDER BY key DESC LIMIT 1")
            else:
                found = select_firings(self._db, "WHERE id = ?", (ref,))
        if not found:
            what = "there is no firing yet" if ref == "last" else f"{ref}: no such firing"
            raise UserError(f"{what} in {self.path}; `stokewatch firings` lists what there is")
        return found[0]

    def running(self) -> FiringInfo | None:
        """Give the firing that is running.

        Returns
        -------
        FiringInfo or None
        """
        with self._snapshot():
            found = select_firings(self._db, "WHERE ended_us IS NULL")
        return found[0] if found else None

    def columns(self, firing: str) -> tuple[Column, ...]:
        """Say which channels a firing has, and which probe each of them is.

        Parameters
        ----------
        firing : str
            Its ID.

        Returns
        -------
        tuple of Column
            The plan's probes in the plan's order, then the others in order of appearance.
        """
        info = self.firing(firing)
        plan = info.plan
        probes = assign_probes(plan, info.seen)
        columns = [Column(probe, *seen) for probe, seen in zip(probes, info.seen, strict=True)]
        rank = {id(probe): i for i, probe in enumerate(plan.probes)}
        return tuple(sorted(columns, key=lambda c: rank.get(id(c.probe), len(rank))))

    def span(self, firing: str) -> tuple[int, int] | None:
        """Give the times of the first and the last reading.

        Parameters
        ----------
        firing : str
            Its ID.

        Returns
        -------
        (int, int) or None
            None if there is no reading. [µs]
        """
        with self._snapshot():
            first, last, frames = self._extent(self._key(firing), 0, FOREVER_US)
        return (first, last) if frames else None

    def readings(self, firing: str, since_us: int | None = None, until_us: int | None = None) -> Traces:
        """Give every reading.

        Parameters
        ----------
        firing : str
            Its ID.
        since_us, until_us : int, optional
            From the first of these times on, until before the second. [µs]

        Returns
        -------
        Traces
            A column has only the times at which its channel was sent.
        """
        columns = self.columns(firing)
        with self._snapshot():
            parts = self._parts(
                self._key(firing), since_us or 0, FOREVER_US if until_us is None else until_us
            )
        return self._traces(columns, parts)

    def batches(
        self, firing: str, since_us: int | None = None, until_us: int | None = None
    ) -> Iterator[Batch]:
        """Give every reading as it came from its rig, minute by minute.

        Parameters
        ----------
        firing : str
            Its ID.
        since_us, until_us : int, optional
            From the first of these times on, until before the second. [µs]

        Yields
        ------
        Batch
            Of one rig, within one minute, in order of time. Without cold junctions (`conversion.reconvert`).
        """
        since, until = since_us or 0, FOREVER_US if until_us is None else until_us
        with self._snapshot():
            key = self._key(firing)
            minutes = self._minutes(key, since, until)
        for minute in minutes:
            begin = minute * MINUTE_US
            with self._snapshot():
                parts = self._parts(key, max(since, begin), min(until, begin + MINUTE_US))
            for part in parts:
                order = np.argsort(part.t_us, kind="stable")
                yield part.layout.decode(part.records[order], minute)

    def newest_arrival(self) -> int:
        """Tell what the newest batch's arrival is: where `arrived` goes on for what is still to come.

        Returns
        -------
        int
            0 while there are no readings.
        """
        with self._snapshot():
            (newest,) = self._db.execute(
                "SELECT max(coalesce((SELECT max(arrival) FROM recent), 0),"
                " coalesce((SELECT max(arrival) FROM chunk), 0))"
            ).fetchone()
        return int(newest)

    def arrived(self, after: int, limit: int = 1000) -> list[tuple[int, str, Batch]]:
        """Give readings in the order they came into the journal, over all firings.

        Parameters
        ----------
        after : int
            Go on after this arrival; 0 for the beginning.
        limit : int, default 1000
            At most so many batches.

        Returns
        -------
        list of (arrival, firing ID, Batch)
            What was given before may be given again, when its minute has been packed with something newer.
        """
        with self._snapshot():
            rows = self._db.execute(
                "SELECT arrival, firing, layout, t1_us / ?1, NULL, data FROM recent WHERE arrival > ?2"
                " UNION ALL SELECT arrival, firing, layout, minute, 1, data FROM chunk WHERE arrival > ?2"
                " ORDER BY 1 LIMIT ?3",
                (MINUTE_US, after, limit),
            ).fetchall()
            ids = dict(self._db.execute("SELECT key, id FROM firing"))
            self._load_layouts({row[2] for row in rows})
        found = []
        for arrival, key, layout_id, minute, packed, data in rows:
            records = self._load(key, minute, layout_id, data, packed=bool(packed))
            if records is not None:
                found.append((arrival, ids[key], self._layouts[layout_id].decode(records, minute)))
        return found

    def history(
        self, firing: str, max_points: int, since_us: int | None = None, until_us: int | None = None
    ) -> Traces:
        """Give a firing, or a part of it, in few points that show all its peaks and dips.

        Parameters
        ----------
        firing : str
            Its ID.
        max_points : int
            At most about so many points a column, not counting breaks at gaps.
        since_us, until_us : int, optional
            From the first of these times on, until before the second; to the step they fall in where steps
            are drawn. [µs]

        Returns
        -------
        Traces
            Every reading where there are no more than `max_points`; otherwise the least and the greatest
            temperature of each step (see `traces.thin`) and at the end the newest reading itself. NaN where
            a channel sent nothing that was OK, and where nothing came for more than three usual steps.
        """
        columns = self.columns(firing)
        since, until = since_us or 0, FOREVER_US if until_us is None else until_us
        with self._snapshot():
            key = self._key(firing)
            first, last, most = self._extent(key, since, until)
            if most <= max_points:
                whole = self._traces(columns, self._parts(key, since, until))
                return _broken(whole, None)
            step_us = -(-max(last - max(first, since), 1) // max(1, max_points // 2 - 1))
            level_s = max(s for s in LEVELS_S if s * 1_000_000 <= step_us or s == LEVELS_S[0])
            step_us = -(-step_us // (level_s * 1_000_000)) * level_s * 1_000_000
            rigs = self._rollups(key, level_s, since // step_us * step_us, until)
            newest = self._traces(columns, self._parts(key, max(since, last - MINUTE_US), until))
        lines = {
            (rig, channel): line
            for rig, (names, t_us, buckets) in rigs.items()
            for channel, line in zip(names, thin(t_us, buckets, step_us), strict=True)
        }
        out = Traces(columns)
        for i, column in enumerate(columns):
            t_us, temperature_c, status = lines.get((column.rig, column.channel), _NOTHING)
            if len(newest.t_us[i]):
                end = int(newest.t_us[i][-1])
                after = t_us >= end  # the last step's points belong before the newest reading
                t_us[after] = end - np.arange(np.count_nonzero(after), 0, -1)
                t_us = np.append(t_us, end)
                temperature_c = np.append(temperature_c, newest.temperature_c[i][-1])
                status = np.append(status, newest.status[i][-1])
            out.add(t_us, temperature_c, status)
        return _broken(out, step_us)

    def rollups(
        self, firing: str, level_s: int, since_us: int | None = None, until_us: int | None = None
    ) -> dict[tuple[str, str], tuple[Ints, Buckets]]:
        """Give least, greatest, mean and last reading of each bucket.

        Parameters
        ----------
        firing : str
            Its ID.
        level_s : {1, 10, 60}
            Length of a bucket. [s]
        since_us, until_us : int, optional
            Buckets that begin at or after the first of these times and before the second. [µs]

        Returns
        -------
        dict of (rig, channel) to (t_us, buckets)
            Where each bucket begins [µs], and arrays of `rollup.BUCKET`; buckets in which nothing was sent
            are left out.
        """
        if level_s not in LEVELS_S:
            raise ValueError(f"level_s must be one of {LEVELS_S}, not {level_s}")
        with self._snapshot():
            rigs = self._rollups(
                self._key(firing), level_s, since_us or 0, FOREVER_US if until_us is None else until_us
            )
        out = {}
        for rig, (names, t_us, buckets) in rigs.items():
            for j, name in enumerate(names):
                there = buckets["status"][:, j] != Status.ABSENT
                out[rig, name] = (t_us[there], np.ascontiguousarray(buckets[there, j]))
        return out

    def events(self, firing: str, after_id: int = 0) -> list[EventRow]:
        """Give a firing's events.

        Parameters
        ----------
        firing : str
            Its ID.
        after_id : int, default 0
            Only those after this one.

        Returns
        -------
        list of EventRow
            In the order they were written.
        """
        with self._snapshot():
            rows = self._db.execute(
                "SELECT id, t_us, kind, data, who FROM event WHERE firing = ? AND id > ? ORDER BY id",
                (self._key(firing), after_id),
            ).fetchall()
        return [EventRow(i, t_us, kind, json.loads(data), who) for i, t_us, kind, data, who in rows]

    def heartbeat(self) -> dict[str, Any] | None:
        """Give the logger's own health as it last wrote it.

        Returns
        -------
        dict or None
        """
        with self._snapshot():
            row = self._db.execute("SELECT data FROM heartbeat").fetchone()
        return None if row is None else dict(json.loads(row[0]))

    def meta(self, key: str) -> str | None:
        """Give a small fact about the whole journal.

        Parameters
        ----------
        key : str

        Returns
        -------
        str or None
        """
        with self._snapshot():
            row = self._db.execute("SELECT value FROM meta WHERE key = ?", (key,)).fetchone()
        return None if row is None else str(row[0])

    def request(self, request_id: int) -> Request | None:
        """Give a request, with its answer if there is one.

        Parameters
        ----------
        request_id : int
            From `add_request`.

        Returns
        -------
        Request or None
        """
        with self._snapshot():
            row = self._db.execute(
                "SELECT id, made_us, kind, data, who, result FROM request WHERE id = ?", (request_id,)
            ).fetchone()
        return None if row is None else to_request(row)

    @contextlib.contextmanager
    def _snapshot(self) -> Iterator[None]:
        """All reads inside see one moment of the journal."""
        with self._lock, errors_of(self.path):
            self._db.execute("BEGIN")
            try:
                yield
            finally:
                self._db.execute("ROLLBACK")

    def _key(self, firing: str) -> int:
        row = self._db.execute("SELECT key FROM firing WHERE id = ?", (firing,)).fetchone()
        if row is None:
            raise UserError(
                f"{firing}: no such firing in {self.path}; `stokewatch firings` lists what there is"
            )
        return int(row[0])

    def _load_layouts(self, ids: set[int]) -> None:
        for layout_id in ids.difference(self._layouts):
            rig, channels = self._db.execute(
                "SELECT rig, channels FROM layout WHERE id = ?", (layout_id,)
            ).fetchone()
            self._layouts[layout_id] = Layout.loads(layout_id, rig, channels)

    def _load(self, key: int, minute: int, layout_id: int, data: bytes, *, packed: bool) -> Records | None:
        """Read records; damaged ones are a gap, and are told once."""
        layout = self._layouts[layout_id]
        try:
            return layout.load(data, packed=packed)
        except ValueError as exc:
            if (key, minute, layout_id) not in self._damaged:
                self._damaged.add((key, minute, layout_id))
                log.warning("%s: readings of rig %s in a minute are lost: %s", self.path, layout.rig, exc)
            return None

    def _minutes(self, key: int, since: int, until: int) -> list[int]:
        rows = self._db.execute(
            "SELECT minute FROM chunk WHERE firing = ?1 AND minute >= ?2 / ?4 AND minute <= ?3 / ?4"
            " UNION SELECT t1_us / ?4 FROM recent WHERE firing = ?1 AND t1_us >= ?2 AND t0_us < ?3"
            " ORDER BY 1",
            (key, since, until, MINUTE_US),
        ).fetchall()
        return [int(row[0]) for row in rows]

    def _extent(self, key: int, since: int, until: int) -> tuple[int, int, int]:
        """First and last reading's time, and the most frames that a rig has, give or take the end minutes."""
        rows = self._db.execute(
            "SELECT min(t0_us), max(t1_us), sum(frames), layout FROM ("
            " SELECT t0_us, t1_us, frames, layout FROM chunk"
            "  WHERE firing = ?1 AND minute >= ?2 / ?4 AND minute <= ?3 / ?4 AND t1_us >= ?2 AND t0_us < ?3"
            " UNION ALL SELECT t0_us, t1_us, frames, layout FROM recent"
            "  WHERE firing = ?1 AND t1_us >= ?2 AND t0_us < ?3) GROUP BY layout",
            (key, since, until, MINUTE_US),
        ).fetchall()
        self._load_layouts({row[3] for row in rows})
        frames: dict[str, int] = {}
        for _, _, count, layout_id in rows:
            rig = self._layouts[layout_id].rig
            frames[rig] = frames.get(rig, 0) + count
        return (
            min((row[0] for row in rows), default=0),
            min(max((row[1] for row in rows), default=0), until),
            max(frames.values(), default=0),
        )

    def _parts(self, key: int, since: int, until: int) -> list[_Part]:
        """Records in a span of time, by layout; those of one layout are not yet in order of time."""
        found: dict[int, list[tuple[int, Records]]] = {}
        packed = self._db.execute(
            "SELECT layout, minute, data FROM chunk"
            " WHERE firing = ?1 AND minute >= ?2 / ?4 AND minute <= ?3 / ?4 AND t1_us >= ?2 AND t0_us < ?3"
            " ORDER BY minute, layout",
            (key, since, until, MINUTE_US),
        ).fetchall()
        recent = self._db.execute(
            "SELECT layout, t1_us / ?4, data FROM recent"
            " WHERE firing = ?1 AND t1_us >= ?2 AND t0_us < ?3 ORDER BY arrival",
            (key, since, until, MINUTE_US),
        ).fetchall()
        self._load_layouts({row[0] for row in (*packed, *recent)})
        for rows, is_packed in ((packed, True), (recent, False)):
            for layout_id, minute, data in rows:
                records = self._load(key, minute, layout_id, data, packed=is_packed)
                if records is not None:
                    found.setdefault(layout_id, []).append((minute, records))
        parts = []
        for layout_id, pieces in sorted(found.items()):
            records = np.concatenate([r for _, r in pieces])
            base = np.repeat([minute * MINUTE_US for minute, _ in pieces], [len(r) for _, r in pieces])
            t_us = base + records["t"]
            inside = (t_us >= since) & (t_us < until)
            if not inside.all():
                t_us, records = t_us[inside], records[inside]
            if len(t_us):
                parts.append(_Part(self._layouts[layout_id], t_us, records))
        return parts

    def _traces(self, columns: Sequence[Column], parts: list[_Part]) -> Traces:
        rigs = {}
        for rig in dict.fromkeys(part.layout.rig for part in parts):
            own = [part for part in parts if part.layout.rig == rig]
            rigs[rig] = _merge_parts(own)
        out = Traces(tuple(columns))
        for column in columns:
            names, t_us, temperature_c, status = rigs.get(column.rig, _NO_RIG)
            j = names.get(column.channel)
            if j is None:
                out.add(*_NOTHING)
            else:
                out.add(t_us, temperature_c[:, j], status[:, j])
        return out

    def _rollups(
        self, key: int, level_s: int, since: int, until: int
    ) -> dict[str, tuple[list[str], Ints, Buckets]]:
        """By rig: channels, bucket times, and buckets of shape (m, k)."""
        fresh = set(
            self._db.execute(
                "SELECT DISTINCT t1_us / ?1, layout FROM recent WHERE firing = ?2", (MINUTE_US, key)
            ).fetchall()
        )
        rows = self._db.execute(
            f"SELECT minute, layout, data FROM rollup_{level_s}"
            " WHERE firing = ?1 AND minute >= ?2 / ?4 AND minute <= ?3 / ?4 ORDER BY minute",
            (key, since, until, MINUTE_US),
        ).fetchall()
        self._load_layouts({row[1] for row in rows} | {layout for _, layout in fresh})
        stored: dict[int, tuple[list[int], list[bytes]]] = {}
        for minute, layout_id, data in rows:
            if (minute, layout_id) in fresh:
                continue
            minutes, blobs = stored.setdefault(layout_id, ([], []))
            try:
                blobs.append(load_buckets(data, level_s, len(self._layouts[layout_id].channels)))
            except ValueError:
                fresh.add((minute, layout_id))  # damaged: worked out anew
            else:
                minutes.append(minute)
        pieces: dict[str, list[tuple[Layout, Ints, Buckets]]] = {}
        inner = np.arange(60 // level_s) * level_s * 1_000_000
        for layout_id, (minutes, blobs) in stored.items():
            layout = self._layouts[layout_id]
            t_us = (np.array(minutes)[:, None] * MINUTE_US + inner).ravel()
            buckets = np.frombuffer(b"".join(blobs), BUCKET).reshape(-1, len(layout.channels))
            pieces.setdefault(layout.rig, []).append((layout, t_us, buckets))
        for minute in sorted({minute for minute, _ in fresh}):
            begin = minute * MINUTE_US
            if begin + MINUTE_US <= since or begin >= until:
                continue
            for part in self._parts(key, begin, begin + MINUTE_US):
                if (minute, part.layout.id) in fresh:
                    pieces.setdefault(part.layout.rig, []).append(
                        (part.layout, begin + inner, _roll(part, begin)[level_s])
                    )
        return {rig: _merge_buckets(own, since, until) for rig, own in pieces.items()}


_NOTHING: Final[tuple[Ints, Floats, Bytes]] = (np.zeros(0, np.int64), np.zeros(0), np.zeros(0, np.uint8))
_NO_RIG: Final[tuple[dict[str, int], Ints, Floats, Bytes]] = (
    {},
    np.zeros(0, np.int64),
    np.zeros((0, 0)),
    np.zeros((0, 0), np.uint8),
)


def _roll(part: _Part, begin: int) -> dict[int, Buckets]:
    order = np.argsort(part.t_us, kind="stable")
    records = part.records[order]
    return roll_minute(
        part.t_us[order] - begin, part.layout.temperature_c(records), part.layout.status(records)
    )


def _merge_parts(parts: list[_Part]) -> tuple[dict[str, int], Ints, Floats, Bytes]:
    """Bring one rig's parts to common columns, in order of time."""
    t_us = np.concatenate([part.t_us for part in parts])
    names: dict[str, int] = {}
    for part in parts:
        for channel in part.layout.channels:
            names.setdefault(channel.name, len(names))
    if len(parts) == 1:
        layout, records = parts[0].layout, parts[0].records
        temperature_c, status = layout.temperature_c(records), layout.status(records)
    else:
        temperature_c = np.full((len(t_us), len(names)), np.nan)
        status = np.full((len(t_us), len(names)), np.uint8(Status.ABSENT))
        row = 0
        for part in parts:
            rows = slice(row, row + len(part.t_us))
            at = [names[c.name] for c in part.layout.channels]
            temperature_c[rows, at] = part.layout.temperature_c(part.records)
            status[rows, at] = part.layout.status(part.records)
            row = rows.stop
    if (np.diff(t_us) < 0).any():
        order = np.argsort(t_us, kind="stable")
        t_us, temperature_c, status = t_us[order], temperature_c[order], status[order]
    return names, t_us, temperature_c, status


def _merge_buckets(
    pieces: list[tuple[Layout, Ints, Buckets]], since: int, until: int
) -> tuple[list[str], Ints, Buckets]:
    """Bring one rig's buckets to common columns, in order of time, each time once."""
    names: dict[str, int] = {}
    for layout, _, _ in pieces:
        for channel in layout.channels:
            names.setdefault(channel.name, len(names))
    t_us = np.concatenate([t for _, t, _ in pieces])
    if len(pieces) == 1:
        buckets = pieces[0][2]
    else:
        buckets = empty((len(t_us), len(names)))
        row = 0
        for layout, t, own in pieces:
            buckets[row : row + len(t), [names[c.name] for c in layout.channels]] = own
            row += len(t)
        order = np.argsort(t_us, kind="stable")
        t_us, buckets = t_us[order], buckets[order]
        starts = run_starts(t_us)
        if len(starts) < len(t_us):
            t_us, buckets = t_us[starts], merge(buckets, starts)
    inside = (t_us >= since) & (t_us < until)
    if not inside.all():
        t_us, buckets = t_us[inside], buckets[inside]
    return list(names), t_us, buckets


def _broken(traces: Traces, step_us: int | None) -> Traces:
    out = Traces(traces.columns)
    for line in zip(traces.t_us, traces.temperature_c, traces.status, strict=True):
        broken = break_gaps(*line, usual_us=step_us)
        out.t_us.append(broken[0])
        out.temperature_c.append(broken[1])
        out.status.append(broken[2])
    return out
