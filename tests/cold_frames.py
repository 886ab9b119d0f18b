"""A made-up rig before lighting: everything as warm as the air, and one tip after another held in a hand."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Final

import numpy as np

from logger.errors import UserError
from logger.physics.thermocouple import compensated_temperature_c, emf_uv
from logger.reading import Frame, Status
from logger.rig_line import wire
from logger.simulator.scenario import Scenario
from logger.simulator.wiring import WRAP, sample_of, terminals, wired_plan

HAND_C: Final = 32.0
"""Skin of a hand (common practice, no source). [°C]"""
BOX_ABOVE_C: Final = 2.5
"""How much warmer than the air it is inside the rig's box. [°C]"""


class ColdFrames:
    """Frames of a rig that waits to be lit.

    The scenario sets the probes, their noise and lag, and the air's temperature. Channels may be `swapped`
    (their two wires), `loose`, or too high by `off_c`. Each thermocouple in turn is held in the hand for half
    of `hand_s` [s], over and over; 0 means nobody touches them. UserError if the scenario lacks such a
    channel.
    """

    def __init__(
        self,
        scenario: Scenario,
        rate_hz: float,
        rig: str,
        seq: int = 0,
        ms: int = 0,
        *,
        swapped: Collection[str] = (),
        off_c: Mapping[str, float] | None = None,
        loose: Collection[str] = (),
        hand_s: float = 15.0,
    ) -> None:
        self._scenario = scenario
        self._rate_hz = rate_hz
        self._rig, self._seq, self._ms = rig, seq, ms
        self._terminals = terminals(wired_plan(scenario.plan()))
        self._swapped, self._off_c, self._loose = set(swapped), dict(off_c or {}), set(loose)
        self._hand_s = hand_s
        self._noise = np.random.default_rng([scenario.seed, 9])
        known = set(self._terminals)
        for channel in sorted((self._swapped | set(self._off_c) | self._loose) - known):
            raise UserError(f"{channel}: no such channel; there are {', '.join(sorted(known))}")

    def line(self, index: int) -> bytes:
        """Return one frame's line, with its newline."""
        air_c = self._scenario.ambient_c
        box_c = air_c + BOX_ABOVE_C
        samples = {}
        turn = 0
        for spec, (channel, kind) in zip(self._scenario.probes, self._terminals.items(), strict=True):
            tip_c = air_c
            if spec.probe.letter is not None:
                tip_c += (HAND_C - air_c) * self._warmed(index / self._rate_hz, turn, spec.lag_s)
                turn += 1
            if channel in self._swapped:
                tip_c = float(
                    compensated_temperature_c("K", -(emf_uv("K", tip_c) - emf_uv("K", box_c)), box_c)
                )
            tip_c += spec.bias_c * air_c / 800 + self._off_c.get(channel, 0.0)
            tip_c += float(self._noise.normal(0, spec.noise_c / 2))  # there is more noise in a fire
            status = Status.OPEN if channel in self._loose else Status.OK
            samples[channel] = sample_of(kind, tip_c, status, box_c)
        ms = (self._ms + round(index * 1000 / self._rate_hz)) % WRAP
        return wire.encode(Frame(self._rig, (self._seq + index) % WRAP, ms, samples))

    def _warmed(self, t_s: float, turn: int, lag_s: float) -> float:
        """How much of the hand's warmth a tip has taken up, 0 to 1."""
        if not self._hand_s:
            return 0.0
        since = t_s - self._hand_s * (turn + 0.5)  # time to look at all of them before the first turn
        if since < 0:
            return 0.0
        since %= self._hand_s * (1 + sum(spec.probe.letter is not None for spec in self._scenario.probes))
        held = self._hand_s / 2
        lag_s = min(lag_s, 6.0)  # a gripping hand warms faster than gas does
        taken = 1 - np.exp(-min(since, held) / lag_s)
        return float(taken * np.exp(-max(since - held, 0.0) / lag_s))
