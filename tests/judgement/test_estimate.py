"""The wall estimate: what it does with probes, spots, faults and nothing at all."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from logger.judgement.estimate import Estimator, ZoneEstimate
from logger.judgement.smoothing import smooth
from logger.judgement.zone_model import Model
from logger.plan import Plan, Probe
from logger.reading import Bytes, Floats, Status
from logger.sources.simulated import SimulatedFiring, simulate
from logger.sources.simulated.drawing import draw

HELD_APART = (3001, 3008)
"""Seeds that nothing was ever tuned on; with five probes some zones have one in the air only."""


def plan(*probes: tuple[str, str, str]) -> Plan:
    return Plan(
        title="Invented",
        probes=tuple(
            Probe(name=name, channel=name, reads=reads, zone=zone, height_cm=20.0 + 10 * i)  # type: ignore[arg-type]
            for i, (name, reads, zone) in enumerate(probes)
        ),
    )


def ok(values: Floats) -> Bytes:
    return np.where(np.isnan(values), Status.OPEN, Status.OK).astype(np.uint8)


def climb(n: int, *, seed: int = 1, scatter_c: float = 3.0) -> Floats:
    """A bead in the gap: half an hour up to some 750 °C, then level."""
    t = np.arange(n, dtype=float)
    flicker = np.random.default_rng(seed).normal(0, scatter_c, n)
    return 20 + 730 * (1 - np.exp(-t / 500.0)) + flicker * np.minimum(t / 300, 1)


def run(estimator: Estimator, columns: Floats, status: Bytes | None = None) -> dict[str, ZoneEstimate]:
    estimator.push(np.arange(len(columns), dtype=float), columns, ok(columns) if status is None else status)
    return estimator.state()


def told_wall(seed: int) -> Model:
    """The potter has measured the walls, to a millimetre.

    What isn't known of the walls goes wrong for a whole firing at once, so without this the band's coverage
    can only be judged over many firings: that is the benchmark's business.
    """
    return Model.of_wall(round(draw(seed, mishaps="none", probes=5).wall_mm))


def wall_truth(firing: SimulatedFiring, zone: str, t_s: Floats) -> Floats:
    facts, every = firing.truth["zones"][zone], firing.truth["every_s"]
    grid = np.arange(len(facts["outer_c"])) * every
    mean = (
        0.25 * np.array(facts["outer_c"])
        + 0.5 * np.array(facts["middle_c"])
        + 0.25 * np.array(facts["inner_c"])
    )
    return np.interp(t_s, grid, mean)


def nearest(firing: SimulatedFiring, zone: str) -> int:
    """The zone's probe nearest to its wall: one that touches it, else one in the air beside it."""
    order = {"wall": 0, "air": 1}
    columns = [j for j, p in enumerate(firing.plan.probes) if p.zone == zone and p.reads in order]
    return min(columns, key=lambda j: order[firing.plan.probes[j].reads])


@cache
def followed(seed: int, spots: bool) -> tuple[SimulatedFiring, tuple[str, ...], Floats, Floats, Floats]:
    """A simulated firing estimated live, five seconds a step; spots: one per zone every 10 min."""
    firing = simulate(seed, rate_hz=0.2, mishaps="none", probes=5)
    estimator = Estimator(firing.plan, model=told_wall(seed))
    rng = np.random.default_rng(seed)
    rows: list[list[tuple[float, float, float]]] = []
    for i, t in enumerate(firing.t_s.tolist()):
        estimator.push(t, firing.temperature_c[i], firing.status[i])
        if spots and i and i % 120 == 0:
            for zone in estimator.zones:
                true = float(
                    np.interp(
                        t,
                        np.arange(len(firing.truth["zones"][zone]["outer_c"])) * firing.truth["every_s"],
                        firing.truth["zones"][zone]["outer_c"],
                    )
                )
                u = 8 + 0.01 * true
                estimator.spot(t, zone, true + rng.normal(0, u), u)
        rows.append([(e.wall_c, e.lo_c, e.hi_c) for e in estimator.state().values()] or [(np.nan,) * 3])
    rows[0] = [(np.nan,) * 3] * len(estimator.zones)
    wall, low, high = np.array(rows).transpose(2, 0, 1)
    return firing, estimator.zones, wall, low, high


