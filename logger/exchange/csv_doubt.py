"""Columns and values that look like temperatures but aren't. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from logger.exchange.csv_table import Table, listed
from logger.reading import Bytes, Floats, Status

_FEW: Final = 8
_HOTTEST_C: Final = 1400.0
"""Common practice, no source: a pit or a bonfire stays well below this."""
_TOGETHER_C: Final = 15.0
_ROOMS: Final = ((50.0, 100.0, "°F", "f"), (280.0, 310.0, "K", "k"))
# Common practice, no source: what instruments send for no reading, within a thermocouple's range.
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
"""Nothing in or near a fire stays this close to 0 °C: these are fractions, kilowatts or volts."""
_COLD_C: Final = -45.0
"""No probe at an open fire has been colder."""


def counts_rows(column: Floats) -> bool:
    """Whether a column counts the rows, from 0 or 1."""
    counted = column[0] + np.arange(len(column))
    return len(column) >= _FEW and float(column[0]) in (0, 1) and bool((column == counted).all())


def is_code(column: Floats) -> bool:
    """Whether a column is a code beside readings: whole numbers, mostly 0."""
    filled = column[~np.isnan(column)]
    whole = bool((filled[np.isfinite(filled)] % 1 == 0).all())
    return whole and len(filled) >= _FEW and 2 * int(np.count_nonzero(filled == 0)) > len(filled)


def stands_still(columns: Sequence[Floats]) -> list[tuple[int, float]]:
    """Find columns [°C] stuck at one number while others warm by 50 °C or more, and that number."""
    whole = [column[np.isfinite(column)] for column in columns]
    spans = [float(np.ptp(column)) if len(column) else 0.0 for column in whole]
    if max(spans, default=0.0) < 50:
        return []
    return [(j, float(c[0])) for j, c in enumerate(whole) if len(c) >= _FEW and spans[j] == 0]


def no_temperatures_beside(columns: Sequence[Floats]) -> list[int]:
    """Find columns [°C] that can't be temperatures, compared with the others: heat flows or voltages.

    They begin near 0 while all others begin at room temperature or above, and never get hot while the others
    do; or they stay within ±`_FRACTION` while any gets hot.
    """
    filled = [column[~np.isnan(column)] for column in columns]
    ends = [(c[0], c.min(), c.max()) if len(c) else (np.nan,) * 3 for c in filled]
    firsts, lowest, highest = np.array(ends).reshape(-1, 3).T
    if np.nanmax(highest, initial=-np.inf) < _HOT_C:
        return []
    none = (highest < _FRACTION) & (lowest > -_FRACTION)
    near_zero = np.abs(firsts) < _NEAR_ZERO_C
    others = firsts[~near_zero & ~np.isnan(firsts)]
    if len(firsts) > 3 and 2 * near_zero.sum() < len(firsts) and len(others) and others.min() >= _ROOM_C:
        none |= near_zero & (highest < _HOT_C)
    return np.flatnonzero(none).tolist()


def sentinels(values: Floats, status: Bytes) -> list[tuple[float, int]]:
    """Find numbers within a thermocouple's range that mean no reading, and mark them as out of range.

    Only the exact numbers that instruments use, and only where the column [°C] jumps to them and, unless it
    ends there, back again: by 200 °C, or to colder than any fire. `status` changes in place; returns each
    number and how often it occurred.
    """
    found: list[tuple[float, int]] = []
    ok = np.flatnonzero(status == Status.OK)
    for number in np.intersect1d(values[ok], SENTINELS_C).tolist():
        own = ok[values[ok] == number]
        others = ok[values[ok] != number]
        if not len(others):
            continue
        after = np.searchsorted(others, own)
        before_c = np.where(after > 0, values[others[np.maximum(after - 1, 0)]], np.nan)
        after_c = np.where(after < len(others), values[others[np.minimum(after, len(others) - 1)]], np.nan)
        least = 30.0 if number < _COLD_C else 50.0 if number == 0 else _JUMP_C
        if number == -1:  # a fire may begin on a frosty day, and climb fast
            least = 15.0 if after.min() else 30.0
        near = np.fmin(np.abs(before_c - number), np.abs(after_c - number)) < least
        # At an end, 0 may be a frosty day; a number that is there most of the time may be true.
        at_an_end = bool(np.isnan(after_c).any() or np.isnan(before_c).any())
        usual = number == 0 or (number > 0 and len(own) > len(others))
        if not near.any() and not (at_an_end and usual):
            status[own] = Status.RANGE
            found.append((number, len(own)))
    return found


def say_units(table: Table) -> None:
    """Add to the guesses which columns have no unit, once the columns are known."""
    unsaid = [column for column in table.columns if not column.told]
    if not unsaid:
        return
    some = f" for {listed([column.name for column in unsaid], 6)}" if len(unsaid) < len(table.columns) else ""
    table.guesses.append(f"no unit given{some}: taken as °{unsaid[0].unit.upper()}")


def doubt_units(table: Table, values_c: Floats) -> None:
    """Add to the guesses if temperatures (n, k) without a unit look like another unit's."""
    unsaid = [j for j, column in enumerate(table.columns) if not column.told and column.unit == "c"]
    found = [column[~np.isnan(column)] for column in values_c[:, unsaid].T]
    firsts = np.array([column[0] for column in found if len(column)])
    if not len(firsts) or table.own:
        return
    highest = max(float(column.max()) for column in found if len(column))
    if highest > _HOTTEST_C:
        table.guesses.append(
            f"{highest:g} °C is hotter than any open fire: are these °F, or tenths of a degree?"
        )
    elif len(firsts) > 1 and float(np.ptp(firsts)) < _TOGETHER_C:
        first = float(np.median(firsts))
        for low, high, unit, letter in _ROOMS:
            if low < first < high:
                table.guesses.append(
                    f"all begin near {first:.0f}: if that is room temperature in {unit}, say --unit {letter}"
                )
