"""What speaks for and against lighting: cautions, findings, facts, reasons. Pure."""

from collections.abc import Mapping, Sequence
from typing import Any, Final, NamedTuple, TypedDict

from dash import html

from dashboard.parts.frame import items
from dashboard.preparing.planning import Document, Problem
from dashboard.words import Unit, capital, shown
from logger.plan.alarm_rules import RULES
from logger.words.said import told

CAUTIONS: Final = (
    "Ask about burn bans and permits, and follow local fire codes and whoever is in charge of fire where you "
    "are.",
    "Clear ground, no branches above, no wind. Water, earth and a shovel at hand. Never leave a fire.",
    "Heatproof gloves, eye protection, long tongs; no synthetic clothes.",
    "Damp pots burst, and so do stones and wet ground under a fire: dry everything for days, and keep faces "
    "away.",
    "Outdoors only: coals give off carbon monoxide. They stay hot under their ash for a day.",
    "No treated wood, and no old glaze or slip you don't know: the smoke can be poisonous.",
    "Run leads out of the fire below ground or in steel; keep battery, rig and tablet out of the heat.",
    "Never point a gun's laser at eyes. Low-fired ware is not for food unless it has been tested.",
    "Stokewatch can fail: keep watching the fire, not only the tablet.",
)
UNPROVEN: Final = (
    "No proof of order or integrity: a lost reading leaves no trace, and a damaged digit may go unnoticed. "
    "Times are times of arrival."
)
STATES: Final = {
    "no_logger": "The logger isn't running. Start it with “stokewatch run”; the probes appear here once the "
    "rig sends.",
    "holding": "Nothing has been recorded since the last firing ended.",
    "waiting": "The logger is waiting for the rig's first reading. Is the rig powered and plugged in?",
    "silent": "The rig has fallen silent. Check its power and its lead.",
    "live": "",
}
HOTTER_THAN_A_HAND_C: Final = 60.0
"""A tip in a hand reaches body temperature; sun alone stays below this (common practice, no source). [°C]"""


class Report(TypedDict):
    """What the cold check found."""

    fit: bool
    findings: list[dict[str, Any]]


class Running(TypedDict):
    """The running firing."""

    title: str
    planned: bool


class Standing(TypedDict):
    """What is known of the rig before arming, from `rig_look.look_at_rig`."""

    state: str
    firing: Running | None


def cautions() -> Any:
    """Make the list of what to mind before any fire."""
    return html.Section([html.H2("Before any fire"), html.Ul(items(CAUTIONS))], className="cautions")


def burns(report: Mapping[str, Any] | None) -> bool:
    """Tell whether a fire is burning: then nothing was found wrong because nothing was checked."""
    return report is not None and any(f["what"] == "fire" for f in report["findings"])


def fitness(report: Mapping[str, Any]) -> str:
    """Sum up the cold check in a few words."""
    return "The rig is fit" if report["fit"] else "A fire is burning" if burns(report) else "Not fit yet"


def finding(found: Mapping[str, Any], unit: Unit) -> Any:
    """Show one finding of the cold check."""
    level = "warn" if found["what"] == "fire" else found["level"]
    sign, words = {"fail": ("✗", "not fit"), "warn": ("!", "check"), "pass": ("✓", "good")}[level]
    if found["what"] == "limits":
        sign, words = "–", "note"  # neither good nor bad
    said: list[Any] = [html.B(_headed(found["where"])), f": {told(found, 'text', unit)}"]
    if fix := told(found, "mend", unit):
        end = "" if fix.endswith(("?", "!", ".")) else "."
        said.append(html.Span(f" {capital(fix)}{end}", className="mend"))
    mark = html.Span(sign, className="sign", role="img", **{"aria-label": words})
    return html.Li([mark, html.Span(said)], className=level)


def _headed(where: str) -> str:
    """Begin with a capital letter, except for a channel's own name: `k3` isn't `K3`."""
    return where if any(c.isdigit() for c in where.split(" ", 1)[0]) else capital(where)


def hand_words(rig: Mapping[str, Any], named: Mapping[str, str], unit: Unit) -> tuple[str, str, str]:
    """Say which probe is in the hand, the one that moves: words, its `rig channel` or "", and its direction.

    The direction is `rising` or `falling`; `rig` is from `rig_look.look_at_rig`, `named` by `rig channel`.
    """
    channels = rig["channels"]
    moving = sorted((c for c in channels if c["moving"]), key=lambda c: -abs(c["away"] or 0.0))
    words = ""
    if len(moving) > max(2, len(channels) / 2):
        words = "Most probes are moving at once: that's the weather or a fire, not a hand."
    elif moving and (moving[0]["c"] or 0.0) > HOTTER_THAN_A_HAND_C:
        words = "The probe that moves is hotter than any hand: that's the fire. Tell probes apart while cold."
    elif moving:
        most = moving[0]
        key = f"{most['rig']} {most['channel']}"
        by = f"by {abs(most['away'] or 0.0) * (1.8 if unit == 'F' else 1.0):.1f} °{unit}"
        name = named.get(key, most["channel"])
        if most["moving"] == "rising":
            return f"▲ {name} has risen {by}. This is the one in your hand.", key, "rising"
        fix = "If you are warming it, its two wires are swapped: change them over at the terminal."
        return f"▼ {name} has fallen {by}. {fix}", key, "falling"
    elif channels:
        words = "Which is which? Hold the tip of one in your hand: it rises here within seconds."
        if any((c["c"] or 0.0) > HOTTER_THAN_A_HAND_C for c in channels):
            words += " Don't touch any that are hot."
    return words, "", ""


