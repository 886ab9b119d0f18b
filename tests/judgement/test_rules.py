"""Each rule is raised on its case and not on its look-alikes. Crude straight lines, invented."""

from __future__ import annotations

import numpy as np
import pytest

from logger.judgement.alarms import Event
from logger.judgement.judge import Judge
from logger.plan import Plan, Probe
from logger.reading import Status
from tests.judgement.crude import lines, plan, raised, run

HOT = [720.0, 760.0, 750.0, 740.0, 730.0]
LATE = [712.0, 730.0, 715.0, 700.0, 690.0]
START = [(0.0, [300.0, 150.0, 150.0, 150.0, 150.0]), (150.0, HOT), (300.0, HOT), (480.0, LATE)]
NECK = 4


def after(*knots: tuple[float, list[float]]) -> list[tuple[float, list[float]]]:
    return [*START, *knots]


def shifted(row: list[float], **change: float) -> list[float]:
    names = ["coals", "low", "belly", "windward", "neck"]
    return [c + change.get(name, 0.0) for name, c in zip(names, row, strict=True)]


def test_steam_counts_at_the_coldest_wall_only() -> None:
    fast = [(0.0, [200.0, 30.0, 30.0, 30.0, 20.0]), (240.0, [260.0, 110.0, 110.0, 400.0, 100.0])]
    assert len(raised(run(Judge(plan()), *lines(fast)), "heating_too_fast")) == 1
    slow = [(0.0, [200.0, 70.0, 70.0, 70.0, 70.0]), (240.0, [260.0, 90.0, 90.0, 600.0, 90.0])]
    assert raised(run(Judge(plan()), *lines(slow)), "heating_too_fast") == []


def test_over_temperature() -> None:
    hot = [(0.0, [900.0, 900.0, 900.0, 900.0, 990.0]), (120.0, [900.0, 900.0, 900.0, 900.0, 1030.0])]
    assert [e.data["zone"] for e in raised(run(Judge(plan()), *lines(hot)), "over_temperature")] == ["upper"]


@pytest.mark.parametrize(("code", "word"), [(Status.OPEN, "open"), (Status.SHORT_GROUND, "short")])
def test_an_open_probe_is_reported_and_never_looks_like_a_cool_pot(code: Status, word: str) -> None:
    t_s, values = lines(START)
    status = np.zeros(values.shape, np.uint8)
    status[300:, NECK], values[300:, NECK] = int(code), np.nan
    judge = Judge(plan())
    events = run(judge, t_s, values, status)
    found = raised(events, "probe_fault")
    assert [e.data["probe"] for e in found] == ["neck wall"]
    assert word in found[0].data["message"]
    assert 300.0 + 8.0 <= found[0].t_s <= 330.0
    neck = next(z for z in judge.verdict().zones if z.zone == "upper")
    assert neck.faulty
    assert neck.level_c is None
    assert "no verdict" in neck.missing
    assert raised(events, "coal_collapse") == []


def test_a_stuck_value_is_reported_while_the_fire_moves() -> None:
    t_s, values = lines(START)
    values[100:, NECK] = values[100, NECK]
    found = raised(run(Judge(plan()), t_s, values), "probe_fault")
    assert [e.data["probe"] for e in found] == ["neck wall"]
    assert found[0].t_s <= 135.0


def test_a_stuck_value_is_reported_while_the_fire_hardly_moves() -> None:
    t_s, values = lines([(0.0, [600.0] * 5), (500.0, [598.0] * 5)], noise_c=0.5)
    values[300:, NECK] = values[300, NECK]
    found = raised(run(Judge(plan()), t_s, values), "probe_fault")
    assert [e.data["probe"] for e in found] == ["neck wall"]
    assert 320.0 <= found[0].t_s <= 330.0


def test_coarse_readings_of_a_steady_fire_are_not_stuck() -> None:
    # Whole degrees, two of the probes moved by flame before: then all stand still.
    t_s, values = lines([(0.0, [600.0] * 5), (900.0, [590.0] * 5)], noise_c=0.1)
    values[:300, [2, 4]] += np.random.default_rng(2).normal(0.0, 8.0, (300, 2))
    assert raised(run(Judge(plan()), t_s, np.round(values)), "probe_fault") == []


def test_a_probe_that_fell_out_is_no_collapse() -> None:
    t_s, values = lines(START)
    x = np.arange(len(t_s) - 320)
    values[320:, NECK] = 30.0 + 700.0 * np.exp(-x / 8.0)
    events = run(Judge(plan()), t_s, values)
    assert [e.data["probe"] for e in raised(events, "probe_fault")] == ["neck wall"]
    assert raised(events, "coal_collapse") == []


