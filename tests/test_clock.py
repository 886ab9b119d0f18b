"""The rig's clock on the host's: rates stay true where arrival times lie, and the line of time is one line."""

from __future__ import annotations

import numpy as np
import pytest

from logger.clock import RigClock

RISE_C_PER_S = 1.0  # of a made-up probe that climbs steadily, by true time


def arrivals(true_s: np.ndarray, jitter: str, seed: int) -> np.ndarray:
    """When each line is read: never early, in order, late by up to 500 ms."""
    rng = np.random.default_rng(seed)
    match jitter:
        case "uniform":
            delay = rng.uniform(0, 0.5, len(true_s))
        case "exponential":
            delay = np.minimum(rng.exponential(0.1, len(true_s)), 0.5)
        case "batches":  # USB hands over what has gathered every half second
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
    arrival_s = np.maximum(true_s, 1020.0)  # twenty seconds of lines come at once
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
    assert again.continues(round(later_s[0] * 1000), later_s[0] + shift)
    second = run(again, np.round(later_s * 1000), arrivals(later_s, "exponential", 4) + shift) - shift
    assert second[0] - first[-1] == pytest.approx(later_s[0] - true_s[-1], abs=0.01)


def test_another_boot_does_not_continue() -> None:
    clock = RigClock()
    run(clock, np.arange(500_000, 600_000, 100), np.arange(0, 100, 0.1) + 50)
    assert not clock.continues(500, 151.0), "its clock went back"
    assert not clock.continues(9_000_000, 151.0), "its clock is hours ahead of the time that has passed"


def test_no_time_at_or_before_the_floor() -> None:
    clock = RigClock(floor_s=200.0)
    t_s = run(clock, np.arange(500, 60_500, 100), 199.0 + np.arange(0, 60, 0.1))
    assert t_s[0] > 200.0
    assert np.all(np.diff(t_s) > 0)
