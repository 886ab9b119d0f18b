from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.live.board import Newest
from logger.journal.reader import Column
from logger.plan import Probe

START_US = 1_795_600_800_000_000


def rate_of(t_us: np.ndarray, temperature_c: np.ndarray, at_once: int = 1) -> float | None:
    newest = Newest(Column(Probe("p", "k0"), "a1", "k0"))
    for n in range(0, len(t_us), at_once):
        times, c = t_us[n : n + at_once].tolist(), temperature_c[n : n + at_once].tolist()
        newest.take(times, c, [0] * len(times))
    return newest.rate()


def test_a_straight_climb_is_its_slope() -> None:
    t_us = START_US + np.arange(0, 60_000_000, 250_000)
    assert rate_of(t_us, 300 + (t_us - START_US) / 60e6 * 42.0) == pytest.approx(42.0, abs=1e-3)


@given(
    st.lists(st.integers(20_000, 3_000_000), min_size=3, max_size=400),
    st.integers(0, 2**32 - 1),
)
def test_agrees_with_a_fit_of_the_last_minute(steps_us: list[int], seed: int) -> None:
    """numpy's least squares is the reference."""
    t_us = START_US + np.cumsum(steps_us)
    temperature_c = np.random.default_rng(seed).uniform(0, 1300, len(t_us)).round(4)
    last = t_us >= t_us[-1] - 60_000_000
    if last.sum() < 3 or t_us[last][-1] - t_us[last][0] < 15_000_000:
        assert rate_of(t_us, temperature_c) is None
        return
    minutes = (t_us[last] - t_us[-1]) / 60e6
    slope, _ = np.polyfit(minutes, temperature_c[last], 1)
    assert rate_of(t_us, temperature_c) == pytest.approx(slope, rel=1e-6, abs=1e-3)


def test_twelve_hours_leave_no_rounding_behind() -> None:
    rng = np.random.default_rng(1)
    t_us = START_US + np.arange(12 * 3600 * 4) * 250_000
    noisy = 700 + rng.normal(0, 30, len(t_us))
    noisy[-300:] = 650.0  # and then nothing moves for more than a minute
    assert rate_of(t_us, noisy, 50) == 0.0


def test_too_short_a_time_has_no_rate() -> None:
    assert rate_of(START_US + np.arange(0, 14_900_000, 100_000), np.arange(149.0)) is None
    assert rate_of(START_US + np.array([0, 20_000_000]), np.array([20.0, 30.0])) is None
