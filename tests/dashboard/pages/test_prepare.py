"""Preparing: plans in and out, errors beside their fields, rehearsal, rig, cold check, arming."""

from __future__ import annotations

import base64
import contextlib
import json
import re
import time
from pathlib import Path
from typing import Any

import pytest
from answering import logger_that_answers, somebody
from calling import Browser, text_of
from fastapi.testclient import TestClient

from dashboard.app import create_app
from dashboard.figures.stack import spots_of
from dashboard.pages import prepare_alarms, prepare_probes, prepare_ready
from dashboard.parts.plan_form import alarm_fields, places_of
from dashboard.parts.readiness import UNPROVEN, Ready, finding
from dashboard.preparing.planning import draft_of, problems, read_document, to_document, with_fields
from dashboard.preparing.rig_look import look_at_rig
from dashboard.security.door import Door
from dashboard.security.operators import Operators
from logger.conversion.assembler import Assembler
from logger.errors import UserError
from logger.home import Home
from logger.journal.reader import JournalReader
from logger.journal.writer import JournalWriter
from logger.judgement.limits import limits
from logger.plan import Plan, Probe, default_alarms, loads
from logger.plan import library as plans
from logger.plan.alarm_rules import RULES
from logger.replay.judging import rehearse
from logger.rig_line.wire import decode
from logger.simulator import simulate
from logger.simulator.demo import demo_scenario
from tests.cold_frames import ColdFrames
from tests.invented_firings import batch_of

PLAN = Plan(
    title="Six jars, invented",
    target_c=700.0,
    probes=(
        Probe("coals", "k0", height_cm=0.0, reads="coals", zone="under", tolerance_class=1),
        Probe("top", "k5", zone="upper", correction=((20.5, 20.0),)),
    ),
    alarms={**default_alarms(), "spread_too_wide": {"enabled": False, "spread_c": 300.0, "for_s": 300.0}},
)


def draft(plan: Plan | dict[str, Any] = PLAN, name: str = "") -> dict[str, Any]:
    """A plan as a browser keeps it, through JSON."""
    doc = to_document(plan) if isinstance(plan, Plan) else plan
    return dict(json.loads(json.dumps({"doc": doc, "name": name})))


def set_up_rig(path: Path, *, seconds: int = 150, **faults: Any) -> str:
    """A firing without a plan: a cold rig whose tips have been warmed until this moment."""
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
        writer.append(firing, batch_of(made, 10**15))
    finally:
        writer.close()
    return firing


def type_in(doc: dict[str, Any], *fields: tuple[str, str, str]) -> dict[str, Any]:
    """Type into fields, given as (path, kind, text)."""
    ids = [{"path": path, "as": kind} for path, kind, _ in fields]
    return with_fields(doc, ids, [text for *_, text in fields])


def test_a_plan_goes_to_the_page_and_back_unchanged() -> None:
    doc = to_document(PLAN)
    assert read_document(doc) == PLAN
    assert set(doc["alarm"]) == set(RULES)
    doc["probe"][1]["height_cm"] = None
    assert read_document(doc) == PLAN


def test_every_setting_is_in_the_form_with_unit_range_default_and_a_sentence() -> None:
    said = json.dumps(
        [part.to_plotly_json() for part in alarm_fields(to_document(PLAN), "C", {})], default=_plain
    )
    for rule in RULES.values():
        assert rule.title in said
        for s in rule.settings:
            assert json.dumps(s.doc.rstrip("."))[1:-1] in said
            assert (
                f"{s.minimum:g} to {s.maximum:g} {s.unit}".rstrip() + f", usually {s.default:g}"
                in said.replace("\\u00b0", "°")
            )


def _plain(component: Any) -> Any:
    return component.to_plotly_json()


@pytest.mark.parametrize(
    ("path", "kept", "shown"),
    [
        ("target_c", 780.0, "1436"),
        ("alarm.over_temperature.limit_c", 900.0, "1652"),
        ("alarm.coal_collapse.drop_c", 60.0, "108"),  # a difference: the 32 °F don't apply to it
        ("alarm.heating_too_fast.rate_c_per_min", 5.0, "9"),
        ("soak_min", 10.0, "10"),
        ("probe.0.height_cm", 12.5, "12.5"),
    ],
)
def test_fahrenheit_is_computed_and_differences_are_differences(path: str, kept: float, shown: str) -> None:
    from dashboard.preparing.planning import kind_of, typed, written

    kind = kind_of(path, "F")
    assert written(kept, kind) == shown
    assert typed(shown, kind) == pytest.approx(kept)
    assert written(kept, kind_of(path, "C")) == f"{kept:g}"


