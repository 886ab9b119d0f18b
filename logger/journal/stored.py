"""Readings and rollups from the journal's file, put into columns and in order of time."""

from __future__ import annotations

import logging
import sqlite3
from collections import Counter, defaultdict
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from logger.journal.layout import MINUTE_US, Layout, Records
from logger.journal.packing import STRETCHES, STRETCHES_DATA, load
from logger.journal.rollup import (
    BUCKET,
    Buckets,
    empty,
    load_buckets,
    merge,
    roll_minute,
    run_starts,
)
from logger.journal.traces import Line, sent
from logger.journal.twins import load_layout
from logger.reading import Ints, Status

log = logging.getLogger(__name__)


FOREVER_US: Final = 2**62
_WITHIN: Final = (
    "WHERE firing = ?1 AND minute >= ?2 / ?4 AND minute <= ?3 / ?4 AND t1_us >= ?2 AND t0_us < ?3"
)


class Part(NamedTuple):
    """Records of one layout with their times."""

    layout: Layout
    t_us: Ints
    records: Records


class Stored:
    """Reads the tables of readings. Calls that belong together must be inside one transaction."""

    def __init__(self, db: sqlite3.Connection, path: Path) -> None:
        self._db = db
        self._path = path
        self._layouts: dict[int, Layout] = {}
        self._damaged: set[Sequence[Any]] = set()

    def layouts(self, ids: set[int]) -> dict[int, Layout]:
        """Return layouts by number: these, and perhaps more."""
        for layout_id in ids.difference(self._layouts):
            layout = load_layout(self._db, layout_id)
            if layout is not None:
                self._layouts[layout_id] = layout
        return self._layouts

    def load(self, row: Sequence[Any]) -> Records | None:
        """Read the records of a row of `packing.STRETCHES_DATA`; damaged ones are a gap."""
        layout = self._layouts.get(row[4])
        try:
            if layout is None:
                raise ValueError("the list of its channels is lost")
            return load(layout, row)
        except ValueError as exc:
            if row[:-1] not in self._damaged:
                self._damaged.add(row[:-1])
                rig = "a rig" if layout is None else f"rig {layout.rig}"
                log.warning("%s: some readings of %s, up to a minute, are lost: %s", self._path, rig, exc)
            return None

    def minutes(self, key: int, since: int, until: int) -> list[int]:
        """List the minutes that may have readings in a span of time."""
        sql = f"SELECT DISTINCT minute FROM {STRETCHES} {_WITHIN} ORDER BY 1"
        return [int(row[0]) for row in self._db.execute(sql, (key, since, until, MINUTE_US))]

    def extent(self, key: int, since: int = 0) -> tuple[int, int, int]:
        """First and last reading's time, and the most frames of one rig, give or take the first minute."""
        rows = self._db.execute(
            f"SELECT min(t0_us), max(t1_us), sum(frames), layout FROM {STRETCHES} {_WITHIN} GROUP BY layout",
            (key, since, FOREVER_US, MINUTE_US),
        ).fetchall()
        layouts = self.layouts({row[3] for row in rows})
        frames: Counter[str] = Counter()
        for _, _, count, layout_id in rows:
            if layout_id in layouts:
                frames[layouts[layout_id].rig] += count
        return (
            min((row[0] for row in rows), default=0),
            max((row[1] for row in rows), default=0),
            max(frames.values(), default=0),
        )

    def parts(self, key: int, since: int, until: int) -> list[Part]:
        """Records in a span of time, by layout; those of one layout are not yet in order of time."""
        rows = self._db.execute(
            f"SELECT * FROM {STRETCHES_DATA} {_WITHIN}", (key, since, until, MINUTE_US)
        ).fetchall()
        rows.sort(key=lambda row: (-row[1], row[3], row[0]))  # SQLite would move all their data to sort them
        layouts = self.layouts({row[4] for row in rows})
        found: dict[int, list[tuple[int, Records]]] = defaultdict(list)
        for row in rows:
            records = self.load(row)
            if records is not None:
                found[row[4]].append((row[3], records))
        parts = []
        for layout_id, pieces in sorted(found.items()):
            records = np.concatenate([r for _, r in pieces])
            base = np.repeat([minute * MINUTE_US for minute, _ in pieces], [len(r) for _, r in pieces])
            t_us = base + records["t"]
            inside = (t_us >= since) & (t_us < until)
            if not inside.all():
                t_us, records = t_us[inside], records[inside]
            if len(t_us):
                parts.append(Part(layouts[layout_id], t_us, records))
        return parts

    def lines(self, key: int, since: int, until: int) -> dict[tuple[str, str], Line]:
        """Every reading in a span of time, by rig and channel."""
        rigs: dict[str, list[tuple[Layout, Ints, list[NDArray[Any]]]]] = defaultdict(list)
        for layout, t_us, records in self.parts(key, since, until):
            rigs[layout.rig].append((layout, t_us, [layout.temperature_c(records), layout.status(records)]))
        found = {}
        for rig, pieces in rigs.items():
            names, t_us, (temperature_c, status) = _side_by_side(pieces, [np.nan, np.uint8(Status.ABSENT)])
            for j, name in enumerate(names):
                found[rig, name] = sent(t_us, temperature_c[:, j], status[:, j])
        return found

    def rollups(self, key: int, level_s: int, since: int) -> dict[str, tuple[list[str], Ints, Buckets]]:
        """Channels, bucket times, and buckets of shape (m, k), by rig."""
        fresh = set(
            self._db.execute(
                "SELECT DISTINCT t1_us / ?1, layout FROM recent WHERE firing = ?2", (MINUTE_US, key)
            ).fetchall()
        )
        rows = self._db.execute(
            f"SELECT minute, layout, data FROM rollup_{level_s}"
            " WHERE firing = ? AND minute >= ? ORDER BY minute",
            (key, since // MINUTE_US),
        ).fetchall()
        self.layouts({row[1] for row in rows} | {layout for _, layout in fresh})
        stored: dict[int, tuple[list[int], list[bytes]]] = {}
        for minute, layout_id, data in rows:
            if (minute, layout_id) in fresh or layout_id not in self._layouts:
                continue
            minutes, blobs = stored.setdefault(layout_id, ([], []))
            try:
                covered = (level_s, key, minute, layout_id)
                blobs.append(load_buckets(data, len(self._layouts[layout_id].channels), covered))
            except ValueError:
                fresh.add((minute, layout_id))  # damaged: work it out again
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
            if begin + MINUTE_US <= since:
                continue
            for part in self.parts(key, begin, begin + MINUTE_US):
                if (minute, part.layout.id) in fresh:
                    pieces.setdefault(part.layout.rig, []).append(
                        (part.layout, begin + inner, _roll(part, begin)[level_s])
                    )
        return {rig: _one_a_bucket(own, since) for rig, own in pieces.items()}


def _roll(part: Part, begin: int) -> dict[int, Buckets]:
    order = np.argsort(part.t_us, kind="stable")
    records = part.records[order]
    return roll_minute(
        part.t_us[order] - begin, part.layout.temperature_c(records), part.layout.status(records)
    )


def _side_by_side(
    pieces: Sequence[tuple[Layout, Ints, Sequence[NDArray[Any]]]], blanks: Sequence[Any]
) -> tuple[list[str], Ints, Sequence[NDArray[Any]]]:
    """Bring one rig's pieces to common columns, in order of time: names, times, and arrays of shape (n, k).

    Each piece has one array per blank; the blank fills the columns that a piece doesn't have.
    """
    names: dict[str, int] = {}
    for layout, _, _ in pieces:
        for channel in layout.channels:
            names.setdefault(channel.name, len(names))
    t_us = np.concatenate([t for _, t, _ in pieces])
    arrays = pieces[0][2]
    if len(pieces) > 1:
        arrays = [np.full((len(t_us), len(names)), blank) for blank in blanks]
        row = 0
        for layout, t, own in pieces:
            at = [names[c.name] for c in layout.channels]
            for whole, part in zip(arrays, own, strict=True):
                whole[row : row + len(t), at] = part
            row += len(t)
    if (np.diff(t_us) < 0).any():
        order = np.argsort(t_us, kind="stable")
        t_us, arrays = t_us[order], [array[order] for array in arrays]
    return list(names), t_us, arrays


def _one_a_bucket(
    pieces: Sequence[tuple[Layout, Ints, Buckets]], since: int
) -> tuple[list[str], Ints, Buckets]:
    """Bring one rig's buckets together, one for each time."""
    blank = empty((1,))[0]
    names, t_us, (buckets,) = _side_by_side([(layout, t, [own]) for layout, t, own in pieces], [blank])
    starts = run_starts(t_us)
    if len(starts) < len(t_us):
        t_us, buckets = t_us[starts], merge(buckets, starts)
    first = int(np.searchsorted(t_us, since))
    return names, t_us[first:], buckets[first:]
