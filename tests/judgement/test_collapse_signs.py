"""What the collapse rule looks at, and that its settings do what they say. Crude courses, invented."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logger.judgement.collapse_signs import CHANGED_S, TAIL, Scene, falls_c, signs
from logger.judgement.collapse_weights import WIDTHS, weight
from logger.judgement.judge import Judge
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
        coals_c=np.full(n, 760.0),
        level_c=level,
        unrest_c=np.ones((3, n, z)),
        rise_c=np.zeros((n, z)),
        calm_s=np.arange(n) + 300,
        longest_calm_s=np.full(n, 240),
        deepest_c=np.zeros((n, z)),
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
