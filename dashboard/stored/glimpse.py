"""A firing at a glance: how hot its coldest and hottest places were, in some 120 steps."""

import math
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from msgspec.structs import replace

from logger.journal.reader import Column, FiringInfo, JournalReader
from logger.journal.rollup import LEVELS_S
from logger.judgement.levels import zone_levels
from logger.judgement.zones import Places
from logger.reading import Floats

STEPS: Final = 120
MAX_CELLS: Final = 50_000
"""Of a firing's length in minutes: a month. A clock that leapt by years makes coarser ones."""


def glimpse(reader: JournalReader, firing: FiringInfo) -> dict[str, Any]:
    """Make a firing's small picture and its headline figure.

    `coldest` is zone and peak [°C] of the zone (without coals) whose peak is lowest, from means over the
    probes and over 1, 10 or 60 s, or None; `low`, `high` are lists of °C, None where nothing was
    read; `step_s`; `target_c`.
    """
    length_s = max(1.0, firing.length_s)
    level_s = max(s for s in LEVELS_S if s * STEPS <= length_s or s == LEVELS_S[0])
    columns = reader.columns(firing.id)
    cell = max(1, math.ceil(length_s / level_s / MAX_CELLS))  # buckets; more than one over a gap of months
    values = _levels(reader, firing, columns, level_s, cell)
    every = max(1, -(-values.shape[0] // STEPS))
    padded = np.full((-(-values.shape[0] // every) * every, values.shape[1]), np.nan)
    padded[: len(values)] = values
    steps = padded.reshape(len(padded) // every, -1)
    some = ~np.isnan(steps)
    count = some.sum(axis=1)
    low = np.where(some, steps, np.inf).min(axis=1, initial=np.inf)
    high = np.where(some, steps, -np.inf).max(axis=1, initial=-np.inf)
    return {
        "coldest": _coldest(firing, columns, values, level_s),
        "low": _told(low, count),
        "high": _told(high, count),
        "step_s": every * level_s * cell,
        "target_c": firing.plan.target_c,
    }


def _levels(
    reader: JournalReader, firing: FiringInfo, columns: Sequence[Column], level_s: int, cell: int
) -> Floats:
    """Mean over `cell` buckets each, shape (cells, columns); NaN where nothing was OK."""
    rollups = reader.rollups(firing.id, level_s)
    begin = firing.started_us // (level_s * 1_000_000)
    end = (firing.last_us or firing.started_us) // (level_s * 1_000_000)
    n = max(1, (end - begin) // cell + 1)
    values = np.full((n, len(columns)), np.nan)
    for j, column in enumerate(columns):
        found = rollups.get((column.rig, column.channel))
        if found is None:
            continue
        at = (found[0] // (level_s * 1_000_000) - begin) // cell
        mean = found[1]["mean"].astype(np.float64)
        inside = (at >= 0) & (at < n) & np.isfinite(mean)
        with np.errstate(invalid="ignore"):
            values[:, j] = np.bincount(at[inside], mean[inside], n) / np.bincount(at[inside], minlength=n)
    return values


def _coldest(
    firing: FiringInfo, columns: Sequence[Column], values: Floats, level_s: int
) -> dict[str, Any] | None:
    places = Places(replace(firing.plan, probes=tuple(c.probe for c in columns)))
    levels = zone_levels(places, values, float(level_s))
    peaks = [
        (float(np.nanmax(levels[:, z])), places.zones[z])
        for z in places.pots
        if np.isfinite(levels[:, z]).any()
    ]
    if not peaks:
        return None
    peak_c, name = min(peaks)
    return {"zone": name, "peak_c": round(peak_c, 1)}


def _told(values: Floats, count: Any) -> list[float | None]:
    return [round(v, 1) if n else None for v, n in zip(values.tolist(), count.tolist(), strict=True)]
