"""A firing's time line goes on where it was, whatever somebody does to the host's clock."""

from __future__ import annotations

from typing import Any

import pytest

from logger.recording.hosttime import goes_on_at, stamp

BEAT = {"at_us": 1_900_000_000_000_000, "wall_s": 1_900_000_000.0, "boot": "b1", "up_s": 500.0}


def at(boot: str, up_s: float, wall_s: float) -> dict[str, Any]:
    return {"boot": boot, "up_s": up_s, "wall_s": wall_s}


@pytest.mark.parametrize("set_by_s", [0.0, 3600.0, -3600.0, 86_400.0, -56 * 365 * 86_400.0])
def test_the_hosts_clock_was_set_while_no_logger_ran(set_by_s: float) -> None:
    at_us = goes_on_at(BEAT, 1.0, at("b1", 512.5, 1_900_000_012.5 + set_by_s))
    assert at_us == 1_900_000_012_500_000


def test_after_a_new_start_of_the_host_only_its_clock_is_left() -> None:
    assert goes_on_at(BEAT, 1.0, at("b2", 30.0, 1_900_000_100.0)) is None
    assert goes_on_at({**BEAT, "boot": ""}, 1.0, at("", 0.0, 1_900_000_100.0)) is None
    assert goes_on_at({}, 1.0, at("b1", 512.5, 1_900_000_012.5)) is None


def test_a_sped_up_demonstration_is_ahead_of_the_hosts_clock() -> None:
    assert goes_on_at(BEAT, 60.0, at("b1", 501.0, 1_900_000_001.0)) == 1_900_000_060_000_000
    assert goes_on_at(BEAT, 60.0, at("b2", 1.0, 1_900_000_001.0)) == 1_900_000_060_000_000
    before = {key: BEAT[key] for key in ("at_us", "wall_s")}  # as an older version left it
    assert goes_on_at(before, 60.0, at("b2", 1.0, 1_900_000_001.0)) == 1_900_000_060_000_000


def test_uptime_counts_on() -> None:
    first, second = stamp(), stamp()
    assert first["boot"] == second["boot"]
    assert second["up_s"] >= first["up_s"]
