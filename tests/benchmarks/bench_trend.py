"""Compares estimators of level and rate under flicker, spikes, gaps and stuck values, at several rates.

Run by hand: `python -m tests.benchmarks.bench_trend`. The truth is known: a zone that stands still, climbs by
40 °C/min, turns and falls by 60 °C/min, and stands still again; and simulated firings, read once as a rig
reads them and once without flicker and noise. Every estimator is given the mean of each second's readings.
"""

from __future__ import annotations

import argparse
import time
from collections import deque
from collections.abc import Callable
from dataclasses import replace
from typing import Final, Protocol

import numpy as np
from scipy.signal import savgol_coeffs
from scipy.stats import theilslopes

from logger.judgement.trend import Trend
from logger.reading import Floats
from logger.simulator import draw, fire, probes

TURNS_S: Final = (300, 600, 800, 1100)
CLIMB, FALL = 40.0, -60.0
FLICKER_SD_C: Final = 12.0
"""Narrow-band noise about 1 Hz: ±30 °C holds 95 % of it."""


class Estimator(Protocol):
    """Level [°C] and rate [°C/min] of one probe."""

    def step(self, second: int, value_c: float) -> tuple[float, float]:
        """Take a second's mean; NaN if there was no reading."""
        ...


class Ours:
    """`logger.judgement.trend`."""

    def __init__(self) -> None:
        self._trend = Trend(1)

    def step(self, second: int, value_c: float) -> tuple[float, float]:
        value = np.array([value_c])
        course = self._trend.run(second, value[None], np.isfinite(value)[None])
        return float(course.level_c[-1, 0]), float(course.rate_c_per_min[-1, 0])


class Window:
    """Fits a line to the readings of the last seconds."""

    def __init__(self, seconds: int, fit: Callable[[Floats, Floats], tuple[float, float]]) -> None:
        self._kept: deque[tuple[int, float]] = deque()
        self._seconds, self._fit = seconds, fit
        self._last = (np.nan, np.nan)

    def step(self, second: int, value_c: float) -> tuple[float, float]:
        if value_c == value_c:
            self._kept.append((second, value_c))
        while self._kept and self._kept[0][0] <= second - self._seconds:
            self._kept.popleft()
        if len(self._kept) >= 4:
            t, y = np.array(self._kept).T
            level, slope = self._fit(t - second, y)
            self._last = (level, slope * 60.0)
        return self._last


def least_squares(t: Floats, y: Floats) -> tuple[float, float]:
    """Straight line: its value at the end and its slope."""
    centred = t - t.mean()
    slope = float(centred @ y / (centred @ centred))
    return float(y.mean() - slope * t.mean()), slope


def parabola(t: Floats, y: Floats) -> tuple[float, float]:
    """One-sided Savitzky-Golay of second order: value and slope at the end."""
    if len(t) == 40 and t[-1] == 0.0:
        return float(_SMOOTH @ y), float(_SLOPE @ y)
    c = np.polyfit(t, y, 2)
    return float(c[2]), float(c[1])


_SMOOTH: Final = savgol_coeffs(40, 2, pos=39, use="dot")
_SLOPE: Final = savgol_coeffs(40, 2, deriv=1, pos=39, use="dot")


def theil_sen(t: Floats, y: Floats) -> tuple[float, float]:
    """Median of all slopes."""
    slope, intercept, _, _ = theilslopes(y, t)
    return float(intercept), float(slope)


class Kalman:
    """Local linear trend: level and slope as random walks, two-state Kalman filter.

    Parameters
    ----------
    slope_walk : float
        How far the slope walks in a second. [°C/s]
    scatter_c : float
        Of a second's mean. [°C]
    clip : float
        A reading more than this many standard deviations off counts as this many.
    """

    def __init__(self, slope_walk: float, scatter_c: float = 12.0, clip: float = np.inf) -> None:
        self._clip = clip
        self._x, self._p = np.array([np.nan, 0.0]), np.diag([1e4, 1.0])
        self._f = np.array([[1.0, 1.0], [0.0, 1.0]])
        self._q = slope_walk**2 * np.array([[1 / 3, 1 / 2], [1 / 2, 1.0]])
        self._r = scatter_c**2

    def step(self, second: int, value_c: float) -> tuple[float, float]:
        if np.isnan(self._x[0]):
            self._x[0] = value_c
            return value_c, np.nan
        self._x = self._f @ self._x
        self._p = self._f @ self._p @ self._f.T + self._q
        if value_c == value_c:
            gain = self._p[:, 0] / (self._p[0, 0] + self._r)
            most = self._clip * float(np.sqrt(self._p[0, 0] + self._r))
            self._x = self._x + gain * min(max(value_c - self._x[0], -most), most)
            self._p = self._p - np.outer(gain, self._p[0])
        return float(self._x[0]), float(self._x[1]) * 60.0


