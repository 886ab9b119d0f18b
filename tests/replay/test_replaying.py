"""A stored firing judged again: the same words as a rehearsal, and each moment's verdict as it would have been live."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from logger.journal.reader import JournalReader
from logger.journal.writer import JournalWriter
from logger.replay.judging import Judging, rehearse
from logger.replay.moments import judged, with_alarms
from logger.simulator import simulate
from tests.invented_firings import batch_of, part_of

START_US = 1_795_000_013_000_000  # not on a step


@pytest.fixture(scope="module")
def reader(tmp_path_factory: pytest.TempPathFactory) -> Iterator[JournalReader]:
    path = tmp_path_factory.mktemp("replay") / "journal.sqlite"
    fire = part_of(simulate(11, rate_hz=0.5, mishaps="any", probes=4), 2400.0, 4800.0)
    with contextlib.closing(JournalWriter(path)) as writer:
        end_us = START_US + round(fire.t_s[-1] * 1e6)
        firing = writer.open_firing("An invented firing", fire.plan.dumps(), START_US, ended_us=end_us)
        writer.append(
            firing.id,
            batch_of(fire, START_US),
        )
        writer.pack(firing.id)
    made = JournalReader(path)
    yield made
    made.close()


@pytest.fixture(scope="module")
def told(reader: JournalReader) -> dict[str, Any]:
    """The firing judged by its own plan."""
    return judged(reader, reader.firing("last"))


def test_says_what_a_rehearsal_says(reader: JournalReader, told: dict[str, Any]) -> None:
    firing = reader.firing("last")
    told = dict(told)
    moments = told.pop("moments")
    assert told == rehearse(reader, firing)
    assert told["alarms"], "a firing that shows nothing shows nothing"
    assert (np.diff(moments["t_s"]) > 0).all()
    assert moments["t_s"][-1] == told["duration_s"]
    for zone in moments["zones"]:
        assert {len(column) for name, column in zone.items() if name not in ("zone", "coals")} == {
            len(moments["t_s"])
        }
    last = {z["zone"]: z["peak_c"][-1] for z in moments["zones"]}
    assert last == {z["zone"]: z["peak_c"] for z in told["zones"]}


def test_a_moments_verdict_is_that_of_a_logger_that_had_heard_only_so_much(
    reader: JournalReader, told: dict[str, Any]
) -> None:
    firing = reader.firing("last")
    moments = told["moments"]
    at = len(moments["t_s"]) // 2
    until_us = START_US + round(moments["t_s"][at] * 1e6)
    live = Judging(firing.plan, firing.started_us)
    live.rebuild(firing.seen)
    for batch in reader.batches(firing.id, until_us=until_us):
        live.take([batch])
    verdict = live.judge.verdict()
    words = moments["words"]
    assert words[moments["line"][at]] == verdict.line
    assert words[moments["stage"][at]] == verdict.stage
    for zone in verdict.zones:
        told = next(z for z in moments["zones"] if z["zone"] == zone.zone)
        assert (told["level_c"][at], told["peak_c"][at]) == (zone.level_c, zone.peak_c)
        assert words[told["missing"][at]] == zone.missing


def test_a_forecast_is_that_of_its_minute(reader: JournalReader, told: dict[str, Any]) -> None:
    firing = reader.firing("last")
    moments = told["moments"]
    words = moments["words"]
    told = next(z for z in moments["zones"] if any(words[n] for n in z["ahead"]))
    at = next(k for k, n in enumerate(told["ahead"]) if words[n])
    live = Judging(firing.plan, firing.started_us)
    live.rebuild(firing.seen)
    for batch in reader.batches(firing.id, until_us=START_US + round(moments["t_s"][at] * 1e6)):
        live.take([batch])
    zone = next(z for z in live.judge.verdict().zones if z.zone == told["zone"])
    assert zone.forecast is not None
    assert words[told["ahead"][at]] == zone.forecast.words
    step_s = moments["t_s"][at + 1] - moments["t_s"][at]
    changes = np.flatnonzero(np.diff(told["ahead"]))
    assert (np.diff(changes) * step_s >= 55).all()


def test_what_is_drawn_of_a_forecast_is_the_coldest_zones_then(
    reader: JournalReader, told: dict[str, Any]
) -> None:
    firing = reader.firing("last")
    moments = told["moments"]
    told = moments["forecasts"]
    assert (np.diff([f["t_s"] for f in told]) >= 55).all()
    with_zone = [f for f in told if f["zone"]]
    assert len(with_zone) > len(told) / 3
    made = with_zone[len(with_zone) // 2]
    live = Judging(firing.plan, firing.started_us)
    live.rebuild(firing.seen)
    for batch in reader.batches(firing.id, until_us=START_US + round(made["t_s"] * 1e6)):
        live.take([batch])
    verdict = live.judge.verdict()
    assert made["zone"] == verdict.coldest
    forecast = next(z.forecast for z in verdict.zones if z.zone == verdict.coldest)
    assert forecast is not None
    assert (made["at_s"], made["ahead_s"]) == (forecast.at_s, forecast.ahead_s)
    for name in ("low_c", "middle_c", "high_c"):
        assert made[name] == pytest.approx(getattr(forecast, name), abs=0.51)


def test_other_settings_say_other_things(reader: JournalReader, told: dict[str, Any]) -> None:
    firing = reader.firing("last")
    own = {alarm["rule"] for alarm in told["alarms"]}
    assert own
    assert "over_temperature" not in own
    wished = {rule: {"enabled": False} for rule in own} | {"over_temperature": {"limit_c": 300.0}}
    plan = with_alarms(firing.plan, wished)
    assert {alarm["rule"] for alarm in judged(reader, firing, plan)["alarms"]} == {"over_temperature"}
    assert firing.plan.alarms["over_temperature"]["limit_c"] != 300.0


def test_a_firing_without_readings(tmp_path: Path) -> None:
    with contextlib.closing(JournalWriter(tmp_path / "journal.sqlite")) as writer:
        writer.open_firing("Nothing yet", None, START_US)
    with contextlib.closing(JournalReader(tmp_path / "journal.sqlite")) as reader:
        told = judged(reader, reader.firing("last"))
    assert (told["duration_s"], told["alarms"], told["moments"]["t_s"]) == (0.0, [], [])
