"""Firings binned, put back, and deleted for good while a logger carries on."""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path

import pytest

from logger.errors import UserError
from logger.journal.bin import delete_for_good, put_back, throw_away
from logger.journal.reader import JournalReader
from logger.journal.writer import JournalWriter
from tests.invented_firings import invented_firing
from tests.journal.journal_batches import START_US, firing_batch

NOW_US = 1_796_000_000_000_000


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "journal.sqlite"


def ids(path: Path, **which: bool | None) -> set[str]:
    with contextlib.closing(JournalReader(path)) as reader:
        return {info.id for info in reader.firings(**which)}


def rows(path: Path) -> dict[str, int]:
    with contextlib.closing(sqlite3.connect(path)) as db:
        names = [n for (n,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        return {n: db.execute(f"SELECT count(*) FROM {n}").fetchone()[0] for n in names}


@pytest.mark.slow
def test_in_the_bin_it_is_whole_and_out_of_the_way(path: Path) -> None:
    with contextlib.closing(JournalWriter(path)) as writer:
        one, _ = invented_firing(writer, 5, rate_hz=0.1, described={"clay": "red"})
        two, _ = invented_firing(writer, 7, day=1, rate_hz=0.1)
        before = rows(path)
        throw_away(writer, two, NOW_US)
        assert throw_away(writer, two, NOW_US + 1).facts["binned_us"] == NOW_US
        assert (ids(path), ids(path, binned=True), ids(path, binned=None)) == ({one}, {two}, {one, two})
        with contextlib.closing(JournalReader(path)) as reader:
            assert reader.firing("last").id == one
            assert reader.firing(two).binned  # anyone who knows its name may still look
        assert put_back(writer, two).facts.keys() == writer.firing(two).facts.keys()
        assert ids(path) == {one, two}
        assert rows(path) == before
        assert writer.firing(one).facts == {"clay": "red"}


def test_what_runs_cannot_be_thrown_away_nor_deleted_what_is_not_in_the_bin(path: Path) -> None:
    with contextlib.closing(JournalWriter(path)) as writer:
        running = writer.open_firing("Burning", None, START_US).id
        with pytest.raises(UserError, match="end the firing"):
            throw_away(writer, running, NOW_US)
        writer.finish_firing(running, START_US + 1)
        with pytest.raises(UserError, match="not in the bin"):
            delete_for_good(writer, running)
        assert ids(path) == {running}


@pytest.mark.slow
def test_deleted_for_good_leaves_nothing_and_every_number_goes_on(path: Path) -> None:
    """Followers ask for what came after the last number they saw: no number is given out twice."""
    with contextlib.closing(JournalWriter(path)) as logger, contextlib.closing(JournalWriter(path)) as page:
        stays, _ = invented_firing(logger, 5, rate_hz=0.1)
        was = rows(path)
        goes, _ = invented_firing(logger, 7, day=1, rate_hz=0.1)
        with contextlib.closing(JournalReader(path)) as reader:
            arrival = reader.newest_arrival()
            event = max(e.id for e in reader.events(goes))
            kept = reader.readings(stays)
            throw_away(page, goes, NOW_US)
            told: list[float] = []
            delete_for_good(page, goes, tell=told.append)
            assert told == sorted(told)
            assert ids(path, binned=None) == {stays}
            after = rows(path)
            assert {name: n for name, n in after.items() if name != "meta"} == {
                name: n for name, n in was.items() if name != "meta"
            }
            # The logger's own connection, which knows nothing about it.
            running = logger.open_firing("Goes on", None, START_US).id
            logger.append(running, firing_batch(2))
            assert [a for a, *_ in reader.arrived(arrival)] == [arrival + 1]
            assert logger.add_event(running, START_US, "note", {"kind": "wood"}) > event
            assert [e.data["kind"] for _, e in reader.happened(event)] == ["wood"]
            again = reader.readings(stays)
            assert [t.tolist() for t in again.t_us] == [t.tolist() for t in kept.t_us]
            assert len(reader.readings(running).columns) == len(firing_batch(2).channels)


def test_deleting_that_was_cut_short_can_be_finished(path: Path) -> None:
    class Ended(Exception):
        pass

    def end(_: float) -> None:
        raise Ended

    with contextlib.closing(JournalWriter(path)) as writer:
        firing, _ = invented_firing(writer, 5, rate_hz=0.1)
        throw_away(writer, firing, NOW_US)
        with pytest.raises(Ended):
            delete_for_good(writer, firing, tell=end)
        assert ids(path, binned=True) == {firing}
        with pytest.raises(UserError, match="empty the bin"):
            put_back(writer, firing)
        delete_for_good(writer, firing)
        assert ids(path, binned=None) == set()
