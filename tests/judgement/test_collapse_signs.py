"""What the collapse rule looks at, and that its settings do what they say. Crude courses, invented."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logger.judgement.alarms import AlarmBook
from logger.judgement.collapse_signs import APART_S, CHANGED_S, TAIL, Scene, falls_c, signs
from logger.judgement.collapse_weights import WIDTHS, weight
from logger.judgement.judge import Judge
from logger.judgement.rules_collapse import DOUBT, Collapse
from logger.judgement.stages import COOLING, DRYING, PEAK
from logger.judgement.zones import Places
from logger.plan import Probe
from tests.judgement.crude import plan, raised, run
from tests.judgement.test_rules import LATE, after, lines, passing, relaxing

NECK, SECONDS = 3, np.array([0, 40, 99])


def scene(fall_c: float = 0.0) -> Scene:
    """Four zones that cool at 3 °C/min; the last loses more for 40 s."""
    n, z = 100, 4
    t = np.arange(TAIL + n, dtype=float)
    course = np.tile(-t / 20.0, (z, 1)).T + np.arange(z)
    course[:, NECK] -= fall_c * np.clip((t - TAIL) / 40.0, 0.0, 1.0)
    level = 700.0 + course[TAIL:] - course[TAIL]
    return Scene(
        course_c=course,
        coals_course_c=np.zeros(TAIL + n),
        apart_course_c=np.zeros((TAIL + n, z)),
        coals_c=np.full(n, 760.0),
        level_c=level,
        unrest_c=np.ones((4, n, z)),
        rise_c=np.zeros((n, z)),
        calm_s=np.arange(n) + 300,
        longest_calm_s=np.full(n, 240),
        deepest_c=np.zeros((n, z)),
        peak_c=np.full((n, z), 720.0),
        end=np.array([-1.0, 0.0, 0.0, 1.0]),
        walls=np.full((n, z), 0.5),
        count=np.full((n, z), 2.0),
        changed=np.zeros((n, z)),
    )


def test_the_weights_take_as_many_signs_as_there_are() -> None:
    seen = signs(scene(), NECK, [0, 1, 2], SECONDS, 1.0)
    assert seen.shape == (3, WIDTHS[0])
    assert np.isfinite(weight(seen)).all()


def test_a_zone_alone_that_falls_weighs_more_than_one_that_goes_on() -> None:
    falling = weight(signs(scene(60.0), NECK, [0, 1, 2], SECONDS, 1.0))
    steady = weight(signs(scene(0.0), NECK, [0, 1, 2], SECONDS, 1.0))
    assert falling[1] > 1.0
    assert steady.max() < -4.0


def test_signs_are_the_same_in_whatever_order_the_others_come_and_wherever_a_course_starts() -> None:
    one = scene(60.0)
    there = signs(one, NECK, [0, 1, 2], SECONDS, 1.0)
    assert signs(one, NECK, [2, 0, 1], SECONDS, 1.0) == pytest.approx(there, abs=0)
    moved = replace(one, course_c=one.course_c + 512.0, coals_course_c=one.coals_course_c - 256.0)
    assert signs(moved, NECK, [0, 1, 2], SECONDS, 1.0) == pytest.approx(there, abs=1e-9)


def test_others_without_a_believable_probe_count_as_absent() -> None:
    level = scene(60.0).level_c.copy()
    level[:, 1] = np.nan
    with_a_dead_one = signs(replace(scene(60.0), level_c=level), NECK, [0, 1, 2], SECONDS, 1.0)
    assert with_a_dead_one == pytest.approx(signs(scene(60.0), NECK, [0, 2], SECONDS, 1.0), abs=0)
    nobody = np.where(np.arange(4) == NECK, level, np.nan)
    alone = signs(replace(scene(60.0), level_c=nobody), NECK, [0, 1, 2], SECONDS, 1.0)
    assert np.isfinite(alone).all()


def test_what_a_zone_lacks_of_going_on_as_before() -> None:
    steady, falling = falls_c(scene().course_c), falls_c(scene(60.0).course_c)
    assert np.abs(steady).max() < 1e-9
    # 1.5 °C/s more for 40 s: after them all of it, but for what the latest quarter minute saw coming.
    assert falling[:, 15, NECK] == pytest.approx([-22.5] * 3)
    assert falling[2, 40, NECK] == pytest.approx(-60.0)
    assert np.abs(falling[:, :, :NECK]).max() < 1e-9


def test_no_sign_looks_further_back_than_is_kept() -> None:
    assert TAIL > CHANGED_S
    early = scene(60.0)
    early.course_c[:4] = np.nan  # five seconds' means begin there
    assert np.isfinite(signs(early, NECK, [0, 1, 2], SECONDS, 1.0)).all()


def test_settings_scale_what_is_a_collapse() -> None:
    t_s, values = lines(after((880.0, LATE)), noise_c=2.0)
    values[480:, 4] += relaxing(100.0, 45.0)
    told = {}
    for drop_c, within_s in ((60.0, 180.0), (300.0, 180.0), (60.0, 60.0)):
        asked = plan()
        asked.alarms["coal_collapse"].update(drop_c=drop_c, within_s=within_s)
        told[drop_c, within_s] = len(raised(run(Judge(asked), t_s, values), "coal_collapse"))
    assert told == {(60.0, 180.0): 1, (300.0, 180.0): 0, (60.0, 60.0): 0}


def test_how_deep_this_fire_has_dipped_is_among_the_signs() -> None:
    usual, deep = scene(60.0), scene(60.0)
    deep.deepest_c[:, 0] = -80.0
    there, then = (signs(s, NECK, [0, 1, 2], SECONDS, 1.0) for s in (usual, deep))
    changed = np.flatnonzero(np.any(there != then, axis=0))
    assert len(changed) == 1  # the load's deepest; the zone's own is another sign
    deep.deepest_c[:, NECK] = -80.0
    assert (np.any(there != signs(deep, NECK, [0, 1, 2], SECONDS, 1.0), axis=0)).sum() == 2


def test_a_dip_is_remembered_once_it_is_over_and_over_restarts() -> None:
    t_s, values = lines(after((880.0, LATE)))
    values[480:, 4] += passing(70.0, 20.0, 20.0)
    judge = Judge(plan())
    zone = plan().zones.index("upper")
    deepest = []
    for until_s in (480, 560, 640, 800):
        begin = judge._second
        at = slice(begin, until_s)
        judge.push(t_s[at], values[at], np.zeros(values[at].shape, np.uint8))
        judge = Judge.restore(plan(), judge.snapshot())
        deepest.append(float(judge._collapse.deepest_c[-1, zone]))
    assert deepest[1] == deepest[0] > -20.0  # not yet: it may be a collapse
    assert -70.0 < deepest[3] <= deepest[2] < -35.0


def changed_by(**fields: np.ndarray) -> list[tuple[float, float]]:
    """Signs in the last second that are others with these fields of the scene, before and after."""
    usual = signs(scene(60.0), NECK, [0, 1, 2], SECONDS, 1.0)[-1]
    other = signs(replace(scene(60.0), **fields), NECK, [0, 1, 2], SECONDS, 1.0)[-1]
    return [(float(a), float(b)) for a, b in zip(usual, other, strict=True) if a != b]


def test_where_in_the_stack_a_zone_is_is_among_the_signs() -> None:
    assert changed_by(end=np.array([-1.0, 0.0, 0.0, 0.0])) == [(1.0, 0.0)]
    assert changed_by(end=np.array([1.0, 0.0, 0.0, 1.0])) == []  # where the others are isn't


def test_that_the_others_flicker_less_is_among_the_signs() -> None:
    calmer = np.ones((4, 100, 4))
    calmer[0, :, :NECK] = 0.2
    [(before, after_)] = changed_by(unrest_c=calmer)
    assert after_ < before
    own = np.ones((4, 100, 4))
    own[:, :, NECK] = 0.2
    assert len(changed_by(unrest_c=own)) == len(own)


def test_how_far_below_their_hottest_zones_are_is_among_the_signs() -> None:
    peak = np.full((100, 4), 720.0)
    peak[:, NECK] = 850.0
    [(before, after_)] = changed_by(peak_c=peak)
    assert after_ > before
    peak[:, 0] = 850.0  # one of three others isn't the middle one
    assert len(changed_by(peak_c=peak)) == 1
    peak[:, 1:NECK] = 850.0
    assert len(changed_by(peak_c=peak)) == 2


def test_air_that_falls_before_the_wall_beside_it_is_among_the_signs() -> None:
    apart = np.zeros((TAIL + 100, 4))
    apart[:, NECK] = -np.arange(TAIL + 100) / 4.0
    found = changed_by(apart_course_c=apart)
    assert len(found) == len(APART_S)
    assert all(after_ < before for before, after_ in found)


def test_the_rule_sees_air_and_wall_of_a_zone_apart_and_over_restarts() -> None:
    asked = replace(
        plan(), probes=(*plan().probes, Probe(name="neck air", channel="neck air", reads="air", zone="upper"))
    )
    t_s, values = lines(after((600.0, LATE)), noise_c=0.2)
    values = np.concatenate([values, values[:, 4:]], axis=1)
    values[480:520, 5] -= np.arange(40.0)
    values[520:, 5] -= 40.0
    judge, zone = Judge(asked), asked.zones.index("upper")
    for at in (slice(0, 500), slice(500, 600)):
        judge.push(t_s[at], values[at], np.zeros(values[at].shape, np.uint8))
        judge = Judge.restore(asked, judge.snapshot())
    apart = judge._collapse.apart_c
    assert apart[-1, zone] - apart[-130, zone] == pytest.approx(-40.0, abs=3.0)
    others = [z for z in range(len(asked.zones)) if z != zone]
    assert np.abs(apart[:, others]).max() == 0.0
    assert judge._collapse.peak_c[0, zone] == pytest.approx(np.nanmax(values[:, 4:].mean(axis=1)), abs=5.0)


def called_after_s(weights: list[float], for_s: float = 10.0, stage: str = PEAK) -> int | None:
    """Seconds of these weights until the rule says that the neck has collapsed."""
    asked = plan()
    asked.alarms["coal_collapse"]["for_s"] = for_s
    rule, alarms = Collapse(asked, Places(asked)), AlarmBook()
    z, zones = asked.zones.index("upper"), len(asked.zones)
    for second, weight_ in enumerate(weights, start=1):
        row = np.full((2, zones), [[-np.inf], [0.0]])
        row[:, z] = weight_, 30.0
        rule._seen = [row.tolist()]
        if any(c.holds for c in rule.conditions(0, stage, [-60.0] * zones, alarms)):
            return second
    return None


def test_strong_signs_are_enough_after_ten_seconds_and_weak_ones_later() -> None:
    assert called_after_s([9.0] * 60) == 10
    assert called_after_s([DOUBT + 1.0] * 60) == 50  # one a second
    assert called_after_s([9.0] * 60, for_s=4.0) == 4


def test_signs_against_take_away_what_there_was() -> None:
    assert called_after_s(([9.0] * 4 + [-9.0] * 6) * 10) is None
    assert called_after_s([9.0] * 8 + [-9.0] * 2 + [9.0] * 60) == 14  # 40, less 8, and four more
    assert called_after_s([DOUBT - 0.1] * 600) is None


def test_drying_and_raking_are_no_time_for_a_collapse() -> None:
    assert called_after_s([9.0] * 60, stage=DRYING) is None
    assert called_after_s([9.0] * 60, stage=COOLING) is None
