"""The estimate beside the judgement: when a verdict goes by it, spot readings, silence and impossible readings."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from logger.judgement.clay import SPOT_WAIT_S, ClayWatch, surface_of_spot
from logger.judgement.judge import Judge, LoadVerdict, verdict_data
from logger.judgement.rehearsal import summary
from logger.physics.infrared import apparent_c
from logger.plan import Clay, Plan, Probe
from logger.reading import Status
from logger.sources.simulated import SimulatedFiring, simulate


@cache
def fire() -> SimulatedFiring:
    return simulate(12, rate_hz=0.5, mishaps="none", probes=5)


def plan(judge_on: str = "estimate", zones: tuple[str, ...] = ()) -> Plan:
    return replace(fire().plan, clay=Clay(judge_on=judge_on, zones=zones), target_c=700.0, soak_min=3.0)  # type: ignore[arg-type]


def judged(judge: Judge, until_s: float = np.inf, since_s: float = -np.inf, step: int = 500) -> LoadVerdict:
    """The firing, or a part of it, given to a judge."""
    t = fire().t_s
    rows = np.flatnonzero((t >= since_s) & (t < until_s))
    for a in range(0, len(rows), step):
        part = rows[a : a + step]
        judge.push(t[part], fire().temperature_c[part], fire().status[part])
    return judge.verdict()


def test_probes_alone_unless_the_plan_says_otherwise() -> None:
    plain, beside = Judge(plan("probes")), Judge(plan("probes"), estimating=True)
    without, with_ = judged(plain, 5400), judged(beside, 5400)
    assert without.zones == with_.zones
    assert without.line == with_.line
    assert not without.estimates
    assert {v.by for v in with_.zones} == {"probes"}
    assert set(with_.estimates) == {p.zone for p in plan().probes if p.reads != "coals"}


def test_a_verdict_goes_by_the_estimate_once_its_zone_has_proved_consistent() -> None:
    judge = Judge(plan())
    early = judged(judge, 480)
    pots = [v for v in early.zones if not v.coals]
    assert {v.by for v in pots} == {"probes"}, "ten minutes have not passed"
    assert "By probes, not by the estimate: " + ", ".join(sorted(v.zone for v in pots)) in early.line
    later = judged(judge, 2400, since_s=480)
    found = {v.zone: v for v in later.zones if not v.coals}
    proved = {zone for zone, e in later.estimates.items() if e.consistent}
    assert proved
    assert {zone for zone, v in found.items() if v.by == "estimate"} == proved & set(found)
    for zone in proved:
        assert found[zone].level_c == pytest.approx(later.estimates[zone].wall_c, abs=0.06)
    assert later.coldest in proved
    assert f"{later.coldest} is coldest at {found[later.coldest].level_c:.0f} °C (estimated): " in later.line


def test_target_and_soak_count_by_what_the_verdict_goes_by() -> None:
    by_probes, by_estimate = judged(Judge(plan("probes"))), judged(Judge(plan()))
    apart = {
        v.zone: v.above_s["700"] - next(w for w in by_estimate.zones if w.zone == v.zone).above_s["700"]
        for v in by_probes.zones
        if not v.coals
    }
    assert any(abs(s) > 30 for s in apart.values()), "clay and air are not at 700 °C for the same time"
    for v in by_estimate.zones:
        assert v.soak_s == v.above_s["700"]
    counted = {z["zone"]: z["by"] for z in summary(plan(), [], by_estimate, 1.0)["zones"]}
    assert set(counted.values()) == {"estimate", "probes"}, "coals are never estimated"
    assert {z["by"] for z in summary(plan(), [], by_probes, 1.0)["zones"]} == {"probes"}


def test_good_news_goes_by_what_the_verdict_goes_by() -> None:
    """The clay reaches its target after the air beside it, and the words say what it is."""

    def reached(judge: Judge) -> dict[str, tuple[float, str]]:
        rows = fire().t_s < 4800
        said = judge.push(fire().t_s[rows], fire().temperature_c[rows], fire().status[rows])
        return {
            e.data["zone"]: (e.t_s, e.data["message"])
            for e in reversed(said)
            if e.kind == "alarm" and e.data["rule"] == "target_reached" and e.data["transition"] == "raised"
        }

    by_probes, by_estimate = reached(Judge(plan("probes"))), reached(Judge(plan()))
    both = by_probes.keys() & by_estimate.keys()
    assert both
    for zone in both:
        assert by_estimate[zone][0] > by_probes[zone][0]
        assert by_estimate[zone][1].endswith("(estimated)")
        assert "estimated" not in by_probes[zone][1]


def test_how_readings_are_cut_makes_no_difference() -> None:
    whole, cut = Judge(plan()), Judge(plan())
    assert judged(whole, 1500, step=100_000) == judged(cut, 1500, step=37)
    assert whole.take_estimates() == cut.take_estimates()


def test_a_restart_goes_on_to_the_second() -> None:
    straight = Judge(plan())
    judged(straight, 1200)
    straight.spot(1203.0, straight.plan.zones[-1], 300.0, 0.95)
    straight.take_estimates()
    again = Judge.restore(plan(), straight.snapshot())
    # The journal tells it again.
    assert again.spot(1203.0, straight.plan.zones[-1], 300.0, 0.95)
    assert judged(again, 1800, since_s=1200) == judged(straight, 1800, since_s=1200)
    assert again.take_estimates() == straight.take_estimates() != []


def test_a_row_every_ten_seconds() -> None:
    judge = Judge(plan())
    judged(judge, 300)
    assert [row.t_s for row in judge.take_estimates()] == list(range(10, 300, 10))
    assert judge.take_estimates() == []


def zone_of_air() -> str:
    return next(p.zone for p in fire().plan.probes if p.reads != "coals")


def test_a_spot_reading_counts_when_its_time_has_come_whenever_it_was_told() -> None:
    zone = zone_of_air()
    early, late, never = Judge(plan()), Judge(plan()), Judge(plan())
    judged(early, 700)
    judged(late, 702)
    before = judged(never, 712).estimates[zone].surface_c
    for judge in (early, late):
        judge.spot(701.0, zone, before + 150.0, 0.95)
    judged(early, 712, since_s=700)
    judged(late, 712, since_s=702)
    assert early.verdict() == late.verdict()
    assert early.verdict().estimates[zone].surface_c > before + 3.0
    assert SPOT_WAIT_S < 10


@pytest.mark.parametrize("when_s", [702, 760], ids=["before it counted", "after"])
def test_a_spot_reading_taken_back_was_never_there(when_s: int) -> None:
    zone = zone_of_air()
    slip, never = Judge(plan()), Judge(plan())
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


def test_a_zone_without_a_probe_is_estimated_where_the_plan_names_it() -> None:
    judge = Judge(plan(zones=("far side",)))
    judged(judge, 2400)
    assert judge.verdict().estimates["far side"].basis == "neighbours"
    assert judge.spot(2400.0, "far side", 400.0, 0.95)
    judged(judge, 2460, since_s=2400)
    far = judge.verdict().estimates["far side"]
    assert far.basis == "spot"
    assert far.surface_lo_c < surface_of_spot(400.0, 0.95)[0] < far.surface_hi_c
    assert not judge.spot(2460.0, "nowhere", 400.0, 0.95)
    assert "far side" not in {v.zone for v in judge.verdict().zones}, "no verdict without a probe"


def test_a_gun_set_to_another_emissivity_shows_the_same_surface() -> None:
    for set_emissivity in (0.85, 0.92, 1.0):
        shown = float(apparent_c(650.0, emissivity=0.92, set_emissivity=set_emissivity, surroundings_c=200.0))
        surface_c, u_c = surface_of_spot(shown, set_emissivity)
        assert surface_c == pytest.approx(650.0, abs=0.5)
        assert 8 < u_c < 40


@pytest.mark.parametrize("wild", [1e9, 5e4, -273.0])
def test_impossible_readings_never_make_it_say_what_is_no_number(wild: float) -> None:
    watch = ClayWatch(plan("probes"))
    k = len(plan().probes)
    for t in range(1, 400):
        row = np.full(k, wild if t % 50 else 20.0)
        watch.step(float(t), row)
        for zone in watch.zones().values():
            assert np.isfinite([zone.wall_c, zone.lo_c, zone.hi_c, zone.steepest_c_mm]).all()
    for t in range(400, 1000):
        watch.step(float(t), np.full(k, 25.0))
    assert watch.zones()


def test_a_filter_that_has_run_away_begins_anew() -> None:
    """Corrections can throw a state far beyond what steps in time are held to."""
    watch = ClayWatch(plan("probes"))
    for t in range(1, 100):
        watch.step(float(t), np.full(len(plan().probes), 25.0))
    watch._estimator._filter.x = watch._estimator._filter.x * 1e18
    for t in range(100, 400):
        watch.step(float(t), np.full(len(plan().probes), 25.0))
    for zone in watch.zones().values():
        assert zone.wall_c == pytest.approx(25.0, abs=30.0)


def test_silence_widens_the_band() -> None:
    judge = Judge(plan("probes"), estimating=True)
    before = judged(judge, 1800).estimates
    judge.advance(1800 + 900.0)
    after = judge.verdict().estimates
    for zone, e in before.items():
        assert after[zone].hi_c - after[zone].lo_c > 1.5 * (e.hi_c - e.lo_c)
        assert after[zone].basis != "probe"


def test_what_programs_see_says_that_it_is_estimated() -> None:
    judge = Judge(plan())
    data = verdict_data(judged(judge, 1500))
    for zone, e in data["load"]["estimates"].items():
        assert e["kind"] == "estimated"
        assert e["low_c"] < e["estimate_c"] < e["high_c"]
        assert zone in judge.verdict().estimates
    assert {z["by"] for z in data["load"]["zones"]} <= {"probes", "estimate"}


def test_a_broken_probe_never_judges_as_a_cool_pot() -> None:
    judge = Judge(plan())
    judged(judge, 3000)
    t = np.arange(3000.0, 3300.0)
    k = len(plan().probes)
    judge.push(t, np.full((len(t), k), np.nan), np.full((len(t), k), Status.OPEN, np.uint8))
    verdict = judge.verdict()
    assert all(v.faulty for v in verdict.zones)
    assert all(v.level_c is None for v in verdict.zones)


# --- rules that look at the clay ----------------------------------------------------------------------------


def dried(wall_mm: float | None, c_per_min: float) -> list[str]:
    """A load that dries for a quarter of an hour and warms at a rate to 250 °C: what is called."""
    probes = (
        Probe("low", "k0", reads="wall", zone="lower", height_cm=10),
        Probe("high", "k1", reads="wall", zone="upper", height_cm=30),
    )
    plan = Plan(title="Invented", probes=probes, clay=Clay(wall_mm=wall_mm))
    judge = Judge(plan)
    t = np.arange(0.0, 900 + 60 * 190 / c_per_min)
    level = 60 + np.maximum(t - 900, 0) * c_per_min / 60
    values = level[:, None] + np.random.default_rng(3).normal(0, 0.6, (len(level), 2))
    said = judge.push(np.arange(len(level), dtype=float), values, np.zeros(values.shape, np.uint8))
    return [e.data["rule"] for e in said if e.kind == "alarm" and e.data["transition"] == "raised"]


def test_heating_a_thick_wall_is_too_fast_where_a_thin_one_bears_it() -> None:
    """At 9 °C a minute a wall heated from its face has R L / a at most: 1.2 °C/mm in 4 mm, 5.4 in 18 (0.5 mm²/s)."""
    assert "heating_too_fast" not in dried(None, 9.0), "by the rate alone it is slow enough"
    assert "heating_too_fast" not in dried(4.0, 9.0)
    assert "heating_too_fast" in dried(18.0, 9.0)
    assert "heating_too_fast" in dried(None, 14.0)
    assert "heating_too_fast" not in dried(3.0, 14.0), "a thin wall bears what the rate would call"


def test_a_forecast_goes_by_what_the_verdict_goes_by() -> None:
    """Through the climb: of the estimate where that counts, else of the probes; the estimate trails them."""
    by_probes, by_estimate = Judge(plan("probes")), Judge(plan())
    lit_s = fire().truth["lit_s"]
    before, after = judged(by_probes, lit_s + 600), judged(by_estimate, lit_s + 600)
    seen = 0
    for probes, clay in zip(
        sorted(before.zones, key=lambda v: v.zone), sorted(after.zones, key=lambda v: v.zone), strict=True
    ):
        if clay.by == "probes":
            assert clay.forecast == probes.forecast
        elif clay.forecast is not None:
            assert clay.forecast != probes.forecast
            seen += 1
    assert seen
    again = Judge.restore(plan(), by_estimate.snapshot())
    assert again.verdict() == by_estimate.verdict()


def test_the_moment_an_estimate_begins_to_count_breaks_nothing() -> None:
    """Ten minutes after the first reading, wood burning already: the forecast has no past of the estimate."""
    judge = Judge(plan())
    t = np.arange(0.0, 700.0)
    values = 20 + np.maximum(t - 300, 0)[:, None] * 0.8 + np.random.default_rng(2).normal(0, 1, (700, 5))
    status = np.zeros(values.shape, np.uint8)
    counted = set()
    judge.push(t[:560], values[:560], status[:560])
    for a in range(560, 700):
        judge.push(t[a : a + 1], values[a : a + 1], status[a : a + 1])
        counted |= {v.by for v in judge.verdict().zones}
    assert counted == {"probes", "estimate"}
