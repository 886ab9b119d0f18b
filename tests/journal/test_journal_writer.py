"""Transactions, disk faults, and a process killed in the middle of it all."""

from __future__ import annotations

import re
import signal
import sqlite3
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest

from logger.errors import UserError
from logger.journal import schema
from logger.journal.layout import MINUTE_US
from logger.journal.reader import JournalReader
from logger.journal.rows import add_request
from logger.journal.salvage import check
from logger.journal.schema import JournalError, NoJournalError
from logger.journal.writer import JournalWriter
from logger.reading import Batch, Status
from tests.journal.journal_batches import EVERY_KIND, START_US, firing_batch, make_batch, same_batch

ROOT = Path(__file__).parent.parent.parent


def rows(writer: JournalWriter, table: str) -> int:
    return int(writer._db.execute(f"SELECT count(*) FROM {table}").fetchone()[0])


def test_what_a_rig_sent_comes_back_as_it_was(
    writer: JournalWriter, reader: JournalReader, firing: str
) -> None:
    """Raw values of every kind, through the recent rows and through the packed ones."""
    n, k = 50, len(EVERY_KIND)
    rng = np.random.default_rng(3)
    word = np.array([c.kind == "word" for c in EVERY_KIND])
    raw = np.where(word, rng.integers(0, 2**16, (n, k)), rng.uniform(-500, 30_000, (n, k)))
    raw[rng.random((n, k)) < 0.1] = np.nan
    status = np.where(np.isnan(raw), rng.integers(1, 8, (n, k)), 0).astype(np.uint8)
    batch = Batch(
        rig="a1",
        channels=EVERY_KIND,
        t_us=START_US + np.arange(n) * 1_700_000,
        seq=np.arange(n) + 2**32 - n,
        ms=np.arange(n) * 1700,
        raw=raw,
        raw_cj=np.where([c.kind == "emf" for c in EVERY_KIND], 27.4, np.nan) + np.zeros((n, k)),
        temperature_c=np.where(status == 0, rng.integers(0, 4000, (n, k)) / 4, np.nan),
        cold_junction_c=np.full((n, k), np.nan),
        status=status,
    )
    writer.append(firing, batch)
    for _ in range(2):
        found = list(reader.batches(firing))
        assert [len(b.t_us) for b in found] == [36, 14]  # one a minute
        whole = Batch(
            **{
                name: getattr(found[0], name)
                if name in ("rig", "channels")
                else np.concatenate([getattr(b, name) for b in found])
                for name in Batch.__dataclass_fields__
            }
        )
        assert same_batch(whole, batch)
        writer.pack(firing)
    assert rows(writer, "recent") == 0


def test_a_word_longer_than_its_chip_sends_is_kept_whole(
    writer: JournalWriter, reader: JournalReader, firing: str
) -> None:
    for word in (0x2F1_0190, 0x1_02F1_0190, 0x2F1_0190):
        zeros = np.zeros((1, 1))
        one = np.array([START_US], np.int64)
        status = np.full((1, 1), Status.CORRUPT, np.uint8)
        raw = np.array([[float(word)]])
        writer.append(
            firing, Batch("a1", EVERY_KIND[:1], one, one * 0, one * 0, raw, zeros, zeros, zeros, status)
        )
    assert {float(b.raw[i, 0]) for b in reader.batches(firing) for i in range(len(b.raw))} == {
        0x2F1_0190,
        0x1_02F1_0190,
    }


