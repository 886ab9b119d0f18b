"""All that is decided before lighting: probes, zones, targets, alarm settings."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field, fields, replace
from typing import Any, Final, Literal

import tomli_w

from logger.plan.alarm_rules import RULES
from logger.plan.sources import PlanSource, source_table

Reads = Literal["coals", "air", "wall", "surface"]
AlarmSettings = dict[str, dict[str, float | bool]]

LETTERS: Final = ("B", "E", "J", "K", "N", "R", "S", "T")
COOL_C: Final = 100.0
"""Cool enough to uncover and to lift out with gloves: common practice, no source. [°C]"""

MAX_PROBES: Final = 64
MAX_NAME: Final = 64

# Words in a probe's name that tell what it reads, for rigs and files that come without a plan.
_READS_WORDS: Final[tuple[tuple[Reads, str], ...]] = (
    ("surface", r"ir\d*|infrared|surface|gun|pyrometer"),
    ("coals", r"coals?|under|beneath|below|bed|embers?|hearth"),
    ("wall", r"walls?|pots?|jars?|bases?|belly|neck|sherds?"),
)


@dataclass(frozen=True, slots=True)
class Probe:
    """A channel put in a place."""

    name: str  # the column in a CSV file; the trace's label
    channel: str
    rig: str | None = None  # the rig, where several have a channel of that name; None: any
    height_cm: float | None = None  # above the coal bed; None where nobody said. [cm]
    side: str = ""  # free text
    # 'coals' | 'air' | 'wall' | 'surface'; what it reads; `wall` touches a pot, `surface` is infrared
    reads: Reads = "air"
    zone: str = ""  # the part of the stack it belongs to
    letter: str | None = "K"  # thermocouple letter type; None where there is no thermocouple
    # the channel whose cold junction stands in for one that the amplifier does not send
    cold_junction: str | None = None
    tolerance_class: int = 2  # IEC 60584-1 tolerance class of the thermocouple, 1 to 3
    # None, one or two pairs of (reading, truth) from a calibration. [°C]
    correction: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Clay:
    """What is known of the pots for the estimate of their own temperature: the plan's `[estimate]`."""

    wall_mm: float | None = None  # thickness of the pots' walls; None where nobody measured it. [mm]
    zones: tuple[str, ...] = ()  # zones without a probe, of which spot readings are taken


def default_alarms() -> AlarmSettings:
    """Every rule with every setting at its default; `enabled` is true for all."""
    return {
        rule.name: {"enabled": True, **{s.name: s.default for s in rule.settings}} for rule in RULES.values()
    }


@dataclass(frozen=True, slots=True)
class Plan:
    """What is decided before lighting."""

    title: str = ""
    target_c: float = 780.0  # every zone should reach it. [°C]
    burnout_c: float = 650.0  # carbon burns off the clay above it. [°C]
    soak_min: float = 10.0  # minutes a zone should stay at or above the target. [min]
    probes: tuple[Probe, ...] = ()
    alarms: AlarmSettings = field(default_factory=default_alarms)  # complete: every rule, every setting
    clay: Clay = Clay()
    cool_c: float = COOL_C  # cool enough to uncover: the forecast says when that will be. [°C]
    sources: tuple[PlanSource, ...] = ()  # rigs that don't speak the rig's line

    @property
    def zones(self) -> tuple[str, ...]:
        """Zones in order of appearance."""
        return tuple(dict.fromkeys(p.zone for p in self.probes))

    def for_channels(self, seen: Sequence[tuple[str, str]]) -> Plan:
        """Add a probe for each channel that was seen where this only sets targets and alarms."""
        return self if self.probes else replace(self, probes=assign_probes(None, seen))

    def dumps(self) -> str:
        """Write the plan as TOML, which `loads` reads again; alarm settings only where they were changed."""
        doc: dict[str, Any] = {
            "title": self.title,
            "target_c": self.target_c,
            "burnout_c": self.burnout_c,
            "soak_min": self.soak_min,
        }
        if self.cool_c != COOL_C:
            doc["cool_c"] = self.cool_c
        if estimate := {k: v for k, v in asdict(self.clay).items() if v}:
            doc["estimate"] = estimate
        if self.probes:
            doc["probe"] = [_probe_table(p) for p in self.probes]
        if self.sources:
            doc["source"] = [source_table(source) for source in self.sources]
        defaults = default_alarms()
        changed = {
            rule: {k: v for k, v in settings.items() if v != defaults[rule][k]}
            for rule, settings in self.alarms.items()
        }
        for rule, table in changed.items():
            table.update({s.name: self.alarms[rule][s.name] for s in RULES[rule].settings if s.like in table})
        if any(changed.values()):
            doc["alarm"] = {rule: table for rule, table in changed.items() if table}
        return tomli_w.dumps(doc)


def probe_for_channel(channel: str, *, name: str | None = None, rig: str | None = None) -> Probe:
    """Make the probe for a channel that no plan names."""
    name = name or channel
    reads = guess_reads(name)
    letter = None if reads == "surface" else "K"
    return Probe(name=name, channel=channel, rig=rig, reads=reads, zone=name, letter=letter)


def assign_probes(plan: Plan | None, seen: Sequence[tuple[str, str]]) -> tuple[Probe, ...]:
    """Say which probe each channel is, the same way for the logger, the archive and the page.

    Channels come as (rig, channel) in order of first appearance. One that the plan doesn't name gets a probe
    of its own name, with the rig's name in front where that is taken.
    """
    free = list(plan.probes) if plan else []
    names = {p.name.casefold() for p in free}
    assigned: list[Probe] = []
    for rig, channel in seen:
        planned = next((p for p in free if p.channel == channel and p.rig in (None, rig)), None)
        if planned is not None:
            free.remove(planned)
            assigned.append(planned)
            continue
        name = channel if channel.casefold() not in names else f"{rig} {channel}"
        names.add(name.casefold())
        assigned.append(probe_for_channel(channel, name=name, rig=rig))
    return tuple(assigned)


def guess_reads(name: str) -> Reads:
    """Guess what a probe reads from words in its name: `air` where no word tells."""
    for reads, words in _READS_WORDS:
        if re.search(rf"(?<![a-z])(?:{words})(?![a-z])", name.lower()):
            return reads
    return "air"


_ALWAYS: Final = ("name", "channel", "side", "reads", "zone", "letter")
"""What a probe's table says even where it is the usual: a missing type means K, so none must be said."""


def _probe_table(probe: Probe) -> dict[str, Any]:
    table: dict[str, Any] = {}
    for known in fields(probe):
        value = getattr(probe, known.name)
        if known.name in _ALWAYS or value != known.default:
            table["type" if known.name == "letter" else known.name] = "" if value is None else value
    return table
