from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logger.conversion.amplifiers import AMPLIFIERS, decode_words
from logger.physics.thermocouple import emf_uv
from logger.plan import loads
from logger.reading import Sample, Status
from logger.rig_line import wire
from logger.simulator import SimulatedFiring, simulate_scenario
from logger.simulator.demo import demo_scenario
from logger.simulator.scenario import Fault
from logger.simulator.wiring import FiringFrames, terminals
from tests.trial_rig import load_line, load_value

# Half a count of each chip, its own reference function's curvature included. [°C]
RESOLUTION_C = {"max6675": 0.2, "max31855": 0.2, "max31856": 0.01, "mcp9600": 0.04, "mlx90614": 0.011}


@pytest.fixture(scope="module")
def firing() -> SimulatedFiring:
    return simulate_scenario(demo_scenario(), rate_hz=0.5)


def meaning(sample: Sample, junction_c: float) -> tuple[float, Status]:
    """What a logger makes of a sample, by the amplifiers' own decoders."""
    if sample.fault is not None:
        return np.nan, Status.OPEN if sample.fault == "open" else Status.RANGE
    if sample.c is not None:
        return sample.c, Status.OK
    grid = np.arange(-20.0, 1200.0, 0.05)
    if sample.uv is not None and sample.cj is not None:
        return float(np.interp(sample.uv + emf_uv("K", sample.cj), emf_uv("K", grid), grid)), Status.OK
    assert sample.amp is not None
    assert sample.raw is not None
    words = np.array([int(sample.raw, 16)])
    decoded = decode_words(sample.amp, words, "K", np.array([junction_c]))
    status = Status(int(decoded.status[0]))
    if AMPLIFIERS[sample.amp].kind == "emf" and status is Status.OK:
        emf = decoded.emf_uv[0] + emf_uv("K", float(decoded.cold_junction_c[0]))
        return float(np.interp(emf, emf_uv("K", grid), grid)), status
    return float(decoded.temperature_c[0]), status


def test_demo_has_every_amplifier(firing: SimulatedFiring) -> None:
    kinds = set(terminals(firing.plan).values())
    assert kinds >= {"max6675", "max31855", "max31856", "mcp9600", "mlx90614", "uv"}


def test_every_reading_comes_back_from_the_wire(firing: SimulatedFiring) -> None:
    frames = FiringFrames(firing, 0.5, "a1")
    wired = terminals(firing.plan)
    for index in range(0, len(firing.t_s), 40):
        frame = wire.decode(frames.line(index))
        assert list(frame.ch) == [p.channel for p in firing.plan.probes]
        for j, (channel, kind) in enumerate(wired.items()):
            value, status = meaning(frame.ch[channel], float(firing.cold_junction_c[index, j]))
            expected = Status(int(firing.status[index, j]))
            assert status is expected, (index, channel)
            if status is Status.OK:
                off = abs(value - firing.temperature_c[index, j])
                assert off <= RESOLUTION_C.get(kind, 0.02) + 0.05, (index, channel, off)


def test_counter_and_clock_run_from_anywhere_and_wrap(firing: SimulatedFiring) -> None:
    frames = FiringFrames(firing, 0.5, "a1", seq=2**32 - 2, ms=2**32 - 3000)
    decoded = [wire.decode(frames.line(i)) for i in range(4)]
    assert [f.seq for f in decoded] == [2**32 - 2, 2**32 - 1, 0, 1]
    assert [f.ms for f in decoded] == [2**32 - 3000, 2**32 - 1000, 1000, 3000]


@pytest.mark.parametrize("kind", ["open", "short_ground"])
def test_fault_is_never_a_temperature(kind: str) -> None:
    scenario = demo_scenario()
    names = [s.probe.name for s in scenario.probes if s.probe.reads != "surface"]
    faults = tuple(Fault(name, kind, "start", 60.0, 600.0) for name in names)  # type: ignore[arg-type]
    firing = simulate_scenario(replace(scenario, faults=faults), rate_hz=0.5)
    frame = wire.decode(FiringFrames(firing, 0.5, "a1").line(100))
    for channel, kind in terminals(firing.plan).items():
        if kind != "mlx90614":
            value, status = meaning(frame.ch[channel], 25.0)
            assert np.isnan(value), channel
            assert status is not Status.OK


def test_after_the_end_it_goes_on_cooling(firing: SimulatedFiring) -> None:
    frames = FiringFrames(firing, 0.5, "a1")
    wired = terminals(firing.plan)
    n = len(firing.t_s)

    def values(index: int) -> np.ndarray:
        frame = wire.decode(frames.line(index))
        return np.array([meaning(frame.ch[channel], 20.0)[0] for channel in wired])

    np.testing.assert_allclose(values(n), firing.temperature_c[n - 1], atol=8)
    hours_later = values(n + 3 * 1800)
    np.testing.assert_allclose(hours_later, firing.truth["ambient_c"], atol=6)


def test_plan_of_the_rig_lends_a_cold_junction_to_the_chip_that_sends_none(firing: SimulatedFiring) -> None:
    plan = firing.plan
    kinds = terminals(plan)
    lent = {p.channel: p.cold_junction for p in plan.probes if p.cold_junction}
    assert {kinds[channel] for channel in lent} == {"max6675"}
    assert all(AMPLIFIERS[kinds[source]].junction is not None for source in lent.values() if source)
    assert loads(plan.dumps()) == plan


def test_load_frames_can_be_checked_value_by_value() -> None:
    frame = wire.decode(load_line("a1", 2**32 + 5, 12, 16))
    assert frame.seq == 5
    assert {name: s.c for name, s in frame.ch.items()} == {
        f"k{j}": load_value(2**32 + 5, j) for j in range(16)
    }
    values = {load_value(seq, j) for seq in range(100) for j in range(16)}
    assert len(values) > 1500
    assert min(values) >= 20
    assert max(values) < 920