def test_finished_minutes_are_packed_as_it_goes_and_nothing_else_changes(
    writer: JournalWriter, reader: JournalReader, firing: str
) -> None:
    for start in range(0, 3000, 50):
        with writer.transaction():
            for first in range(start, start + 50, 2):
                writer.append(firing, firing_batch(2, first=first))
    assert rows(writer, "chunk") == 4
    assert rows(writer, "recent") == 300  # the last minute
    traces = reader.readings(firing)
    expected = firing_batch(3000)
    for j in range(4):
        np.testing.assert_array_equal(traces.t_us[j], expected.t_us)
        np.testing.assert_array_equal(traces.temperature_c[j], expected.temperature_c[:, j])
    assert reader.firing(firing).readings == 12_000
    writer.finish_firing(firing, int(expected.t_us[-1]))
    assert rows(writer, "recent") == 0
    assert reader.firing(firing).readings == 12_000
    np.testing.assert_array_equal(reader.readings(firing).temperature_c[2], expected.temperature_c[:, 2])


def test_a_long_silence_ends_with_a_bounded_amount_of_packing(writer: JournalWriter, firing: str) -> None:
    """A rig that kept an hour of frames and sends them all at once must not hold up a commit for the others."""
    writer.append(firing, firing_batch(10, first=36_000))
    for minute in range(60):
        writer.append(firing, firing_batch(6, first=minute * 600))
    before = rows(writer, "chunk")
    writer.append(firing, firing_batch(10, first=36_800))
    assert 0 < rows(writer, "chunk") - before <= 8
    for i in range(10):
        writer.append(firing, firing_batch(1, first=36_820 + i))
    assert rows(writer, "chunk") == 61


def test_late_readings_are_noticed(writer: JournalWriter, reader: JournalReader, firing: str) -> None:
    writer.append(firing, firing_batch(50, first=100))
    writer.append(firing, firing_batch(50, first=150))
    writer.append(firing, firing_batch(5, rig="b2"))  # older, but from another rig
    assert reader.firing(firing).late == 0
    writer.append(firing, firing_batch(50))
    late = reader.firing(firing).late
    assert late > 0
    writer.close()
    again = JournalWriter(writer.path)
    again.append(firing, firing_batch(10, first=40))
    assert reader.firing(firing).late > late
    again.close()


def test_all_or_nothing(writer: JournalWriter, reader: JournalReader, firing: str) -> None:
    def both() -> None:
        with writer.transaction():
            writer.append(firing, firing_batch(1000))
            writer.add_event(firing, START_US, "note", {"kind": "wood"})
            raise RuntimeError("judgement failed")

    with pytest.raises(RuntimeError):
        both()
    assert reader.events(firing) == []
    assert reader.firing(firing).readings == 0
    assert reader.columns(firing) == ()
    writer.append(firing, firing_batch(1000))  # what it remembered was forgotten with the rows
    assert reader.firing(firing).readings == 4000


def test_one_firing_at_a_time(writer: JournalWriter, firing: str) -> None:
    with pytest.raises(JournalError, match=f"{firing} is running; finish it"):
        writer.open_firing("another", None, START_US)
    over = writer.open_firing("imported", None, 5, ended_us=9)
    assert not over.running
    running = writer.running()
    assert running is not None
    assert (running.id, running.invented, running.title) == (firing, True, "Jars, invented")
    assert re.fullmatch(r"\d{8}-\d{4}-[a-z2-9]{4}", firing)
    writer.finish_firing(firing, START_US + 9)
    assert writer.running() is None
    assert writer.firing(firing).ended_us == START_US + 9


def test_what_is_said_of_a_firing_can_change(writer: JournalWriter, firing: str) -> None:
    changed = writer.change_firing(firing, title="Bowls", facts={"wood": "oak"})
    assert (changed.title, changed.facts, changed.plan_toml) == ("Bowls", {"wood": "oak"}, None)
    changed = writer.change_firing(
        firing, plan_toml='title = "x"\n[[probe]]\nname = "coals"\nchannel = "k1"\n'
    )
    assert changed.plan.probes[0].name == "coals"
    assert changed.facts == {"wood": "oak"}


def test_unknown_firing(writer: JournalWriter) -> None:
    with pytest.raises(UserError, match="20200101-0000-aaaa: no such firing"):
        writer.append("20200101-0000-aaaa", firing_batch(1))


