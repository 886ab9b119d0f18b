"""The estimate of the pots: what it rests on, how it follows, when it is sure, gun readings, silence,
nonsense."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from scipy.integrate import solve_ivp

from logger.judgement.estimate.heard import COLDEST_C, HOTTEST_C
from logger.judgement.estimate.model import Model
from logger.judgement.estimate.pots import SPOT_WAIT_S, Pots
from logger.judgement.estimate.spots import surface_of_spot
from logger.judgement.estimate.zones import EstimateRow, estimate_table
from logger.judgement.judge import Judge
from logger.judgement.trend import Course
from logger.judgement.verdicts import LoadVerdict, verdict_data
from logger.plan import Clay, Plan, Probe
from logger.reading import Floats
from logger.simulator import SimulatedFiring, simulate
from tests.physics.gun import apparent_c

WALL = Probe("wall", "k0", reads="wall", zone="belly", height_cm=20)
AIR = Probe("air", "k1", reads="air", zone="belly", height_cm=20)
OTHER = Probe("other wall", "k2", reads="wall", zone="neck", height_cm=40)


@cache
def fire() -> SimulatedFiring:
    return simulate(12, rate_hz=0.5, mishaps="none", probes=5)


def plan(zones: tuple[str, ...] = ()) -> Plan:
    return replace(fire().plan, clay=Clay(zones=zones))


def beside(plan: Plan) -> Judge:
    return Judge(plan, estimating=True)


def judged(judge: Judge, until_s: float = np.inf, since_s: float = -np.inf, step: int = 500) -> LoadVerdict:
    """Push the firing, or part of it, to a judge."""
    t = fire().t_s
    rows = np.flatnonzero((t >= since_s) & (t < until_s))
    for a in range(0, len(rows), step):
        part = rows[a : a + step]
        judge.push(t[part], fire().temperature_c[part], fire().status[part])
    return judge.verdict()


def told(probes: tuple[Probe, ...], columns: Floats, *, clay: Clay | None = None) -> list[EstimateRow]:
    """Readings at 1 Hz, a column per probe, and the estimates of the pots."""
    judge = beside(Plan(title="Invented", probes=probes, clay=clay or Clay()))
    values = columns + np.random.default_rng(1).normal(0, 0.3, columns.shape)
    judge.push(np.arange(float(len(values))), values, np.zeros(values.shape, np.uint8))
    return judge.take_estimates()


@pytest.mark.slow
def test_estimating_changes_no_verdict() -> None:
    plain, watched = Judge(plan()), beside(plan())
    without, with_ = judged(plain, 5400), judged(watched, 5400)
    assert without.zones == with_.zones
    assert without.line == with_.line
    assert not without.estimates
    assert set(with_.estimates) == {p.zone for p in plan().probes if p.reads != "coals"}


# --- what it rests on, and how it follows -------------------------------------------------------------------


def test_a_wall_that_holds_is_what_its_probe_reads() -> None:
    """Within what a class 2 couple of type K may be off at 700 °C: 0.75 % (IEC 60584-1), and a tip that
    leaks."""
    last = told((WALL,), np.full((900, 1), 700.0))[-1].zones["belly"]
    assert last.wall_c == pytest.approx(700.0, abs=0.0075 * 700 + 5)
    assert last.lo_c < 700 < last.hi_c
    assert last.basis == "probe"
    assert last.inside_lag_c == pytest.approx(0.0, abs=3.0)


def test_without_a_probe_on_it_a_wall_follows_the_air_as_a_lumped_body_does() -> None:
    """Incropera and DeWitt, lumped capacitance with convection and radiation, by scipy's solver."""
    t = np.arange(1500.0)
    air = np.where(t < 300, 100.0, 800.0)
    rows = told((AIR,), air[:, None])
    model = Model()

    def rate(_: float, y: Floats) -> Floats:
        shone = model.view * 5.670374419e-8 * ((800 + 273.15) ** 4 - (y + 273.15) ** 4)
        return (model.film_w_m2k * (800 - y) + shone) / model.areal_capacity_j_m2k

    solved = solve_ivp(rate, (0, 1200), [100.0], method="LSODA", dense_output=True, rtol=1e-8)
    # What the air does is known some ten to twenty seconds late, smoothed, and a step is five more.
    for row in rows:
        if row.t_s > 330:
            late, now = solved.sol([row.t_s - 330, row.t_s - 300])[0]
            assert late - 5 <= row.zones["belly"].wall_c <= now + 5


