"""Damaged journals are set aside and joined to the one that goes on; the damaged file is never changed."""

from __future__ import annotations

import contextlib
import sqlite3
import zlib
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from logger.journal import schema as asides
from logger.journal.reader import JournalReader
from logger.journal.rows import Apart, add_request
from logger.journal.salvage import ASK_AGAIN, Salvage, begin_instead, check, going_on_from, join
from logger.journal.schema import JournalError
from logger.journal.writer import JournalWriter
from tests.journal.journal_batches import START_US, firing_batch

FRAMES = 18_000
STEP = 30
PAGE = 4096


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Half an hour of a running firing, and an older one."""
    path = tmp_path_factory.mktemp("sound") / "journal.sqlite"
    writer = JournalWriter(path)
    writer._db.execute("PRAGMA synchronous = OFF")
    old = writer.open_firing(
        "Old", None, START_US - 10**12, ended_us=START_US - 10**11, facts={"wood": "ash"}
    ).id
    writer.append(old, firing_batch(1000, seed=9))
    writer.pack(old)
    new = writer.open_firing("Bowls", 'title = "Bowls"\n', START_US).id
    for first in range(0, FRAMES, STEP):
        with writer.transaction():
            writer.append(new, firing_batch(STEP, first=first))
            writer.add_event(
                new, START_US + first * 100_000, "note", {"kind": "text", "text": f"at {first} " * 20}
            )
    writer.save_state(new, b"state" * 100)
    writer.heartbeat({"frames": FRAMES})
    writer.set_meta("clocks", {"a1": {"drift": 1e-5}})
    add_request(path, "note", {"text": "hello"})
    writer.close()
    assert not path.with_name("journal.sqlite-wal").exists()
    return path


def damaged(sound: Path, tmp_path: Path, changes: dict[int, bytes], cut: int | None = None) -> Path:
    path = tmp_path / "journal.sqlite"
    data = bytearray(sound.read_bytes())
    for at, new in changes.items():
        data[at : at + len(new)] = new
    path.write_bytes(data[:cut])
    return path


def start_over_and_join(path: Path) -> Salvage:
    """What a logger does when it finds its journal damaged."""
    aside = begin_instead(path, *going_on_from(path))
    assert asides.unjoined(path) == [aside]
    found = join(path, aside, pause_s=0)
    assert asides.unjoined(path) == []
    return found


def compare(path: Path) -> tuple[int, int]:
    """Check that the salvaged journal is right, as far as it goes; return frames of the two firings."""
    assert check(path, every_firing=True) == {}
    reader = JournalReader(path)
    counts = {1000: 0, FRAMES: 0}
    for info in reader.firings():
        traces = reader.readings(info.id)
        if not traces.columns:
            continue
        whole = firing_batch(FRAMES)
        if (
            len(traces.t_us[0]) <= 1000
            and not np.isin(traces.temperature_c[0], whole.temperature_c[:, 0]).all()
        ):
            whole = firing_batch(1000, seed=9)
        rows = np.searchsorted(whole.t_us, traces.t_us[0])
        np.testing.assert_array_equal(whole.t_us[rows], traces.t_us[0])
        for j, column in enumerate(traces.columns):
            np.testing.assert_array_equal(
                traces.temperature_c[j], whole.temperature_c[rows, int(column.channel[1:])]
            )
        counts[len(whole.t_us)] += len(rows)
        assert info.readings == 4 * len(rows)
        rolled = sum(int(b["count"].sum()) for _, b in reader.rollups(info.id, 60).values())
        assert rolled == info.readings
    reader.close()
    return counts[1000], counts[FRAMES]


def test_a_sound_journal_is_left_alone(sound: Path, tmp_path: Path) -> None:
    path = damaged(sound, tmp_path, {})
    before = path.read_bytes()
    assert check(path, every_firing=True) == {}
    assert path.read_bytes() == before


def test_joining_a_sound_journal_loses_nothing(sound: Path, tmp_path: Path) -> None:
    path = damaged(sound, tmp_path, {})
    before = path.read_bytes()
    aside = begin_instead(path, *going_on_from(path))
    writer = JournalWriter(path)
    running = writer.running()
    assert running is not None, "the firing goes on before anything is joined"
    assert (running.title, running.plan_toml, running.readings) == ("Bowls", 'title = "Bowls"\n', 0)
    writer.append(running.id, firing_batch(100, first=FRAMES))
    first_new = writer.add_event(running.id, START_US, "note", {"kind": "text", "text": "meanwhile"})
    found = join(path, aside, pause_s=0)
    assert (found.firings, found.readings, found.events, found.lost) == (
        2,
        4 * (FRAMES + 1000),
        FRAMES // STEP,
        [],
    )
    assert found.aside.read_bytes() == before
    assert found.aside.name.startswith("journal-damaged-2")
    writer.append(running.id, firing_batch(100, first=FRAMES + 100))
    writer.close()
    reader = JournalReader(path)
    assert reader.firing(running.id).readings == 4 * (FRAMES + 200)
    whole = firing_batch(FRAMES + 200)
    traces = reader.readings(running.id)
    for j in range(4):
        np.testing.assert_array_equal(traces.t_us[j], whole.t_us)
        np.testing.assert_array_equal(traces.temperature_c[j], whole.temperature_c[:, j])
    assert reader.meta("clocks") == {"a1": {"drift": 1e-5}}
    assert reader.firings()[1].facts == {"wood": "ash"}
    events = reader.events(running.id)
    assert len(events) == FRAMES // STEP + 1
    assert events[-1].id == first_new, "numbers go on above all that came before"
    assert len({e.id for e in events}) == len(events)
    answered = reader.request(1)
    assert answered is not None
    assert answered.result == {"ok": False, "error": ASK_AGAIN}
    assert add_request(path, "note", {}) > 1
    reader.close()
    assert check(path, every_firing=True) == {}


def test_joined_twice_is_joined_once(sound: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Killed at each step and started again: nothing twice, nothing missing."""
    path = damaged(sound, tmp_path, {})
    aside = begin_instead(path, *going_on_from(path))
    plain = JournalWriter.transaction
    kills = 0
    while asides.unjoined(path):
        left = 1 + kills * 2

        def counted(self: JournalWriter) -> object:
            nonlocal left
            left -= 1
            if not left:
                raise InterruptedError("killed")
            return plain(self)

        with monkeypatch.context() as patch, contextlib.suppress(JournalError):
            patch.setattr(JournalWriter, "transaction", counted)
            join(path, aside, pause_s=0)
        kills += 1
    assert kills > 3
    assert compare(path) == (1000, FRAMES)
    reader = JournalReader(path)
    assert sum(len(reader.events(f.id)) for f in reader.firings()) == FRAMES // STEP
    reader.close()