def errors(seed: int, spots: bool) -> tuple[Floats, Floats, Floats]:
    """Errors of estimate and naive reading from lighting on, and whether the band held the truth."""
    firing, zones, wall, low, high = followed(seed, spots)
    late = firing.t_s > firing.truth["lit_s"]
    estimate, naive, held = [], [], []
    for z, zone in enumerate(zones):
        true = wall_truth(firing, zone, firing.t_s)
        reading = firing.temperature_c[:, nearest(firing, zone)]
        estimate.append((wall[:, z] - true)[late])
        naive.append((reading - true)[late])
        held.append(((low[:, z] <= true) & (true <= high[:, z]))[late])
    return np.concatenate(estimate), np.concatenate(naive), np.concatenate(held)


def rms(values: Floats) -> float:
    return float(np.sqrt(np.nanmean(values**2)))


@pytest.mark.parametrize(("spots", "share"), [(False, 1 / 2), (True, 1 / 3)], ids=["probes", "spots"])
def test_on_simulated_firings_it_beats_the_nearest_probe(spots: bool, share: float) -> None:
    """The goals of the estimate; the table over many seeds is `tests/benchmarks/bench_estimate.py`."""
    parts = [errors(seed, spots) for seed in HELD_APART]
    estimate, naive, held = (np.concatenate(p) for p in zip(*parts, strict=True))
    assert rms(estimate) < share * rms(naive)
    assert 0.80 < held.mean() < 0.99


def test_spots_make_the_band_narrower() -> None:
    _, _, _, low, high = followed(HELD_APART[0], False)
    _, _, _, low_spots, high_spots = followed(HELD_APART[0], True)
    assert np.nanmean(high_spots - low_spots) < np.nanmean(high - low)


def test_the_smoothed_estimate_meets_the_same_goals() -> None:
    smoothed, naive, held = [], [], []
    for seed in HELD_APART:
        firing = followed(seed, False)[0]
        whole = smooth(firing.plan, firing.t_s, firing.temperature_c, firing.status, model=told_wall(seed))
        late = whole.t_s > firing.truth["lit_s"]
        for z, zone in enumerate(whole.zones):
            true = wall_truth(firing, zone, whole.t_s)
            smoothed.append((whole.wall_c[:, z] - true)[late])
            held.append(((whole.lo_c[:, z] <= true) & (true <= whole.hi_c[:, z]))[late])
        naive.append(errors(seed, False)[1])
    assert rms(np.concatenate(smoothed)) < rms(np.concatenate(naive)) / 2
    assert 0.70 < np.concatenate(held).mean() < 0.995


def test_smoothing_survives_a_probe_that_falls_out_and_comes_back() -> None:
    """States begun anew must not be looked through backwards: that once made the smoother run away."""
    p = plan(("a", "wall", "low"), ("b", "air", "high"), ("c", "wall", "side"))
    columns = np.stack([climb(3000, seed=s) for s in range(3)], axis=1)
    sound = smooth(p, np.arange(3000.0), columns, ok(columns))
    columns[1500:1900, 0] = 45.0
    columns[2000:2200, 1] = np.nan
    columns[2600:, 2] = 70.0
    fallen = smooth(p, np.arange(3000.0), columns, ok(columns))
    assert np.abs(fallen.wall_c - sound.wall_c).max() < 150
    assert ((fallen.hi_c - fallen.lo_c)[320:360, 0] > (sound.hi_c - sound.lo_c)[320:360, 0]).all()


def test_smoothing_learns_from_what_came_after() -> None:
    """A spot at the end of a climb, colder than it seemed: the minutes before it were colder too."""
    n = 1500
    columns, t = climb(n)[:, None], np.arange(n, dtype=float)
    p = plan(("a", "air", "low"))
    without = smooth(p, t, columns, ok(columns))
    spot = (1499.0, "low", float(without.surface_c[-1, 0]) - 80, 5.0)
    told = smooth(p, t, columns, ok(columns), [spot])
    moved = (told.wall_c - without.wall_c)[:, 0]
    assert moved[-1] < -40
    assert moved[-13] < -20
    assert moved[-1] < moved[-13] < moved[-100] < 5
    narrower = (told.hi_c - told.lo_c) < (without.hi_c - without.lo_c)
    assert narrower[-60:].all()