def test_hotter_coals_keep_a_wall_above_the_air_beside_it() -> None:
    coals = Probe("coals", "k3", reads="coals", zone="under", height_cm=0)
    columns = np.full((3000, 2), 500.0)
    columns[:, 1] = 800.0
    last = told((AIR, coals), columns)[-1].zones["belly"]
    # A fifth of the way to the coals, which heat it, and a tenth of the rest in case embers touch it.
    assert last.wall_c == pytest.approx(584.0, abs=5.0)
    assert last.hi_c > 840, (
        "embers against it would have it as hot as they are, and the bed's probe says too little"
    )


def test_once_the_flames_have_died_embers_may_keep_a_wall_hotter_than_its_air() -> None:
    t = np.arange(3600.0)
    air = np.interp(t, [0, 300, 600, 1800, 2400], [30.0, 60.0, 850.0, 850.0, 400.0])
    rows = {row.t_s: row.zones["belly"] for row in told((AIR,), air[:, None])}
    assert rows[1800.0].hi_c < 1100
    assert rows[3000.0].wall_c < 550
    assert rows[3000.0].hi_c > 650
    assert rows[200.0].hi_c < 150, "a cold bed heats nothing"


def test_by_air_alone_the_band_reaches_a_wall_that_warms_at_a_third_of_the_usual_pace() -> None:
    """Incropera and DeWitt, lumped capacitance as above, of thick and wet clay in still air."""
    t = np.arange(2400.0)
    air = np.interp(t, [0, 300, 1200], [100.0, 100.0, 500.0])
    rows = {row.t_s: row.zones["belly"] for row in told((AIR,), air[:, None]) if row.zones}
    model = Model()

    def rate(at_s: float, y: Floats) -> Floats:
        source = np.interp(at_s, t, air)
        shone = model.view * 5.670374419e-8 * ((source + 273.15) ** 4 - (y + 273.15) ** 4)
        return 0.33 * (model.film_w_m2k * (source - y) + shone) / model.areal_capacity_j_m2k

    solved = solve_ivp(rate, (0, 2400), [100.0], method="LSODA", dense_output=True, rtol=1e-8, max_step=20)
    for at_s in (800.0, 1200.0, 1600.0):
        assert rows[at_s].lo_c < solved.sol(at_s)[0] < rows[at_s].wall_c - 40


def test_no_estimate_where_a_wall_moves_faster_than_its_probe_can_show() -> None:
    """A minute's lag at 2.5 °C/s is 150 °C, with a probe on the wall or next to it."""
    t = np.arange(700.0)
    for probe in (WALL, AIR):
        for pace, is_told in ((1.0, True), (2.7, False)):
            climb = 200.0 + np.clip(pace * (t - 500), 0, 200)
            rows = {row.t_s for row in told((probe,), climb[:, None]) if row.zones}
            assert 490.0 in rows
            assert (550.0 in rows) == is_told, (probe.reads, pace)


def test_a_probe_far_colder_than_any_wall_can_be_beside_that_air_touches_none() -> None:
    """Even if no rule has reported it: here it is trusted throughout."""
    level = np.full((3000, 2), 650.0)
    level[:, 0] = np.interp(np.arange(3000), [0, 300, 3000], [650.0, 650.0, 420.0])
    still, here = np.zeros_like(level), np.ones_like(level, dtype=np.bool_)
    course = Course(level, level, level, level, still, here, still, still + 1.0)
    rows, _ = Pots(Plan(title="Invented", probes=(WALL, AIR))).run(0, course, np.ones_like(level))
    last = rows[-1].zones["belly"]
    assert last.wall_c == pytest.approx(650.0, abs=60.0)
    assert not last.consistent


