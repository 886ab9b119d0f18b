"""The journal's file: opening it, its tables, migrations, errors, and setting a damaged one aside."""

from __future__ import annotations

import contextlib
import ctypes
import os
import re
import sqlite3
import threading
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Final, Literal

from logger.errors import StokewatchError, UserError
from logger.home import sync_folder
from logger.journal.sealed import twin_text

Reason = Literal["full", "read_only", "busy", "damaged", "gone", "newer", "io", "misuse"]

APPLICATION_ID: Final = 0x53746B77
"""Marks an SQLite file as a journal of this program."""

BESIDE: Final = ("-wal", "-shm")
"""Files that SQLite keeps beside an open one."""

# A journal that was set aside is renamed, never changed; its name says whether it is still to be joined to
# the new one.
_UNJOINED: Final = "unjoined"
_DONE: Final = "damaged"

EMPTY: Final = (
    "the file is empty (0 bytes): its contents are lost; put back a copy, or start the logger, which sets it "
    "aside and begins another"
)

BUSY_MS: Final = 5000
"""How long a writer waits for another: an import, a request from the page. [ms]"""

# Entry n (from 1) takes the file up to version n. Never change a released entry: add one.
MIGRATIONS: list[tuple[str, ...]] = [
    (
        "CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID",
        """CREATE TABLE firing (
            key INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, title TEXT NOT NULL, plan TEXT,
            started_us INTEGER NOT NULL, ended_us INTEGER, invented INTEGER NOT NULL, facts TEXT NOT NULL,
            packed_readings INTEGER NOT NULL DEFAULT 0, late INTEGER NOT NULL DEFAULT 0)""",
        "CREATE UNIQUE INDEX one_running ON firing (ended_us IS NULL) WHERE ended_us IS NULL",
        # A rig's channels in one firing; readings point here.
        """CREATE TABLE layout (
            id INTEGER PRIMARY KEY, firing INTEGER NOT NULL, rig TEXT NOT NULL, channels TEXT NOT NULL)""",
        "CREATE INDEX layout_of_firing ON layout (firing)",
        # Readings as they came in, one row per batch, none across a full minute; `arrival` only ever grows.
        """CREATE TABLE recent (
            arrival INTEGER PRIMARY KEY, firing INTEGER NOT NULL, layout INTEGER NOT NULL,
            t0_us INTEGER NOT NULL, t1_us INTEGER NOT NULL, frames INTEGER NOT NULL,
            readings INTEGER NOT NULL, data BLOB NOT NULL)""",
        "CREATE INDEX recent_by_time ON recent (firing, t1_us)",
        # Finished minutes, sorted and packed; `minute` counts from 1970. Not clustered by firing and minute:
        # to compare keys SQLite would read whole rows of that size, and one bad upper page would hide them
        # all.
        """CREATE TABLE chunk (
            id INTEGER PRIMARY KEY, firing INTEGER NOT NULL, minute INTEGER NOT NULL, layout INTEGER NOT NULL,
            t0_us INTEGER NOT NULL, t1_us INTEGER NOT NULL, frames INTEGER NOT NULL,
            readings INTEGER NOT NULL, arrival INTEGER NOT NULL, data BLOB NOT NULL)""",
        "CREATE UNIQUE INDEX chunk_by_minute ON chunk (firing, minute, layout)",
        "CREATE INDEX chunk_by_arrival ON chunk (arrival)",
        *(
            statement
            for level_s in (1, 10, 60)
            for statement in (
                f"""CREATE TABLE rollup_{level_s} (
                    id INTEGER PRIMARY KEY, firing INTEGER NOT NULL, minute INTEGER NOT NULL,
                    layout INTEGER NOT NULL, data BLOB NOT NULL)""",
                f"CREATE UNIQUE INDEX rollup_{level_s}_by_minute"
                f" ON rollup_{level_s} (firing, minute, layout)",
            )
        ),
        """CREATE TABLE event (
            id INTEGER PRIMARY KEY, firing INTEGER NOT NULL, t_us INTEGER NOT NULL, kind TEXT NOT NULL,
            data TEXT NOT NULL, who TEXT NOT NULL)""",
        "CREATE INDEX event_of_firing ON event (firing)",
        """CREATE TABLE request (
            id INTEGER PRIMARY KEY, made_us INTEGER NOT NULL, kind TEXT NOT NULL, data TEXT NOT NULL,
            who TEXT NOT NULL, result TEXT)""",
        "CREATE INDEX request_open ON request (id) WHERE result IS NULL",
        "CREATE TABLE state (firing INTEGER PRIMARY KEY, data BLOB NOT NULL)",
        "CREATE TABLE heartbeat (id INTEGER PRIMARY KEY CHECK (id = 1), data TEXT NOT NULL)",
    ),
    (
        # The pots' estimated temperature by zone: a model, kept apart from readings.
        """CREATE TABLE estimate (
            id INTEGER PRIMARY KEY, firing INTEGER NOT NULL, t_us INTEGER NOT NULL, data TEXT NOT NULL)""",
        "CREATE UNIQUE INDEX estimate_by_time ON estimate (firing, t_us)",
    ),
    (
        # Frames as they came; `firing` is NULL before one has begun.
        """CREATE TABLE set_apart (
            id INTEGER PRIMARY KEY, firing INTEGER, t_us INTEGER NOT NULL, rig TEXT NOT NULL,
            source TEXT NOT NULL, why TEXT NOT NULL, line BLOB NOT NULL)""",
        "CREATE INDEX set_apart_of_firing ON set_apart (firing)",
        # seq, ms and checksum of the last minutes' frames, one row per commit, to recognise repeats.
        "CREATE TABLE lately (id INTEGER PRIMARY KEY, t_us INTEGER NOT NULL, data BLOB NOT NULL)",
    ),
    (
        # A second copy, with a checksum, of rows without which readings have no name: `sealed.twin_text`.
        """CREATE TABLE twin (
            id INTEGER PRIMARY KEY, kind TEXT NOT NULL, key INTEGER NOT NULL, data TEXT NOT NULL)""",
        "CREATE UNIQUE INDEX twin_of_row ON twin (kind, key)",
        "INSERT INTO twin (kind, key, data) SELECT 'firing', key, twin_text("
        "'firing', key, id, title, plan, started_us, ended_us, invented, facts) FROM firing",
        "INSERT INTO twin (kind, key, data)"
        " SELECT 'layout', id, twin_text('layout', id, firing, rig, channels) FROM layout",
    ),
]


