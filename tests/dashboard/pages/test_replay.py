"""The replay: every second of a stored firing, its judgement moment by moment, and by any settings."""

from __future__ import annotations

import asyncio
import base64
import contextlib
import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from calling import Browser, text_of
from firing_fixture import START_US, SmallFire
from page_journal import PLAN, make_batch

from dashboard import tables
from dashboard.figures.model import Band
from dashboard.pages.replay import judged_by
from dashboard.parts import moment
from dashboard.preparing.planning import PlanRefused
from dashboard.stored.replayed import NONE, marks_of, rates, replayed
from dashboard.work.gathering import Gathering
from logger.errors import StokewatchError
from logger.journal.reader import JournalReader
from logger.journal.writer import JournalWriter
from logger.plan import loads
from logger.reading import Status
from logger.replay.judging import rehearse
from logger.replay.moments import judged
from tests.invented_firings import invented_firing

pytestmark = pytest.mark.slow  # whole firings, judged


@pytest.fixture
def burnt(path: Path) -> str:
    """Five minutes at 1 Hz, starting between two seconds; the wall's thermocouple is open for a while."""
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


def told_of(path: Path, firing: str, unit: Any = "C") -> dict[str, Any]:
    with contextlib.closing(JournalReader(path)) as reader:
        return replayed(reader, reader.firing(firing), unit)


def cells(text: str) -> np.ndarray:
    return np.frombuffer(base64.b64decode(text), "<i2")


# --- every second ----------------------------------------------------------------------------------------------


def test_every_second_is_there(path: Path, burnt: str) -> None:
    told = told_of(path, burnt)
    assert (told["length_s"], told["step_s"], told["from_s"], told["steps"]) == (299.0, 1, -0.4, 300)
    coals, wall = (cells(text) for text in told["shown"])
    np.testing.assert_array_equal(coals, np.rint(600 + np.arange(300) / 10))
    assert (wall[100:130] == NONE + Status.OPEN).all()
    assert (wall[:100] == np.rint(20 + 2.5 * np.arange(100))).all()
    assert told["faults"][Status.OPEN] == "no contact"


def test_fahrenheit_is_computed_from_values(path: Path, burnt: str) -> None:
    celsius, fahrenheit = told_of(path, burnt), told_of(path, burnt, "F")
    assert cells(fahrenheit["shown"][0])[0] == 1112  # 600 °C
    assert cells(fahrenheit["shown"][1])[110] == NONE + Status.OPEN
    at = 90
    assert cells(fahrenheit["rates"][1])[at] == pytest.approx(1.8 * cells(celsius["rates"][1])[at], abs=1)


def test_a_slow_rig_is_told_from_a_silent_one(path: Path) -> None:
    """A value stays for two and a half of the rig's usual steps, and is gone after."""
    fire = SmallFire(path, k=1, hz=0.2)
    fire.light()
    fire.burn(20)
    fire.burn(1, skip=10)
    fire.writer.close()
    shown = cells(told_of(path, fire.id)["shown"][0])
    assert (shown[:96] > NONE + 16).all()
    assert (shown[110:145] == NONE + Status.ABSENT).all()
    assert shown[-1] > NONE + 16


def test_longer_than_a_day(path: Path) -> None:
    with contextlib.closing(JournalWriter(path)) as writer:
        firing = writer.open_firing("Long", None, START_US, ended_us=START_US + 90_000_000_000).id
        writer.append(firing, make_batch([START_US, START_US + 90_000_000_000], [[20], [30]], names=["k0"]))
    told = told_of(path, firing)
    assert (told["step_s"], told["steps"]) == (10, 9001)
    assert cells(told["shown"][0])[[0, -1]].tolist() == [20, 30]


def test_rates_are_slopes_of_straight_lines() -> None:
    """Against numpy's own least squares, minute by minute, with gaps."""
    rng = np.random.default_rng(4)
    c = 20 + 0.5 * np.arange(400.0) + rng.normal(0, 2, 400)
    c[rng.random(400) < 0.3] = np.nan
    found = rates(c, 1.0)
    for k in (70, 200, 399):
        window = np.arange(max(0, k - 60), k + 1)
        there = window[np.isfinite(c[window])]
        assert found[k] == pytest.approx(np.polyfit(there, c[there], 1)[0] * 60.0, rel=1e-6)
    assert np.isnan(found[:10]).all()
    assert np.isnan(rates(np.full(5, np.nan), 1.0)).all()