def test_a_hot_zone_without_its_only_probe_soon_has_no_estimate() -> None:
    columns = np.full((1800, 2), 700.0)
    columns[900:, 0] = np.nan
    rows = {row.t_s: row.zones for row in told((WALL, OTHER), columns)}
    assert rows[890.0].keys() == rows[960.0].keys() == {"belly", "neck"}
    assert rows[1790.0].keys() == {"neck"}


def test_just_after_lighting_air_alone_says_nothing_about_the_pots() -> None:
    """Air at 800 °C: a wall of 4 or 12 mm is then anywhere between its start and 800."""
    t = np.arange(2400.0)
    rows = {row.t_s for row in told((AIR,), np.where(t < 300, 100.0, 800.0)[:, None])}
    assert 290.0 in rows
    assert not rows & {350.0, 400.0}
    assert 2000.0 in rows


def test_hot_air_in_the_first_reading_says_nothing_about_a_pot_just_set() -> None:
    rows = {row.t_s for row in told((AIR,), np.full((2400, 1), 500.0))}
    assert not rows & {10.0, 60.0}
    assert 2000.0 in rows


@pytest.mark.slow
def test_air_that_disagrees_with_the_walls_around_it_is_doubted() -> None:
    """A draught past the bead, or a cold place in the stack: it may be either."""
    columns = np.full((3600, 2), 560.0)
    columns[:, 1] = 660.0
    alone = told((AIR,), columns[:, :1])[-1].zones["belly"]
    doubted = told((AIR, OTHER), columns)[-1].zones["belly"]
    assert doubted.wall_c > alone.wall_c + 20
    assert doubted.lo_c < 560
    assert doubted.hi_c > 660
    columns[:, 1] = 860.0
    assert "belly" not in told((AIR, OTHER), columns)[-1].zones, "300 °C apart: nothing can be told"


def test_how_far_walls_are_above_their_air_is_learnt_from_zones_with_both() -> None:
    columns = np.full((3600, 3), 500.0)
    columns[:, 1:] = 800.0, 500.0
    other_air = replace(AIR, name="other air", channel="k6", zone="neck", height_cm=40)
    last = told((AIR, OTHER, other_air), columns)[-1].zones["belly"]
    assert 680 < last.wall_c < 800
    assert last.lo_c < 720
    assert last.hi_c > 790


def test_when_the_wall_probe_is_lost_the_air_takes_over_without_a_leap() -> None:
    columns = np.full((1200, 2), 600.0)
    columns[600:, 0] = np.nan
    columns[:, 1] = 500.0
    rows = {row.t_s: row.zones["belly"] for row in told((WALL, AIR), columns)}
    assert rows[620].wall_c == pytest.approx(rows[600].wall_c, abs=25.0)
    # How far the wall was above its air is forgotten over a quarter of an hour.
    assert rows[1190].wall_c == pytest.approx(500.0 + 100.0 * np.exp(-590 / 900), abs=10.0)
    assert rows[1190].hi_c - rows[1190].lo_c > 2 * (rows[590].hi_c - rows[590].lo_c)
    assert not rows[1190].consistent, "nothing tests what is told by air alone"


def test_a_lost_wall_probes_last_word_outweighs_the_neighbours() -> None:
    """Coals fell away next door, embers still lie here: the estimate isn't drawn down within minutes."""
    columns = np.full((900, 3), 600.0)
    columns[600:, 0] = np.nan
    columns[:, 1:] = 450.0, 450.0
    rows = {row.t_s: row.zones["belly"] for row in told((WALL, AIR, OTHER), columns)}
    assert rows[590.0].wall_c == pytest.approx(600.0, abs=15.0)
    assert 550.0 < rows[750.0].wall_c < 600.0
    assert rows[750.0].lo_c < 520.0


def test_a_thicker_wall_trails_its_face_further() -> None:
    """The mean of a wall heated from one side is L²/(3a) behind it; half of that is allowed for."""
    t = np.arange(900.0)
    climb = (100 + 0.5 * t)[:, None]
    thin, thick = (
        told((WALL,), climb, clay=Clay(wall_mm=mm))[-1].zones["belly"].wall_c for mm in (4.0, 12.0)
    )
    assert thin - thick == pytest.approx(0.5 * (144 - 16) / 0.5 / 6, rel=0.05)


