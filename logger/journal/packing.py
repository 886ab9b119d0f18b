"""Finished minutes of readings: put in order of time, rolled up, and packed into one row each."""

from __future__ import annotations

import contextlib
import sqlite3
from typing import Final

import numpy as np

from logger.journal.layout import MINUTE_US, Layout, Records, row_key, squeeze
from logger.journal.rollup import dump_buckets, roll_minute, rollup_key
from logger.journal.rows import true_layout
from logger.reading import Status

ALL_MINUTES: Final = 2**62 // MINUTE_US

RECENT: Final = "arrival, firing, layout, t0_us, t1_us, frames, readings, data"
"""Columns of a row as it came in: its arrival, what its checksum covers, and its data."""
CHUNK: Final = "arrival, firing, minute, layout, t0_us, t1_us, frames, readings, data"
"""The same of a packed minute."""

PackedRow = tuple[str, tuple[int | bytes, ...]]


def pack_minutes(
    db: sqlite3.Connection, key: int, before: int, limit: int = -1, stuck: set[tuple[int, int]] | None = None
) -> bool:
    """Pack a firing's minutes, the oldest first, in a transaction; tell whether none is left.

    Only those before one (counted from 1970), and `limit` at most (-1: any number). Those in `stuck`, by
    minute and layout, are left as they are, since something in them is damaged; new ones are added to it.
    """
    stuck = set() if stuck is None else stuck
    due = db.execute(
        "SELECT t1_us / ?1 AS minute, layout FROM recent WHERE firing = ?2 AND t1_us < ?3"
        " GROUP BY 1, 2 ORDER BY 1, 2",
        (MINUTE_US, key, before * MINUTE_US),
    ).fetchall()
    rows = [row for row in due if row not in stuck]
    layouts: dict[int, Layout | None] = {}
    for minute, layout_id in rows if limit < 0 else rows[:limit]:
        if layout_id not in layouts:
            layouts[layout_id] = load_layout(db, layout_id)
        layout = layouts[layout_id]
        if layout is None or not _pack_minute(db, key, minute, layout):
            stuck.add((minute, layout_id))
    return limit < 0 or len(rows) <= limit


def load_layout(db: sqlite3.Connection, layout_id: int) -> Layout | None:
    """Read a layout; None where both of its copies are damaged: its readings can't be told apart."""
    found = true_layout(db, layout_id)
    if found is not None:
        with contextlib.suppress(ValueError):
            return Layout.loads(layout_id, *found[1:])
    return None


def packed_rows(key: int, minute: int, layout: Layout, records: Records, arrival: int) -> list[PackedRow]:
    """Pack a minute and roll it up, for `put_minute`; nothing is written yet.

    Minutes are counted from 1970; `arrival` is the newest that is in it.
    """
    first, last = (minute * MINUTE_US + int(t) for t in records["t"][[0, -1]])
    status = layout.status(records)
    told = (key, minute, layout.id, first, last, len(records), int((status != Status.ABSENT).sum()))
    rows: list[PackedRow] = [
        (
            "INSERT OR REPLACE INTO chunk VALUES (NULL, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (*told, arrival, squeeze(records, row_key(*told))),
        )
    ]
    for level_s, buckets in roll_minute(records["t"], layout.temperature_c(records), status).items():
        data = dump_buckets(buckets, level_s, rollup_key(level_s, key, minute, layout.id))
        sql = f"INSERT OR REPLACE INTO rollup_{level_s} VALUES (NULL, ?, ?, ?, ?)"
        rows.append((sql, (key, minute, layout.id, data)))
    return rows


def put_minute(db: sqlite3.Connection, rows: list[PackedRow]) -> None:
    """Write a packed minute and its rollups, in place of what it had."""
    for sql, values in rows:
        db.execute(sql, values)


def _pack_minute(db: sqlite3.Connection, key: int, minute: int, layout: Layout) -> bool:
    those = "FROM recent WHERE firing = ? AND t1_us >= ? AND t1_us < ? AND layout = ?"
    these = (key, minute * MINUTE_US, (minute + 1) * MINUTE_US, layout.id)
    rows = db.execute(f"SELECT {RECENT} {those} ORDER BY arrival", these).fetchall()
    old = db.execute(
        f"SELECT {CHUNK} FROM chunk WHERE firing = ? AND minute = ? AND layout = ?", (key, minute, layout.id)
    ).fetchall()
    try:
        parts = [layout.load(data, row_key(*told), packed=True) for _, *told, data in old]
        parts += [layout.load(data, row_key(*told), packed=False) for _, *told, data in rows]
    except ValueError:
        return False  # damaged, but evidence: all of this minute stays as it is
    added = sum(row[-2] for row in rows)
    records = np.concatenate(parts)
    records = records[np.argsort(records["t"], kind="stable")]
    put_minute(db, packed_rows(key, minute, layout, records, rows[-1][0]))
    db.execute(f"DELETE {those}", these)
    db.execute("UPDATE firing SET packed_readings = packed_readings + ? WHERE key = ?", (added, key))
    return True