class DoubleExponential:
    """Holt's double exponential smoothing."""

    def __init__(self, level: float = 0.12, slope: float = 0.05) -> None:
        self._a, self._b = level, slope
        self._level, self._slope = np.nan, 0.0

    def step(self, second: int, value_c: float) -> tuple[float, float]:
        if np.isnan(self._level):
            self._level = value_c
            return value_c, np.nan
        ahead = self._level + self._slope
        if value_c == value_c:
            level = ahead + self._a * (value_c - ahead)
            self._slope += self._b * (level - self._level - self._slope)
            self._level = level
        else:
            self._level = ahead
        return self._level, self._slope * 60.0


ESTIMATORS: Final[dict[str, Callable[[], Estimator]]] = {
    "ours: medians of 5 s, line of 40 s": Ours,
    "least squares, 30 s": lambda: Window(30, least_squares),
    "least squares, 60 s": lambda: Window(60, least_squares),
    "Theil-Sen, 40 s (scipy)": lambda: Window(40, theil_sen),
    "Savitzky-Golay, one-sided, 40 s (scipy)": lambda: Window(40, parabola),
    "Kalman, local linear trend, slow": lambda: Kalman(0.02),
    "Kalman, local linear trend, quick": lambda: Kalman(0.05),
    "Kalman, between, outliers clipped": lambda: Kalman(0.035, clip=2.5),
    "double exponential": DoubleExponential,
}


def truth() -> Floats:
    """The made-up zone, second by second."""
    rate = np.zeros(TURNS_S[-1])
    rate[TURNS_S[0] : TURNS_S[1]] = CLIMB
    rate[TURNS_S[1] : TURNS_S[2]] = FALL
    level: Floats = 500.0 + np.cumsum(rate) / 60.0
    return level


def readings(rng: np.random.Generator, rate_hz: float, trouble: str = "") -> Floats:
    """The made-up zone's readings as means of each second, NaN where there is none."""
    level = truth()
    n = len(level)
    per = max(round(rate_hz), 1)
    t = np.arange(n * per) / per
    # Noise in a band about 1 Hz, sampled as the rig samples it.
    phase = 2 * np.pi * np.cumsum(rng.normal(1.0, 0.25, n * per)) / per + rng.uniform(0, 2 * np.pi)
    strength = np.interp(t, np.arange(n), np.abs(rng.normal(0, 1.25, n)))
    raw = np.interp(t, np.arange(n), level) + FLICKER_SD_C * np.sqrt(2) * strength * np.sin(phase)
    raw += rng.normal(0.0, 0.5, len(raw))
    if trouble == "spikes":
        raw[rng.random(len(raw)) < 0.01] += rng.choice([-400.0, 400.0])
    if trouble == "stuck":
        for start in range(80, n - 20, 110):
            raw[start * per : (start + 12) * per] = raw[start * per]
    if trouble == "gaps":
        for start in range(60, n - 30, 100):
            raw[start * per : (start + 20) * per] = np.nan
    seconds = raw.reshape(n, per).mean(axis=1)
    if rate_hz < 1.0:
        seconds[np.arange(n) % round(1.0 / rate_hz) != 0] = np.nan
    return seconds


def run(make: Callable[[], Estimator], values: Floats) -> Floats:
    """Level and rate, each second."""
    estimator = make()
    return np.array([estimator.step(s, v) for s, v in enumerate(values.tolist())])


def settled() -> Floats:
    """Where nothing has turned for a minute."""
    n = TURNS_S[-1]
    quiet = np.ones(n, bool)
    for turn in (0, *TURNS_S):
        quiet[turn : turn + 70] = False
    return quiet


