"""Simulate an invented open firing with all its troubles, and its rig, for the demo and for scoring.

`simulate` returns a firing as the rig would read it, and the truth behind it, whose fields are listed in
`logger.simulator.truth`. The seed determines everything. Nobody ever fired these.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from logger.errors import UserError
from logger.exchange.export import whole_file
from logger.plan import Plan
from logger.simulator.drawn import draw
from logger.simulator.fire import burn
from logger.simulator.probes import Readings, read
from logger.simulator.scenario import Scenario
from logger.simulator.truth import reachable_target_c, tell
from logger.simulator.wiring import wired_plan


@dataclass(frozen=True, slots=True)
class SimulatedFiring(Readings):
    """A simulated firing."""

    plan: Plan  # titled as invented, with the simulated rig's channels and cold junctions
    truth: dict[str, Any]  # what really happened (`logger.simulator.truth`)


def simulate(
    seed: int, *, rate_hz: float = 1.0, mishaps: str | Iterable[str] = "any", probes: int | None = None
) -> SimulatedFiring:
    """Simulate a firing of 45 min to 3 h; a seed gives the same fire at any rate, 0.05 to 50 Hz.

    Mishaps and probes: see `draw`. UserError: an argument is out of range.
    """
    return simulate_scenario(draw(seed, mishaps=mishaps, probes=probes), rate_hz=rate_hz)


def simulate_scenario(scenario: Scenario, *, rate_hz: float = 1.0) -> SimulatedFiring:
    """Burn and read one scenario; UserError: the rate is out of range."""
    if not 0.05 <= rate_hz <= 50:
        raise UserError(f"{rate_hz:g} readings a second is out of range; give 0.05 to 50")
    fire = burn(scenario)
    readings = read(fire, scenario, rate_hz)
    target_c = reachable_target_c(fire, scenario)
    return SimulatedFiring(
        readings.t_s,
        readings.temperature_c,
        readings.status,
        readings.cold_junction_c,
        readings.faults,
        plan=wired_plan(scenario.plan(target_c)),
        truth=tell(fire, scenario, readings, target_c),
    )


def write_csv(firing: SimulatedFiring, path: Path) -> None:
    """Write the readings as CSV: `time_s`, then one column per probe, empty if there was no temperature."""
    with whole_file(path) as raw:
        file = io.TextIOWrapper(raw, encoding="utf-8", newline="")
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["time_s", *(probe.name for probe in firing.plan.probes)])
        for t, row in zip(firing.t_s.tolist(), firing.temperature_c.tolist(), strict=True):
            writer.writerow([f"{t:.10g}", *("" if np.isnan(v) else f"{v:.2f}" for v in row)])
        file.detach()  # flushes


def write_truth(firing: SimulatedFiring, path: Path) -> None:
    """Write what really happened as JSON."""
    with whole_file(path) as file:
        file.write(json.dumps(firing.truth, indent=1).encode() + b"\n")
