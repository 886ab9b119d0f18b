"""A plan being made on the page: its tables, what is typed into them, and everything wrong with it. Pure."""

import copy
import re
import tomllib
from collections.abc import Mapping, Sequence
from typing import Any, Final, NamedTuple

from dashboard.words import Unit, capital, shown
from logger.errors import UserError, shortened
from logger.plan import MAX_PROBES, Plan, PlanError, from_document, mistakes
from logger.plan.alarm_rules import RULES, Setting
from logger.plan.sources import MAX_SOURCES

DIFFERENCES: Final = frozenset({"drop_c", "air_drop_c", "spread_c", "short_c"})
"""Settings in °C that are differences, not temperatures."""

Document = dict[str, Any]
Problem = dict[str, str | None]

LABELS: Final = {
    "title": "Title",
    "target_c": "Target",
    "burnout_c": "Burn-out",
    "soak_min": "Soak",
    "cool_c": "Cool enough",
    "estimate.wall_mm": "Walls of the pots",
}
PROBE_LABELS: Final = {
    "name": "Name",
    "height_cm": "Height above the coals",
    "side": "Side",
    "zone": "Zone",
    "reads": "What it reads",
    "channel": "Channel of the rig",
    "type": "Thermocouple",
}
_PATH: Final = re.compile(
    r"title|(?:target|burnout|cool)_c|soak_min|estimate\.wall_mm"
    rf"|probe\.\d{{1,2}}\.(?:{'|'.join(PROBE_LABELS)})|alarm\.\w{{1,40}}\.\w{{1,40}}"
)
_MAY_BE_EMPTY: Final = re.compile(r"estimate\.wall_mm|probe\.\d+\.height_cm")


class PlanRefused(UserError):
    """A plan sent by a page is wrong somewhere: names the field and the fix."""

    def __init__(self, exc: PlanError) -> None:
        super().__init__(exc.what)
        self.field = exc.field


def read_document(doc: Document) -> Plan:
    """Read a plan as written by `to_document`, though a height may be None; PlanRefused names the field."""
    try:
        return from_document(_tables(doc))
    except PlanError as exc:
        raise PlanRefused(exc) from exc


def _tables(doc: Document) -> Document:
    """Drop what a page leaves empty from a plan's tables."""
    probes = doc.get("probe", [])
    if isinstance(probes, list):
        probes = [{k: v for k, v in p.items() if v is not None} if isinstance(p, dict) else p for p in probes]
    return {**doc, "probe": probes}


def to_document(plan: Plan) -> Document:
    """Write a plan for a page to edit: the file's tables, with every setting of every alarm."""
    doc = tomllib.loads(plan.dumps())
    alarms = {rule: dict(settings) for rule, settings in plan.alarms.items()}
    return {"cool_c": plan.cool_c, **doc, "probe": doc.get("probe", []), "alarm": alarms}


class Draft(NamedTuple):
    """A plan being made."""

    doc: Document  # its tables
    name: str = ""  # the name it is saved under

    def kept(self) -> Document:
        """Write it as a browser stores it."""
        return self._asdict()

    def with_(self, **tables: Any) -> "Draft":
        """Return the draft with these tables replaced."""
        return self._replace(doc={**self.doc, **tables})


def draft_of(data: Any) -> Draft | None:
    """Read a draft stored by a browser; None if it isn't one."""
    if not isinstance(data, dict) or not isinstance(data.get("doc"), dict):
        return None
    doc = data["doc"]
    tables = [doc.get("probe", []), doc.get("source", [])]
    if not all(isinstance(t, list) and all(isinstance(each, dict) for each in t) for t in tables):
        return None
    if len(tables[0]) > MAX_PROBES or len(tables[1]) > MAX_SOURCES:
        return None
    alarms = doc.get("alarm")
    if not isinstance(alarms, dict) or not all(isinstance(alarms.get(rule), dict) for rule in RULES):
        return None
    name = data.get("name")
    return Draft(doc, name if isinstance(name, str) else "")


# --- numbers, shown and typed -------------------------------------------------------------------------------


def kind_of(path: str, unit: Unit) -> str:
    """Return how a field is shown: `text`, `number`, `F`, or `dF` for a difference or a rate in °F."""
    if path == "title" or (path.startswith("probe.") and not path.endswith(".height_cm")):
        return "text"
    setting = _setting(path)
    if unit == "F" and setting is not None and setting.unit.startswith("°C"):
        return "dF" if setting.name in DIFFERENCES or setting.unit.startswith("°C/") else "F"
    return "F" if unit == "F" and setting is None and path.endswith("_c") else "number"


def in_shown(of: str, kind: str) -> str:
    """Write the unit of a number of that kind."""
    return of.replace("°C", "°F") if kind in ("F", "dF") else of


def _setting(path: str) -> Setting | None:
    parts = path.split(".")
    if len(parts) != 3 or parts[0] != "alarm" or parts[1] not in RULES:
        return None
    return next((s for s in RULES[parts[1]].settings if s.name == parts[2]), None)


