"""Arithmetic over blocks of seconds, one row each: what lasts, what was last, medians."""

from __future__ import annotations

from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from logger.reading import Floats, Ints

Bools = NDArray[np.bool_]
_Kind = TypeVar("_Kind", bound=np.generic)


class Past:
    """The last n rows of a table, NaN at first."""

    def __init__(self, n: int, columns: int) -> None:
        self.rows: Floats = np.full((n, columns), np.nan)

    def add(self, new: Floats) -> Floats:
        """The rows so far, followed by the new ones; keep the last n of them."""
        rows = np.concatenate([self.rows, new])
        self.rows = rows[len(new) :].copy()
        return rows


class Lasting:
    """What begins once it has held for `for_s`, and then stays, in each of k columns."""

    def __init__(self, k: int, for_s: int) -> None:
        self.held_s: Ints = np.zeros(k, np.int64)
        self.on = np.zeros(k, np.bool_)
        self._for_s = for_s

    def busy(self) -> Bools:
        """Columns in which it has begun, or may; (k,)."""
        return self.on | (self.held_s > 0)

    def run(self, j: int, holds: Bools, stays: Bools, for_s: int | None = None) -> Bools:
        """Take n seconds of column `j`; return where it has begun and still stays so, (n,)."""
        held_s = run_lengths(holds[:, None], self.held_s[j : j + 1])[:, 0]
        begins = held_s >= (self._for_s if for_s is None else for_s)
        on = since_begun(begins, ~stays & ~begins, self.on[j])
        self.held_s[j], self.on[j] = held_s[-1], on[-1]
        return on

    def forget(self, j: int) -> None:
        """Begin afresh in column `j`."""
        self.held_s[j], self.on[j] = 0, False


def last_rows(holds: Bools) -> Ints:
    """The last row, counted from 1, up to each in which it held; 0 if there was none. Shape as `holds`."""
    at = np.arange(1, len(holds) + 1).reshape(-1, *[1] * (holds.ndim - 1))
    return np.maximum.accumulate(np.where(holds, at, 0), axis=0)


def run_lengths(holds: Bools, before: Ints) -> Ints:
    """Count how many rows each column of `holds` (n, m) has held for, starting from `before` (m,)."""
    at = np.arange(1, len(holds) + 1)[:, None]
    broken = last_rows(~holds)
    return np.where(broken > 0, at - broken, before + at)


def since_begun(begins: Bools, ends: Bools, before: Any) -> Bools:
    """Where something has begun and not ended since; `before`: whether it had at first. Shape as `begins`."""
    ended = last_rows(ends)
    on: Bools = (last_rows(begins) > ended) | (before & (ended == 0))
    return on


def kept(before: NDArray[_Kind], rows: NDArray[_Kind], last: Ints) -> NDArray[_Kind]:
    """What was there in the row `last_rows` names; `before` (m,) where it names none."""
    return np.take_along_axis(np.concatenate([before[None], rows]), last, axis=0)


def median(values: Floats) -> Floats:
    """Median along the last axis, NaN left out; NaN where nothing is left."""
    if not values.shape[-1]:
        return np.full(values.shape[:-1], np.nan)
    ordered = np.sort(values, axis=-1)  # NaN last
    count = (~np.isnan(ordered)).sum(axis=-1)[..., None]
    low, high = np.maximum(count - 1, 0) // 2, np.minimum(count // 2, np.maximum(count - 1, 0))
    one, two = (np.take_along_axis(ordered, at, axis=-1)[..., 0] for at in (low, high))
    return np.asarray(0.5 * (one + two), np.float64)


def running_mean(rows: Floats, n: int) -> Floats:
    """Mean of each row and the n - 1 before it (at least n rows), always summed in the same order."""
    m = len(rows) - n + 1
    total: Floats = rows[:m].copy()
    for i in range(1, n):
        total += rows[i : i + m]
    total /= n
    return total