def test_what_is_typed_goes_into_the_plan_and_what_is_the_same_changes_nothing() -> None:
    doc = to_document(PLAN)
    doc["target_c"] = 701.23456
    same = [("target_c", "F", "1294.22"), ("title", "text", PLAN.title)]
    assert type_in(doc, *same) == doc
    new = type_in(doc, ("probe.1.height_cm", "number", "12,5"), ("estimate.wall_mm", "number", "6"))
    assert (new["probe"][1]["height_cm"], new["estimate"]) == (12.5, {"wall_mm": 6.0})
    assert "estimate" not in type_in(new, ("estimate.wall_mm", "number", ""))
    zones = {"zones": ["upper"]}
    both = type_in({**doc, "estimate": zones}, ("estimate.wall_mm", "number", "6"))
    assert both["estimate"] == {**zones, "wall_mm": 6.0}
    assert type_in(both, ("estimate.wall_mm", "number", ""))["estimate"] == zones
    assert type_in(new, ("probe.1.height_cm", "number", ""))["probe"][1]["height_cm"] is None
    for path in ("probe.9.name", "__class__", "alarm.coal_collapse.made_up", "probe.x.name", "source.0.port"):
        assert type_in(doc, (path, "text", "x")) == doc


@pytest.mark.parametrize(
    "nonsense", [None, 7, [], {}, {"doc": []}, {"doc": {"alarm": {}}}, {"doc": {"probe": 3}}]
)
def test_nonsense_is_no_draft(nonsense: Any) -> None:
    assert draft_of(nonsense) is None


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
    labels = {p["field"]: p["label"] for p in problems(doc)}
    assert labels["target_c"] == "Target"
    assert labels["probe.1.height_cm"] == "Probe top, height above the coals"
    assert str(labels["alarm.coal_collapse.drop_c"]).startswith(RULES["coal_collapse"].title)
    fahrenheit = {p["field"]: p["text"] for p in problems(doc, "F")}
    assert fahrenheit["target_c"] == "9032 is out of range; give a number from 212 to 2552 °F"
    assert fahrenheit["alarm.coal_collapse.drop_c"] == "1.8 is out of range; give a number from 36 to 540 °F"


def test_what_shows_in_the_whole_plan_alone_is_found_too() -> None:
    doc = to_document(PLAN)
    doc["burnout_c"] = 750
    assert [p["field"] for p in problems(doc)] == ["burnout_c"]
    doc = to_document(PLAN)
    doc["probe"][1]["name"] = "Coals"
    assert [p["field"] for p in problems(doc)] == ["probe.1.name"]
    assert problems(to_document(PLAN)) == []
    assert [p["field"] for p in problems({"probe": 3, "alarm": 4})] == ["alarm", "probe"]


def test_names_given_twice_are_said_each() -> None:
    doc = to_document(PLAN)
    doc["probe"] = [
        {"name": n, "channel": c} for n, c in (("a", "k0"), ("A", "k1"), ("b", "k0"), ("B", "k3"))
    ]
    doc["target_c"] = "hot"
    assert {p["field"] for p in problems(doc)} == {
        "target_c",
        "probe.1.name",
        "probe.2.channel",
        "probe.3.name",
    }


def test_sources_are_refused_by_their_field() -> None:
    doc = to_document(PLAN)
    doc["source"] = [
        {"format": "lines", "port": "/dev/ttyX"},
        {
            "format": "modbus",
            "url": "tcp://h",
            "channel": [{"name": "a"}, {"name": "b", "register": 1, "scale": 0}],
        },
    ]
    assert [p["field"] for p in problems(doc)] == ["source.1.channel.0.register", "source.1.channel.1.scale"]


