"""Faults are reported for what no sound probe can show, and never for what sound ones do show.

Shapes are invented; those of fires stand for what measured fires showed: steep smooth rises at ignition, coarse
and slow loggers, beads deep in masonry, air that cools first. Lags are common practice, no source.
"""

from __future__ import annotations

import numpy as np
import pytest

from logger.judgement.alarms import Event
from logger.judgement.judge import Judge
from logger.plan import Plan, Probe
from logger.reading import Floats, Status
from tests.judgement.crude import raised, run

N = 1800
T = np.arange(float(N))


def placed(*reads: str) -> Plan:
    """Probes p0, p1 …, each in its own zone."""
    return zoned(*((f"z{i}", what) for i, what in enumerate(reads)))


def zoned(*places: tuple[str, str]) -> Plan:
    probes = tuple(
        Probe(name=f"p{i}", channel=f"p{i}", reads=reads, zone=zone)  # type: ignore[arg-type]
        for i, (zone, reads) in enumerate(places)
    )
    return Plan(title="Crude, invented", target_c=700.0, probes=probes)


def warm(peak_c: float = 750.0, begin_s: float = 300.0, over_s: float = 500.0) -> Floats:
    return np.interp(T, [0.0, begin_s, begin_s + over_s], [20.0, 25.0, peak_c])


def judged(
    plan: Plan, columns: list[Floats], every_s: int = 1, step_c: float = 0.25
) -> tuple[Judge, list[Event]]:
    values = np.stack(columns, axis=1)
    values = values + np.random.default_rng(7).normal(0.0, 0.6, values.shape)
    values = np.round(values / step_c) * step_c
    status = np.where(np.isnan(values), Status.OPEN, Status.OK).astype(np.uint8)
    judge = Judge(plan, stored=True, usual_s=np.full(len(columns), float(every_s)))
    return judge, run(judge, T[::every_s], values[::every_s], status[::every_s])


def faults(events: list[Event]) -> list[tuple[str, float]]:
    return [(e.data["probe"], e.t_s) for e in raised(events, "probe_fault")]


def reported(events: list[Event], probe: str, by_s: float = np.inf) -> None:
    """One fault is reported, of this probe, by then."""
    [(found, at_s)] = faults(events)
    assert found == probe
    assert at_s <= by_s


def lasting(events: list[Event], probe: str, by_s: float = np.inf) -> None:
    """And it is raised to the end."""
    reported(events, probe, by_s)
    assert stands(events, probe)


def stands(events: list[Event], probe: str) -> bool:
    last = [e for e in events if e.data.get("rule") == "probe_fault" and e.data["probe"] == probe][-1]
    return last.data["transition"] == "raised"


def test_an_unplugged_input_that_floats_hot_beside_cold_ones() -> None:
    floating = 420.0 + 60.0 * np.sin(T / 400.0)
    cold = np.full(N, 30.0)
    _, events = judged(placed("wall", "air", "wall", "coals"), [floating, cold, cold, cold])
    lasting(events, "p0", 120.0)
    assert raised(events, "target_reached") == []


def test_a_leap_no_probe_can_make_reaches_no_target() -> None:
    """16.6 to 1304.8 °C in a second, and it stays."""
    leap = np.where(T < 600.0, 16.6, 1304.8)
    judge, events = judged(placed("air", "air", "air"), [leap, np.full(N, 17.0), np.full(N, 16.0)])
    assert [p for p, t in faults(events) if t <= 630.0] == ["p0"]
    assert raised(events, "target_reached") == []
    judge.close()
    peak = next(z for z in judge.verdict(ahead=False).zones if z.zone == "z0").peak_c
    assert peak is not None
    assert peak < 30.0


