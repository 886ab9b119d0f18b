"""Damaged journals are noticed at the start and salvaged; the damaged file is never overwritten."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import numpy as np
import pytest
from journal_batches import START_US, firing_batch

from logger.journal import salvage as salvaging
from logger.journal.reader import JournalReader
from logger.journal.salvage import check, make_sound, salvage
from logger.journal.schema import JournalError
from logger.journal.writer import JournalWriter, add_request

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
    writer.set_meta("site", "meadow")
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


def compare(path: Path) -> tuple[int, int]:
    """What the salvaged journal has is right, as far as it goes; returns frames of the two firings."""
    assert check(path, every_firing=True) == []
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
    assert check(path, every_firing=True) == []
    assert make_sound(path) is None
    assert path.read_bytes() == before
    assert make_sound(tmp_path / "none.sqlite") is None
    assert not (tmp_path / "none.sqlite").exists()


def test_salvage_of_a_sound_journal_loses_nothing(sound: Path, tmp_path: Path) -> None:
    path = damaged(sound, tmp_path, {})
    before = path.read_bytes()
    found = salvage(path)
    assert (found.firings, found.readings, found.events, found.lost) == (
        2,
        4 * (FRAMES + 1000),
        FRAMES // STEP,
        [],
    )
    assert found.aside.read_bytes() == before
    assert found.aside.name.startswith("journal-damaged-2")
    assert compare(path) == (1000, FRAMES)
    writer = JournalWriter(path)
    running = writer.running()
    assert running is not None
    assert (running.title, running.plan_toml) == ("Bowls", 'title = "Bowls"\n')
    assert writer.load_state(running.id) == b"state" * 100
    assert [r.data for r in writer.take_requests()] == [{"text": "hello"}]
    writer.append(running.id, firing_batch(100, first=FRAMES))
    writer.close()
    reader = JournalReader(path)
    assert reader.firing(running.id).readings == 4 * (FRAMES + 100)
    assert reader.heartbeat() == {"frames": FRAMES}
    assert reader.meta("site") == "meadow"
    assert reader.firings()[1].facts == {"wood": "ash"}
    assert len(reader.events(running.id)) == FRAMES // STEP
    reader.close()


def test_random_damage_again_and_again(sound: Path, tmp_path: Path) -> None:
    """64 random bytes somewhere; noticed wherever they tell, and what is salvaged is right."""
    size = sound.stat().st_size
    rng = np.random.default_rng(11)
    noticed = worth = 0
    for number in range(25):
        folder = tmp_path / str(number)
        folder.mkdir()
        at = int(rng.integers(0, size - 64))
        path = damaged(sound, folder, {at: rng.bytes(64)})
        before = path.read_bytes()
        found = make_sound(path, every_firing=True)
        if found is None:  # a place that says nothing, or a word in a note that is still a word
            assert compare(path) == (1000, FRAMES)
            continue
        noticed += 1
        assert found.aside.read_bytes() == before
        old, new = compare(path)
        worth += old + new
        left = {p.name for p in folder.iterdir() if not p.name.endswith(("-wal", "-shm"))}
        assert left == {path.name, found.aside.name}
    assert noticed >= 14
    assert worth >= 0.85 * noticed * (FRAMES + 1000)


@pytest.mark.parametrize("share", [0.999, 0.9, 0.5, 0.1])
def test_cut_short(share: float, sound: Path, tmp_path: Path) -> None:
    size = sound.stat().st_size
    path = damaged(sound, tmp_path, {}, cut=int(size * share))
    found = make_sound(path)
    assert found is not None
    old, new = compare(path)
    assert found.readings == 4 * (old + new)
    if share >= 0.5:
        assert old + new > 0.5 * share * (FRAMES + 1000)


@pytest.mark.parametrize("at", [0, 16, 18, 28, 44, 56, 60, 68, 100, 103, 105], ids=lambda at: f"byte {at}")
def test_damaged_header(at: int, sound: Path, tmp_path: Path) -> None:
    """The first page tells where everything is; without it a new journal's first page tells the same."""
    path = damaged(sound, tmp_path, {at: b"\xa5\x5a\xa5\x5a"})
    assert make_sound(path) is not None
    assert compare(path) == (1000, FRAMES)