def test_what_the_pots_were_estimated_at_comes_as_it_was_kept(path: Path, burnt: str) -> None:
    with contextlib.closing(JournalReader(path)) as reader:
        info = reader.firing(burnt)
        assert tables.bands(reader, info) == []
        with contextlib.closing(JournalWriter(path)) as writer:
            for n in range(5):
                kept = {"upper": (300.2 + n, 280.5, 320.5, "probes")}
                writer.add_estimate(burnt, START_US + 400_000 + n * 10_000_000, kept)
        (band,) = tables.bands(reader, info)
        assert band.zone == "upper"
        assert band.t_s.tolist() == [0.0, 10.0, 20.0, 30.0, 40.0]
        assert band.c.tolist() == [300.2, 301.2, 302.2, 303.2, 304.2]
        assert (band.low_c.tolist(), band.high_c.tolist()) == ([280.5] * 5, [320.5] * 5)
        (thin,) = tables.bands(reader, info, most=2)
        assert thin.t_s.tolist() == [0.0, 20.0, 40.0]


# --- moments ---------------------------------------------------------------------------------------------------


@pytest.fixture
def judgement(path: Path, burnt: str) -> dict[str, Any]:
    with contextlib.closing(JournalReader(path)) as reader:
        return judged(reader, reader.firing(burnt))


FIRING = {"target_c": 780.0, "burnout_c": 650.0, "soak_min": 10.0}


def test_the_words_of_each_moment_are_the_judgements(judgement: dict[str, Any]) -> None:
    told = moment.moments(judgement, FIRING, [], "C")
    zones = judgement["moments"]["zones"]
    for z, zone in enumerate(zones):
        assert len(told["columns"][f"peak {z}"]) == len(zone["peak_c"])
        last = told["words"][told["columns"][f"peak {z}"][-1]]
        assert last == f"{zone['peak_c'][-1]:.0f}°", "in the end it is the judgement's"
    upper = next(z for z, zone in enumerate(zones) if zone["zone"] == "upper")
    assert re.fullmatch(r"\d+° to (burn-out|target)", told["words"][told["columns"][f"need {upper}"][5]])
    fahrenheit = moment.moments(judgement, FIRING, [], "F")
    last = zones[upper]["peak_c"][-1]
    assert fahrenheit["words"][fahrenheit["columns"][f"peak {upper}"][-1]] == f"{last * 1.8 + 32:.0f}°"


def test_what_was_said_in_a_replay_is_in_the_unit_shown(path: Path) -> None:
    """Alarms and forecasts, built from values, in either unit."""
    with contextlib.closing(JournalWriter(path)) as writer:
        firing, _ = invented_firing(writer, 5, rate_hz=0.1)
    with contextlib.closing(JournalReader(path)) as reader:
        info, events = reader.firing(firing), reader.events(firing)
        told = judged(reader, info)
    told = json.loads(json.dumps(told))  # it comes from another process
    firing_ = {**FIRING, "target_c": info.plan.target_c}
    said = {
        unit: [mark.text for mark, _ in marks_of(info, events, told, unit)]
        + moment.moments(told, firing_, {}, unit)["words"]
        for unit in ("C", "F")
    }
    for words in ("is at", "Forecast then: cooled to 100 °C", "Gun reading"):
        assert any(words in text and "°C" in text for text in said["C"]), words
    assert any("Forecast then: cooled to 212 °F" in text for text in said["F"])
    assert not [text for text in said["F"] if "°C" in text]


def test_a_peak_is_never_lower_than_what_a_zone_is_at(judgement: dict[str, Any]) -> None:
    told = judgement["moments"]
    for zone in told["zones"]:
        trusted = [None if bad else c for c, bad in zip(zone["level_c"], zone["faulty"], strict=True)]
        peaks = moment.peaks(told["t_s"], trusted, zone["peak_c"])
        known = [(p, c) for p, c in zip(peaks, trusted, strict=True) if p is not None and c is not None]
        assert len(known) > 10
        assert all(p >= c - 0.1 or p == peaks[-1] for p, c in known)
        assert [c for c in peaks if c is not None] == sorted(c for c in peaks if c is not None)
    # A reading from a probe that was found faulty within the minute was no peak.
    assert (
        moment.peaks([0, 30, 60, 90], [500.0, 900.0, None, 490.0], [None, None, None, 500.0]) == [500.0] * 4
    )
    assert moment.peaks([0, 30], [None, None], [None, None]) == [None, None]