def test_a_loose_terminal_is_reported() -> None:
    t_s, values = lines(START)
    rng = np.random.default_rng(5)
    bad = rng.random(len(t_s)) < 0.4
    bad[:200] = False
    values[bad, NECK] *= rng.uniform(0.3, 0.8, int(bad.sum()))
    found = raised(run(Judge(plan()), t_s, values), "probe_fault")
    assert found[0].data["probe"] == "neck wall"
    assert found[0].t_s <= 230.0


def test_silence_is_raised_once_and_cleared() -> None:
    t_s, values = lines(START)
    judge = Judge(plan())
    judge.push(t_s[:200], values[:200], np.zeros((200, 5), np.uint8))
    events = judge.advance(230.0)
    assert len(raised(events, "rig_silent")) == 1
    assert raised(events, "probe_fault") == []
    more = judge.push(t_s[240:260], values[240:260], np.zeros((20, 5), np.uint8))
    assert [e.data["transition"] for e in more if e.data.get("rule") == "rig_silent"] == ["cleared"]


def shoulder(blind: bool) -> list[Event]:
    """An infrared sensor in a zone of its own, nearly blind at 380 °C: a stall if the zone stays there.

    Parameters
    ----------
    blind : bool
        It sees nothing from 300 to 1500 s; meanwhile the zone was hotter, and then cools by 5 °C/min.
    """
    places = [*plan().probes, Probe(name="shoulder", channel="ir", reads="surface", zone="shoulder")]
    hot = [790.0, 640.0, 600.0, 600.0, 600.0]
    knots = [(0.0, [300.0] + [100.0] * 5), (280.0, [*hot, 375.0]), (300.0, [*hot, 378.0])]
    if blind:
        cooler = [c - 160.0 for c in hot]
        knots += [(1500.0, [*(c - 100.0 for c in hot), 378.0]), (2220.0, [*cooler, 318.0])]
    else:
        knots += [(1500.0, [*hot, 378.0])]
    t_s, values = lines(knots, noise_c=0.5)
    status = np.zeros(values.shape, np.uint8)
    if blind:
        status[300:1500, 5] = Status.RANGE
        values[300:1500, 5] = np.nan
    judge = Judge(Plan(title="Crude, invented", target_c=780.0, probes=tuple(places)))
    found = raised(run(judge, t_s, values, status), "stalled_zone")
    return [e for e in found if e.data["zone"] == "shoulder"]


def test_a_zone_that_stands_still_stalls_and_one_nobody_saw_does_not() -> None:
    assert len(shoulder(blind=False)) == 1
    assert shoulder(blind=True) == []


@pytest.mark.parametrize(("c_per_min", "called"), [(2.2, True), (4.4, False)])
def test_a_stall_is_what_its_settings_say(c_per_min: float, called: bool) -> None:
    """The neck rises slowly, 180 °C short, with flicker: only its progress over the time set counts."""
    hot = [790.0, 640.0, 620.0, 640.0]
    begin = 600.0 - 15.0 * c_per_min
    knots = [(0.0, [300.0] + [100.0] * 4), (280.0, [*hot, begin]), (1180.0, [*hot, 600.0])]
    found = raised(run(Judge(plan()), *lines(knots, noise_c=3.0)), "stalled_zone")
    assert ("upper" in {e.data["zone"] for e in found}) == called


def test_a_stall_waits_as_long_as_its_setting_says() -> None:
    hot = [790.0, 640.0, 620.0, 640.0, 600.0]
    knots = [(0.0, [300.0] + [100.0] * 4), (280.0, hot), (1180.0, hot)]
    told = []
    for for_s in (180.0, 420.0):
        patient = plan()
        patient.alarms["stalled_zone"]["for_s"] = for_s
        found = raised(run(Judge(patient), *lines(knots)), "stalled_zone")
        told += [e.t_s for e in found if e.data["zone"] == "upper"]
        assert any(
            e.data["message"].startswith("upper is at 600 °C, 180 °C short of its target: ") for e in found
        )
    assert told[0] == pytest.approx(280.0 + 180.0, abs=15.0)
    assert told[1] - told[0] == pytest.approx(240.0, abs=15.0)


