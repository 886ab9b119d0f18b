"""Finished minutes of readings: sorted by time, rolled up, and packed into one row each."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from logger.journal.layout import MINUTE_US, Layout, Records, squeeze
from logger.journal.rollup import dump_buckets, roll_minute
from logger.journal.sealed import load_layout
from logger.reading import Status

ALL_MINUTES: Final = 2**62 // MINUTE_US

_COLUMNS: Final = "layout, t0_us, t1_us, frames, readings, data"
PACKED: Final = f"SELECT arrival, 1 AS packed, firing, minute, {_COLUMNS} FROM chunk"
RECENT: Final = f"SELECT arrival, 0 AS packed, firing, t1_us / {MINUTE_US} AS minute, {_COLUMNS} FROM recent"
STRETCHES_DATA: Final = f"({PACKED} UNION ALL {RECENT})"
"""Packed minutes and rows as they came in, alike: none crosses a full minute."""
STRETCHES: Final = STRETCHES_DATA.replace(", data", "")
"""The same without the data."""


def load(layout: Layout, row: Sequence[Any]) -> Records:
    """Read the records of a row of `STRETCHES_DATA`; ValueError if they, or its numbers, are damaged."""
    return layout.load(row[-1], covered_by(row), packed=bool(row[1]))


def covered_by(row: Sequence[Any]) -> Sequence[int]:
    """The numbers that the checksum of a row of `STRETCHES_DATA` covers besides its data."""
    return row[2:-1] if row[1] else (row[2], *row[4:-1])


def pack_minutes(db: sqlite3.Connection, key: int, before: int, limit: int = -1) -> bool:
    """Pack a firing's minutes before a given one, oldest first; return whether none is left.

    Call it in a transaction. Minutes are counted from 1970; `limit` is the most to pack (-1: all). A minute
    in which something is damaged is left as it is.
    """
    due = db.execute(
        "SELECT t1_us / ?1 AS minute, layout FROM recent WHERE firing = ?2 AND t1_us < ?3"
        " GROUP BY 1, 2 ORDER BY 1, 2",
        (MINUTE_US, key, before * MINUTE_US),
    ).fetchall()
    for minute, layout_id in due:
        if not limit:
            return False
        layout = load_layout(db, layout_id)
        limit -= layout is not None and _pack_minute(db, key, minute, layout)
    return True


def each_once(records: Records) -> Records:
    """Sort records by time, and keep one of those that are the same to the bit."""
    records = records[np.argsort(records["t"], kind="stable")]
    if (np.diff(records["t"].astype(np.int64)) == 0).any():
        raw = np.ascontiguousarray(records).view(np.dtype((np.void, records.dtype.itemsize)))
        records = records[np.sort(np.unique(raw, return_index=True)[1])]
    return records


def _pack_minute(db: sqlite3.Connection, key: int, minute: int, layout: Layout) -> bool:
    begin = minute * MINUTE_US
    these = (key, begin, begin + MINUTE_US, layout.id)
    those = "WHERE firing = ?1 AND t1_us >= ?2 AND t1_us < ?3 AND layout = ?4"
    rows = db.execute(
        f"SELECT * FROM {STRETCHES_DATA} {those} AND minute = ?5 ORDER BY packed DESC, arrival",
        (*these, minute),
    ).fetchall()
    try:
        parts = [load(layout, row) for row in rows]
    except ValueError:
        return False  # damaged, but evidence: the whole minute stays as it is
    records = each_once(np.concatenate(parts))
    first, last = (begin + int(t) for t in records["t"][[0, -1]])
    status = layout.status(records)
    readings = int((status != Status.ABSENT).sum())
    covered = (key, minute, layout.id, first, last, len(records), readings)
    db.execute(
        "INSERT OR REPLACE INTO chunk VALUES (NULL, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (*covered, rows[-1][0], squeeze(records, covered)),
    )
    for level_s, buckets in roll_minute(records["t"], layout.temperature_c(records), status).items():
        where = (key, minute, layout.id)
        db.execute(
            f"INSERT OR REPLACE INTO rollup_{level_s} VALUES (NULL, ?, ?, ?, ?)",
            (*where, dump_buckets(buckets, (level_s, *where))),
        )
    db.execute(f"DELETE FROM recent {those}", these)
    more = readings - sum(row[-2] for row in rows if row[1])
    db.execute("UPDATE firing SET packed_readings = packed_readings + ? WHERE key = ?", (more, key))
    return True
