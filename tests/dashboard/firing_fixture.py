"""An invented firing, written into a journal piece by piece."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from logger.journal.writer import JournalWriter
from logger.plan import Plan, Probe
from logger.reading import Batch, Channel, Status

START_US = 1_795_600_800_000_000


class SmallFire:
    """k probes that climb 30 °C a minute."""

    def __init__(self, path: Path, k: int = 16, hz: float = 10.0) -> None:
        self.k, self.hz = k, hz
        self.writer = JournalWriter(path)
        self.plan = Plan(
            title="Sixteen places, invented",
            probes=tuple(Probe(f"p{j}", f"k{j}", height_cm=3.0 * j, reads="air", zone="z") for j in range(k)),
        )
        self.id = ""
        self.n = 0

    def light(self) -> str:
        self.id = self.writer.open_firing(self.plan.title, self.plan.dumps(), START_US, invented=True).id
        return self.id

    def burn(self, frames: int, *, skip: int = 0, status: Status = Status.OK) -> None:
        self.n += skip
        at = np.arange(self.n, self.n + frames)
        self.n += frames
        t_us = START_US + np.round(at * 1e6 / self.hz).astype(np.int64)
        values = 20 + 30 * at[:, None] / self.hz / 60 + np.arange(self.k)
        if status != Status.OK:
            values = np.full_like(values, np.nan)
        nothing = np.full_like(values, np.nan)
        self.writer.append(
            self.id,
            Batch(
                rig="a1",
                channels=tuple(Channel(f"k{j}", "celsius") for j in range(self.k)),
                t_us=t_us,
                seq=at,
                ms=at * 100,
                raw=values,
                raw_cj=nothing,
                temperature_c=values,
                cold_junction_c=nothing,
                status=np.full(values.shape, status, np.uint8),
            ),
        )

    def beat(self, wall_s: float, **more: object) -> None:
        at_us = START_US + round(self.n * 1e6 / self.hz)
        self.writer.heartbeat({"pid": 1, "at_us": at_us, "wall_s": wall_s, "time_scale": 1.0, **more})