def test_requests_are_carried_out_once_and_answered(
    writer: JournalWriter, reader: JournalReader, path: Path
) -> None:
    first = add_request(path, "note", {"text": "höher"}, "ann")
    second = add_request(path, "finish", {})
    taken = writer.take_requests()
    assert [(r.id, r.kind, r.data, r.who) for r in taken] == [
        (first, "note", {"text": "höher"}, "ann"),
        (second, "finish", {}, ""),
    ]
    assert [r.id for r in writer.take_requests()] == [first, second]  # until they are finished
    writer.finish_request(first, {"event": 1})
    assert [r.id for r in writer.take_requests()] == [second]
    answered = reader.request(first)
    assert answered is not None
    assert answered.result == {"event": 1}
    open_still = reader.request(second)
    assert open_still is not None
    assert open_still.result is None
    assert reader.request(999) is None


def test_a_request_makes_no_journal(tmp_path: Path) -> None:
    with pytest.raises(JournalError) as caught:
        add_request(tmp_path / "none.sqlite", "note", {})
    assert caught.value.reason == "gone"
    assert list(tmp_path.iterdir()) == []


def test_state_events_heartbeat_and_meta(writer: JournalWriter, reader: JournalReader, firing: str) -> None:
    assert writer.load_state(firing) is None
    writer.save_state(firing, b"one")
    writer.save_state(firing, b"two")
    assert writer.load_state(firing) == b"two"
    assert reader.heartbeat() is None
    writer.heartbeat({"frames": 1})
    writer.heartbeat({"frames": 2})
    assert reader.heartbeat() == {"frames": 2}
    first = writer.add_event(firing, START_US, "note", {"text": "<b>ash & bone</b>"}, "ann")
    second = writer.add_event(firing, START_US - 5, "gap", {})
    assert [(e.id, e.t_us, e.kind, e.data, e.who) for e in reader.events(firing)] == [
        (first, START_US, "note", {"text": "<b>ash & bone</b>"}, "ann"),
        (second, START_US - 5, "gap", {}, ""),
    ]
    assert [e.id for e in reader.events(firing, after_id=first)] == [second]
    with pytest.raises(ValueError, match="JSON"):
        writer.add_event(firing, START_US, "note", {"x": float("nan")})
    assert reader.meta("mirror") == {}
    writer.set_meta("mirror", {"at": 17})
    assert reader.meta("mirror") == {"at": 17}


def test_disk_full_is_said_and_the_writer_goes_on_when_there_is_room(
    writer: JournalWriter, reader: JournalReader, firing: str
) -> None:
    writer.append(firing, firing_batch(100))
    pages = writer._db.execute("PRAGMA page_count").fetchone()[0]
    writer._db.execute(f"PRAGMA max_page_count = {pages + 2}")
    with pytest.raises(JournalError, match="the disk is full; make room") as caught:
        writer.append(firing, firing_batch(3000, first=100))
    assert caught.value.reason == "full"
    assert reader.firing(firing).readings == 400
    writer._db.execute("PRAGMA max_page_count = 1000000")
    writer.append(firing, firing_batch(3000, first=100))
    assert reader.firing(firing).readings == 12_400
    assert check(writer.path) == {}


def test_read_only_is_said(writer: JournalWriter, reader: JournalReader, firing: str) -> None:
    writer._db.execute("PRAGMA query_only = ON")
    with pytest.raises(JournalError, match="can't be written to") as caught:
        writer.append(firing, firing_batch(100))
    assert caught.value.reason == "read_only"
    writer._db.execute("PRAGMA query_only = OFF")
    writer.append(firing, firing_batch(100))
    assert reader.firing(firing).readings == 400


