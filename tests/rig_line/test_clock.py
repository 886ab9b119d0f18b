"""The rig's clock on the host's: rates stay true where arrival times mislead, and the time line is one line."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.rig_line.clock import RigClock

RISE_C_PER_S = 1.0  # of a made-up probe that climbs steadily, by true time


def arrivals(true_s: np.ndarray, jitter: str, seed: int) -> np.ndarray:
    """When each line is read: never early, in order, late by up to 500 ms."""
    rng = np.random.default_rng(seed)
    match jitter:
        case "uniform":
            delay = rng.uniform(0, 0.5, len(true_s))
        case "exponential":
            delay = np.minimum(rng.exponential(0.1, len(true_s)), 0.5)
        case "batches":  # USB delivers what has gathered every half second
            return np.ceil(true_s / 0.5) * 0.5
        case _:
            raise ValueError(jitter)
    return np.maximum.accumulate(true_s + delay)


def run(clock: RigClock, ms: np.ndarray, arrival_s: np.ndarray) -> np.ndarray:
    return np.array([clock.new(int(m) % 2**32, float(a)) for m, a in zip(ms, arrival_s, strict=True)])


def rates_over_60_s(t_s: np.ndarray, true_s: np.ndarray, hz: float) -> np.ndarray:
    step = round(60 * hz)
    return RISE_C_PER_S * (true_s[step:] - true_s[:-step]) / (t_s[step:] - t_s[:-step])


@pytest.mark.parametrize("jitter", ["uniform", "exponential", "batches"])
@pytest.mark.parametrize("drift", [-200e-6, 0.0, 200e-6])
@pytest.mark.parametrize("hz", [1.0, 10.0])
def test_rate_of_climb_over_60_s_is_right_within_one_per_cent(jitter: str, drift: float, hz: float) -> None:
    true_s = 1000.0 + np.arange(0, 1800, 1 / hz)
    ms = np.round((true_s - 900) * 1000 * (1 + drift))
    t_s = run(RigClock(), ms, arrivals(true_s, jitter, 5))
    rates = rates_over_60_s(t_s, true_s, hz)
    assert np.max(np.abs(rates / RISE_C_PER_S - 1)) < 0.01
    assert np.all(np.diff(t_s) > 0)


def test_arrival_times_alone_would_be_ten_per_cent_off_over_short_stretches() -> None:
    """What the clock is for: two readings of a 5 s stretch, by arrival and by the rig's clock."""
    true_s = 1000.0 + np.arange(0, 600, 0.1)
    arrival_s = arrivals(true_s, "uniform", 1)
    t_s = run(RigClock(), np.round(true_s * 1000), arrival_s)
    step = 50
    by_arrival = (true_s[step:] - true_s[:-step]) / (arrival_s[step:] - arrival_s[:-step])
    by_clock = (true_s[step:] - true_s[:-step]) / (t_s[step:] - t_s[:-step])
    assert np.max(np.abs(by_arrival - 1)) > 0.05
    assert np.max(np.abs(by_clock - 1)) < 0.01


def test_where_a_link_falls_ever_further_behind_arrivals_are_ten_per_cent_off_and_the_clock_is_not() -> None:
    """A broker that catches up: frames of 60 s arrive within 54 s, as after a stall of 6 s."""
    true_s = 1000.0 + np.arange(0, 600, 0.1)
    backlog = np.interp(true_s, [1000, 1300, 1306, 1366, 1600], [0, 0, 6, 0, 0])
    arrival_s = np.maximum.accumulate(true_s + backlog)
    t_s = run(RigClock(), np.round(true_s * 1000), arrival_s)
    at = np.searchsorted(true_s, [1306, 1366])
    by_arrival = 60 / (arrival_s[at[1]] - arrival_s[at[0]])
    by_clock = 60 / (t_s[at[1]] - t_s[at[0]])
    assert abs(by_arrival - 1) >= 0.1
    assert abs(by_clock - 1) < 0.01


@pytest.mark.slow
@pytest.mark.parametrize("drift", [-200e-6, 200e-6])
def test_drift_is_found_so_that_twelve_hours_stay_within_a_tenth_of_a_second(drift: float) -> None:
    true_s = 50.0 + np.arange(0, 12 * 3600, 1.0)
    ms = np.round(true_s * 1000 * (1 + drift))
    t_s = run(RigClock(), ms, arrivals(true_s, "exponential", 2))
    assert np.max(np.abs(t_s - true_s)[600:]) < 0.1


