"""The forms of a plan: its fields, its probes, the alarms' settings. Pure."""

from collections.abc import Mapping
from typing import Any, Final, NamedTuple

import dash_mantine_components as dmc
from dash import html

from dashboard.figures.model import Place, numbered
from dashboard.parts.frame import UNAIDED, button, door_row, options
from dashboard.preparing.planning import LABELS, PROBE_LABELS, Document, in_shown, kind_of, value_at, written
from dashboard.words import Unit
from logger.plan import LETTERS
from logger.plan.alarm_rules import RULES, Rule

READS: Final = {
    "coals": "Coals",
    "air": "Air between pots",
    "wall": "A pot's wall",
    "surface": "Surface (infrared)",
}
ZONES: Final = ("under", "lower", "middle", "upper", "windward", "leeward")
SIDES: Final = ("windward", "centre", "leeward", "front", "back")
HINTS: Final = {
    "target_c": "Every zone should reach this.",
    "burnout_c": "Above this, carbon burns off the clay, given air.",
    "soak_min": "How long each zone should stay at or above its target.",
    "cool_c": "Cool enough to uncover the pots and lift them out with gloves; the forecast says when.",
    "estimate.wall_mm": "As measured. Used to estimate the temperature of the pots themselves; without it, "
    "the estimate is far less certain.",
}

TYPED: Final[dict[str, Any]] = {"debounce": 250, "attributes": UNAIDED}

Errors = Mapping[str, str]


class _Form(NamedTuple):
    """The fields of a plan, with their values and what is wrong with them."""

    doc: Document
    unit: Unit
    errors: Errors
    page: str = "prepare"

    def field(self, path: str, label: str, make: Any = dmc.TextInput, **more: Any) -> Any:
        """Make a field; its id says where in the plan it is, and how a number in it is shown."""
        kind = kind_of(path, self.unit)
        return make(
            id={"type": f"{self.page}-field", "path": path, "as": kind},
            label=label,
            value=written(value_at(self.doc, path), kind),
            error=self.errors.get(path, ""),
            **more,
        )

    def number(self, path: str, label: str, of: str, hint: str = "") -> Any:
        """Make a field for a number of a unit."""
        of = in_shown(of, kind_of(path, self.unit))
        inputs = {"input": {"inputMode": "decimal", "autoComplete": "off"}}
        label = f"{label}, {of}" if of else label
        # Elsewhere a tap on a button follows at once, and needs the value to have arrived.
        waits = 250 if self.page == "prepare" else False
        return self.field(path, label, description=hint, debounce=waits, attributes=inputs)


def plan_fields(doc: Document, unit: Unit, errors: Errors) -> list[Any]:
    """Make the form for what will be fired, and how hot."""
    units, form = {"soak_min": "min", "estimate.wall_mm": "mm"}, _Form(doc, unit, errors)
    numbers = [form.number(path, LABELS[path], units.get(path, "°C"), hint) for path, hint in HINTS.items()]
    return [form.field("title", LABELS["title"], **TYPED), html.Div(numbers, className="prepare-fields")]


def places_form(doc: Document, unit: Unit) -> tuple[list[Any], list[Any]]:
    """Make the fields that a stored firing may be given: its targets, and where its probes were."""
    form = _Form(doc, unit, {}, "places")
    wholes = (("target_c", "°C"), ("burnout_c", "°C"), ("soak_min", "min"))
    reads = {"data": options(READS.items()), "allowDeselect": False}
    rows = []
    for i, probe in enumerate(doc["probe"]):
        fields = [
            html.Legend(probe["name"]),
            form.number(f"probe.{i}.height_cm", "Height", "cm"),
            form.field(f"probe.{i}.side", "Side"),
            form.field(f"probe.{i}.reads", "Reads", dmc.Select, **reads),
            form.field(f"probe.{i}.zone", "Zone"),
        ]
        rows.append(html.Li(html.Fieldset(fields)))
    return [form.number(path, LABELS[path], of) for path, of in wholes], rows


# --- probes -------------------------------------------------------------------------------------------------


def places_of(doc: Document) -> list[Place]:
    """Return where a plan's probes are, numbered from the top down; an impossible height is None."""
    probes = doc.get("probe", [])
    heights = [_height(p) for p in probes]
    found = []
    for p, number, height in zip(probes, numbered(heights), heights, strict=True):
        side, reads, zone = (str(p.get(key) or "") for key in ("side", "reads", "zone"))
        found.append(Place(str(p.get("name", "")), number, height, side, reads or "air", zone))
    return found


def _height(probe: Mapping[str, Any]) -> float | None:
    height = probe.get("height_cm")
    good = isinstance(height, int | float) and not isinstance(height, bool) and -200 <= height <= 1000
    return float(height) if good else None  # type: ignore[arg-type]


def _where(probe: Mapping[str, Any]) -> str:
    # Its channel, its place, what it reads, and its zone.
    height = _height(probe)
    place = "no place yet" if height is None else f"{height:g} cm {probe.get('side') or ''}".strip()
    reads = READS.get(str(probe.get("reads", "air")), "?").lower()
    name = probe.get("name", "")
    channel, zone = probe.get("channel") or name, probe.get("zone") or name
    own = [channel if channel != name else "", place, reads, f"zone {zone}" if zone != name else ""]
    return " · ".join(filter(None, own))


