"""Many alarms at once, and what people do with them over a restart. Crude straight lines, invented.

Alarm states after ANSI/ISA-18.2-2016, from memory.
"""

from __future__ import annotations

import numpy as np
import pytest

from logger.judgement.alarms import MOST_STANDING, Event
from logger.judgement.judge import Judge
from logger.plan import Plan, Probe
from logger.reading import Bytes, Floats, Status
from tests.judgement.crude import raised

ZONES = 15
LOST_S = 260


def wide_plan() -> Plan:
    probes = [Probe(name="coals", channel="k0", reads="coals", zone="under", height_cm=0.0)]
    probes += [
        Probe(name=f"air {i}", channel=f"k{i + 1}", reads="air", zone=f"zone {i}", height_cm=10.0 + i)
        for i in range(ZONES)
    ]
    return Plan(title="Sixteen probes, invented", target_c=780.0, probes=tuple(probes))


def too_hot_and_one_probe_lost() -> tuple[Floats, Floats, Bytes]:
    t_s = np.arange(300.0)
    level = np.interp(t_s, [0.0, 150.0, 200.0], [800.0, 900.0, 1030.0])
    values = level[:, None] + np.random.default_rng(2).normal(0.0, 1.0, (300, ZONES + 1))
    status = np.zeros(values.shape, np.uint8)
    status[LOST_S:, 4], values[LOST_S:, 4] = int(Status.OPEN), np.nan
    return t_s, values, status


def test_a_flood_is_recorded_in_full_and_shown_as_a_handful() -> None:
    judge = Judge(wide_plan())
    events = judge.push(*too_hot_and_one_probe_lost())
    assert len(raised(events, "over_temperature")) == ZONES + 1
    assert [e.data["probe"] for e in raised(events, "probe_fault")] == ["air 3"]
    warned = [e for e in events if e.kind == "alarm" and e.data["warning"]]
    assert [e.data["first_out"] for e in warned if e.data["transition"] == "raised"].count(True) == 1
    shown = judge.verdict().alarms
    assert len(shown) == MOST_STANDING
    # The same news from one more zone must not hide something different.
    assert [alarm.rule for alarm in shown] == ["over_temperature"] * 4 + ["probe_fault"]
    assert [alarm.raised_s for alarm in shown[:4]] == sorted(alarm.raised_s for alarm in shown[:4])


def life(restart_at: int | None) -> tuple[list[Event], list[tuple[str, str]]]:
    """Acknowledge one alarm, shelve another; the second comes back by itself."""
    t_s, values, status = too_hot_and_one_probe_lost()
    judge = Judge(wide_plan())
    judge.push(t_s[:270], values[:270], status[:270])
    events = judge.act(270.0, "ack", "over_temperature:zone 0", "Potter")
    events += judge.act(271.0, "shelve", "over_temperature:zone 1", "Helper", minutes=1.0)
    later_t, later_values = np.arange(270.0, 400.0), np.full((130, ZONES + 1), 1030.0)
    later_values += np.random.default_rng(3).normal(0.0, 1.0, later_values.shape)
    for i in range(130):
        if i == restart_at:
            judge = Judge.restore(wide_plan(), judge.snapshot())
        row = slice(i, i + 1)
        events += judge.push(later_t[row], later_values[row], np.zeros((1, ZONES + 1), np.uint8))
    return events, [(alarm.key, alarm.state) for alarm in judge.verdict().alarms]


@pytest.mark.slow
def test_acts_keep_who_and_when_across_a_restart() -> None:
    events, standing = life(None)
    told = [
        (e.t_s, e.data["transition"], e.data["key"], e.data["state"], e.who)
        for e in events
        if e.kind == "alarm" and e.data["key"] in ("over_temperature:zone 0", "over_temperature:zone 1")
    ]
    assert told == [
        (270.0, "acknowledged", "over_temperature:zone 0", "acknowledged", "Potter"),
        (271.0, "shelved", "over_temperature:zone 1", "shelved", "Helper"),
        (331.0, "unshelved", "over_temperature:zone 1", "unacknowledged", ""),
    ]
    assert ("over_temperature:zone 0", "acknowledged") in standing
    for second in (1, 59, 60, 61, 100):
        assert life(second) == (events, standing)