def written(value: Any, kind: str) -> str:
    """Write a value of the plan for a form field; anything but a number is written unchanged."""
    if value is None:
        return ""
    if kind == "text" or isinstance(value, bool) or not isinstance(value, int | float):
        return str(value)
    number = shown(value, "F") if kind == "F" else value * 1.8 if kind == "dF" else value
    return f"{round(number, 2):g}" if abs(number) < 1e6 else str(number)


def typed(text: Any, kind: str, *, empty: bool = False) -> Any:
    """Convert a typed number, with a decimal point or comma, to the plan's unit.

    Anything else is left as typed, to be refused with the plan; a blank is None where `empty` is allowed.
    """
    said = "" if text is None else str(text)[:400]
    if kind == "text":
        return said
    plain = said.strip().replace(",", ".").replace("−", "-")
    if not plain and empty:
        return None
    try:
        number = float(plain if re.fullmatch(r"[-+]?[\d.]{1,20}", plain) else "")
    except ValueError:
        return said.strip()
    if kind == "F":
        return (number - 32.0) / 1.8
    return number / 1.8 if kind == "dF" else number


def value_at(doc: Document, path: str) -> Any:
    """Look up the value of a plan's field; None where there is none."""
    here: Any = doc
    for part in path.split("."):
        try:
            here = here[int(part)] if isinstance(here, list) else here.get(part)
        except (IndexError, ValueError, AttributeError):
            return None
    return here


def with_fields(doc: Document, ids: Sequence[Mapping[str, Any]], values: Sequence[Any]) -> Document:
    """Copy a plan with what was typed into fields, by their IDs (`path`, and `as` for the kind).

    A field that reads the same keeps its exact value. An ID with a `rule` is that alarm's switch.
    """
    new: Document = copy.deepcopy(doc)
    for own, text in zip(ids, values, strict=True):
        if (rule := str(own.get("rule"))) in RULES:
            new["alarm"][rule]["enabled"] = text is True
        path, kind = str(own.get("path")), str(own.get("as"))
        if not _PATH.fullmatch(path) or (path.startswith("alarm.") and _setting(path) is None):
            continue
        empty = bool(_MAY_BE_EMPTY.fullmatch(path))
        if ("" if text is None else str(text)) == written(value_at(new, path), kind):
            continue
        _put(new, path.split("."), typed(text, kind, empty=empty))
    return new


def _put(doc: Document, parts: list[str], value: Any) -> None:
    *way, last = parts
    table: Any = doc
    for part in way:
        if isinstance(table, list) and int(part) >= len(table):
            return
        table = table[int(part)] if isinstance(table, list) else table.setdefault(part, {})
    table[last] = value
    if parts[0] == "estimate" and value is None:
        del table[last]
        if not table:
            del doc["estimate"]


# --- what is wrong ------------------------------------------------------------------------------------------


def problems(doc: Document, unit: Unit = "C") -> list[Problem]:
    """Find everything wrong with a plan, each problem to be shown next to its field.

    Each has a `field`, a `label` as on the page, and a `text` with temperatures in `unit`.
    """
    found: dict[str | None, str] = {}
    for wrong in mistakes(_tables(doc)):
        found.setdefault(wrong.field, _words(wrong, doc, unit))
    return [{"field": f, "label": label_of(f, doc), "text": text} for f, text in found.items()]


def errors_of(doc: Document, unit: Unit = "C") -> dict[str, str]:
    """Return what is wrong, by field."""
    return {str(p["field"]): str(p["text"]) for p in problems(doc, unit)}


def _words(exc: PlanError, doc: Document, unit: Unit) -> str:
    field = exc.field or ""
    if exc.bounds is None:
        if field == "burnout_c" and isinstance(doc.get("target_c"), int | float):
            own, above = (written(doc.get(name), kind_of(name, unit)) for name in (field, "target_c"))
            return f"{own} °{unit} is above the target ({above} °{unit}); lower it"
        return capital(exc.what)
    value, low, high, of = exc.bounds
    kind = kind_of(field, unit)
    span = f"{written(low, kind)} to {written(high, kind)} {in_shown(of, kind)}".rstrip()
    if isinstance(value, int | float) and not isinstance(value, bool):
        return f"{written(value, kind)} is out of range; give a number from {span}"
    said = (f"“{value}”" if value else "Nothing") if isinstance(value, str) else shortened(value)
    return f"{said} is not a number; give one from {span}"


def label_of(field: str | None, doc: Document) -> str:
    """Name a field as the page labels it."""
    match (field or "").split("."):
        case ["probe", i, *rest]:
            name = value_at(doc, f"probe.{i}.name") or f"number {int(i) + 1}"
            return ", ".join([f"Probe {name}", *(PROBE_LABELS.get(key, key).lower() for key in rest[:1])])
        case ["alarm", rule, *_] if rule in RULES:
            setting = _setting(field or "")
            return RULES[rule].title + (f": {setting.doc.rstrip('.')}" if setting else "")
        case ["source", i, *rest]:
            return f"Source {int(i) + 1}" + (f", {' '.join(rest)}" if rest else "")
    return LABELS.get(field or "", "The plan")
