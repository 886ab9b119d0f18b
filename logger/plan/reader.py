"""Read a plan from TOML; refusals name the line, what is wrong there and the fix."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from pathlib import Path as File
from typing import Annotated, Any, Final

import msgspec
from msgspec import Meta

from logger.plan.alarm_rules import OBSOLETE, RULES
from logger.plan.lines import MAX_TOML, PlanError, check_size, line_numbers, placed, too_long
from logger.plan.model import MAX_PROBES, AlarmSettings, Clay, Plan, Probe, default_alarms, guess_reads
from logger.plan.sources import decoded_sources
from logger.refusals import Mistake, Path, T, decoded, decoded_each

_SETTINGS: Final = {
    rule.name: msgspec.defstruct(
        rule.name,
        [
            ("enabled", bool, True),
            *(
                (
                    s.name,
                    Annotated[float, Meta(ge=s.minimum, le=s.maximum, extra={"unit": s.unit})],
                    s.default,
                )
                for s in rule.settings
            ),
        ],
        forbid_unknown_fields=True,
    )
    for rule in RULES.values()
}
_PARTS: Final = ("probe", "alarm", "estimate", "source")


def load(path: File) -> Plan:
    """Read a plan file; PlanError if it can't be read or something in it is wrong."""
    try:
        with path.open("rb") as file:
            raw = file.read(4 * MAX_TOML + 1)
        text = raw.decode("utf-8-sig")
    except OSError as exc:
        raise PlanError(f"{path}: {exc.strerror or exc}; check the plan's path") from exc
    except UnicodeDecodeError as exc:
        if exc.start < 4 * MAX_TOML - 4:  # later, a character is only cut off
            raise PlanError(f"{path}: byte {exc.start} is not UTF-8; save the plan as UTF-8 text") from exc
        raise too_long(str(path)) from exc
    return loads(text, source=str(path))


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
    return msgspec.structs.replace(plan, clay=clay, alarms=alarms, probes=probes, sources=sources), wrong


def _probes(tables: Any, wrong: list[Mistake]) -> tuple[Probe, ...]:
    if isinstance(tables, list):  # an empty type: no thermocouple
        tables = [{**t, "type": None} if isinstance(t, dict) and t.get("type") == "" else t for t in tables]
    probes: list[Probe] = []
    names: set[str] = set()
    owners: dict[tuple[str | None, str], str] = {}
    for i, found in decoded_each(Probe, tables, MAX_PROBES, wrong, ("probe",)).items():
        probe = _filled(_plain(found, ("probe", i), wrong), tables[i])
        probes.append(probe)
        owner = owners.setdefault((probe.rig, probe.channel), probe.name)
        for field, what in (
            ("name", _wrong_name(probe.name, names)),
            ("channel", _wrong_channel(probe, owner)),
            ("correction", _wrong_correction(probe.correction)),
        ):
            if what:
                wrong.append(Mistake(("probe", i, field), what))
        names.add(probe.name.casefold())
    return tuple(probes)


def _filled(probe: Probe, table: dict[str, Any]) -> Probe:
    """Fill in from a probe's name what its table leaves out."""
    reads = probe.reads if "reads" in table else guess_reads(probe.name)
    letter = None if "type" not in table and reads == "surface" else probe.letter
    named = {"channel": probe.channel or probe.name, "zone": probe.zone or probe.name}
    return msgspec.structs.replace(probe, reads=reads, letter=letter, **named)


def _wrong_name(name: str, others: set[str]) -> str:
    if name == "time_s":
        return "'time_s' is the time column of CSV files; choose another name"
    return f"{name!r} is already a probe's name; give it another" if name.casefold() in others else ""


def _wrong_channel(probe: Probe, owner: str) -> str:
    if owner == probe.name:
        return ""
    return (
        f"{probe.channel!r} already belongs to probe {owner!r}; "
        "a channel can be only one probe (add 'rig' if two rigs share the name)"
    )


def _wrong_correction(pairs: Sequence[tuple[float, float]]) -> str:
    if len(pairs) == 2 and abs(pairs[0][0] - pairs[1][0]) < 10:
        return "the two readings are less than 10 °C apart; take points further apart"
    for reading, truth in pairs:
        if abs(reading - truth) > 50:
            return f"{reading:g} for {truth:g} °C is a fault, not a correction; fix the probe"
    return ""


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
                alarms[rule] = msgspec.structs.asdict(found)
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
    return msgspec.structs.replace(found, **texts)


def _plain_text(text: str, at: Path, wrong: list[Mistake]) -> str:
    if not text.isprintable():
        wrong.append(Mistake(at, "has a line break or a control character in it; take it out"))
    return text.strip()
