from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logger.reading import Status
from logger.simulator import SimulatedFiring, simulate, simulate_scenario
from logger.simulator.demo import demo_scenario
from logger.simulator.probes import COLD_JUNCTION_HOT_C, place_c, read
from logger.simulator.scenario import FAULT_KINDS, Fault, FaultKind
from tests.burnt import burnt


def with_fault(
    kind: FaultKind, probe: str = "upper air", duration_s: float | None = 300.0
) -> SimulatedFiring:
    fault = Fault(probe, kind, "lit", 1200.0, duration_s)
    return simulate_scenario(replace(demo_scenario(), faults=(fault,)))


def column(firing: SimulatedFiring, name: str) -> int:
    return [p.name for p in firing.plan.probes].index(name)


def split(firing: SimulatedFiring) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Before, during and after the only fault."""
    fault = firing.truth["faults"][0]
    t = firing.t_s
    return t < fault["start_s"], (t >= fault["start_s"]) & (t <= fault["end_s"]), t > fault["end_s"]


def test_flicker_of_a_bare_bead_is_about_30_degrees_at_about_1_hz() -> None:
    """Common practice, no source."""
    scenario = demo_scenario()
    fire = burnt(scenario)
    firing = simulate_scenario(scenario, rate_hz=10)
    j = column(firing, "upper air")
    a = int(fire.lit_s + 1800) * 10
    trace = firing.temperature_c[a : a + 1024, j]
    trend = np.convolve(trace, np.ones(31) / 31, mode="same")
    flicker = (trace - trend)[20:-20]
    assert 10 < np.std(flicker) < 25
    assert np.percentile(np.abs(flicker), 99) < 60
    power = np.abs(np.fft.rfft(flicker * np.hanning(len(flicker)))) ** 2
    hz = np.fft.rfftfreq(len(flicker), 0.1)
    assert 0.5 < hz[power.argmax()] < 1.6


def test_a_fire_that_flickers_twice_as_much_shows_it_and_one_that_does_not_is_smooth() -> None:
    scenario = demo_scenario()
    fire = burnt(scenario)
    readings = [read(fire, replace(scenario, flicker_c=c), 1.0).temperature_c for c in (0.0, 17.0, 34.0)]
    at = slice(int(fire.lit_s + 1800), int(fire.lit_s + 1860))
    j = [s.probe.name for s in scenario.probes].index("upper air")
    once, twice = (float(np.std((much - readings[0])[at, j])) for much in readings[1:])
    assert once > 5.0
    assert twice == pytest.approx(2.0 * once)


def test_slow_probe_trails_by_its_lag() -> None:
    """In a steady climb a first-order probe reads rate times lag too low: the textbook's ramp response."""
    scenario = demo_scenario()
    probes = tuple(
        replace(s, lag_s=20.0, bias_c=0.0, noise_c=0.0) if s.probe.name == "coals" else s
        for s in scenario.probes
    )
    scenario = replace(scenario, probes=probes)
    fire = burnt(scenario)
    readings = read(fire, scenario, 1.0)
    a = int(fire.lit_s + 700)
    true = place_c(fire, scenario)[:, 0]
    rate = (true[a] - true[a - 60]) / 60
    assert true[a] - readings.temperature_c[a, 0] == pytest.approx(20 * rate, rel=0.1)


def test_infrared_ends_near_380_and_says_so() -> None:
    firing = simulate_scenario(demo_scenario())
    ir = firing.temperature_c[:, column(firing, "upper ir")]
    status = firing.status[:, column(firing, "upper ir")]
    wall = firing.temperature_c[:, column(firing, "upper wall")]
    assert np.nanmax(ir) < 380
    assert (status[wall > 450] == Status.RANGE).mean() > 0.99
    assert (status[:600] == Status.OK).all()


def test_reading_is_nan_exactly_where_it_is_not_ok() -> None:
    for seed in range(4):
        firing = simulate(seed, rate_hz=0.5)
        np.testing.assert_array_equal(np.isnan(firing.temperature_c), firing.status != Status.OK)


@pytest.mark.parametrize(("kind", "status"), [("open", Status.OPEN), ("short_ground", Status.SHORT_GROUND)])
def test_fault_that_the_amplifier_sees(kind: FaultKind, status: Status) -> None:
    firing = with_fault(kind)
    before, during, after = split(firing)
    j = column(firing, "upper air")
    assert (firing.status[during, j] == status).all()
    assert (firing.status[before | after, j] == Status.OK).all()


def test_stuck_reading_does_not_move() -> None:
    firing = with_fault("stuck")
    _, during, after = split(firing)
    j = column(firing, "upper air")
    assert np.ptp(firing.temperature_c[during, j]) == 0
    assert np.ptp(firing.temperature_c[after, j]) > 50


def test_loose_terminal_jumps_and_drops_out() -> None:
    firing = with_fault("intermittent")
    before, during, _ = split(firing)
    j = column(firing, "upper air")
    steps = np.abs(np.diff(firing.temperature_c[during, j]))
    assert np.nanpercentile(steps, 60) > 60
    assert np.nanpercentile(np.abs(np.diff(firing.temperature_c[before, j])), 99) < 60
    assert 0 < (firing.status[during, j] == Status.OPEN).mean() < 0.3


def test_probe_that_fell_out_reads_the_air_beside_the_fire() -> None:
    firing = with_fault("fallen_out", duration_s=None)
    _, during, _ = split(firing)
    j = column(firing, "upper air")
    fallen = firing.temperature_c[during, j]
    assert fallen[60:].max() < 140
    assert (firing.status[during, j] == Status.OK).all()


def test_cold_junction_in_the_sun_is_measured_and_the_reading_nearly_right() -> None:
    firing = with_fault("cold_junction_hot", duration_s=900.0)
    plain = simulate_scenario(replace(demo_scenario(), faults=()))
    _, during, _ = split(firing)
    j = column(firing, "upper air")
    assert (firing.cold_junction_c[during, j] >= COLD_JUNCTION_HOT_C - 0.5).all()
    assert np.nanmax(firing.cold_junction_c[:, column(firing, "coals")]) < 45
    off = firing.temperature_c[during, j] - plain.temperature_c[during, j]
    assert 0 < np.mean(off) < 6


def test_every_kind_of_fault_can_be_asked_for() -> None:
    for kind in FAULT_KINDS:
        faults = [f for seed in range(2) for f in simulate(seed, mishaps=kind, rate_hz=0.2).truth["faults"]]
        assert faults
        assert {f["kind"] for f in faults} == {kind}


def test_rate_does_not_change_the_fire() -> None:
    slow, fast = simulate(11, rate_hz=0.5, mishaps="none"), simulate(11, rate_hz=4, mishaps="none")
    assert slow.truth["zones"] == fast.truth["zones"]
    assert slow.truth["events"] == fast.truth["events"]
    off = fast.temperature_c[::8][: len(slow.t_s)] - slow.temperature_c
    assert np.nanpercentile(np.abs(off), 99) < 6  # amplifier noise alone