def test_target_and_peak_wait_until_the_probe_has_proved_sound() -> None:
    """It reads well above its target for half a minute, and then breaks."""
    breaking = warm()
    breaking[800:] = np.nan
    sound = warm()
    judge, events = judged(placed("wall", "wall", "wall"), [breaking, sound, sound])
    assert {e.data["zone"] for e in raised(events, "target_reached")} == {"z1", "z2"}
    judge.close()
    peaks = {z.zone: z.peak_c for z in judge.verdict(ahead=False).zones}
    assert peaks["z0"] is not None
    assert peaks["z0"] < 690.0 < 745.0 < (peaks["z1"] or 0.0)


def test_good_news_comes_a_minute_late() -> None:
    _, events = judged(placed("wall", "wall"), [warm(), warm()])
    there = float(np.argmax(warm() >= 700.0))
    for event in raised(events, "target_reached"):
        assert 55.0 <= event.t_s - there <= 85.0


def test_a_wall_that_stays_cold_among_hot_ones() -> None:
    hot = [warm(500.0), warm(480.0), warm(520.0), warm(450.0)]
    _, events = judged(placed(*["wall"] * 5), [*hot, 14.0 + 0.006 * warm(500.0)])
    assert {p for p, _ in faults(events)} == {"p4"}
    assert stands(events, "p4")


@pytest.mark.parametrize("broken", [False, True])
def test_beads_deep_in_masonry_among_thin_walls(broken: bool) -> None:
    """Three that wait for the warmth together, one for longer than the others, are sound; one that had warmed is not."""
    deep = [
        20.0 + k * np.maximum(T - begin, 0.0) for k, begin in ((0.12, 700.0), (0.1, 900.0), (0.05, 1300.0))
    ]
    hot = [warm(500.0 + 20.0 * i) for i in range(12)]
    if broken:
        hot[0] = np.where(T < 1200.0, hot[0], 22.0)
    values = np.round(np.stack(hot + deep, axis=1), 1)[::15]
    judge = Judge(placed(*["wall"] * 15), stored=True, usual_s=np.full(15, 15.0))
    events = run(judge, T[::15], values, np.zeros(values.shape, np.uint8))
    assert {p for p, _ in faults(events)} == ({"p0"} if broken else set())


def test_one_probe_alone_is_never_hotter_than_a_fire_can_be() -> None:
    """What two of them show together is the fire, even if a third goes beyond its scale."""
    _, events = judged(placed("air", "air", "air"), [warm(1330.0), warm(1100.0), warm(1090.0)], every_s=5)
    assert {p for p, _ in faults(events)} == {"p0"}
    _, events = judged(placed("air", "air", "air"), [warm(1390.0), warm(1340.0), warm(1320.0)], every_s=5)
    assert {p for p, _ in faults(events)} == {"p0"}


def test_a_probe_that_never_moved_is_stuck_once_all_the_others_warm() -> None:
    columns = [np.full(N, 13.0), *(warm(500.0 + i) + 90.0 * np.sin(T / 23.0 + i) for i in range(3))]
    values = np.round(np.stack(columns, axis=1), 1)
    judge = Judge(placed(*["air"] * 4), stored=True, usual_s=np.ones(4))
    assert "p0" in {p for p, _ in faults(run(judge, T, values, np.zeros(values.shape, np.uint8)))}


def test_a_wall_that_stays_cold_beside_the_hot_air_of_its_zone() -> None:
    plan = zoned(("z", "wall"), ("z", "air"))
    hung_out = 20.0 + 0.08 * (warm() - 20.0)
    _, events = judged(plan, [hung_out, warm()])
    lasting(events, "p0")
    # One of 15 mm behind the others follows by many minutes, and is sound.
    thick = warm(500.0, over_s=1800.0)
    assert not faults(judged(plan, [thick, warm()])[1])


def test_a_stuck_probe_may_flicker_by_a_step() -> None:
    rng = np.random.default_rng(3)
    walls = [warm(peak) + rng.normal(0.0, 0.8, N) for peak in (700.0, 740.0, 760.0)]
    walls[1][900:] = np.round(walls[1][900] * 4.0) / 4.0 + rng.integers(-1, 2, N - 900) * 0.25
    values = np.round(np.stack(walls, axis=1) * 4.0) / 4.0
    judge = Judge(placed("wall", "wall", "wall"))
    events = run(judge, T, values, np.zeros(values.shape, np.uint8))
    lasting(events, "p1", 1019.0)


