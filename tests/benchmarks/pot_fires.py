"""Fires of several families, each with the true temperature of its pots' walls, for scoring estimate and
forecast.

Families: our simulator; fires made by another program's script, in folders named on the command line (one per fire,
with `readings.csv`, `plan.toml` and `truth.json`); `embers`, `crude` and `lumps`; and `kilnless`, whose physics is
deliberately unlike the others': gas and glow follow independently drawn curves, walls are five points of a plane wall,
beads balance convection against radiation. All are invented.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from msgspec import structs
from numpy.typing import NDArray

from logger.judgement.rows import Bools
from logger.physics.wall import Wall
from logger.plan import Plan, Probe, loads
from logger.reading import Floats, Status
from logger.simulator import draw, simulate_scenario
from tests.benchmarks.ember_fires import ember_fire
from tests.benchmarks.varied_fires import crude

EVERY_S = 10


@dataclass(frozen=True, slots=True)
class PotFire:
    """A fire, n instants and k probes, and the truth of its pots every 10 s.

    Attributes
    ----------
    family, name : str
    plan : Plan
    t_s : array (n,)
        From the first reading. [s]
    value_c : array (n, k)
        NaN where there is none. [°C]
    sound : bool array (n, k)
        Neither missing nor spoilt by a fault.
    wall_c : dict of str to array (m,)
        By zone that holds pots, at 0, 10, 20 … s: mean of the wall, or what the family uses for it. [°C]
    """

    family: str
    name: str
    plan: Plan
    t_s: Floats
    value_c: Floats
    sound: Bools
    wall_c: dict[str, Floats]

    def with_probes(self, kept: Iterable[int], mark: str) -> PotFire:
        """The same fire as fewer probes would have shown it."""
        columns = list(kept)
        probes = tuple(self.plan.probes[j] for j in columns)
        zones = {p.zone for p in probes}
        return replace(
            self,
            name=f"{self.name} {mark}",
            plan=structs.replace(self.plan, probes=probes),
            value_c=self.value_c[:, columns],
            sound=self.sound[:, columns],
            wall_c={zone: wall for zone, wall in self.wall_c.items() if zone in zones},
        )

    def air_only(self) -> PotFire | None:
        """Without the probes on walls; None if that leaves nothing to judge pots by."""
        kept = [j for j, p in enumerate(self.plan.probes) if p.reads in ("air", "coals")]
        return self.with_probes(kept, "air only") if len(kept) > 1 else None


def simulated(seeds: Iterable[int]) -> Iterator[PotFire]:
    """Fires of our simulator, with its mishaps and faults."""
    for seed in seeds:
        firing = simulate_scenario(draw(seed, mishaps="any"), rate_hz=1.0)
        sound = np.isfinite(firing.temperature_c)
        names = [p.name for p in firing.plan.probes]
        for fault in firing.truth["faults"]:
            during = (firing.t_s >= fault["start_s"]) & (firing.t_s <= fault["end_s"])
            sound[during, names.index(fault["probe"])] = False
        grid = np.arange(0.0, firing.t_s[-1], EVERY_S)
        walls = {}
        for zone, facts in firing.truth["zones"].items():
            if facts["holds_pots"]:
                mean = np.array([0.25, 0.5, 0.25]) @ np.array(
                    [facts["outer_c"], facts["middle_c"], facts["inner_c"]]
                )
                walls[zone] = np.interp(grid, np.arange(len(mean)) * firing.truth["every_s"], mean)
        yield PotFire("simulator", str(seed), firing.plan, firing.t_s, firing.temperature_c, sound, walls)


def second(folders: Iterable[Path]) -> Iterator[PotFire]:
    """Fires that another program's script has written; their truth is the walls' skin."""
    for folder in sorted(folders):
        plan = loads((folder / "plan.toml").read_text(encoding="utf-8"))
        truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
        with (folder / "readings.csv").open(encoding="utf-8") as file:
            head, *rows = csv.reader(file)
        table = np.array([[float(v) if v else np.nan for v in row] for row in rows])
        t, names = table[:, 0] - table[0, 0], [p.name for p in plan.probes]
        value = table[:, [head.index(name) for name in names]]
        sound = np.isfinite(value)
        for event in truth["events"]:
            if event["kind"] == "fault":
                during = (t >= event["start_s"]) & (t <= event["end_s"] + 60)
                sound[during, names.index(event["probe"])] = False
        walls = {z: np.array(c) for z, c in truth["wall"].items() if z not in ("time_s", "under")}
        if any(p.zone == "under" and p.reads != "coals" for p in plan.probes):
            walls["under"] = np.array(truth["wall"]["under"])
        yield PotFire("second model", folder.name, plan, t, value, sound, walls)


def kilnless(seeds: Iterable[int]) -> Iterator[PotFire]:
    """Fires of curves, plane walls and beads in balance; no wood, char or plume in them."""
    for seed in seeds:
        yield _kilnless(seed)


def _kilnless(seed: int) -> PotFire:
    rng = np.random.default_rng([seed, 77])
    n, ambient, zones = int(rng.uniform(4200, 7200)), rng.uniform(0, 30), ("low", "side", "crown")
    t = np.arange(n, dtype=float)
    lit, dies = rng.uniform(300, 1200), rng.uniform(1500, 3300)
    peak_c = rng.uniform(700, 980)
    gas, glow = np.empty((2, n, len(zones)))
    wind = _wander(rng, n, 1.0, rng.uniform(20, 120))
    for z in range(len(zones)):
        top = peak_c * rng.uniform(0.88, 1.05)
        rise = 1 / (1 + np.exp(-(t - lit - rng.uniform(200, 900)) / rng.uniform(60, 300)))
        fall = 1 / (1 + np.exp((t - lit - dies - rng.uniform(-300, 300)) / rng.uniform(80, 400)))
        ember = rng.uniform(0.45, 0.95) * np.exp(-np.maximum(t - lit - dies, 0) / rng.uniform(1500, 5000))
        warm = ambient + rng.uniform(40, 120) * (1 - np.exp(-t / 500))
        gusts = _wander(rng, n, rng.uniform(0.02, 0.08), rng.uniform(10, 60)) + 0.02 * wind
        gas[:, z] = warm + (top - warm) * rise * np.maximum(fall * (1 + gusts), 0.75 * ember)
        lag = rng.uniform(20, 400)
        source = warm + (top * rng.uniform(0.86, 1.02) - warm) * rise * np.maximum(fall, ember)
        glow[:, z] = _lagged(source, lag)
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
    behind = _lagged(glow, 240.0)[::2]
    around = (gas[::2], films, glow[::2], views), (behind, 5.0, behind, rng.uniform(0.1, 0.5, len(zones)))
    points = _plane_wall(wall, ambient + 30, *around)
    mean = points.mean(axis=-1)
    probes, columns = _kilnless_probes(rng, t, zones, gas, glow, points[..., 0])
    grid = np.arange(0.0, n, EVERY_S)
    walls = {zone: np.interp(grid, coarse, mean[:, z]) for z, zone in enumerate(zones)}
    # The target is a little less than the coldest zone's peak, so within reach; one fire in four misses it.
    target = round(min(w.max() for w in walls.values()) + (30 if seed % 4 == 0 else -10), -1)
    plan = Plan(title="Invented", target_c=float(np.clip(target, 500, 900)), probes=probes)
    value = np.round(np.stack(columns, axis=1) * 4) / 4
    sound = np.ones(value.shape, bool)
    if rng.random() < 0.4:
        j, at = int(rng.integers(len(probes))), int(lit + rng.uniform(0.3, 1.0) * dies)
        value[at:, j] = ambient + 20 + (value[at:, j] - ambient - 20) * np.exp(-(t[at:] - at) / 25.0)
        sound[at:, j] = False
    return PotFire("kilnless", str(seed), plan, t, value, sound, walls)


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
) -> tuple[tuple[Probe, ...], list[Floats]]:
    probes, columns = [Probe("bed", "k0", reads="coals", zone="bed", height_cm=0.0)], []
    columns.append(_lagged(glow.mean(axis=1) + rng.normal(0, 3, len(t)), 30.0))
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
                true = true + _wander(rng, len(t), 1.0, 3.0) * 0.02 * np.maximum(gas[:, z] - 100, 0)
            read = _lagged(true, lag) * rng.normal(1, 0.008) + rng.normal(0, rng.uniform(0.2, 1.5), len(t))
            name = f"{zone} {reads}"
            probes.append(Probe(name, f"k{len(probes)}", reads=reads, zone=zone, height_cm=10.0 + 15 * z))
            columns.append(read)
    return tuple(probes), columns


def embers(seeds: Iterable[int]) -> Iterator[PotFire]:
    """Fires of counted embers; their truth is the walls' outer face."""
    for seed in seeds:
        made = ember_fire(seed)
        sound, names = made.status == Status.OK, [p.name for p in made.plan.probes]
        value = np.where(sound, made.temperature_c, np.nan)
        for fault in made.faults:
            during = (made.t_s >= fault["start_s"]) & (made.t_s <= fault["end_s"] + 60)
            sound[during, names.index(fault["probe"])] = False
        pots = {p.zone for p in made.plan.probes if p.reads != "coals"}
        walls = {zone: wall for zone, wall in made.wall_c.items() if zone in pots}
        yield PotFire("embers", str(seed), made.plan, made.t_s, value, sound, walls)


