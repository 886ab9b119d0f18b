"""The result doesn't depend on how readings are split into batches, nor on a restart."""

from __future__ import annotations

import json

import numpy as np
import pytest

from logger.judgement.judge import Judge
from logger.judgement.verdicts import verdict_data
from logger.plan import Plan
from logger.reading import Status
from tests.judgement.crude import lines, plan, raised

KNOTS = [
    (0.0, [300.0, 150.0, 140.0, 150.0, 130.0]),
    (200.0, [500.0, 500.0, 600.0, 700.0, 750.0]),
    (400.0, [700.0, 760.0, 790.0, 800.0, 800.0]),
    (500.0, [720.0, 740.0, 760.0, 780.0, 640.0]),
    (700.0, [720.0, 700.0, 720.0, 730.0, 500.0]),
]


def firing() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    t_s, values = lines(KNOTS, noise_c=3.0)
    t_s = t_s + np.random.default_rng(3).uniform(0.0, 0.9, len(t_s))
    status = np.zeros(values.shape, np.uint8)
    status[450:520, 1] = int(Status.OPEN)
    values[450:520, 1] = np.nan
    status[::3, 2] = int(Status.ABSENT)
    values[::3, 2] = np.nan
    keep = np.ones(len(t_s), bool)
    keep[300:330] = False
    return t_s[keep], values[keep], status[keep]


def told(judge: Judge, events: list) -> str:
    return json.dumps([[[e.t_s, e.kind, e.data] for e in events], verdict_data(judge.verdict())])


@pytest.fixture(scope="module")
def whole() -> str:
    judge = Judge(plan())
    events = judge.push(*firing())
    kinds = {e.data.get("rule") for e in events}
    assert {"probe_fault", "rig_silent"} <= kinds  # otherwise there is little to compare
    return told(judge, events)


@pytest.mark.slow
@pytest.mark.parametrize("size", [1, 7, 100])
def test_splitting_changes_nothing(whole: str, size: int) -> None:
    t, c, s = firing()
    judge, events = Judge(plan()), []
    for i in range(0, len(t), size):
        events += judge.push(t[i : i + size], c[i : i + size], s[i : i + size])
    assert told(judge, events) == whole


@pytest.mark.parametrize("every", [37, 200])
def test_restarts_change_nothing(whole: str, every: int) -> None:
    t, c, s = firing()
    judge, events = Judge(plan()), []
    for i in range(0, len(t), every):
        events += judge.push(t[i : i + every], c[i : i + every], s[i : i + every])
        judge = Judge.restore(plan(), judge.snapshot())
    assert told(judge, events) == whole


def test_time_before_what_was_pushed_says_nothing() -> None:
    judge = Judge(plan())
    judge.push(*firing())
    before = judge.snapshot()
    assert judge.advance(20.0) == []
    assert judge.snapshot() == before


def test_readings_that_come_too_late_do_no_harm() -> None:
    t, c, s = firing()
    judge, again = Judge(plan()), Judge(plan())
    events = judge.push(t[:250], c[:250], s[:250]) + judge.advance(float(t[249]) + 10.0)
    events += judge.push(t[100:120], c[100:120], s[100:120])
    events += judge.advance(float(t[249]) + 12.0)
    events += judge.push(t[270:], c[270:], s[270:]) + judge.advance(float(t[-1]) + 3.0)
    assert judge.push(t[100:120], c[100:120], s[100:120]) == []
    other = again.push(t[:250], c[:250], s[:250]) + again.advance(float(t[249]) + 12.0)
    other += again.push(t[270:], c[270:], s[270:]) + again.advance(float(t[-1]) + 3.0)
    assert told(judge, events) == told(again, other)
    assert judge.advance(20.0) == []


def test_readings_out_of_order_are_put_in_place() -> None:
    t, c, s = firing()
    judge, again = Judge(plan()), Judge(plan())
    order = np.arange(len(t))
    order[200:203] = [202, 200, 201]
    told_in_turn = told(judge, judge.push(t, c, s))
    assert told(again, again.push(t[order], c[order], s[order])) == told_in_turn


def test_time_passes_without_any_reading() -> None:
    for bare in (Plan(), plan()):
        judge = Judge(bare)
        for t_s in (-5.0, 0.0, 1.5, 30.0, 29.0):
            assert not raised(judge.advance(t_s), "coal_collapse")
        judge.push(
            np.array([10.0]), np.full((1, len(bare.probes)), 20.0), np.zeros((1, len(bare.probes)), np.uint8)
        )
        assert not raised(judge.advance(40.0), "coal_collapse")


def test_no_probes() -> None:
    judge = Judge(Plan())
    assert judge.push(np.array([0.0, 9.0]), np.empty((2, 0)), np.empty((2, 0), np.uint8)) == []
    again = Judge.restore(Plan(), judge.snapshot())
    assert again.advance(50.0) == []
    assert verdict_data(again.verdict())["load"]["zones"] == []
