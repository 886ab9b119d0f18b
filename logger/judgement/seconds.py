"""Readings put onto a grid of whole seconds."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from logger.judgement.probes.watch import Seconds
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

    def with_more(self, t_s: Floats, temperature_c: Floats, status: Bytes, cold_junction_c: Floats) -> Rows:
        """These rows followed by others."""
        return Rows(
            np.concatenate((self.t_s, t_s)),
            np.concatenate((self.temperature_c, temperature_c)),
            np.concatenate((self.status, status)),
            np.concatenate((self.cold_junction_c, cold_junction_c)),
        )

    def part(self, which: Ints | slice) -> Rows:
        """Some of the rows."""
        return Rows(
            self.t_s[which], self.temperature_c[which], self.status[which], self.cold_junction_c[which]
        )


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


def empty_seconds(n: int, k: int) -> Seconds:
    """Seconds in which nothing came."""
    shape = (n, k)
    return Seconds(
        np.full(shape, np.nan),
        np.zeros(shape, np.bool_),
        np.zeros(shape, np.int64),
        np.zeros(shape),
        np.full(shape, np.nan),
    )
