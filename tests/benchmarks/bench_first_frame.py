"""From the logger's start to its first frame on disk, with an archive of any size: sound, damaged or emptied.

`python -m tests.benchmarks.bench_first_frame FOLDER [--mb 2000] [--starts 3] [--cold]`. FOLDER is for the
archive, and a copy of it for each case. The page cache is emptied only where there is the right to.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import random
import shutil
import signal
import sqlite3
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import psutil

from logger.journal.layout import seal, unseal
from logger.journal.packing import STRETCHES_DATA
from logger.journal.rollup import LEVELS_S
from logger.journal.writer import JournalWriter
from logger.reading import Batch
from tests.journal.journal_batches import START_US, firing_batch

CHANNELS, MINUTES = 16, 30
ROOT = Path(__file__).parent.parent.parent


def make_archive(path: Path, megabytes: int) -> int:
    """Make an archive of half-hour invented firings, 16 channels at 10 Hz, and one that is running; count
    readings."""
    writer = JournalWriter(path)
    db = writer._db
    db.execute("PRAGMA synchronous = OFF")
    first = writer.open_firing("Invented", None, START_US, ended_us=START_US + MINUTES * 60_000_000).id
    for k in range(0, MINUTES * 600, 600):
        writer.append(first, firing_batch(600, CHANNELS, first=k))
    writer.pack(first)
    db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    size = path.stat().st_size
    chunks = db.execute(f"SELECT * FROM {STRETCHES_DATA} WHERE packed").fetchall()
    rollups = {n: db.execute(f"SELECT minute, data FROM rollup_{n}").fetchall() for n in LEVELS_S}
    for n in range(megabytes * 1_000_000 // size):
        with writer.transaction():
            firing = writer.open_firing(f"Invented {n}", None, START_US, ended_us=START_US + 60_000_000)
            key = writer._key(firing.id)
            (packed,) = db.execute("SELECT packed_readings FROM firing WHERE key = 1").fetchone()
            db.execute("UPDATE firing SET packed_readings = ? WHERE key = ?", (packed, key))
            layout = writer._layout(firing.id, key, firing_batch(1, CHANNELS)).id
            for arrival, _, _, minute, _, *told, data in chunks:
                row = (key, minute, layout, *told)
                again = seal(unseal(data, (1, minute, 1, *told)), row)
                db.execute(
                    "INSERT INTO chunk VALUES (NULL, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                    (*row, arrival + n * MINUTES, again),
                )
            for level_s, rows in rollups.items():
                for minute, data in rows:
                    plain = unseal(data, (level_s, 1, minute, 1))
                    again = seal(plain, (level_s, key, minute, layout))
                    db.execute(
                        f"INSERT INTO rollup_{level_s} VALUES (NULL, ?, ?, ?, ?)",
                        (key, minute, layout, again),
                    )
    (frames,) = db.execute("SELECT sum(readings) FROM chunk").fetchone()
    running = writer.open_firing("Running, invented", None, START_US + 10**12)
    writer.append(running.id, later(600))
    writer.close()
    return int(frames) + 600 * CHANNELS


def later(n: int) -> Batch:
    """Of the running firing."""
    made = firing_batch(n, CHANNELS)
    return replace(made, t_us=made.t_us + 10**12)


def drop_caches() -> bool:
    os.sync()
    with contextlib.suppress(OSError):
        Path("/proc/sys/vm/drop_caches").write_text("3\n")
        return True
    return False


def first_frame_s(home: Path, spoil: Callable[[Path], None], *, cold: bool) -> tuple[float, float]:
    """Time from a start during a fire, after a kill and damage, until a frame is in the journal: clock,
    processor. [s]"""
    sys.path.insert(0, str(ROOT / "tests" / "chaos"))
    from steady import SteadyRig

    link = home / "rig"
    path = home / "journal.sqlite"
    with SteadyRig(link, channels=CHANNELS):
        started_s(home, link)  # now the archive's last firing is this rig's
        spoil(path)
        if path.exists() and path.stat().st_size:
            forget_heartbeat(path)
        os.sync()  # the logger must not wait for our copying to reach the disk
        if cold:
            drop_caches()
        return started_s(home, link)


def forget_heartbeat(path: Path) -> None:
    """The old one must not be taken for the new logger's."""
    with contextlib.suppress(sqlite3.Error), contextlib.closing(sqlite3.connect(path)) as db:
        db.execute("DELETE FROM heartbeat")
        db.commit()


