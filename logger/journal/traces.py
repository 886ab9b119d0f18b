"""Readings as they are drawn: times and temperatures of each probe, thinned, broken at gaps. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np

from logger.journal.rollup import Buckets, merge, run_starts
from logger.plan import Probe
from logger.reading import Bytes, Floats, Ints, Status

GAP_STEPS: Final = 3.0
"""A line breaks where readings are missing for longer than this many of its usual steps …"""
GAP_US: Final = 2_000_000
"""… and longer than this: a few lost frames are no gap to the eye. [µs]"""


@dataclass(frozen=True, slots=True)
class Column:
    """One channel of one rig, and the probe it is."""

    probe: Probe
    rig: str
    channel: str


@dataclass(frozen=True, slots=True)
class Estimates:
    """What the pots of one zone were estimated to be at, with a band that holds it nine times in ten."""

    t_us: Ints  # int64 array, shape (n,); ascending. [µs]
    # estimate_c, low_c, high_c: array, shape (n,); mean through the wall, and its band. [°C]
    estimate_c: Floats
    low_c: Floats
    high_c: Floats
    basis: tuple[str, ...]  # length n; what it stood on: `probe`, `spot`, `neighbours` or `nothing`


@dataclass(frozen=True, slots=True)
class Traces:
    """Readings by column; each has times of its own."""

    columns: tuple[Column, ...]
    t_us: list[Ints] = field(default_factory=list)  # list of int64 arrays; ascending. [µs]
    # list of float64 arrays; NaN where there is no reading, so that lines break. [°C]
    temperature_c: list[Floats] = field(default_factory=list)
    # list of uint8 arrays; `Status`. In a history a temperature may stand beside a fault: some of its
    # readings had that.
    status: list[Bytes] = field(default_factory=list)

    def add(self, t_us: Ints, temperature_c: Floats, status: Bytes) -> None:
        """Add the next column's readings; entries that were absent from their frames are left out."""
        there = status != Status.ABSENT
        if not there.all():
            t_us, temperature_c, status = t_us[there], temperature_c[there], status[there]
        self.t_us.append(np.ascontiguousarray(t_us))
        self.temperature_c.append(np.ascontiguousarray(temperature_c))
        self.status.append(np.ascontiguousarray(status))


def thin(t_us: Ints, buckets: Buckets, step_us: int) -> list[tuple[Ints, Floats, Bytes]]:
    """Reduce buckets, shape (m, k), to the least and the greatest of each step, by column.

    Two points a step, at a quarter and three quarters of it, in the order that its last reading makes
    likelier; one in the middle where both are the same; one NaN where nothing of what was sent was OK. Steps
    in which nothing was sent are left out. Buckets begin at `t_us`; a step is a multiple of their length.
    [µs]
    """
    step = t_us // step_us
    starts = run_starts(step)
    merged = merge(buckets, starts)
    begin = step[starts] * step_us
    out = []
    for column in merged.T:
        low, high = column["min"].astype(np.float64), column["max"].astype(np.float64)
        last = column["last"].astype(np.float64)
        rising = high - last <= last - low
        flat = ~(high > low)  # NaN is flat too
        times = np.stack(
            (begin + np.where(flat, step_us // 2, step_us // 4), begin + step_us - step_us // 4), axis=1
        )
        values = np.stack((np.where(rising, low, high), np.where(rising, high, low)), axis=1)
        keep = np.stack((column["status"] != Status.ABSENT, ~flat), axis=1)
        status = np.repeat(column["status"], 2).reshape(-1, 2)
        out.append((times[keep], values[keep], status[keep]))
    return out


def break_gaps(
    t_us: Ints, temperature_c: Floats, status: Bytes, usual_us: int | None = None
) -> tuple[Ints, Floats, Bytes]:
    """Put a NaN, with `Status.ABSENT`, right after the last point before each gap in n readings.

    A gap is longer than three usual steps [µs]: the median where none is given.
    """
    if len(t_us) < 2:
        return t_us, temperature_c, status
    steps = np.diff(t_us)
    usual = float(np.median(steps)) if usual_us is None else usual_us
    at = np.flatnonzero(steps > max(GAP_STEPS * usual, GAP_US)) + 1
    if not len(at):
        return t_us, temperature_c, status
    return (
        np.insert(t_us, at, t_us[at - 1] + 1),
        np.insert(temperature_c, at, np.nan),
        np.insert(status, at, np.uint8(Status.ABSENT)),
    )