def save(browser: Browser, kept: dict[str, Any], button: str = "prepare-save") -> dict[str, Any]:
    values = {"prepare-plan.data": kept, "prepare-turn.data": 1, f"{button}.n_clicks": 1}
    return browser.call("prepare-replace.hidden", values, triggered=f"{button}.n_clicks")


def said(answer: dict[str, Any]) -> str:
    return str(answer["prepare-plan-said"]["children"])


def pressed(
    browser: Browser, output: str, kind: str, name: str, values: Any = None, **more: Any
) -> dict[str, Any]:
    one = {"name": name, **more, "type": kind}
    every = {key: kind if key == "type" else ["ALL"] for key in one}
    many = {json.dumps(every, separators=(",", ":"), sort_keys=True): [(one, 1)]}
    triggered = json.dumps(one, separators=(",", ":"), sort_keys=True) + ".n_clicks"
    return browser.call(output, values or {}, triggered=triggered, many=many)


def test_plans_are_kept_listed_opened_exported_and_removed(browser: Browser, tmp_path: Path) -> None:
    told = save(browser, draft())
    assert renamed(told) == "six-jars-invented"
    assert plans.load_plan(tmp_path, "six-jars-invented") == PLAN
    shown = browser.call(
        "prepare-plans.children", {"prepare-plan.data": draft()}, triggered="prepare-turn.data"
    )
    assert "six-jars-invented · 2 probes · 700°C" in text_of(shown["prepare-plans"]["children"])
    opened = pressed(browser, "prepare-plan.data", "prepare-open", "six-jars-invented")
    assert read_document(opened["prepare-plan"]["data"]["doc"]) == PLAN
    again = save(browser, draft())
    assert "already" in said(again)
    assert again["prepare-replace"]["hidden"] is False
    assert "Saved" in said(save(browser, draft(), "prepare-replace"))
    own = save(browser, draft(name="six-jars-invented"))  # the one that was opened: saved over
    assert "Saved" in said(own)
    file = browser.call(
        "prepare-file.data", {"prepare-plan.data": draft()}, triggered="prepare-export.n_clicks"
    )
    assert file["prepare-file"]["data"]["filename"] == "six-jars-invented.toml"
    assert loads(file["prepare-file"]["data"]["content"]) == PLAN
    assert (
        read_document(upload(browser, file["prepare-file"]["data"]["content"])["prepare-plan"]["data"]["doc"])
        == PLAN
    )
    kept = {"prepare-plan.data": draft(name="six-jars-invented")}
    asked = pressed(browser, "prepare-plan.data", "prepare-remove", "six-jars-invented", kept, sure=False)
    assert asked == {"prepare-sure": {"data": "six-jars-invented"}}
    assert len(plans.list_plans(tmp_path)) == 1
    gone = pressed(browser, "prepare-plan.data", "prepare-remove", "six-jars-invented", kept, sure=True)
    assert renamed(gone) == ""
    assert plans.list_plans(tmp_path) == []


def renamed(answer: dict[str, Any]) -> str:
    """Only the name changes: what was typed meanwhile stays."""
    [operation] = answer["prepare-plan"]["data"]["operations"]
    assert operation["location"] == ["name"]
    return str(operation["params"]["value"])


def upload(browser: Browser, text: str) -> dict[str, Any]:
    sent = "data:application/toml;base64," + base64.b64encode(text.encode()).decode()
    values = {"prepare-upload.contents": sent, "prepare-upload.filename": "a.toml"}
    return browser.call("prepare-plan.data", values, triggered="prepare-upload.contents")


def test_a_wrong_plan_is_refused_and_not_kept(browser: Browser, tmp_path: Path) -> None:
    doc = to_document(PLAN)
    doc["alarm"]["coal_collapse"]["drop_c"] = 1
    assert said(save(browser, draft(doc))) == "Something in the plan is wrong; fix that first."
    assert not (tmp_path / "plans").exists()
    told = browser.call(
        "prepare-checked.data", {"prepare-plan.data": draft(doc)}, triggered="prepare-plan.data", many=FIELD
    )
    assert told["prepare-checked"]["data"]["toml"] is None
    assert "something in the plan is wrong" in text_of(
        told["prepare-limits"]["children"]
    )  # not: nothing is missing
    [error] = [v["error"] for k, v in told.items() if "prepare-field" in k]
    assert error == "1 is out of range; give a number from 20 to 300 °C"
    armed = browser.call(
        "prepare-onward.href", {"prepare-plan.data": draft(doc)}, triggered="prepare-arm.n_clicks"
    )
    assert "1 is out of range" in armed["prepare-arm-said"]["children"]
    mended = browser.call(
        "prepare-checked.data", {"prepare-plan.data": draft()}, triggered="prepare-plan.data", many=FIELD
    )
    assert [v["error"] for k, v in mended.items() if "prepare-field" in k] == [""]  # none is stale
    assert loads(mended["prepare-checked"]["data"]["toml"]) == PLAN
    assert limits(PLAN)
    assert text_of(mended["prepare-arm-limits"]["children"]) == " ".join(limits(PLAN))


