"""Readings ready to draw: times and temperatures of each probe, thinned, broken at gaps. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from logger.journal.rollup import Buckets, merge, run_starts
from logger.plan import Probe
from logger.reading import Bytes, Floats, Ints, Status

GAP_STEPS: Final = 3.0
"""A line breaks where readings are missing for longer than this many of its usual steps …"""
GAP_US: Final = 2_000_000
"""… and for longer than this: a few lost frames don't look like a gap. [µs]"""

Place = tuple[str, str]
"""A rig and its channel."""

Line = tuple[Ints, Floats, Bytes]
"""A channel's readings: times [µs], temperatures [°C], `Status`; each shape (n,)."""

NOTHING: Final[Line] = (np.zeros(0, np.int64), np.zeros(0), np.zeros(0, np.uint8))


@dataclass(frozen=True, slots=True)
class Column:
    """One channel of one rig, and its probe."""

    probe: Probe
    rig: str
    channel: str


@dataclass(frozen=True, slots=True)
class Estimates:
    """The estimated temperature of one zone's pots, with a band that holds it nine times in ten."""

    t_us: Ints  # int64 array, shape (n,); ascending. [µs]
    # estimate_c, low_c, high_c: array, shape (n,); mean through the wall, and its band. [°C]
    estimate_c: Floats
    low_c: Floats
    high_c: Floats
    basis: tuple[str, ...]  # length n; what it rests on: `probe`, `spot`, `neighbours` or `nothing`


@dataclass(frozen=True, slots=True)
class Traces:
    """Readings by column, each with its own times."""

    columns: tuple[Column, ...]
    t_us: list[Ints]  # list of int64 arrays; ascending. [µs]
    # list of float64 arrays; NaN where there is no reading, so that lines break. [°C]
    temperature_c: list[Floats]
    # list of uint8 arrays; `Status`. In a history a point may have both a temperature and a fault: some of
    # its readings had that fault.
    status: list[Bytes]

    @classmethod
    def of(cls, columns: Sequence[Column], lines: Mapping[Place, Line]) -> Traces:
        """Put the lines of rigs' channels into columns; a column without a line is empty."""
        found = [lines.get((column.rig, column.channel), NOTHING) for column in columns]
        return cls(tuple(columns), [t for t, _, _ in found], [c for _, c, _ in found], [s for *_, s in found])


def sent(t_us: Ints, temperature_c: Floats, status: Bytes) -> Line:
    """Leave out readings of a channel where its frames didn't have it."""
    there = status != Status.ABSENT
    if not there.all():
        t_us, temperature_c, status = t_us[there], temperature_c[there], status[there]
    return np.ascontiguousarray(t_us), np.ascontiguousarray(temperature_c), np.ascontiguousarray(status)


def in_order(t_us: Ints, *columns: NDArray[Any]) -> tuple[Any, ...]:
    """Sort times, and whatever belongs to them."""
    if (np.diff(t_us) < 0).any():
        order = np.argsort(t_us, kind="stable")
        return t_us[order], *(column[order] for column in columns)
    return t_us, *columns


def end_at(line: Line, newest: Line) -> Line:
    """End a thinned line with the newest reading itself."""
    if not len(newest[0]):
        return line
    t_us, temperature_c, status = line
    end = int(newest[0][-1])
    after = t_us >= end  # the last step's points belong before the newest reading
    t_us[after] = end - np.arange(np.count_nonzero(after), 0, -1)
    return (
        np.append(t_us, end),
        np.append(temperature_c, newest[1][-1]),
        np.append(status, newest[2][-1]),
    )


def thin(t_us: Ints, buckets: Buckets, step_us: int) -> Line:
    """Reduce a channel's buckets, shape (m,), to the least and the greatest of each step.

    Two points per step, at a quarter and three quarters of it, in whichever order its last reading makes
    likelier; one in the middle if both are the same; one NaN if nothing that was sent was OK. Buckets begin
    at `t_us`; a step is a multiple of their length. [µs]
    """
    step = t_us // step_us
    starts = run_starts(step)
    merged = merge(buckets, starts)
    begin = step[starts] * step_us
    low, high, last = (merged[name].astype(np.float64) for name in ("min", "max", "last"))
    rising = high - last <= last - low
    flat = ~(high > low)  # NaN is flat too
    times = (begin + np.where(flat, step_us // 2, step_us // 4), begin + step_us - step_us // 4)
    values = (np.where(rising, low, high), np.where(rising, high, low))
    keep = np.stack((np.ones_like(flat), ~flat), axis=1)
    status = np.repeat(merged["status"], 2).reshape(-1, 2)
    return np.stack(times, axis=1)[keep], np.stack(values, axis=1)[keep], status[keep]


def break_gaps(line: Line, usual_us: int | None = None) -> Line:
    """Insert a NaN, with `Status.ABSENT`, right after the last point before each gap.

    A gap is longer than three usual steps [µs]; the usual step is the median if none is given.
    """
    t_us, temperature_c, status = line
    if len(t_us) < 2:
        return line
    steps = np.diff(t_us)
    usual = float(np.median(steps)) if usual_us is None else usual_us
    at = np.flatnonzero(steps > max(GAP_STEPS * usual, GAP_US)) + 1
    if not len(at):
        return line
    return (
        np.insert(t_us, at, t_us[at - 1] + 1),
        np.insert(temperature_c, at, np.nan),
        np.insert(status, at, np.uint8(Status.ABSENT)),
    )
