"""Rows that are kept twice, and put right where one of their copies is damaged."""

from __future__ import annotations

import contextlib
import sqlite3
from typing import Any, Final

from logger.journal.rows import FIRING_COLUMNS
from logger.journal.sealed import true_row, twin_text

_COUNTED_AGAIN: Final = (
    ", packed_readings = iif(typeof(packed_readings) = 'integer', packed_readings,"
    " (SELECT coalesce(sum(readings), 0) FROM chunk WHERE chunk.firing = firing.key)),"
    " late = iif(typeof(late) = 'integer', late, 0)"
)


def keep(db: sqlite3.Connection, kind: str, key: int, *columns: object) -> None:
    """Keep a row's copy; inside the transaction that writes the row."""
    db.execute(
        "INSERT OR REPLACE INTO twin (kind, key, data) VALUES (?, ?, ?)",
        (kind, key, twin_text(kind, key, *columns)),
    )


def keep_firing(db: sqlite3.Connection, key: int) -> None:
    """Keep a copy of a firing's row as it is now."""
    keep(
        db,
        "firing",
        key,
        *db.execute(f"SELECT {FIRING_COLUMNS} FROM firing WHERE key = ?", (key,)).fetchone(),
    )


def repair(db: sqlite3.Connection, *, every: bool) -> list[str]:
    """Put rows right of which one copy is damaged, inside a transaction; see `JournalWriter.repair`."""
    found: list[str] = []
    keys = "SELECT key FROM firing" if every else ", ".join(map(str, _doubtful(db)))
    for table, key, of, columns in (
        ("firing", "key", "key", FIRING_COLUMNS),
        ("layout", "id", "firing", "firing, rig, channels"),
    ):
        twin = f"SELECT data FROM twin WHERE kind = '{table}' AND twin.key = {table}.{key}"
        rows = db.execute(f"SELECT {key}, ({twin}), {columns} FROM {table} WHERE {of} IN ({keys})")
        for number, again, *said in rows.fetchall():
            found += _repair_row(db, table, key, columns, number, tuple(said), again)
    return found


def _doubtful(db: sqlite3.Connection) -> list[int]:
    """The firing that runs, whatever its index says, and the newest."""
    sql = "SELECT key FROM firing WHERE {} ended_us IS NULL"
    keys = db.execute(sql.format("")).fetchall() or db.execute(sql.format("+")).fetchall()
    newest = db.execute("SELECT max(key) FROM firing").fetchone()[0]
    return sorted({*(int(row[0]) for row in keys), int(newest or 0)})


def _repair_row(
    db: sqlite3.Connection, table: str, key: str, columns: str, number: int, said: tuple[Any, ...], twin: Any
) -> list[str]:
    true = true_row(table, number, said, twin)
    if true != said or (table == "firing" and not _counts(db, number)):
        sets = ", ".join(f"{name} = ?" for name in columns.split(", "))
        if table == "firing":
            sets += _COUNTED_AGAIN
        db.execute(f"UPDATE {table} SET {sets} WHERE {key} = ?", (*true, number))
        return [f"{table} {number} was damaged and is put right from its copy"]
    with contextlib.suppress(TypeError, ValueError):
        if twin != twin_text(table, number, *said):
            keep(db, table, number, *said)
            return [f"the copy of {table} {number} was damaged and is written again"]
    return []


def _counts(db: sqlite3.Connection, key: int) -> bool:
    types = "SELECT typeof(packed_readings), typeof(late) FROM firing WHERE key = ?"
    return set(db.execute(types, (key,)).fetchone()) == {"integer"}
