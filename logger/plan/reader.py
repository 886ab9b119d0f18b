"""A plan from TOML: refusals name the line, what is wrong there and the fix."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from pathlib import Path
from typing import Any, TypeGuard, cast, get_args

from logger.errors import shortened
from logger.plan.alarm_rules import OBSOLETE, RULES
from logger.plan.lines import MAX_TOML, Place, PlanError, TooLong, check_size, dotted, line_numbers
from logger.plan.model import (
    COOL_C,
    LETTERS,
    MAX_NAME,
    MAX_PROBES,
    AlarmSettings,
    Clay,
    Plan,
    Probe,
    Reads,
    default_alarms,
    guess_reads,
)
from logger.plan.sources import PlanSource, SourceMistake, read_sources


def load(path: Path) -> Plan:
    """Read a plan file; PlanError where it can't be read, or something in it is wrong."""
    try:
        with path.open("rb") as file:
            raw = file.read(4 * MAX_TOML + 1)
        text = raw.decode("utf-8-sig")
    except OSError as exc:
        raise PlanError(f"{path}: {exc.strerror or exc}; check the path of the plan") from exc
    except UnicodeDecodeError as exc:
        if exc.start < 4 * MAX_TOML - 4:  # else it is only cut off there
            raise PlanError(f"{path}: byte {exc.start} is not UTF-8; save the plan as UTF-8 text") from exc
        raise TooLong(str(path)) from exc
    return loads(text, source=str(path))


def loads(text: str, source: str = "plan", *, stored: bool = False) -> Plan:
    """Read a plan from TOML text; PlanError names `source`, the line, what is wrong there and the fix.

    `stored`: a firing's own, perhaps of an older version; what plans could say then is no mistake.
    """
    check_size(text, source)
    try:
        doc = tomllib.loads(text)
    except tomllib.TOMLDecodeError as exc:
        raise PlanError(f"{source}: not valid TOML: {str(exc)[:300]}") from exc
    except RecursionError as exc:
        raise PlanError(f"{source}: nested too deep to be a plan") from exc
    except ValueError as exc:  # Python reads no integer of more than 4300 digits
        raise PlanError(f"{source}: a number with thousands of digits; no setting needs them") from exc
    if stored and isinstance(doc.get("estimate"), dict):
        doc["estimate"].pop("judge_on", None)
    return _Reader(source, line_numbers(text)).plan(doc)


def from_document(doc: dict[str, Any]) -> Plan:
    """Read a plan from tables that are not a file's: what a page sends."""
    return _Reader("plan", {}).plan(doc)


