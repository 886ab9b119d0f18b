"""A collapse is raised by what its settings say, sooner if the other zones agree, and by nothing else.

Zones of straight lines and exponentials, invented. The promises are the project's own interface: *What an alarm
means*. The shapes of falls are those of lumped bodies (a step seen by a first-order lag: any book on control).
"""

from __future__ import annotations

import numpy as np
import pytest
from msgspec.structs import replace

from logger.judgement.alarms import Event
from logger.judgement.judge import Judge
from logger.plan import Plan, Probe, loads
from logger.reading import Floats
from tests.judgement.crude import raised, run

N = 1500
BEGIN = 900
AGES = np.maximum(np.arange(float(N)) - BEGIN, 0.0)


def fall(depth_c: float, tau_s: float, lag_s: float = 8.0) -> Floats:
    """A zone that goes to a new level as hot bodies do, seen by a lagging probe."""
    fast, slow = np.exp(-AGES / lag_s), np.exp(-AGES / tau_s)
    return -depth_c * (1.0 - (tau_s * slow - lag_s * fast) / (tau_s - lag_s))


def straight(depth_c: float, over_s: float) -> Floats:
    """A fall along a straight line, then level."""
    return -depth_c * np.minimum(AGES / over_s, 1.0)


def stack(**probes: tuple[str, str]) -> Plan:
    """A plan of probes: name = (what it reads, its zone)."""
    placed = tuple(
        Probe(name=n, channel=n, reads=reads, zone=zone)  # type: ignore[arg-type]
        for n, (reads, zone) in probes.items()
    )
    return Plan(title="Crude, invented", target_c=900.0, probes=placed)


FOUR = stack(bed=("coals", "under"), low=("wall", "lower"), side=("wall", "windward"), top=("wall", "upper"))


def said(
    plan: Plan, seed: int = 1, every_s: float = 1.0, noise_c: float = 0.7, **lost: Floats
) -> list[Event]:
    """Collapse alarms on a stack that climbs to 800 °C by 600 s and stays there, less what is lost."""
    t_s = np.arange(float(N))
    rng = np.random.default_rng(seed)
    level = np.interp(t_s, [0.0, 600.0], [40.0, 800.0])
    values = np.stack([level + lost.get(p.name, 0.0) for p in plan.probes], axis=1)
    values += rng.normal(0.0, noise_c, values.shape)
    due = np.arange(0.0, N - 1, every_s)
    seen = np.stack([np.interp(due, t_s, v) for v in values.T], axis=1)
    return raised(run(Judge(plan), due, np.round(seen * 4.0) / 4.0), "coal_collapse")


def told(events: list[Event]) -> list[tuple[str, float]]:
    return [(e.data["zone"], e.t_s - BEGIN) for e in events]


@pytest.mark.parametrize(("depth_c", "tau_s"), [(75.0, 25.0), (90.0, 60.0), (130.0, 40.0), (200.0, 90.0)])
def test_one_side_falls_while_the_coals_hold(depth_c: float, tau_s: float) -> None:
    [(zone, after_s)] = told(said(FOUR, side=fall(depth_c, tau_s)))
    assert zone == "windward"
    assert 10.0 < after_s <= 90.0


def test_the_message_gives_the_fact_first() -> None:
    [event] = said(FOUR, side=straight(150.0, 120.0))
    words = event.data["message"]
    assert words.startswith("Coals have fallen away: windward. 80")
    assert " °C in " in words
    assert words.endswith("the coals held.")
    assert event.data["title"] == "Coals have fallen away"


@pytest.mark.parametrize("seed", range(3))
def test_the_plain_rule_always_speaks(seed: int) -> None:
    """Drops of any shape that make 65 °C within 3 min and stay, whatever the other zones do."""
    whole = straight(65.0, 170.0)
    zones = {
        zone for zone, after_s in told(said(FOUR, seed, low=whole, side=whole, top=whole)) if after_s < 200
    }
    assert zones == {"lower", "windward", "upper"}
    assert told(said(FOUR, seed, top=straight(65.0, 3.0)))


def test_a_smaller_drop_is_no_collapse() -> None:
    assert said(FOUR, top=straight(45.0, 170.0)) == []
    assert said(FOUR, top=straight(240.0, 900.0)) == []  # 48 °C in any three minutes


def test_settings_move_the_alarm() -> None:
    def after(**settings: float) -> list[tuple[str, float]]:
        plan = replace(
            FOUR, alarms={**FOUR.alarms, "coal_collapse": {**FOUR.alarms["coal_collapse"], **settings}}
        )
        # All fall alike, so nothing is raised early.
        whole = straight(200.0, 300.0)
        return [z for z in told(said(plan, low=whole, side=whole, top=whole)) if z[0] == "upper"]

    [(_, usual)] = after()
    [(_, patient)] = after(for_s=40.0)
    [(_, deep)] = after(drop_c=100.0)
    assert usual == pytest.approx(60.0 / (200.0 / 300.0) + 10.0, abs=8.0)
    assert patient - usual == pytest.approx(30.0, abs=3.0)
    assert deep - usual == pytest.approx(40.0 / (200.0 / 300.0), abs=6.0)
    assert after(drop_c=150.0) == []  # 120 °C in three minutes