@pytest.mark.slow
def test_random_damage_again_and_again(sound: Path, tmp_path: Path) -> None:
    """64 random bytes somewhere: noticed wherever they matter, and what is salvaged is right."""
    size = sound.stat().st_size
    rng = np.random.default_rng(11)
    noticed = worth = 0
    for number in range(25):
        folder = tmp_path / str(number)
        folder.mkdir()
        at = int(rng.integers(0, size - 64))
        path = damaged(sound, folder, {at: rng.bytes(64)})
        before = path.read_bytes()
        if not check(path, every_firing=True):  # a place that doesn't matter
            assert compare(path) == (1000, FRAMES)
            continue
        found = start_over_and_join(path)
        noticed += 1
        assert found.aside.read_bytes() == before
        old, new = compare(path)
        # At most what was on the damaged page or two, and in the row that continued over it.
        assert old + new >= FRAMES + 1000 - 4 * 600, (at, found.lost)
        worth += old + new
        left = {p.name for p in folder.iterdir() if not p.name.endswith(("-wal", "-shm"))}
        assert left == {path.name, found.aside.name}
    assert noticed >= 14
    assert worth >= 0.97 * noticed * (FRAMES + 1000)


def pages_of(path: Path, table: str) -> list[int]:
    with contextlib.closing(sqlite3.connect(path)) as db:
        return [row[0] for row in db.execute("SELECT pageno FROM dbstat WHERE name = ?", (table,))]


def root_of(path: Path, table: str) -> int:
    with contextlib.closing(sqlite3.connect(path)) as db:
        return int(db.execute("SELECT rootpage FROM sqlite_master WHERE name = ?", (table,)).fetchone()[0])


@pytest.mark.slow
@pytest.mark.parametrize("table", ["chunk", "recent", "layout", "twin", "event", "firing", "estimate"])
def test_a_root_page_is_gone(table: str, sound: Path, tmp_path: Path) -> None:
    """A damaged table root used to cost everything below it: the readings of every firing."""
    page = root_of(sound, table)
    path = damaged(sound, tmp_path, {(page - 1) * PAGE: b"\xa5" * PAGE})
    assert list(check(path)) == ["structure"]
    start_over_and_join(path)
    old, new = compare(path)
    assert (old, new) == (1000, FRAMES) or (table == "recent" and new >= FRAMES - 600)
    reader = JournalReader(path)
    assert {f.title for f in reader.firings()} == {"Old", "Bowls"}
    events = sum(len(reader.events(f.id)) for f in reader.firings())
    assert events == FRAMES // STEP or (table == "event" and events >= FRAMES // STEP - 40)
    reader.close()


