"""Fires of several families, with what really happened in them, for scoring the alarms.

`simulator` is the project's own; `varied`, `crude` and `plain` are variations beside it (`varied_fires`); `embers` has
physics of its own (`ember_fires`); `second` comes from another program's `make_case.py`, `real` from measured
fires, both in folders named on the command line. In the real fires nothing fell away and nothing was stalled on
purpose, so every collapse alarm on them is wrong.
"""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
from msgspec import structs

from logger.exchange.csv_in import read_csv
from logger.exchange.csv_table import CsvOptions
from logger.plan import Plan, Probe, load, loads
from logger.reading import Bytes, Floats, Status
from logger.simulator import simulate
from tests.benchmarks.ember_fires import ember_fire
from tests.benchmarks.scored_cases import collapses, faults, stalls
from tests.benchmarks.varied_fires import crude, plain, varied

KINDS: Final[tuple[Any, ...]] = ("any", {"coal_collapse"}, "any", "none")
HOT_C: Final = 150.0


@dataclass
class Fire:
    """A fire, n instants and k probes, and its truth.

    Attributes
    ----------
    family, name : str
    plan : Plan
    t_s : array (n,)
        [s]
    temperature_c, status, cold_junction_c : array (n, k)
        [°C]
    wall_c : dict of str to array
        By zone, the true wall every 10 s; empty if unknown. [°C]
    collapses, stalls : list of dict
        `zone`, `start_s`, `end_s`, `counts`.
    faults : list of dict
        `probe`, `kind`, `start_s`, `end_s`, `counts`.
    stored : bool
        It came from a file.
    """

    family: str
    name: str
    plan: Plan
    t_s: Floats
    temperature_c: Floats
    status: Bytes
    cold_junction_c: Floats | None = None
    wall_c: dict[str, Floats] = field(default_factory=dict)
    collapses: list[dict[str, Any]] = field(default_factory=list)
    stalls: list[dict[str, Any]] = field(default_factory=list)
    faults: list[dict[str, Any]] = field(default_factory=list)
    stored: bool = False

    @property
    def hours(self) -> float:
        """How long it lasted. [h]"""
        return float(self.t_s[-1]) / 3600.0

    @property
    def hot_hours(self) -> float:
        """How long any probe was above `HOT_C`. [h]"""
        hot = (np.nan_to_num(self.temperature_c) > HOT_C).any(axis=1)
        steps = np.diff(self.t_s, append=self.t_s[-1])
        return float(np.minimum(steps, 900.0)[hot].sum()) / 3600.0

    @property
    def usual_s(self) -> Floats:
        """The usual time between two readings of each probe. [s]"""
        usual = np.full(self.status.shape[1], np.nan)
        for j in range(len(usual)):
            t = self.t_s[self.status[:, j] == Status.OK]
            if len(t) > 2:
                usual[j] = float(np.median(np.diff(t)))
        return usual


def own(seed: int, rate_hz: float = 1.0) -> Fire:
    """Simulate a firing of the project's own."""
    made = simulate(seed, mishaps=KINDS[seed % 4], rate_hz=rate_hz)
    walls = _outer_walls(made.truth)
    fire = Fire("simulator", str(seed), made.plan, made.t_s, made.temperature_c, made.status)
    fire.cold_junction_c, fire.wall_c = made.cold_junction_c, walls
    fire.collapses = collapses(made.truth)
    fire.stalls, fire.faults = stalls(made.truth), faults(made)
    return fire


def _outer_walls(truth: dict[str, Any]) -> dict[str, Floats]:
    """Outer faces every 10 s, whatever the simulation's own step."""
    step = round(10.0 / truth["every_s"])
    return {name: np.array(z["outer_c"])[::step] for name, z in truth["zones"].items() if "outer_c" in z}


def beside(family: str, seed: int) -> Fire:
    """Simulate a firing of a variation of the project's own."""
    if family == "varied":
        made: Any = varied(seed, KINDS[seed % 4])
        walls = _outer_walls(made.truth)
        cases, stalled, broken = collapses(made.truth), stalls(made.truth), faults(made)
    else:
        made = (crude if family == "crude" else plain)(seed)
        walls, cases, stalled, broken = made.wall_c, made.collapses, [], []
    fire = Fire(family, str(seed), made.plan, made.t_s, made.temperature_c, made.status)
    fire.cold_junction_c, fire.wall_c = made.cold_junction_c, walls
    fire.collapses, fire.stalls, fire.faults = cases, stalled, broken
    return fire


def embers(seed: int) -> Fire:
    """Draw a fire of counted embers."""
    made = ember_fire(seed)
    fire = Fire("embers", str(seed), made.plan, made.t_s, made.temperature_c, made.status)
    fire.wall_c, fire.collapses = made.wall_c, made.collapses
    fire.faults = [{**fault, "counts": True} for fault in made.faults]
    return fire