def test_a_swapped_probe_reads_below_the_air() -> None:
    _, events = judged(placed("wall", "wall", "wall"), [warm(), warm(), 40.0 - warm() / 2.0])
    reported(events, "p2")


def test_a_loose_terminal_is_one_fault_while_it_comes_and_goes() -> None:
    loose = warm()
    rng = np.random.default_rng(5)
    for begin in range(900, 1700, 120):  # bursts with almost two quiet minutes between
        rows = begin + np.flatnonzero(rng.random(40) < 0.5)
        loose[rows] -= rng.uniform(60.0, 200.0, len(rows))
    _, events = judged(placed("wall", "wall", "coals"), [loose, warm(), warm()])
    reported(events, "p0", 900.0 + 120.0)


def test_a_stuck_probe_stays_at_fault_until_it_moves() -> None:
    stuck = warm() + np.random.default_rng(1).normal(0.0, 1.0, N)
    values = [stuck, warm(), warm(), warm()]
    _, events = judged(placed("wall", "wall", "air", "coals"), values)
    assert faults(events) == []
    plan = placed("wall", "wall", "air", "coals")
    grid = np.round((np.stack(values, axis=1) + np.random.default_rng(7).normal(0, 0.6, (N, 4))) * 4.0) / 4.0
    grid[900:1500, 0] = grid[900, 0]
    told = run(Judge(plan), T, grid)
    reported(told, "p0", 960.0)
    cleared = [
        e.t_s for e in told if e.data.get("transition") == "cleared" and e.data["rule"] == "probe_fault"
    ]
    assert 1500.0 < cleared[0] < 1600.0


@pytest.mark.parametrize("every_s", [1, 2, 4])
def test_kinds_of_faults_at_any_sampling_rate(every_s: int) -> None:
    """Stuck, loose at a wall, beyond any flame: at 1, 0.5 and 0.25 Hz reported within two minutes, and standing."""
    rng = np.random.default_rng(11)
    stuck, loose, leapt = (warm() + rng.normal(0.0, 1.0, N) for _ in range(3))
    stuck[1000:] = stuck[1000]
    bad = 1000 + np.flatnonzero(rng.random(N - 1000) < 0.4)
    loose[bad] -= rng.uniform(60.0, 250.0, len(bad))
    leapt[1000:] = 1305.0
    sound = [warm() + rng.normal(0.0, 1.0, N) for _ in range(3)]
    plan = placed(*["wall"] * 6)
    grid = np.stack([stuck, loose, leapt, *sound], axis=1)
    grid[:, 1:] += rng.normal(0.0, 0.6, (N, 5))
    grid = np.round(grid * 4.0) / 4.0
    events = run(Judge(plan), T[::every_s], grid[::every_s])
    found = faults(events)
    assert sorted(p for p, _ in found) == ["p0", "p1", "p2"]
    assert all(1000.0 < t <= 1120.0 for _, t in found)
    assert all(stands(events, p) for p, _ in found)


def test_a_probe_that_fell_out_is_reported_before_it_is_cold() -> None:
    """From 540 °C with a lag of 42 s beside air at 370 °C: no wall cools so fast."""
    fallen = np.where(T < 1200.0, warm(540.0), 70.0 + 470.0 * np.exp(-np.maximum(T - 1200.0, 0.0) / 42.0))
    _, events = judged(
        placed("wall", "air", "wall", "coals"), [fallen, warm(370.0), warm(660.0), warm(760.0)]
    )
    lasting(events, "p0", 1290.0)


