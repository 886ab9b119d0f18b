"""Invented firings in a journal, with notes, gun readings and what people wrote down."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from logger.journal.writer import JournalWriter
from logger.reading import Batch
from logger.replay.judging import Judging
from logger.simulator import SimulatedFiring, simulate
from tests.journal.journal_batches import START_US, make_batch

DAY_US = 86_400_000_000

DESCRIBED = {
    "pots": "Six cooking jars, 22 cm, round bases; two small bowls",
    "clay": "Brown pit clay, sieved, aged over winter",
    "temper": "Crushed sherds, one part in five",
    "slip": "Red slip inside the bowls, burnished with a pebble",
    "walls": "5 to 8 mm",
    "wood": "Split ash and hazel, dry two summers; four barrows",
    "weather": "Still, 14 °C, ground damp under the sods",
    "rings": "Five clear, one dull",
    "cracks": "One base, from the foot to the shoulder",
    "photos": "jars-before.jpg\njars-after.jpg",
}

# Seconds after lighting, kind, data.
HAPPENED: tuple[tuple[float, str, dict[str, Any]], ...] = (
    (0, "note", {"kind": "wood", "text": "", "amount": "2 armloads"}),
    (300, "note", {"kind": "text", "text": "Flames right through the top", "amount": ""}),
    (600, "note", {"kind": "gust", "text": "", "amount": ""}),
    (1100, "note", {"kind": "wood", "text": "windward side", "amount": "1 armload"}),
    (1500, "spot", {"zone": "upper", "temperature_c": 741.0, "emissivity": 0.95, "text": ""}),
    (
        1900,
        "spot",
        {"zone": "lower", "temperature_c": 702.0, "emissivity": 0.93, "text": "big jar's shoulder"},
    ),
)


def batch_of(made: SimulatedFiring, begin_us: int) -> Batch:
    """Its readings as they are stored; plain °C."""
    t_us = begin_us + np.round(made.t_s * 1e6).astype(np.int64)
    names = [p.channel for p in made.plan.probes]
    return make_batch(t_us, made.temperature_c, names=names, status=made.status)


def part_of(made: SimulatedFiring, since_s: float, until_s: float) -> SimulatedFiring:
    """Its readings between these times, the first of which becomes 0: judging a whole firing takes long."""
    at = (made.t_s >= since_s) & (made.t_s < until_s)
    t_s = made.t_s[at] - made.t_s[at][0]
    return replace(made, t_s=t_s, temperature_c=made.temperature_c[at], status=made.status[at])


def invented_firing(
    writer: JournalWriter,
    seed: int,
    *,
    day: int = 0,
    probes: int = 5,
    rate_hz: float = 0.5,
    judged: bool = False,
    described: dict[str, str] | None = None,
) -> tuple[str, SimulatedFiring]:
    """Put one into a journal as an ended firing; if `judged`, with the alarms and stages it had live."""
    made = simulate(seed, rate_hz=rate_hz, probes=probes)
    begin = START_US + day * DAY_US
    info = writer.open_firing(
        made.plan.title, made.plan.dumps(), begin, invented=True, facts=dict(described or {})
    )
    batch = batch_of(made, begin)
    writer.append(info.id, batch)
    for after_s, kind, data in HAPPENED:
        writer.add_event(info.id, begin + round((made.truth["lit_s"] + after_s) * 1e6), kind, data, "page")
    if judged:
        judging = Judging(made.plan, begin)
        judging.rebuild([("a1", p.channel) for p in made.plan.probes])
        for event in judging.take([batch]) + judging.advance(int(batch.t_us[-1])):
            writer.add_event(info.id, judging.micros(event.t_s), event.kind, event.data, event.who)
    writer.finish_firing(info.id, int(batch.t_us[-1]))
    return info.id, made


def open_journal(folder: Path) -> JournalWriter:
    return JournalWriter(folder / "journal.sqlite")
