"""The prepare room's endpoints: plans in and out, refusals beside their fields, rehearsal, rig, cold check."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from fastapi import FastAPI, HTTPException
from fastapi.testclient import TestClient
from starlette.requests import Request

from dashboard.app import create_app
from dashboard.context import Context
from dashboard.pages import prepare
from dashboard.pages.prepare import problems, read_document, to_document
from logger.conversion.assembler import Assembler
from logger.home import Home
from logger.journal.writer import JournalWriter
from logger.plan import Plan, Probe, default_alarms
from logger.plan import library as plans
from logger.plan.alarm_rules import RULES
from logger.reading import Batch, Channel
from logger.rig_line.wire import decode
from logger.simulator import simulate
from logger.simulator.cold import ColdFrames
from logger.simulator.demo_fire import demo_scenario

PLAN = Plan(
    title="Six jars, invented",
    target_c=700.0,
    probes=(
        Probe("coals", "k0", height_cm=0.0, reads="coals", zone="under", tolerance_class=1),
        Probe("top", "k5", zone="upper", correction=((20.5, 20.0),)),
    ),
    alarms={**default_alarms(), "spread_too_wide": {"enabled": False, "spread_c": 300.0, "for_s": 300.0}},
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "journal.sqlite"


@pytest.fixture
def client(path: Path) -> TestClient:
    return TestClient(create_app(path).server, base_url="http://127.0.0.1")


def ok(response: Any) -> Any:
    assert response.status_code == 200, response.text
    return response.json()


def set_up_rig(path: Path, *, seconds: int = 150, **faults: Any) -> str:
    """A firing without a plan: a cold rig whose tips were warmed, until this moment."""
    rig = ColdFrames(demo_scenario(), 4, "sim1", **faults)
    begin_us = round((time.time() - seconds) * 1e6)
    frames = [(decode(rig.line(i)), begin_us + i * 250_000) for i in range(seconds * 4)]
    writer = JournalWriter(path)
    try:
        firing = writer.open_firing("Setting up, invented", None, begin_us, invented=True).id
        for batch in Assembler(None).take(frames):
            writer.append(firing, batch)
        now_us = round(time.time() * 1e6)
        beat = {
            "at_us": now_us,
            "wall_s": time.time(),
            "time_scale": 1.0,
            "frames": len(frames),
            "holding": False,
        }
        writer.heartbeat(beat)
    finally:
        writer.close()
    return firing


def stored_firing(path: Path) -> str:
    made = simulate(7, rate_hz=1, probes=4)
    writer = JournalWriter(path)
    try:
        firing = writer.open_firing(
            made.plan.title, made.plan.dumps(), 10**15, ended_us=10**15 + 10**10, invented=True
        ).id
        values = made.temperature_c
        nothing = np.full_like(values, np.nan)
        writer.append(
            firing,
            Batch(
                rig="a1",
                channels=tuple(Channel(p.channel, "celsius") for p in made.plan.probes),
                t_us=10**15 + np.round(made.t_s * 1e6).astype(np.int64),
                seq=np.arange(len(values)),
                ms=np.round(made.t_s * 1000).astype(np.int64),
                raw=values,
                raw_cj=nothing,
                temperature_c=values,
                cold_junction_c=nothing,
                status=made.status,
            ),
        )
    finally:
        writer.close()
    return firing


def test_a_plan_goes_to_the_page_and_back_unchanged() -> None:
    doc = to_document(PLAN)
    assert read_document(doc) == PLAN
    assert set(doc["alarm"]) == set(RULES)
    doc["probe"][1]["height_cm"] = None
    assert read_document(doc) == PLAN


def test_every_setting_is_described_with_unit_range_default_and_a_sentence() -> None:
    told = {rule["name"]: rule for rule in prepare.rules()}
    assert list(told) == list(RULES)
    for rule in told.values():
        for setting in rule["settings"]:
            assert setting["minimum"] <= setting["default"] <= setting["maximum"]
            assert setting["unit"]
            assert setting["doc"].endswith(".")
    differences = {s["name"] for rule in told.values() for s in rule["settings"] if s["difference"]}
    assert {"drop_c", "spread_c", "rate_c_per_min"} <= differences
    assert not differences & {"limit_c", "below_c", "above_c", "cold_junction_c"}


def test_all_that_is_wrong_is_said_each_beside_its_field() -> None:
    doc = to_document(PLAN)
    doc["target_c"] = 5000
    doc["alarm"]["coal_collapse"]["drop_c"] = 1
    doc["alarm"]["stalled_zone"]["for_s"] = "soon"
    doc["probe"][1]["height_cm"] = "up"
    found = {p["field"]: p["text"] for p in problems(doc)}
    assert set(found) == {
        "target_c",
        "alarm.coal_collapse.drop_c",
        "alarm.stalled_zone.for_s",
        "probe.1.height_cm",
    }
    assert found["alarm.coal_collapse.drop_c"] == "1 is out of range; give a number from 20 to 300 °C"


def test_what_shows_in_the_whole_plan_alone_is_found_too() -> None:
    doc = to_document(PLAN)
    doc["burnout_c"] = 750
    assert [p["field"] for p in problems(doc)] == ["burnout_c"]
    doc = to_document(PLAN)
    doc["probe"][1]["name"] = "Coals"
    assert [p["field"] for p in problems(doc)] == ["probe.1.name"]
    assert problems(to_document(PLAN)) == []
    assert [p["field"] for p in problems({"probe": 3, "alarm": 4})] == ["probe"]


def test_plans_are_kept_listed_opened_exported_and_removed(client: TestClient, tmp_path: Path) -> None:
    told = ok(client.post("/api/prepare/plans", json={"plan": to_document(PLAN)}))
    assert told["name"] == "six-jars-invented"
    assert [(p["name"], p["title"], p["probes"]) for p in told["plans"]] == [
        ("six-jars-invented", PLAN.title, 2)
    ]
    assert plans.load_plan(tmp_path, "six-jars-invented") == PLAN
    assert read_document(ok(client.get("/api/prepare/plans/six-jars-invented"))["plan"]) == PLAN
    again = client.post("/api/prepare/plans", json={"plan": to_document(PLAN)})
    assert (again.status_code, again.json()["field"]) == (422, "name")
    ok(client.post("/api/prepare/plans", json={"plan": to_document(PLAN), "replace": True}))
    toml = ok(client.post("/api/prepare/problems", json={"plan": to_document(PLAN)}))["toml"]
    assert read_document(ok(client.post("/api/prepare/read", json={"toml": toml}))["plan"]) == PLAN
    assert ok(client.post("/api/prepare/plans/six-jars-invented/remove"))["plans"] == []


def test_a_wrong_plan_is_refused_and_not_kept(client: TestClient, tmp_path: Path) -> None:
    doc = to_document(PLAN)
    doc["alarm"]["coal_collapse"]["drop_c"] = 1
    for where, body in (
        ("plans", {"plan": doc}),
        ("rehearse", {"plan": doc, "firing": "x"}),
        ("check", {"plan": doc}),
    ):
        answer = client.post(f"/api/prepare/{where}", json=body)
        assert answer.status_code == 422
        assert answer.json()["field"] == "alarm.coal_collapse.drop_c"
    assert not (tmp_path / "plans").exists()
    told = ok(client.post("/api/prepare/problems", json={"plan": doc}))
    assert told["toml"] is None


@pytest.mark.parametrize("name", ["..%2f..%2fetc%2fpasswd", "A", "a.b", "%00"])
def test_no_request_reaches_another_path(client: TestClient, name: str) -> None:
    for answer in (
        client.get(f"/api/prepare/plans/{name}"),
        client.post(f"/api/prepare/plans/{name}/remove"),
    ):
        assert answer.status_code in (404, 405, 422)
        assert "root:" not in answer.text


def test_a_file_that_is_no_plan_is_refused_with_its_line(client: TestClient) -> None:
    answer = client.post("/api/prepare/read", json={"toml": "title = 'x'\ntarget_c = 'hot'\n"})
    assert answer.status_code == 422
    assert "line 2: target_c" in answer.json()["error"]
    assert client.post("/api/prepare/read", json={"toml": "#" * 200_001}).status_code == 422


def test_only_an_operator_changes_anything(path: Path) -> None:
    async def nobody(request: Request) -> str:
        raise HTTPException(401, "a PIN is needed")

    app = FastAPI()
    app.include_router(prepare.routes(Context(path, operator=nobody)))
    client = TestClient(app)
    plan = to_document(PLAN)
    changing = (("plans", {"plan": plan}), ("plans/x/remove", {}), ("kit", {"items": []}))
    for where, body in changing:
        assert client.post(f"/api/prepare/{where}", json=body).status_code == 401, where
    assert list(path.parent.iterdir()) == []
    ok(client.get("/api/prepare/start"))
    ok(client.post("/api/prepare/problems", json={"plan": plan}))


def test_the_packing_list(client: TestClient) -> None:
    assert len(ok(client.get("/api/prepare/start"))["kit"]) == len(plans.FIRST_KIT)
    told = ok(client.post("/api/prepare/kit", json={"items": [["rake", True], ["water", False]]}))
    assert told["kit"] == [["rake", True], ["water", False]]
    assert ok(client.get("/api/prepare/start"))["kit"] == told["kit"]
    answer = client.post("/api/prepare/kit", json={"items": [["", True]]})
    assert (answer.status_code, answer.json()["field"]) == (422, "kit")


def test_an_earlier_firings_plan_is_copied_and_rehearsed_on(client: TestClient, path: Path) -> None:
    firing = stored_firing(path)
    doc = ok(client.get(f"/api/prepare/firing/{firing}"))["plan"]
    assert len(doc["probe"]) == 4
    traces = ok(client.get(f"/api/prepare/firing/{firing}/traces"))["traces"]
    assert [t["name"] for t in traces] == [p["name"] for p in doc["probe"]]
    assert all(len(t["t"]) == len(t["c"]) > 100 for t in traces)
    strict, loose = to_document(PLAN), to_document(PLAN)  # its probes are others: only its settings count
    strict["alarm"]["over_temperature"].update(limit_c=300, for_s=5)
    loose["alarm"]["over_temperature"]["enabled"] = False

    def hot(plan: dict[str, Any]) -> list[dict[str, Any]]:
        told = ok(client.post("/api/prepare/rehearse", json={"plan": plan, "firing": firing}))
        assert {z["zone"] for z in told["zones"]} == {p["zone"] for p in doc["probe"]}
        return [a for a in told["alarms"] if a["rule"] == "over_temperature"]

    assert hot(strict)
    assert not hot(loose)
    assert client.get("/api/prepare/firing/none").status_code == 422


def test_without_a_journal_the_room_opens_and_says_that_no_logger_runs(client: TestClient) -> None:
    told = ok(client.get("/api/prepare/start"))
    assert told["plan"]["probe"] == []
    assert told["firings"] == []
    assert ok(client.get("/api/prepare/rig")) == {
        "state": "no_logger",
        "firing": None,
        "channels": [],
        "beacons": {},
    }


def test_the_rig_channel_by_channel(client: TestClient, path: Path, tmp_path: Path) -> None:
    firing = set_up_rig(path, swapped=["k5"])
    with Home(tmp_path).logger_lock():
        told = ok(client.get("/api/prepare/rig"))
    assert told["state"] == "live"
    assert (told["firing"]["id"], told["firing"]["planned"]) == (firing, False)
    by_name = {c["channel"]: c for c in told["channels"]}
    assert list(by_name) == ["k0", "k1", "k2", "k3", "k4", "k5", "k6", "ir0"]
    assert {name: c["tried"] for name, c in by_name.items()} == {
        **dict.fromkeys(("k0", "k1", "k2", "k3", "k4", "k6"), "rose"),
        "k5": "fell",
        "ir0": "",
    }
    assert by_name["k0"]["how"] == "max31855"
    assert by_name["k0"]["c"] == pytest.approx(17, abs=2)
    assert by_name["k0"]["cj"] == pytest.approx(19.5, abs=0.2)
    assert by_name["ir0"]["letter"] is None
    assert ok(client.get("/api/prepare/rig"))["state"] == "no_logger"
    plan = ok(client.get("/api/prepare/start"))["plan"]
    assert [p["channel"] for p in plan["probe"]] == list(by_name)


def test_after_the_end_of_a_firing_the_rig_has_to_be_woken(
    client: TestClient, path: Path, tmp_path: Path
) -> None:
    writer = JournalWriter(path)
    try:
        with Home(tmp_path).logger_lock():
            writer.heartbeat({"at_us": 0, "wall_s": 0.0, "holding": False})
            assert ok(client.get("/api/prepare/rig"))["state"] == "waiting"
            writer.heartbeat({"at_us": 0, "wall_s": 0.0, "holding": True, "beacons": {"sim1": "quiet"}})
            told = ok(client.get("/api/prepare/rig"))
    finally:
        writer.close()
    assert (told["state"], told["beacons"]) == ("holding", {"sim1": "quiet"})


def test_the_cold_check_reads_what_the_logger_keeps(client: TestClient, path: Path) -> None:
    assert client.post("/api/prepare/check", json={"plan": to_document(PLAN)}).status_code == 422
    set_up_rig(path, off_c={"k3": 14.0})
    doc = ok(client.get("/api/prepare/start"))["plan"]
    report = ok(client.post("/api/prepare/check", json={"plan": doc}))
    assert not report["fit"]
    assert [(f["what"], f["where"]) for f in report["findings"] if f["level"] == "fail"] == [
        ("agreement", "k3")
    ]
    missing = ok(
        client.post("/api/prepare/check", json={"plan": {"probe": [{"name": "back", "channel": "k9"}]}})
    )
    assert ("channels", "back") in {
        (f["what"], f["where"]) for f in missing["findings"] if f["level"] == "fail"
    }