def test_the_first_page_is_gone(sound: Path, tmp_path: Path) -> None:
    path = damaged(sound, tmp_path, {0: bytes(PAGE)})
    found = make_sound(path)
    assert found is not None
    assert compare(path) == (1000, FRAMES)


def test_what_is_in_the_log_is_saved_too(sound: Path, tmp_path: Path) -> None:
    """A process that was killed leaves its last commits in the file beside the journal."""
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
    found = make_sound(path)
    assert found is not None
    reader = JournalReader(path)
    times = reader.readings(firing.id).t_us[0]
    reader.close()
    assert times[-1] == firing_batch(50, first=FRAMES).t_us[-1]
    assert len(times) == FRAMES + 50 - 600
    assert found.aside.with_name(found.aside.name + "-wal").exists()


def _place_of_a_chunk(path: Path) -> int:
    db = sqlite3.connect(path)
    data = db.execute("SELECT data FROM chunk ORDER BY firing DESC, minute LIMIT 1 OFFSET 3").fetchone()[0]
    db.close()
    return path.read_bytes().index(data[:200]) + 20


def test_flipped_bits_in_readings_are_noticed(sound: Path, tmp_path: Path) -> None:
    """The file's structure is sound; only the checksum of that minute is wrong."""
    at = _place_of_a_chunk(sound)
    path = damaged(sound, tmp_path, {at: b"\xff"})
    assert check(path) == ["1 stretches of readings don't match their checksums"]
    found = make_sound(path)
    assert found is not None
    assert compare(path) == (1000, FRAMES - 600)
    assert found.lost == ["1 stretches of readings of at most a minute"]


def test_a_lost_firing_row_does_not_lose_its_readings(sound: Path, tmp_path: Path) -> None:
    path = damaged(sound, tmp_path, {})
    db = sqlite3.connect(path)
    db.execute("DELETE FROM firing")
    db.commit()
    db.close()
    found = salvage(path)
    assert found.firings == 2
    assert compare(path) == (1000, FRAMES)
    reader = JournalReader(path)
    assert {f.title for f in reader.firings()} == {"Salvaged, its title is lost"}
    assert reader.running() is None
    reader.close()


def test_a_salvage_cut_short_goes_on(sound: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ended at each of its last steps by the power: the next start finds the one or the other."""
    real = Path.rename

    def die(self: Path, target: Path) -> Path:
        raise KeyboardInterrupt

    path = damaged(sound, tmp_path, {_place_of_a_chunk(sound): b"\xff"})
    monkeypatch.setattr(Path, "rename", die)
    with pytest.raises(KeyboardInterrupt):
        make_sound(path)
    monkeypatch.setattr(Path, "rename", real)
    assert check(path) != []  # still the damaged one
    # … and now the step after that: set aside, the new one not yet in its place
    path.rename(tmp_path / "journal-damaged-x.sqlite")
    assert make_sound(path) is None
    assert compare(path) == (1000, FRAMES - 600)
    assert not salvaging._finished(path).exists()


def test_no_room_for_the_new_one(sound: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = damaged(sound, tmp_path, {_place_of_a_chunk(sound): b"\xff"})
    before = path.read_bytes()

    def full(*rest: object, **more: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(salvaging, "store_minute", full)
    with pytest.raises(JournalError, match="can't be salvaged: No space left on device; make room"):
        make_sound(path)
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir() if p.suffix == ".sqlite"] == ["journal.sqlite"]


def test_nothing_to_save(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    path.write_bytes(np.random.default_rng(1).bytes(100_000))
    found = make_sound(path)
    assert found is not None
    assert (found.firings, found.readings) == (0, 0)
    assert found.aside.stat().st_size == 100_000
    assert check(path) == []