@pytest.mark.slow
def test_the_band_is_wider_towards_what_is_behind_the_wall() -> None:
    """Heat flows through the wall into what is colder: the mean may be on that side of its face, not
    beyond."""
    t = np.arange(3600.0)
    course = np.interp(t, [0, 300, 1300, 2600, 3600], [60, 60, 760, 760, 60])[:, None]
    rows = {row.t_s: row.zones["belly"] for row in told((WALL,), course)}

    def lopsided(at_s: float) -> float:
        now = rows[at_s]
        return (now.wall_c - now.lo_c) / (now.hi_c - now.wall_c)

    assert lopsided(250.0) == pytest.approx(1.0, abs=0.1)
    assert lopsided(1200.0) > 2.0
    assert lopsided(3500.0) < 0.5
    assert 1.0 < lopsided(2590.0) < 1.6, "what is behind has caught up"
    thin, thick = (told((WALL,), course, clay=Clay(wall_mm=mm))[100].zones["belly"] for mm in (4.0, 12.0))
    assert thick.wall_c - thick.lo_c > 1.5 * (thin.wall_c - thin.lo_c)


def test_a_zone_without_a_probe_goes_by_its_neighbours_and_gun_readings() -> None:
    judge = beside(plan(("far side",)))
    judged(judge, 2400)
    before = judge.verdict().estimates["far side"]
    assert before.basis == "neighbours"
    assert not before.consistent
    assert judge.spot(2400.0, "far side", 400.0, 0.95)
    judged(judge, 2460, since_s=2400)
    far = judge.verdict().estimates["far side"]
    assert far.basis == "spot"
    assert far.hi_c - far.lo_c < before.hi_c - before.lo_c
    assert not judge.spot(2460.0, "nowhere", 400.0, 0.95)
    assert "far side" not in {v.zone for v in judge.verdict().zones}, "no verdict without a probe"


def test_silence_widens_the_band() -> None:
    judge = beside(plan())
    before = judged(judge, 1800).estimates
    judge.advance(1800 + 900.0)
    after = judge.verdict().estimates
    for zone, e in before.items():
        assert after[zone].hi_c - after[zone].lo_c > 1.5 * (e.hi_c - e.lo_c)
        assert after[zone].basis == "nothing"
        assert not after[zone].consistent


# --- when it is sure ----------------------------------------------------------------------------------------