class JournalError(StokewatchError):
    """The journal can't be read or written; `reason` is for programs, the text for people."""

    def __init__(self, text: str, reason: Reason) -> None:
        super().__init__(text)
        self.reason = reason


class NoFiringError(UserError):
    """The journal has no such firing."""


class NoJournalError(UserError):
    """There is no journal yet."""

    def __init__(self, path: Path) -> None:
        super().__init__(
            f"{path}: no journal here yet; the first firing that is logged or imported begins it"
        )
        self.path = path


_DAMAGED: Final = "the file is damaged; a logger sets it aside and saves what it can"
_READ_ONLY: Final = "it can't be written to; make the file and its disk writable"
_CAUSES: Final[dict[str, tuple[Reason, str]]] = {
    "SQLITE_FULL": ("full", "the disk is full; make room, and waiting readings are written at once"),
    "SQLITE_READONLY": ("read_only", _READ_ONLY),
    "SQLITE_BUSY": ("busy", "another program is writing to it; wait until it has finished"),
    "SQLITE_LOCKED": ("busy", "another program is writing to it; wait until it has finished"),
    "SQLITE_CORRUPT": ("damaged", _DAMAGED),
    "SQLITE_NOTADB": (
        "damaged",
        "the file is damaged or isn't a journal; a logger sets it aside and saves what it can",
    ),
    "SQLITE_CANTOPEN": ("gone", "it can't be opened; check that its folder exists and its disk is there"),
    "SQLITE_IOERR": ("io", "the disk doesn't respond; check its cable or card"),
    "SQLITE_TOOBIG": ("misuse", "too much at once; write it in smaller pieces"),
}


@contextlib.contextmanager
def errors_of(path: Path) -> Iterator[None]:
    """Turn SQLite's errors into `JournalError`, which says what they mean."""
    try:
        yield
    except sqlite3.Error as exc:
        name = getattr(exc, "sqlite_errorname", None) or ""
        causes = [cause for prefix, cause in _CAUSES.items() if name.startswith(prefix)]
        if type(exc) is sqlite3.DatabaseError or re.search("malformed|unsupported file format", str(exc)):
            causes.append(_CAUSES["SQLITE_CORRUPT"])
        if not causes:
            raise JournalError(f"journal {path}: {exc}", "misuse") from exc
        reason, mend = causes[0]
        raise JournalError(f"journal {path}: {mend} ({exc})", reason) from exc


