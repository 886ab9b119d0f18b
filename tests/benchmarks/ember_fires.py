"""A family of made-up fires with physics unlike the simulator's: embers that are counted.

Each zone is heated by single glowing pieces that lie against its pots, burn away at random and fall off, and
by flame that comes in puffs from logs that catch one by one. Wind is unceasing turbulence, not a list of
gusts. Walls conduct through three layers; a probe on one reads it through a contact that leaks a share of the
air. In a collapse, most of a zone's pieces drop within some seconds. All are invented.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from logger.plan import Plan, Probe
from logger.reading import Bytes, Floats, Status
from tests.benchmarks.fire import Fire, lagged

SIGMA: Final = 5.670374419e-8
PIECES: Final = 60
NAMES: Final = ("south", "crown", "north", "foot")


def ember_fire(seed: int) -> Fire:
    """Draw a fire; two in three have a collapse, two in three a broken input.

    A collapse counts if the wall lost 60 °C or more within 3 min, the coals less than a third of that. The
    truth is the walls' outer face.
    """
    rng = np.random.default_rng([seed, 4711])
    zones = int(rng.integers(2, 5))
    n = int(rng.integers(4200, 6600))
    slides = _slides(rng, zones, n) if seed % 3 else []
    wall, air, coals = _burn(rng, zones, n, slides)
    probes, values = _read(rng, zones, wall, air, coals)
    t_s, grid = np.arange(n - 1.0), np.stack(values, axis=1)[: n - 1]
    grid += rng.normal(0.0, rng.uniform(0.2, 1.2, len(probes)), grid.shape)
    grid = np.round(grid * 4.0) / 4.0
    status = np.zeros(grid.shape, np.uint8)
    faults = _break(rng, t_s, grid, status, probes) if seed % 3 != 1 else []
    target = float(np.round(0.93 * wall.max(axis=0).min() / 10.0) * 10.0)
    plan = Plan(title="Embers, invented", target_c=max(target, 400.0), probes=tuple(probes))
    found = []
    for zone, start in slides:
        lost, bed = (c[start] - c[start : start + 181].min() for c in (wall[:, zone], coals))
        counts = bool(lost >= 60.0 and bed < lost / 3.0)
        case = {"zone": NAMES[zone], "start_s": float(start), "end_s": start + 400.0, "counts": counts}
        found.append(case)
    truth = {name: wall[::10, i] for i, name in enumerate(NAMES[:zones])}
    return Fire("embers", str(seed), plan, t_s, grid, status, wall_c=truth, collapses=found, faults=faults)


def _slides(rng: np.random.Generator, zones: int, n: int) -> list[tuple[int, int]]:
    return [
        (int(rng.integers(zones)), int(rng.uniform(0.35, 0.75) * n)) for _ in range(int(rng.integers(1, 3)))
    ]


def _burn(
    rng: np.random.Generator, zones: int, n: int, slides: list[tuple[int, int]]
) -> tuple[Floats, Floats, Floats]:
    """True outer wall and air of each zone, (n, zones), and the coals below, (n,). [°C]"""
    u = rng.uniform
    ambient_k = 273.15 + u(0, 28)
    lit = int(u(300, 900))
    # Logs: each catches at some time, flames for a while, and leaves pieces where it lay.
    logs = [(float(t), int(rng.integers(zones)), u(250, 700)) for t in lit + rng.exponential(500, 26 * zones)]
    logs += [
        (float(t), int(rng.integers(zones)), u(150, 400))
        for t in u(lit + 900, 0.6 * n, int(rng.integers(0, 7)))
    ]
    lives = np.zeros((zones, PIECES))
    exposed, height = u(0.3, 1.0, zones), np.linspace(0.2, 1.0, zones)
    mass = 0.5 * u(4, 9, zones) / 1000.0 * 1900.0 * 950.0  # half a wall [J/m²K]
    outer = np.full(zones, ambient_k + 60.0)
    middle, inner = outer.copy(), outer.copy()
    bed, wind, puff = ambient_k + u(350, 550), 1.0, np.zeros(zones)
    glow_k, flame_k = u(1120, 1260, zones), u(1150, 1300)
    slump = {zone: (start, u(4, 45), u(0.65, 0.98)) for zone, start in slides}
    rake = int(u(0.8, 0.95) * n) if rng.random() < 0.5 else n
    out = [np.zeros((n, zones)), np.zeros((n, zones)), np.zeros(n)]
    for t in range(n):
        flames = np.zeros(zones)
        for begin, where, lasts in logs:
            age = (t - begin) / lasts
            if 0.0 < age < 1.0:
                flames[where] += 4.0 * age * (1.0 - age)
                if rng.random() < 0.045:
                    lives[where, int(rng.integers(PIECES))] = u(500, 2200)
        lives = np.maximum(lives - 1.0 - 0.15 * wind, 0.0)
        for zone, (start, lasts, share) in slump.items():
            if start <= t < start + lasts:
                lives[zone] *= rng.random(PIECES) > share / lasts * 2.2
        if t >= rake:
            lives *= rng.random(lives.shape) > 0.02
        wind = max(0.0, wind + 0.02 * (1.2 - wind) + 0.16 * rng.normal() * np.sqrt(wind + 0.05))
        puff = 0.8 * puff + 0.35 * rng.normal(size=zones)
        covered = 0.9 * (1.0 - np.exp(-2.2 * (lives > 0).mean(axis=1)))
        rising = np.array([flames[: z + 1].sum() * 0.4 + flames[z] for z in range(zones)])
        fire = (
            0.9 * (1.0 - np.exp(-0.55 * rising)) * np.exp(0.18 * puff) * (1.0 - 0.1 * wind * exposed * height)
        )
        fire = np.clip(fire, 0.0, 0.97)
        goal = ambient_k + (330.0 + 520.0 * min(1.0, lives.astype(bool).mean() * 3.0)) * (
            0.2 if t >= rake else 1.0
        )
        bed += (goal - bed) / 260.0
        air = ambient_k + (flame_k - ambient_k) * fire
        air += (
            (1.0 - fire)
            * (0.75 * covered * (glow_k - ambient_k) + 0.2 * (bed - ambient_k))
            * (1 - 0.05 * wind)
        )
        bare = (1.0 - covered) * (1.0 - 0.7 * fire)
        heat = (8.0 + 6.0 * wind * bare) * (air - outer)
        heat += 0.8 * SIGMA * covered * (glow_k**4 - outer**4)
        heat += 0.5 * SIGMA * (1.0 - covered) * fire * (flame_k**4 - outer**4)
        heat += 0.85 * SIGMA * bare * (ambient_k**4 - outer**4) * (0.35 + 0.65 * exposed)
        inward, through = 240.0 * (outer - middle), 240.0 * (middle - inner)
        outer = outer + (heat - inward) / (0.5 * mass)
        middle = middle + (inward - through) / mass
        inner = inner + (through + 25.0 * (inner.mean() - inner)) / (1.5 * mass)
        out[0][t], out[1][t], out[2][t] = outer - 273.15, air - 273.15, bed - 273.15
    return out[0], out[1], out[2]


def _read(
    rng: np.random.Generator, zones: int, wall: Floats, air: Floats, coals: Floats
) -> tuple[list[Probe], list[Floats]]:
    u = rng.uniform
    probes, values = [], []

    def add(name: str, reads: Any, zone: str, height: float, value: Floats) -> None:
        probes.append(Probe(name=name, channel=name, reads=reads, zone=zone, height_cm=height))
        values.append(value)

    if rng.random() < 0.8:
        add("bed", "coals", "under", 0.0, lagged(coals + u(-20, 20), u(20, 70)))
    for z in range(zones):
        name = NAMES[z]
        kinds = [["wall"], ["wall", "air"], ["wall", "wall"], ["air"]][
            int(rng.choice(4, p=[0.4, 0.3, 0.2, 0.1]))
        ]
        for i, reads in enumerate(kinds):
            if reads == "wall":
                leak = u(0.03, 0.18)
                value = lagged((1 - leak) * wall[:, z] + leak * air[:, z], u(12, 50)) * (
                    1 + 0.01 * rng.normal()
                )
            else:
                value = lagged(0.85 * air[:, z] + 0.15 * wall[:, z], u(2, 25))
            add(f"{name} {reads} {i}", reads, name, 8.0 + 15.0 * z, value)
    return probes, values


def _break(
    rng: np.random.Generator, t_s: Floats, values: Floats, status: Bytes, probes: list[Probe]
) -> list[dict[str, Any]]:
    """Break one input, if another is left in its zone or it isn't the only wall."""
    j = int(rng.integers(len(probes)))
    kinds = ["open", "flapping", "stuck", "loose", "leap"]
    if probes[j].reads != "coals" and len(probes) > 2:
        kinds += ["floating", "fallen"]
    kind = str(rng.choice(kinds))
    begin = float(rng.uniform(0.3, 0.7) * t_s[-1]) if kind != "floating" else 0.0
    end = float(min(begin + rng.uniform(300, 900), t_s[-1])) if kind != "fallen" else float(t_s[-1])
    on = (t_s >= begin) & (t_s < end)
    m = int(on.sum())
    now = t_s[on] - begin
    match kind:
        case "open":
            status[on, j], values[on, j] = Status.OPEN, np.nan
        case "flapping":
            off = np.flatnonzero(on)[np.sin(now / rng.uniform(3, 8)) + rng.normal(0, 0.3, m) > 0.0]
            status[off, j], values[off, j] = Status.OPEN, np.nan
        case "stuck":
            values[on, j] = values[np.argmax(on), j]
        case "loose":
            bad = np.flatnonzero(on)[rng.random(m) < 0.4]
            values[bad, j] *= rng.uniform(0.4, 0.85, len(bad))
        case "leap":
            values[on, j] = np.round(rng.uniform(1290, 1340) + rng.normal(0, 3, m), 2)
        case "floating":
            # Not plugged in until somebody notices, while everything else is still cold.
            end = min(end, float(t_s[np.argmax(np.nanmax(np.delete(values, j, 1), axis=1) > 55.0)]))
            on = t_s < end
            wander = np.cumsum(rng.normal(0, 0.4, int(on.sum())))
            values[on, j] = np.round(rng.uniform(300, 600) + wander, 2)
            if end < 150.0:
                return []
        case _:
            values[on, j] = 40.0 + (values[on, j] - 40.0) * np.exp(-now / rng.uniform(4, 50))
    return [{"probe": probes[j].name, "kind": kind, "start_s": begin, "end_s": end, "counts": True}]
