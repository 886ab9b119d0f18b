"""Finished minutes of readings: put in order of time, rolled up, and packed into one row each."""

from __future__ import annotations

import sqlite3
from typing import Final

import numpy as np

from logger.journal.layout import MINUTE_US, Layout, Records, squeeze
from logger.journal.rollup import dump_buckets, roll_minute

ALL_MINUTES: Final = 2**62 // MINUTE_US


def pack_minutes(db: sqlite3.Connection, key: int, before: int, limit: int = -1) -> bool:
    """Pack a firing's minutes, the oldest first.

    Parameters
    ----------
    db : sqlite3.Connection
        In a transaction.
    key : int
        The firing's key in the file.
    before : int
        Only minutes before this one, counted from 1970.
    limit : int, default -1
        At most so many; -1 for any number.

    Returns
    -------
    bool
        Whether none is left.
    """
    rows = db.execute(
        "SELECT t1_us / ?1 AS minute, layout FROM recent WHERE firing = ?2 AND t1_us < ?3"
        " GROUP BY 1, 2 ORDER BY 1, 2 LIMIT ?4",
        (MINUTE_US, key, before * MINUTE_US, limit),
    ).fetchall()
    layouts: dict[int, Layout] = {}
    for minute, layout_id in rows:
        if layout_id not in layouts:
            row = db.execute("SELECT rig, channels FROM layout WHERE id = ?", (layout_id,)).fetchone()
            layouts[layout_id] = Layout.loads(layout_id, *row)
        _pack_minute(db, key, minute, layouts[layout_id])
    return limit < 0 or len(rows) < limit


def store_minute(
    db: sqlite3.Connection,
    key: int,
    minute: int,
    layout: Layout,
    records: Records,
    *,
    readings: int,
    arrival: int,
) -> None:
    """Write a packed minute and its rollups, in place of what it had.

    Parameters
    ----------
    db : sqlite3.Connection
        In a transaction.
    key : int
        The firing's key in the file.
    minute : int
        Counted from 1970.
    layout : Layout
    records : structured array, shape (n,)
        In order of time.
    readings : int
        Number of channel values.
    arrival : int
        The newest that is in it.
    """
    first, last = (minute * MINUTE_US + int(t) for t in records["t"][[0, -1]])
    db.execute(
        "INSERT OR REPLACE INTO chunk VALUES (NULL, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (key, minute, layout.id, first, last, len(records), readings, arrival, squeeze(records)),
    )
    levels = roll_minute(records["t"], layout.temperature_c(records), layout.status(records))
    for level_s, buckets in levels.items():
        db.execute(
            f"INSERT OR REPLACE INTO rollup_{level_s} VALUES (NULL, ?, ?, ?, ?)",
            (key, minute, layout.id, dump_buckets(buckets, level_s)),
        )


def _pack_minute(db: sqlite3.Connection, key: int, minute: int, layout: Layout) -> None:
    those = "FROM recent WHERE firing = ? AND t1_us >= ? AND t1_us < ? AND layout = ?"
    these = (key, minute * MINUTE_US, (minute + 1) * MINUTE_US, layout.id)
    rows = db.execute(f"SELECT arrival, readings, data {those} ORDER BY arrival", these).fetchall()
    old = db.execute(
        "SELECT readings, data FROM chunk WHERE firing = ? AND minute = ? AND layout = ?",
        (key, minute, layout.id),
    ).fetchall()
    parts: list[Records] = []
    try:
        parts += [layout.load(data, packed=True) for _, data in old]
        parts += [layout.load(data, packed=False) for _, _, data in rows]
    except ValueError:
        return  # damaged, but evidence: all of this minute stays as it is
    added = sum(readings for _, readings, _ in rows)
    records = np.concatenate(parts)
    store_minute(
        db,
        key,
        minute,
        layout,
        records[np.argsort(records["t"], kind="stable")],
        readings=added + sum(readings for readings, _ in old),
        arrival=rows[-1][0],
    )
    db.execute(f"DELETE {those}", these)
    db.execute("UPDATE firing SET packed_readings = packed_readings + ? WHERE key = ?", (added, key))