def test_smoothing_in_blocks_is_smoothing_in_one() -> None:
    """A finished firing longer than a block: the seams must not show."""
    n = 4000
    columns = np.stack([climb(n), climb(n, seed=2) - 30], axis=1)
    whole = smooth(
        plan(("a", "air", "low"), ("b", "wall", "high")), np.arange(n, dtype=float), columns, ok(columns)
    )
    jumps = np.abs(np.diff(whole.wall_c, n=2, axis=0))
    seam = jumps[238:242].max()
    assert seam < 3 * np.percentile(jumps[200:280], 90)


def test_batches_do_not_matter() -> None:
    columns = np.stack([climb(600), climb(600, seed=2)], axis=1)
    t = np.arange(600) * 0.25
    p = plan(("a", "air", "low"), ("b", "wall", "high"))
    whole, single, odd = Estimator(p), Estimator(p), Estimator(p)
    whole.push(t, columns, ok(columns))
    for i in range(600):
        single.push(float(t[i]), columns[i], ok(columns[i]))
    for part in np.split(np.arange(600), [7, 8, 200, 455]):
        odd.push(t[part], columns[part], ok(columns[part]))
    assert whole.state() == single.state() == odd.state()


def test_it_goes_on_from_a_snapshot_to_the_last_digit() -> None:
    columns = np.stack([climb(900), climb(900, seed=2)], axis=1)
    columns[400:420, 0] = 60.0
    t = np.arange(900) * 0.5
    p = plan(("a", "air", "low"), ("b", "wall", "high"))
    whole = Estimator(p)
    first = Estimator(p)
    whole.push(t[:405], columns[:405], ok(columns[:405]))
    first.push(t[:405], columns[:405], ok(columns[:405]))
    for estimator in (whole, first):
        estimator.spot(202.0, "low", 180.0, 12.0)
    second = Estimator.restore(p, first.snapshot())
    assert second.state() == first.state()
    for estimator in (whole, second):
        estimator.push(t[405:], columns[405:], ok(columns[405:]))
    assert second.state() == whole.state()
    assert second.snapshot() == whole.snapshot()


def test_a_foreign_snapshot_is_refused() -> None:
    estimator = Estimator(plan(("a", "air", "low")))
    for foreign in (b"", b"nonsense", Estimator(plan(("a", "wall", "low"))).snapshot()):
        with pytest.raises(ValueError, match="start afresh"):
            Estimator.restore(plan(("a", "air", "low")), foreign)
    assert Estimator.restore(plan(("a", "air", "low")), estimator.snapshot()).state() == {}


def test_a_spot_moves_the_estimate_and_it_stays_moved() -> None:
    """A zone whose bead reads 50 °C hotter than its walls are; the other zone is as it was."""
    p = plan(("a", "air", "low"), ("b", "air", "high"))
    columns = np.stack([climb(4000), climb(4000, seed=2)], axis=1)
    t = np.arange(4000, dtype=float)
    alone, told = Estimator(p), Estimator(p)
    for estimator in (alone, told):
        estimator.push(t[:3000], columns[:3000], ok(columns[:3000]))
    before = alone.state()["low"]
    told.spot(2999.0, "low", before.surface_c - 50, 8.0)
    moved = told.state()["low"]
    assert moved.surface_c - before.surface_c < -35
    assert moved.wall_c - before.wall_c < -25
    assert moved.hi_c - moved.lo_c < before.hi_c - before.lo_c
    for estimator in (alone, told):
        estimator.push(t[3000:3600], columns[3000:3600], ok(columns[3000:3600]))
    ten_minutes_on = told.state()["low"].wall_c - alone.state()["low"].wall_c
    assert ten_minutes_on < -12
    assert abs(told.state()["high"].wall_c - alone.state()["high"].wall_c) < 10