@pytest.mark.parametrize("cools", [False, True], ids=["its water boils", "slid out"])
def test_a_wall_probe_that_cools_while_all_others_heat_slid_out_before_it_was_hot(cools: bool) -> None:
    """From 150 °C down to 120 °C, slower than any leap; a probe that only waits while its water boils is sound."""
    to_c = 120.0 if cools else 100.0
    slid = np.where(
        T < 440.0, warm(), to_c + (warm()[440] - to_c) * np.exp(-np.maximum(T - 440.0, 0.0) / 60.0)
    )
    slid = slid if cools else np.minimum(warm(), 100.0 + np.maximum(T - 700.0, 0.0))
    _, events = judged(placed("wall", "wall", "wall", "wall"), [slid, warm(), warm(700.0), warm(650.0)])
    if not cools:
        assert faults(events) == []
        return
    lasting(events, "p0", 560.0)


@pytest.mark.parametrize("raked", [False, True], ids=["fallen", "fire raked away"])
def test_the_only_probe_in_the_air_falls_out_or_the_fire_is_gone(raked: bool) -> None:
    """Beside walls and coals that hold, it has fallen out; where these cool as in the open, it hasn't."""
    air = np.where(T < 1200.0, warm(650.0), 60.0 + 590.0 * np.exp(-np.maximum(T - 1200.0, 0.0) / 20.0))
    away = np.maximum(T - 1200.0, 0.0) * raked
    wall, coals = (
        60.0 + (warm() - 60.0) * np.exp(-away / 500.0),
        60.0 + (warm() - 60.0) * np.exp(-away / 300.0),
    )
    _, events = judged(zoned(("z", "wall"), ("z", "air"), ("bed", "coals")), [wall, air, coals])
    assert [p for p, _ in faults(events)] == ([] if raked else ["p1"])


def test_air_that_stays_cold_beside_a_wall_that_warms_never_hung_in_the_stack() -> None:
    _, events = judged(zoned(("z", "wall"), ("z", "air")), [warm(over_s=900.0), 60.0 + 0.03 * warm()])
    lasting(events, "p1", 300.0 + 900.0 * 0.4 + 120.0)


def test_a_wall_that_leaps_down_in_a_second_stays_doubted() -> None:
    """An input that comes off while the fire burns, and drifts as its amplifier does with no signal."""
    adrift = np.where(T < 1000.0, warm(), 430.0 + 30.0 * np.sin(T / 300.0))
    _, events = judged(placed("wall", "wall", "wall", "coals"), [adrift, warm(), warm(), warm()])
    lasting(events, "p0", 1030.0)


@pytest.mark.parametrize(("reads", "by_c"), [("wall", -60.0), ("wall", 40.0), ("air", -90.0)])
def test_a_sudden_step_that_stays_near_the_others(reads: str, by_c: float) -> None:
    """An input that comes off and floats within the fire's own range: no gradual slowing, and then no progress."""
    adrift = np.where(T < 1000.0, warm(), 750.0 + by_c + 5.0 * np.sin(T / 200.0))
    _, events = judged(placed(reads, "wall", "air", "coals"), [adrift, warm(), warm(), warm()])
    lasting(events, "p0", 1030.0)


def test_a_probe_that_leapt_is_believed_once_it_moves_with_the_others() -> None:
    """A replacement probe in its place: it is hotter by 40 °C, and climbs as they do."""
    climbs = np.interp(T, [0.0, 300.0, 1800.0], [20.0, 25.0, 800.0])
    _, events = judged(placed(*["wall"] * 4), [np.where(T < 700.0, climbs, climbs + 40.0), *[climbs] * 3])
    reported(events, "p0", 730.0)
    assert not stands(events, "p0")


def test_bursts_of_a_loose_terminal_that_last_several_readings() -> None:
    """After the first two of a burst the third doesn't stand out: their edges count, the larger ones more."""
    loose = warm()
    rng = np.random.default_rng(5)
    for begin, by_c in ((1000, 15.0), (1021, 43.0), (1090, 45.0), (1160, 20.0), (1230, 50.0)):
        loose[begin : begin + 4] -= by_c + rng.uniform(0.0, 2.0, 4)
    _, events = judged(placed("wall", "wall", "coals"), [loose, warm(), warm()])
    reported(events, "p0", 1060.0)