def second(folder: Path, name: str) -> Fire:
    """Read a case that another program wrote: readings.csv, plan.toml, truth.json."""
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    plan = load(folder / "plan.toml")
    found = read_csv([folder / "readings.csv"], CsvOptions())
    at = [found.names.index(probe.name) for probe in plan.probes]
    fire = Fire(
        "second", name, plan, found.t_us / 1e6, found.temperature_c[:, at], found.status[:, at], stored=True
    )
    fire.wall_c = {zone: np.array(v) for zone, v in truth["wall"].items() if zone != "time_s"}
    for event in truth["events"]:
        case = {**event, "start_s": float(event["start_s"]), "end_s": float(event["end_s"])}
        if event["kind"] == "collapse":
            end_s = case["start_s"] + 400.0
            fire.collapses.append({**case, "end_s": end_s, "counts": bool(event["observable"])})
        elif event["kind"] == "stall":
            fire.stalls.append({**case, "counts": bool(event["observable"])})
        elif event["kind"] == "fault":
            counts = case["end_s"] - case["start_s"] >= 120.0
            fire.faults.append({**case, "kind": event["what"], "counts": counts})
    return fire


def seconds(script: Path, cache: Path, seeds: Sequence[int]) -> Iterator[Fire]:
    """Let another program's script write cases, each once, and read them."""
    for seed in seeds:
        out = cache / "second" / str(seed)
        if not (out / "truth.json").exists():
            command = [sys.executable, "-B", str(script), "--seed", str(seed), "--out", str(out)]
            subprocess.run(command, check=True)
        yield second(out, str(seed))


def _probes(names: Sequence[str], zone: str, reads: Any, height_cm: float | None = None) -> list[Probe]:
    return [Probe(name=n, channel=n, reads=reads, zone=zone, height_cm=height_cm) for n in names]


def _crib() -> list[Probe]:
    probes = _probes(["T5", "T6"], "top", "air", 36.0)
    for name, height in (("T13", 28.0), ("T14", 20.0), ("T15", 12.0), ("T16", 4.0)):
        probes += _probes([name], "rake high" if height > 16 else "rake low", "air", height)
    return probes + _probes(["PT2"], "plate", "wall", 36.0)


def _compartment() -> list[Probe]:
    probes = _probes([f"BeamTC{i}" for i in range(1, 10)], "beam", "wall", 250.0)
    for tree in (1, 2):
        probes += _probes([f"T{tree}_1", f"T{tree}_2"], f"tree {tree} low", "air", 140.0)
        probes += _probes([f"T{tree}_3", f"T{tree}_4"], f"tree {tree} high", "air", 270.0)
    return probes


def _room() -> list[Probe]:
    deep = [f"TC wall {mm} mm {end}" for mm in (25, 50, 75) for end in ("upper", "lower")]
    door = [f"TC tree {mm} mm" for mm in (10, 510, 1010, 1490)]
    return [
        *_probes(deep, "deep", "wall"),
        *_probes(["surface T welded", "surface T shielded"], "surface", "wall"),
        *_probes(["TC right wall center", "TC right wall back upper"], "right wall", "wall"),
        *_probes(door, "door", "air"),
    ]


def _trees() -> list[Probe]:
    return [
        probe
        for tree in (1, 2)
        for part, span in (("high", (1, 2)), ("middle", (4, 5)), ("low", (7, 8)))
        for probe in _probes([f"T{tree}-{i}" for i in span], f"tree {tree} {part}", "air")
    ]


REAL: Final[dict[str, Callable[[], list[Probe]]]] = {
    "crib_": _crib,
    "E119": _compartment,
    "SP_Room": _room,
    "BST": lambda: [
        *_probes(["Line 2"], "low", "air"),
        *_probes(["Line 6"], "middle", "air"),
        *_probes(["Line 10"], "high", "air"),
    ],
    "UL": _trees,
    "FF": lambda: [p for i in (2, 3, 4, 5) for p in _probes([str(i)], f"place {i}", "air")],
}


def real(folder: Path) -> Iterator[Fire]:
    """Read measured fires; the files' names tell which column is what."""
    for path in sorted([*folder.glob("*.csv"), *folder.glob("*.TXT")]):
        key = next((key for key in REAL if path.name.startswith(key)), None)
        if key is None:
            continue
        names, t_s, values = _table(path)
        probes = [p for p in REAL[key]() if p.name in names]
        columns = [names.index(p.name) for p in probes]
        plan = Plan(title=path.stem, target_c=780.0, probes=tuple(probes))
        grid = values[:, columns]
        status = np.where(np.isnan(grid), Status.OPEN, Status.OK).astype(np.uint8)
        for j in range(len(probes)):
            there = np.flatnonzero(status[:, j] == Status.OK)
            if len(there):
                status[: there[0], j] = status[there[-1] + 1 :, j] = Status.ABSENT
            else:
                status[:, j] = Status.ABSENT
        fire = Fire("real", path.stem, plan, t_s, grid, status, stored=True)
        if key == "E119":
            # The other one jumps between 94 and 280 °C among beams at 300 to 500: broken, though nobody noted it.
            fire.faults = [
                {"probe": name, "kind": "dead", "start_s": begin, "end_s": float(t_s[-1]), "counts": counts}
                for name, begin, counts in (("BeamTC8", 600.0, True), ("BeamTC3", 0.0, False))
            ]
        yield fire


