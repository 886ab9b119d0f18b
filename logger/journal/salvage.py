"""Damaged journals: noticed, and saved as far as they can be read. The damaged file itself is set aside."""

from __future__ import annotations

import contextlib
import json
import logging
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import numpy as np

from logger.journal.layout import Layout, is_whole
from logger.journal.packing import store_minute
from logger.journal.rollup import LEVELS_S
from logger.journal.rows import new_firing_id
from logger.journal.schema import JournalError, connect_read_only, journal_error, open_to_read
from logger.journal.writer import JournalWriter
from logger.reading import Status

log = logging.getLogger(__name__)

# What a sound row looks like: i a whole number, t text, j JSON, b bytes; capitals may be NULL.
_ROWS: Final = {
    "firing": "ittTiIijii",
    "layout": "iitj",
    "event": "iiitjt",
    "request": "iitjtJ",
    "state": "ib",
    "heartbeat": "ij",
}
_FARTHEST: Final = 1 << 42
"""No number of a row is higher."""
_PAGE: Final = 4096

Row = tuple[Any, ...]


@dataclass(slots=True)
class Salvage:
    """What became of a damaged journal.

    Attributes
    ----------
    aside : Path
        The damaged file.
    firings, readings, events : int
        What was saved.
    lost : list of str
        What could not be read, as far as one can tell.
    """

    aside: Path
    firings: int = 0
    readings: int = 0
    events: int = 0
    lost: list[str] = field(default_factory=list)


def check(path: Path, *, every_firing: bool = False) -> list[str]:
    """Check that a journal is whole.

    Parameters
    ----------
    path : Path
    every_firing : bool, default False
        Check the readings' checksums of all firings, not only of the latest; the file's structure is always
        checked throughout.

    Returns
    -------
    list of str
        What is wrong; empty for a sound journal.

    Raises
    ------
    NoJournalError
        There is none.
    JournalError
        Not damaged, but can't be read: a newer version, a disk that doesn't answer.
    """
    try:
        with contextlib.closing(open_to_read(path)) as db:
            found = [str(row[0]) for row in db.execute("PRAGMA quick_check(20)")]
            return _bad_readings(db, every_firing=every_firing) if found == ["ok"] else found
    except JournalError as exc:
        error = exc
    except sqlite3.Error as exc:
        error = journal_error(exc, path)
    if error.reason != "damaged":
        raise error
    return [str(error)]


def make_sound(path: Path, *, every_firing: bool = False) -> Salvage | None:
    """Look at a journal before it is used, and salvage it if it is damaged.

    Parameters
    ----------
    path : Path
        Nobody else may be writing to it.
    every_firing : bool, default False
        As for `check`.

    Returns
    -------
    Salvage or None
        None where there was nothing to do.

    Raises
    ------
    JournalError
        As `check` and `salvage`.
    """
    if not path.exists():
        if not _finished(path).exists():
            return None
        _finished(path).replace(path)  # a salvage that was cut short before its last step
    return salvage(path) if check(path, every_firing=every_firing) else None


def salvage(path: Path) -> Salvage:
    """Save what can be read of a damaged journal into a new one in its place.

    Parameters
    ----------
    path : Path
        Nobody else may be writing to it.

    Returns
    -------
    Salvage
        The damaged file has a new name, with the date in it; it is never changed.

    Raises
    ------
    JournalError
        The new journal can't be written: the damaged one is still in its place.
    """
    found = Salvage(_aside_name(path))
    try:
        with tempfile.TemporaryDirectory(dir=path.parent, prefix=".salvage-") as name:
            new = Path(name) / "new.sqlite"
            writer = JournalWriter(new)
            try:
                with contextlib.closing(_open_somehow(path, Path(name))) as source:
                    _copy(source, writer, found)
            finally:
                writer.close()
            new.replace(_finished(path))
        # The damaged file's log must not be taken for the new file's.
        _beside(path, "-shm").unlink(missing_ok=True)
        wal = _beside(path, "-wal")
        if wal.exists() and wal.stat().st_size:
            wal.rename(_beside(found.aside, "-wal"))
        wal.unlink(missing_ok=True)
        path.rename(found.aside)
        _finished(path).replace(path)
    except OSError as exc:
        raise JournalError(
            f"journal {path}: can't be salvaged: {exc.strerror}; make room beside it", "io"
        ) from exc
    log.warning(
        "%s was damaged; saved %d firings, %d readings, %d events; the damaged file is now %s; lost: %s",
        *(path, found.firings, found.readings, found.events, found.aside.name),
        "; ".join(found.lost) or "nothing that can be told",
    )
    return found


