"""The logger starts whatever its journal looks like, records first, and says what it found."""

from __future__ import annotations

import contextlib
import os
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from logger.journal.reader import JournalReader
from logger.journal.salvage import join
from logger.journal.schema import JournalError, unjoined
from logger.journal.writer import JournalWriter
from logger.plan import Plan, loads
from tests.processes import ROOT, STOKEWATCH, process, stokewatch, until
from tests.recording.made_recorder import hear, made_recorder

PLAN = 'title = "Three bowls, invented"\n[[probe]]\nname = "k0"\nreads = "air"\nzone = "upper"\n'
OLD = 20


class Bench:
    """A recorder worked by hand, in the test's own thread."""

    def __init__(self, path: Path, plan: Plan | None = None) -> None:
        self.recorder, self.intake = made_recorder(path, plan)
        self.path = path
        self.writer = self.recorder.journal.open(self.recorder.resume, lambda: True)

    async def put(self, first: int, frames: int) -> None:
        for seq in range(first, first + frames):
            await hear(self.intake, seq, k0=20.0 + seq)
        self.turn()

    def turn(self) -> bool:
        assert self.writer is not None
        return self.recorder.record(self.writer, self.intake.take(0.0, 0.0))

    def close(self) -> None:
        if self.writer is not None:
            self.writer.close()


@pytest.fixture
async def path(tmp_path: Path) -> Path:
    """A journal with a firing that runs under a plan."""
    bench = Bench(tmp_path / "journal.sqlite", loads(PLAN))
    await bench.put(0, OLD)
    bench.close()
    return bench.path


def frames(path: Path) -> dict[str, list[int]]:
    """Which frames are there, by title."""
    with contextlib.closing(JournalReader(path)) as reader:
        return {
            f.title: sorted(seq for batch in reader.batches(f.id) for seq in batch.seq.tolist())
            for f in reader.firings()
        }


def events(path: Path) -> list[str]:
    with contextlib.closing(JournalReader(path)) as reader:
        return [str(e.data.get("what")) for f in reader.firings() for e in reader.events(f.id)]


def change(path: Path, sql: str, *values: object) -> None:
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.execute(sql, values)
        db.commit()


def page_of(path: Path, table: str) -> int:
    with contextlib.closing(sqlite3.connect(path)) as db:
        return int(db.execute("SELECT rootpage FROM sqlite_master WHERE name = ?", (table,)).fetchone()[0])


def overwrite(path: Path, page: int) -> None:
    with path.open("r+b") as file:
        file.seek((page - 1) * 4096)
        file.write(b"\xa5" * 4096)


HARMLESS: dict[str, Callable[[Path], None]] = {
    "clocks": lambda p: change(p, "UPDATE meta SET value = ? WHERE key = 'clocks'", '{"a1": {"drift'),
    "clocks, of the wrong kind": lambda p: change(p, "UPDATE meta SET value = 17 WHERE key = 'clocks'"),
    "armed plan": lambda p: change(p, "INSERT OR REPLACE INTO meta VALUES ('armed', '{\"plan\": 7}')"),
    "heartbeat": lambda p: change(p, "UPDATE heartbeat SET data = x'ff00'"),
    "state": lambda p: change(p, "UPDATE state SET data = x'00ff'"),
    "facts": lambda p: change(p, "UPDATE firing SET facts = '{'"),
    "plan": lambda p: change(p, "UPDATE firing SET plan = 'title = '"),
    "start": lambda p: change(p, "UPDATE firing SET started_us = 17"),
    "layout": lambda p: change(p, "UPDATE layout SET channels = '[]'"),
    "an event": lambda p: change(p, "INSERT INTO event VALUES (7, 1, 1, 'spot', 'x', '')"),
    "a request": lambda p: change(p, "INSERT INTO request VALUES (7, 1, 'note', 'x', '', NULL)"),
    "the other copy": lambda p: change(p, "UPDATE twin SET data = 'x'"),
}


@pytest.mark.parametrize("damage", HARMLESS.values(), ids=HARMLESS)
async def test_a_garbled_small_row_is_done_without(damage: Callable[[Path], None], path: Path) -> None:
    damage(path)
    bench = Bench(path)
    await bench.put(OLD, 5)
    bench.close()
    assert frames(path) == {"Three bowls, invented": list(range(OLD + 5))}
    assert unjoined(path) == [], "nothing was set aside for it"