def test_removed_file_is_noticed_at_the_next_commit(writer: JournalWriter, firing: str, path: Path) -> None:
    """SQLite itself would go on writing into a file that no longer has a name."""
    moved = path.with_name("moved.sqlite")
    path.rename(moved)
    with pytest.raises(JournalError, match="removed or replaced") as caught:
        writer.append(firing, firing_batch(1))
    assert caught.value.reason == "gone"
    path.write_bytes(b"")
    with pytest.raises(JournalError, match="removed or replaced"):
        writer.append(firing, firing_batch(1))
    path.unlink()
    moved.rename(path)
    writer.append(firing, firing_batch(1))


def test_another_writer_is_waited_for_but_not_for_ever(
    writer: JournalWriter, firing: str, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    other = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
    other.execute("BEGIN IMMEDIATE")
    writer._db.execute("PRAGMA busy_timeout = 50")
    with pytest.raises(JournalError, match="another program is writing") as caught:
        writer.append(firing, firing_batch(1))
    assert caught.value.reason == "busy"
    writer._db.execute("PRAGMA busy_timeout = 5000")
    timer = threading.Timer(0.1, lambda: other.execute("ROLLBACK"))
    timer.start()
    writer.append(firing, firing_batch(1))
    timer.join()
    other.close()


def test_two_writers_of_two_firings(
    writer: JournalWriter, reader: JournalReader, firing: str, path: Path
) -> None:
    """An import goes in while the logger records; neither takes the other's place."""
    other = JournalWriter(path)
    with other.transaction():
        imported = other.open_firing("imported", None, START_US, ended_us=START_US + MINUTE_US).id
    for first in range(0, 700, 100):
        writer.append(firing, firing_batch(100, first=first))
        other.append(imported, firing_batch(100, first=first, seed=2))
    assert [reader.firing(f).readings for f in (firing, imported)] == [2800, 2800]
    arrivals = [a for a, _, _ in reader.arrived(0)]
    assert len(set(arrivals)) == len(arrivals)
    other.close()


def test_the_file_is_its_owners_alone(writer: JournalWriter, firing: str, path: Path) -> None:
    writer.append(firing, firing_batch(1))
    assert {f.stat().st_mode & 0o777 for f in path.parent.iterdir()} == {0o600}


# --- versions of the file -----------------------------------------------------------------------------------


def test_a_new_file_has_every_migration(writer: JournalWriter, path: Path) -> None:
    assert writer._db.execute("PRAGMA user_version").fetchone()[0] == len(schema.MIGRATIONS)
    assert writer._db.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
    assert writer._db.execute("PRAGMA synchronous").fetchone()[0] == 2
    assert check(path) == {}


@pytest.mark.parametrize("who", ["writer", "reader"])
def test_an_older_journal_is_brought_up_to_date(
    who: str, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    old = JournalWriter(path)
    firing = old.open_firing("old", None, START_US).id
    old.append(firing, firing_batch(700))
    old.close()
    newer = [*schema.MIGRATIONS, ("ALTER TABLE firing ADD COLUMN place TEXT", "CREATE TABLE extra (x)")]
    monkeypatch.setattr(schema, "MIGRATIONS", newer)
    opened = JournalWriter(path) if who == "writer" else JournalReader(path)
    assert opened._db.execute("PRAGMA user_version").fetchone()[0] == len(newer)
    assert opened._db.execute("SELECT place FROM firing").fetchall() == [(None,)]
    assert opened.running().readings == 2800  # type: ignore[union-attr]
    opened.close()


def test_a_migration_that_fails_leaves_the_journal_as_it_was(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    JournalWriter(path).close()
    released = schema.MIGRATIONS
    monkeypatch.setattr(schema, "MIGRATIONS", [*released, ("CREATE TABLE extra (x)", "no SQL at all")])
    with pytest.raises(JournalError, match="syntax error"):
        JournalWriter(path)
    monkeypatch.setattr(schema, "MIGRATIONS", released)
    with_old = JournalWriter(path)
    assert with_old._db.execute("SELECT name FROM sqlite_master WHERE name = 'extra'").fetchall() == []
    with_old.close()


@pytest.mark.parametrize("opener", [JournalWriter, JournalReader])
def test_a_newer_journal_is_refused_and_left_alone(opener: type, path: Path) -> None:
    JournalWriter(path).close()
    with sqlite3.connect(path) as db:
        db.execute(f"PRAGMA user_version = {len(schema.MIGRATIONS) + 1}")
    db.close()
    before = path.read_bytes()
    with pytest.raises(JournalError, match=r"newer version of this program.*update the program") as caught:
        opener(path)
    assert caught.value.reason == "newer"
    assert path.read_bytes() == before


@pytest.mark.parametrize("opener", [JournalWriter, JournalReader])
def test_other_peoples_sqlite_files_are_refused_and_left_alone(opener: type, path: Path) -> None:
    with sqlite3.connect(path) as db:
        db.execute("CREATE TABLE precious (x)")
    db.close()
    before = path.read_bytes()
    with pytest.raises(JournalError, match="some other program"):
        opener(path)
    assert path.read_bytes() == before


def test_no_journal(tmp_path: Path) -> None:
    with pytest.raises(NoJournalError, match="no journal here yet"):
        JournalReader(tmp_path / "journal.sqlite")
    with pytest.raises(NoJournalError):
        check(tmp_path / "journal.sqlite")
    with pytest.raises(JournalError) as caught:
        JournalWriter(tmp_path / "nowhere" / "journal.sqlite")
    assert caught.value.reason == "gone"
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_is_no_database(path: Path) -> None:
    path.write_bytes(b"not a database, but long enough to be looked at " * 100)
    with pytest.raises(JournalError) as caught:
        JournalWriter(path)
    assert caught.value.reason == "damaged"
    assert len(check(path)["structure"]) == 1


# --- killed in the middle -----------------------------------------------------------------------------------

CHILD = """
import sys
from pathlib import Path
sys.path.append(sys.argv[3])
from tests.journal.journal_batches import firing_batch
from logger.journal.writer import JournalWriter

writer = JournalWriter(Path(sys.argv[1]))
firing = writer.running().id
first = int(sys.argv[2])
while True:
    with writer.transaction():
        writer.append(firing, firing_batch(40, first=first))
        writer.add_event(firing, first, "note", {"first": first})
    first += 40
    print(first, flush=True)
"""


@pytest.mark.slow
def test_kill_minus_nine_keeps_every_committed_reading(
    path: Path, firing: str, reader: JournalReader
) -> None:
    """At instants that fall anywhere: in a batch, in the packing of a minute, in a commit."""
    rng = np.random.default_rng(4)
    written = 0
    for _ in range(4):
        child = subprocess.Popen(
            [sys.executable, "-c", CHILD, str(path), str(written), str(Path(__file__).parent)],
            stdout=subprocess.PIPE,
            cwd=ROOT,
            text=True,
        )
        assert child.stdout is not None
        for _ in range(int(rng.integers(5, 80))):
            said = int(child.stdout.readline())
        child.send_signal(signal.SIGKILL)
        said = max([said, *(int(line) for line in child.stdout.read().splitlines() if line.strip())])
        child.wait()
        child.stdout.close()
        assert check(path) == {}
        written = len(reader.readings(firing).t_us[0])
        assert written in (said, said + 40)  # the last one may have been committed but not reported
        events = reader.events(firing)
        assert [e.data["first"] for e in events] == list(range(0, written, 40))
    expected = firing_batch(written)
    traces = reader.readings(firing)
    for j in range(4):
        np.testing.assert_array_equal(traces.t_us[j], expected.t_us)
        np.testing.assert_array_equal(traces.temperature_c[j], expected.temperature_c[:, j])
    assert reader.firing(firing).readings == 4 * written


def test_empty_batches_are_nothing(writer: JournalWriter, reader: JournalReader, firing: str) -> None:
    writer.append(firing, make_batch([], np.zeros((0, 2))))
    assert reader.firing(firing).readings == 0
    assert reader.columns(firing) == ()
