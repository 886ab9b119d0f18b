"""Whose frames are recorded: known rigs first, made-up names never in their place."""

from __future__ import annotations

import pytest

from logger.rig_line.admission import FREE, GONE_S, MAX_COLUMNS, MAX_RIGS, RESERVED, Admission
from logger.rig_line.came import Begin


def seated(rigs: int, *, now_s: float = 0.0) -> Admission:
    made = Admission()
    for n in range(rigs):
        made.allow(f"r{n}", ["k0"], now_s)
    return made


@pytest.mark.parametrize("wired", [True, False])
def test_from_the_ninth_rig_on_a_name_must_go_on_steadily(wired: bool) -> None:
    assert seated(FREE - 1).begin("new", ["k0"], 1.0, wired=wired) is Begin.AT_ONCE
    assert seated(FREE).begin("new", ["k0"], 1.0, wired=wired) is Begin.WHEN_STEADY
    assert seated(FREE).begin("r0", ["k0"], 1.0, wired=wired) is Begin.AT_ONCE


def test_a_rig_of_the_plan_begins_at_once() -> None:
    made = seated(FREE)
    made.planned = frozenset({"top"})
    assert made.begin("new", ["top"], 1.0, wired=False) is Begin.AT_ONCE


def test_seats_are_kept_for_rigs_at_a_serial_port() -> None:
    made = seated(MAX_RIGS - RESERVED)
    assert made.begin("new", ["k0"], 1.0, wired=False) is Begin.NEVER
    assert made.begin("new", ["k0"], 1.0, wired=True) is Begin.WHEN_STEADY
    assert made.begin("new", ["k0"], GONE_S + 1.0, wired=False) is Begin.WHEN_STEADY


def test_a_firing_takes_so_many_channels() -> None:
    made = seated(1)
    assert len(made.allow("wide", [f"c{n}" for n in range(MAX_COLUMNS)], 0.0)) < MAX_COLUMNS
    assert made.allow("r0", ["k0"], 1.0) == ["k0"]