class Ready(NamedTuple):
    """What is known before arming; `problems` are from `planning.problems`."""

    doc: Document
    problems: Sequence[Problem]
    rig: Standing | None
    report: Report | None
    kit: Sequence[tuple[str, bool]]

    def never(self) -> list[tuple[str, str]]:
        """Give the reasons why it can't be armed, each with the step where it can be fixed."""
        found = [(f"{p['label']}: {p['text']}.", step_of(p["field"])) for p in self.problems]
        if self.rig is None or self.rig["state"] == "no_logger":
            found.insert(0, ("The logger isn't running: start it with “stokewatch run”.", "probes"))
        return found

    def advice(self, unit: Unit = "C") -> list[tuple[str, str]]:
        """Give the reasons against arming; it can still be armed, knowingly."""
        found = [] if self.doc.get("probe") else [("The plan has no probes.", "probes")]
        if self.rig is not None and self.rig["state"] in ("silent", "waiting", "holding"):
            found.append(("No readings are coming in, so the rig can't be checked.", "probes"))
        elif self.report is not None and not self.report["fit"]:
            failing = [f for f in self.report["findings"] if f["level"] == "fail"]
            found += [(f"{_headed(f['where'])}: {told(f, 'text', unit)}.", "check") for f in failing[:4]]
            if len(failing) > 4:
                found.append((f"The cold check found {len(failing) - 4} more.", "check"))
        return found

    def _so_far(self) -> tuple[list[dict[str, Any]], int, list[str], str]:
        """Return the probes, how many have a place, which warnings are off, and what is packed."""
        probes = self.doc.get("probe", [])
        placed = sum(isinstance(p.get("height_cm"), int | float) for p in probes)
        off = [r.title for r in RULES.values() if r.warning and not self.doc["alarm"][r.name].get("enabled")]
        return probes, placed, off, f"{sum(done for _, done in self.kit)} of {len(self.kit)}"

    def facts(self, unit: Unit) -> list[tuple[str, str]]:
        """Sum up what will be armed."""
        doc, (probes, placed, off, packed) = self.doc, self._so_far()
        zones = len({p.get("zone") or p.get("name") for p in probes})
        places = f"{placed} placed, {len(probes) - placed} not yet"
        if placed in (0, len(probes)):
            places = "all placed" if placed else "none placed yet"
        target, burnout = (_degrees(doc.get(name), unit) for name in ("target_c", "burnout_c"))
        found = [
            ("Title", str(doc.get("title") or "none")),
            ("Target", f"{target} for {doc.get('soak_min')} min; burn-out {burnout}"),
            (
                "Probes",
                f"{len(probes)} in {zones} zone{'s'[: zones != 1]}, {places}" if probes else "none",
            ),
            ("Alarms", f"off: {'; '.join(off)}" if off else "all on"),
            ("Packed", packed),
            ("Cold check", "not yet" if self.report is None else fitness(self.report)),
        ]
        if doc.get("source"):
            found.append(("Sources", f"{len(doc['source'])} without a checksum. {UNPROVEN}"))
        running = self.rig and self.rig["firing"]
        if running and not running["planned"]:
            found.append(("Until now", f"“{running['title']}” is running without a plan; arming ends it."))
        return found

    def states(self, saved: str) -> dict[str, str]:
        """Sum up each step, beginning with `!` if wrong, `✓` if done; `saved` is the plan's name, or ""."""
        probes, placed, off, packed = self._so_far()
        placing = f"{len(probes) - placed} without a place" if placed < len(probes) else f"✓ {placed} placed"
        fit = "not yet"
        if self.report is not None:
            sign = "✓ " if self.report["fit"] else "" if burns(self.report) else "! "
            fit = f"{sign}{fitness(self.report).lower()}"
        found = {
            "plan": "✓ saved" if saved else "not saved",
            "probes": placing if probes else "none yet",
            "alarms": f"{len(off)} off" if off else "✓ all on",
            "pack": "✓ packed" if self.kit and all(done for _, done in self.kit) else packed,
            "check": fit,
            "arm": "",
        }
        return found | {step_of(p["field"]): "! needs fixing" for p in self.problems}


def _degrees(c: Any, unit: Unit) -> str:
    known = isinstance(c, int | float) and not isinstance(c, bool)
    return f"{shown(float(c), unit):.0f} °{unit}" if known else "?"


def step_of(field: str | None) -> str:
    """Name the step in which a field is fixed."""
    first = (field or "").split(".")[0]
    return {"probe": "probes", "alarm": "alarms", "source": "probes"}.get(first, "plan")