@pytest.mark.parametrize(("share", "called"), [(0.2, True), (0.45, False)])
def test_coals_that_fall_by_a_third_of_it_veto(share: float, called: bool) -> None:
    lost = straight(150.0, 150.0)
    assert bool(said(FOUR, top=lost, bed=share * lost)) == called


def test_coals_that_sank_before_the_fall_are_no_veto() -> None:
    """The whole fire sinks by 11 °C/min; then one side falls by another 60 °C/min, the coals as before."""
    t_s = np.arange(float(N))
    sinks = -11.0 / 60.0 * np.maximum(t_s - 620.0, 0.0)
    events = said(FOUR, bed=sinks, low=sinks, top=sinks, side=sinks + straight(120.0, 120.0))
    assert {e.data["zone"] for e in events} == {"windward"}
    assert events[0].t_s - BEGIN < 75.0
    assert said(FOUR, bed=sinks, low=sinks, top=sinks, side=sinks) == []


@pytest.mark.parametrize(
    ("lasts_s", "falls_c", "settings", "called"),
    [
        (35.0, 130.0, "", False),
        (75.0, 108.0, "", True),
        (600.0, 108.0, "", True),
        (600.0, 90.0, "", False),
        (600.0, 108.0, "air_drop_c = 120", False),
        (600.0, 66.0, "air_drop_c = 60", True),
        (600.0, 66.0, "drop_c = 60", True),
        (600.0, 66.0, "drop_c = 60\nair_drop_c = 80", False),
    ],
)
def test_air_that_dips_with_a_gust_is_no_collapse_but_air_that_stays_down_is(
    lasts_s: float, falls_c: float, settings: str, called: bool
) -> None:
    """A plan that names `drop_c` alone, as plans did before air had its own, means both."""
    plan = stack(bed=("coals", "under"), low=("wall", "lower"), gap=("air", "upper"))
    plan = loads(plan.dumps() + f"\n[alarm.coal_collapse]\n{settings}\n")
    dip = np.where((AGES > 0.0) & (lasts_s >= AGES), -falls_c, 0.0)
    events = told(said(plan, gap=dip))
    assert [zone for zone, _ in events] == ["upper"] * called
    assert all(after_s < 75.0 for _, after_s in events)


@pytest.mark.parametrize("settings", ["drop_c = 80", "drop_c = 80\nair_drop_c = 100", "air_drop_c = 70"])
def test_what_a_plan_means_by_a_drop_is_the_same_once_it_is_written_again(settings: str) -> None:
    plan = loads(FOUR.dumps() + f"\n[alarm.coal_collapse]\n{settings}\n")
    assert loads(plan.dumps()).alarms == plan.alarms


def test_raised_early_only_where_the_others_hold() -> None:
    alone = dict(told(said(FOUR, top=straight(120.0, 120.0))))
    lost = straight(120.0, 120.0)
    all_of_them = dict(told(said(FOUR, top=lost, side=0.9 * lost, low=0.9 * lost)))
    assert alone["upper"] < all_of_them["upper"] - 10.0


def dip(begin_s: float, depth_c: float, over_s: float) -> Floats:
    """A wall that loses heat along a straight line and gains it again within the next minute."""
    at_s = begin_s + np.array([0.0, over_s, over_s + 60.0])
    return np.interp(np.arange(float(N)), at_s, [0.0, -depth_c, 0.0])


def test_a_climbing_wall_that_gives_back_what_flames_just_gave_it_is_not_called_early() -> None:
    """Flames lean away for a while. The same dip of a wall that had stood still may be coals."""
    climbs = np.interp(np.arange(float(N)), [0.0, 600.0, 900.0], [0.0, -240.0, 0.0])
    leans = dip(BEGIN, 50.0, 45.0)
    assert said(FOUR, top=climbs + leans) == []
    assert "falling by" in said(FOUR, top=leans)[0].data["message"]


def test_a_wall_that_has_fallen_half_as_fast_before_is_not_called_early_but_a_faster_fall_is() -> None:
    """It wavers by 28 °C, too little to be called, then by 50 hardly faster, as flames come and go."""
    wavers = dip(BEGIN - 300.0, 28.0, 40.0)
    for over_s in (80.0, 45.0):
        assert said(FOUR, top=wavers + dip(BEGIN, 50.0, over_s)) == []
    faster = said(FOUR, top=wavers + straight(120.0, 60.0))
    assert "falling by" in faster[0].data["message"]
    [(_, plain_s)] = told(said(FOUR, top=wavers + straight(120.0, 120.0)))
    assert told(faster)[0][1] < plain_s