def made_up(make: Callable[[], Estimator], seeds: int) -> list[str]:
    """Cells of the first table for one estimator."""
    rate = np.gradient(truth()) * 60.0
    quiet = settled()
    climbing, still = quiet & (rate > 30), quiet & (np.abs(rate) < 1)

    def errors(rate_hz: float, trouble: str = "") -> tuple[float, float, float, float]:
        climb, false, late, lag = [], [], [], []
        for seed in range(seeds):
            out = run(make, readings(np.random.default_rng([seed, 5]), rate_hz, trouble))
            climb.append(out[climbing, 1] - CLIMB)
            false.append(np.abs(out[still, 1]))
            after = out[TURNS_S[1] : TURNS_S[2], 1]
            # Followed: past half way from the old rate to the new, for good.
            behind = np.flatnonzero(after[:150] > (CLIMB + FALL) / 2)
            late.append(0 if not len(behind) else behind[-1] + 1)
            lag.append((truth()[climbing] - out[climbing, 0]) / CLIMB * 60.0)
        c, f = np.concatenate(climb), np.concatenate(false)
        rms = float(np.sqrt(np.nanmean(c**2)))
        return rms, float(np.nanpercentile(f, 95)), float(np.median(late)), float(np.nanmean(lag))

    plain, slow, fast = errors(1.0), errors(0.25), errors(10.0)
    troubled = [errors(1.0, trouble) for trouble in ("spikes", "gaps", "stuck")]
    cells = [f"{plain[0]:.1f}", f"{plain[1]:.1f}", f"{plain[2]:.0f} s", f"{plain[3]:.0f} s"]
    cells += [f"{c:.1f} / {f:.1f} / {d:.0f} s" for c, f, d, _ in (slow, fast)]
    cells += [f"{f:.1f}" for _, f, _, _ in troubled]
    return cells


def cost_us(make: Callable[[], Estimator]) -> float:
    """Processor time of one step of one probe; ours does many at once in nearly the same time."""
    values = readings(np.random.default_rng(1), 1.0)
    start = time.process_time()
    run(make, values)
    return 1e6 * (time.process_time() - start) / len(values)


def stretches_us(probes_n: int = 8, seconds: int = 60) -> float:
    """Ours on many probes and a stretch of time at once, as for a stored firing. Per probe and second."""
    values = np.repeat(readings(np.random.default_rng(1), 1.0)[:, None], probes_n, axis=1)
    trend = Trend(probes_n)
    start = time.process_time()
    for i in range(0, len(values), seconds):
        trend.run(i, values[i : i + seconds], np.isfinite(values[i : i + seconds]))
    return 1e6 * (time.process_time() - start) / values.size


def firings(seeds: range) -> dict[str, list[tuple[float, float]]]:
    """Errors of rate and level on simulated firings while flames burn."""
    found: dict[str, list[tuple[float, float]]] = {name: [] for name in ESTIMATORS}
    for seed in seeds:
        scenario = draw(seed, mishaps="none", probes=4)
        burnt = fire.burn(scenario)
        seen = probes.read(burnt, scenario, 1.0).temperature_c
        quiet = tuple(replace(p, noise_c=0.0) for p in scenario.probes)
        clean = probes.read(burnt, replace(scenario, probes=quiet, flicker_c=0.0), 1.0).temperature_c
        part = slice(int(burnt.lit_s) - 60, min(int(burnt.lit_s) + 2400, len(seen)))
        for j in range(1, seen.shape[1]):
            true = clean[part, j]
            rate = np.gradient(true) * 60.0
            for name, make in ESTIMATORS.items():
                out = run(make, seen[part, j])[90:]
                found[name].append(
                    (
                        float(np.sqrt(np.nanmean((out[:, 1] - rate[90:]) ** 2))),
                        float(np.sqrt(np.nanmean((out[:, 0] - true[90:]) ** 2))),
                    )
                )
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=10)
    parser.add_argument("--first", type=int, default=1000)
    parser.add_argument("--firings", type=int, default=5)
    given = parser.parse_args()
    real = firings(range(given.first, given.first + given.firings))
    heads = [
        "estimator",
        "climb: rate off",
        "still: false rate",
        "turn followed after",
        "level's lag",
        "0.25 Hz: off / false / turn",
        "10 Hz: off / false / turn",
        "false rate, spikes",
        "gaps",
        "stuck",
        "firings: rate / level off",
        "µs a step",
    ]
    print(f"| {' | '.join(heads)} |\n{'|---' * len(heads)}|")
    for name, make in ESTIMATORS.items():
        rate, level = np.mean(real[name], axis=0)
        cells = [name, *made_up(make, given.seeds), f"{rate:.1f} / {level:.1f}", f"{cost_us(make):.0f}"]
        print(f"| {' | '.join(cells)} |", flush=True)
    print("\nRates in °C/min: root mean square while climbing by 40, 95th percentile while standing still.")
    print(f"Ours for eight probes and a minute at once: {stretches_us():.2f} µs a probe and second.")


if __name__ == "__main__":
    main()