def levels_only(seeds: Iterable[int]) -> Iterator[PotFire]:
    """Fires of two more kinds, of which only the probes' readings are known: for the forecast."""
    for seed in seeds:
        made = crude(seed)
        value = made.temperature_c
        yield PotFire("crude", str(seed), made.plan, made.t_s, value, np.isfinite(value), {})
        value, target_c = _lumps(seed, 6600)
        probes = tuple(
            Probe(n, n, height_cm=10.0 + 15 * i, zone=n) for i, n in enumerate(("low", "middle", "top"))
        )
        plan = Plan(title="Invented", target_c=target_c, probes=probes)
        yield PotFire("lumps", str(seed), plan, np.arange(6600.0), value, np.isfinite(value), {})


def _lumps(seed: int, length_s: int) -> tuple[Floats, float]:
    """Readings of a fire with two heat capacities a zone at 1 Hz, and its target.

    Power balances, not temperatures: fuel burns at an even rate and then dies down along a straight line; the
    pots take a share, lose heat by radiation, and exchange it with embers and ground, which lose theirs slowly.
    """
    rng = np.random.default_rng([seed, 21])
    zones = 3
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
    return true + flicker + rng.normal(0, 0.5, true.shape), target_c


def _lagged(value: Floats, lag_s: float) -> Floats:
    out, gain, state = np.empty_like(value), 1.0 - np.exp(-1.0 / lag_s), value[0]
    for i, row in enumerate(value):
        state = state + gain * (row - state)
        out[i] = state
    return out


def _wander(rng: np.random.Generator, n: int, sd: float, tau_s: float) -> Floats:
    keep = float(np.exp(-1.0 / tau_s))
    steps: NDArray[np.float64] = rng.normal(0.0, sd * np.sqrt(1.0 - keep * keep), n)
    return _ar(steps, keep)


def _ar(steps: Floats, keep: float) -> Floats:
    out, state = np.empty_like(steps), 0.0
    for i, step in enumerate(steps.tolist()):
        state = keep * state + step
        out[i] = state
    return out


def status_of(value_c: Floats) -> NDArray[np.uint8]:
    """Status of readings of which nothing else is known."""
    return np.where(np.isfinite(value_c), Status.OK, Status.ABSENT).astype(np.uint8)
