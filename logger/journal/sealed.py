"""Small rows with a checksum, so that a flipped bit is noticed; and some kept twice, so that it is repaired.

SQLite's file has no checksums of its own: a bit that flips on a worn card makes another word, another number
or another channel's name, and nobody notices. Rows without which readings have no name have a twin.
"""

from __future__ import annotations

import contextlib
import functools
import json
import sqlite3
import zlib
from typing import Any, Final

from logger.journal.layout import Layout

_MARK: Final = "*"
_TAIL: Final = 9  # the mark and eight hex digits, as in a rig's line

TWICE: Final = {
    "firing": ("key", "id, title, plan, started_us, ended_us, invented, facts"),
    "layout": ("id", "firing, rig, channels"),
}
"""By table: the column with the row's number, and the columns kept twice."""


class DamagedError(ValueError):
    """What was read isn't what was written."""


def to_json(data: Any) -> str:
    """Write compact JSON; ValueError for NaN or infinity."""
    return json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def seal_text(text: str, *about: object) -> str:
    """Append a checksum to a text, over it and the other columns of its row (`about`)."""
    return f"{text}{_MARK}{_crc(text, about):08x}"


def unseal_text(sealed: Any, *about: object) -> str:
    """Check a text from `seal_text` against the same `about`, and remove the checksum."""
    if isinstance(sealed, str) and sealed[-_TAIL:-8] == _MARK:
        text = sealed[:-_TAIL]
        if sealed[-8:] == f"{_crc(text, about):08x}":
            return text
    raise DamagedError("damaged data: the checksum is wrong")


def load_dict(sealed: Any, *about: object) -> dict[str, Any]:
    """Read a sealed JSON object, or a plain one from older versions; DamagedError for anything else."""
    text = sealed  # if its seal is broken, it is no JSON, whichever of its bits has flipped
    with contextlib.suppress(DamagedError):
        text = unseal_text(sealed, *about)
    try:
        data = json.loads(text)
    except (TypeError, ValueError, RecursionError) as exc:
        raise DamagedError(f"damaged data: {exc}") from exc
    if not isinstance(data, dict):
        raise DamagedError("damaged data: not an object")
    return data


def _crc(text: str, about: tuple[object, ...]) -> int:
    words = "\x1f".join((*map(str, about), text))
    return zlib.crc32(words.encode("utf-8", "surrogatepass"))


def twin_text(of: str, row: int, *columns: object) -> str:
    """Write a row's second copy, for the table `twin`."""
    return seal_text(to_json(columns), of, row)


@functools.lru_cache(64)  # while a firing runs, the same rows are read twice a second
def true_row(of: str, row: int, columns: tuple[Any, ...], twin: Any) -> tuple[Any, ...]:
    """Return a row's true columns: from the twin if that is whole, else its own.

    The twin is None if an older version wrote the row; otherwise both are always written together.
    """
    with contextlib.suppress(ValueError):  # its checksum is wrong
        again = json.loads(unseal_text(twin, of, row))
        if isinstance(again, list) and len(again) == len(columns):
            return tuple(again)
    return columns


def twice(
    db: sqlite3.Connection, kind: str, where: str, values: tuple[Any, ...] = (), more: str = ""
) -> list[tuple[int, tuple[Any, ...], Any, *tuple[Any, ...]]]:
    """Read rows as stored: number, columns, twin, and the columns in `more`."""
    key, columns = TWICE[kind]
    twin = f"(SELECT data FROM twin WHERE kind = '{kind}' AND twin.key = {kind}.{key})"
    width = columns.count(",") + 1
    rows = db.execute(f"SELECT {key}, {twin}, {columns} {more} FROM {kind} {where}", values)
    return [(number, tuple(said[:width]), again, *said[width:]) for number, again, *said in rows]


def load_layout(db: sqlite3.Connection, layout_id: int) -> Layout | None:
    """Read a layout; None if both copies are damaged: its readings can't be told apart."""
    found = twice(db, "layout", "WHERE id = ?", (layout_id,))
    if not found:
        twin = db.execute("SELECT data FROM twin WHERE kind = 'layout' AND key = ?", (layout_id,)).fetchone()
        found = [(layout_id, (None, None, None), twin and twin[0])]
    _, rig, channels = true_row("layout", *found[0])
    with contextlib.suppress(ValueError):
        return Layout.loads(layout_id, rig, channels)
    return None


def keep(db: sqlite3.Connection, kind: str, number: int) -> None:
    """Copy a row as it is now, inside the transaction that writes it."""
    key, columns = TWICE[kind]
    said = db.execute(f"SELECT {columns} FROM {kind} WHERE {key} = ?", (number,)).fetchone()
    db.execute(
        "INSERT OR REPLACE INTO twin (kind, key, data) VALUES (?, ?, ?)",
        (kind, number, twin_text(kind, number, *said)),
    )


def repair(db: sqlite3.Connection, *, every: bool) -> list[str]:
    """Repair rows with one damaged copy, inside a transaction; see `JournalWriter.repair`."""
    found: list[str] = []
    keys = "SELECT key FROM firing" if every else ", ".join(map(str, _doubtful(db)))
    for kind, (key, columns) in TWICE.items():
        sets = ", ".join(f"{name} = ?" for name in columns.split(", "))
        whose = "key" if kind == "firing" else "firing"
        for number, said, twin in twice(db, kind, f"WHERE {whose} IN ({keys})"):
            true = true_row(kind, number, said, twin)
            if true != said:
                db.execute(f"UPDATE {kind} SET {sets} WHERE {key} = ?", (*true, number))
                found.append(f"{kind} {number} was damaged and has been restored from its copy")
                continue
            with contextlib.suppress(TypeError, ValueError):  # what JSON can't hold: both are damaged
                if twin != twin_text(kind, number, *said):
                    keep(db, kind, number)
                    found.append(f"the copy of {kind} {number} was damaged and has been rewritten")
    counted = db.execute(
        "UPDATE firing SET late = 0, packed_readings ="
        " (SELECT coalesce(sum(readings), 0) FROM chunk WHERE chunk.firing = firing.key)"
        f" WHERE key IN ({keys}) AND (typeof(packed_readings) != 'integer' OR typeof(late) != 'integer')"
    )
    return [*found, "a firing's readings have been counted again"] if counted.rowcount else found


def _doubtful(db: sqlite3.Connection) -> list[int]:
    """The running firing, whatever the index says, and the newest."""
    sql = "SELECT key FROM firing WHERE {} ended_us IS NULL"
    keys = db.execute(sql.format("")).fetchall() or db.execute(sql.format("+")).fetchall()
    newest = db.execute("SELECT max(key) FROM firing").fetchone()[0]
    return sorted({*(int(row[0]) for row in keys), int(newest or 0)})