FIELD = {
    '{"as":["ALL"],"path":["ALL"],"type":"prepare-field"}': [
        ({"type": "prepare-field", "path": "alarm.coal_collapse.drop_c", "as": "number"}, "1")
    ]
}


@pytest.mark.parametrize("name", ["../../etc/passwd", "A", "a.b", "\0"])
def test_no_name_reaches_another_path(browser: Browser, name: str) -> None:
    kept = {"prepare-plan.data": draft()}
    for kind, more in (("prepare-open", {}), ("prepare-remove", {"sure": True})):
        told = pressed(browser, "prepare-plan.data", kind, name, kept, **more)
        assert "prepare-plan" not in told or not told["prepare-plan"]
        assert "root:" not in json.dumps(told)


def test_a_file_that_is_no_plan_is_refused_with_its_line(browser: Browser) -> None:
    assert "line 2: target_c" in said(upload(browser, "title = 'x'\ntarget_c = 'hot'\n"))
    assert "too large" in said(upload(browser, "#" * 200_001))
    values = {"prepare-upload.contents": "data:,!", "prepare-upload.filename": "a.toml"}
    assert "isn't UTF-8 text" in said(
        browser.call("prepare-plan.data", values, triggered="prepare-upload.contents")
    )


def test_only_an_operator_changes_anything(path: Path) -> None:
    app = create_app(path, door=Door(Operators(path.parent), secure=False))
    before = sorted(p.name for p in path.parent.iterdir())
    with TestClient(app.server, base_url="http://127.0.0.1") as client:
        browser = Browser(client, app)
        assert save(browser, draft()) == {"pin-dialog": {"opened": True}}
        kept = {"prepare-plan.data": draft()}
        assert pressed(browser, "prepare-plan.data", "prepare-remove", "x", kept, sure=True) == {
            "pin-dialog": {"opened": True}
        }
        assert kit(browser, "prepare-kit-none", [("Tongs", True)]) != {
            "pin-dialog": {"opened": True}
        }  # nothing changed
        assert kit(browser, "prepare-kit-add", [], "Soup") == {"pin-dialog": {"opened": True}}
        for output in (
            "prepare-onward.href",
            "prepare-beacon-said",
            "prepare-hear-poll.disabled...prepare-hear-stop.hidden...prepare-heard-said.children...prepare-found-keys",
        ):
            told = browser.call(output, kept, triggered="prepare-arm.n_clicks", many={})
            assert told == {"pin-dialog": {"opened": True}}, output
    assert sorted(p.name for p in path.parent.iterdir()) == before


def kit(browser: Browser, button: str, ticks: list[tuple[str, bool]], new: str = "") -> dict[str, Any]:
    many = {
        '{"item":["ALL"],"type":"prepare-kit-tick"}': [
            ({"type": "prepare-kit-tick", "item": i}, v) for i, v in ticks
        ],
        '{"item":["ALL"],"type":"prepare-kit-off"}': [],
    }
    values = {"prepare-kit-new.value": new, f"{button}.n_clicks": 1}
    return browser.call("prepare-kit-new.value", values, triggered=f"{button}.n_clicks", many=many)