def test_the_rigs_clock_may_wrap() -> None:
    true_s = 1000.0 + np.arange(0, 300, 0.1)
    ms = 2**32 - 100_000 + np.round((true_s - 1000) * 1000)
    t_s = run(RigClock(), ms, true_s)
    assert np.allclose(np.diff(t_s), 0.1, atol=0.002)


def test_late_frames_get_their_true_times() -> None:
    clock = RigClock()
    true_s = 1000.0 + np.arange(0, 1200, 0.5)
    ms = np.round(true_s * 1000)
    online = (true_s < 1300) | (true_s > 1900)
    run(clock, ms[online], true_s[online] + 0.02)
    late = np.array([clock.late(int(m) % 2**32) for m in ms[~online]])
    assert np.max(np.abs(late - true_s[~online])) < 0.1


def test_what_was_buffered_before_anyone_listened_does_not_shift_the_rest() -> None:
    true_s = 1000.0 + np.arange(0, 300, 0.1)
    arrival_s = np.maximum(true_s, 1020.0)  # twenty seconds of lines arrive at once
    t_s = run(RigClock(), np.round(true_s * 1000), arrival_s)
    assert np.all(np.diff(t_s) > 0)
    assert np.max(np.abs(t_s - true_s)[400:]) < 0.6


def test_a_restart_of_ours_goes_on_the_same_line() -> None:
    clock = RigClock()
    true_s = 1000.0 + np.arange(0, 300, 0.1)
    first = run(clock, np.round(true_s * 1000), arrivals(true_s, "exponential", 3))
    shift = -777.0  # the new process's monotonic clock began elsewhere
    again = RigClock.restore(clock.state(), shift)
    later_s = 1310.0 + np.arange(0, 300, 0.1)
    second = run(again, np.round(later_s * 1000), arrivals(later_s, "exponential", 4) + shift) - shift
    assert second[0] - first[-1] == pytest.approx(later_s[0] - true_s[-1], abs=0.01)


def test_no_time_at_or_before_the_floor() -> None:
    clock = RigClock(floor_s=200.0)
    t_s = run(clock, np.arange(500, 60_500, 100), 199.0 + np.arange(0, 60, 0.1))
    assert t_s[0] > 200.0
    assert np.all(np.diff(t_s) > 0)


@pytest.mark.parametrize("jitter", ["uniform", "exponential", "batches"])
@pytest.mark.parametrize("seed", range(5))
def test_times_rise_with_the_rigs_clock_whichever_frames_come_late(jitter: str, seed: int) -> None:
    """Late frames fall between their neighbours, though the map was still settling at that time."""
    rng = np.random.default_rng(seed)
    true_s = 1000.0 + np.arange(0, 1500, 0.1)
    ms = np.round((true_s - 900) * 1000 * 1.0002).astype(np.int64)
    starts = rng.choice(len(ms) - 100, 60, replace=False)
    late = np.zeros(len(ms), bool)
    for start, length in zip(starts, rng.integers(1, 60, 60), strict=True):
        late[1 + start : 1 + start + length] = True
    clock = RigClock()
    t_s = np.empty(len(ms))
    t_s[~late] = run(clock, ms[~late], arrivals(true_s, jitter, seed)[~late])
    t_s[late] = [clock.late(int(m)) for m in ms[late]]
    assert np.all(np.diff(np.round(t_s * 1e6)) > 0)
    assert np.max(np.abs(t_s - true_s)) < 0.5


def test_a_burst_of_kept_frames_in_their_turn_moves_nothing() -> None:
    """An hour's frames arrive within seconds, the oldest an hour late: all get the times they were made at."""
    true_s = 1000.0 + np.arange(0, 6000, 0.25)
    out = (true_s > 1900) & (true_s < 5500)
    arrival_s = arrivals(true_s, "exponential", 6)
    arrival_s[out] = 5500 + 0.0005 * np.arange(out.sum())
    arrival_s = np.maximum.accumulate(arrival_s)
    clock = RigClock()
    t_s = run(clock, np.round(true_s * 1000 * 1.0001), arrival_s)
    assert np.max(np.abs(t_s - true_s)) < 0.3
    assert np.max(np.abs(rates_over_60_s(t_s, true_s, 4) - 1)) < 0.01
    assert clock.drift == pytest.approx(-100e-6, abs=15e-6)