def probe_rows(doc: Document, selected: int | None, errors: Errors) -> list[Any]:
    """Make the list of probes, from the top down; `prepare-reading` fills in what each reads."""
    places = places_of(doc)
    rows = []
    for i in sorted(range(len(places)), key=lambda k: places[k].number):
        wrong = any(field.startswith(f"probe.{i}.") or field == f"probe.{i}" for field in errors)
        about = html.Span(_where(doc["probe"][i]), className="where")
        words = [
            html.Span(str(places[i].number), className=f"key line-{i % 8} dash-{i % 5}"),
            html.Span([html.B(places[i].name), about], className="who"),
            html.Span("Please check" if wrong else "", className="wrong"),
            html.Span("", id={"type": "prepare-reading", "i": i}, className="says"),
        ]
        own, pressed = {"type": "prepare-pick", "i": i, "at": "list"}, str(i == selected).lower()
        rows.append(html.Li(button(words, own, className="value", **{"aria-pressed": pressed})))
    return rows


def probe_fields(doc: Document, i: int, unit: Unit, errors: Errors) -> list[Any]:
    """Make the form of one probe."""
    form = _Form(doc, unit, errors)

    def text(key: str, make: Any = dmc.TextInput, **more: Any) -> Any:
        return form.field(f"probe.{i}.{key}", PROBE_LABELS[key], make, **more)

    zones = list(dict.fromkeys([*(str(p.get("zone")) for p in doc["probe"] if p.get("zone")), *ZONES]))
    meant = "The part of the stack that must get hot enough as one."
    letters = options((("", "none"), *((letter, letter) for letter in LETTERS)))
    step_by = [
        form.number(f"probe.{i}.height_cm", PROBE_LABELS["height_cm"], "cm"),
        button("−", "prepare-lower", aloud="1 cm lower"),
        button("+", "prepare-higher", aloud="1 cm higher"),
    ]
    fields = [
        text("name", **TYPED),
        html.Div(step_by, className="prepare-step-by"),
        text("side", dmc.Autocomplete, data=list(SIDES), debounce=250),
        text("zone", dmc.Autocomplete, data=zones, debounce=250, description=meant),
        text("reads", dmc.Select, data=options(READS.items()), allowDeselect=False),
        text("channel", debounce=250),
        text("type", dmc.Select, data=letters, allowDeselect=False),
    ]
    return [
        html.H2(f"Probe {doc['probe'][i].get('name', '')}"),
        html.Div(fields, className="prepare-fields"),
        door_row(
            button("Remove from the plan", "prepare-take-out"),
            button("Done", {"type": "prepare-pick", "i": i, "at": "form"}),
        ),
    ]


# --- alarms -------------------------------------------------------------------------------------------------


def alarm_fields(doc: Document, unit: Unit, errors: Errors) -> list[Any]:
    """Make the form of all alarms and all their settings."""
    form = _Form(doc, unit, errors)
    return [_rule(rule, form) for rule in RULES.values()]


def other_alarms(doc: Document, unit: Unit) -> list[Any]:
    """Make the form of all alarms and all their settings, to judge a stored firing again."""
    form = _Form(doc, unit, {}, "replay")
    return [
        html.Fieldset([html.Legend(rule.title), _switch(rule, form, "On"), *_settings(rule, form)])
        for rule in RULES.values()
    ]


def _switch(rule: Rule, form: _Form, label: str) -> Any:
    on = form.doc["alarm"][rule.name].get("enabled") is True
    return dmc.Switch(id={"type": f"{form.page}-on", "rule": rule.name}, label=label, checked=on)


def changed_words(rule: Rule, settings: Mapping[str, Any]) -> str:
    """Sum up how an alarm differs from its defaults."""
    if not settings.get("enabled"):
        return "off"
    others = sum(settings.get(s.name) != s.default for s in rule.settings)
    return f"{others} changed" if others else ""


def when_words(rule: Rule, doc: Document, unit: Unit) -> str:
    """Say when an alarm is raised, with its settings' values from the plan."""
    paths = {s.name: (f"alarm.{rule.name}.{s.name}", s.unit) for s in rule.settings}
    values = {}
    for name, (path, its_unit) in ({"soak_min": ("soak_min", "min")} | paths).items():
        kind = kind_of(path, unit)
        values[name] = f"{written(value_at(doc, path), kind)} {in_shown(its_unit, kind)}"
    return rule.when.format(**values)


def _rule(rule: Rule, form: _Form) -> Any:
    own = form.doc["alarm"][rule.name]
    wrong = any(field.startswith(f"alarm.{rule.name}.") for field in form.errors)
    changed, when, default = (
        {"type": f"prepare-{what}", "rule": rule.name} for what in ("changed", "when", "default")
    )
    summary = [html.B(rule.title), html.Span(changed_words(rule, own), id=changed, className="changed")]
    about = [html.Span(when_words(rule, form.doc, form.unit), id=when), " ", html.I(rule.advice)]
    parts = [
        html.Summary(summary),
        html.P(about, className="hint"),
        _switch(rule, form, "Raise this alarm" if rule.warning else "Announce this"),
        html.Div(_settings(rule, form), className="prepare-fields"),
        button("Reset to defaults", default),
    ]
    return html.Details(parts, open=wrong, className="prepare-rule")


def _settings(rule: Rule, form: _Form) -> list[Any]:
    fields = []
    for s in rule.settings:
        path = f"alarm.{rule.name}.{s.name}"
        kind = kind_of(path, form.unit)
        low, high, usual = (written(v, kind) for v in (s.minimum, s.maximum, s.default))
        hint = f"{low} to {high} {in_shown(s.unit, kind)}".rstrip() + f", usually {usual}"
        fields.append(form.number(path, s.doc.rstrip("."), s.unit, hint))
    return fields
