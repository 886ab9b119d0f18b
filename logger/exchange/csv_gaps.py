"""What an empty cell means: no reading yet, none just then, or a couple that has broken. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from logger.reading import Bytes, Floats, Ints, Status


def mark_long_gaps(t_us: Ints, status: Bytes) -> None:
    """Take a column that stays empty longer than three of its usual steps for an open thermocouple.

    Three that fall silent in one row, or all, are a logger that stopped. Before its first reading a column
    says nothing: its logger didn't run yet. For what comes after its last one see `mark_broken_ends`. `t_us`
    (n,); `status` (n, k) changes in place.
    """
    read = status != Status.ABSENT
    silent = (read[:-1] & ~read[1:]).sum(axis=1)
    together = (silent > 2) | ((silent > 1) & (silent == read[:-1].sum(axis=1)))
    for column in status.T:
        there = np.flatnonzero(column != Status.ABSENT)
        if len(there) < 2:
            continue
        usual = float(np.median(np.diff(t_us[there])))
        empty = np.flatnonzero(column == Status.ABSENT)
        empty = empty[(empty > there[0]) & (empty < there[-1])]
        after = np.searchsorted(there, empty)
        long = t_us[there[after]] - t_us[there[after - 1]] > max(3 * usual, 2e6)
        column[empty[long & ~together[there[after - 1]]]] = Status.OPEN


HOT_END_C: Final = 100.0
"""Nobody switches one channel off while its probe is so hot. [°C]"""


def mark_broken_ends(t_us: Ints, values_c: Floats, status: Bytes, ends_us: Sequence[int]) -> None:
    """Take a column that ends alone and hot, while its file goes on, for a couple that broke for good.

    Several that end together, or one that ends cold, are a logger that stopped. `t_us` (n,), `values_c` (n,
    k); `status` (n, k) changes in place; `ends_us` is the last time of the file that each column came from.
    """
    found = [np.flatnonzero(column != Status.ABSENT) for column in status.T]
    last = [int(there[-1]) if len(there) else -1 for there in found]
    for j, (there, end_us) in enumerate(zip(found, ends_us, strict=True)):
        together = sum(abs(other - last[j]) <= 2 for other in last)
        if len(there) < 2 or together > 1 or not values_c[last[j], j] > HOT_END_C:
            continue
        usual = float(np.median(np.diff(t_us[there])))
        if end_us - t_us[last[j]] > max(3 * usual, 2e6):
            rest = status[last[j] + 1 :, j]
            rest[t_us[last[j] + 1 :] <= end_us] = Status.OPEN
