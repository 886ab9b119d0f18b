"""What the pots of a stored firing were at: the model's estimate with all that came before and after."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from logger.judgement.clay import model_for, surface_of_spot
from logger.judgement.smoothing import Smoothed, Spot, smooth
from logger.judgement.zone_layout import zones_of_pots
from logger.plan import Plan, assign_probes
from logger.reading import Floats, Status
from logger.requests import RequestError, read_spot

if TYPE_CHECKING:
    from logger.journal.reader import JournalReader
    from logger.journal.rows import FiringInfo

FINE_US: Final = 6 * 3600 * 1_000_000
"""A firing that took longer is estimated in steps of ten seconds, not five. [µs]"""


def estimate_firing(reader: JournalReader, info: FiringInfo, plan: Plan | None = None) -> Smoothed:
    """Estimate what the pots were at throughout a firing. An estimate, no measurement.

    Parameters
    ----------
    reader : JournalReader
    info : FiringInfo
    plan : Plan, optional
        The firing's own if left out.

    Returns
    -------
    Smoothed
        Times from the firing's first reading; without zones where all probes read coals.

    Notes
    -----
    It takes some seconds: about two milliseconds a step. What was estimated live, without what came after,
    is in `JournalReader.estimates`.
    """
    plan = plan or info.plan
    if not plan.probes:
        plan = replace(plan, probes=assign_probes(None, info.seen))
    long = (info.last_us or info.started_us) - info.started_us > FINE_US
    step_s = 10.0 if long else 5.0
    t_s, values = _grid(reader, info, plan, 10 if long else 1)
    return smooth(
        plan,
        t_s,
        values,
        np.where(np.isfinite(values), Status.OK, Status.ABSENT).astype(np.uint8),
        _spots(reader, info, plan),
        step_s=step_s,
        model=model_for(plan),
        extra_zones=plan.clay.zones,
    )


def _grid(reader: JournalReader, info: FiringInfo, plan: Plan, level_s: int) -> tuple[Floats, Floats]:
    """Means of each probe by even steps, columns in the plan's order."""
    rollups = reader.rollups(info.id, level_s)
    step_us = level_s * 1_000_000
    first = min((int(t_us[0]) for t_us, _ in rollups.values() if len(t_us)), default=0) // step_us
    last = max((int(t_us[-1]) for t_us, _ in rollups.values() if len(t_us)), default=-1) // step_us
    values = np.full((last - first + 1, len(plan.probes)), np.nan)
    index = {id(probe): j for j, probe in enumerate(plan.probes)}
    for (rig, channel), probe in zip(info.seen, assign_probes(plan, info.seen), strict=True):
        if id(probe) in index and (rig, channel) in rollups:
            t_us, buckets = rollups[rig, channel]
            values[t_us // step_us - first, index[id(probe)]] = buckets["mean"]
    t_s = ((np.arange(first, last + 1) + 0.5) * step_us - info.started_us) / 1e6
    some = np.isfinite(values).any(axis=1)
    return t_s[some], values[some]


def _spots(reader: JournalReader, info: FiringInfo, plan: Plan) -> list[Spot]:
    zones = zones_of_pots(plan, plan.clay.zones)
    spots: list[Spot] = []
    for event in reader.events(info.id):
        if event.kind != "spot":
            continue
        with suppress(RequestError):  # what an older version took for a spot reading
            spot = read_spot(event.data)
            surface_c, u_c = surface_of_spot(spot.temperature_c, spot.emissivity)
            if spot.zone in zones and np.isfinite(surface_c):
                spots.append(((event.t_us - info.started_us) / 1e6, spot.zone, surface_c, u_c))
    return sorted(spots)
