"""A disk that is full, slow, read-only or gone; a journal that is removed or damaged under the logger."""

from __future__ import annotations

import contextlib
import os
import random
import resource
import shutil
import sqlite3
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from steady import SteadyRig, Tell, beat, check, integrity, stored

from logger.journal.schema import JournalError, unjoined
from logger.journal.writer import JournalWriter
from tests.long_form import LONG, times
from tests.processes import STOKEWATCH, process, stays, until


def frames(home: Path) -> int:
    return int(beat(home).get("frames", 0))


def has_new_frames(home: Path) -> bool:
    """Whether the logger is recording again; a damaged file can't be read until it is set aside."""
    with contextlib.suppress(JournalError):
        return bool(beat(home)) and max(stored(home), default=0) >= 1_000_000
    return False


def unbroken(home: Path) -> int:
    """Number of frames; each from the first to the last is there, right, and once."""
    rows = stored(home)
    check(rows)
    assert sorted(rows) == list(range(min(rows), max(rows) + 1))
    assert integrity(home) == "ok"
    return len(rows)


def test_a_disk_that_is_full_for_a_while(tmp_path: Path, tell: Tell) -> None:
    """No file of the logger's may grow, by the kernel's limit on file sizes."""
    home, link = tmp_path / "home", tmp_path / "rig"
    rounds, full_s = times(2, 20), times(3, 10)
    log = [*STOKEWATCH, "log", "--serial", str(link)]
    with SteadyRig(link) as rig, process(log, home) as logger:
        until(lambda: frames(home) > 20, "frames", 60)
        for _ in range(rounds):
            # Less than a page: the write-ahead log starts over at times, so it must not be able to grow at all.
            resource.prlimit(logger.pid, resource.RLIMIT_FSIZE, (1024, resource.RLIM_INFINITY))
            rig.go_on(15)
            stuck = frames(home)
            stays(lambda stuck=stuck: frames(home) == stuck, "nothing is written", full_s)
            unlimited = (resource.RLIM_INFINITY, resource.RLIM_INFINITY)
            resource.prlimit(logger.pid, resource.RLIMIT_FSIZE, unlimited)
            until(lambda stuck=stuck: frames(home) > stuck + 10 * full_s, "what waited in memory", 30)
    count = unbroken(home)
    tell(f"disk full {rounds} times for {full_s} s", f"{count} frames, none missing: they waited in memory")


def test_the_journal_removed_under_the_logger(tmp_path: Path, tell: Tell) -> None:
    home, link = tmp_path / "home", tmp_path / "rig"
    removals = times(2, 20)
    with SteadyRig(link), process([*STOKEWATCH, "log", "--serial", str(link)], home):
        until(lambda: frames(home) > 20, "frames", 60)
        for _ in range(removals):
            before = frames(home)
            for path in home.glob("journal.sqlite*"):
                path.unlink()
            until(lambda before=before: frames(home) > before + 10, "a journal with new frames", 30)
    count = unbroken(home)
    tell(f"journal removed {removals} times", f"{count} frames, none missing: written out again")


def test_the_folder_away_and_back(tmp_path: Path, tell: Tell) -> None:
    """Like a card that is pulled and put back."""
    home, link, away = tmp_path / "home", tmp_path / "rig", tmp_path / "away"
    rounds = times(2, 20)
    with SteadyRig(link) as rig, process([*STOKEWATCH, "log", "--serial", str(link)], home):
        until(lambda: frames(home) > 20, "frames", 60)
        for _ in range(rounds):
            before = frames(home)
            home.rename(away)
            rig.go_on(30)
            away.rename(home)
            until(lambda before=before: frames(home) > before + 25, "what waited in memory", 30)
    count = unbroken(home)
    tell(f"folder away {rounds} times for 3 s", f"{count} frames, none missing: they waited in memory")