def test_the_packing_list(browser: Browser, tmp_path: Path) -> None:
    plans.write_kit(tmp_path, [("rake", True), ("water", False)])
    told = kit(browser, "prepare-kit-add", [("rake", True), ("water", True)], "Soup")
    assert told["prepare-kit"]["data"] == [["rake", True], ["water", True], ["Soup", False]]
    assert plans.read_kit(tmp_path) == [("rake", True), ("water", True), ("Soup", False)]
    refused = kit(browser, "prepare-kit-add", [], "x" * 200)
    assert "Longer than 120" in refused["prepare-kit-new"]["error"]
    assert kit(browser, "prepare-kit-none", [])["prepare-kit"]["data"][0] == ["rake", False]
    assert kit(browser, "prepare-kit-none", []) == {}  # nothing to change


@pytest.mark.slow
def test_an_earlier_firings_plan_is_copied_and_rehearsed_on(browser: Browser, path: Path) -> None:
    firing = stored_firing(path)
    told = _copy(browser, firing)
    doc = told["prepare-plan"]["data"]["doc"]
    assert len(doc["probe"]) == 4
    strict, loose = to_document(PLAN), to_document(PLAN)  # its probes are different: only its settings count
    strict["alarm"]["over_temperature"].update(limit_c=300, for_s=5)
    loose["alarm"]["over_temperature"]["enabled"] = False

    def hot(plan: dict[str, Any]) -> list[dict[str, Any]]:
        told = rehearsed(browser, firing, read_document(plan).dumps())
        return [a for a in told["prepare-rehearsed"]["data"]["alarms"] if a["rule"] == "over_temperature"]

    found = hot(strict)
    assert found
    assert not hot(loose)
    with contextlib.closing(JournalReader(path)) as reader:
        info = reader.firing(firing)
        own = rehearse(reader, info, prepare_alarms.tried_on(read_document(strict), info))
    assert found == [a for a in json.loads(json.dumps(own["alarms"])) if a["rule"] == "over_temperature"]
    shown = browser.call(
        "prepare-rehearsal.figure",
        {
            "prepare-on-firing.value": firing,
            "unit.data": "C",
            "prepare-rehearsed.data": {"firing": firing, "alarms": found, "stages": [], "toml": PLAN.dumps()},
        },
        triggered="prepare-rehearsed.data",
    )
    assert RULES["over_temperature"].title in text_of(shown["prepare-calls"]["children"])
    lines = [t for t in shown["prepare-rehearsal"]["figure"]["data"] if "probe" in (t.get("meta") or {})]
    assert [t["meta"]["probe"] for t in lines] == [p["name"] for p in doc["probe"]]


def _copy(browser: Browser, firing: str) -> dict[str, Any]:
    return browser.call("", {"prepare-from.value": firing}, triggered="prepare-from-copy.n_clicks")


def rehearsed(browser: Browser, firing: str, toml: str) -> dict[str, Any]:
    return browser.follow("prepare", {"prepare-wish.data": {"firing": firing, "toml": toml}})


def test_without_a_journal_the_page_opens_and_says_that_no_logger_runs(browser: Browser, path: Path) -> None:
    told = _begin(browser)
    assert told["prepare-plan"]["data"]["doc"]["probe"] == []
    assert look_at_rig(path.parent, path) == {
        "state": "no_logger",
        "firing": None,
        "channels": [],
        "beacons": {},
    }
    looked = browser.call(
        "prepare-rig.data", {"prepare-step.value": "probes"}, triggered="prepare-look.n_intervals"
    )
    assert "The logger isn't running" in looked["prepare-rig-said"]["children"]
    begun = _begin(browser, draft())
    assert "prepare-plan" not in begun, "a draft outlives a reload"
    assert begun["prepare-turn"] == {"data": 1}


def _begin(browser: Browser, kept: Any = None) -> dict[str, Any]:
    values = {"prepare-plan.data": kept, "prepare-turn.data": 0}
    return browser.call("", values, triggered="prepare-plan.modified_timestamp")