class _Reader:
    """Checks a parsed TOML document against what a plan may say."""

    def __init__(self, source: str, lines: dict[Place, int]) -> None:
        self._source = source
        self._lines = lines

    def error(self, path: Place, what: str) -> PlanError:
        path = tuple(part if isinstance(part, int) else part[:MAX_NAME] for part in path)
        at = path
        while at and at not in self._lines:
            at = at[:-1]
        line = f" line {self._lines[at]}" if at in self._lines else ""
        field = ".".join(map(str, path)) or None
        return PlanError(f"{self._source}{line}: {dotted(path)}: {what}", field, what)

    def plan(self, doc: dict[str, Any]) -> Plan:
        self._known_keys(
            (),
            doc,
            ("title", "target_c", "burnout_c", "soak_min", "cool_c", "estimate", "probe", "alarm", "source"),
        )
        plan = Plan(
            title=self._text((), doc, "title", "", empty=True, longest=200),
            target_c=self._number((), doc, "target_c", 780.0, 100, 1400, "°C"),
            burnout_c=self._number((), doc, "burnout_c", 650.0, 100, 1400, "°C"),
            soak_min=self._number((), doc, "soak_min", 10.0, 0, 600, "min"),
            probes=self._probes(doc),
            alarms=self._alarms(doc),
            clay=self._clay(doc),
            cool_c=self._number((), doc, "cool_c", COOL_C, 40, 600, "°C"),
            sources=self._sources(doc),
        )
        if plan.burnout_c > plan.target_c:
            raise self.error(
                ("burnout_c",), f"{plan.burnout_c:g} °C is above target_c ({plan.target_c:g} °C); lower it"
            )
        return plan

    def _sources(self, doc: dict[str, Any]) -> tuple[PlanSource, ...]:
        try:
            return read_sources(doc.get("source", []))
        except SourceMistake as exc:
            raise self.error(exc.path, exc.what) from exc

    def _probes(self, doc: dict[str, Any]) -> tuple[Probe, ...]:
        tables = doc.get("probe", [])
        if not isinstance(tables, list) or not all(isinstance(t, dict) for t in tables):
            raise self.error(("probe",), "must be a list of tables; write [[probe]] above each probe")
        if len(tables) > MAX_PROBES:
            raise self.error(("probe", MAX_PROBES), f"more than {MAX_PROBES} probes; leave some out")
        probes: list[Probe] = []
        names: dict[str, int] = {}
        channels: dict[tuple[str | None, str], str] = {}
        for index, table in enumerate(tables):
            probe = self._probe(("probe", index), table)
            if probe.name.casefold() in names:
                raise self.error(
                    ("probe", index, "name"), f"{probe.name!r} is already a probe's name; give it another"
                )
            key = (probe.rig, probe.channel)
            if key in channels:
                raise self.error(
                    ("probe", index, "channel"),
                    f"{probe.channel!r} already belongs to probe {channels[key]!r}; "
                    "one channel is one probe (say 'rig' where two rigs share the name)",
                )
            names[probe.name.casefold()] = index
            channels[key] = probe.name
            probes.append(probe)
        return tuple(probes)

    def _probe(self, at: Place, table: dict[str, Any]) -> Probe:
        self._known_keys(
            at,
            table,
            (
                *("name", "channel", "rig", "height_cm", "side", "reads", "zone", "type"),
                *("cold_junction", "tolerance_class", "correction"),
            ),
        )
        if "name" not in table:
            raise self.error(at, 'has no name; add name = "…"')
        name = self._text(at, table, "name", "")
        if name == "time_s":
            raise self.error((*at, "name"), "'time_s' is the time column of CSV files; choose another name")
        reads = table.get("reads", guess_reads(name))
        if reads not in get_args(Reads):
            raise self.error((*at, "reads"), f"{shortened(reads)} is not one of {', '.join(get_args(Reads))}")
        letter = table.get("type", "" if reads == "surface" else "K")
        if letter != "" and letter not in LETTERS:
            raise self.error(
                (*at, "type"),
                f"{shortened(letter)} is not a thermocouple letter; use one of {', '.join(LETTERS)}",
            )
        height = None
        if "height_cm" in table:
            height = self._number(at, table, "height_cm", 0.0, -200, 1000, "cm")
        tolerance_class = table.get("tolerance_class", 2)
        if tolerance_class not in (1, 2, 3) or isinstance(tolerance_class, bool):
            raise self.error((*at, "tolerance_class"), f"{shortened(tolerance_class)} is not 1, 2 or 3")
        return Probe(
            name=name,
            channel=self._text(at, table, "channel", name),
            rig=self._text(at, table, "rig", "") or None if "rig" in table else None,
            height_cm=height,
            side=self._text(at, table, "side", "", empty=True),
            reads=cast(Reads, reads),
            zone=self._text(at, table, "zone", name),
            letter=letter or None,
            cold_junction=self._text(at, table, "cold_junction", "") if "cold_junction" in table else None,
            tolerance_class=tolerance_class,
            correction=self._correction((*at, "correction"), table.get("correction", [])),
        )

    def _correction(self, at: Place, pairs: object) -> tuple[tuple[float, float], ...]:
        mend = "give one or two pairs of [reading, truth] in °C, such as [[1.5, 0.0], [101.0, 99.2]]"
        if not isinstance(pairs, list) or len(pairs) > 2:
            raise self.error(at, mend)
        read: list[tuple[float, float]] = []
        for pair in pairs:
            if not (isinstance(pair, list) and len(pair) == 2 and all(_is_number(x) for x in pair)):
                raise self.error(at, mend)
            read.append((float(pair[0]), float(pair[1])))
        if len(read) == 2 and abs(read[0][0] - read[1][0]) < 10:
            raise self.error(at, "the two readings are less than 10 °C apart; take points further apart")
        for reading, truth in read:
            if abs(reading - truth) > 50:
                raise self.error(
                    at, f"{reading:g} for {truth:g} °C is no correction but a fault; fix the probe"
                )
        return tuple(read)

    def _clay(self, doc: dict[str, Any]) -> Clay:
        at, table = ("estimate",), doc.get("estimate", {})
        if not isinstance(table, dict):
            raise self.error(at, "must be a table; write [estimate] above its settings")
        self._known_keys(at, table, ("judge_on", "wall_mm", "zones"))
        if table.get("judge_on", "probes") != "probes":
            raise self.error(
                (*at, "judge_on"),
                "zones are judged by their probes; on fires it was not made for, the estimate was no better"
                " than probes on walls, so nothing goes by it. Take this line out",
            )
        zones = table.get("zones", [])
        if not isinstance(zones, list) or len(zones) > MAX_PROBES:
            raise self.error((*at, "zones"), f'give a list of at most {MAX_PROBES} names: ["windward"]')
        names = [self._text(at, {"zones": zone}, "zones", "") for zone in zones]
        return Clay(
            wall_mm=self._number(at, table, "wall_mm", 0.0, 2, 50, "mm") if "wall_mm" in table else None,
            zones=tuple(dict.fromkeys(names)),
        )

    def _alarms(self, doc: dict[str, Any]) -> AlarmSettings:
        alarms = default_alarms()
        tables = doc.get("alarm", {})
        if not isinstance(tables, dict):
            raise self.error(("alarm",), "must be tables; write [alarm.RULE] above a rule's settings")
        for rule, table in tables.items():
            at = ("alarm", rule)
            if rule not in RULES:
                raise self.error(at, f"no such rule; the rules are {', '.join(RULES)}")
            if not isinstance(table, dict):
                raise self.error(at, f"must be a table; write [alarm.{rule}] above its settings")
            settings = {s.name: s for s in RULES[rule].settings}
            # Plans of earlier firings may still name what rules no longer ask.
            table = {key: value for key, value in table.items() if key not in OBSOLETE.get(rule, ())}
            self._known_keys(at, table, ("enabled", *settings))
            for key, value in table.items():
                if key == "enabled":
                    if not isinstance(value, bool):
                        raise self.error((*at, key), f"{shortened(value)} is neither true nor false")
                    alarms[rule][key] = value
                else:
                    s = settings[key]
                    alarms[rule][key] = self._number(at, table, key, s.default, s.minimum, s.maximum, s.unit)
            for s in settings.values():
                if s.like in table and s.name not in table:
                    alarms[rule][s.name] = alarms[rule][s.like]
        return alarms

    def _known_keys(self, at: Place, table: dict[str, Any], known: Iterable[str]) -> None:
        known = tuple(known)
        for key in table:
            if key not in known:
                raise self.error((*at, key), f"unknown key; known here: {', '.join(known)}")

    def _text(
        self,
        at: Place,
        table: dict[str, Any],
        key: str,
        default: str,
        *,
        empty: bool = False,
        longest: int = MAX_NAME,
    ) -> str:
        value = table.get(key, default)
        if not isinstance(value, str):
            raise self.error((*at, key), f'{shortened(value)} is not text; put it in quotes: "…"')
        if not value.strip() and not empty:
            raise self.error((*at, key), "is empty; give it a name")
        if len(value) > longest:
            raise self.error((*at, key), f"is longer than {longest} characters; shorten it")
        if not value.isprintable():
            raise self.error((*at, key), "has a line break or a control character in it; take it out")
        return value.strip()

    def _number(
        self, at: Place, table: dict[str, Any], key: str, default: float, low: float, high: float, unit: str
    ) -> float:
        value = table.get(key, default)
        wrong = None
        if not _is_number(value):
            wrong = f"{shortened(value)} is not a number; give one from {low:g} to {high:g} {unit}"
        elif not low <= value <= high:
            wrong = f"{value:.15g} is out of range; give a number from {low:g} to {high:g} {unit}".rstrip()
        if wrong is not None:
            refusal = self.error((*at, key), wrong)
            refusal.bounds = (value, low, high, unit)
            raise refusal
        return float(cast(float, value))


def _is_number(value: object) -> TypeGuard[float]:
    # TOML's whole numbers have no upper end; float() of a huge one would overflow.
    return isinstance(value, int | float) and not isinstance(value, bool) and -1e15 < value < 1e15