@pytest.mark.slow
def test_no_page_costs_more_than_what_stood_on_it(sound: Path, tmp_path: Path) -> None:
    """Every kind of page in turn overwritten: only that page's rows are lost, and no probe gets another's name."""
    for table in ("chunk", "layout", "twin", "firing", "rollup_1", "chunk_by_minute", "sqlite_schema"):
        for page in pages_of(sound, table)[:6]:
            folder = tmp_path / f"{table}-{page}"
            folder.mkdir()
            path = damaged(sound, folder, {(page - 1) * PAGE: b"\x00" * PAGE})
            start_over_and_join(path)
            old, new = compare(path)
            assert old + new >= FRAMES + 1000 - 1200, (table, page)


def test_a_flipped_name_is_not_believed(sound: Path, tmp_path: Path) -> None:
    """In the layout, one letter of a channel's name, or its order: the second copy says which is true."""
    with contextlib.closing(sqlite3.connect(sound)) as db:
        told = db.execute("SELECT channels FROM layout ORDER BY id DESC").fetchone()[0].encode()
    data = sound.read_bytes()
    begins = [at for at in range(len(data)) if data.startswith(told, at)]
    assert begins, "the layout's own row"
    at = begins[0] + told.index(b"k1") + 1
    path = damaged(sound, tmp_path, {at: b"3"})  # k1 becomes another k3
    assert compare(path) == (1000, FRAMES), "read right even before anything is mended"
    writer = JournalWriter(path)
    assert any("layout" in text for text in writer.repair())
    writer.close()
    assert compare(path) == (1000, FRAMES)


@pytest.mark.parametrize("column", ["firing", "minute", "layout"])
def test_readings_filed_in_the_wrong_place_are_a_gap(column: str, sound: Path, tmp_path: Path) -> None:
    """A flipped number in a row of readings: not one reading under another name, firing or time."""
    path = damaged(sound, tmp_path, {})
    with contextlib.closing(sqlite3.connect(path)) as db:
        (row,) = db.execute(
            "SELECT id FROM chunk WHERE firing = 2 ORDER BY minute LIMIT 1 OFFSET 5"
        ).fetchone()
        change = {"firing": "1", "minute": "minute + 4096", "layout": "1"}[column]
        db.execute(f"UPDATE chunk SET {column} = {change} WHERE id = ?", (row,))
        db.commit()
    assert list(check(path, every_firing=True)) == ["rows"]
    start_over_and_join(path)
    assert compare(path) == (1000, FRAMES - 600)


@pytest.mark.parametrize("share", [0.999, 0.9, 0.5, 0.1])
def test_cut_short(share: float, sound: Path, tmp_path: Path) -> None:
    size = sound.stat().st_size
    path = damaged(sound, tmp_path, {}, cut=int(size * share))
    assert check(path) != {}
    found = start_over_and_join(path)
    old, new = compare(path)
    assert found.readings == 4 * (old + new)
    if share >= 0.5:
        assert old + new > 0.6 * share * (FRAMES + 1000)


@pytest.mark.slow
@pytest.mark.parametrize("at", [0, 16, 18, 28, 44, 56, 60, 68, 100, 103, 105], ids=lambda at: f"byte {at}")
def test_damaged_header(at: int, sound: Path, tmp_path: Path) -> None:
    """The first page says where everything is; without it the pages themselves say."""
    path = damaged(sound, tmp_path, {at: b"\xa5\x5a\xa5\x5a"})
    assert check(path) != {}
    start_over_and_join(path)
    assert compare(path) == (1000, FRAMES)


def test_what_is_in_the_log_is_saved_too(sound: Path, tmp_path: Path) -> None:
    """A killed process leaves its last commits in the file beside the journal."""
    path = damaged(sound, tmp_path, {})
    writer = JournalWriter(path)
    firing = writer.running()
    assert firing is not None
    writer.append(firing.id, firing_batch(50, first=FRAMES))
    copies = {p.name: p.read_bytes() for p in tmp_path.iterdir()}
    writer.close()
    for name, data in copies.items():
        (tmp_path / name).write_bytes(data)
    bad = bytearray(path.read_bytes())
    at = _place_of_a_chunk(sound)
    bad[at : at + 8] = b"DAMAGED!"
    path.write_bytes(bad)
    found = start_over_and_join(path)
    reader = JournalReader(path)
    times = reader.readings(firing.id).t_us[0]
    reader.close()
    assert times[-1] == firing_batch(50, first=FRAMES).t_us[-1]
    assert len(times) == FRAMES + 50 - 600
    assert found.aside.with_name(found.aside.name + "-wal").exists()