async def test_a_plan_of_which_both_copies_are_garbled_ends_nothing(path: Path) -> None:
    change(path, "UPDATE firing SET plan = 'title = '")
    change(path, "UPDATE twin SET data = 'x' WHERE kind = 'firing'")
    bench = Bench(path)
    await bench.put(OLD, 5)
    bench.close()
    assert frames(path) == {"Three bowls, invented": list(range(OLD + 5))}
    assert "plan_damaged" in events(path)


@pytest.mark.parametrize(
    "table", ["firing", "layout", "recent", "chunk", "event", "heartbeat", "state", "meta"]
)
async def test_a_damaged_page_costs_no_start(table: str, path: Path) -> None:
    """The firing goes on under its name, in another file or in the same; the old readings join it."""
    overwrite(path, page_of(path, table))
    bench = Bench(path)
    await bench.put(OLD, 5)
    assert bench.writer is not None
    for aside in unjoined(path):
        join(path, aside, pause_s=0)
    await bench.put(OLD + 5, 5)
    bench.close()
    there = frames(path)
    new = list(range(OLD, OLD + 10))
    assert there["Three bowls, invented"] == (new if table == "recent" else list(range(OLD + 10)))
    if table not in ("chunk", "event"):  # nobody needs those for that; the check alongside finds them
        assert "journal_set_aside" in events(path)


async def test_found_damaged_while_it_records(path: Path) -> None:
    """By the check alongside: another journal within one turn, and not one frame less."""
    bench = Bench(path)
    await bench.put(OLD, 5)
    bench.recorder.journal.damage = "row 17 missing from index"
    await bench.put(OLD + 5, 5)
    assert bench.turn()
    (aside,) = unjoined(path)
    await bench.put(OLD + 10, 5)
    join(path, aside, pause_s=0)
    bench.close()
    assert frames(path) == {"Three bowls, invented": list(range(OLD + 15))}


async def test_one_journal_after_the_other_is_damaged(path: Path) -> None:
    """Then it is the disk: no pile of files, and frames wait in memory."""
    bench = Bench(path)
    for k in range(5):
        bench.recorder.journal.damage = "again"
        bench.turn()
        await bench.put(OLD + k, 1)
    assert len(unjoined(path)) == 3
    bench.close()


