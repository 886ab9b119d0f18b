"""How probes see the fire: place, lag, bias, flicker, noise, an infrared chip's range, faults."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from logger.physics.infrared import KELVIN
from logger.reading import Bytes, Floats, Status
from logger.simulator.course import LONGEST_S
from logger.simulator.fire import Fire
from logger.simulator.scenario import ProbeSpec, Scenario

INFRARED_END_C: Final = 380.0
COLD_JUNCTION_HOT_C: Final = 60.0
FLICKER_HZ: Final = 10


@dataclass(frozen=True, slots=True)
class Readings:
    """What the rig reads: n instants, k probes in the plan's order."""

    t_s: Floats  # array (n,); from the first reading. [s]
    # array (n, k); as read, with lag, flicker and noise; NaN where faulty or out of range. [°C]
    temperature_c: Floats
    status: Bytes  # uint8 array (n, k); `Status` of each
    cold_junction_c: Floats  # array (n, k); NaN for infrared. [°C]
    faults: list[dict[str, Any]]  # see `truth`


def place_c(fire: Fire, scenario: Scenario) -> Floats:
    """True temperature at each probe's place, shape (n seconds, k): no lag, noise, flicker or fault. [°C].

    Coals; a bead between gas and glow; the outer face of the wall.
    """
    columns = []
    for spec in scenario.probes:
        if spec.probe.reads == "coals":
            columns.append(fire.coals_c[:, 0])
            continue
        z = scenario.zone_at(spec.probe.zone)
        if spec.probe.reads == "air":
            columns.append(spec.glow * fire.glow_c[:, z] + (1 - spec.glow) * fire.gas_c[:, z])
        else:
            columns.append(fire.wall_c[:, z, 0])
    return np.stack(columns, axis=1)


def read(fire: Fire, scenario: Scenario, rate_hz: float) -> Readings:
    """Sample the fire as the rig would."""
    rng = np.random.default_rng([scenario.seed, 4])
    n_s, k = len(fire.flame_kw), len(scenario.probes)
    true_s = place_c(fire, scenario)
    lags = np.array([spec.lag_s for spec in scenario.probes])
    seen_s = _lagged(_as_seen(fire, scenario, true_s), lags)

    cold_s = _cold_junctions(fire, scenario, rng)
    flicker = _flicker(rng, n_s, k)
    t = np.arange(int((n_s - 1) * rate_hz) + 1) / rate_hz
    grid = np.arange(n_s, dtype=float)
    tick = np.minimum((t * FLICKER_HZ).astype(np.int64), len(flicker) - 1)
    temperature = np.empty((len(t), k))
    cold = np.empty((len(t), k))
    for j, spec in enumerate(scenario.probes):
        value = np.interp(t, grid, seen_s[:, j])
        if spec.probe.reads != "coals":
            flame = np.interp(t, grid, fire.flame[:, scenario.zone_at(spec.probe.zone)])
            value += scenario.flicker_c * _flicker_share(spec) * flame * flicker[tick, j]
        value += spec.bias_c * value / 800.0 + rng.normal(0, spec.noise_c, len(t))
        temperature[:, j] = value
        cold[:, j] = np.interp(t, grid, cold_s[:, j])
    status = np.zeros((len(t), k), dtype=np.uint8)
    faults = _spoil(fire, scenario, rng, t, temperature, status, cold)
    for j, spec in enumerate(scenario.probes):
        if spec.probe.reads == "surface":
            status[temperature[:, j] >= INFRARED_END_C, j] = Status.RANGE
            cold[:, j] = np.nan
    temperature[status != Status.OK] = np.nan
    return Readings(t, temperature, status, cold, faults)


def _flicker_share(spec: ProbeSpec) -> float:
    """Share of a bare bead's flicker that gets through: less for slow probes, and little for walls."""
    through = 3.0 / max(spec.lag_s, 3.0)
    if spec.probe.reads == "wall":
        return 0.4 * through
    return 0.5 if spec.probe.reads == "surface" else through


def _as_seen(fire: Fire, scenario: Scenario, true_s: Floats) -> Floats:
    """The place's temperature as it reaches the probe: touching, conducting, reflecting."""
    seen = true_s.copy()
    for j, spec in enumerate(scenario.probes):
        if spec.probe.reads == "coals":
            continue
        z = scenario.zone_at(spec.probe.zone)
        if spec.probe.reads == "wall":  # the tip's back is in the gas
            seen[:, j] = 0.9 * seen[:, j] + 0.1 * fire.gas_c[:, z]
        elif spec.probe.reads == "surface":
            surface = (seen[:, j] + KELVIN) ** 4
            surroundings = (fire.ambient_c + 0.25 * (fire.glow_c[:, z] - fire.ambient_c) + KELVIN) ** 4
            mixed = spec.emissivity * surface + (1 - spec.emissivity) * surroundings
            seen[:, j] = mixed**0.25 - KELVIN
            # Flame and smoke hide part of the wall and glow themselves.
            hidden = 0.25 * fire.flame[:, z]
            seen[:, j] += hidden * (fire.gas_c[:, z] - seen[:, j])
    return seen


