"""Everything decided before lighting: TOML in and out, refusals with line numbers.

The alarm rules with their settings, the sources and the folder of plans have their own modules.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Container, Iterator, Sequence
from pathlib import Path as File
from typing import Annotated, Any, Final, Literal, get_args

import msgspec
import tomli_w
from msgspec import Meta
from msgspec.structs import asdict, replace

from logger.plan.alarm_rules import OBSOLETE, RULES, Rule
from logger.plan.lines import MAX_TOML as MAX_TOML
from logger.plan.lines import PlanError as PlanError
from logger.plan.lines import check_size, line_numbers, placed, too_long
from logger.plan.sources import PlanSource, decoded_sources
from logger.refusals import Mistake, Path, T, decoded, decoded_each

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


def _settings(rule: Rule) -> type[msgspec.Struct]:
    """Make the type of a rule's table."""
    ranges = (
        Annotated[float, Meta(ge=s.minimum, le=s.maximum, extra={"unit": s.unit})] for s in rule.settings
    )
    numbers = [(s.name, each, s.default) for s, each in zip(rule.settings, ranges, strict=True)]
    return msgspec.defstruct(rule.name, [("enabled", bool, True), *numbers], forbid_unknown_fields=True)


_SETTINGS: Final = {name: _settings(rule) for name, rule in RULES.items()}


def default_alarms() -> AlarmSettings:
    """Every rule, enabled, with every setting at its default."""
    return {name: asdict(settings()) for name, settings in _SETTINGS.items()}


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
        return self if self.probes else replace(self, probes=assign_probes(None, seen))

    def dumps(self) -> str:
        """Write the plan as TOML that `loads` reads back, with only the alarm settings that were changed."""
        doc = msgspec.to_builtins(self) | {
            "probe": [p.table() for p in self.probes],
            "alarm": self.changed_alarms(),
        }
        if self.cool_c == COOL_C:
            del doc["cool_c"]
        return tomli_w.dumps({key: value for key, value in doc.items() if value or key in _ALWAYS})

    def changed_alarms(self) -> AlarmSettings:
        """Return the alarm settings that aren't the usual ones, with those that follow them."""
        defaults, changed = default_alarms(), {}
        for rule, settings in self.alarms.items():
            table = {k: v for k, v in settings.items() if v != defaults[rule][k]}
            table |= {s.name: settings[s.name] for s in RULES[rule].settings if s.like in table}
            if table:
                changed[rule] = table
        return changed


_ALWAYS: Final = ("title", "target_c", "burnout_c", "soak_min")


def probe_for_channel(channel: str, *, name: str = "", rig: str | None = None) -> Probe:
    """Make the probe for a channel that no plan names."""
    return _filled(Probe(name or channel, channel, rig), ())


def _filled(probe: Probe, given: Container[str]) -> Probe:
    """Fill in from a probe's name what isn't among the keys given."""
    reads = probe.reads if "reads" in given else guess_reads(probe.name)
    letter = None if "type" not in given and reads == "surface" else probe.letter
    named = {"channel": probe.channel or probe.name, "zone": probe.zone or probe.name}
    return replace(probe, reads=reads, letter=letter, **named)


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


_PARTS: Final = ("probe", "alarm", "estimate", "source")


def load(path: File) -> Plan:
    """Read a plan file; PlanError if it can't be read or something in it is wrong."""
    try:
        with path.open("rb") as file:
            raw = file.read(4 * MAX_TOML + 1)
        if len(raw) > 4 * MAX_TOML:
            raise too_long(str(path))
        return loads(raw.decode("utf-8-sig"), source=str(path))
    except OSError as exc:
        raise PlanError(f"{path}: {exc.strerror or exc}; check the plan's path") from exc
    except UnicodeDecodeError as exc:
        raise PlanError(f"{path}: byte {exc.start} is not UTF-8; save the plan as UTF-8 text") from exc


def loads(text: str, source: str = "plan", *, stored: bool = False) -> Plan:
    """Read a plan from TOML text; PlanError names `source`, the line, what is wrong there and the fix.

    `stored`: a firing's own plan, perhaps from an older version; what plans could say then is no mistake.
    """
    check_size(text, source)
    try:
        doc = tomllib.loads(text)
    except tomllib.TOMLDecodeError as exc:
        raise PlanError(f"{source}: not valid TOML: {str(exc)[:300]}") from exc
    except RecursionError as exc:
        raise PlanError(f"{source}: nested too deep to be a plan") from exc
    except ValueError as exc:  # Python refuses integers of more than 4300 digits
        raise PlanError(f"{source}: a number with thousands of digits; no setting needs that") from exc
    if stored and isinstance(doc.get("estimate"), dict):
        doc["estimate"].pop("judge_on", None)
    plan, wrong = _read(doc)
    if wrong:
        lines = line_numbers(text)
        raise min((placed(mistake, source, lines) for mistake in wrong), key=lambda exc: exc.line)
    return plan


def from_document(doc: dict[str, Any]) -> Plan:
    """Read a plan from tables sent by a page."""
    plan, wrong = _read(doc)
    for mistake in wrong:
        raise placed(mistake)
    return plan


def mistakes(doc: dict[str, Any]) -> list[PlanError]:
    """Find everything wrong with a plan's tables."""
    return [placed(mistake) for mistake in _read(doc)[1]]


