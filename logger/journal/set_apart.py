"""Frames that were kept as they came, since nobody could tell where they belong; what came lately."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import msgspec

MIGRATION: Final = (
    # Kept as they came; firing is NULL before one has begun.
    """CREATE TABLE set_apart (
        id INTEGER PRIMARY KEY, firing INTEGER, t_us INTEGER NOT NULL, rig TEXT NOT NULL,
        source TEXT NOT NULL, why TEXT NOT NULL, line BLOB NOT NULL)""",
    "CREATE INDEX set_apart_of_firing ON set_apart (firing)",
    # seq, ms and checksum of the last minutes' frames, commit by commit: what comes again is known by them.
    "CREATE TABLE lately (id INTEGER PRIMARY KEY, t_us INTEGER NOT NULL, data BLOB NOT NULL)",
)

LATELY_US: Final = 20 * 60 * 1_000_000
"""How long it is remembered which frames came. [µs]"""

Key = tuple[int, int, int]
"""`seq`, `ms` and checksum of a frame."""

_keys: Final = msgspec.msgpack.Decoder(dict[str, list[Key]])


@dataclass(frozen=True, slots=True)
class Apart:
    """A frame that was set apart."""

    id: int
    t_us: int  # when it came in, UTC. [µs]
    rig: str
    source: str
    why: str  # `unplaced`, `rig`, `topic` or `channels`: see `WHY`
    line: bytes  # as it came, without its newline


WHY: Final = {
    "unplaced": "its counter and clock fit nothing else that this rig sent",
    "rig": "more rigs send than one firing takes",
    "topic": "it came under another rig's topic",
    "channels": "it has more channels than one firing takes",
}


def keep(db: sqlite3.Connection, firing: int | None, rows: Sequence[Apart]) -> None:
    """Set frames apart; inside a transaction."""
    db.executemany(
        "INSERT OR REPLACE INTO set_apart VALUES (?, ?, ?, ?, ?, ?, ?)",
        [(row.id, firing, row.t_us, row.rig, row.source, row.why, row.line) for row in rows],
    )


def release(db: sqlite3.Connection, ids: Iterable[int]) -> None:
    """Let go of frames that have found their places; inside the transaction that records them there."""
    db.executemany("DELETE FROM set_apart WHERE id = ?", [(number,) for number in ids])


def adopt(db: sqlite3.Connection, firing: int) -> None:
    """Give what came before a firing began to it."""
    db.execute("UPDATE set_apart SET firing = ? WHERE firing IS NULL", (firing,))


def read(db: sqlite3.Connection, firing: int | None, since_us: int | None = None) -> Iterator[Apart]:
    """Give what was set apart, in the order it came in."""
    rows = db.execute(
        "SELECT id, t_us, rig, source, why, line FROM set_apart"
        " WHERE (?1 IS NULL OR firing = ?1) AND (?2 IS NULL OR t_us >= ?2) ORDER BY id",
        (firing, since_us),
    )
    for number, t_us, rig, source, why, line in rows:
        yield Apart(number, t_us, rig, source, why, bytes(line))


def sums(db: sqlite3.Connection) -> dict[tuple[str, str], tuple[int, int]]:
    """Give by rig and source how many frames and bytes are set apart."""
    rows = db.execute("SELECT rig, source, count(*), sum(length(line)) FROM set_apart GROUP BY rig, source")
    return {(rig, source): (frames, size) for rig, source, frames, size in rows}


def count(db: sqlite3.Connection, firing: int) -> list[tuple[str, str, int]]:
    """Count what is set apart of a firing."""
    return [
        (rig, why, frames)
        for rig, why, frames in db.execute(
            "SELECT rig, why, count(*) FROM set_apart WHERE firing = ? GROUP BY rig, why ORDER BY rig, why",
            (firing,),
        )
    ]


def note(db: sqlite3.Connection, t_us: int, keys: dict[str, list[Key]]) -> None:
    """Remember which frames are recorded, by rig, and forget those of long ago; inside their transaction."""
    db.execute("INSERT INTO lately (t_us, data) VALUES (?, ?)", (t_us, msgspec.msgpack.encode(keys)))
    db.execute(
        "DELETE FROM lately WHERE id <= (SELECT max(id) - 8 FROM lately) AND t_us < ?", (t_us - LATELY_US,)
    )


def noted(db: sqlite3.Connection) -> dict[str, dict[tuple[int, int], int]]:
    """Give the checksums of the frames that came lately, by rig, seq and ms.

    A row that can't be read is left out: its frames are then not known to be the same.
    """
    found: dict[str, dict[tuple[int, int], int]] = {}
    for (data,) in db.execute("SELECT data FROM lately ORDER BY id"):
        try:
            rigs = _keys.decode(data)
        except (msgspec.DecodeError, TypeError):
            continue
        for rig, keys in rigs.items():
            found.setdefault(rig, {}).update({(seq, ms): checksum for seq, ms, checksum in keys})
    return found