def _copy(source: sqlite3.Connection, writer: JournalWriter, found: Salvage) -> None:
    """Copy all that is sound; readings' rollups are worked out anew."""
    target = writer._db
    with writer.transaction():
        for table, spec in _ROWS.items():
            marks = ", ".join("?" * len(spec))
            key = str(
                target.execute(f"SELECT name FROM pragma_table_info('{table}') WHERE pk = 1").fetchone()[0]
            )
            for row in _walk(
                source, f"SELECT * FROM {table} WHERE {key} >= ? ORDER BY {key}", 0, found, table
            ):
                if _sane(row, spec):
                    target.execute(f"INSERT OR IGNORE INTO {table} VALUES ({marks})", row)
                else:
                    found.lost.append(f"a row of {table}")
        with contextlib.suppress(sqlite3.Error):
            for key, value in source.execute("SELECT key, value FROM meta"):
                writer.set_meta(str(key), str(value))
        # Only a model's word, and not there in files of the first version: what can't be read is let go.
        with contextlib.suppress(sqlite3.Error):
            for row in source.execute("SELECT * FROM estimate"):
                if _sane(row, "iiij"):
                    target.execute("INSERT OR IGNORE INTO estimate VALUES (?, ?, ?, ?)", row)
        # Not there in files of earlier versions.
        with contextlib.suppress(sqlite3.Error):
            for row in source.execute("SELECT * FROM set_apart"):
                target.execute("INSERT OR IGNORE INTO set_apart VALUES (?, ?, ?, ?, ?, ?, ?)", row)
        with contextlib.suppress(sqlite3.Error):
            for row in source.execute("SELECT * FROM lately"):
                target.execute("INSERT OR IGNORE INTO lately VALUES (?, ?, ?)", row)
    target.execute("UPDATE firing SET packed_readings = 0")
    layouts: dict[int, tuple[int, Layout]] = {}
    for layout_id, firing, rig, channels in target.execute("SELECT id, firing, rig, channels FROM layout"):
        with contextlib.suppress(KeyError, TypeError, ValueError, AttributeError):
            layouts[layout_id] = (firing, Layout.loads(layout_id, rig, channels))
    for firing in sorted({firing for firing, _ in layouts.values()}):
        own = {layout_id: layout for layout_id, (key, layout) in layouts.items() if key == firing}
        with writer.transaction():
            _copy_readings(source, writer, firing, own, found)
    (found.firings,) = target.execute("SELECT count(*) FROM firing").fetchone()
    (found.events,) = target.execute("SELECT count(*) FROM event").fetchone()


def _copy_readings(
    source: sqlite3.Connection, writer: JournalWriter, firing: int, layouts: dict[int, Layout], found: Salvage
) -> None:
    target = writer._db
    bad = 0
    chunks = f"SELECT * FROM chunk WHERE +firing = {firing} AND id >= ? ORDER BY id"
    for row in _walk(source, chunks, 0, found, "chunk"):
        _, _, minute, layout_id, *_, arrival, data = row
        try:
            layout = layouts[layout_id]
            records = layout.load(data, packed=True)
            readings = int(np.count_nonzero(layout.status(records) != Status.ABSENT))
            store_minute(target, firing, minute, layout, records, readings=readings, arrival=arrival)
        except (KeyError, ValueError, TypeError, sqlite3.Error):
            bad += 1
        else:
            found.readings += readings
    recent = f"SELECT * FROM recent WHERE +firing = {firing} AND arrival >= ? ORDER BY arrival"
    for row in _walk(source, recent, 0, found, "recent"):
        _, _, layout_id, *_, readings, data = row
        try:
            layouts[layout_id].load(data, packed=False)
            target.execute("INSERT INTO recent VALUES (?, ?, ?, ?, ?, ?, ?, ?)", row)
        except (KeyError, ValueError, TypeError, sqlite3.Error):
            bad += 1
        else:
            found.readings += readings
    if bad:
        found.lost.append(f"{bad} stretches of readings of at most a minute")
    first, last, packed = target.execute(
        "SELECT min(t0_us), max(t1_us), sum(packed) FROM ("
        " SELECT t0_us, t1_us, readings AS packed FROM chunk WHERE firing = ?1"
        " UNION ALL SELECT t0_us, t1_us, 0 FROM recent WHERE firing = ?1)",
        (firing,),
    ).fetchone()
    if first is None:
        return
    if target.execute("SELECT 1 FROM firing WHERE key = ?", (firing,)).fetchone() is None:
        target.execute(
            "INSERT INTO firing (key, id, title, started_us, ended_us, invented, facts)"
            " VALUES (?, ?, 'Salvaged, its title is lost', ?, ?, 0, '{}')",
            (firing, new_firing_id(target, first), first, last),
        )
    target.execute("UPDATE firing SET packed_readings = ? WHERE key = ?", (packed, firing))


