"""What waits for the disk is written once, in order, and dropped from its oldest end."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from logger.journal.reader import JournalReader
from logger.journal.writer import JournalWriter
from logger.reading import Batch, Channel, Event, Status
from logger.recording.backlog import Backlog, Unit

START_US = 1_900_000_000_000_000  # 2030-03-17: an invented firing


@pytest.fixture
def writer(tmp_path: Path) -> Iterator[JournalWriter]:
    with contextlib.closing(JournalWriter(tmp_path / "journal.sqlite")) as made:
        yield made


def unit(seq: int, rows: int = 2) -> Unit:
    t_us = START_US + (seq + np.arange(rows)) * 1_000_000
    values = np.full((rows, 1), 20.0)
    none = np.full_like(values, np.nan)
    numbers = seq + np.arange(rows)
    ok = np.full(values.shape, Status.OK, np.uint8)
    channels = (Channel("k0", "celsius"),)
    batch = Batch("a1", channels, t_us, numbers, numbers, values, none, values, none, ok)
    return Unit(
        batches=[batch], events=[Event(int(t_us[0]), "rig", {"what": f"unit {seq}"})], tokens=[("port", seq)]
    )


def told(path: Path, firing: str) -> list[tuple[int, str]]:
    with contextlib.closing(JournalReader(path)) as reader:
        return [(event.t_us - START_US, event.data["what"]) for event in reader.events(firing)]


def test_the_oldest_is_let_go_of_and_the_newest_never(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("logger.recording.backlog.BACKLOG_READINGS", 5)
    backlog = Backlog()
    assert not backlog.add(unit(0)) + backlog.add(unit(2))
    assert [gone.tokens for gone in backlog.add(unit(4))] == [[("port", 0)]]
    assert backlog.readings == 4
    assert len(backlog.add(unit(6, rows=50))) == 2
    assert (len(backlog), backlog.readings) == (1, 50)


def test_what_happened_before_the_firing_is_told_at_its_start(tmp_path: Path, writer: JournalWriter) -> None:
    backlog = Backlog()
    backlog.happened(Event(START_US - 60_000_000, "system", {"what": "early"}))
    early = backlog.write(writer, None, START_US)
    backlog.written(None, early)
    backlog.add(unit(0))
    firing = writer.open_firing("Invented", None, START_US, invented=True)
    with writer.transaction():
        early = backlog.write(writer, firing, START_US)
    backlog.happened(Event(START_US, "system", {"what": "meanwhile"}))  # by another thread
    assert backlog.written(firing, early) == ([("port", 0)], [])
    assert told(tmp_path / "journal.sqlite", firing.id) == [(0, "early"), (0, "unit 0")]
    backlog.written(firing, backlog.write(writer, firing, START_US))
    assert told(tmp_path / "journal.sqlite", firing.id)[2:] == [(0, "meanwhile")]


def test_a_commit_that_fails_is_tried_again_and_nothing_is_there_twice(
    tmp_path: Path, writer: JournalWriter
) -> None:
    backlog = Backlog()
    backlog.add(unit(0))
    firing = writer.open_firing("Invented", None, START_US, invented=True)
    with contextlib.suppress(ZeroDivisionError), writer.transaction():
        backlog.write(writer, firing, START_US)
        raise ZeroDivisionError("made up: the disk is full")
    with writer.transaction():
        early = backlog.write(writer, firing, START_US)
    backlog.written(firing, early)
    assert not backlog
    assert writer.firing(firing.id).readings == 2
    assert told(tmp_path / "journal.sqlite", firing.id) == [(0, "unit 0")]
