"""All that is decided before lighting: probes, zones, targets, alarm settings. TOML in, TOML out."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, Literal, TypeGuard, cast, get_args

import tomli_w

from logger.errors import UserError, shortened
from logger.judgement.settings import OBSOLETE, RULES
from logger.plan_sources import PlanSource, SourceMistake, read_sources, source_table

Reads = Literal["coals", "air", "wall", "surface"]
AlarmSettings = dict[str, dict[str, float | bool]]

LETTERS: Final = ("B", "E", "J", "K", "N", "R", "S", "T")
COOL_C: Final = 100.0
"""Cool enough to uncover and to lift out with gloves: common practice, no source. [°C]"""

MAX_TOML: Final = 200_000
"""Characters; a plan with every alarm's settings is 10 kB."""
MAX_DOTS: Final = 24
"""In the keys of one line."""
MAX_PROBES: Final = 64
MAX_NAME: Final = 64

# Words in a probe's name that tell what it reads, for rigs and files that come without a plan.
_READS_WORDS: Final[tuple[tuple[Reads, str], ...]] = (
    ("surface", r"ir\d*|infrared|surface|gun|pyrometer"),
    ("coals", r"coals?|under|beneath|below|bed|embers?|hearth"),
    ("wall", r"walls?|pots?|jars?|bases?|belly|neck|sherds?"),
)


class PlanError(UserError):
    """A plan that cannot be used: names the file, the line, what is wrong and the mend.

    Attributes
    ----------
    field : str or None
        Where in the plan, such as `probe.0.name` or `alarm.coal_collapse.drop_c`; None: all of it.
    what : str
        What is wrong there and the mend, without the place.
    bounds : (object, float, float, str) or None
        Of a number: what was given, least, most, unit; for whoever says it in another unit.
    """

    def __init__(self, text: str, field: str | None = None, what: str | None = None) -> None:
        super().__init__(text)
        self.field = field
        self.what = text if what is None else what
        self.bounds: tuple[object, float, float, str] | None = None


@dataclass(frozen=True, slots=True)
class Probe:
    """A channel put in a place.

    Attributes
    ----------
    name : str
        The column in a CSV file; the trace's label.
    channel : str
        The rig's channel.
    rig : str or None
        The rig, where several have a channel of that name; None: any.
    height_cm : float or None
        Above the coal bed; None where nobody said. [cm]
    side : str
        Free text.
    reads : {'coals', 'air', 'wall', 'surface'}
        What it reads; `wall` touches a pot, `surface` is infrared.
    zone : str
        The part of the stack it belongs to.
    letter : str or None
        Thermocouple letter type; None where there is no thermocouple.
    cold_junction : str or None
        The channel whose cold junction stands in for one that the amplifier does not send.
    tolerance_class : int
        IEC 60584-1 tolerance class of the thermocouple, 1 to 3.
    correction : tuple of (float, float)
        None, one or two pairs of (reading, truth) from a calibration. [°C]
    """

    name: str
    channel: str
    rig: str | None = None
    height_cm: float | None = None
    side: str = ""
    reads: Reads = "air"
    zone: str = ""
    letter: str | None = "K"
    cold_junction: str | None = None
    tolerance_class: int = 2
    correction: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Clay:
    """What is known of the pots for the estimate of their own temperature: the plan's `[estimate]`.

    Attributes
    ----------
    wall_mm : float or None
        Thickness of the pots' walls; None where nobody measured it. [mm]
    zones : tuple of str
        Zones without a probe, of which spot readings are taken.
    """

    wall_mm: float | None = None
    zones: tuple[str, ...] = ()


def default_alarms() -> AlarmSettings:
    """Every rule with every setting at its default.

    Returns
    -------
    dict
        Rule name to settings; `enabled` is true for all.
    """
    return {
        rule.name: {"enabled": True, **{s.name: s.default for s in rule.settings}} for rule in RULES.values()
    }