def _lagged(value: Floats, lag_s: Floats) -> Floats:
    """First-order lag of each column on the one-second grid."""
    gain = 1 - np.exp(-1.0 / lag_s)
    out = np.empty_like(value)
    state = value[0].copy()
    for i, row in enumerate(value):
        state += gain * (row - state)
        out[i] = state
    return out


def _flicker(rng: np.random.Generator, n_s: int, k: int) -> Floats:
    """Noise around 1 Hz with unit standard deviation, at `FLICKER_HZ`, the same for every sampling rate."""
    # Drawn for the longest firing, so that a probe's flicker doesn't depend on the firing's length.
    white = rng.normal(0, 1, (LONGEST_S * FLICKER_HZ // 4, k)).astype(np.float32)
    t = np.arange(-15, 16) / FLICKER_HZ
    kernel = np.cos(2 * np.pi * t) * np.hanning(33)[1:-1]
    kernel /= np.sqrt((kernel**2).sum())
    once = np.stack([np.convolve(white[:, j], kernel, mode="same") for j in range(k)], axis=1)
    return np.tile(once, (4, 1))[: n_s * FLICKER_HZ]


def _cold_junctions(fire: Fire, scenario: Scenario, rng: np.random.Generator) -> Floats:
    """The rig's box, warmed a little by the fire and the day; terminals differ by a few tenths."""
    n_s, k = len(fire.flame_kw), len(scenario.probes)
    drift = (
        4.0 * np.arange(n_s)[:, None] / LONGEST_S
        + 6.0 * _lagged(fire.flame_kw[:, None], np.array([900.0])) / 300
    )
    return fire.ambient_c + 2.0 + np.minimum(drift, 12.0) + rng.normal(0, 0.2, k)


def _spoil(
    fire: Fire,
    scenario: Scenario,
    rng: np.random.Generator,
    t: Floats,
    temperature: Floats,
    status: Bytes,
    cold: Floats,
) -> list[dict[str, Any]]:
    """Apply the faults; return what was done."""
    facts: list[dict[str, Any]] = []
    names = [spec.probe.name for spec in scenario.probes]
    for fault in scenario.faults:
        j = names.index(fault.probe)
        base = {"start": 0.0, "lit": fire.lit_s, "fed": fire.fed_s}[fault.anchor]
        start = min(max(base + fault.after_s, 1.0), len(fire.flame_kw) - 60.0)
        end = t[-1] if fault.duration_s is None else min(start + fault.duration_s, t[-1])
        on = (t >= start) & (t <= end)
        x = t[on] - start
        column = temperature[on, j]
        match fault.kind:
            case "open":
                status[on, j] = Status.OPEN
            case "short_ground":
                status[on, j] = Status.SHORT_GROUND
            case "stuck":
                column[:] = column[0]
            case "intermittent":
                # A loose terminal: part or all of the emf is lost, a different part each time it moves.
                bad = rng.random(len(x)) < 0.45
                column[bad] *= 1 - np.clip(rng.exponential(0.35, int(bad.sum())), 0.03, 1.0)
                status[on, j] = np.where(rng.random(len(x)) < 0.08, Status.OPEN, status[on, j])
            case "fallen_out":
                # Lying beside the fire, warmed by it a little.
                glow = np.interp(t[on], np.arange(len(fire.flame_kw)), fire.flame_kw) / 4.0
                outside = fire.ambient_c + 12 + np.minimum(glow, 60)
                fade = np.exp(-x / max(scenario.probes[j].lag_s, 4.0))
                column[:] = outside + (column[0] - outside) * fade + rng.normal(0, 0.5, len(x))
            case "cold_junction_hot":
                peak = rng.uniform(66, 82)
                warm = (peak - cold[on, j][0]) * (1 - np.exp(-x / 150.0))
                cold[on, j] += warm
                after = t > end
                cold[after, j] += warm[-1] * np.exp(-(t[after] - end) / 400.0)
                over = np.flatnonzero(cold[:, j] >= COLD_JUNCTION_HOT_C)
                if len(over):
                    start, end = float(t[over[0]]), float(t[over[-1]])
                # The terminals beside the chip aren't quite as hot as the chip says.
                column += 0.06 * warm
        temperature[on, j] = column
        facts.append(
            {
                "probe": fault.probe,
                "kind": fault.kind,
                "start_s": round(start, 1),
                "end_s": round(float(end), 1),
            }
        )
    return facts