def test_the_rig_channel_by_channel(browser: Browser, path: Path, tmp_path: Path) -> None:
    firing = set_up_rig(path, swapped=["k5"])
    with Home(tmp_path).logger_lock():
        told = look_at_rig(tmp_path, path)
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
    assert look_at_rig(tmp_path, path)["state"] == "no_logger"
    plan = _begin(browser)["prepare-plan"]["data"]["doc"]
    assert [p["channel"] for p in plan["probe"]] == list(by_name)
    empty = {"prepare-plan.data": draft({**plan, "probe": []})}
    more = browser.call("prepare-rig.data", empty, triggered="prepare-look.n_intervals")
    assert "k0, k1" in more["prepare-more-said"]["children"]
    all_ = browser.call("", empty, triggered="prepare-more.n_clicks")["prepare-plan"]["data"]["doc"]["probe"]
    assert [(p["channel"], p["reads"], p["type"]) for p in all_[-2:]] == [
        ("k6", "air", "K"),
        ("ir0", "surface", ""),
    ]


def test_a_probe_is_named_also_when_it_has_just_come_to_rest(
    browser: Browser, path: Path, tmp_path: Path
) -> None:
    set_up_rig(path)
    plan = _begin(browser)["prepare-plan"]["data"]["doc"]
    assert not any(c["moving"] for c in look_at_rig(tmp_path, path)["channels"] if c["channel"] == "k3")
    values = {"prepare-plan.data": draft(plan), "prepare-in-hand.data": "sim1 k3"}
    told = browser.call("", values, triggered="prepare-name-it.n_clicks")
    assert told["prepare-selected"]["data"] == [p["channel"] for p in plan["probe"]].index("k3")


def test_forms_are_made_again_together(browser: Browser) -> None:
    """Fields of an older draft next to new ones would be written back into it."""
    doc = draft()["doc"]
    doc["probe"][0]["height_cm"] = 41.5
    values = {"prepare-plan.data": draft(doc), "prepare-selected.data": 0, "prepare-turn.data": 3}
    made = browser.call("prepare-plan-form.children", values, triggered="prepare-turn.data")
    assert {"prepare-plan-form", "prepare-alarm-form", "prepare-editor"} <= set(made)
    assert "41.5" in str(made["prepare-editor"])
    chosen = browser.call("prepare-plan-form.children", values, triggered="prepare-selected.data")
    assert set(chosen) == {"prepare-editor"}, "what is typed elsewhere stays"


def test_forms_come_with_the_draft_and_the_alarms_where_they_are_seen(browser: Browser) -> None:
    """A busy tablet takes seconds for each answer, and for each form that nobody looks at."""
    begun = _begin(browser, draft())
    assert draft()["doc"]["title"] in str(begun["prepare-plan-form"])
    assert begun["prepare-alarm-form"] == {"children": []}
    values = {"prepare-plan.data": draft(), "prepare-turn.data": 1, "prepare-step.value": "alarms"}
    name = "prepare-plan-form.children"
    made = browser.call(name, values, triggered="prepare-step.value")
    assert set(made) == {"prepare-alarm-form"}
    assert "alarm.coal_collapse.drop_c" in str(made)
    there = {'{"rule":["ALL"],"type":"prepare-on"}': [({"rule": "too_hot", "type": "prepare-on"}, None)]}
    assert not browser.call(name, values, triggered="prepare-step.value", many=there), "one may be typing"
    assert not browser.call(name, values, triggered="prepare-turn.data"), "not a second time"
    assert not browser.call(name, values | {"prepare-step.value": "pack"}, triggered="prepare-step.value")


def test_after_the_end_of_a_firing_the_rig_has_to_be_woken(
    browser: Browser, path: Path, tmp_path: Path
) -> None:
    writer = JournalWriter(path)
    try:
        with Home(tmp_path).logger_lock():
            writer.heartbeat({"at_us": 0, "wall_s": 0.0, "holding": False})
            assert look_at_rig(tmp_path, path)["state"] == "waiting"
            writer.heartbeat({"at_us": 0, "wall_s": 0.0, "holding": True, "beacons": {"sim1": "quiet"}})
            told = look_at_rig(tmp_path, path)
            page = browser.call("prepare-rig.data", {}, triggered="prepare-look.n_intervals")
            assert page["prepare-wake"]["hidden"] is False
    finally:
        writer.close()
    assert (told["state"], told["beacons"]) == ("holding", {"sim1": "quiet"})


