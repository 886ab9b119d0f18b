"""Readings put onto a grid of whole seconds."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from logger.judgement.rows import Bools
from logger.reading import Bytes, Floats, Ints, Status


class Rows(NamedTuple):
    """Readings of k probes, n rows in order of time."""

    t_s: Floats
    temperature_c: Floats
    status: Bytes
    cold_junction_c: Floats

    @classmethod
    def none(cls, k: int) -> Rows:
        """No rows, for k probes."""
        return cls(np.empty(0), np.empty((0, k)), np.empty((0, k), np.uint8), np.empty((0, k)))

    def part(self, which: Ints | slice) -> Rows:
        """Some of the rows."""
        return Rows._make(column[which] for column in self)


class Seconds(NamedTuple):
    """Readings of k probes gathered into n whole seconds; all (n, k)."""

    value_c: Floats  # mean of the good readings; NaN if none
    fresh: Bools  # there were good readings
    bad: Ints  # the worst status among the others; 0 if none
    swing_c: Floats  # highest minus lowest good reading
    cold_junction_c: Floats  # NaN where unknown

    @classmethod
    def empty(cls, n: int, k: int) -> Seconds:
        """Seconds in which nothing came."""
        unknown, shape = np.full((2, n, k), np.nan), (n, k)
        return cls(
            unknown[0], np.zeros(shape, np.bool_), np.zeros(shape, np.int64), np.zeros(shape), unknown[1]
        )

    def between(self, a: int, b: int) -> Seconds:
        """The seconds from a up to b, b not included."""
        return Seconds._make(column[a:b] for column in self)


def onto_seconds(rows: Rows) -> tuple[Ints, Seconds]:
    """Gather rows (at least one) into whole seconds; return those seconds and their values."""
    seconds = np.floor(rows.t_s).astype(np.int64)
    starts = np.flatnonzero(np.concatenate([[True], np.diff(seconds) > 0]))
    c, status = rows.temperature_c, rows.status
    good = status == Status.OK
    count = np.add.reduceat(good, starts, axis=0, dtype=np.int64)
    fresh = count > 0
    mean = np.add.reduceat(np.where(good, c, 0.0), starts, axis=0) / np.maximum(count, 1)
    mean[~fresh] = np.nan
    bad = np.maximum.reduceat(np.where(good | (status == Status.ABSENT), 0, status), starts, axis=0)
    high = np.maximum.reduceat(np.where(good, c, -np.inf), starts, axis=0)
    low = np.minimum.reduceat(np.where(good, c, np.inf), starts, axis=0)
    swing = np.where(count > 1, high - low, 0.0)
    junction = np.fmax.reduceat(rows.cold_junction_c, starts, axis=0)
    return seconds[starts], Seconds(mean, fresh, bad.astype(np.int64), swing, junction)
