"""Buckets of 1 s, 10 s and 60 s: least, greatest, mean and last reading, count and worst status. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.journal.layout import seal, squeeze, unseal, unsqueeze
from logger.reading import Bytes, Floats, Ints, Status

LEVELS_S: Final = (1, 10, 60)

BUCKET: Final = np.dtype(
    [("min", "<f4"), ("max", "<f4"), ("mean", "<f4"), ("last", "<f4"), ("count", "<u4"), ("status", "u1")]
)
"""One channel in one bucket. `min` to `last` are of the OK readings, NaN if there were none; `count` is how
many; `status` is the worst of all its readings, `Status.ABSENT` if there were none at all."""

Buckets = NDArray[np.void]
"""Structured array of `BUCKET`."""

_ABSENT: Final = np.uint8(Status.ABSENT)
EMPTY: Final = np.array((np.nan, np.nan, np.nan, np.nan, 0, _ABSENT), BUCKET)
"""A bucket without readings."""


def readings_as_buckets(temperature_c: Floats, status: Bytes) -> Buckets:
    """Make each reading [°C] a bucket of its own; arrays of one shape."""
    out = np.empty(temperature_c.shape, BUCKET)
    ok = status == Status.OK
    values = np.where(ok, temperature_c, np.nan).astype(np.float32)
    for name in ("min", "max", "mean", "last"):
        out[name] = values
    out["count"] = ok
    out["status"] = status
    return out


def merge(buckets: Buckets, starts: Ints) -> Buckets:
    """Merge runs of buckets in order of time: from shape (m,) into (g,), or from (m, k) into (g, k).

    `starts`, shape (g,): the first row of each run, ascending from 0.
    """
    out = np.empty((len(starts), *buckets.shape[1:]), BUCKET)
    if not len(starts):
        return out
    count = buckets["count"]
    some = count > 0
    least = np.minimum.reduceat(np.where(some, buckets["min"], np.float32(np.inf)), starts)
    greatest = np.maximum.reduceat(np.where(some, buckets["max"], np.float32(-np.inf)), starts)
    total = np.add.reduceat(np.where(some, buckets["mean"].astype(np.float64) * count, 0.0), starts)
    out["count"] = np.add.reduceat(count.astype(np.int64), starts)
    rows = np.where(some.T, np.arange(len(buckets)), -1).T
    latest = np.maximum.reduceat(rows, starts)
    any_ok = latest >= 0
    out["min"] = np.where(any_ok, least, np.nan)
    out["max"] = np.where(any_ok, greatest, np.nan)
    out["mean"] = np.where(any_ok, total / np.maximum(out["count"], 1), np.nan)
    last = np.take_along_axis(buckets["last"], np.maximum(latest, 0), axis=0)
    out["last"] = np.where(any_ok, last, np.nan)
    # OK is 0 and faults have higher numbers; ABSENT only counts where there was nothing else.
    present = buckets["status"] != _ABSENT
    rank = np.maximum.reduceat(np.where(present, buckets["status"] + np.uint8(1), np.uint8(0)), starts)
    out["status"] = np.where(rank > 0, rank - np.uint8(1), _ABSENT)
    return out


def roll_minute(t_us: Ints, temperature_c: Floats, status: Bytes) -> dict[int, Buckets]:
    """Roll up one minute of readings: by level [s], buckets of the whole minute, shape (60 / level, k).

    Times within the minute, shape (n,), ascending [µs]; temperatures [°C] and status, shape (n, k).
    """
    second = np.asarray(t_us, np.int64) // 1_000_000
    starts = run_starts(second)
    level = np.full((60, temperature_c.shape[1]), EMPTY)
    level[second[starts]] = merge(readings_as_buckets(temperature_c, status), starts)
    out = {1: level}
    for coarser, finer in ((10, 1), (60, 10)):
        out[coarser] = merge(out[finer], np.arange(0, 60 // finer, coarser // finer))
    return out


def run_starts(keys: Ints) -> Ints:
    """Find the index at which each run of equal keys begins."""
    if not len(keys):
        return np.zeros(0, np.int64)
    return np.concatenate(([0], np.flatnonzero(np.diff(keys)) + 1))


def dump_buckets(buckets: Buckets, covered: Sequence[int]) -> bytes:
    """Turn a minute's buckets, shape (60 / level, k), into bytes.

    `covered`, see `seal`: level [s], firing, minute, layout. Only the finest level is packed: the others are
    small, and opening a page reads hundreds of them.
    """
    return squeeze(buckets, covered) if covered[0] == LEVELS_S[0] else seal(buckets.tobytes(), covered)


def load_buckets(data: bytes, k: int, covered: Sequence[int]) -> bytes:
    """Check and unpack a minute of buckets; the bytes of several can be joined and read at once."""
    if covered[0] == LEVELS_S[0]:
        found = unsqueeze(data, np.dtype((np.void, BUCKET.itemsize * k)), covered).tobytes()
    else:
        found = unseal(data, covered)
    if len(found) != 60 // covered[0] * k * BUCKET.itemsize:
        raise ValueError("damaged data: buckets for other channels")
    return found