@dataclass(frozen=True, slots=True)
class Plan:
    """What is decided before lighting.

    Attributes
    ----------
    title : str
    target_c : float
        Every zone should reach it. [°C]
    burnout_c : float
        Carbon burns off the clay above it. [°C]
    soak_min : float
        Minutes a zone should stay at or above the target. [min]
    probes : tuple of Probe
    alarms : dict
        Complete: every rule, every setting.
    clay : Clay
    cool_c : float
        Cool enough to uncover: the forecast says when that will be. [°C]
    sources : tuple of PlanSource
        Rigs that don't speak the rig's line.
    """

    title: str = ""
    target_c: float = 780.0
    burnout_c: float = 650.0
    soak_min: float = 10.0
    probes: tuple[Probe, ...] = ()
    alarms: AlarmSettings = field(default_factory=default_alarms)
    clay: Clay = Clay()
    cool_c: float = COOL_C
    sources: tuple[PlanSource, ...] = ()

    @property
    def zones(self) -> tuple[str, ...]:
        """Zones in order of appearance."""
        return tuple(dict.fromkeys(p.zone for p in self.probes))

    def dumps(self) -> str:
        """Write the plan as TOML; alarm settings only where they differ from the defaults.

        Returns
        -------
        str
            `loads` of it gives an equal plan.
        """
        doc: dict[str, Any] = {
            "title": self.title,
            "target_c": self.target_c,
            "burnout_c": self.burnout_c,
            "soak_min": self.soak_min,
        }
        if self.cool_c != COOL_C:
            doc["cool_c"] = self.cool_c
        if estimate := _estimate_table(self.clay):
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
        if any(changed.values()):
            doc["alarm"] = {rule: table for rule, table in changed.items() if table}
        return tomli_w.dumps(doc)


class _TooLong(PlanError):
    def __init__(self, source: str) -> None:
        super().__init__(f"{source}: longer than {MAX_TOML} characters; that is no plan")


# What stands in quotes or behind a hash, and numbers: dots in them part no key from the next. A bare key may
# consist of digits too, so that what has another dot, or an equals sign, right after it is none of these.
_QUOTED: Final = re.compile(r"""\"(?:[^"\\]|\\.)*+(?:"|$)|'[^']*+(?:'|$)|#.*""")
_NUMBER: Final = re.compile(r"(?<![\w.-])[+-]?\d[\d_]*+\.\d[\d_]*+(?:[eE][+-]?\d++)?(?![\w.-]|\s*[.=])")


def _check_size(text: str, source: str) -> None:
    """Refuse what no plan is, before its TOML is read: the reader's work grows with a key's parts squared."""
    if len(text) > MAX_TOML:
        raise _TooLong(source)
    for number, line in enumerate(text.splitlines(), 1):
        if line.count(".") > MAX_DOTS and _NUMBER.sub("", _QUOTED.sub("", line)).count(".") > MAX_DOTS:
            raise PlanError(
                f"{source} line {number}: a key of very many parts; a plan is no deeper than alarm.RULE.KEY"
            )


def load(path: Path) -> Plan:
    """Read a plan file.

    Parameters
    ----------
    path : Path
        A TOML file in UTF-8.

    Returns
    -------
    Plan

    Raises
    ------
    PlanError
        The file can't be read, or something in it is wrong.
    """
    try:
        with path.open("rb") as file:
            raw = file.read(4 * MAX_TOML + 1)
        text = raw.decode("utf-8-sig")
    except OSError as exc:
        raise PlanError(f"{path}: {exc.strerror or exc}; check the path of the plan") from exc
    except UnicodeDecodeError as exc:
        if exc.start < 4 * MAX_TOML - 4:  # else it is only cut off there
            raise PlanError(f"{path}: byte {exc.start} is not UTF-8; save the plan as UTF-8 text") from exc
        raise _TooLong(str(path)) from exc
    return loads(text, source=str(path))


