"""Shared by benchmarks of the running program: a hot stack of 16 probes, and a rig that sends it."""

from __future__ import annotations

import os
import threading
import time
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import numpy as np

from logger.plan import Plan, Probe
from logger.reading import Floats, Frame, Sample
from logger.rig_line.wire import encode
from logger.simulator import simulate

PROBES: Final = 16
_ZONES: Final = ("bed", "lower", "windward", "leeward", "middle", "upper")
_READS: Final = ("air", "wall")


def plan_of(probes: int = PROBES) -> Plan:
    """This many probes in up to six zones, one of them the coals; every rule on."""
    zones = _ZONES[: max(2, min(len(_ZONES), probes))]
    placed = []
    for j in range(probes):
        zone = zones[j % len(zones)]
        reads = "coals" if zone == "bed" else _READS[j // len(zones) % 2]
        height_cm = 12.0 * (j % len(zones))
        placed.append(Probe(f"p{j}", f"k{j}", None, height_cm, "centre", reads, zone, "K", None))
    return Plan(title="Benchmark, invented", probes=tuple(placed))


def heat(seconds: float, rate_hz: float, probes: int = PROBES, *, from_s: float = 0.0) -> Floats:
    """Readings (n, probes) of an invented firing, repeated when it is over. [°C]"""
    made_hz = min(rate_hz, 10.0)  # at higher rates the same again, with noise of its own
    firing = simulate(5, rate_hz=made_hz, mishaps="none", probes=12)
    t_s = from_s + np.arange(round(seconds * rate_hz)) / rate_hz
    rows = np.floor(t_s * made_hz + 1e-6).astype(np.int64) % len(firing.t_s)
    sound = np.flatnonzero(np.isfinite(firing.temperature_c).all(axis=0))
    values = firing.temperature_c[rows][:, sound[np.arange(probes) % len(sound)]]
    noise = np.random.default_rng(1).normal(0.0, 0.5, values.shape)
    return np.round(values + noise, 2)


def frame_lines(values: Floats, rate_hz: float, rig: str = "a1") -> list[bytes]:
    """Wire lines of plain °C."""
    return [
        encode(
            Frame(
                rig,
                n,
                round(1000 * n / rate_hz),
                {f"k{j}": Sample(c=c) for j, c in enumerate(row)},
            )
        )
        for n, row in enumerate(values.tolist())
    ]


class Rig(threading.Thread):
    """Sends lines on an absolute schedule, and notes when each was handed over.

    Parameters
    ----------
    end : int
        Descriptor to write to.
    lines : list of bytes
    rate_hz : float
    """

    def __init__(self, end: int, lines: list[bytes], rate_hz: float) -> None:
        super().__init__(daemon=True)
        self.sent_s: list[float] = []
        self.stop = threading.Event()
        self._end, self._lines, self._rate_hz = end, lines, rate_hz

    def run(self) -> None:
        begun_s = time.monotonic()
        for n, line in enumerate(self._lines):
            if self.stop.wait(max(0.0, begun_s + n / self._rate_hz - time.monotonic())):
                return
            self.sent_s.append(time.time())
            os.write(self._end, line)


@contextmanager
def rig(link: Path, lines: list[bytes], rate_hz: float) -> Iterator[Rig]:
    """A rig behind a link to a pseudo-terminal."""
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    link.symlink_to(os.ttyname(theirs))
    sending = Rig(ours, lines, rate_hz)
    sending.start()
    try:
        yield sending
    finally:
        sending.stop.set()
        sending.join(5)
        link.unlink()
        os.close(ours)
        os.close(theirs)
