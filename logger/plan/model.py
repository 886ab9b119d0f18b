"""Everything decided before lighting: probes, zones, targets, alarm settings."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Annotated, Any, Final, Literal, get_args

import msgspec
import tomli_w
from msgspec import Meta

from logger.plan.alarm_rules import RULES
from logger.plan.sources import PlanSource

Reads = Literal["coals", "air", "wall", "surface"]
Letter = Literal["B", "E", "J", "K", "N", "R", "S", "T"]
AlarmSettings = dict[str, dict[str, float | bool]]

LETTERS: Final[tuple[Letter, ...]] = get_args(Letter)
COOL_C: Final = 100.0
"""Cool enough to uncover and lift out with gloves: common practice, no source. [°C]"""

MAX_PROBES: Final = 64
MAX_NAME: Final = 64

Name = Annotated[str, Meta(max_length=MAX_NAME, pattern=r"\S")]
_Goal = Annotated[float, Meta(ge=100, le=1400, extra={"unit": "°C"})]
_Reading = Annotated[float, Meta(ge=-1e4, le=1e4)]
_PAIRS: Final = "one or two pairs of [reading, truth] in °C, such as [[1.5, 0.0], [101.0, 99.2]]"

# Words in a probe's name that show what it reads, for rigs and files without a plan.
_READS_WORDS: Final[tuple[tuple[Reads, str], ...]] = (
    ("surface", r"ir\d*|infrared|surface|gun|pyrometer"),
    ("coals", r"coals?|under|beneath|below|bed|embers?|hearth"),
    ("wall", r"walls?|pots?|jars?|bases?|belly|neck|sherds?"),
)


class Probe(
    msgspec.Struct, frozen=True, forbid_unknown_fields=True, omit_defaults=True, rename={"letter": "type"}
):
    """A channel put in a place: a `[[probe]]` of the plan."""

    name: Name  # the column in a CSV file; the trace's label
    channel: Name = ""  # default: the name
    rig: Name | None = None  # which rig, where several have a channel of that name; None: any
    # above the coal bed; None if unknown [cm]
    height_cm: Annotated[float, Meta(ge=-200, le=1000, extra={"unit": "cm"})] | None = None
    side: Annotated[str, Meta(max_length=MAX_NAME)] = ""  # free text
    reads: Reads = "air"  # `wall` touches a pot, `surface` is infrared
    zone: Name = ""  # the part of the stack it belongs to
    letter: Letter | None = "K"  # thermocouple letter type; None if it is no thermocouple
    # the channel whose cold junction is used where the amplifier sends none
    cold_junction: Name | None = None
    tolerance_class: Literal[1, 2, 3] = 2  # IEC 60584-1 tolerance class of the thermocouple
    # no, one or two pairs of (reading, truth) from a calibration [°C]
    correction: Annotated[
        tuple[tuple[_Reading, _Reading], ...], Meta(max_length=2, extra={"give": _PAIRS})
    ] = ()

    def table(self) -> dict[str, Any]:
        """Return its TOML table; the type is always written, as leaving it out means K."""
        return dict(msgspec.to_builtins(self)) | {
            "reads": self.reads,
            "zone": self.zone,
            "type": self.letter or "",
        }


class Clay(msgspec.Struct, frozen=True, forbid_unknown_fields=True, omit_defaults=True):
    """What is known about the pots, for estimating their own temperature: the plan's `[estimate]`."""

    # thickness of the pots' walls; None if nobody measured it [mm]
    wall_mm: Annotated[float, Meta(ge=2, le=50, extra={"unit": "mm"})] | None = None
    # zones without a probe where gun readings are taken
    zones: Annotated[tuple[Name, ...], Meta(max_length=MAX_PROBES)] = ()


def default_alarms() -> AlarmSettings:
    """Every rule, enabled, with every setting at its default."""
    return {
        rule.name: {"enabled": True, **{s.name: s.default for s in rule.settings}} for rule in RULES.values()
    }


class Plan(
    msgspec.Struct,
    frozen=True,
    forbid_unknown_fields=True,
    rename={"probes": "probe", "alarms": "alarm", "clay": "estimate", "sources": "source"},
):
    """What is decided before lighting."""

    title: Annotated[str, Meta(max_length=200)] = ""
    target_c: _Goal = 780.0  # every zone should reach it [°C]
    burnout_c: _Goal = 650.0  # carbon burns off the clay above it [°C]
    # how long a zone should stay at or above the target [min]
    soak_min: Annotated[float, Meta(ge=0, le=600, extra={"unit": "min"})] = 10.0
    probes: tuple[Probe, ...] = ()
    alarms: AlarmSettings = msgspec.field(default_factory=default_alarms)  # complete: every rule and setting
    clay: Clay = Clay()
    # cool enough to uncover; the forecast says when that will be [°C]
    cool_c: Annotated[float, Meta(ge=40, le=600, extra={"unit": "°C"})] = COOL_C
    sources: tuple[PlanSource, ...] = ()  # rigs that don't speak the rig's line

    @property
    def zones(self) -> tuple[str, ...]:
        """Zones in order of appearance."""
        return tuple(dict.fromkeys(p.zone for p in self.probes))

    def for_channels(self, seen: Sequence[tuple[str, str]]) -> Plan:
        """Add a probe for each channel seen if this plan has none, only targets and alarms."""
        return self if self.probes else msgspec.structs.replace(self, probes=assign_probes(None, seen))

    def dumps(self) -> str:
        """Write the plan as TOML that `loads` reads back, with only the alarm settings that were changed."""
        doc = msgspec.to_builtins(self) | {
            "probe": [p.table() for p in self.probes],
            "alarm": self._changed(),
        }
        if self.cool_c == COOL_C:
            del doc["cool_c"]
        return tomli_w.dumps({key: value for key, value in doc.items() if value or key in _ALWAYS})

    def _changed(self) -> AlarmSettings:
        defaults, changed = default_alarms(), {}
        for rule, settings in self.alarms.items():
            table = {k: v for k, v in settings.items() if v != defaults[rule][k]}
            table |= {s.name: settings[s.name] for s in RULES[rule].settings if s.like in table}
            if table:
                changed[rule] = table
        return changed


_ALWAYS: Final = ("title", "target_c", "burnout_c", "soak_min")


def probe_for_channel(channel: str, *, name: str | None = None, rig: str | None = None) -> Probe:
    """Make the probe for a channel that no plan names."""
    name = name or channel
    reads = guess_reads(name)
    own = Probe(name=name, channel=channel, rig=rig, reads=reads, zone=name)
    return msgspec.structs.replace(own, letter=None) if reads == "surface" else own


def assign_probes(plan: Plan | None, seen: Sequence[tuple[str, str]]) -> tuple[Probe, ...]:
    """Say which probe each channel is, the same way for the logger, the archive and the page.

    Channels come as (rig, channel) in order of first appearance. One that no plan names becomes a probe of
    its own name, with the rig's name in front if that is taken.
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
    """Guess what a probe reads from words in its name; `air` if none helps."""
    for reads, words in _READS_WORDS:
        if re.search(rf"(?<![a-z])(?:{words})(?![a-z])", name.lower()):
            return reads
    return "air"