def test_only_the_log_is_left(sound: Path, tmp_path: Path) -> None:
    """The journal was removed and its log stayed: the log is no part of the new one, and its contents are saved."""
    path = damaged(sound, tmp_path, {})
    writer = JournalWriter(path)
    firing = writer.running()
    assert firing is not None
    writer.append(firing.id, firing_batch(50, first=FRAMES))
    log = asides.beside(path, "-wal").read_bytes()
    writer.close()
    path.unlink()
    asides.beside(path, "-wal").write_bytes(log)
    JournalWriter(path).close()
    (aside,) = asides.unjoined(path)
    assert aside.stat().st_size == 0
    assert asides.beside(aside, "-wal").read_bytes() == log
    join(path, aside, pause_s=0)
    assert check(path) == {}


def _place_of_a_chunk(path: Path) -> int:
    db = sqlite3.connect(path)
    data = db.execute("SELECT data FROM chunk ORDER BY firing DESC, minute LIMIT 1 OFFSET 3").fetchone()[0]
    db.close()
    return path.read_bytes().index(data[:200]) + 20


def test_flipped_bits_in_readings_are_noticed(sound: Path, tmp_path: Path) -> None:
    """The file's structure is sound: a gap is reported, and nothing is moved because of it."""
    at = _place_of_a_chunk(sound)
    path = damaged(sound, tmp_path, {at: b"\xff"})
    assert check(path) == {"rows": ["1 stretches of readings don't match their checksums"]}
    found = start_over_and_join(path)
    assert compare(path) == (1000, FRAMES - 600)
    assert found.lost == ["1 stretches of readings, a minute each at most"]


def test_a_lost_firing_row_does_not_lose_its_readings(sound: Path, tmp_path: Path) -> None:
    path = damaged(sound, tmp_path, {})
    db = sqlite3.connect(path)
    db.execute("DELETE FROM firing")
    db.execute("DELETE FROM twin WHERE kind = 'firing'")
    db.commit()
    db.close()
    found = start_over_and_join(path)
    assert found.firings == 2
    assert compare(path) == (1000, FRAMES)
    reader = JournalReader(path)
    assert {f.title for f in reader.firings()} == {"Salvaged, title lost"}
    assert reader.running() is None
    reader.close()


def test_set_aside_at_any_moment(sound: Path, tmp_path: Path) -> None:
    """The power fails between its steps: the next start goes on from there."""
    path = damaged(sound, tmp_path, {})
    aside = asides._free_name(path, "unjoined")
    asides.beside(aside, "-wal").write_bytes(b"log")  # the first step: the log has its new name
    asides.finish_setting_aside(path)
    assert aside.exists()
    assert not path.exists()
    asides.finish_setting_aside(path)
    assert asides.unjoined(path) == [aside]
    JournalWriter(path).close()
    join(path, aside, pause_s=0)
    assert compare(path) == (1000, FRAMES)


def test_frames_set_apart_before_and_after_are_all_there(tmp_path: Path) -> None:
    """The new journal begins with none of them, and numbers later ones above the old ones."""
    path = tmp_path / "journal.sqlite"

    def set_apart(line: bytes) -> None:
        with contextlib.closing(JournalReader(path)) as reader:
            number, _ = reader.set_apart_sums()
        line += b"*%08x" % zlib.crc32(line)
        with contextlib.closing(JournalWriter(path)) as writer:
            firing = writer.running()
            assert firing is not None
            writer.set_apart(firing.id, [Apart(number, START_US, "a1", "serial", "unplaced", line)], [])

    with contextlib.closing(JournalWriter(path)) as writer:
        writer.open_firing("Bowls, invented", None, START_US)
    set_apart(b"before")
    aside = begin_instead(path, *going_on_from(path))
    set_apart(b"after")
    join(path, aside, pause_s=0)
    with contextlib.closing(JournalReader(path)) as reader:
        assert [row.line.partition(b"*")[0] for row in reader.set_apart(None)] == [b"before", b"after"]


def test_no_room_for_what_is_saved(sound: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The disk is for the fire first; the damaged file stays, and is joined when there is room."""
    path = damaged(sound, tmp_path, {_place_of_a_chunk(sound): b"\xff"})
    before = path.read_bytes()
    aside = begin_instead(path, None, {})
    with monkeypatch.context() as patch:
        patch.setattr("shutil.disk_usage", lambda _: SimpleNamespace(free=1_000_000))
        with pytest.raises(JournalError, match="kept for the fire; make room"):
            join(path, aside, pause_s=0)
    assert aside.read_bytes() == before
    join(path, aside, pause_s=0)
    assert compare(path) == (1000, FRAMES - 600)


def test_nothing_to_save(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    path.write_bytes(np.random.default_rng(1).bytes(100_000))
    found = start_over_and_join(path)
    assert (found.firings, found.readings) == (0, 0)
    assert found.aside.stat().st_size == 100_000
    assert check(path) == {}
