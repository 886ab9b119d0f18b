"""The estimate through the whole chain: live, kept in the journal, after a restart, from a stored firing."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC
from pathlib import Path
from typing import Any

import pytest
from msgspec import structs

from logger.journal import schema
from logger.journal.layout import as_stored
from logger.journal.reader import JournalReader
from logger.journal.salvage import begin_instead, going_on_from, join
from logger.journal.writer import JournalWriter
from logger.replay.judging import Judging, rehearse
from logger.report.document import export_html
from logger.report.shown import Shown
from logger.simulator import SimulatedFiring, simulate
from tests.invented_firings import part_of
from tests.replay.test_judging import START_US, batches, journal, seen

SPOT_S = 700.0


@pytest.fixture(scope="module")
def fire() -> SimulatedFiring:
    """Twenty-five minutes; nobody waits for the coals here."""
    return part_of(simulate(11, rate_hz=0.5, mishaps="none", probes=4), 0.0, 1500.0)


def zone_of(fire: SimulatedFiring) -> str:
    return next(p.zone for p in fire.plan.probes if p.reads != "coals")


def spot_data(fire: SimulatedFiring) -> dict[str, Any]:
    return {"zone": zone_of(fire), "temperature_c": 320.0, "emissivity": 0.95, "text": ""}


def judging(fire: SimulatedFiring, *, estimating: bool = True) -> Judging:
    made = Judging(fire.plan, START_US, estimating=estimating)
    made.rebuild(seen(fire))
    return made


def live(fire: SimulatedFiring, made: Judging, *, spot: bool = True) -> list[Any]:
    """All of it as it arrives, with a gun reading requested on the way."""
    said = []
    for batch in batches(fire):
        if spot and batch.t_us[-1] > START_US + SPOT_S * 1e6 and not getattr(made, "told", False):
            made.told = True  # type: ignore[attr-defined]
            made.heed(START_US + round(SPOT_S * 1e6), "spot", spot_data(fire))
        said += made.take([as_stored(batch)])
    return said


@pytest.fixture
def stored(fire: SimulatedFiring, tmp_path: Path) -> Iterator[JournalReader]:
    """The firing in a journal, its gun reading among the events."""
    reader = journal(tmp_path / "j.sqlite", fire, batches(fire))
    writer = JournalWriter(reader.path)
    firing = reader.firing("last").id
    writer.add_event(firing, START_US + round(SPOT_S * 1e6), "spot", spot_data(fire))
    writer.add_event(firing, START_US + round(SPOT_S * 1e6), "spot", {"zone": "", "what": "of no use"})
    writer.close()
    yield reader
    reader.close()


def test_a_replay_estimates_what_was_estimated_live(fire: SimulatedFiring, stored: JournalReader) -> None:
    first, again = judging(fire), judging(fire)
    said = live(fire, first)
    assert again.replay(stored, stored.firing("last").id, None) == said
    rows = first.take_estimates()
    assert again.take_estimates() == rows
    without = judging(fire)
    live(fire, without, spot=False)
    assert without.take_estimates() != rows, "the spot reading moved nothing"


def test_a_restart_hears_a_spot_reading_once(fire: SimulatedFiring, stored: JournalReader) -> None:
    """It is in the snapshot and in the journal, still ahead of the readings that were judged."""
    straight, restarted = judging(fire), judging(fire)
    made = batches(fire)
    cut = next(i for i, b in enumerate(made) if b.t_us[0] > START_US + (SPOT_S - 20) * 1e6)
    for batch in made[:cut]:
        straight.take([as_stored(batch)])
    straight.heed(START_US + round(SPOT_S * 1e6), "spot", spot_data(fire))
    straight.take_estimates()
    since_us = restarted.restore(straight.snapshot(), seen(fire))
    assert since_us is not None
    restarted.replay(stored, stored.firing("last").id, since_us)
    for batch in made[cut:]:
        straight.take([as_stored(batch)])
    assert restarted.take_estimates() == straight.take_estimates()
    assert restarted.verdict_data() == straight.verdict_data()


def test_a_snapshot_of_another_plan_is_not_gone_on_from(fire: SimulatedFiring) -> None:
    """As many probes, in other zones: the firing is judged again from its readings."""
    first = judging(fire)
    for batch in batches(fire, until=200):
        first.take([batch])
    moved = structs.replace(
        fire.plan, probes=tuple(structs.replace(p, zone=f"new {p.zone}") for p in fire.plan.probes)
    )
    again = Judging(moved, START_US, estimating=True)
    assert again.restore(first.snapshot(), seen(fire)) is None
    assert again.restore(first.snapshot()[:40], seen(fire)) is None
    for batch in batches(fire, until=200):
        again.take([batch])
    assert set(again.verdict_data()["load"]["estimates"]) == {
        f"new {p.zone}" for p in fire.plan.probes if p.reads != "coals"
    }


def test_a_rehearsal_tells_what_was_estimated_live(fire: SimulatedFiring, stored: JournalReader) -> None:
    made = judging(fire)
    live(fire, made)
    rows = made.judge.take_estimates()
    told = rehearse(stored, stored.firing("last"), made.plan, estimating=True)
    table = told["estimate"]
    assert table["time_s"] == [10.0 * i for i in range(int(told["duration_s"] // 10) + 1)]
    assert set(table["zones"]) == set(made.plan.zones)
    for row in rows:
        for zone, e in row.zones.items():
            lines = table["zones"][zone]
            i = int(row.t_s // 10)
            assert (lines["low_c"][i], lines["c"][i], lines["high_c"][i]) == tuple(
                round(c, 1) for c in (e.lo_c, e.wall_c, e.hi_c)
            )
    assert "estimate" not in rehearse(stored, stored.firing("last"), made.plan)


def test_without_being_asked_a_rehearsal_estimates_nothing(fire: SimulatedFiring) -> None:
    made = judging(fire, estimating=False)
    made.take(batches(fire, until=100))
    made.heed(START_US, "spot", spot_data(fire))
    assert made.take_estimates() == []
    assert made.verdict_data()["load"]["estimates"] == {}


# --- in the journal -----------------------------------------------------------------------------------------


def test_rows_come_back_as_they_were_kept(tmp_path: Path) -> None:
    writer = JournalWriter(tmp_path / "j.sqlite")
    firing = writer.open_firing("Invented", None, START_US).id
    other = writer.open_firing("Invented too", None, START_US, ended_us=START_US).id
    for k in range(5):
        rows = {"low": (100.04 + k, 90.0, 110.0, "probe")}
        if k > 2:
            rows["far"] = (80.0, -20.0, 180.0, "neighbours")
        writer.add_estimate(firing, START_US + k * 10_000_000, rows)
    writer.add_estimate(firing, START_US, {"low": (55.0, 50.0, 60.0, "spot")})
    reader = JournalReader(writer.path)
    try:
        found = reader.estimates(firing)
        assert found["low"].estimate_c.tolist() == [55.0, 101.0, 102.0, 103.0, 104.0], (
            "kept anew for its time"
        )
        assert found["low"].basis == ("spot", *["probe"] * 4)
        assert found["far"].t_us.tolist() == [START_US + 30_000_000, START_US + 40_000_000]
        assert found["far"].low_c.tolist() == [-20.0, -20.0]
        part = reader.estimates(firing, START_US + 30_000_000)
        assert part["low"].t_us.tolist() == [START_US + 30_000_000, START_US + 40_000_000]
        assert reader.estimates(other) == {}
        writer._db.execute("UPDATE estimate SET data = 'broken' WHERE t_us = ?", (START_US,))
        assert len(reader.estimates(firing)["low"].t_us) == 4
    finally:
        reader.close()
        writer.close()


def test_a_journal_of_the_first_version_gets_room_for_estimates(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "j.sqlite"
    with monkeypatch.context() as old:
        old.setattr(schema, "MIGRATIONS", schema.MIGRATIONS[:1])
        firing = "20200101-0000-abcd"
        with contextlib.closing(schema.open_to_write(path)) as db:
            db.execute(
                "INSERT INTO firing (id, title, started_us, invented, facts)"
                " VALUES (?, 'Invented, of long ago', ?, 1, '{}')",
                (firing, START_US),
            )
    reader = JournalReader(path)
    assert reader.estimates(firing) == {}
    reader.close()
    writer = JournalWriter(path)
    writer.add_estimate(firing, START_US, {"low": (1.0, 0.0, 2.0, "probe")})
    writer.close()


def test_a_salvaged_journal_keeps_them(tmp_path: Path) -> None:
    path = tmp_path / "j.sqlite"
    writer = JournalWriter(path)
    firing = writer.open_firing("Invented", None, START_US).id
    for k in range(3):
        writer.add_estimate(firing, START_US + k * 10_000_000, {"low": (100.0 + k, 90.0, 110.0, "probe")})
    writer.close()
    with sqlite3.connect(path) as db:
        db.execute("UPDATE estimate SET data = 'broken' WHERE t_us = ?", (START_US,))
    db.close()
    join(path, begin_instead(path, *going_on_from(path)))
    reader = JournalReader(path)
    assert reader.estimates(firing)["low"].estimate_c.tolist() == [101.0, 102.0]
    reader.close()


# --- from a stored firing ------------------------------------------------------------------------------------


@pytest.mark.parametrize("reads", ["coals", "air"])
def test_one_thermometer_alone_is_judged_and_reported(
    reads: str, fire: SimulatedFiring, tmp_path: Path
) -> None:
    """Most people begin with one probe under the stack: there is no pot to estimate then, and nothing fails."""
    column, probe = next((j, p) for j, p in enumerate(fire.plan.probes) if p.reads == reads)
    one = replace(
        fire,
        plan=structs.replace(fire.plan, probes=(probe,)),
        temperature_c=fire.temperature_c[:, [column]],
        status=fire.status[:, [column]],
    )
    watched = judging(one)
    live(one, watched, spot=False)
    [zone] = watched.verdict_data()["load"]["zones"]
    assert zone["zone"] == probe.zone
    assert bool(watched.take_estimates()) == (reads == "air")
    with contextlib.closing(journal(tmp_path / "one.sqlite", one, batches(one))) as reader:
        info = reader.firing("last")
        [line] = rehearse(reader, info, estimating=True)["estimate"]["zones"].values()
        assert (line["c"][60] is None) == (reads == "coals")
        assert export_html(reader, info.id, tmp_path / "report.html", Shown("C", UTC, "UTC")) > 0
