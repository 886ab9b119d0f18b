"""Fires unlike the simulator's, so that nothing fitted on all of them depends on the physics of one.

`varied` draws a firing of the simulator and changes what its physics takes for granted: how deep and long an
armload shades, how it burns, gusts, flicker, lags. `crude` has no physics at all: zones go to levels, wood
lifts and shades them, gusts dip them, flames die and bend them, coals are raked out, each in freshly drawn
shapes; `plain` is a simpler kind of that. All are invented.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from logger.plan import Plan, Probe, Reads
from logger.reading import Bytes, Floats
from logger.simulator import SimulatedFiring, simulate_scenario
from logger.simulator.drawn import draw
from tests.benchmarks.scored_cases import LEAST_LOST_C, WITHIN_S

NAMES: Final = ("lower", "middle", "windward", "upper", "leeward")
LASTS_S: Final = 5400
LIT_S: Final = 400


def varied(seed: int, mishaps: Any) -> SimulatedFiring:
    """Simulate a firing with slightly different physics."""
    u = np.random.default_rng([seed, 99]).uniform
    plain = draw(seed, mishaps=mishaps)
    return simulate_scenario(
        replace(
            plain,
            armload_shade=u(0.1, 0.65),
            armload_shade_beside=u(0.02, 0.25),
            armload_dip_s=u(15, 50),
            armload_gap_s=u(120, 600),
            armload_kg_m2=plain.armload_kg_m2 * u(0.6, 1.6),
            armload_tau_s=plain.armload_tau_s * u(0.6, 1.5),
            flicker_c=u(5, 28),
            coal_life_s=plain.coal_life_s * u(0.6, 1.6),
            wind_m_s=min(3.0, plain.wind_m_s * u(0.5, 2.0)),
            gusts=tuple(
                replace(g, decay_s=u(6, 40), strength=min(1.0, g.strength * u(0.5, 2.0))) for g in plain.gusts
            ),
            probes=tuple(
                p if p.probe.reads == "surface" else replace(p, lag_s=p.lag_s * u(0.5, 2.2))
                for p in plain.probes
            ),
            collapses=tuple(replace(c, slump_s=u(5, 60), severity=u(0.3, 0.9)) for c in plain.collapses),
        )
    )


@dataclass(frozen=True, slots=True)
class CrudeFiring:
    """Fields as in the simulator; `collapses` as from `scored_cases.collapses`, `wall_c` every 10 s by zone."""

    plan: Plan
    t_s: Floats
    temperature_c: Floats
    status: Bytes
    cold_junction_c: Floats | None
    collapses: list[dict[str, Any]]
    wall_c: dict[str, Floats]


def _lagged(values: Floats, lag_s: float) -> Floats:
    out, gain, state = np.empty_like(values), 1.0 - np.exp(-1.0 / lag_s), values[0]
    for i, value in enumerate(values.tolist()):
        state += gain * (value - state)
        out[i] = state
    return out


def _wander(rng: np.random.Generator, n: int, sd: float, tau_s: float) -> Floats:
    """First-order noise of a standard deviation and a time constant."""
    keep = float(np.exp(-1.0 / tau_s))
    steps = rng.normal(0.0, sd * np.sqrt(1.0 - keep * keep), n)
    out, state = np.empty(n), 0.0
    for i, step in enumerate(steps.tolist()):
        state = keep * state + step
        out[i] = state
    return out


def _dip(rng: np.random.Generator, x: Floats) -> Floats:
    """A dip of depth one in one of three shapes, over ages in seconds."""
    deepest_s = rng.uniform(8, 55)
    y = np.maximum(x, 0.0) / deepest_s
    match int(rng.integers(3)):
        case 0:
            shape = y * np.exp(1.0 - y)
        case 1:  # there and back in straight lines
            shape = np.clip(np.minimum(y, 1.0 + (1.0 - y) / rng.uniform(0.5, 4.0)), 0.0, 1.0)
        case _:  # down, flat, and up
            shape = 0.5 - 0.5 * np.cos(np.pi * np.clip(np.minimum(y, 2.0 + rng.uniform(0.2, 1.5) - y), 0, 1))
    return shape * (x > 0)


def crude(seed: int) -> CrudeFiring:
    """Draw a crude fire of two to five zones; every other one has a collapse."""
    rng = np.random.default_rng([seed, 98])
    u = rng.uniform
    z, t = int(rng.integers(2, 6)), np.arange(LASTS_S, dtype=float)
    exposed = u(0.05, 1.0, z)
    level = np.tile(100.0 + 100.0 * np.minimum(t / LIT_S, 1.0), (z, 1)).T
    lit = 1.0 - np.exp(-np.maximum(t - LIT_S, 0.0) / u(80, 350))
    level = level + lit[:, None] * (u(400, 620) + u(-60, 60, z))
    flame, loads, at, until = np.zeros(LASTS_S), [], u(LIT_S, LIT_S + 300), u(1500, 3600)
    gap_s, unsteady = u(150, 600), max(0.0, u(-0.3, 0.6))
    while at < until:
        over, tau_s, x = int(rng.integers(z)), u(40, 200), t - at
        burns = np.maximum(x - u(5, 60), 0.0) / tau_s
        burns = burns * np.exp(1.0 - burns)
        flame = flame + burns
        shares = u(0.2, 0.8, z)
        shares[over] += u(0.0, 0.6)
        level = level + u(30, 220) * burns[:, None] * shares
        shades = u(0.0, 0.5) * u(0.3, 1.0, z)
        shades[over] = 1.0
        level = level - u(5, 120) * _dip(rng, x)[:, None] * shades
        loads.append(at)
        at += gap_s * u(1.0 - unsteady, 1.0 + unsteady)
    for _ in range(int(rng.integers(1, 4))):  # flames die zone by zone, bending the curve
        begin, bend_s = at + u(-300, 900), u(60, 400)
        x = np.clip(t - begin, 0.0, u(150, 900))
        gone = np.where(x < bend_s, x**2 / 2.0 / bend_s, x - bend_s / 2.0)
        rates = u(0.02, 0.3) * u(0.2, 1.0, z)
        if rng.random() < 0.5 and bend_s > 100:  # one zone much sooner than the others
            rates[int(rng.integers(z))] = u(0.2, 0.6)
        level = level - gone[:, None] * rates
    for _ in range(int(rng.poisson(6))):
        begin = u(LIT_S, LASTS_S - 100)
        x = np.maximum(t - begin, 0.0)
        blow = (1.0 - np.exp(-x / u(1, 6))) * np.exp(-x / u(6, 40))
        level = level - (u(10, 110) * blow)[:, None] * exposed
    raked = np.zeros(LASTS_S)
    if rng.random() < 0.5:
        x = np.maximum(t - u(at + 700, LASTS_S), 0.0)
        raked = 1.0 - np.exp(-x / u(50, 300))
        for zone in range(z):
            level[:, zone] -= u(80, 350) * (1.0 - np.exp(-np.maximum(x - u(0, 20), 0.0) / u(20, 250)))
    if rng.random() < 0.2:  # rain
        x = np.clip(t - u(LIT_S, LASTS_S), 0.0, u(200, 900))
        level = level - x[:, None] * u(0.02, 0.25) * u(0.6, 1.0, z)
    collapses = []
    if seed % 2 == 0:
        zone = int(rng.integers(z))
        begin = int(u(LIT_S + 400, at) if rng.random() < 0.35 else u(at, min(at + 1500, LASTS_S - 400)))
        tau_s, lag_s = u(12, 70), u(2, 15)
        x = np.maximum(t - begin, 0.0)
        gone = 1.0 - (tau_s * np.exp(-x / tau_s) - lag_s * np.exp(-x / lag_s)) / (tau_s - lag_s + 1e-6)
        before = level.copy()
        level[:, zone] -= u(70, 280) * gone
        next_load = min([load for load in loads if load >= begin], default=np.inf)
        span = level[begin : int(min(begin + WITHIN_S, next_load)), zone]
        lost_c = float((np.maximum.accumulate(span) - span).max(initial=0.0))
        natural = before[begin : begin + len(span), zone]
        alone_c = float((np.maximum.accumulate(natural) - natural).max(initial=0.0))
        counts = lost_c >= LEAST_LOST_C and lost_c > alone_c + 30.0
        collapses.append(
            {"zone": NAMES[zone], "start_s": float(begin), "end_s": float(begin + 900), "counts": counts}
        )
    level = np.maximum(level, 30.0)
    walls = {NAMES[y]: level[::10, y].copy() for y in range(z)}
    probes = [Probe(name="under", channel="c", reads="coals", zone="under", height_cm=0.0)]
    coals = 600.0 + u(60, 220) * lit - 450.0 * raked
    values = [_lagged(coals, u(10, 60)) + _wander(rng, LASTS_S, u(0.3, 2.0), 3.0)]
    loud = max(0.0, u(-5, 25))
    coarse = u(0.0, 10.0) if rng.random() < 0.25 else u(0.0, 1.5)
    for zone in range(z):
        kinds: list[Reads] = [["air"], ["wall"], ["air", "wall"], ["air", "air"]][int(rng.integers(4))]
        for number, reads in enumerate(kinds):
            lag_s, share = (u(2, 20), 1.0) if reads == "air" else (u(8, 50), u(0.1, 0.4))
            own = _lagged(level[:, zone] + u(-20, 20), lag_s)
            flicker = _wander(rng, LASTS_S, 1.0, 1.0) + 0.5 * _wander(rng, LASTS_S, 1.0, u(3, 15))
            own += flicker * share * (1.0 + loud * np.minimum(flame, 1.2))
            own += rng.normal(0.0, coarse, LASTS_S)
            name = f"{NAMES[zone]} {reads} {number}"
            probes.append(
                Probe(name=name, channel=name, reads=reads, zone=NAMES[zone], height_cm=10.0 + 12 * zone)
            )
            values.append(own)
    plan = Plan(title="Crude, invented", target_c=760.0, probes=tuple(probes))
    temperature_c = np.round(np.stack(values, axis=1) * 4.0) / 4.0
    return CrudeFiring(
        plan, t, temperature_c, np.zeros(temperature_c.shape, np.uint8), None, collapses, walls
    )


def plain(seed: int) -> CrudeFiring:
    """Draw a crude fire of four zones in which every armload shades one zone only, and flames wander.

    Like `crude`, but with less variation: two probes a zone at most, one shape of dip, flames that die evenly.
    """
    rng = np.random.default_rng([seed, 97])
    u = rng.uniform
    z, t = 4, np.arange(LASTS_S, dtype=float)
    exposed = np.array([0.1, 0.3, 1.0, 0.8]) * u(0.6, 1.2, z)
    lit = 1.0 - np.exp(-np.maximum(t - 600.0, 0.0) / 300.0)
    base = u(520, 640) + np.array([60.0, 20.0, -10.0, -20.0]) * u(0.5, 1.5)
    level = (80.0 + 120.0 * np.minimum(t / 600.0, 1.0))[:, None] + 0.85 * base * lit[:, None]
    flame, loads, at, until = np.zeros(LASTS_S), [], 600.0, u(2400, 3600)
    while at < until:
        over, tau_s = int(rng.integers(z)), u(60, 150)
        burns = np.maximum(t - at - u(15, 60), 0.0) / tau_s
        burns = burns * np.exp(1.0 - burns)
        flame = flame + burns
        shares = np.array([0.3, 0.45, 0.45, 0.65])
        shares[over] += 0.35
        level = level + u(60, 220) * burns[:, None] * shares
        y = np.maximum(t - at, 0.0) / u(10, 40)
        level[:, over] -= u(15, 110) * y * np.exp(1.0 - y)
        loads.append(at)
        at += u(150, 600)
    fall = np.maximum(t - at, 0.0)[:, None]
    level = level - fall * np.array([0.03, 0.05, 0.08, 0.09]) * u(0.6, 1.3)
    for _ in range(int(rng.poisson(8))):
        x = np.maximum(t - u(600, LASTS_S - 100), 0.0)
        level = level - (u(15, 90) * (1.0 - np.exp(-x / 2.0)) * np.exp(-x / u(8, 30)))[:, None] * exposed
    gone, zone, begin = np.zeros(LASTS_S), int(rng.integers(z)), LASTS_S
    if seed % 2 == 0:
        late = rng.random() < 0.6
        begin = int(u(at + 60, min(at + 1500, LASTS_S - 700)) if late else u(1200, LASTS_S - 900))
        gone = u(80, 260) * (1.0 - np.exp(-np.maximum(t - begin, 0.0) / u(12, 60)))
        level[:, zone] -= gone
    walls = {NAMES[y]: level[::10, y].copy() for y in range(z)}
    probes = [Probe(name="under", channel="c", reads="coals", zone="under", height_cm=0.0)]
    values = [_lagged(600.0 + 150.0 * lit, 60.0) + _wander(rng, LASTS_S, 1.5, 3.0)]
    seen: list[Floats] = []
    for y in range(z):
        for reads in ("air", "wall"):
            if reads == "wall" and rng.random() < 0.3:
                continue
            air = reads == "air"
            own = _lagged(level[:, y], u(4, 12) if air else u(20, 50))
            if y == zone:
                seen.append(own)
            much = (1.0 if air else 0.35) * np.minimum(flame, 1.2)
            quick = _wander(rng, LASTS_S, 1.0, 1.5) * (1.5 + 14.0 * much)
            slow = _wander(rng, LASTS_S, 1.0, 10.0) * (0.5 + 4.0 * much)
            name = f"{NAMES[y]} {reads}"
            probes.append(Probe(name=name, channel=name, reads=reads, zone=NAMES[y], height_cm=10.0 + 12 * y))
            values.append(own + u(-15, 15) + quick + slow)
    collapses = []
    if begin < LASTS_S:
        until = min([load for load in loads if load >= begin], default=np.inf)
        span = np.mean(seen, axis=0)[begin : int(min(begin + WITHIN_S, until))]
        lost_c = float((np.maximum.accumulate(span) - span).max(initial=0.0))
        end_s, counts = float(begin + 900), lost_c >= LEAST_LOST_C
        collapses.append({"zone": NAMES[zone], "start_s": float(begin), "end_s": end_s, "counts": counts})
    plan = Plan(title="Crude, invented", target_c=760.0, probes=tuple(probes))
    temperature_c = np.stack(values, axis=1)
    status = np.zeros(temperature_c.shape, np.uint8)
    return CrudeFiring(plan, t, temperature_c, status, None, collapses, walls)
