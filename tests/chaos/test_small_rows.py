"""Each single bit of the journal's small rows flipped: the logger keeps recording, and no reading gets a wrong name."""

from __future__ import annotations

import contextlib
import random
import shutil
import time
from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from steady import Tell, value_c

from logger.home import Home
from logger.journal.pages import Cell, PageFile
from logger.journal.reader import JournalReader
from logger.journal.rows import add_request
from logger.journal.salvage import join
from logger.journal.schema import unjoined
from logger.journal.writer import JournalWriter
from logger.plan import loads
from logger.recording.daemon import _last_beat
from tests.long_form import LONG
from tests.recording.made_recorder import hear, made_recorder

CHANNELS = 3
OLD, NEW = 40, 5
FRESH_S = 5.0
SHAPES = {
    "nttTiIitii": "firing",
    "nitt": "layout",
    "ntit": "twin",
    "nt": "heartbeat",
    "nb": "state",
    "niit": "estimate",
    "niittt": "event",
    "nitttT": "request",
}
PLAN = """title = "Three bowls, invented"
target_c = 780

[[probe]]
name = "coals"
channel = "k0"
reads = "coals"
zone = "under"

[[probe]]
name = "top"
channel = "k1"
reads = "air"
zone = "upper"
"""


async def record(home: Path, first: int, frames: int, *, plan: str | None = None) -> None:
    """Record frames as the logger's own thread does, but in this one."""
    recorder, intake = made_recorder(home / "journal.sqlite", None if plan is None else loads(plan))
    writer = recorder.journal.open(recorder.resume, lambda: False)
    assert writer is not None
    for seq in range(first, first + frames):
        await hear(intake, seq, **{f"k{j}": value_c(seq, j) for j in range(CHANNELS)})
    for _ in range(6):
        if recorder.record(writer, intake.take(0.0, 0.0)):
            break
    else:
        raise AssertionError(recorder.trouble)
    writer.close()


def small_rows(path: Path) -> list[tuple[str, int, int]]:
    """Where each small row is in the file, from its page's own cells: table, first byte, length."""
    found = []
    with contextlib.closing(PageFile(path)) as file:
        for number, cell in file.leaves([]):
            table = table_of(cell)
            if table is not None:
                at = (number - 1) * file.page_size + file.page(number).index(cell.local)
                # Including the row's length and number before it.
                found.append((table, at - 2, len(cell.local) + 2))
    return found


def table_of(cell: Cell) -> str | None:
    if cell.shape() == "tt" and cell.rowid == 0:
        return "meta"
    for shape, table in SHAPES.items():
        if len(shape) == len(cell.shape()) and all(
            a == b or (b.isupper() and a in ("n", b.lower()))
            for a, b in zip(cell.shape(), shape, strict=True)
        ):
            return table
    return None


async def whole(home: Path) -> bytes:
    """Record a firing with a row of each kind; return its journal."""
    await record(home, 0, OLD, plan=PLAN)
    writer = JournalWriter(home / "journal.sqlite")
    firing = writer.running()
    assert firing is not None
    writer.change_firing(firing.id, facts={"wood": "ash, dry"})
    writer.add_event(firing.id, firing.started_us, "spot", {"zone": "upper", "temperature_c": 700.0})
    writer.add_estimate(firing.id, firing.started_us, {"upper": (690.0, 650.0, 720.0, "probe")})
    writer.close()
    add_request(home / "journal.sqlite", "note", {"kind": "wood", "text": "", "amount": ""})
    return (home / "journal.sqlite").read_bytes()


def readings(path: Path) -> dict[tuple[str, int], Any]:
    """What was read, by channel and frame."""
    found = {}
    with contextlib.closing(JournalReader(path)) as reader:
        for firing in reader.firings():
            for batch in reader.batches(firing.id):
                for j, channel in enumerate(batch.channels):
                    for seq, value in zip(
                        batch.seq.tolist(), batch.temperature_c[:, j].tolist(), strict=True
                    ):
                        found[channel.name, seq] = value
    return found


async def flipped(home: Path, data: bytes, where: int) -> str:
    """Resume a journal with one wrong bit; check that all is there and say how it went."""
    wrong = bytearray(data)
    wrong[where // 8] ^= 1 << where % 8
    path = home / "journal.sqlite"
    path.write_bytes(wrong)
    _last_beat(Home(home))
    await record(home, OLD, NEW)
    with contextlib.closing(JournalWriter(path)) as writer:
        running = writer.running()
        assert running is not None
        writer.pack(running.id)  # as if a minute later
    asides = unjoined(path)
    for aside in asides:
        join(path, aside, pause_s=0)
    found = readings(path)
    with contextlib.closing(JournalReader(path)) as reader:
        titles = [f.title for f in reader.firings()]
    lost = {seq for c in range(CHANNELS) for seq in range(OLD + NEW) if (f"k{c}", seq) not in found}
    assert not {seq for seq in lost if seq >= OLD}, "new frames are missing"
    assert not lost, "old readings are missing"
    for (name, seq), value in found.items():
        assert value == value_c(seq, int(name[1:])), f"{name}, frame {seq}"
    assert "Three bowls, invented" in titles, titles
    return "set aside and joined" if asides else "recorded on in the same file"


def make_folder(path: Path) -> Path:
    path.mkdir()
    return path


class Source:
    """Complete journals, none of them old: readings since a journal's newest frame take time to judge."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.made_s, self.count = folder, float("-inf"), 0
        self.data, self.rows = b"", list[tuple[str, int, int]]()

    async def fresh(self) -> None:
        if time.monotonic() - self.made_s > FRESH_S:
            self.count += 1
            home = make_folder(self.folder / f"whole {self.count}")
            self.data, self.made_s = await whole(home), time.monotonic()
            self.rows = small_rows(home / "journal.sqlite")


def chosen(table: str, length: int, rng: random.Random) -> list[int]:
    bits = range(8 * length)
    if LONG:
        return list(bits)
    some = rng.sample(bits, min(6, len(bits)))
    if table == "firing":
        some += [8 + bit for bit in range(7)]  # its key
        some += [8 * 12 + bit for bit in range(7)]  # the type of its count of readings, NULL for one
    return some


@pytest.mark.timeout(36_000 if LONG else 120)
async def test_every_bit_of_every_small_row(tmp_path: Path, tell: Tell) -> None:
    source = Source(tmp_path)
    await source.fresh()
    rng = random.Random(5)
    came: Counter[str] = Counter()
    flips: Counter[str] = Counter()
    wrong: list[str] = []
    for k, (table, _, length) in enumerate(source.rows):
        for bit in chosen(table, length, rng):
            await source.fresh()
            home = make_folder(tmp_path / "home")
            try:
                came[await flipped(home, source.data, 8 * source.rows[k][1] + bit)] += 1
            except Exception as exc:
                said = str(exc).partition("\n")[0]
                wrong.append(
                    f"{table}, byte {bit // 8} of {length}, bit {bit % 8}: {type(exc).__name__}: {said}"
                )
            flips[table] += 1
            shutil.rmtree(home)
    assert not wrong, "\n".join(wrong)
    assert set(flips) >= {"meta", "heartbeat", "firing", "layout", "twin", "state", "event", "request"}
    tell(
        f"one bit of a small row flipped, {sum(flips.values())} times"
        f" ({', '.join(f'{table} {n}' for table, n in flips.items())})",
        f"every frame before and after is there, under its own name: {dict(came)}",
    )