def test_a_disk_that_takes_a_tenth_of_a_second_for_each_commit(
    tmp_path: Path, tell: Tell, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The delay is injected into the logger's own process, before SQLite's calls."""
    home, link = tmp_path / "home", tmp_path / "rig"
    slow = tmp_path / "slow"
    slow.mkdir()
    (slow / "sitecustomize.py").write_text(
        "import time\n"
        "from logger.journal import writer\n"
        "plain = writer.JournalWriter.transaction\n"
        "def transaction(self):\n"
        "    time.sleep(0.1)\n"
        "    return plain(self)\n"
        "writer.JournalWriter.transaction = transaction\n"
    )
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join((str(slow), str(Path.cwd()))))
    seconds = times(8, 60)
    with SteadyRig(link) as rig, process([*STOKEWATCH, "log", "--serial", str(link)], home):
        until(lambda: frames(home) > 20, "frames", 60)
        rig.go_on(10 * seconds)
        behind = rig.seq - frames(home)
    count = unbroken(home)
    assert behind < 30
    tell(
        f"each commit slowed by 100 ms, for {seconds} s",
        f"{count} frames, none missing, {behind} on their way",
    )


@pytest.fixture
def mounted(tmp_path: Path) -> Iterator[Path]:
    """A small disk of its own; needs the right to mount."""
    place = tmp_path / "disk"
    place.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=16m", "tmpfs", str(place)], check=True)
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)


if LONG:

    def test_a_disk_that_becomes_read_only_for_a_while(mounted: Path, tmp_path: Path, tell: Tell) -> None:
        """Needs the right to mount, so it runs by hand only."""
        home, link = mounted / "home", tmp_path / "rig"
        with SteadyRig(link) as rig, process([*STOKEWATCH, "log", "--serial", str(link)], home):
            until(lambda: frames(home) > 20, "frames", 60)
            before = frames(home)
            limit = ["mount", "-o", "remount,ro", str(mounted)]
            turned = subprocess.run(limit, capture_output=True, text=True)
            filler = mounted / "filler"
            if turned.returncode:  # files are open for writing: fill it to the last byte instead
                with filler.open("wb", buffering=0) as file:
                    while True:
                        try:
                            file.write(b"x" * 4096)
                        except OSError:
                            break
            rig.go_on(100)
            subprocess.run(["mount", "-o", "remount,rw", str(mounted)], check=True)
            filler.unlink(missing_ok=True)
            until(lambda: frames(home) > before + 90, "what waited in memory", 30)
            count = unbroken(home)
        how = "full to the last byte" if turned.returncode else "read-only"
        tell(f"a small disk {how} for 10 s", f"{count} frames, none missing")


def test_a_damaged_journal_at_the_start(tmp_path: Path, tell: Tell) -> None:
    rng = random.Random(12)
    rounds = times(4, 100)
    whole = tmp_path / "whole"
    link = tmp_path / "rig"
    log = [*STOKEWATCH, "log", "--serial", str(link)]
    with SteadyRig(link, rate_hz=100), process(log, whole):
        until(lambda: frames(whole) > 600, "frames", 60)
    sent = stored(whole)
    salvaged: list[int] = []
    noticed = 0
    rig = SteadyRig(link)
    rig.seq = 1_000_000
    with rig:
        for number in range(rounds):
            home = tmp_path / f"home{number}"
            shutil.copytree(whole, home)
            journal = home / "journal.sqlite"
            data = bytearray(journal.read_bytes())
            if number % 2:
                del data[rng.randrange(4096, len(data)) :]
            else:
                at = rng.randrange(len(data) - 512)
                data[at : at + 512] = rng.randbytes(512)
            journal.write_bytes(data)
            with process(log, home):
                until(lambda home=home: has_new_frames(home), "new frames", 60)
                until(lambda home=home: not unjoined(home / "journal.sqlite"), "what was saved", 60)
            kept = {seq: row for seq, row in stored(home).items() if seq < 1_000_000}
            aside = [p for p in home.iterdir() if "damaged" in p.name and p.suffix not in ("-wal", "-shm")]
            if aside:
                noticed += 1
                assert bytes(data) in [path.read_bytes() for path in aside], "the original is kept as it was"
            assert all(row == sent[seq] for seq, row in kept.items()), "what is salvaged is right"
            salvaged.append(len(kept))
            assert integrity(home) == "ok"
            shutil.rmtree(home)
    share = sum(salvaged) / (rounds * len(sent))
    tell(
        f"journal damaged or cut {rounds} times",
        f"another begun in its place at once {noticed} times; {share:.0%} of the frames there, none wrong",
    )


def test_a_full_disk_leaves_nothing_half_done(tmp_path: Path) -> None:
    """By SQLite's own limit on pages: the whole transaction is rolled back, and goes through later."""
    writer = JournalWriter(tmp_path / "journal.sqlite")
    firing = writer.open_firing("Invented", None, 0, invented=True).id
    pages = writer._db.execute("PRAGMA page_count").fetchone()[0]
    writer._db.execute(f"PRAGMA max_page_count = {pages + 1}")

    def write_much() -> None:
        with writer.transaction():
            for number in range(1000):
                writer.add_event(firing, number, "note", {"kind": "text", "text": "x" * 500})

    with pytest.raises(JournalError, match="full"):
        write_much()
    writer._db.execute("PRAGMA max_page_count = 1000000")
    with writer.transaction():
        writer.add_event(firing, 1, "note", {"kind": "text", "text": "after"})
    writer.close()
    with contextlib.closing(sqlite3.connect(tmp_path / "journal.sqlite")) as db:
        assert db.execute("SELECT count(*) FROM event").fetchone() == (1,)