def test_a_stall_that_wavers_is_one_alarm_and_ends_as_the_zone_climbs_again() -> None:
    """The neck swings by 40 °C to either side and gets nowhere, then climbs at 12 °C/min."""
    hot = [790.0, 640.0, 620.0, 640.0]
    knots = [(0.0, [300.0] + [100.0] * 4), (280.0, [*hot, 600.0]), (900.0, [*hot, 600.0])]
    knots += [
        (900.0 + t, [*hot, 600.0 + 40.0 * np.sin(2.0 * np.pi * t / 800.0)]) for t in range(20, 2400, 20)
    ]
    knots += [(3300.0, [*hot, 600.0]), (4000.0, [*hot, 740.0])]
    events = [e for e in run(Judge(plan()), *lines(knots)) if e.data.get("rule") == "stalled_zone"]
    neck = [e for e in events if e.data["zone"] == "upper"]
    assert [e.data["transition"] for e in neck] == ["raised", "cleared"]
    assert 3500.0 < neck[1].t_s < 3750.0


def test_target_and_soak_come_once_a_zone() -> None:
    good = [(0.0, [700.0] * 5), (100.0, [800.0] * 5), (900.0, [800.0] * 5)]
    events = run(Judge(plan()), *lines(good))
    for rule in ("target_reached", "soak_done"):
        zones = [e.data["zone"] for e in raised(events, rule)]
        assert sorted(zones) == ["lower", "middle", "upper", "windward"]


def test_a_rule_that_is_off_says_nothing() -> None:
    off = plan()
    off.alarms["over_temperature"]["enabled"] = False
    hot = [(0.0, [1050.0] * 5), (120.0, [1050.0] * 5)]
    assert raised(run(Judge(off), *lines(hot)), "over_temperature") == []


EVEN = [700.0, 640.0, 640.0, 640.0, 640.0]


def test_a_zone_that_falls_through_quartz_inversion_too_fast() -> None:
    # Coals fall with it: this is no collapse, but the neck crosses 573 °C at 150 °C/min.
    knots = [
        *START,
        (600.0, [640.0, 640.0, 640.0, 640.0, 645.0]),
        (660.0, [560.0, 570.0, 570.0, 570.0, 495.0]),
    ]
    found = raised(
        run(Judge(plan()), *lines([*knots, (720.0, [500.0, 520.0, 520.0, 520.0, 345.0])])), "cooling_too_fast"
    )
    assert found == []  # 145 °C in the window takes less than the 45 s required
    slower = [
        *START,
        (600.0, [640.0, 640.0, 640.0, 640.0, 645.0]),
        (690.0, [560.0, 570.0, 570.0, 570.0, 465.0]),
    ]
    found = raised(run(Judge(plan()), *lines(slower)), "cooling_too_fast")
    assert [e.data["zone"] for e in found] == ["upper"]


@pytest.mark.parametrize(
    "knots",
    [
        pytest.param([(600.0, EVEN), (900.0, [c - 150.0 for c in EVEN])], id="30 °C a minute"),
        pytest.param([(510.0, [480.0, 480.0, 480.0, 480.0, 480.0]), (600.0, [250.0] * 5)], id="below 500 °C"),
        pytest.param(
            [(600.0, EVEN), (620.0, shifted(EVEN, neck=-60.0)), (640.0, EVEN), (700.0, EVEN)], id="gust"
        ),
    ],
)
def test_what_is_not_cooling_too_fast(knots: list[tuple[float, list[float]]]) -> None:
    assert raised(run(Judge(plan()), *lines(after(*knots))), "cooling_too_fast") == []


def test_a_spread_that_lasts_after_the_flames_is_raised_once() -> None:
    apart = [720.0, 800.0, 640.0, 560.0, 400.0]
    knots = after((900.0, apart), (1500.0, apart))
    found = raised(run(Judge(plan()), *lines(knots)), "spread_too_wide")
    assert len(found) == 1
    assert "lower is" in found[0].data["message"]
    assert "upper" in found[0].data["message"]


@pytest.mark.parametrize(
    "knots",
    [
        # While it flames the top may run 400 °C ahead.
        pytest.param(
            [
                (0.0, [300.0, 150.0, 150.0, 150.0, 150.0]),
                (120.0, [350.0, 200.0, 300.0, 400.0, 620.0]),
                (700.0, [500.0, 320.0, 500.0, 600.0, 740.0]),
            ],
            id="flames",
        ),
        pytest.param(
            [*START, (900.0, shifted(LATE, neck=-250.0)), (1500.0, shifted(LATE, neck=-250.0))], id="250 °C"
        ),
        pytest.param(
            [
                *START,
                (700.0, [700.0, 800.0, 640.0, 560.0, 400.0]),
                (850.0, [700.0, 700.0, 640.0, 560.0, 400.0]),
                (1300.0, [690.0, 690.0, 640.0, 560.0, 400.0]),
            ],
            id="short",
        ),
    ],
)
def test_what_is_not_spread_too_wide(knots: list[tuple[float, list[float]]]) -> None:
    assert raised(run(Judge(plan()), *lines(knots)), "spread_too_wide") == []
