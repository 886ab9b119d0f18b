"""Which cases in the project's own simulated firings count when alarms are scored.

A collapse counts if the zone lost 60 °C or more within 3 min while the coals held. What is lost after the next armload
was laid doesn't count, since that is the armload's own dip. Nor does a collapse count if no probe of the zone could be
believed when it came, nor a stall if none could be during its seven minutes. A fault counts if there is something to
see: not a warm terminal block that never reaches 60 °C, nor a stuck infrared sensor that is beyond its range anyway.
"""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import numpy as np

from logger.reading import Status
from logger.simulator import SimulatedFiring

LEAST_LOST_C: Final = 60.0
WITHIN_S: Final = 180.0
STALL_WITHIN_S: Final = 420.0


class Alarm(NamedTuple):
    """An alarm that was raised."""

    raised_s: float
    cleared_s: float
    rule: str
    zone: str | None
    probe: str | None
    message: str


def collapses(truth: dict[str, Any]) -> list[dict[str, Any]]:
    """Collapses, with whether each counts; `labelled` is what the simulation says."""
    found = []
    loads = [event["start_s"] for event in truth["events"] if event["kind"] == "armload"]
    for case in truth["collapses"]:
        start_s = case["start_s"]
        until_s = min([t for t in loads if t >= start_s], default=np.inf)
        until_s = min(until_s, start_s + WITHIN_S)
        zone = truth["zones"][case["zone"]]
        every_s = truth["every_s"]
        course = np.array(zone["probes_c"][int(np.ceil(start_s / every_s)) : int(until_s // every_s) + 1])
        lost_c = float((np.maximum.accumulate(course) - course).max(initial=0.0))
        counts = case["counts"] and lost_c >= LEAST_LOST_C
        counts = counts and believable(truth, case["zone"], start_s, start_s + 30.0)
        found.append({**case, "counts": counts, "labelled": case["counts"]})
    return found


def believable(truth: dict[str, Any], zone: str, from_s: float, to_s: float) -> bool:
    """Whether a thermocouple of the zone was free of faults meanwhile."""
    bad = {
        fault["probe"]
        for fault in truth["faults"]
        if fault["kind"] != "cold_junction_hot" and fault["start_s"] <= to_s and fault["end_s"] >= from_s
    }
    return any(probe not in bad and not probe.endswith(" ir") for probe in truth["zones"][zone]["probes"])


def stalls(truth: dict[str, Any]) -> list[dict[str, Any]]:
    """Stalls, with whether each counts."""
    return [
        {**case, "counts": believable(truth, case["zone"], case["start_s"], case["start_s"] + STALL_WITHIN_S)}
        for case in truth["stalls"]
    ]


def faults(firing: SimulatedFiring) -> list[dict[str, Any]]:
    """Probe faults, with whether each counts."""
    names = [probe.name for probe in firing.plan.probes]
    found = []
    for fault in firing.truth["faults"]:
        j = names.index(fault["probe"])
        on = (firing.t_s >= fault["start_s"]) & (firing.t_s <= fault["end_s"])
        hot = fault["kind"] == "cold_junction_hot"
        cool = hot and float(np.nanmax(firing.cold_junction_c[on, j])) < 60.0
        blind = fault["kind"] == "stuck" and bool((firing.status[on, j] == Status.RANGE).all())
        found.append({**fault, "counts": not cool and not blind})
    return found