def test_a_loose_walls_jumps_are_not_its_habit() -> None:
    """Mains hum on an open input, 10 °C to either side, for a quarter of an hour."""
    hums = warm() + np.where(T > 900.0, 10.0, 0.0) * np.cos(np.pi * T)
    _, events = judged(placed("wall", "wall", "coals"), [hums, warm(), warm()])
    lasting(events, "p0", 930.0)


def test_a_weak_hum_on_coals_stays_a_fault_for_half_an_hour() -> None:
    """It starts too weak for a threshold that has learned from the hum itself."""
    rng = np.random.default_rng(3)
    hums = warm(over_s=300.0) + np.where(T > 700.0, 9.0, 0.0) * rng.normal(0.0, 1.0, N)
    _, events = judged(placed("coals", "wall", "wall"), [hums, warm(), warm()])
    lasting(events, "p0", 760.0)


def test_a_probe_that_only_flickers_while_the_others_climb_is_stuck() -> None:
    """Too little noise for its flicker to stand out, while the clay is climbing."""
    climbs = np.interp(T, [0.0, 300.0, 1800.0], [20.0, 25.0, 800.0])
    grid = np.stack([climbs + 0.2 * np.random.default_rng(i).normal(0.0, 1.0, N) for i in range(3)], axis=1)
    grid = np.round(grid * 16.0) / 16.0
    grid[900:, 1] = grid[900, 1] + np.random.default_rng(9).integers(-1, 2, N - 900) / 16.0
    events = run(Judge(placed("wall", "wall", "wall")), T, grid)
    lasting(events, "p1", 1020.0)


def test_a_fallen_probe_stays_at_fault_as_the_fire_cools_to_it() -> None:
    cools = np.where(T < 1100.0, warm(), 60.0 + 690.0 * np.exp(-np.maximum(T - 1100.0, 0.0) / 200.0))
    fallen = np.where(T < 1000.0, cools, 80.0 + 670.0 * np.exp(-np.maximum(T - 1000.0, 0.0) / 8.0))
    _, events = judged(placed("air", "wall", "air", "coals"), [fallen, cools, cools, cools])
    lasting(events, "p0")


def test_a_fallen_probe_put_back_is_believed_once_it_moves_with_the_others() -> None:
    climbs = np.interp(T, [0.0, 300.0, 700.0, 1000.0, 1800.0], [20.0, 25.0, 600.0, 600.0, 800.0])
    fallen = np.where((T >= 800.0) & (T < 1000.0), 80.0, climbs)
    _, events = judged(placed("air", "wall", "air", "coals"), [fallen, climbs, climbs, climbs])
    reported(events, "p0")
    assert not stands(events, "p0")


def test_a_floating_input_isnt_back_when_it_drifts_past_where_it_leapt_from() -> None:
    adrift = np.where(T < 1000.0, warm(), 785.0 - 40.0 * np.sin((T - 1000.0) / 160.0) ** 2)
    _, events = judged(placed("wall", "wall", "air", "coals"), [adrift, warm(), warm(), warm()])
    lasting(events, "p0")


def test_a_probe_that_leapt_onto_its_neighbour_and_follows_it_is_not_believed() -> None:
    """It agrees with all of them, as its neighbour does; but no two places move so alike."""
    rng = np.random.default_rng(4)
    climbs = np.interp(T, [0.0, 300.0, 1800.0], [20.0, 25.0, 800.0])
    own = [
        climbs * share + 8.0 * np.sin(T / (60.0 + 30.0 * i)) for i, share in enumerate((0.75, 0.9, 1.0, 1.1))
    ]
    follows = np.where(T < 700.0, own[0], own[2] + rng.normal(0.0, 0.5, N))
    _, events = judged(placed(*["wall"] * 4), [follows, *own[1:]])
    lasting(events, "p0")