def _table(path: Path) -> tuple[list[str], Floats, Floats]:
    rows = list(csv.reader(path.read_text(encoding="latin-1").splitlines()))
    if path.suffix == ".TXT":
        rows = [row for row in rows if len(row) > 2]
        clock = [row[1].split()[1].split(":") for row in rows]
        t_s = np.array([float(h) * 3600 + float(m) * 60 + float(s) for h, m, s in clock])
        names, body = [str(i) for i in range(len(rows[0]))], rows
    else:
        head = next(i for i, row in enumerate(rows) if row and row[0].strip().startswith("Time"))
        names = [name.strip() for name in rows[head]]
        body = [row for row in rows[head + 1 :] if row and _number(row[0]) == _number(row[0])]
        t_s = np.array([_number(row[0]) for row in body])
    width = len(names)
    values = np.array([[_number(v) for v in row[:width]] + [np.nan] * (width - len(row)) for row in body])
    keep = np.concatenate([[True], np.diff(np.maximum.accumulate(t_s)) > 0])
    return names, t_s[keep] - t_s[0], values[keep]


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return float("nan")


def without(fire: Fire, kept: Sequence[int], mark: str) -> Fire:
    """The same fire as fewer probes would have shown it."""
    probes = tuple(fire.plan.probes[j] for j in kept)
    zones = {p.zone for p in probes if p.reads != "coals"}
    names = {p.name for p in probes}
    plan = loads(Plan(title=fire.plan.title, target_c=fire.plan.target_c, probes=probes).dumps(), mark)
    columns = list(kept)
    return Fire(
        family=fire.family,
        name=f"{fire.name} {mark}",
        plan=plan,
        t_s=fire.t_s,
        temperature_c=fire.temperature_c[:, columns],
        status=fire.status[:, columns],
        cold_junction_c=None if fire.cold_junction_c is None else fire.cold_junction_c[:, columns],
        wall_c=fire.wall_c,
        collapses=[c for c in fire.collapses if c["zone"] in zones],
        stalls=[c for c in fire.stalls if c["zone"] in zones],
        faults=[c for c in fire.faults if c["probe"] in names],
        stored=fire.stored,
    )


def crowded(fire: Fire, most: int) -> Fire:
    """The same fire on a bigger rig, up to this many probes: each once more, with its twin's own noise and offset."""
    rng = np.random.default_rng(most)
    probes = list(fire.plan.probes)
    columns = list(range(len(probes)))
    names: dict[str, int] = {}
    while len(columns) < most:
        j = (len(columns) - len(probes)) % len(probes)
        columns.append(j)
    placed, values = [], fire.temperature_c[:, columns].copy()
    for i, j in enumerate(columns):
        probe = probes[j]
        again = names[probe.name] = names.get(probe.name, 0) + 1
        if again > 1:
            probe = structs.replace(
                probe, name=f"{probe.name} twin {again}", channel=f"{probe.channel} twin {again}"
            )
            values[:, i] += rng.normal(0.0, 2.0) + rng.normal(0.0, 0.5, len(values))
            for case in fire.faults:
                if case["probe"] == probes[j].name:  # what stands still does so in the twin as well
                    during = (fire.t_s >= case["start_s"]) & (fire.t_s < case["end_s"])
                    values[during, i] = fire.temperature_c[during, j]
        placed.append(probe)
    faults = [
        {**case, "probe": p.name}
        for case in fire.faults
        for p in placed
        if p.name.partition(" twin ")[0] == case["probe"]
    ]
    return replace(
        fire,
        name=f"{fire.name} {most} probes",
        plan=structs.replace(fire.plan, probes=tuple(placed)),
        temperature_c=values,
        status=fire.status[:, columns],
        cold_junction_c=None if fire.cold_junction_c is None else fire.cold_junction_c[:, columns],
        faults=faults,
    )


def thinned(fire: Fire, every_s: float) -> Fire:
    """The same fire with fewer readings."""
    due = np.concatenate([[True], np.diff(np.floor(fire.t_s / every_s)) > 0])
    return Fire(
        fire.family,
        f"{fire.name} every {every_s:g} s",
        fire.plan,
        fire.t_s[due],
        fire.temperature_c[due],
        fire.status[due],
        None if fire.cold_junction_c is None else fire.cold_junction_c[due],
        fire.wall_c,
        fire.collapses,
        fire.stalls,
        fire.faults,
        fire.stored,
    )
