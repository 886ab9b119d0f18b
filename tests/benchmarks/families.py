"""Fires of several families, with what really happened in them, for scoring the alarms.

`simulator` is the project's own; `embers` has physics of its own (`ember_fires`); `second` comes from another
program's `make_case.py`, `real` from measured fires, both in folders named on the command line. In the real
fires nothing fell away and nothing was stalled on purpose, so every collapse alarm on them is wrong.

Which cases of the simulator's count: a collapse if the zone lost 60 °C or more within 3 min while the coals
held. What is lost after the next armload was laid doesn't, since that is the armload's own dip. Nor does a
collapse if no probe of the zone could be believed when it came, nor a stall if none could be during its seven
minutes. A fault counts if there is something to see: not a warm terminal block that never reaches 60 °C, nor
a stuck infrared sensor that is beyond its range anyway.
"""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np

from logger.exchange.csv_in import read_csv
from logger.exchange.csv_table import CsvOptions
from logger.plan import Plan, Probe, load
from logger.reading import Floats, Status
from logger.simulator import SimulatedFiring, simulate
from tests.benchmarks.fire import Fire

KINDS: Final[tuple[Any, ...]] = ("any", {"coal_collapse"}, "any", "none")
LEAST_LOST_C: Final = 60.0
WITHIN_S: Final = 180.0
STALL_WITHIN_S: Final = 420.0


def own(seed: int, *, rate_hz: float = 1.0, mishaps: Any = None, mean: bool = False) -> Fire:
    """Simulate a firing of the project's own; its truth is the walls' outer face, or the mean through
    them."""
    made = simulate(seed, mishaps=mishaps or KINDS[seed % 4], rate_hz=rate_hz)
    shares = {"outer_c": 0.25, "middle_c": 0.5, "inner_c": 0.25} if mean else {"outer_c": 1.0}
    step = round(10.0 / made.truth["every_s"])
    walls = {
        name: np.sum([share * np.array(zone[of])[::step] for of, share in shares.items()], axis=0)
        for name, zone in made.truth["zones"].items()
        if zone["holds_pots"]
    }
    return Fire(
        "simulator",
        str(seed),
        made.plan,
        made.t_s,
        made.temperature_c,
        made.status,
        made.cold_junction_c,
        walls,
        collapses(made.truth),
        stalls(made.truth),
        faults(made),
    )


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
            # The other one jumps between 94 and 280 °C among beams at 300 to 500: broken, though nobody noted
            # it.
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