def test_the_pots_are_told_while_the_estimate_stands(judgement: dict[str, Any]) -> None:
    t_s, c = np.array([0.0, 10.0, 20.0]), np.array([300.0, 310.0, 320.0])
    told = moment.moments(judgement, FIRING, [Band("upper", t_s, c, c - 30.0, c + 30.0)], "C")
    z = next(z for z, zone in enumerate(judgement["moments"]["zones"]) if zone["zone"] == "upper")
    needs = [told["words"][k] for k in told["columns"][f"need {z}"]]
    at = next(k for k, t in enumerate(told["t_s"]) if t >= 20)
    assert "Pots (estimated): 320° ± 30°" in needs[at]
    assert "Pots" not in needs[-1]  # it had stopped


def test_a_forecast_is_cut_to_what_is_drawn() -> None:
    ahead = list(range(0, 3600, 60))
    made = {"t_s": 1200.0, "zone": "upper", "at_s": 1200.0, "ahead_s": ahead}
    made |= {key: [500.0 + n for n in range(60)] for key in ("low_c", "middle_c", "high_c")}
    none = {"t_s": 0.0, "zone": None}
    found = moment.forecasts({"moments": {"forecasts": [none, made]}}, 600.0, 5000.0, "C")
    assert found[0]["x"] == found[0]["y"] == []
    assert found[1]["x"] == [10.0, 11.0, 12.0, 13.0, 14.0, 15.0]  # a quarter of twenty minutes
    assert found[1]["y"] == [500.0 + n for n in range(6)]
    assert found[1]["text"][-1] == "upper"
    late = {**made, "t_s": 4900.0, "at_s": 4900.0}
    [cut] = moment.forecasts({"moments": {"forecasts": [late]}}, 0.0, 5000.0, "C")
    assert cut["x"][-1] <= 5000 / 60  # nothing beyond the firing's end


def test_what_other_settings_change() -> None:
    def alarm(rule: str, raised_s: float, zone: str | None = "upper") -> dict[str, Any]:
        return {"rule": rule, "zone": zone, "probe": None, "raised_s": raised_s}

    before = [alarm("stalled_zone", 100), alarm("coal_collapse", 500), alarm("rig_silent", 50, None)]
    after = [alarm("stalled_zone", 160), alarm("over_temperature", 300), alarm("rig_silent", 50.5, None)]
    found = moment.differences(before, after)
    assert [a["rule"] for a in found["gone"]] == ["coal_collapse"]
    assert [a["rule"] for a in found["came"]] == ["over_temperature"]
    assert [(a["raised_s"], b["raised_s"]) for a, b in found["moved"]] == [(100, 160)]
    words = text_of([c.to_plotly_json() for c in []]) + str(moment.changed(found))
    assert "Would have been raised" in words
    assert "instead of 1:40" in words
    assert "same alarms" in str(moment.changed(moment.differences(before, before)))


# --- judged, by any settings ---------------------------------------------------------------------------------------


def until_judged(browser: Browser, firing: str, wish: dict[str, Any] | None = None) -> dict[str, Any]:
    return browser.follow("replay", {"replay-firing.data": firing, "replay-wish.data": wish or {}})


def test_judged_as_a_rehearsal_does_and_again_by_other_settings(
    browser: Browser, path: Path, burnt: str
) -> None:
    told = until_judged(browser, burnt)
    assert told["replay-judged"]["data"] == {}
    with contextlib.closing(JournalReader(path)) as reader:
        expected = rehearse(reader, reader.firing(burnt))
    show = {"replay-firing.data": burnt, "replay-judged.data": {}, "unit.data": "C"}
    page = browser.call("replay-told.data", show, triggered="replay-firing.data")
    assert page["replay-scrub"] == {"max": 299}
    assert page["replay-title"]["children"] == "Replay: Four jars"
    assert "Invented" in text_of(page["replay-about"]["children"])
    assert len(page["replay-told"]["data"]["shown"]) == 2
    happened = text_of(page["replay-happened"]["children"])
    assert "Wood, <b>" in happened  # text, never markup
    assert "(someone)" in happened
    assert happened.count(":") > len(expected["alarms"])
    assert len(page["replay-zones"]["children"]["props"]["children"][1]["props"]["children"]) == 2
    assert "over_temperature" not in {alarm["rule"] for alarm in expected["alarms"]}

    alarms = {"over_temperature": {"limit_c": 500.0, "for_s": 5}, "probe_fault": {"enabled": False}}
    until_judged(browser, burnt, alarms)
    differ = browser.call(
        "replay-differences.children",
        {"replay-judged.data": alarms, "replay-firing.data": burnt, "replay-rerun.n_clicks": 1},
        triggered="replay-judged.data",
    )
    words = text_of(differ["replay-differences"]["children"])
    assert "Would have been raised" in words
    assert "Too hot" in words or "over" in words.lower()