def test_a_hum_in_air_is_not_its_habit_while_other_air_is_as_before() -> None:
    rng = np.random.default_rng(3)
    airs = [warm() + 4.0 * rng.normal(0.0, 1.0, N) for _ in range(3)]
    airs[0] += np.where(T > 900.0, 60.0, 0.0) * rng.normal(0.0, 1.0, N)
    _, events = judged(placed("air", "air", "air", "wall"), [*airs, warm()])
    lasting(events, "p0", 960.0)


def test_walls_that_flicker_more_and_more_as_the_flames_reach_them_are_not_loose() -> None:
    rng = np.random.default_rng(5)
    flames = np.interp(T, [0.0, 600.0, 760.0], [1.5, 1.5, 6.5])
    flickers = rng.normal(0.0, 1.0, (N, 3))
    flickers[1:] = 0.8 * flickers[1:] + 0.5 * flickers[:-1]
    walls = [warm(480.0) + flames * own for own in flickers.T]
    _, events = judged(placed("wall", "wall", "wall", "coals"), [*walls, warm(480.0)])
    assert faults(events) == []


def test_a_contact_that_opens_again_after_four_minutes_stays_a_fault() -> None:
    comes_and_goes = np.where((T >= 900.0) & ((T - 900.0) % 240.0 < 20.0), np.nan, warm())
    _, events = judged(placed("wall", "wall", "coals"), [comes_and_goes, warm(), warm()])
    reported(events, "p0")


@pytest.mark.parametrize("alone", [True, False])
def test_no_night_cools_so_far_below_the_air(alone: bool) -> None:
    """Wires swapped: reported before anything else is hot, or with no other probe."""
    swapped = [60.0 - warm(90.0)] + [warm(90.0)] * (not alone)
    _, events = judged(placed(*["wall"] * len(swapped)), swapped)
    reported(events, "p0", 800.0)


def sinks(from_c: float, to_c: float, tau_s: float) -> Floats:
    """It cools from 900 s on."""
    return np.where(
        T < 900.0, warm(from_c), to_c + (from_c - to_c) * np.exp(-np.maximum(T - 900.0, 0.0) / tau_s)
    )


FLAME = np.select([T < 1000.0, T < 1001.0, T < 1002.0, T < 1003.0], [626.0, 719.0, 769.0, 780.0], 783.0)


@pytest.mark.parametrize(
    ("plan", "columns"),
    [
        pytest.param(
            placed("air", "air", "wall"),
            [np.where(T < 900.0, warm(626.0), FLAME), warm(), warm()],
            id="a flame that reaches a bead",
        ),
        pytest.param(
            placed("air", "air", "wall"),
            [np.where(T < 1000.0, warm(500.0), 590.0), np.where(T < 1000.0, warm(500.0), 540.0), warm()],
            id="a flame that reaches two at once",
        ),
        pytest.param(
            placed("wall", "air", "air", "coals"),
            [sinks(750.0, 20.0, 900.0), *[sinks(700.0, 20.0, 60.0)] * 3],
            id="clay that stays hot after the fire",
        ),
        pytest.param(
            zoned(("a", "wall"), ("b", "wall"), ("c", "wall"), ("d", "wall"), ("d", "air")),
            [warm(), warm(), warm(), warm(700.0, 1000.0), warm(750.0, 980.0)],
            id="a place that the fire hasn't reached",
        ),
        pytest.param(
            zoned(("a", "wall"), ("a", "air"), ("b", "air"), ("c", "air"), ("d", "coals")),
            [sinks(500.0, 60.0, 700.0), sinks(450.0, 60.0, 40.0), warm(), warm(), warm()],
            id="air where the walls lose their heat as well",
        ),
    ],
)
def test_a_fire_in_one_place_is_no_fault(plan: Plan, columns: list[Floats]) -> None:
    assert faults(judged(plan, columns)[1]) == []