def started_s(home: Path, link: Path) -> tuple[float, float]:
    begun_s = time.monotonic()
    logger = subprocess.Popen(
        [sys.executable, "-P", "-m", "logger.cli", "--home", str(home), "log", "--serial", str(link)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        while not has_new_frame(home / "journal.sqlite"):
            time.sleep(0.01)
            assert time.monotonic() - begun_s < 120
        took_s = time.monotonic() - begun_s
        used = psutil.Process(logger.pid).cpu_times()
        return took_s, used.user + used.system
    finally:
        logger.send_signal(signal.SIGKILL)
        logger.wait(20)


def has_new_frame(path: Path) -> bool:
    """Whether the file has a batch of the rig's, by the smallest possible query to SQLite."""
    with contextlib.suppress(sqlite3.Error), contextlib.closing(sqlite3.connect(path, timeout=0.05)) as db:
        newest = db.execute("SELECT data FROM heartbeat").fetchone()
        return (
            newest is not None and '"frames":0' not in newest[0] and '"last_commit_us":null' not in newest[0]
        )
    return False


def damage_pages(path: Path, pages: list[int]) -> None:
    with path.open("r+b") as file:
        for page in pages:
            file.seek((page - 1) * 4096)
            file.write(random.Random(page).randbytes(4096))


def roots(path: Path, *tables: str) -> list[int]:
    with contextlib.closing(sqlite3.connect(path)) as db:
        marks = ", ".join("?" * len(tables))
        sql = f"SELECT rootpage FROM sqlite_master WHERE name IN ({marks})"
        return [row[0] for row in db.execute(sql, tables)]


CASES: dict[str, Callable[[Path], None]] = {
    "as it is": lambda path: None,
    "roots of layout and chunk overwritten": lambda path: damage_pages(path, roots(path, "layout", "chunk")),
    "first page overwritten": lambda path: damage_pages(path, [1]),
    "cut in the middle": lambda path: os.truncate(path, path.stat().st_size // 2),
    "emptied (0 bytes)": lambda path: os.truncate(path, 0),
    "removed": lambda path: path.unlink(),
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--mb", type=int, default=2000)
    parser.add_argument("--starts", type=int, default=3)
    parser.add_argument("--cold", action="store_true", help="empty the page cache first")
    given = parser.parse_args()
    given.folder.mkdir(parents=True, exist_ok=True)
    archive = given.folder / "archive.sqlite"
    if not archive.exists():
        begun_s = time.monotonic()
        readings = make_archive(archive, given.mb)
        print(
            f"made {archive.stat().st_size / 1e6:.0f} MB, {readings} readings, {time.monotonic() - begun_s:.0f} s"
        )
    for name, spoil in CASES.items():
        took = []
        for _ in range(given.starts):
            home = given.folder / "home"
            shutil.rmtree(home, ignore_errors=True)
            home.mkdir()
            shutil.copyfile(archive, home / "journal.sqlite")
            forget_heartbeat(home / "journal.sqlite")
            took.append(first_frame_s(home, spoil, cold=given.cold))
        walls, cpus = zip(*took, strict=True)
        print(
            f"{name}: first frame after {statistics.median(walls):.2f} s, {max(walls):.2f} s at most; "
            f"{statistics.median(cpus):.2f} s of a processor",
            flush=True,
        )
    shutil.rmtree(given.folder / "home")


if __name__ == "__main__":
    main()