def test_the_cold_check_reads_what_the_logger_keeps(path: Path) -> None:
    with somebody(path):
        with pytest.raises(UserError, match="no readings are coming in"):
            prepare_ready.check_rig(to_document(PLAN))
        set_up_rig(path, off_c={"k3": 14.0})
        with contextlib.closing(JournalReader(path)) as reader:
            running = reader.running()
        assert running
        doc = to_document(Plan(probes=running.plan.probes))
        report = prepare_ready.check_rig(doc)
        assert not report["fit"]
        failing = [(f["what"], f["where"]) for f in report["findings"] if f["level"] == "fail"]
        assert failing == [("agreement", "k3")]
        missing = prepare_ready.check_rig({"probe": [{"name": "back", "channel": "k9"}]})
        assert ("channels", "back") in {
            (f["what"], f["where"]) for f in missing["findings"] if f["level"] == "fail"
        }
    rig = {"state": "live", "firing": None}
    known = Ready(doc, [], rig, report, [])
    assert known.never() == []
    [(in_c, _)], [(in_f, _)] = known.advice(), known.advice("F")
    (at_c, off_c), (at_f, off_f) = (map(float, re.findall(r"(\d+\.\d) °", text)) for text in (in_c, in_f))
    assert (at_f, off_f) == pytest.approx((at_c * 1.8 + 32.0, off_c * 1.8), abs=0.15)  # of rounded values
    assert in_f == in_c.replace("°C", "°F").replace(f"{at_c}", f"{at_f}").replace(f"{off_c}", f"{off_f}")
    assert " °C" not in text_of([finding(f, "F") for f in report["findings"]])


def test_arming_asks_the_logger_and_forgets_the_draft(browser: Browser, path: Path) -> None:
    JournalWriter(path).close()
    with logger_that_answers(path, {"ok": True}) as seen:
        told = browser.call(
            "prepare-onward.href", {"prepare-plan.data": draft()}, triggered="prepare-arm.n_clicks"
        )
    assert told["prepare-onward"]["href"] == "/"
    assert told["prepare-plan"]["data"] is None
    [(kind, data, _)] = seen
    assert (kind, loads(data["plan_toml"]), data.get("replace") or None) == ("arm", PLAN, None)


def test_a_firing_under_a_plan_ends_only_when_that_is_said(browser: Browser, path: Path) -> None:
    with contextlib.closing(JournalWriter(path)) as writer:
        running = writer.open_firing("Burning, invented", PLAN.dumps(), 10**15, invented=True).id
    values = {"prepare-plan.data": draft()}
    told = browser.call("prepare-onward.href", values, triggered="prepare-arm.n_clicks")
    assert "First tick “End it now”" in told["prepare-arm-said"]["children"]
    with logger_that_answers(path, {"ok": True}) as seen:
        browser.call(
            "prepare-onward.href",
            {**values, "prepare-ending.checked": True},
            triggered="prepare-arm.n_clicks",
        )
    assert seen[0][1]["replace"] == running


def test_a_probe_is_dragged_to_its_place(browser: Browser) -> None:
    doc = to_document(PLAN)
    doc["probe"][1]["height_cm"] = None  # has no place, so its number is not in the drawing
    doc["probe"].append(
        {"name": "side", "channel": "k6", "height_cm": 20, "side": "centre", "reads": "air", "zone": "z"}
    )
    assert [s is None for s in spots_of(places_of(doc))] == [False, True, False]
    values = {
        "prepare-plan.data": draft(doc),
        "prepare-stack.relayoutData": {"annotations[1].y": 41.6, "annotations[1].x": -0.8},
    }
    told = browser.call("", values, triggered="prepare-stack.relayoutData")
    moved = told["prepare-plan"]["data"]["doc"]["probe"]
    assert (moved[2]["height_cm"], moved[2]["side"]) == (42.0, "windward")
    assert moved[:2] == json.loads(json.dumps(doc["probe"][:2]))


def test_a_source_in_the_plan_is_said_to_prove_nothing() -> None:
    doc = to_document(PLAN) | {"source": [{"format": "lines", "port": "/dev/ttyX"}]}
    facts = dict(Ready(doc, [], None, None, []).facts("C"))
    assert UNPROVEN in facts["Sources"]
    assert "No proof of order or integrity" in UNPROVEN
    assert (
        prepare_probes.channel_of({"name": "a", "channel": "k1", "rig": "b"}, [{"rig": "a", "channel": "k1"}])
        is None
    )
