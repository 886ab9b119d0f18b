"""Turn simulated readings into what a rig with a mix of amplifiers sends."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, Final

import numpy as np
from msgspec.structs import replace

from logger.conversion.amplifiers import AMPLIFIERS, encode_word
from logger.physics.thermocouple import emf_uv
from logger.plan import Plan
from logger.reading import FAULTS, Frame, Sample, Status
from logger.rig_line import wire

if TYPE_CHECKING:
    from logger.simulator import SimulatedFiring

WRAP: Final = 2**32

# Each thermocouple's amplifier in turn; `uv` and `c` are channels without a chip's word.
BOX: Final = ("max31855", "max31856", "mcp9600", "max31855", "max6675", "uv", "max31856", "c")


def terminals(plan: Plan) -> dict[str, str]:
    """What is on each channel: a chip, `uv` or `c`; on infrared ones an MLX90614."""
    box = itertools.cycle(BOX)
    return {p.channel: "mlx90614" if p.reads == "surface" else next(box) for p in plan.probes}


def wired_plan(plan: Plan) -> Plan:
    """For each channel whose chip sends no cold junction, name the first one whose chip does."""
    wired = terminals(plan)
    source = next(
        c for c, kind in wired.items() if kind in AMPLIFIERS and AMPLIFIERS[kind].junction is not None
    )
    probes = (replace(p, cold_junction=source) if wired[p.channel] == "max6675" else p for p in plan.probes)
    return replace(plan, probes=tuple(probes))


AFTERGLOW_S: Final = 1200.0


class FiringFrames:
    """Frames of a rig at a simulated fire: frame i is reading i; past the end, the fire cools down."""

    def __init__(self, firing: SimulatedFiring, rate_hz: float, rig: str, seq: int = 0, ms: int = 0) -> None:
        self._firing = firing
        self._rate_hz = rate_hz
        self._rig, self._seq, self._ms = rig, seq, ms
        self._terminals = terminals(firing.plan)
        self._noise = np.random.default_rng([firing.truth["seed"], 5])
        good = ~np.isnan(firing.temperature_c)
        last = np.where(good.any(axis=0), len(good) - 1 - good[::-1].argmax(axis=0), 0)
        self._last_c = np.nan_to_num(firing.temperature_c[last, range(len(last))], nan=20.0)
        self._ambient_c = float(firing.truth["ambient_c"])

    def line(self, index: int) -> bytes:
        """Encode one frame's line."""
        firing = self._firing
        n = len(firing.t_s)
        if index < n:
            temperatures = firing.temperature_c[index]
            statuses = firing.status[index]
            junctions = firing.cold_junction_c[index]
        else:
            fade = np.exp(-(index - n + 1) / self._rate_hz / AFTERGLOW_S)
            noise = self._noise.normal(0, 0.3, len(self._last_c))
            temperatures = self._ambient_c + (self._last_c - self._ambient_c) * fade + noise
            statuses = np.zeros(len(self._last_c), dtype=np.uint8)
            junctions = np.full(len(self._last_c), self._ambient_c + 3)
        samples = {
            channel: sample_of(kind, float(t), Status(int(s)), float(cj))
            for (channel, kind), t, s, cj in zip(
                self._terminals.items(), temperatures, statuses, junctions, strict=True
            )
        }
        ms = (self._ms + round(index * 1000 / self._rate_hz)) % WRAP
        return wire.encode(Frame(self._rig, (self._seq + index) % WRAP, ms, samples))


def sample_of(kind: str, temperature_c: float, status: Status, junction_c: float) -> Sample:
    """One channel's entry: the chip's word, or how its amplifier reports a fault."""
    if kind in AMPLIFIERS:
        chip = AMPLIFIERS[kind]
        if status is not Status.OK and status not in chip.fault_words:
            # A chip reports a fault it doesn't know as the nearest one it does.
            status = Status.OPEN if Status.OPEN in chip.fault_words else Status.RANGE
        ok = status is Status.OK
        word = encode_word(kind, temperature_c if ok else 0.0, junction_c if ok else 25.0, "K", status)
        return Sample(amp=kind, raw=f"{word:0{2 * chip.word_bytes}x}")
    if status is not Status.OK:
        return Sample(fault=_FAULT_NAMES[status])
    if kind == "uv":
        emf = float(emf_uv("K", temperature_c)) - float(emf_uv("K", junction_c))
        return Sample(uv=round(emf, 1), cj=round(junction_c, 2))
    return Sample(c=round(temperature_c, 2))


_FAULT_NAMES: Final = {status: name for name, status in FAULTS.items()}