def test_an_unsure_spot_moves_less_than_a_sure_one() -> None:
    moved = []
    for u in (5.0, 30.0, 200.0):
        estimator = Estimator(plan(("a", "air", "low")))
        before = run(estimator, climb(2000)[:, None])["low"].surface_c
        estimator.spot(1999.0, "low", before - 60, u)
        moved.append(before - estimator.state()["low"].surface_c)
    assert 60 > moved[0] > moved[1] > moved[2] > 0


FAULTS = {
    "fallen out": lambda v, i: 60 + (v[i] - 60) * np.exp(-np.arange(len(v) - i) / 20.0),
    "fallen out slowly": lambda v, i: 60 + (v[i] - 60) * np.exp(-np.arange(len(v) - i) / 45.0),
    "stuck": lambda v, i: np.full(len(v) - i, v[i]),
    "loose": lambda v, i: v[i:] * np.where(np.arange(len(v) - i) % 3 == 0, 0.6, 1.0),
    "dead": lambda v, i: np.full(len(v) - i, 21.3),
    "wild": lambda v, i: np.random.default_rng(0).uniform(0, 1300, len(v) - i),
}


@pytest.mark.parametrize("kind", FAULTS)
@pytest.mark.parametrize("reads", ["air", "wall"])
def test_a_bad_probe_drags_its_zone_by_no_more_than_30(kind: str, reads: str) -> None:
    """Against an estimator that simply doesn't have that probe from then on."""
    p = plan(("a", reads, "low"), ("b", "air", "high"), ("c", "wall", "side"))
    columns = np.stack([climb(2400, seed=s) for s in range(3)], axis=1)
    begin = 1800
    bad, absent = columns.copy(), columns.copy()
    bad[begin:, 0] = FAULTS[kind](columns[:, 0], begin)
    absent[begin:, 0] = np.nan
    dragged = Estimator(p)
    dragged.push(np.arange(begin, dtype=float), bad[:begin], ok(bad[:begin]))
    without = Estimator.restore(p, dragged.snapshot())
    worst = 0.0
    for first in range(begin, 2400, 20):
        part = slice(first, first + 20)
        t = np.arange(first, first + 20, dtype=float)
        dragged.push(t, bad[part], ok(bad[part]))
        without.push(t, absent[part], ok(absent[part]))
        worst = max(worst, abs(dragged.state()["low"].wall_c - without.state()["low"].wall_c))
    assert worst < 30


def test_a_probe_that_comes_back_is_believed_again() -> None:
    p = plan(("a", "air", "low"), ("b", "air", "high"), ("c", "air", "side"))
    columns = np.stack([climb(3000, seed=s) for s in range(3)], axis=1)
    columns[1500:1700, 0] = 40.0
    estimator = Estimator(p)
    t = np.arange(3000, dtype=float)
    estimator.push(t[:1680], columns[:1680], ok(columns[:1680]))
    assert estimator.state()["low"].basis == "neighbours"
    assert not estimator.state()["low"].consistent
    estimator.push(t[1680:], columns[1680:], ok(columns[1680:]))
    assert estimator.state()["low"].basis == "probe"
    assert estimator.state()["low"].consistent


def test_when_everything_falls_it_is_the_fire() -> None:
    """Raked out: all beads drop by 300 °C within a minute. No probe may stay off for that."""
    p = plan(("a", "air", "low"), ("b", "air", "high"), ("c", "wall", "side"))
    columns = np.stack([climb(3000, seed=s) for s in range(3)], axis=1)
    drop = 1 - np.exp(-np.maximum(np.arange(3000) - 2400, 0) / 25.0)
    columns -= drop[:, None] * np.array([320.0, 340.0, 200.0])
    state = run(Estimator(p), columns)
    assert all(zone.basis == "probe" for zone in state.values())
    assert all(zone.wall_c < 650 for zone in state.values())