async def test_an_empty_journal_is_told(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    path.touch()
    bench = Bench(path)
    await bench.put(0, 5)
    bench.close()
    assert "journal_set_aside" in events(path)
    assert len(unjoined(path)) == 1


def leave_the_log_alone(bench: Bench) -> None:
    """As if the process had been killed, and then the journal removed."""
    wal = bench.path.with_name(bench.path.name + "-wal")
    log = wal.read_bytes()
    bench.close()
    bench.path.unlink()
    wal.write_bytes(log)


async def test_a_log_without_its_journal_is_kept(path: Path) -> None:
    """The journal was removed while nobody wrote: its log must not be taken for the new one's."""
    bench = Bench(path)
    await bench.put(OLD, 5)
    leave_the_log_alone(bench)
    again = Bench(path)
    await again.put(OLD + 5, 5)
    (aside,) = unjoined(path)
    again.close()
    assert "journal_set_aside" in events(path)
    assert aside.with_name(aside.name + "-wal").stat().st_size > 0, "kept, and no part of the new journal"
    assert sorted(n for seqs in frames(path).values() for n in seqs) == list(range(OLD + 5, OLD + 10))


def test_a_newer_versions_journal_is_left_alone(path: Path) -> None:
    change(path, "PRAGMA user_version = 999")
    with pytest.raises(JournalError, match="newer version"):
        Bench(path)
    assert unjoined(path) == []


async def test_the_judgement_catches_up_beside_the_recording(path: Path, tmp_path: Path) -> None:
    """Its state is lost after a long stretch: recording resumes at once, judging later, and each thing is said once."""
    long = tmp_path / "long" / "journal.sqlite"
    long.parent.mkdir()
    writer = JournalWriter(long)
    bench = Bench(long)
    now_us = bench.recorder._time.utc_us()
    bench.close()
    from tests.journal.journal_batches import START_US, firing_batch

    made = firing_batch(3000, 1, hz=10.0)
    from dataclasses import replace

    ago_us = made.t_us - START_US - 301_000_000
    rig_ms = round(time.monotonic() * 1000) + ago_us // 1000  # as `put` goes on
    shifted = replace(made, t_us=now_us + ago_us, ms=rig_ms % 2**32)
    firing = writer.open_firing("Long, invented", PLAN, int(shifted.t_us[0]), invented=True).id
    writer.append(firing, shifted)
    writer.close()
    bench = Bench(long)
    catching_up = bench.recorder.judged._catching_up
    assert catching_up is not None
    assert bench.recorder.judged.judging is None, "nothing waits for it"
    await bench.put(3000, 5)
    with contextlib.closing(JournalReader(long)) as reader:
        assert reader.firing(firing).readings == 3005
    catching_up.said.result(60)
    bench.turn()
    assert bench.recorder.judged.judging is not None
    await bench.put(3005, 5)
    with contextlib.closing(JournalReader(long)) as reader:
        said = [(e.t_us, e.kind, e.data.get("stage")) for e in reader.events(firing)]
        assert len(said) == len(set(said))
        assert reader.meta("unjudged") == {}
    bench.close()


@pytest.mark.real
@pytest.mark.timeout(180)
def test_a_read_only_journal_mended_as_told_works(tmp_path: Path) -> None:
    """By a user other than root, whom permissions bind: the log beside it was made with the journal's own."""
    home = tmp_path / "home"
    home.mkdir()
    path = home / "journal.sqlite"
    code = (
        "import os, sys; from pathlib import Path\n"
        "from logger.journal.writer import JournalWriter\n"
        "from logger.journal.reader import JournalReader\n"
        "os.setgroups([]); os.setgid(65534); os.setuid(65534)\n"
        "p = Path(sys.argv[1])\n"
        "w = JournalWriter(p); w.set_meta('a', {}); r = JournalReader(p)\n"
        "os.system(f'cp {p}-wal {p}.w'); r.close(); w.close(); os.rename(f'{p}.w', f'{p}-wal')\n"
        "Path(f'{p}-shm').write_bytes(bytes(32768))\n"
        "for end in ('', '-wal', '-shm'): os.chmod(f'{p}{end}', 0o444)\n"
        "try: JournalWriter(p)\n"
        "except Exception as exc: print(exc)\n"
        "os.chmod(p, 0o644)\n"
        "w = JournalWriter(p); w.set_meta('b', {}); w.close(); print('works')\n"
    )
    if os.getuid():
        pytest.skip("needs the right to become another user")
    for folder in (tmp_path, home, *tmp_path.parents[:3]):
        folder.chmod(0o777)
    done = subprocess.run(
        [sys.executable, "-c", code, str(path)],
        capture_output=True,
        text=True,
        cwd=ROOT,
    )
    first, second = done.stdout.splitlines()
    assert "make the file and its disk writable (chmod u+w)" in first
    assert second == "works"


def has_joined(path: Path) -> bool:
    """Whether what was set aside is joined; until it is set aside, the journal can't be read."""
    with contextlib.suppress(JournalError):
        return not unjoined(path) and "journal_joined" in events(path)
    return False


@pytest.mark.real
@pytest.mark.timeout(300)
def test_the_real_logger_records_on_and_joins_what_was_damaged(tmp_path: Path) -> None:
    """The row of the running firing is gone: it goes on under its name, and the old readings join it."""
    sys.path.insert(0, str(ROOT / "tests" / "chaos"))
    from steady import SteadyRig

    home, link = tmp_path / "home", tmp_path / "rig"

    def status() -> dict[str, Any]:
        return dict(stokewatch("status", home=home))

    log = [*STOKEWATCH, "log", "--serial", str(link)]
    with SteadyRig(link, channels=2):
        with process(log, home):
            until(lambda: home.exists() and status()["logger"]["frames"] > 10, "frames", 90)
            firing = status()["firing"]
        path = home / "journal.sqlite"
        overwrite(path, page_of(path, "firing"))
        with process(log, home) as logger:
            until(lambda: has_joined(path), "the old ones", 90)
            assert logger.poll() is None
            assert status()["firing"] == firing
            assert status()["logger"]["recording"] is True