def _read(doc: dict[str, Any]) -> tuple[Plan, list[Mistake]]:
    """Decode a plan part by part; return it with everything that is wrong with it."""
    wrong: list[Mistake] = []
    head = {key: value for key, value in doc.items() if key not in _PARTS}
    plan = _plain(decoded(Plan, head, wrong) or Plan(), (), wrong)
    if plan.burnout_c > plan.target_c:
        above = f"{plan.burnout_c:g} °C is above target_c ({plan.target_c:g} °C); lower it"
        wrong.append(Mistake(("burnout_c",), above))
    clay = _clay(doc.get("estimate", {}), wrong)
    alarms = _alarms(doc.get("alarm", {}), wrong)
    probes = _probes(doc.get("probe", []), wrong)
    sources = decoded_sources(doc.get("source", []), wrong)
    return replace(plan, clay=clay, alarms=alarms, probes=probes, sources=sources), wrong


def _probes(tables: Any, wrong: list[Mistake]) -> tuple[Probe, ...]:
    if isinstance(tables, list):  # an empty type: no thermocouple
        tables = [{**t, "type": None} if isinstance(t, dict) and t.get("type") == "" else t for t in tables]
    probes: list[Probe] = []
    for i, found in decoded_each(Probe, tables, MAX_PROBES, wrong, ("probe",)).items():
        probe = _filled(_plain(found, ("probe", i), wrong), tables[i])
        wrong += [Mistake(("probe", i, field), what) for field, what in _wrong_with(probe, probes)]
        probes.append(probe)
    return tuple(probes)


def _wrong_with(probe: Probe, before: Sequence[Probe]) -> Iterator[tuple[str, str]]:
    """What is wrong with a probe beside those before it: the field, and why."""
    if probe.name == "time_s":
        yield "name", "'time_s' is the time column of CSV files; choose another name"
    elif any(probe.name.casefold() == other.name.casefold() for other in before):
        yield "name", f"{probe.name!r} is already a probe's name; give it another"
    owner = next((o.name for o in before if (o.rig, o.channel) == (probe.rig, probe.channel)), probe.name)
    if owner != probe.name:
        what = f"{probe.channel!r} already belongs to probe {owner!r}; a channel can be only one probe"
        yield "channel", f"{what} (add 'rig' if two rigs share the name)"
    pairs = probe.correction
    if len(pairs) == 2 and abs(pairs[0][0] - pairs[1][0]) < 10:
        yield "correction", "the two readings are less than 10 °C apart; take points further apart"
    elif far := next((pair for pair in pairs if abs(pair[0] - pair[1]) > 50), None):
        yield "correction", f"{far[0]:g} for {far[1]:g} °C is a fault, not a correction; fix the probe"


def _clay(table: object, wrong: list[Mistake]) -> Clay:
    at = ("estimate",)
    if not isinstance(table, dict):
        wrong.append(Mistake(at, "must be a table; write [estimate] above its settings"))
        return Clay()
    if table.get("judge_on", "probes") != "probes":
        why = (
            "zones are judged by their probes; on fires it was not made for, the estimate was no better"
            " than probes on walls, so nothing is judged by it. Take this line out"
        )
        wrong.append(Mistake((*at, "judge_on"), why))
    clay = decoded(Clay, {k: v for k, v in table.items() if k != "judge_on"}, wrong, at) or Clay()
    zones = dict.fromkeys(_plain_text(zone, (*at, "zones", i), wrong) for i, zone in enumerate(clay.zones))
    return Clay(clay.wall_mm, tuple(zones))


def _alarms(tables: object, wrong: list[Mistake]) -> AlarmSettings:
    alarms = default_alarms()
    if not isinstance(tables, dict):
        wrong.append(Mistake(("alarm",), "must be tables; write [alarm.RULE] above a rule's settings"))
        return alarms
    for rule, table in tables.items():
        at = ("alarm", rule)
        if rule not in RULES:
            wrong.append(Mistake(at, f"no such rule; the rules are {', '.join(RULES)}"))
        elif not isinstance(table, dict):
            wrong.append(Mistake(at, f"must be a table; write [alarm.{rule}] above its settings"))
        else:
            # Plans of earlier firings may still have settings that rules no longer use.
            given = {key: value for key, value in table.items() if key not in OBSOLETE.get(rule, ())}
            if (found := decoded(_SETTINGS[rule], given, wrong, at)) is not None:
                alarms[rule] = asdict(found)
                like = {s.name: alarms[rule][s.like] for s in RULES[rule].settings if s.like in given}
                alarms[rule] |= {name: value for name, value in like.items() if name not in given}
    return alarms


def _plain(found: T, at: Path, wrong: list[Mistake]) -> T:
    """Strip a table's texts, each of which must be one printable line."""
    fields = zip(found.__struct_fields__, found.__struct_encode_fields__, strict=True)
    texts = {
        field: _plain_text(text, (*at, key), wrong)
        for field, key in fields
        if isinstance(text := getattr(found, field), str)
    }
    return replace(found, **texts)


def _plain_text(text: str, at: Path, wrong: list[Mistake]) -> str:
    if not text.isprintable():
        wrong.append(Mistake(at, "has a line break or a control character in it; take it out"))
    return text.strip()