def loads(text: str, source: str = "plan", *, stored: bool = False) -> Plan:
    """Read a plan from TOML text.

    Parameters
    ----------
    text : str
        The TOML.
    source : str, default 'plan'
        What to call it in errors.
    stored : bool, default False
        A firing's own, perhaps of an older version: what plans could say then is no mistake.

    Returns
    -------
    Plan

    Raises
    ------
    PlanError
        Names `source`, the line, what is wrong there and the mend.
    """
    _check_size(text, source)
    try:
        doc = tomllib.loads(text)
    except tomllib.TOMLDecodeError as exc:
        raise PlanError(f"{source}: not valid TOML: {str(exc)[:300]}") from exc
    except RecursionError as exc:
        raise PlanError(f"{source}: nested too deep to be a plan") from exc
    except ValueError as exc:  # Python reads no integer of more than 4300 digits
        raise PlanError(f"{source}: a number of thousands of digits; a plan's have a few") from exc
    if stored and isinstance(doc.get("estimate"), dict):
        doc["estimate"].pop("judge_on", None)
    return _Reader(source, _line_numbers(text)).plan(doc)


def from_document(doc: dict[str, Any], source: str = "plan") -> Plan:
    """Read a plan from tables that are not a file's: what a page sends.

    Parameters
    ----------
    doc : dict
        As TOML's reader gives it.
    source : str, default 'plan'
        What to call it in errors.

    Returns
    -------
    Plan

    Raises
    ------
    PlanError
        Its `field` and `what` say where, what is wrong and the mend.
    """
    return _Reader(source, {}).plan(doc)


def plan_for_columns(names: Sequence[str], title: str = "") -> Plan:
    """Make the plan that stands in where nobody made one: each channel a probe and a zone of its own name.

    Parameters
    ----------
    names : sequence of str
        Channel or column names.
    title : str, optional

    Returns
    -------
    Plan
        What a probe reads is taken from words in its name (`coals`, `under` … `wall`, `pot` … `ir`), else
        `air`; heights are unknown.
    """
    return Plan(title=title, probes=tuple(probe_for_channel(name) for name in names))


def probe_for_channel(channel: str, *, name: str | None = None, rig: str | None = None) -> Probe:
    """Make the probe for a channel that no plan names.

    Parameters
    ----------
    channel : str
        The rig's channel.
    name : str, optional
        What to call it; the channel's own name if left out.
    rig : str, optional
        The rig it belongs to.

    Returns
    -------
    Probe
    """
    name = name or channel
    reads = guess_reads(name)
    letter = None if reads == "surface" else "K"
    return Probe(name=name, channel=channel, rig=rig, reads=reads, zone=name, letter=letter)