def _walk(source: sqlite3.Connection, sql: str, key: int, found: Salvage, table: str) -> Iterator[Row]:
    """Give all rows that can be read; `sql` asks for those from a number on, column `key` has it."""
    low = 0
    while True:
        begun = low
        try:
            for row in source.execute(sql, (low,)):
                low = row[key] + 1
                yield row
            return
        except (sqlite3.Error, TypeError):
            low += low == begun  # never twice in the same place
        # Somewhere from here on is a page that can't be read: find the first number after it.
        bad, step = low - 1, 1
        while not _readable(source, sql, low):
            bad, low, step = low, low + step, step * 2
            if low > _FARTHEST:
                found.lost.append(f"the end of {table}")
                return
        while low - bad > 1:
            middle = (low + bad) // 2
            if _readable(source, sql, middle):
                low = middle
            else:
                bad = middle
        found.lost.append(f"a part of {table}")


def _readable(source: sqlite3.Connection, sql: str, low: int) -> bool:
    try:
        source.execute(f"{sql} LIMIT 1", (low,)).fetchone()
    except sqlite3.Error:
        return False
    return True


def _sane(row: Row, spec: str) -> bool:
    if len(row) != len(spec):
        return False
    for value, letter in zip(row, spec, strict=True):
        if value is None:
            if letter.islower():
                return False
            continue
        kind = {"i": int, "t": str, "j": str, "b": bytes}[letter.lower()]
        if not isinstance(value, kind):
            return False
        if isinstance(value, str) and letter in "jJ":
            try:
                json.loads(value)
            except ValueError:
                return False
    return True


def _open_somehow(path: Path, folder: Path) -> sqlite3.Connection:
    """Open a damaged file; where its first page is the damage, a copy of it with the first page of a new one.

    The first page says where the tables begin, which is the same in every journal of a version.
    """
    db = connect_read_only(path)
    if _has_tables(db):
        return db
    db.close()
    copy, template = folder / "copy.sqlite", folder / "template.sqlite"
    shutil.copyfile(path, copy)
    JournalWriter(template).close()
    with template.open("rb") as file:
        page = bytearray(file.read(_PAGE))
    pages = max(1, copy.stat().st_size // _PAGE)
    page[18:20] = b"\x01\x01"  # no log: what it has would bring the damage back
    page[28:32] = pages.to_bytes(4, "big")
    page[92:96] = page[24:28]  # the size just given is valid
    with copy.open("r+b") as file:
        file.write(page)
        file.truncate(pages * _PAGE)
    db = connect_read_only(copy)
    _has_tables(db)
    return db


def _has_tables(db: sqlite3.Connection) -> bool:
    try:
        db.execute("PRAGMA writable_schema = ON")  # else a file cut short isn't read at all
        names = {row[0] for row in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    except sqlite3.Error:
        return False
    return names.issuperset(("chunk", "recent", *_ROWS))


def _bad_readings(db: sqlite3.Connection, *, every_firing: bool) -> list[str]:
    where = "" if every_firing else " WHERE firing = (SELECT max(key) FROM firing)"
    for row in db.execute(f"SELECT id, rig, channels FROM layout{where}"):
        try:
            Layout.loads(*row)
        except (KeyError, TypeError, ValueError, AttributeError):
            return ["the description of a rig's channels can't be read"]
    bad = 0
    for table in ("recent", "chunk", *(f"rollup_{level_s}" for level_s in LEVELS_S)):
        bad += sum(not is_whole(data) for (data,) in db.execute(f"SELECT data FROM {table}{where}"))
    if bad:
        return [f"{bad} stretches of readings don't match their checksums"]
    and_not = f"{where} AND" if where else " WHERE"
    (bad,) = db.execute(f"SELECT count(*) FROM event{and_not} NOT json_valid(data)").fetchone()
    return [f"{bad} events can't be read"] if bad else []


def _aside_name(path: Path) -> Path:
    stem = f"{path.stem}-damaged-{datetime.now().astimezone():%Y%m%d-%H%M%S}"
    names = (
        path.with_name(f"{stem}{number}{path.suffix}") for number in ("", *(f"-{n}" for n in range(2, 99)))
    )
    return next(name for name in names if not name.exists())


def _finished(path: Path) -> Path:
    return path.with_name(f"{path.name}.salvaged")


def _beside(path: Path, ending: str) -> Path:
    return path.with_name(path.name + ending)