def wobbling(size_c: float) -> Floats:
    """A wall at 600 °C whose probe, of 8 s, lifts off it now and then."""
    t = np.arange(1500)
    off = (t > 700) & (t // 40 % 2 == 0)
    lag = np.exp(-np.arange(100.0) / 8.0)
    return np.asarray(600.0 - size_c * np.convolve(off, lag / lag.sum())[: len(t)], np.float64)


def test_it_is_consistent_only_while_readings_come_as_predicted() -> None:
    sound = {row.t_s: row.zones["belly"] for row in told((WALL,), wobbling(0.0)[:, None])}
    loose = {row.t_s: row.zones["belly"] for row in told((WALL,), wobbling(50.0)[:, None])}
    assert not sound[200].consistent, "hardly tested yet"
    assert sound[600].consistent
    assert sound[1400].consistent
    assert not loose[1400].consistent
    assert loose[1400].hi_c - loose[1400].lo_c > 1.5 * (sound[1400].hi_c - sound[1400].lo_c)


def test_two_walls_of_a_zone_that_say_different_things_are_not_consistent() -> None:
    second = replace(WALL, name="second", channel="k4")
    columns = np.full((1200, 2), 600.0)
    near = told((WALL, second), columns)[-1].zones["belly"]
    columns[:, 1] = 480.0
    apart = told((WALL, second), columns)[-1].zones["belly"]
    assert near.consistent
    assert not apart.consistent
    assert apart.lo_c < 500
    assert apart.hi_c > 580


def test_a_wall_that_falls_from_hot_air_is_not_believed_blindly() -> None:
    """Air at 700 °C heats a wall: one that falls anyway, too slowly to be reported, isn't what it was."""
    t = np.arange(1500.0)
    columns = np.full((1500, 2), 700.0)
    columns[:, 0] = np.where(t < 800, 690.0, 690.0 - 0.6 * (t - 800))
    last = told((WALL, AIR), columns)[-1].zones["belly"]
    assert not last.consistent


def test_a_wall_in_embers_that_holds_beside_colder_air_is_believed() -> None:
    columns = np.full((1800, 2), 780.0)
    columns[:, 1] = 500.0
    last = told((WALL, AIR), columns)[-1].zones["belly"]
    assert last.consistent
    assert last.lo_c < 790 < last.hi_c


# --- gun readings
# --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("pot_c", [600.0, 700.0, 800.0])
@pytest.mark.parametrize(("around", "most_c"), [("the fire", 16.0), ("half of it", 16.0)])
def test_a_gun_reading_in_the_fire_reflects_the_fire(pot_c: float, around: str, most_c: float) -> None:
    """Planck's law: what a gun shows for clay of 0.92 that is shut in by glow, or half open to the air."""
    glow = pot_c if around == "the fire" else 0.72 * (pot_c + 273.15) - 273.15
    shown = float(apparent_c(pot_c, emissivity=0.92, set_emissivity=0.95, surroundings_c=glow))
    surface_c, u_c = surface_of_spot(shown, 0.95, pot_c)
    assert abs(surface_c - pot_c) < most_c
    assert abs(surface_c - pot_c) < 1.2 * u_c
    assert surface_of_spot(shown, 0.95)[0] == pytest.approx(surface_c, abs=8.0), "the pot itself is the fire"


def test_a_gun_set_to_another_emissivity_shows_the_same_surface() -> None:
    found = []
    for set_emissivity in (0.85, 0.92, 1.0):
        shown = float(apparent_c(650.0, emissivity=0.92, set_emissivity=set_emissivity, surroundings_c=500.0))
        found.append(surface_of_spot(shown, set_emissivity, 650.0)[0])
    assert np.ptp(found) < 0.5


def zone_of_pots() -> str:
    return next(p.zone for p in fire().plan.probes if p.reads == "air")


def test_a_gun_reading_counts_at_its_own_time_whenever_it_was_entered() -> None:
    zone = zone_of_pots()
    early, late, never = beside(plan()), beside(plan()), beside(plan())
    judged(early, 700)
    judged(late, 702)
    before = judged(never, 712).estimates[zone].surface_c
    for judge in (early, late):
        judge.spot(701.0, zone, before + 150.0, 0.95)
    judged(early, 712, since_s=700)
    judged(late, 712, since_s=702)
    assert early.verdict() == late.verdict()
    assert early.verdict().estimates[zone].surface_c > before + 3.0
    assert not early.verdict().estimates[zone].consistent, "it fell far from where it was expected"
    assert SPOT_WAIT_S < 10


@pytest.mark.parametrize("when_s", [702, 760], ids=["before it counted", "after"])
def test_a_gun_reading_taken_back_leaves_no_trace(when_s: int) -> None:
    zone = zone_of_pots()
    slip, never = beside(plan()), beside(plan())
    for judge in (slip, never):
        judged(judge, 700)
        judge.spot(690.0, zone, 130.0, 0.95)
    slip.spot(701.0, zone, 1200.0, 0.95)
    judged(slip, when_s, since_s=700)
    slip.retract_spot(701.0, zone)
    judged(slip, 800, since_s=when_s)
    judged(never, 800, since_s=700)
    assert slip.verdict().estimates == never.verdict().estimates
    slip.retract_spot(690.0, "nowhere")
    slip.retract_spot(12.0, zone)
    assert slip.verdict().estimates == never.verdict().estimates


# --- the same however it arrives
# -----------------------------------------------------------------------------


def test_how_readings_are_split_makes_no_difference() -> None:
    whole, cut = beside(plan()), beside(plan())
    assert judged(whole, 1500, step=100_000) == judged(cut, 1500, step=37)
    assert whole.take_estimates() == cut.take_estimates()


def test_a_restart_resumes_to_the_second() -> None:
    straight = beside(plan())
    judged(straight, 1203)
    straight.spot(1203.0, straight.plan.zones[-1], 300.0, 0.95)
    straight.take_estimates()
    again = Judge.restore(plan(), straight.snapshot(), estimating=True)
    # The journal repeats it.
    assert again.spot(1203.0, straight.plan.zones[-1], 300.0, 0.95)
    assert judged(again, 1800, since_s=1203) == judged(straight, 1800, since_s=1203)
    assert again.take_estimates() == straight.take_estimates() != []


def test_a_row_every_ten_seconds_and_a_table_of_them() -> None:
    judge = beside(plan(("far side",)))
    judged(judge, 300)
    rows = judge.take_estimates()
    assert [row.t_s for row in rows] == list(range(10, 300, 10))
    assert judge.take_estimates() == []
    table = estimate_table(judge.plan, rows, 299.0)
    assert table["time_s"] == [10.0 * i for i in range(30)]
    assert set(table["zones"]) == {*judge.plan.zones, "far side"}
    for zone, lines in table["zones"].items():
        assert {len(line) for line in lines.values()} == {30}
        if zone in rows[-1].zones:
            assert lines["c"][0] is None
            assert lines["low_c"][29] < lines["c"][29] < lines["high_c"][29]
        else:
            assert lines["c"] == [None] * 30, "a zone of coals holds no pots"


def test_programs_see_that_it_is_estimated() -> None:
    judge = beside(plan())
    data = verdict_data(judged(judge, 1500))
    for zone, e in data["load"]["estimates"].items():
        assert e["kind"] == "estimated"
        assert e["low_c"] < e["estimate_c"] < e["high_c"]
        assert zone in judge.verdict().estimates


@pytest.mark.slow
@settings(max_examples=25, deadline=None)
@given(
    st.lists(
        st.sampled_from([20.0, 100.0, 500.0, 900.0, 1250.0, 1e9, -300.0, np.nan]), min_size=3, max_size=24
    ),
    st.sampled_from([None, 3.0, 20.0]),
)
def test_no_state_leaves_what_is_physically_possible(levels: list[float], wall_mm: float | None) -> None:
    probes = (WALL, AIR, OTHER, Probe("ir", "k5", reads="surface", zone="far", height_cm=60))
    columns = np.repeat(np.array(levels), 37)[:, None] * np.array([1.0, 0.7, 1.1, 0.9])
    for row in told(probes, columns, clay=Clay(wall_mm=wall_mm, zones=("nowhere",))):
        for zone in row.zones.values():
            assert COLDEST_C <= zone.lo_c <= zone.wall_c <= zone.hi_c <= HOTTEST_C
            assert abs(zone.surface_c - zone.wall_c) <= abs(zone.inside_lag_c)
            assert np.isfinite(zone.steepest_c_mm)


# --- rules that look at the clay ----------------------------------------------------------------------------


def dried(wall_mm: float | None, c_per_min: float) -> list[str]:
    """A load that dries for a quarter of an hour and warms at a rate to 250 °C: which alarms are raised."""
    plan = Plan(title="Invented", probes=(WALL, OTHER), clay=Clay(wall_mm=wall_mm))
    judge = Judge(plan)
    t = np.arange(0.0, 900 + 60 * 190 / c_per_min)
    level = 60 + np.maximum(t - 900, 0) * c_per_min / 60
    values = level[:, None] + np.random.default_rng(3).normal(0, 0.6, (len(level), 2))
    said = judge.push(np.arange(len(level), dtype=float), values, np.zeros(values.shape, np.uint8))
    return [e.data["rule"] for e in said if e.kind == "alarm" and e.data["transition"] == "raised"]


@pytest.mark.slow
def test_heating_a_thick_wall_is_too_fast_where_a_thin_one_takes_it() -> None:
    """At 9 °C a minute a wall heated from its face has R L / a at most: 1.2 °C/mm in 4 mm, 5.4 in 18 (0.5
    mm²/s)."""
    assert "heating_too_fast" not in dried(None, 9.0), "by the rate alone it is slow enough"
    assert "heating_too_fast" not in dried(4.0, 9.0)
    assert "heating_too_fast" in dried(18.0, 9.0)
    assert "heating_too_fast" in dried(None, 14.0)
    assert "heating_too_fast" not in dried(3.0, 14.0), "a thin wall bears what the rate would call"
