"""Which probe is being warmed in the hand, and whether it rises as it should. Pure.

A thermocouple whose two wires are swapped at the terminal adds up the wrong way: when warmed, it falls. While
everything is equally cold it looks like a good one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from logger.reading import Floats

STEP_S: Final = 1.0
"""Readings are averaged over this before they are looked at. [s]"""
SEEN_C: Final = 1.5
"""A smaller move from its resting value is a draught (common practice, no source). [°C]"""
SURE_C: Final = 3.0
"""A hand warms a probe's tip by more than this within seconds (common practice, no source). [°C]"""
BESIDE_C: Final = 2.0
"""How far above the others a warmed probe ends up at least, or below them if it is swapped. [°C]"""
_FOLLOW: Final = 1.0 / 60.0  # the resting value follows a warming morning
_LONGEST_STEPS: Final = 180  # nobody holds a tip for longer: a probe still off by then rests there
_ALL_AT_ONCE: Final = 0.6
_UP_DOWN: Final = np.array([[1.0], [-1.0]])
START_STEPS: Final = 60
"""The first resting value is the median of this many steps, as a probe may be in the hand at the start."""
RESTED_STEPS: Final = 5
"""How long a probe must rest before its next move counts."""

Moving = Literal["", "rising", "falling"]
Tried = Literal["", "rose", "fell"]


@dataclass(frozen=True, slots=True)
class Hand:
    """What one probe did."""

    still_c: float  # where it last rested; NaN if it never had a reading [°C]
    away_c: float  # how far from there it is now; NaN without a reading now [°C]
    moving: Moving  # now
    # `rose`: it was warmed and rose. `fell`: it fell below all around it, or fell and came back, as only a
    # swapped probe does; a tip that cools in the air comes down to the others.
    tried: Tried


def watch_hands(temperature_c: Floats) -> tuple[Hand, ...]:
    """Follow probes through some minutes of temperatures (n, k), a row a second [°C]; NaN: no reading.

    If most of the probes move at once it is the weather or a fire, not a hand, and none counts as warmed.
    """
    n, k = temperature_c.shape
    if not n:
        return tuple(Hand(np.nan, np.nan, "", "") for _ in range(k))
    seen_c = np.maximum(SEEN_C, 6.0 * _noise_c(temperature_c))
    still, away = np.full(k, np.nan), np.full(k, np.nan)
    rested = np.zeros(k, np.int64)  # steps at rest
    away_for = np.zeros(k, np.int64)  # steps since it left its rest
    sure = np.zeros(k, bool)
    # Upwards and downwards, (2, k): how far since it left its rest; the furthest that counts; where that was;
    # whether it came back from there.
    reach, most = np.zeros((2, k)), np.zeros((2, k))
    ends, back = np.full((2, k), np.nan), np.zeros((2, k), bool)
    for i in range(n):
        now = temperature_c[i]
        first = np.isnan(still) & ~np.isnan(now)
        if first.any():
            still[first] = _middle(temperature_c[i : i + START_STEPS])[first]
        away = now - still
        out, rest = np.abs(away) > seen_c, np.abs(away) <= seen_c
        sure = np.where(out & (away_for == 0), rested >= RESTED_STEPS, sure)
        away_for[out] += 1
        # A probe that had hardly come to rest counts only once it returns there: it may have been in the hand
        # at the start, and its rest be what came after.
        home = rest & (away_for > 0)
        counts = (out & sure) | home
        reach = np.where(out, np.fmax(reach, _UP_DOWN * away), reach)
        if k >= 3 and np.count_nonzero(out) >= max(3, _ALL_AT_ONCE * k):
            reach[:] = 0.0
        most = np.where(counts, np.fmax(most, reach), most)
        ends = np.where(counts & (reach > 0), np.fmax(ends, _UP_DOWN * still + reach), ends)
        back |= home & (reach >= SURE_C)
        stays = away_for > _LONGEST_STEPS
        still = np.where(stays, now, still)
        done = stays | home
        away_for[done], reach[:, done] = 0, 0.0
        rested[rest] += 1
        rested[stays] = 0
        still[rest] += _FOLLOW * away[rest]
    hands = []
    for j in range(k):
        others = np.delete(still, j)
        around = float(np.nanmedian(others)) if np.isfinite(others).any() else float(still[j])
        rose, fell = (most[:, j] >= SURE_C) & (
            back[:, j] | (ends[:, j] > _UP_DOWN[:, 0] * around + BESIDE_C) | np.array([k == 1, False])
        )
        moving: Moving = ""
        if abs(away[j]) > seen_c[j]:
            moving = "rising" if away[j] > 0 else "falling"
        tried: Tried = "rose" if rose else "fell" if fell else ""
        hands.append(Hand(float(still[j]), float(away[j]), moving, tried))
    return tuple(hands)


def _middle(rows: Floats) -> Floats:
    there = np.isfinite(rows)
    middle = np.full(rows.shape[1], np.nan)
    some = there.any(axis=0)
    middle[some] = np.nanmedian(rows[:, some], axis=0)
    return middle


def _noise_c(temperature_c: Floats) -> Floats:
    """Standard deviation from step to step, by the median, as a warmed probe moves in few of the steps."""
    noise = np.zeros(temperature_c.shape[1])
    steps = np.diff(temperature_c, axis=0)
    some = np.isfinite(steps).any(axis=0)
    apart = np.abs(steps[:, some] - np.nanmedian(steps[:, some], axis=0))
    noise[some] = np.nanmedian(apart, axis=0) * 1.4826 / np.sqrt(2)
    return np.minimum(noise, 1.0)