def assign_probes(plan: Plan | None, seen: Sequence[tuple[str, str]]) -> tuple[Probe, ...]:
    """Say which probe each channel is, the same way for the logger, the archive and the page.

    Parameters
    ----------
    plan : Plan or None
        None or a plan without probes: every channel becomes a probe of its own name.
    seen : sequence of (rig, channel)
        In order of first appearance.

    Returns
    -------
    tuple of Probe
        One for each entry of `seen`. A channel that the plan doesn't name gets a probe of its own name, with
        the rig's name in front where that is taken.
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
    """Guess what a probe reads from words in its name.

    Parameters
    ----------
    name : str

    Returns
    -------
    {'coals', 'air', 'wall', 'surface'}
        `air` where no word tells.
    """
    for reads, words in _READS_WORDS:
        if re.search(rf"(?<![a-z])(?:{words})(?![a-z])", name.lower()):
            return reads
    return "air"


def _estimate_table(clay: Clay) -> dict[str, Any]:
    table: dict[str, Any] = {}
    if clay.wall_mm is not None:
        table["wall_mm"] = clay.wall_mm
    if clay.zones:
        table["zones"] = list(clay.zones)
    return table


def _probe_table(probe: Probe) -> dict[str, Any]:
    table: dict[str, Any] = {"name": probe.name, "channel": probe.channel}
    if probe.rig is not None:
        table["rig"] = probe.rig
    if probe.height_cm is not None:
        table["height_cm"] = probe.height_cm
    table |= {"side": probe.side, "reads": probe.reads, "zone": probe.zone}
    # A missing type means K for a thermocouple, so "none" must be said.
    table["type"] = probe.letter or ""
    if probe.cold_junction is not None:
        table["cold_junction"] = probe.cold_junction
    if probe.tolerance_class != 2:
        table["tolerance_class"] = probe.tolerance_class
    if probe.correction:
        table["correction"] = [list(pair) for pair in probe.correction]
    return table


_TABLE: Final = re.compile(r"^\s*+(\[\[?)([^\[\]]++)\]\]?\s*+(?:#.*)?$")
_KEY: Final = re.compile(r"""^\s*((?:[\w-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[\w-]+|"[^"]*"|'[^']*'))*)\s*=""")


def _line_numbers(text: str) -> dict[tuple[str | int, ...], int]:
    """Find the line each key and table stands on: the standard reader checks TOML but doesn't tell."""
    lines: dict[tuple[str | int, ...], int] = {}
    counts: dict[tuple[str | int, ...], int] = {}
    table: tuple[str | int, ...] = ()
    inside: str | None = None
    for number, line in enumerate(text.splitlines(), 1):
        if inside is not None:  # a multi-line string
            if inside in line:
                inside = None
            continue
        if head := _TABLE.match(line):
            table = ()
            for part in _split_key(head[2].strip()):  # [[source.channel]] is inside the [[source]] before it
                table = (*table, counts[table] - 1, part) if table in counts else (*table, part)
            if head[1] == "[[":
                counts[table] = counts.get(table, 0) + 1
                table = (*table, counts[table] - 1)
            lines.setdefault(table, number)
        elif key := _KEY.match(line):
            path = (*table, *_split_key(key[1]))
            for depth in range(len(table) + 1, len(path) + 1):
                lines.setdefault(path[:depth], number)
            for quotes in ('"""', "'''"):
                if line.count(quotes) % 2:
                    inside = quotes
    return lines


def _split_key(key: str) -> tuple[str, ...]:
    return tuple(part.strip("\"'") for part in re.findall(r"""[\w-]+|"[^"]*"|'[^']*'""", key))


class _Reader:
    """Checks a parsed TOML document against what a plan may say."""

    def __init__(self, source: str, lines: dict[tuple[str | int, ...], int]) -> None:
        self._source = source
        self._lines = lines

    def error(self, path: tuple[str | int, ...], what: str) -> PlanError:
        path = tuple(part if isinstance(part, int) else part[:MAX_NAME] for part in path)
        at = path
        while at and at not in self._lines:
            at = at[:-1]
        line = f" line {self._lines[at]}" if at in self._lines else ""
        field = ".".join(map(str, path)) or None
        return PlanError(f"{self._source}{line}: {_dotted(path)}: {what}", field, what)

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

    def _probe(self, at: tuple[str | int, ...], table: dict[str, Any]) -> Probe:
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

    def _correction(self, at: tuple[str | int, ...], pairs: object) -> tuple[tuple[float, float], ...]:
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
                    at, f"{reading:g} for {truth:g} °C is no correction but a fault; mend the probe"
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
        return alarms

    def _known_keys(self, at: tuple[str | int, ...], table: dict[str, Any], known: Iterable[str]) -> None:
        known = tuple(known)
        for key in table:
            if key not in known:
                raise self.error((*at, key), f"unknown key; known here: {', '.join(known)}")

    def _text(
        self,
        at: tuple[str | int, ...],
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
        self,
        at: tuple[str | int, ...],
        table: dict[str, Any],
        key: str,
        default: float,
        low: float,
        high: float,
        unit: str,
    ) -> float:
        value = table.get(key, default)
        wrong = None
        if not _is_number(value):
            wrong = f"{shortened(value)} is not a number; give one from {low:g} to {high:g} {unit}"
        elif not low <= value <= high:
            wrong = f"{value:g} is out of range; give a number from {low:g} to {high:g} {unit}".rstrip()
        if wrong is not None:
            refusal = self.error((*at, key), wrong)
            refusal.bounds = (value, low, high, unit)
            raise refusal
        return float(cast(float, value))


def _is_number(value: object) -> TypeGuard[float]:
    # TOML's whole numbers have no upper end; float() of a huge one would overflow.
    return isinstance(value, int | float) and not isinstance(value, bool) and -1e15 < value < 1e15


def _dotted(path: tuple[str | int, ...]) -> str:
    def parts() -> Iterator[str]:
        for part in path:
            if isinstance(part, int):
                yield f"[{part + 1}]"
            else:
                yield f".{part}"

    return "".join(parts()).lstrip(".").replace(".[", "[") or "the plan"