@contextlib.contextmanager
def disk_errors_of(path: Path) -> Iterator[None]:
    """Turn OSError into `JournalError`."""
    try:
        yield
    except OSError as exc:
        reason: Reason = "full" if exc.errno == 28 else "gone" if exc.errno == 2 else "read_only"
        raise JournalError(f"journal {path}: {exc.strerror}; check its folder and its disk", reason) from exc


def open_to_write(path: Path) -> sqlite3.Connection:
    """Open a journal for writing; create it if there is none, bring an older one up to date.

    Its folder must exist. Autocommit, WAL, `synchronous=FULL`. JournalError if it can't be opened, is
    damaged, or was written by a newer version.
    """
    with disk_errors_of(path):
        if not path.exists():
            with in_the_making(path):
                pass
        elif not path.stat().st_size:
            raise JournalError(f"journal {path}: {EMPTY}", "damaged")
        _let_write(path)
    return _connect(path)


def _connect(path: Path) -> sqlite3.Connection:
    with errors_of(path), contextlib.ExitStack() as undo:
        db = sqlite3.connect(path, timeout=BUSY_MS / 1000, isolation_level=None, check_same_thread=False)
        undo.callback(db.close)
        db.text_factory = _text
        db.execute("PRAGMA cell_size_check = ON")
        db.execute("PRAGMA trusted_schema = OFF")
        _version(db, path)
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = FULL")
        db.execute("PRAGMA journal_size_limit = 8388608")  # after a large import the log shrinks again
        db.execute("BEGIN IMMEDIATE")
        with db:  # all of it or nothing
            version = _version(db, path)
            if version < len(MIGRATIONS):
                make_tables(db, version)
                db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                db.execute(f"PRAGMA user_version = {len(MIGRATIONS)}")
        undo.pop_all()
    return db


@contextlib.contextmanager
def in_the_making(path: Path) -> Iterator[Path]:
    """Make a journal under another name, so that an empty one is always damage.

    Yields that name; at the end the journal gets its own, unless another has been made there meanwhile.
    """
    new = path.with_name(f".{path.name}.{os.getpid()}-{threading.get_ident()}")
    # For its owner only; SQLite gives the files beside it the same mode.
    os.close(os.open(new, os.O_RDWR | os.O_CREAT | os.O_TRUNC, 0o600))
    try:
        _connect(new).close()
        yield new
        if beside(path, "-wal").exists() and not path.exists():
            set_aside(path)  # the log of a journal that was removed: it must not go with the new one
        try:
            os.link(new, path)
        except OSError:  # there is one, or the disk has no hard links: a memory card's FAT
            if not path.exists():
                new.rename(path)
        sync_folder(path.parent)
    finally:
        for ending in ("", *BESIDE):
            beside(new, ending).unlink(missing_ok=True)


def _let_write(path: Path) -> None:
    """Say which file isn't writable; fix those beside a journal that is.

    SQLite gives them the journal's own permissions, and they stay read-only when only the journal is fixed.
    """
    if not os.access(path, os.W_OK):
        raise JournalError(f"journal {path}: {_READ_ONLY} (chmod u+w)", "read_only")
    for left in (beside(path, ending) for ending in BESIDE):
        if left.exists() and not os.access(left, os.W_OK):
            try:
                left.chmod(path.stat().st_mode & 0o777)
            except OSError as exc:
                raise JournalError(
                    f"journal {path}: {left.name} beside it can't be written to; give it the same owner and "
                    "permissions as the journal (chown, chmod u+w)",
                    "read_only",
                ) from exc


def open_to_read(path: Path) -> sqlite3.Connection:
    """Open a journal for reading only; NoJournalError if there is none, JournalError as in `open_to_write`.

    Autocommit; usable from any thread, one at a time.
    """
    if not path.exists():
        raise NoJournalError(path)
    if not path.stat().st_size:
        raise JournalError(f"journal {path}: {EMPTY}", "damaged")
    with errors_of(path), contextlib.ExitStack() as undo:
        db = connect_read_only(path)
        undo.callback(db.close)
        db.execute(f"PRAGMA busy_timeout = {BUSY_MS}")
        if _version(db, path) < len(MIGRATIONS):
            # A reader can't migrate: let a writer do it, once.
            open_to_write(path).close()
        undo.pop_all()
    return db