@pytest.mark.parametrize("gap_s", [30.0, 3600.0, 12 * 3600.0])
def test_over_a_silence_the_drift_found_before_carries_on(gap_s: float) -> None:
    true_s = 1000.0 + np.concatenate([np.arange(0, 900, 0.1), 900 + gap_s + np.arange(0, 60, 0.1)])
    t_s = run(RigClock(), np.round(true_s * 1000 * 1.0002), arrivals(true_s, "exponential", 7))
    # 20 ppm of the time between, and what is learnt in the first minute.
    assert np.max(np.abs(t_s - true_s)[6000:]) < 0.05 + 20e-6 * gap_s
    assert np.all(np.diff(t_s) > 0)


def test_first_guess_is_mended_gently() -> None:
    """The very first line came 500 ms late, the others didn't: within three minutes it no longer matters."""
    true_s = 1000.0 + np.arange(0, 600, 0.1)
    arrival_s = np.maximum.accumulate(true_s + np.where(np.arange(len(true_s)) == 0, 0.5, 0.0))
    t_s = run(RigClock(), np.round(true_s * 1000), arrival_s)
    assert np.max(np.abs(rates_over_60_s(t_s, true_s, 10) - 1)) < 0.005
    assert np.max(np.abs(t_s - true_s)[1800:]) < 0.02


def test_a_host_that_was_set_back_while_nobody_logged_gets_true_rates_and_no_time_twice() -> None:
    """A small computer's clock was corrected by minus one day, then the logger was restarted."""
    true_s = 1000.0 + np.arange(0, 600, 0.5)
    newest_s = 1000.0 + 86_400
    clock = RigClock(floor_s=newest_s)
    t_s = run(clock, np.round(true_s * 1000), arrivals(true_s, "uniform", 8))
    assert t_s[0] > newest_s
    assert np.all(np.diff(t_s) > 0)
    assert np.max(np.abs(rates_over_60_s(t_s, true_s, 2) - 1)) < 0.01


def test_a_time_scale_is_only_numbers() -> None:
    """A demo at 60 times real time: delays of 10 ms look like 600 ms."""
    true_s = 1000.0 + np.arange(0, 3600, 0.25)
    rng = np.random.default_rng(9)
    arrival_s = np.maximum.accumulate(true_s + 60 * rng.uniform(0, 0.01, len(true_s)))
    t_s = run(RigClock(), np.round(true_s * 1000), arrival_s)
    assert np.max(np.abs(rates_over_60_s(t_s, true_s, 4) - 1)) < 0.01


def test_state_is_small_and_plain() -> None:
    clock = RigClock()
    true_s = 1000.0 + np.arange(0, 3000, 0.1)
    run(clock, np.round(true_s * 1000), arrivals(true_s, "uniform", 10))
    state = clock.state()
    assert len(json.dumps(state)) < 500
    again = RigClock.restore(json.loads(json.dumps(state)), 0.0)
    next_ms = round(true_s[-1] * 1000) + 100
    assert again.new(next_ms, float(true_s[-1]) + 0.3) == pytest.approx(
        clock.new(next_ms, float(true_s[-1]) + 0.3), abs=1e-4
    )
    assert again.drift == clock.drift


def test_rebased_before_its_first_frame_it_begins_as_ever() -> None:
    clock = RigClock()
    clock.rebase(5_000, 100.0)
    assert clock.new(5_000, 100.0) == 100.0


def test_memory_is_bounded() -> None:
    clock = RigClock()
    rng = np.random.default_rng(11)
    t_s = 0.0
    for i in range(20_000):  # jitter of seconds keeps the map turning
        t_s = clock.new(1000 * i, i + float(rng.uniform(0, 30)))
    assert t_s < 20_030
    assert len(clock._pieces) <= 1024
    assert len(clock._bins) <= 120


@given(st.lists(st.tuples(st.integers(0, 2**32 - 1), st.floats(0, 1e7)), min_size=1, max_size=80))
def test_whatever_numbers_come_times_rise(frames: list[tuple[int, float]]) -> None:
    clock = RigClock()
    newest_s = -math.inf
    for ms, arrival_s in frames:
        t_s = clock.new(ms, arrival_s)
        assert t_s > newest_s
        newest_s = t_s
        assert math.isfinite(clock.late(ms))
