"""Readings and rollups from the journal's file, put into columns and in order of time."""

from __future__ import annotations

import logging
import sqlite3
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np

from logger.journal.layout import MINUTE_US, Layout, Records
from logger.journal.packing import STRETCHES, STRETCHES_DATA, load
from logger.journal.rollup import BUCKET, Buckets, load_buckets, merge, roll_minute, run_starts
from logger.journal.sealed import load_layout
from logger.journal.traces import Line, Place, in_order, sent
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

    def parts(self, key: int, since: int, until: int) -> Iterator[Part]:
        """Records in a span of time, by layout, in order of time."""
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
        for layout_id, pieces in sorted(found.items()):
            records = np.concatenate([r for _, r in pieces])
            base = np.repeat([minute * MINUTE_US for minute, _ in pieces], [len(r) for _, r in pieces])
            t_us = base + records["t"]
            inside = (t_us >= since) & (t_us < until)
            if not inside.all():
                t_us, records = t_us[inside], records[inside]
            if len(t_us):
                yield Part(layouts[layout_id], *in_order(t_us, records))

    def lines(self, key: int, since: int, until: int) -> dict[Place, Line]:
        """Every reading in a span of time, by rig and channel."""
        pieces: dict[Place, list[Line]] = defaultdict(list)
        for layout, t_us, records in self.parts(key, since, until):
            temperature_c, status = layout.temperature_c(records), layout.status(records)
            for j, channel in enumerate(layout.channels):
                pieces[layout.rig, channel.name].append(sent(t_us, temperature_c[:, j], status[:, j]))
        return {
            place: own[0] if len(own) == 1 else in_order(*map(np.concatenate, zip(*own, strict=True)))
            for place, own in pieces.items()
        }

    def rollups(self, key: int, level_s: int, since: int) -> dict[Place, tuple[Ints, Buckets]]:
        """Bucket times, and buckets in which something was sent, by rig and channel."""
        fresh = set(
            self._db.execute(
                "SELECT DISTINCT t1_us / ?1, layout FROM recent WHERE firing = ?2", (MINUTE_US, key)
            ).fetchall()
        )
        rows = self._db.execute(
            f"SELECT minute, layout, data FROM rollup_{level_s} WHERE firing = ? AND minute >= ?",
            (key, since // MINUTE_US),
        ).fetchall()
        layouts = self.layouts({row[1] for row in rows} | {layout for _, layout in fresh})
        blobs: dict[int, dict[int, bytes]] = defaultdict(dict)  # by layout and minute
        for minute, layout_id, data in rows:
            if (minute, layout_id) in fresh or layout_id not in layouts:
                continue
            try:
                covered = (level_s, key, minute, layout_id)
                blobs[layout_id][minute] = load_buckets(data, len(layouts[layout_id].channels), covered)
            except ValueError:
                fresh.add((minute, layout_id))  # damaged: work it out again
        for minute in {minute for minute, _ in fresh if (minute + 1) * MINUTE_US > since}:
            begin = minute * MINUTE_US
            for layout, t_us, records in self.parts(key, begin, begin + MINUTE_US):
                if (minute, layout.id) in fresh:
                    rolled = roll_minute(t_us - begin, layout.temperature_c(records), layout.status(records))
                    blobs[layout.id][minute] = rolled[level_s].tobytes()
        pieces: dict[Place, list[tuple[Ints, Buckets]]] = defaultdict(list)
        inner = np.arange(60 // level_s) * level_s * 1_000_000
        for layout_id, own in blobs.items():
            layout = layouts[layout_id]
            minutes, found = zip(*sorted(own.items()), strict=True)
            t_us = (np.array(minutes)[:, None] * MINUTE_US + inner).ravel()
            buckets = np.frombuffer(b"".join(found), BUCKET).reshape(-1, len(layout.channels))
            for j, channel in enumerate(layout.channels):
                at = np.flatnonzero((buckets["status"][:, j] != Status.ABSENT) & (t_us >= since))
                pieces[layout.rig, channel.name].append((t_us[at], np.take(buckets[:, j], at)))
        return {place: _one_a_bucket(found) for place, found in pieces.items()}


def _one_a_bucket(pieces: Sequence[tuple[Ints, Buckets]]) -> tuple[Ints, Buckets]:
    """Bring a channel's buckets from several layouts together, one for each time."""
    if len(pieces) == 1:
        return pieces[0]
    t_us, buckets = in_order(*map(np.concatenate, zip(*pieces, strict=True)))
    starts = run_starts(t_us)
    return t_us[starts], merge(buckets, starts)
