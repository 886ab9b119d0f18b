"""Families of fires that are made up without the simulator, for scoring estimate and forecast. All are
invented.

The physics of `kilnless` is deliberately unlike the others': gas and glow follow independently drawn curves,
walls are five points of a plane wall, beads balance convection against radiation. `crude` has no physics at
all: zones go to levels, wood lifts and shades them, gusts dip them, flames die and bend them, coals are raked
out, each in freshly drawn shapes. `lumps` are power balances of two heat capacities a zone. Of the last two
only the readings are known.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from logger.physics.wall import Wall
from logger.plan import Plan, Probe, Reads
from logger.reading import Floats
from tests.benchmarks.fire import Fire, lagged, wander

EVERY_S: Final = 10
NAMES: Final = ("lower", "middle", "windward", "upper", "leeward")
LASTS_S: Final = 5400
LIT_S: Final = 400


def _fire(family: str, seed: int, target_c: float, probes: list[Probe], value_c: Floats) -> Fire:
    """A fire read once a second without a gap."""
    plan = Plan(title="Invented", target_c=target_c, probes=tuple(probes))
    status = np.zeros(value_c.shape, np.uint8)
    return Fire(family, str(seed), plan, np.arange(float(len(value_c))), value_c, status)


def kilnless(seed: int) -> Fire:
    """Draw a fire of curves, plane walls and beads in balance; no wood, char or plume in it."""
    rng = np.random.default_rng([seed, 77])
    n, ambient, zones = int(rng.uniform(4200, 7200)), rng.uniform(0, 30), ("low", "side", "crown")
    t = np.arange(n, dtype=float)
    lit, dies = rng.uniform(300, 1200), rng.uniform(1500, 3300)
    peak_c = rng.uniform(700, 980)
    gas, glow = np.empty((2, n, len(zones)))
    wind = wander(rng, n, 1.0, rng.uniform(20, 120))
    for z in range(len(zones)):
        top = peak_c * rng.uniform(0.88, 1.05)
        rise = 1 / (1 + np.exp(-(t - lit - rng.uniform(200, 900)) / rng.uniform(60, 300)))
        fall = 1 / (1 + np.exp((t - lit - dies - rng.uniform(-300, 300)) / rng.uniform(80, 400)))
        ember = rng.uniform(0.45, 0.95) * np.exp(-np.maximum(t - lit - dies, 0) / rng.uniform(1500, 5000))
        warm = ambient + rng.uniform(40, 120) * (1 - np.exp(-t / 500))
        gusts = wander(rng, n, rng.uniform(0.02, 0.08), rng.uniform(10, 60)) + 0.02 * wind
        gas[:, z] = warm + (top - warm) * rise * np.maximum(fall * (1 + gusts), 0.75 * ember)
        lag = rng.uniform(20, 400)
        source = warm + (top * rng.uniform(0.86, 1.02) - warm) * rise * np.maximum(fall, ember)
        glow[:, z] = lagged(source, lag)
        for at in lit + rng.uniform(300, dies, rng.poisson(2.5)):
            dip = np.exp(-np.maximum(t - at, 0) / rng.uniform(30, 120)) * (t >= at) * rng.uniform(0.05, 0.35)
            gas[:, z] -= (gas[:, z] - ambient) * dip
            glow[:, z] -= (glow[:, z] - ambient) * dip * rng.uniform(0.2, 1.0)
        if rng.random() < 0.3:
            at, size = lit + rng.uniform(0.5, 1.3) * dies, rng.uniform(0.2, 0.5)
            slide = size / (1 + np.exp(-(t - at) / 6.0))
            gas[:, z] -= (gas[:, z] - ambient) * slide
            glow[:, z] -= (glow[:, z] - ambient) * slide
    wall = Wall(rng.uniform(4, 10), rng.uniform(0.4, 0.6), rng.uniform(1.5, 2.0))
    coarse, films, views = t[::2], rng.uniform(8, 30, len(zones)), rng.uniform(0.5, 0.9, len(zones))
    behind = lagged(glow, 240.0)[::2]
    around = (gas[::2], films, glow[::2], views), (behind, 5.0, behind, rng.uniform(0.1, 0.5, len(zones)))
    points = _plane_wall(wall, ambient + 30, *around)
    mean = points.mean(axis=-1)
    probes, columns = _kilnless_probes(rng, t, zones, gas, glow, points[..., 0])
    grid = np.arange(0.0, n, EVERY_S)
    walls = {zone: np.interp(grid, coarse, mean[:, z]) for z, zone in enumerate(zones)}
    # The target is a little less than the coldest zone's peak, so within reach; one fire in four misses it.
    target = round(min(w.max() for w in walls.values()) + (30 if seed % 4 == 0 else -10), -1)
    value = np.round(np.stack(columns, axis=1) * 4) / 4
    fire = _fire("kilnless", seed, float(np.clip(target, 500, 900)), probes, value)
    fire.wall_c = walls
    if rng.random() < 0.4:
        j, at = int(rng.integers(len(probes))), int(lit + rng.uniform(0.3, 1.0) * dies)
        value[at:, j] = ambient + 20 + (value[at:, j] - ambient - 20) * np.exp(-(t[at:] - at) / 25.0)
        fire.faults = [{"probe": probes[j].name, "kind": "fallen", "start_s": float(at), "end_s": float(n)}]
    return fire


def _plane_wall(wall: Wall, start_c: float, *faces: tuple[Any, ...]) -> Floats:
    """Five cells through walls heated on both faces; explicit, ten steps of a fifth of a second a row."""
    n, zones = faces[0][0].shape
    cell_m, step_s = wall.thickness_mm / 5e3, 0.2
    heat = wall.heat_capacity_mj_m3k * 1e6 * cell_m
    link = wall.diffusivity_mm2_s * wall.heat_capacity_mj_m3k / cell_m  # conductivity over length
    t, out = np.full((zones, 5), start_c), np.empty((n, zones, 5))
    for i in range(n):
        out[i] = t
        for _ in range(10):
            flow = link * np.diff(t, axis=1)
            gain = np.zeros_like(t)
            gain[:, :-1] += flow
            gain[:, 1:] -= flow
            for at, (gas, film, glow, view) in zip((0, -1), faces, strict=True):
                shines = 0.92 * 5.67e-8 * view * ((glow[i] + 273.15) ** 4 - (t[:, at] + 273.15) ** 4)
                gain[:, at] += film * (gas[i] - t[:, at]) + shines
            t = t + gain * step_s / heat
    return out


def _kilnless_probes(
    rng: np.random.Generator, t: Floats, zones: tuple[str, ...], gas: Floats, glow: Floats, skin: Floats
) -> tuple[list[Probe], list[Floats]]:
    probes, columns = [Probe("bed", "k0", reads="coals", zone="bed", height_cm=0.0)], []
    columns.append(lagged(glow.mean(axis=1) + rng.normal(0, 3, len(t)), 30.0))
    for z, zone in enumerate(zones):
        kinds = ["wall"] * int(rng.random() < 0.75) + ["air"] * int(rng.random() < 0.6)
        for reads in kinds or ["air"]:
            face = np.interp(t, t[::2], skin[:, z])
            if reads == "wall":
                true = face + rng.uniform(0.02, 0.18) * (gas[:, z] - face)
                lag = rng.uniform(8, 70)
            else:
                share = rng.uniform(0.3, 0.8)  # share of glow: the wall's own and what shines past it
                around = 0.5 * face + 0.5 * glow[:, z]
                true, lag = share * around + (1 - share) * gas[:, z], rng.uniform(2, 45)
                true = true + wander(rng, len(t), 1.0, 3.0) * 0.02 * np.maximum(gas[:, z] - 100, 0)
            read = lagged(true, lag) * rng.normal(1, 0.008) + rng.normal(0, rng.uniform(0.2, 1.5), len(t))
            name = f"{zone} {reads}"
            probes.append(Probe(name, f"k{len(probes)}", reads=reads, zone=zone, height_cm=10.0 + 15 * z))
            columns.append(read)
    return probes, columns


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


def crude(seed: int) -> Fire:
    """Draw a crude fire of two to five zones; in every other one a zone falls away."""
    rng = np.random.default_rng([seed, 98])
    u = rng.uniform
    z, t = int(rng.integers(2, 6)), np.arange(LASTS_S, dtype=float)
    exposed = u(0.05, 1.0, z)
    level = np.tile(100.0 + 100.0 * np.minimum(t / LIT_S, 1.0), (z, 1)).T
    lit = 1.0 - np.exp(-np.maximum(t - LIT_S, 0.0) / u(80, 350))
    level = level + lit[:, None] * (u(400, 620) + u(-60, 60, z))
    flame, at, until = np.zeros(LASTS_S), u(LIT_S, LIT_S + 300), u(1500, 3600)
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
    if seed % 2 == 0:
        zone = int(rng.integers(z))
        begin = int(u(LIT_S + 400, at) if rng.random() < 0.35 else u(at, min(at + 1500, LASTS_S - 400)))
        tau_s, lag_s = u(12, 70), u(2, 15)
        x = np.maximum(t - begin, 0.0)
        gone = 1.0 - (tau_s * np.exp(-x / tau_s) - lag_s * np.exp(-x / lag_s)) / (tau_s - lag_s + 1e-6)
        level[:, zone] -= u(70, 280) * gone
    level = np.maximum(level, 30.0)
    probes = [Probe(name="under", channel="c", reads="coals", zone="under", height_cm=0.0)]
    coals = 600.0 + u(60, 220) * lit - 450.0 * raked
    values = [lagged(coals, u(10, 60)) + wander(rng, LASTS_S, u(0.3, 2.0), 3.0)]
    loud = max(0.0, u(-5, 25))
    coarse = u(0.0, 10.0) if rng.random() < 0.25 else u(0.0, 1.5)
    for zone in range(z):
        kinds: list[Reads] = [["air"], ["wall"], ["air", "wall"], ["air", "air"]][int(rng.integers(4))]
        for number, reads in enumerate(kinds):
            lag_s, share = (u(2, 20), 1.0) if reads == "air" else (u(8, 50), u(0.1, 0.4))
            own = lagged(level[:, zone] + u(-20, 20), lag_s)
            flicker = wander(rng, LASTS_S, 1.0, 1.0) + 0.5 * wander(rng, LASTS_S, 1.0, u(3, 15))
            own += flicker * share * (1.0 + loud * np.minimum(flame, 1.2))
            own += rng.normal(0.0, coarse, LASTS_S)
            name = f"{NAMES[zone]} {reads} {number}"
            probes.append(
                Probe(name=name, channel=name, reads=reads, zone=NAMES[zone], height_cm=10.0 + 12 * zone)
            )
            values.append(own)
    return _fire("crude", seed, 760.0, probes, np.round(np.stack(values, axis=1) * 4.0) / 4.0)


def lumps(seed: int) -> Fire:
    """Draw a fire with two heat capacities a zone.

    Power balances, not temperatures: fuel burns at an even rate and then dies down along a straight line; the
    pots take a share, lose heat by radiation, and exchange it with embers and ground, which lose theirs
    slowly.
    """
    rng, length_s, zones = np.random.default_rng([seed, 21]), 6600, 3
    ambient_k = 273.15 + rng.uniform(5, 25)
    load = rng.uniform(20e3, 45e3) * rng.uniform(0.7, 1.3, zones)  # [J/m²K]
    bed = rng.uniform(60e3, 140e3) * rng.uniform(0.7, 1.3, zones)
    between = rng.uniform(25, 60) * rng.uniform(0.7, 1.3, zones)  # [W/m²K]
    ground = rng.uniform(8, 20) * rng.uniform(0.8, 1.2, zones)
    open_sky = rng.uniform(0.35, 0.8, zones)
    share = rng.uniform(0.8, 1.2, zones)
    target_c = float(rng.choice([700, 720, 740, 760]))
    power_w = np.zeros((length_s, zones))

    def put_on(t: int, joules: float, even_s: float, dying_s: float) -> None:
        x = np.arange(length_s - t) - rng.uniform(10, 40)
        shape = np.clip(x / 60, 0, 1) * np.clip(1 - (x - even_s) / dying_s, 0, 1)
        power_w[t:] += joules * (shape / shape.sum())[:, None] * share

    lit = int(rng.integers(600, 1200))
    power_w[:] += rng.uniform(1.5e3, 4e3)
    power_w[lit:] -= power_w[lit:] * np.clip(np.arange(length_s - lit) / 1800, 0, 1)[:, None]
    big = rng.uniform(45e6, 75e6)
    put_on(lit, big, rng.uniform(180, 480), rng.uniform(200, 600))
    pots, embers = np.full(zones, ambient_k + 60.0), np.full(zones, ambient_k + 250.0)
    true = np.empty((length_s, zones))
    last, gap, done_s = lit, int(rng.integers(240, 420)), 0
    for t in range(length_s):
        radiated = 0.9 * 5.670374419e-8 * open_sky * (pots**4 - ambient_k**4)
        flow = between * (pots - embers)
        pots = pots + (0.62 * power_w[t] - radiated - flow) / load
        embers = embers + (0.38 * power_w[t] + flow - ground * (embers - ambient_k)) / bed
        true[t] = pots - 273.15
        done_s += bool(true[t].min() >= target_c)
        if t > lit + 400 and t - last >= gap and t < lit + 4000 and done_s < 400:
            put_on(t, big * rng.uniform(0.12, 0.3), rng.uniform(100, 240), rng.uniform(100, 300))
            last = t
    burning = np.clip(power_w / 30e3, 0, 1)
    wave = np.sin(2 * np.pi * (np.arange(length_s) * rng.uniform(0.8, 1.2) + rng.uniform(0, 1)))
    flicker = (rng.normal(0, 12, (length_s, zones)) + 10 * wave[:, None]) * burning
    value = true + flicker + rng.normal(0, 0.5, true.shape)
    names = ("low", "middle", "top")
    probes = [Probe(n, n, height_cm=10.0 + 15 * i, zone=n) for i, n in enumerate(names)]
    return _fire("lumps", seed, target_c, probes, value)