@pytest.mark.parametrize(
    ("plan", "columns", "every_s", "step_c"),
    [
        pytest.param(
            placed("air", "air", "wall"),
            [
                20.0 + 800.0 * (1.0 - np.exp(-np.maximum(T - 300.0, 0.0) / 8.0)),
                20.0 + 700.0 * (1.0 - np.exp(-np.maximum(T - 320.0, 0.0) / 15.0)),
                warm(),
            ],
            1,
            0.1,
            id="steep rises at ignition",
        ),
        pytest.param(placed("wall", "air", "air"), [warm(), warm(), warm()], 60, 0.33, id="slow and coarse"),
        pytest.param(
            placed("wall", "wall", "wall", "air"),
            [20.0 + 0.02 * warm(), 20.0 + 0.15 * warm(), warm(), warm()],
            15,
            0.1,
            id="deep in a wall",
        ),
        pytest.param(
            placed("air", "air", "air", "wall"),
            [
                warm() - 600.0 * (1.0 - np.exp(-np.maximum(T - 1000.0, 0.0) / 60.0)),
                warm() - 450.0 * (1.0 - np.exp(-np.maximum(T - 1010.0, 0.0) / 80.0)),
                warm() - 350.0 * (1.0 - np.exp(-np.maximum(T - 1020.0, 0.0) / 120.0)),
                warm() - 120.0 * (1.0 - np.exp(-np.maximum(T - 1020.0, 0.0) / 300.0)),
            ],
            5,
            0.1,
            id="lower air cools first",
        ),
    ],
)
def test_what_is_no_fault(plan: Plan, columns: list[Floats], every_s: int, step_c: float) -> None:
    _, events = judged(plan, columns, every_s, step_c)
    assert faults(events) == []
    assert raised(events, "rig_silent") == []


PUFFS = np.where((T % 170.0 < 10.0) & (T > 300.0), 330.0, 85.0 + 4.0 * np.sin(T / 30.0))


