"""The recorder's journal: an existing one is opened, a damaged one set aside, and never one after another for ever."""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path

import pytest

from logger.journal.reader import JournalReader
from logger.journal.schema import JournalError
from logger.journal.writer import JournalWriter
from logger.recording import journal_file
from logger.recording.journal_file import MOST_AN_HOUR, JournalFile

START_US = 1_900_000_000_000_000


class Opened:
    def __init__(self, path: Path) -> None:
        self.path = path
        self.told: list[str] = []
        self.file = JournalFile(path, lambda what, _: self.told.append(what))

    def open(self) -> JournalWriter | None:
        """As in the recorder, with nothing to resume; stopped as soon as it would wait."""
        return self.file.open(lambda _: None, lambda: True)


@pytest.fixture
def opened(tmp_path: Path) -> Opened:
    return Opened(tmp_path / "journal.sqlite")


def test_a_damaged_journal_is_set_aside_and_another_begun(opened: Opened) -> None:
    opened.path.write_bytes(b"SQLite format 3\x00" + bytes(4000))
    writer = opened.open()
    assert writer is not None
    writer.close()
    (aside,) = opened.file.asides
    assert aside.is_file()
    assert opened.told == ["journal_set_aside"]
    assert opened.file.refusing == ""


def test_a_running_firing_goes_on_in_another_when_its_journal_is_found_damaged(opened: Opened) -> None:
    writer = opened.open()
    assert writer is not None
    firing = writer.open_firing("Four bowls, invented", None, START_US, invented=True)
    opened.file.damage = "a page is not what it was"
    with pytest.raises(JournalError, match="a page is not what it was") as found:
        opened.file.check()
    opened.file.check()  # said once
    assert opened.file.refused(found.value, writer, firing, {})
    assert opened.told == ["journal_set_aside"]
    running = writer.running()
    assert running is not None
    assert running.id == firing.id
    writer.close()
    assert "it is damaged" in opened.file.refusing
    opened.file.taken()
    assert opened.file.refusing == ""


def test_one_that_goes_on_refusing_for_no_known_cause_counts_as_damaged(opened: Opened) -> None:
    writer = opened.open()
    assert writer is not None
    writer.open_firing("Four bowls, invented", None, START_US, invented=True)
    firing = writer.running()
    with contextlib.closing(sqlite3.connect(opened.path)) as db, db:
        db.execute("CREATE TRIGGER odd BEFORE INSERT ON event BEGIN SELECT RAISE(ABORT, 'a row is odd'); END")
    assert firing is not None
    for again in (True, True, False):
        with pytest.raises(JournalError, match="a row is odd") as found:
            writer.add_event(firing.id, START_US, "note", {"text": "wood"})
        assert opened.file.refused(found.value, writer, firing, {}) is not again
    writer.add_event(firing.id, START_US, "note", {"text": "wood"})
    writer.close()
    assert opened.told == ["journal_set_aside"]


def test_not_one_after_the_other(opened: Opened) -> None:
    """It fails on every journal: the disk or the memory is bad, and more journals are no help."""

    def fails(_: JournalWriter) -> None:
        raise ZeroDivisionError("made up")

    assert opened.file.open(fails, lambda: True) is None
    assert len(opened.file.asides) == MOST_AN_HOUR
    assert "made up" in opened.file.refusing


def test_what_a_newer_version_wrote_is_left_alone(opened: Opened) -> None:
    def newer(_: JournalWriter) -> None:
        raise JournalError("written by a newer version", "newer")

    with pytest.raises(JournalError, match="newer version"):
        opened.file.open(newer, lambda: True)
    assert opened.file.asides == []


def test_it_waits_for_a_disk_that_takes_nothing(opened: Opened, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(journal_file, "_AGAIN_S", 0.0)
    tried: list[str] = []

    def full(_: JournalWriter) -> None:
        tried.append(opened.file.refusing)
        if len(tried) < 3:
            raise JournalError("the disk is full", "full")

    writer = opened.file.open(full, lambda: False)
    assert writer is not None
    writer.close()
    why = "the disk isn't taking readings: the disk is full"
    assert tried == ["", why, why]
    assert opened.file.refusing == ""


def test_the_latest_frames_are_in_the_one_just_set_aside(opened: Opened) -> None:
    writer = opened.open()
    assert writer is not None
    aside = opened.path.with_name("aside.sqlite")
    with contextlib.closing(JournalWriter(aside)) as other:
        other.open_firing("Set aside, invented", None, START_US)
    opened.file.asides.append(aside)
    with contextlib.closing(opened.file.latest()) as latest:
        assert latest.path == aside
    aside.unlink()
    with contextlib.closing(opened.file.latest()) as latest:
        assert isinstance(latest, JournalReader)
        assert latest.path == opened.path
    writer.close()