def connect_read_only(path: Path) -> sqlite3.Connection:
    """Connect to an SQLite file without checking what it is."""
    db = sqlite3.connect(
        f"{path.absolute().as_uri()}?mode=ro", uri=True, isolation_level=None, check_same_thread=False
    )
    db.text_factory = _text
    return db


def abandon(db: sqlite3.Connection) -> None:
    """Drop a connection whose file has lost its name, without closing it.

    Closing would remove the log of whatever file has that name now.
    """
    with contextlib.suppress(sqlite3.Error):
        db.execute("ROLLBACK")
    ctypes.pythonapi.Py_IncRef(ctypes.py_object(db))  # so that the garbage collector never closes it


def _text(data: bytes) -> str:
    """Decode any text; noticing damage is the checksums' business."""
    return data.decode("utf-8", "replace")


def make_tables(db: sqlite3.Connection, version: int = 0) -> None:
    """Bring a file's tables up to date from a version."""
    db.create_function("twin_text", -1, twin_text, deterministic=True)
    for statements in MIGRATIONS[version:]:
        for statement in statements:
            db.execute(statement)


def _version(db: sqlite3.Connection, path: Path) -> int:
    """Read the file's version; refuse what this program can't use."""
    # One statement: another program may be making the file right now.
    version, application, names = db.execute(
        "SELECT (SELECT user_version FROM pragma_user_version),"
        " (SELECT application_id FROM pragma_application_id),"
        " (SELECT group_concat(name) FROM sqlite_master WHERE type = 'table')"
    ).fetchone()
    tables = set(names.split(",")) if names else set()
    ours = tables.issuperset(("firing", "layout", "recent", "chunk"))
    odd = ours != (version > 0) or version > 1000 or (ours and application != APPLICATION_ID)
    if odd and (ours or application == APPLICATION_ID):
        raise JournalError(f"journal {path}: {_DAMAGED} (its header)", "damaged")
    if application != APPLICATION_ID and (application or version or tables):
        raise JournalError(
            f"journal {path}: an SQLite file of some other program; choose another folder", "misuse"
        )
    if version > len(MIGRATIONS):
        raise JournalError(
            f"journal {path}: written by a newer version of this program (format {version}, this one knows "
            f"up to {len(MIGRATIONS)}); update the program, the journal is left as it is",
            "newer",
        )
    return int(version)


def set_aside(path: Path) -> Path:
    """Rename a closed journal, so that another can begin in its place; return the new name."""
    return _rename(path, _free_name(path, _UNJOINED))


def finish_setting_aside(path: Path) -> None:
    """Finish what `set_aside` had begun when the process was cut short."""
    for wal in path.parent.glob(f"{path.stem}-{_UNJOINED}-*{path.suffix}-wal"):
        aside = wal.with_name(wal.name.removesuffix("-wal"))
        if not aside.exists():
            _rename(path, aside)


def unjoined(path: Path) -> list[Path]:
    """List the journals still to be joined, oldest first."""
    return sorted(path.parent.glob(f"{path.stem}-{_UNJOINED}-*{path.suffix}"))


def joined(path: Path, aside: Path) -> Path:
    """Rename a journal that has been joined; return the new name."""
    return _rename(aside, _free_name(path, _DONE))


def beside(path: Path, ending: str) -> Path:
    """Name a file that SQLite keeps beside another."""
    return path.with_name(path.name + ending)


def _rename(path: Path, new: Path) -> Path:
    beside(path, "-shm").unlink(missing_ok=True)
    wal = beside(path, "-wal")
    # The log first: `finish_setting_aside` goes on from here if only the log has been renamed.
    if wal.exists() and wal.stat().st_size:
        wal.rename(beside(new, "-wal"))
    wal.unlink(missing_ok=True)
    if path.exists():
        path.rename(new)
    else:
        new.touch(0o600)  # only the log was left
    return new


def _free_name(path: Path, what: str) -> Path:
    stem = f"{path.stem}-{what}-{datetime.now().astimezone():%Y%m%d-%H%M%S}"
    numbers = ("", *(f"-{n}" for n in range(2, 1000)))
    names = (path.with_name(f"{stem}{number}{path.suffix}") for number in numbers)
    return next(name for name in names if not name.exists() and not beside(name, "-wal").exists())
