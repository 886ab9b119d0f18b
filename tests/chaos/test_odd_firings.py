"""Any plan with any readings: judged, estimated, stored, resumed, rehearsed and reported, whatever they are."""

from __future__ import annotations

import contextlib
import json
import random
from datetime import UTC
from pathlib import Path

import numpy as np
from steady import Tell

from logger.journal.layout import as_stored
from logger.journal.reader import JournalReader
from logger.journal.writer import JournalWriter
from logger.plan import Clay, Plan, Probe, loads
from logger.reading import Batch, Bytes, Channel, Floats, Status
from logger.replay.judging import Judging, rehearse
from logger.report.document import export_html
from logger.report.shown import Shown
from logger.simulator import SimulatedFiring, simulate
from tests.long_form import times

START_US = 1_795_000_000_000_000


def odd_plan(rng: random.Random) -> Plan | None:
    """Few probes or many, of any kind and place, in one zone or several; or none."""
    zones = rng.sample(["a", "b", "c", "d", "e"], rng.randint(1, 5))
    probes = tuple(
        Probe(
            f"p{j}",
            f"k{j}",
            rng.choice([None, None, "r0"]),
            rng.choice([None, 0.0, 10.0, 40.0, 40.0]),
            rng.choice(["centre", "windward"]),
            rng.choice(["coals", "air", "wall", "surface"]),
            rng.choice(zones),
            rng.choice(["K", None]),
            None,
        )
        for j in range(rng.randint(0, 9))
    )
    clay = Clay(
        wall_mm=rng.choice([None, 5.0, 12.0]),
        zones=rng.choice([(), ("z",)]),
    )
    return rng.choice([None, loads(Plan(title="Odd, invented", probes=probes, clay=clay).dumps())])


def odd_readings(rng: random.Random, fire: SimulatedFiring, channels: int) -> tuple[Floats, Floats, Bytes]:
    """Seconds (n,), readings and status (n, channels) as a fire, a fault or a fool may give them."""
    n = rng.choice([0, 1, 2, 5, 60, 400, 1500])
    noise = np.random.default_rng(rng.randrange(10**9))
    begin = rng.randint(0, len(fire.t_s) - n)
    t_s = fire.t_s[begin : begin + n] - fire.t_s[begin]
    values = fire.temperature_c[begin : begin + n][:, noise.integers(0, len(fire.plan.probes), channels)]
    status = np.zeros(values.shape, np.uint8)
    status[np.isnan(values)] = Status.OPEN
    match rng.choice(["fire", "open", "same", "holes", "pause", "hot"]):
        case "open":
            values = np.full_like(values, np.nan)
            status[:] = Status.OPEN
        case "same":
            values = np.full_like(values, 20.0)
            status[:] = Status.OK
        case "holes":
            gone = noise.random(values.shape) < 0.5
            values = np.where(gone, np.nan, values)
            status[gone] = noise.choice([Status.OPEN, Status.ABSENT], int(gone.sum()))
        case "pause":
            t_s = t_s + np.where(np.arange(n) > n // 2, rng.choice([600.0, 7200.0]), 0.0)
        case "hot":
            values = values + 800.0
    return t_s, values, status


def batches(t_s: Floats, values: Floats, status: Bytes, frames: int) -> list[Batch]:
    """Batches of this many frames each."""
    made = []
    for a in range(0, len(t_s), frames):
        rows = slice(a, a + frames)
        nothing = np.full(values[rows].shape, np.nan)
        batch = Batch(
            rig="r0",
            channels=tuple(Channel(f"k{j}", "celsius") for j in range(values.shape[1])),
            t_us=START_US + np.round(t_s[rows] * 1e6).astype(np.int64),
            seq=np.arange(a, a + len(nothing)),
            ms=np.round(t_s[rows] * 1000).astype(np.int64),
            raw=values[rows],
            raw_cj=nothing,
            temperature_c=values[rows],
            cold_junction_c=nothing,
            status=status[rows],
        )
        made.append(as_stored(batch))
    return made


def judged(rng: random.Random, plan: Plan | None, seen: list[tuple[str, str]], made: list[Batch]) -> None:
    """As they arrive, with pauses and gun readings at odd moments; then resumed."""
    judging = Judging(plan, START_US, estimating=True)
    judging.rebuild(seen)
    for batch in made:
        judging.take([batch])
        now_us = int(batch.t_us[-1])
        match rng.randrange(12):
            case 0:
                judging.advance(now_us + rng.choice([-3_000_000, 0, 1_000_000, 60_000_000]))
            case 1:
                zone = rng.choice(judging.plan.zones or ("a",))
                judging.heed(
                    now_us,
                    "spot",
                    {"zone": zone, "temperature_c": rng.choice([20.0, 500.0, 1200.0]), "emissivity": 0.9},
                )
            case 2:
                json.dumps(judging.verdict_data(ahead=False), allow_nan=False)
    judging.take_estimates()
    json.dumps(judging.verdict_data(), allow_nan=False)
    again = Judging(plan, START_US, estimating=True)
    assert again.restore(judging.snapshot(), seen) is not None
    assert again.snapshot() == judging.snapshot()
    again.advance(START_US + 10**9)


def test_any_plan_with_any_readings(tmp_path: Path, tell: Tell) -> None:
    rounds = times(8, 5000)  # a round takes seconds
    fire = simulate(11, rate_hz=0.5, mishaps="any", probes=8)
    readings = 0
    for seed in range(rounds):
        rng = random.Random(seed)
        plan = odd_plan(rng)
        channels = rng.randint(1, 9)
        seen = [("r0", f"k{j}") for j in range(channels)]
        t_s, values, status = odd_readings(rng, fire, channels)
        made = batches(t_s, values, status, 50 if len(t_s) > 400 else rng.choice([1, 7, 50]))
        judged(rng, plan, seen, made)
        path = tmp_path / f"{seed}.sqlite"
        with contextlib.closing(JournalWriter(path)) as writer:
            firing = writer.open_firing(
                "Odd, invented", plan.dumps() if plan else None, START_US, invented=True
            )
            with writer.transaction():
                for batch in made:
                    writer.append(firing.id, batch)
            writer.add_event(
                firing.id, START_US + 1, "spot", {"zone": "a", "temperature_c": 500.0, "emissivity": 0.95}
            )
            if rng.random() < 0.7:
                writer.finish_firing(firing.id, START_US + 10**9)
        with contextlib.closing(JournalReader(path)) as reader:
            info = reader.firing(firing.id)
            json.dumps(rehearse(reader, info), allow_nan=False)
            assert export_html(reader, info.id, tmp_path / f"{seed}.html", Shown("C", UTC, "UTC")) > 0
        for made_file in tmp_path.glob(f"{seed}.*"):
            made_file.unlink()
        readings += values.size
    tell(f"{rounds} odd plans and readings", f"{readings} readings judged, kept and reported")
