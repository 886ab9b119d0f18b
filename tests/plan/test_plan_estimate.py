"""The plan's `[estimate]`: what the estimate of the pots' own temperature goes by."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.plan import Clay, Plan, PlanError, loads

_names = st.text(st.characters(codec="utf-8", categories=("L", "N", "P", "S")), min_size=1, max_size=20)


def test_what_is_left_out_is_the_default() -> None:
    assert loads('title = "Invented"').clay == Clay(wall_mm=None, zones=())


def test_all_of_it_is_read() -> None:
    plan = loads('[estimate]\nwall_mm = 6\nzones = ["windward", " lee ", "windward"]\n')
    assert plan.clay == Clay(6.0, ("windward", "lee"))


def test_plans_that_were_judged_by_the_estimate_are_refused_but_old_firings_open() -> None:
    text = 'title = "Old, invented"\n[estimate]\njudge_on = "estimate"\nwall_mm = 6\n'
    with pytest.raises(PlanError, match=r"line 3: estimate\.judge_on: zones are judged by their probes"):
        loads(text)
    assert loads(text, stored=True).clay == Clay(6.0)
    assert loads(text.replace('"estimate"', '"probes"')).clay == Clay(6.0), "what is so anyhow is no mistake"


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ('judge_on = "clay"', "estimate.judge_on: zones are judged by their probes"),
        ("judge_on = true", "estimate.judge_on: zones are judged by their probes"),
        ("wall_mm = 0.6", "estimate.wall_mm: 0.6 is out of range; give a number from 2 to 50 mm"),
        ('wall_mm = "thin"', "estimate.wall_mm: 'thin' is not a number"),
        ('zones = "windward"', "estimate.zones: 'windward' won't do; give a list of at most"),
        ("zones = [3]", "estimate.zones[1]: 3 is not text"),
        ('zones = [""]', "estimate.zones[1]: is empty"),
        ("clay = 3", "estimate.clay: unknown key; known here: wall_mm, zones"),
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
        wall_mm=st.none() | st.floats(2, 50),
        zones=st.lists(_names, unique=True, max_size=4).map(tuple),
    )
)
def test_what_is_written_reads_back_equal(clay: Clay) -> None:
    plan = Plan(title="Invented", clay=clay)
    assert loads(plan.dumps()) == plan
