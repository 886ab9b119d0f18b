"""The journal's size on disk and its speed in and out; run by hand, prints tables.

    python tests/benchmarks/bench_journal.py [--hours 3] [--rounds 5] [--open-hours 12]

Peers: a plain SQLite table with a row per reading, without raw values and rollups (`firing, probe, t, value`,
clustered by probe and time), and pandas reading that table. Each round runs all contenders of a row in turn,
and the ratio is taken within the round. Files go to a folder that is removed afterwards; --folder puts it on
another disk.
"""

from __future__ import annotations

import argparse
import os
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from statistics import median
from time import perf_counter, process_time

import numpy as np
import pandas as pd

from logger.conversion.assembler import Assembler
from logger.conversion.columns import convert
from logger.journal.reader import JournalReader
from logger.journal.salvage import check
from logger.journal.writer import JournalWriter
from logger.reading import Batch, Channel, Frame, Sample
from logger.rig_line.wire import decode, encode

START_US = 1_795_600_800_000_000
CHANNELS = 16
HZ = 10
LAYOUT = tuple(Channel(f"k{j}", "word", "max31855", "K") for j in range(CHANNELS))


def firing(first: int, n: int) -> Batch:
    """Frames of an invented firing: up to 800 °C, flicker, 0.25 °C steps, a drifting cold junction."""
    rng = np.random.default_rng(first)
    frame = np.arange(first, first + n)
    s = frame / HZ
    rise = 800 * (1 - np.exp(-((s / 900) ** 2))) * np.exp(-np.maximum(s - 4000, 0) / 6000)
    flicker = 12 * np.sin(s[:, None] * (0.7 + 0.05 * np.arange(CHANNELS))) + rng.normal(0, 1.5, (n, CHANNELS))
    hot = 20 + rise[:, None] * (0.7 + 0.02 * np.arange(CHANNELS)) + flicker * (rise[:, None] > 50)
    cold = 20 + s[:, None] / 600 + rng.normal(0, 0.03, (n, CHANNELS))
    words = (np.rint(hot / 0.25).astype(np.int64) << 18) | (np.rint(cold / 0.0625).astype(np.int64) << 4)
    raw = words.astype(np.float64)
    none = np.full(raw.shape, np.nan)
    converted = convert(LAYOUT, raw, none, np.zeros(raw.shape, np.uint8))
    return Batch(
        rig="a1",
        channels=LAYOUT,
        t_us=START_US + frame * (1_000_000 // HZ) + rng.integers(-300, 300, n),
        seq=frame,
        ms=frame * (1000 // HZ),
        raw=raw,
        raw_cj=none,
        temperature_c=converted.temperature_c,
        cold_junction_c=converted.cold_junction_c,
        status=converted.status,
    )


def cut(batch: Batch, n: int) -> Iterator[Batch]:
    """Pieces of n frames."""
    for a in range(0, len(batch.t_us), n):
        rows = slice(a, a + n)
        parts = {
            name: getattr(batch, name)[rows]
            for name in Batch.__dataclass_fields__
            if name not in ("rig", "channels")
        }
        yield Batch(rig=batch.rig, channels=batch.channels, **parts)


class PlainRows:
    """The peer: the first design that comes to mind."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.db = sqlite3.connect(path, isolation_level=None)
        self.db.execute("PRAGMA journal_mode = WAL")
        self.db.execute("PRAGMA synchronous = FULL")
        self.db.execute(
            "CREATE TABLE reading (firing INTEGER, probe INTEGER, t_us INTEGER, value REAL,"
            " PRIMARY KEY (firing, probe, t_us)) WITHOUT ROWID"
        )

    def append(self, batch: Batch) -> None:
        rows = [
            (1, j, t, value)
            for t, values in zip(batch.t_us.tolist(), batch.temperature_c.tolist(), strict=True)
            for j, value in enumerate(values)
        ]
        self.db.execute("BEGIN IMMEDIATE")
        self.db.executemany("INSERT INTO reading VALUES (?, ?, ?, ?)", rows)
        self.db.execute("COMMIT")


def size(db: sqlite3.Connection, path: Path) -> int:
    db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return path.stat().st_size


def bytes_on_disk(folder: Path, hours: float) -> None:
    """As the logger writes: three frames a batch; several batches a commit only to finish sooner."""
    writer = JournalWriter(folder / "size.sqlite")
    plain = PlainRows(folder / "size-plain.sqlite")
    key = writer.open_firing("", None, START_US, invented=True).id
    frames = int(hours * 3600 * HZ)
    cpu = 0.0
    for first in range(0, frames, 600):
        batch = firing(first, min(600, frames - first))
        plain.append(batch)
        begin = process_time()
        with writer.transaction():
            for piece in cut(batch, 3):
                writer.append(key, piece)
        cpu += process_time() - begin
    readings = frames * CHANNELS
    assert writer.firing(key).readings == readings
    ours, theirs = (size(db, path) for db, path in ((writer._db, writer.path), (plain.db, plain.path)))
    assert check(writer.path) == {}
    parts = dict(writer._db.execute("SELECT substr(name, 1, 5), sum(pgsize) FROM dbstat GROUP BY 1"))
    print(f"\n{hours:g} h, {CHANNELS} channels, {HZ} Hz, MAX31855 words: {readings:,} readings")
    print(
        f"  bytes a reading: {ours / readings:.2f}; plain rows {theirs / readings:.2f}; "
        f"ratio ×{ours / theirs:.3f}"
    )
    print(f"  of which readings {parts['chunk'] / readings:.2f}, rollups {parts['rollu'] / readings:.2f}")
    print(f"  processor time, all in: {cpu / readings * 1e6:.2f} µs a reading")
    writer.close()
    plain.db.close()


def in_turn(rounds: int, contenders: dict[str, Callable[[], float]]) -> None:
    """Print each one's readings per second, and their ratio to the last one in the same round."""
    found: dict[str, list[float]] = {name: [] for name in contenders}
    for _ in range(rounds):
        for name, run in contenders.items():
            found[name].append(run())
    *_, peer = found
    for name, rates in found.items():
        ratios = sorted(a / b for a, b in zip(rates, found[peer], strict=True))
        print(
            f"  {name:<46} {median(rates) / 1e3:>9,.0f} k/s"
            f"   ×{median(ratios):.2f} [{ratios[0]:.2f}–{ratios[-1]:.2f}]"
        )


def speed_in(folder: Path, rounds: int) -> None:
    """Readings per second to the committed journal, synchronous=FULL."""
    writer = JournalWriter(folder / "in.sqlite")
    plain = PlainRows(folder / "in-plain.sqlite")
    key = writer.open_firing("", None, START_US, invented=True).id
    assembler = Assembler()
    place = iter(range(0, 10**9, 6000))

    def ours(frames: int, total: int) -> float:
        pieces = list(cut(firing(next(place), total), frames))
        begin = perf_counter()
        for piece in pieces:
            writer.append(key, piece)
        return total * CHANNELS / (perf_counter() - begin)

    def theirs(frames: int, total: int) -> float:
        pieces = list(cut(firing(next(place), total), frames))
        begin = perf_counter()
        for piece in pieces:
            plain.append(piece)
        return total * CHANNELS / (perf_counter() - begin)

    def lines(frames: int, total: int) -> float:
        first = next(place)
        batch = firing(first, total)
        sent = [
            encode(
                Frame(
                    "a1",
                    int(batch.seq[i]),
                    int(batch.ms[i]) % 2**32,
                    {
                        c.name: Sample(amp="max31855", raw=f"{int(w):x}")
                        for c, w in zip(LAYOUT, row, strict=True)
                    },
                )
            )
            for i, row in enumerate(batch.raw.tolist())
        ]
        times = batch.t_us.tolist()
        begin = perf_counter()
        for a in range(0, total, frames):
            decoded = [decode(line) for line in sent[a : a + frames]]
            with writer.transaction():
                for made in assembler.take(list(zip(decoded, times[a : a + frames], strict=True))):
                    writer.append(key, made)
        return total * CHANNELS / (perf_counter() - begin)

    for frames, total in ((3, 600), (100, 6000), (6000, 6000)):
        print(f"\nreadings/s into the journal, {frames} frames a commit, synchronous=FULL ({rounds} rounds)")
        in_turn(
            rounds,
            {
                "line bytes → committed (decoded, converted)": lambda f=frames, t=total: lines(f, t),
                "batch → committed": lambda f=frames, t=total: ours(f, t),
                "peer: plain rows, converted only": lambda f=frames, t=total: theirs(f, t),
            },
        )
    writer.close()
    plain.db.close()


def opening(folder: Path, rounds: int, hours: float) -> None:
    """Server time until the decimated history of a long firing is there."""
    writer = JournalWriter(folder / "open.sqlite")
    plain = PlainRows(folder / "open-plain.sqlite")
    key = writer.open_firing("", None, START_US, invented=True).id
    frames = int(hours * 3600 * HZ)
    for first in range(0, frames, 6000):
        batch = firing(first, min(6000, frames - first))
        writer.append(key, batch)
        plain.append(batch)
    size(plain.db, plain.path)
    reader = JournalReader(writer.path)
    last_us = reader.firing(key).last_us or 0

    def ours() -> float:
        begin = perf_counter()
        history = reader.history(key, 2000)
        took = perf_counter() - begin
        assert 1000 <= len(history.t_us[0]) <= 2000
        return took * 1e3

    def by_pandas() -> float:
        begin = perf_counter()
        rows = pd.read_sql("SELECT probe, t_us, value FROM reading WHERE firing = 1", plain.db)
        step = (rows["t_us"].iloc[-1] - rows["t_us"].iloc[0]) // 1000
        rows.groupby(["probe", rows["t_us"] // step])["value"].agg(["min", "max"])
        return (perf_counter() - begin) * 1e3

    def newest() -> float:
        begin = perf_counter()
        reader.readings(key, since_us=last_us - 1_000_000)
        return (perf_counter() - begin) * 1e3

    def everything() -> float:
        begin = perf_counter()
        reader.readings(key)
        return (perf_counter() - begin) * 1e3

    print(f"\nopening {hours:g} h × {CHANNELS} channels × {HZ} Hz: {frames * CHANNELS:,} readings, ms")
    mine, pandas = [], []
    for _ in range(rounds):
        mine.append(median(ours() for _ in range(5)))
        pandas.append(by_pandas())
    ratios = sorted(b / a for a, b in zip(mine, pandas, strict=True))
    print(f"  history in 2000 points: {median(mine):.1f} [{min(mine):.1f}–{max(mine):.1f}]")
    print(
        f"  peer, raw rows by pandas: {median(pandas):,.0f}; "
        f"ratio ×{median(ratios):.0f} [{ratios[0]:.0f}–{ratios[-1]:.0f}]"
    )
    print(f"  the newest second: {median(newest() for _ in range(20)):.2f}")
    print(f"  every reading: {median(everything() for _ in range(3)):,.0f}")
    reader.close()
    writer.close()
    plain.db.close()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--hours", type=float, default=3.0, help="for the bytes on disk")
    parser.add_argument("--open-hours", type=float, default=12.0)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--folder", type=Path, help="on the disk to measure")
    arguments = parser.parse_args()
    os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    with tempfile.TemporaryDirectory(dir=arguments.folder) as name:
        folder = Path(name)
        bytes_on_disk(folder, arguments.hours)
        speed_in(folder, arguments.rounds)
        opening(folder, arguments.rounds, arguments.open_hours)


if __name__ == "__main__":
    main()
