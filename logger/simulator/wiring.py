"""From simulated readings to what a rig with a mix of amplifiers sends, and plain frames for load tests."""

from __future__ import annotations

from typing import Final

import numpy as np

from logger.conversion.amplifiers import AMPLIFIERS, encode_word
from logger.physics.thermocouple import emf_uv
from logger.reading import FaultName, Frame, Sample, Status
from logger.rig_line import wire
from logger.simulator import SimulatedFiring
from logger.simulator.box import terminals

WRAP: Final = 2**32

AFTERGLOW_S: Final = 1200.0


class FiringFrames:
    """Frames of a rig at a simulated fire: frame i is reading i; past the end, what has cooled down."""

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
        """Give the line of one frame."""
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
            terminal.channel: sample_of(terminal.kind, float(t), Status(int(s)), float(cj))
            for terminal, t, s, cj in zip(self._terminals, temperatures, statuses, junctions, strict=True)
        }
        ms = (self._ms + round(index * 1000 / self._rate_hz)) % WRAP
        return wire.encode(Frame(self._rig, (self._seq + index) % WRAP, ms, samples))


def sample_of(kind: str, temperature_c: float, status: Status, junction_c: float) -> Sample:
    """One channel's entry: the chip's word, or whatever that amplifier says of a fault."""
    if kind in AMPLIFIERS:
        chip = AMPLIFIERS[kind]
        if status is not Status.OK and status not in chip.fault_words:
            # A chip shows a fault that it can't name as the nearest one it can.
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


_FAULT_NAMES: Final[dict[Status, FaultName]] = {
    Status.OPEN: "open",
    Status.SHORT_GROUND: "short_ground",
    Status.SHORT_SUPPLY: "short_supply",
    Status.RANGE: "range",
}


def load_value(seq: int, channel: int) -> float:
    """Give the value of a load frame, so that a test can check every one: 20.00 to 919.99 °C.

    It differs for each channel (0 for `k0`) of a frame.
    """
    return 20 + (seq * 7919 + channel * 104_729) % 90_000 / 100


def load_line(rig: str, seq: int, ms: int, channels: int) -> bytes:
    """Give a frame of plain °C for load tests, with channels from k0 on."""
    samples = {f"k{j}": Sample(c=load_value(seq, j)) for j in range(channels)}
    return wire.encode(Frame(rig, seq % WRAP, ms % WRAP, samples))
