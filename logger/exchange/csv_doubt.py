"""Columns and values that look like temperatures and are none. Pure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

import numpy as np

from logger.reading import Bytes, Floats, Status

_FEW: Final = 8
# Common practice, no source: what instruments send in place of a reading, within what a couple may read.
SENTINELS_C: Final = (
    *(0.0, -1.0, -50.0, -55.0, -60.0, -99.0, -99.9, -100.0, -127.0, -199.9, -200.0, -242.0, -250.0, -270.0),
    *(-273.0, -273.1, -273.15, 850.0, 999.0, 999.9, 1023.75, 1024.0, 1200.0, 1370.0, 1372.0, 1999.0, 1999.9),
    *(2000.0, 2047.75, 2048.0),
)
_JUMP_C: Final = 200.0
_NEAR_ZERO_C: Final = 5.0
_ROOM_C: Final = 8.0
_HOT_C: Final = 100.0
_FRACTION: Final = 2.0
"""Nothing in or beside a fire stays as near to 0 °C: these are shares, kilowatts or volts."""
_COLD_C: Final = -45.0
"""Colder than this no open fire's probe has been."""


def counts_rows(blocks: Sequence[Floats]) -> bool:
    """Say whether a column, given in parts, counts the rows, from 0 or from 1."""
    first = float(blocks[0][0])
    if first not in (0.0, 1.0) or sum(len(block) for block in blocks) < _FEW:
        return False
    expected = first
    for block in blocks:
        if (block != np.arange(expected, expected + len(block))).any():
            return False
        expected += len(block)
    return True


def is_code(blocks: Sequence[Floats]) -> bool:
    """Say whether a column, given in parts, is a code beside readings: whole numbers, 0 most of the time."""
    noughts = sum(int(np.count_nonzero(block == 0)) for block in blocks)
    filled = sum(int(np.count_nonzero(~np.isnan(block))) for block in blocks)
    whole = all((block[np.isfinite(block)] % 1 == 0).all() for block in blocks)
    return whole and filled >= _FEW and 2 * noughts > filled


def stands_still(columns: Sequence[Sequence[Floats]]) -> list[tuple[int, float]]:
    """Find columns [°C] stuck at one number while others warm by 50 °C or more, and that number."""
    whole = [np.concatenate([b[np.isfinite(b)] for b in blocks]) for blocks in columns]
    spans = [float(np.ptp(column)) if len(column) else 0.0 for column in whole]
    if max(spans, default=0.0) < 50:
        return []
    return [(j, float(c[0])) for j, c in enumerate(whole) if len(c) >= _FEW and spans[j] == 0]


def no_temperatures_beside(columns: Sequence[Sequence[Floats]]) -> list[int]:
    """Find columns [°C] that can't be temperatures beside the others: heat flows or voltages of a fire.

    They begin near 0 while all others begin at a room's temperature or above it, and never get hot where the
    others do; or they never leave ±`_FRACTION` where any gets hot.
    """
    lowest, highest = (
        np.array([_extreme(blocks, end) for blocks in columns]) for end in (np.nanmin, np.nanmax)
    )
    if np.nanmax(highest, initial=-np.inf) < _HOT_C:
        return []
    fraction = (highest < _FRACTION) & (lowest > -_FRACTION)
    firsts = np.array([_first(blocks) for blocks in columns])
    if len(firsts) < 4:
        return np.flatnonzero(fraction).tolist()
    near_zero = np.abs(firsts) < _NEAR_ZERO_C
    others = firsts[~near_zero & ~np.isnan(firsts)]
    if not near_zero.any() or 2 * near_zero.sum() >= len(firsts) or not len(others) or others.min() < _ROOM_C:
        return np.flatnonzero(fraction).tolist()
    return np.flatnonzero(fraction | (near_zero & (highest < _HOT_C))).tolist()


def _extreme(blocks: Sequence[Floats], end: Callable[..., float]) -> float:
    found = [float(end(block)) for block in blocks if not np.isnan(block).all()]
    return float(end(found)) if found else np.nan


def _first(blocks: Sequence[Floats]) -> float:
    return next((float(v) for block in blocks for v in block[~np.isnan(block)][:1]), np.nan)


def sentinels(values: Floats, status: Bytes) -> list[tuple[float, int]]:
    """Find numbers that stand for no reading within what a couple may read, and mark them as out of range.

    Only the very numbers that instruments use, and only where the column [°C] leaps to them and, unless it
    ends there, back again: by 200 °C, or to where no fire is cold enough. `status` changes in place; each
    number comes with how often it stood there.
    """
    found: list[tuple[float, int]] = []
    ok = np.flatnonzero(status == Status.OK)
    low = {float(round(v, 2)) for v in np.unique(values[ok]) if v in SENTINELS_C} if len(ok) else set()
    for number in sorted(low):
        own = ok[values[ok] == number]
        others = ok[values[ok] != number]
        if not len(others):
            continue
        after = np.searchsorted(others, own)
        before_c = np.where(after > 0, values[others[np.maximum(after - 1, 0)]], np.nan)
        after_c = np.where(after < len(others), values[others[np.minimum(after, len(others) - 1)]], np.nan)
        least = 30.0 if number < _COLD_C else 50.0 if number == 0 else _JUMP_C
        if number == -1:  # an open fire may begin on a frosty day, and climb fast
            least = 15.0 if after.min() else 30.0
        near = np.fmin(np.abs(before_c - number), np.abs(after_c - number)) < least
        if number == 0 and (np.isnan(after_c).any() or np.isnan(before_c).any()):
            continue  # a fire may begin on a frosty day
        if number > 0 and (np.isnan(after_c).any() or np.isnan(before_c).any()) and len(own) > len(others):
            continue
        if len(own) and not near.any():
            status[own] = Status.RANGE
            found.append((number, len(own)))
    return found