def test_what_fell_before_is_remembered_through_a_restart() -> None:
    t_s = np.arange(float(N))
    level = np.interp(t_s, [0.0, 600.0], [40.0, 800.0])
    top = level + dip(BEGIN - 300.0, 28.0, 40.0) + dip(BEGIN, 50.0, 80.0)
    values, status = np.stack([level, level, level, top], axis=1), np.zeros((N, 4), np.uint8)
    judge = Judge(FOUR)
    judge.push(t_s[:850], values[:850], status[:850])
    again = Judge.restore(FOUR, judge.snapshot())
    assert raised(again.push(t_s[850:], values[850:], status[850:]), "coal_collapse") == []


def test_a_gust_that_passes_within_the_delay_is_no_collapse() -> None:
    x = np.maximum(AGES, 0.0) / 5.0
    gust = -55.0 * x * np.exp(1.0 - x)
    assert said(FOUR, top=gust, side=0.9 * gust, low=0.4 * gust) == []


@pytest.mark.parametrize(
    ("plan", "words"),
    [
        (stack(top=("wall", "upper"), low=("wall", "lower")), "no probe is in the coals"),
        (stack(top=("wall", "upper")), "there is no other zone to compare it with"),
        (stack(bed=("coals", "under"), top=("wall", "upper")), "there is no other zone to compare it with"),
        (stack(bed=("coals", "under"), top=("air", "upper"), low=("air", "lower")), "upper (air). "),
    ],
    ids=["no coals", "one probe", "one zone", "air only"],
)
def test_a_small_rig_has_a_working_alarm_that_says_what_it_cannot_tell(plan: Plan, words: str) -> None:
    [event] = said(plan, top=fall(150.0, 40.0))
    assert 0.0 < event.t_s - BEGIN < 120.0
    assert words in event.data["message"]


def test_without_coals_a_falling_stack_raises_it_and_the_message_says_so() -> None:
    """No veto but the promised ones: with nothing in the coals the message says what it can't tell."""
    plan = stack(top=("wall", "upper"), low=("wall", "lower"), side=("wall", "windward"))
    lost = straight(150.0, 150.0)
    events = said(plan, top=lost, low=0.6 * lost, side=0.8 * lost)
    assert {e.data["zone"] for e in events} == {"upper", "lower", "windward"}
    for event in events:
        assert "most other zones fell too: the whole fire may be dying down" in event.data["message"]


def test_air_that_has_only_begun_to_be_read_is_no_fall() -> None:
    """A flame in the first minute: the mean of one reading against the mean of many would look like a leap."""
    t_s = np.arange(600.0)
    plan = stack(gap=("air", "upper"), low=("air", "lower"))
    rise = np.interp(t_s, [0.0, 20.0, 44.0, 50.0], [20.0, 150.0, 400.0, 400.0])
    judge = Judge(plan)
    events = run(judge, t_s, np.stack([rise, 0.0 * rise + 20.0], axis=1))
    assert raised(events, "coal_collapse") == []


def test_a_note_of_raking_vetoes() -> None:
    judge = Judge(FOUR)
    t_s = np.arange(float(N))
    values = np.interp(t_s, [0.0, 600.0], [40.0, 800.0])[:, None] + np.stack(
        [0.0 * AGES, 0.0 * AGES, 0.0 * AGES, fall(150.0, 40.0)], axis=1
    )
    status = np.zeros(values.shape, np.uint8)
    judge.push(t_s[:850], values[:850], status[:850])
    judge.raked(840.0)
    restored = Judge.restore(FOUR, judge.snapshot())
    for one in (judge, restored):
        assert raised(one.push(t_s[850:], values[850:], status[850:]), "coal_collapse") == []


@pytest.mark.parametrize("every_s", [0.1, 0.25, 2.0, 4.0])
def test_it_is_found_at_any_sampling_rate(every_s: float) -> None:
    [(zone, after_s)] = told(said(FOUR, every_s=every_s, top=fall(140.0, 40.0)))
    assert zone == "upper"
    assert after_s <= 90.0


def test_a_broken_wall_probe_is_no_fall_and_air_takes_over_only_after_a_minute() -> None:
    plan = stack(bed=("coals", "under"), low=("wall", "lower"), top=("wall", "upper"), gap=("air", "upper"))
    t_s = np.arange(float(N))
    level = np.interp(t_s, [0.0, 600.0], [40.0, 800.0])
    values = np.stack([level, level, level, 0.8 * level], axis=1)
    values += np.random.default_rng(2).normal(0.0, 0.7, values.shape)
    status = np.zeros(values.shape, np.uint8)
    status[BEGIN:, 2], values[BEGIN:, 2] = 1, np.nan
    judge = Judge(plan)
    events = run(judge, t_s, values, status)
    assert raised(events, "coal_collapse") == []
    assert [e.data["probe"] for e in raised(events, "probe_fault")] == ["top"]
    zone = next(z for z in judge.verdict(ahead=False).zones if z.zone == "upper")
    assert zone.basis == "air"
    assert zone.peak_basis == "wall"
