"""An invented firing written by hand, for the page's tests."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from logger.journal.reader import JournalReader
from logger.journal.writer import JournalWriter
from logger.reading import Batch, Channel, Status

START_US = 1_795_600_800_000_000  # a whole minute
START_S = START_US / 1e6

PLAN = """
title = "Four jars, invented"
target_c = 780
burnout_c = 650

[[probe]]
name = "coals"
channel = "k0"
height_cm = 0
reads = "coals"
zone = "under"

[[probe]]
name = "<b>upper</b> & wall"
channel = "k1"
height_cm = 40
side = "north"
reads = "wall"
zone = "upper"
"""


def make_batch(
    t_us: Sequence[int] | np.ndarray,
    temperature_c: Sequence[Sequence[float]] | np.ndarray,
    *,
    rig: str = "a1",
    names: Sequence[str] = ("k0", "k1"),
    fault: Status = Status.OPEN,
) -> Batch:
    """Plain °C; NaN has the fault as its status."""
    values = np.asarray(temperature_c, np.float64).reshape(len(t_us), len(names))
    t = np.asarray(t_us, np.int64)
    none = np.full_like(values, np.nan)
    return Batch(
        rig=rig,
        channels=tuple(Channel(name, "celsius") for name in names),
        t_us=t,
        seq=np.arange(len(t), dtype=np.int64),
        ms=(t - START_US) // 1000,
        raw=values,
        raw_cj=none,
        temperature_c=values,
        cold_junction_c=none,
        status=np.where(np.isnan(values), np.uint8(fault), np.uint8(Status.OK)),
    )


def open_firing(writer: JournalWriter, plan: str | None = PLAN) -> str:
    return writer.open_firing("Four jars", plan, START_US, invented=True).id


def in_journal(path: Path, firing: str) -> list[list[tuple[float, float]]]:
    """Every reading that is OK, by column, rounded as it is sent."""
    reader = JournalReader(path)
    try:
        traces = reader.readings(firing)
    finally:
        reader.close()
    return [
        [
            (round((t - START_US) / 1e6, 3), round(c, 1))
            for t, c in zip(t_us.tolist(), values.tolist(), strict=True)
            if c == c
        ]
        for t_us, values in zip(traces.t_us, traces.temperature_c, strict=True)
    ]
