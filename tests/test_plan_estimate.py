"""The plan's `[estimate]`: what the estimate of the pots' own temperature is to go by."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.plan import Clay, Plan, PlanError, loads

_names = st.text(st.characters(codec="utf-8", categories=("L", "N", "P", "S")), min_size=1, max_size=20)


def test_what_is_left_out_is_the_default() -> None:
    assert loads('title = "Invented"').clay == Clay(judge_on="probes", wall_mm=None, zones=())


def test_all_of_it_is_read() -> None:
    plan = loads(
        '[estimate]\njudge_on = "estimate"\nwall_mm = 6\nzones = ["windward", " lee ", "windward"]\n'
    )
    assert plan.clay == Clay("estimate", 6.0, ("windward", "lee"))


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ('judge_on = "clay"', "estimate.judge_on: 'clay' is not one of probes, estimate"),
        ("judge_on = true", "estimate.judge_on: True is not one of probes, estimate"),
        ("wall_mm = 0.6", "estimate.wall_mm: 0.6 is out of range; give a number from 2 to 50 mm"),
        ('wall_mm = "thin"', "estimate.wall_mm: 'thin' is not a number"),
        ('zones = "windward"', "estimate.zones: give a list of at most"),
        ("zones = [3]", "estimate.zones: 3 is not text"),
        ('zones = [""]', "estimate.zones: is empty"),
        ("clay = 3", "estimate.clay: unknown key; known here: judge_on, wall_mm, zones"),
    ],
)
def test_a_mistake_is_refused_with_its_line(line: str, words: str) -> None:
    with pytest.raises(PlanError) as caught:
        loads(f"title = 'Invented'\n[estimate]\n{line}\n", source="jars.toml")
    assert str(caught.value).startswith("jars.toml line 3: ")
    assert words in str(caught.value)


def test_it_must_be_a_table() -> None:
    with pytest.raises(PlanError, match=r"line 1: estimate: must be a table"):
        loads("estimate = 3\n")


@given(
    st.builds(
        Clay,
        judge_on=st.sampled_from(["probes", "estimate"]),
        wall_mm=st.none() | st.floats(2, 50),
        zones=st.lists(_names, unique=True, max_size=4).map(tuple),
    )
)
def test_what_is_written_reads_back_equal(clay: Clay) -> None:
    plan = Plan(title="Invented", clay=clay)
    assert loads(plan.dumps()) == plan