def test_a_zone_without_a_probe_gets_what_its_neighbours_allow() -> None:
    p = plan(("a", "air", "low"), ("b", "air", "high"))
    columns = np.stack([climb(2400), climb(2400, seed=2)], axis=1)
    estimator = Estimator(p, extra_zones=("far",))
    state = run(estimator, columns)
    far, low = state["far"], state["low"]
    assert far.basis == "neighbours"
    assert not far.consistent
    assert far.hi_c - far.lo_c > 2.5 * (low.hi_c - low.lo_c)
    assert far.lo_c < low.wall_c < far.hi_c
    estimator.spot(2399.0, "far", 520.0, 10.0)
    after = estimator.state()["far"]
    assert after.basis == "spot"
    assert abs(after.surface_c - 520) < 15
    assert after.hi_c - after.lo_c < far.hi_c - far.lo_c


def test_silence_widens_the_band() -> None:
    estimator = Estimator(plan(("a", "air", "low")))
    now = run(estimator, climb(2000)[:, None])["low"]
    later = estimator.state(2000.0 + 300)["low"]
    assert later.hi_c - later.lo_c > 1.5 * (now.hi_c - now.lo_c)
    assert later.basis == "nothing"
    assert estimator.state()["low"] == now


def test_coals_are_no_zone_and_no_probe_of_a_wall() -> None:
    p = plan(("coals", "coals", "under"), ("a", "air", "low"))
    columns = np.stack([np.full(300, 900.0), climb(300)], axis=1)
    state = run(Estimator(p), columns)
    assert list(state) == ["low"]
    columns[:, 0] = 20.0
    assert run(Estimator(p), columns) == state


def test_a_thick_wall_lags_more_inside() -> None:
    column = climb(400)[:, None]
    p = plan(("a", "wall", "low"))
    thin = run(Estimator(p, model=Model.of_wall(4.0)), column)["low"]
    thick = run(Estimator(p, model=Model.of_wall(12.0)), column)["low"]
    assert 0 < thin.inside_lag_c < thick.inside_lag_c
    assert thick.wall_c < thin.wall_c


def test_no_readings_and_bad_input() -> None:
    estimator = Estimator(plan(("a", "air", "low")))
    assert estimator.state() == {}
    with pytest.raises(ValueError, match="2 columns, but the plan has 1"):
        estimator.push(0.0, np.array([20.0, 21.0]), np.zeros(2, dtype=np.uint8))
    with pytest.raises(ValueError, match=r"no zone 'attic'.*low"):
        estimator.spot(0.0, "attic", 500.0, 10.0)
    with pytest.raises(ValueError, match="give numbers"):
        estimator.spot(0.0, "low", float("nan"), 10.0)
    three, flags = np.ones((3, 1)), np.zeros((3, 1), dtype=np.uint8)
    with pytest.raises(ValueError, match="no zone 'attic'"):
        smooth(plan(("a", "air", "low")), np.arange(3.0), three, flags, [(0.0, "attic", 1.0, 1.0)])
    assert len(smooth(plan(("a", "air", "low")), np.empty(0), three[:0], flags[:0]).t_s) == 0


def test_readings_that_are_not_ok_count_for_nothing() -> None:
    """NaN, a fault's leftovers, a channel that this rig doesn't send: none may move anything."""
    p = plan(("a", "air", "low"), ("b", "air", "high"))
    columns = np.stack([climb(900), np.full(900, np.nan)], axis=1)
    status = ok(columns)
    clean = run(Estimator(p), columns, status)
    columns[:, 1] = 1200.0
    status[:, 1] = Status.ABSENT
    assert run(Estimator(p), columns, status) == clean
    nothing = run(Estimator(p), np.full((10, 2), np.nan))
    assert all(np.isfinite(z.wall_c) and z.basis == "nothing" for z in nothing.values())


def test_readings_that_no_fire_gives_count_for_nothing() -> None:
    """A sensor that says 1700 °C is broken (common practice, no source)."""
    given = plan(("a", "wall", "low"), ("b", "air", "low"))
    columns = np.stack([climb(900), climb(900, seed=2)], axis=1)
    silent, mad = columns.copy(), columns.copy()
    silent[600:, 1], mad[600:, 1] = np.nan, 1700.0
    assert run(Estimator(given), mad) == run(Estimator(given), silent)