def test_a_judgement_is_made_once_and_can_be_stopped(path: Path, burnt: str) -> None:
    async def twice() -> None:
        gathering = Gathering(path)
        info = await gathering.firing(burnt)
        first = await gathering.judgement(info)
        assert await gathering.judgement(info) is first
        await first.stop()
        with pytest.raises(StokewatchError, match="stopped"):
            first.answer()
        again = await gathering.judgement(info)
        assert again is not first
        await asyncio.wait([again.task])
        assert again.answer()["firing"] == burnt
        assert 0.0 < again.share <= 1.0  # it reported its progress

    asyncio.run(twice())


@pytest.mark.parametrize(
    ("alarms", "field"),
    [
        ({"coal_collapse": {"drop_c": 1}}, "alarm.coal_collapse.drop_c"),
        ({"coal_collapse": {"drop_c": True}}, "alarm.coal_collapse.drop_c"),
        ({"coal_collapse": {"drop_c": "much"}}, "alarm.coal_collapse.drop_c"),
        ({"coal_collapse": {"enabled": 1.0}}, "alarm.coal_collapse.enabled"),
        ({"coal_collapse": {"made_up": 1}}, "alarm.coal_collapse.made_up"),
        ({"made_up": {}}, "alarm.made_up"),
        ([], "alarm"),
    ],
)
def test_settings_that_are_none_are_refused_beside_their_field(alarms: Any, field: str) -> None:
    with pytest.raises(PlanRefused) as refused:
        judged_by(loads(PLAN), alarms)
    assert refused.value.field == field


SET = '{"as":["ALL"],"path":["ALL"],"type":"replay-field"}'
ON = '{"rule":["ALL"],"type":"replay-on"}'


def rerun(browser: Browser, firing: str, value: Any, *, on: bool = True) -> dict[str, Any]:
    field = {"type": "replay-field", "path": "alarm.coal_collapse.drop_c", "as": "number"}
    switch = {"type": "replay-on", "rule": "coal_collapse"}
    return browser.call(
        '"type":"replay-field"',
        {"replay-firing.data": firing, "replay-rerun.n_clicks": 1},
        triggered="replay-rerun.n_clicks",
        many={SET: [(field, value)], ON: [(switch, on)]},
    )


def test_the_form_takes_changed_settings_and_refuses_beside_the_field(browser: Browser, burnt: str) -> None:
    told = rerun(browser, burnt, "90")
    assert told["replay-wish"]["data"] == {"coal_collapse": {"drop_c": 90}}
    assert told["replay-poll"]["disabled"] is False
    off = rerun(browser, burnt, "60", on=False)
    assert off["replay-wish"]["data"] == {"coal_collapse": {"enabled": False}}
    refused = rerun(browser, burnt, "1")
    [error] = [v["error"] for k, v in refused.items() if "replay-field" in k]
    assert "1 is out of range; give a number from 20 to 300 °C" in error
    assert refused["replay-wish"]["data"] == {}
    assert refused["replay-poll"]["disabled"] is True


def test_no_such_firing(browser: Browser, burnt: str) -> None:
    assert until_judged(browser, "none")["replay-said"]["children"] == ""  # the page's head says it, once
    show = {"replay-firing.data": "none"}
    page = browser.call("replay-told.data", show, triggered="replay-firing.data")
    assert page["replay-body"]["hidden"] is True
    assert "none: no such firing" in page["replay-about"]["children"]


def test_without_a_plan_and_without_readings(browser: Browser, path: Path) -> None:
    with contextlib.closing(JournalWriter(path)) as writer:
        firing = writer.open_firing("Nothing yet", None, START_US).id
    until_judged(browser, firing)
    show = {"replay-firing.data": firing, "replay-judged.data": {}}
    page = browser.call("replay-told.data", show, triggered="replay-firing.data")
    assert page["replay-told"]["data"]["shown"] == []
    assert page["replay-body"]["hidden"] is False


@pytest.mark.parametrize("nonsense", [None, 7, [], {"firing": 3}, {"firing": None}, "../../etc"])
def test_nonsense_is_no_firing(browser: Browser, burnt: str, nonsense: Any) -> None:
    show = {"replay-firing.data": nonsense, "replay-judged.data": nonsense, "replay-side.value": nonsense}
    page = browser.call("replay-told.data", show, triggered="replay-firing.data")
    assert page["replay-body"]["hidden"] is True
