"""The replay's endpoints: every second of a stored firing, and its judgement by any settings."""

from __future__ import annotations

import base64
import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from fastapi.testclient import TestClient
from firing_fixture import START_US, SmallFire
from page_journal import PLAN, make_batch

from dashboard.app import create_app
from logger.journal.reader import JournalReader
from logger.journal.writer import JournalWriter
from logger.judging import rehearse
from logger.reading import Status


@pytest.fixture
def client(path: Path) -> Iterator[TestClient]:
    with TestClient(create_app(path).server, base_url="http://127.0.0.1") as made:
        yield made


@pytest.fixture
def burnt(path: Path) -> str:
    """Five minutes at 1 Hz that begin between two seconds; the wall's thermocouple is open for a while."""
    t_s = np.arange(300)
    wall = 20 + 2.5 * t_s.astype(float)
    wall[100:130] = np.nan
    with contextlib.closing(JournalWriter(path)) as writer:
        start = START_US + 400_000
        firing = writer.open_firing("Four jars", PLAN, start, ended_us=start + 300_000_000, invented=True).id
        writer.append(firing, make_batch(start + t_s * 1_000_000, np.stack((600 + t_s / 10, wall), 1)))
        writer.add_event(firing, start + 60_000_000, "note", {"kind": "wood", "text": "<b>"}, "someone")
        writer.add_event(firing, start + 61_000_000, "clock", {"what": "set"})
        writer.pack(firing)
    return firing


def cells(grid: dict[str, Any], column: int) -> np.ndarray:
    return np.frombuffer(base64.b64decode(grid["columns"][column]["cells"]), "<i2")


def test_every_second_is_there(client: TestClient, burnt: str) -> None:
    told = client.get(f"/api/replay/{burnt}").json()
    assert told["firing"] | {"title": "Four jars", "length_s": 299.0, "invented": True} == told["firing"]
    assert [p["zone"] for p in told["probes"]] == ["under", "upper"]
    grid = told["grid"]
    assert (grid["step_s"], grid["from_s"], grid["n"]) == (1, -0.4, 300)
    np.testing.assert_array_equal(cells(grid, 0), np.rint((600 + np.arange(300) / 10) * 10))
    wall = cells(grid, 1)
    assert (wall[100:130] == grid["none"] + Status.OPEN).all()
    assert (wall[:100] == np.rint((20 + 2.5 * np.arange(100)) * 10)).all()
    assert [column["every_s"] for column in grid["columns"]] == [1, 1]
    assert [(e["t"], e["kind"]) for e in told["events"]] == [(60.0, "note")]
    line = told["traces"][1]
    assert len(line["t"]) == len(line["c"])
    assert None in line["c"]


def test_what_the_pots_were_estimated_at_comes_as_it_was_kept(
    client: TestClient, burnt: str, path: Path
) -> None:
    assert client.get(f"/api/replay/{burnt}").json()["estimates"] == {}
    with contextlib.closing(JournalWriter(path)) as writer:
        for n in range(5):
            kept = {"upper": (300.2 + n, 280.4, 320.6, "probes")}
            writer.add_estimate(burnt, START_US + 400_000 + n * 10_000_000, kept)
    assert client.get(f"/api/replay/{burnt}").json()["estimates"] == {
        "upper": {
            "t": [0.0, 10.0, 20.0, 30.0, 40.0],
            "c": [300, 301, 302, 303, 304],
            "lo": [280] * 5,
            "hi": [321] * 5,
        }
    }


def test_a_slow_rig_is_told_from_a_silent_one(client: TestClient, path: Path) -> None:
    fire = SmallFire(path, k=1, hz=0.2)
    fire.light()
    fire.burn(20)
    fire.writer.finish_firing(fire.id, START_US + 100_000_000)
    fire.writer.close()
    grid = client.get(f"/api/replay/{fire.id}").json()["grid"]
    assert grid["columns"][0]["every_s"] == 5
    assert (cells(grid, 0) == grid["none"] + Status.ABSENT).sum() == 4 * 19


def test_longer_than_a_day(client: TestClient, path: Path) -> None:
    with contextlib.closing(JournalWriter(path)) as writer:
        firing = writer.open_firing("Long", None, START_US, ended_us=START_US + 90_000_000_000).id
        writer.append(firing, make_batch([START_US, START_US + 90_000_000_000], [[20], [30]], names=["k0"]))
    grid = client.get(f"/api/replay/{firing}").json()["grid"]
    assert (grid["step_s"], grid["n"]) == (10, 9001)
    assert cells(grid, 0)[[0, -1]].tolist() == [200, 300]


def test_judged_as_a_rehearsal_does_and_again_by_other_settings(
    client: TestClient, path: Path, burnt: str
) -> None:
    told = client.post(f"/api/replay/{burnt}/judge", json={}).json()
    with contextlib.closing(JournalReader(path)) as reader:
        expected = rehearse(reader, reader.firing(burnt))
    moments = told.pop("moments")
    assert told == expected
    assert moments["zones"][1]["peak_c"][-1] == told["zones"][1]["peak_c"]
    assert "over_temperature" not in {alarm["rule"] for alarm in told["alarms"]}
    alarms = {"over_temperature": {"limit_c": 500.0, "for_s": 5}, "probe_fault": {"enabled": False}}
    again = client.post(f"/api/replay/{burnt}/judge", json={"alarms": alarms}).json()
    assert "over_temperature" in {alarm["rule"] for alarm in again["alarms"]}
    assert "probe_fault" not in {alarm["rule"] for alarm in again["alarms"]}


def test_a_judgement_is_made_once(client: TestClient, burnt: str, monkeypatch: pytest.MonkeyPatch) -> None:
    first = client.post(f"/api/replay/{burnt}/judge", json={}).json()

    async def never(*_: object) -> None:
        raise AssertionError("judged again")

    monkeypatch.setattr("dashboard.apart._run", never)
    assert client.post(f"/api/replay/{burnt}/judge", json={}).json() == first


@pytest.mark.parametrize(
    ("alarms", "field"),
    [
        ({"coal_collapse": {"drop_c": 1}}, "coal_collapse.drop_c"),
        ({"coal_collapse": {"drop_c": True}}, "coal_collapse.drop_c"),
        ({"coal_collapse": {"enabled": 1.0}}, "coal_collapse.enabled"),
        ({"coal_collapse": {"made_up": 1}}, "coal_collapse.made_up"),
        ({"made_up": {}}, "made_up"),
    ],
)
def test_settings_that_are_none_are_refused_beside_their_field(
    client: TestClient, burnt: str, alarms: dict[str, Any], field: str
) -> None:
    refused = client.post(f"/api/replay/{burnt}/judge", json={"alarms": alarms})
    assert refused.status_code == 422
    assert refused.json()["field"] == field


def test_no_such_firing(client: TestClient, burnt: str) -> None:
    for refused in (client.get("/api/replay/none"), client.post("/api/replay/none/judge", json={})):
        assert refused.status_code == 422
        assert "none: no such firing" in refused.json()["error"]


def test_without_a_plan_and_without_readings(client: TestClient, path: Path) -> None:
    with contextlib.closing(JournalWriter(path)) as writer:
        firing = writer.open_firing("Nothing yet", None, START_US).id
    assert client.get(f"/api/replay/{firing}").json()["probes"] == []
    alarms = {"over_temperature": {"limit_c": 500.0}}
    told = client.post(f"/api/replay/{firing}/judge", json={"alarms": alarms}).json()
    assert (told["zones"], told["moments"]["t_s"]) == ([], [])