@pytest.mark.parametrize(
    ("plan", "columns", "every_s"),
    [
        pytest.param(
            placed("wall", "wall", "wall"),
            [
                np.minimum(20.0 + 90.0 * (T / 900.0) ** 1.6, 99.2),
                20.0 + 0.002 * T**1.5,
                20.0 + 0.003 * T**1.5,
            ],
            15,
            id="a bead where water boils",
        ),
        pytest.param(
            placed("wall", "wall", "wall"),
            [240.0 - 90.0 * ((T - 900.0) / 900.0) ** 2, warm(), warm(600.0)],
            15,
            id="a wall that turns",
        ),
        pytest.param(
            placed("air", "air", "air", "air"),
            [70.0 + 0.4 * T, 55.0 + 0.35 * T, 50.0 + 0.3 * T, 18.0 + 0.02 * T],
            15,
            id="a file that begins in a fire",
        ),
        pytest.param(
            placed("air", "air", "air"),
            [PUFFS, warm(700.0, 0.0, 200.0), warm(720.0, 0.0, 200.0)],
            10,
            id="puffs",
        ),
        pytest.param(
            placed("wall", "air", "air"),
            [
                17.5 + 0.1 * np.maximum(T - 900.0, 0.0),
                20.0 + 0.9 * np.minimum(T, 900.0),
                20.0 + np.minimum(T, 900.0),
            ],
            15,
            id="deep in masonry",
        ),
        pytest.param(
            placed("wall", "air", "air"),
            [
                17.5 + 0.1 * (T < 60.0) * (T % 30.0 < 15.0) + 0.1 * np.maximum(T - 900.0, 0.0),
                20.0 + 0.9 * np.minimum(T, 900.0),
                20.0 + np.minimum(T, 900.0),
            ],
            15,
            id="deep in masonry, where it flickered at first",
        ),
        pytest.param(
            placed("wall", "air", "air"),
            [
                np.minimum(20.0 + 0.2 * T, 99.6) + 0.1 * np.floor(np.maximum(T - 400.0, 0.0) / 300.0),
                np.where(T < 900.0, 800.0, 300.0 + 500.0 * np.exp(-(T - 900.0) / 300.0)),
                np.where(T < 900.0, 780.0, 280.0 + 500.0 * np.exp(-(T - 900.0) / 300.0)),
            ],
            15,
            id="water boils in a wall while the fire dies",
        ),
        pytest.param(
            placed("wall", *["air"] * 4),
            [
                np.where(
                    T < 1000.0,
                    np.floor(20.0 + 0.5 * T),
                    np.floor(
                        520.0 + 5.0 * (1.0 - np.exp(-(T - 1000.0) / 30.0)) - 0.1 * np.maximum(T - 1200.0, 0.0)
                    ),
                ),
                *(
                    np.where(T < 1000.0, 20.0 + 0.8 * T, 20.0 + 800.0 * np.exp(-(T - 1000.0) / 300.0))
                    for _ in range(4)
                ),
            ],
            10,
            id="a wall read in whole degrees that turns as the fire goes out",
        ),
        pytest.param(
            placed(*["air"] * 6),
            [
                np.where(T < 300.0, 13.0 + 0.1 * np.round(np.sin(T / 7.0)), 13.0),
                14.0 + 0.2 * np.round(2.0 * np.sin(T / 11.0)),
                *(
                    warm(500.0 + i) + np.clip(T / 5.0 - 60.0, 0.0, 90.0) * np.sin(T / 23.0 + i)
                    for i in range(4)
                ),
            ],
            1,
            id="fresh air that stands where the fire draws it in",
        ),
        pytest.param(
            placed("air", "air", "air"),
            [
                20.0 + 1310.0 * np.minimum(T / 600.0, 1.0),
                20.0 + 1270.0 * np.minimum(T / 600.0, 1.0),
                warm(900.0),
            ],
            5,
            id="hotter than any fire in the open, two of them",
        ),
    ],
)
def test_what_measured_fires_show_is_no_fault(plan: Plan, columns: list[Floats], every_s: int) -> None:
    """Courses drawn after fires that others measured (github firemodels/exp, public domain): no noise, 0.1 °C."""
    values = np.round(np.stack(columns, axis=1), 1)[::every_s]
    judge = Judge(plan, stored=True, usual_s=np.full(len(columns), float(every_s)))
    assert faults(run(judge, T[::every_s], values, np.zeros(values.shape, np.uint8))) == []


def test_a_channel_that_begins_late_and_ends_early_in_a_file_is_no_fault() -> None:
    values = np.stack([warm(), warm(), warm()], axis=1)
    values += np.random.default_rng(7).normal(0.0, 0.6, values.shape)
    status = np.zeros(values.shape, np.uint8)
    status[:400, 0] = status[1200:, 0] = Status.ABSENT
    values[status == Status.ABSENT] = np.nan
    assert faults(run(Judge(placed("air", "air", "air"), stored=True), T, values, status)) == []
    # At a fire being recorded, an input that no longer sends anything is at fault.
    [(probe, at_s)] = faults(run(Judge(placed("air", "air", "air")), T, values, status))
    assert probe == "p0"
    assert at_s > 1200.0


@pytest.mark.slow
@pytest.mark.parametrize("every_s", [60, 600])
def test_a_slow_file_counts_the_line_between_readings(every_s: int) -> None:
    """Above 600 °C for an hour, going up and down by 1 °C in 6 s; no gap between readings."""
    t_s = np.arange(0.0, 10_801.0, every_s)
    level = 20.0 + (900.0 - np.abs(t_s - 5400.0) / 6.0)
    judge = Judge(placed("wall"), stored=True, usual_s=np.array([float(every_s)]))
    events = run(judge, t_s, level[:, None])
    judge.close()
    [zone] = judge.verdict(ahead=False).zones
    assert raised(events, "rig_silent") == []
    assert zone.peak_c == pytest.approx(920.0)
    assert zone.soak_s == pytest.approx(2 * 220.0 * 6.0, rel=0.01)
    assert zone.above_s["600"] == pytest.approx(2 * 320.0 * 6.0, rel=0.01)
