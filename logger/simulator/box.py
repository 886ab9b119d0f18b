"""What the simulated rig's box holds: a mix of amplifiers, one behind each channel."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

from logger.conversion.amplifiers import AMPLIFIERS
from logger.plan import Plan, Probe

# The amplifier of each thermocouple in turn; `uv` and `c` are channels without a chip's word.
BOX: Final = ("max31855", "max31856", "mcp9600", "max31855", "max6675", "uv", "max31856", "c")


@dataclass(frozen=True, slots=True)
class Terminal:
    """One channel of the rig and what sits behind it: a chip, `uv` or `c`."""

    channel: str
    kind: str


def terminals(plan: Plan) -> tuple[Terminal, ...]:
    """Say what sits behind each probe's channel; behind infrared ones an MLX90614."""
    found = []
    thermocouples = 0
    for probe in plan.probes:
        if probe.reads == "surface":
            found.append(Terminal(probe.channel, "mlx90614"))
        else:
            found.append(Terminal(probe.channel, BOX[thermocouples % len(BOX)]))
            thermocouples += 1
    return tuple(found)


def wired_plan(plan: Plan) -> Plan:
    """Name a cold junction for each channel whose chip sends none: that of the first whose chip does."""
    wired = terminals(plan)
    source = next(t.channel for t in wired if t.kind in AMPLIFIERS and AMPLIFIERS[t.kind].sends_cold_junction)

    def wire_up(probe: Probe, terminal: Terminal) -> Probe:
        return replace(probe, cold_junction=source) if terminal.kind == "max6675" else probe

    return replace(plan, probes=tuple(wire_up(p, t) for p, t in zip(plan.probes, wired, strict=True)))
