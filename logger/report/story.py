"""What happened in a firing, in words and in order: notes, spot readings, alarms."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from logger.plan import Plan
from logger.report.drawing import Mark
from logger.report.gather import Gathered
from logger.report.shown import Shown, since
from logger.words.looks import NOTES
from logger.words.said import Unit, told


@dataclass(frozen=True, slots=True)
class Entry:
    """One thing that happened."""

    mark: Mark
    text: str
    warning: bool = False  # an alarm that is no good news


def story(known: Gathered, shown: Shown) -> list[Entry]:
    """Tell what happened, in order of time, numbered from 1; good news have no number."""
    found: list[tuple[float, str, str, bool, float | None]] = []
    for note in known.notes:
        found.append((note.t_s, "note", _note(note.data) + _by(note.who), False, None))
    for spot in known.spots:
        c = spot.data.get("temperature_c")
        temperature_c = float(c) if isinstance(c, int | float) else None
        found.append((spot.t_s, "spot", _spot(spot.data, shown) + _by(spot.who), False, temperature_c))
    for alarm in known.alarms:
        cleared = alarm["cleared_s"]
        until = (
            ""
            if not alarm["warning"]
            else " (stood at the end)"
            if cleared is None
            else f" (to {since(cleared)})"
        )
        words = headed(alarm, shown.unit)
        found.append((alarm["raised_s"], "alarm", f"{words}{until}", alarm["warning"], None))
    found.sort(key=lambda entry: entry[0])
    entries, number = [], 0
    for t_s, kind, text, warning, c in found:
        good = kind == "alarm" and not warning
        number += not good
        entries.append(Entry(Mark(0 if good else number, t_s, "good" if good else kind, c), text, warning))
    return entries


def headed(alarm: Mapping[str, Any], unit: Unit) -> str:
    """Write what an alarm of `gather.named` said, behind its title; some messages begin with it."""
    title, words = str(alarm["title"]), told(alarm, "message", unit)
    return words if words.startswith(title) else f"{title}: {words}"


def verdict(zone: Mapping[str, Any], plan: Plan, shown: Shown, *, pots: bool) -> str:
    """Say how a zone fared; without `pots` it holds coals only."""
    if zone["peak_c"] is None:
        return "No verdict: no probe here could be trusted."
    if not pots:
        return "Coals; no target of its own."
    if not zone["reached_target"]:
        short = (plan.target_c - zone["peak_c"]) * (1.8 if shown.unit == "F" else 1.0)
        burnout = "" if zone["peak_c"] >= plan.burnout_c else "; never above burn-out"
        return f"Stopped {short:.0f} °{shown.unit} short of its target{burnout}."
    soak = zone["soak_s"] / 60.0
    if soak < plan.soak_min:
        return f"Reached its target; soaked {soak:.0f} of {plan.soak_min:g} min."
    return f"Reached its target and soaked {soak:.0f} min."


def verdicts(known: Gathered, shown: Shown) -> list[dict[str, Any]]:
    """Give the rehearsal's zones with a `verdict` each, the lowest peak first, coals alone last."""
    pots = dict(zip(known.levels.zones, known.levels.pots, strict=True))
    zones = [
        {**zone, "verdict": verdict(zone, known.plan, shown, pots=pots[zone["zone"]])}
        for zone in known.rehearsal["zones"]
    ]
    return sorted(zones, key=lambda z: (not pots[z["zone"]], z["peak_c"] is None, z["peak_c"] or 0.0))


def _note(data: Mapping[str, Any]) -> str:
    kind, text, amount = (str(data.get(key) or "") for key in ("kind", "text", "amount"))
    head = "" if kind == "text" else NOTES.get(kind, kind.replace("_", " ").capitalize())
    if amount:
        head = f"{head}, {amount}"
    return ": ".join(part for part in (head, text) if part)


def _spot(data: Mapping[str, Any], shown: Shown) -> str:
    c, emissivity = data.get("temperature_c"), data.get("emissivity")
    reading = shown.degrees(float(c)) if isinstance(c, int | float) else "–"
    set_to = f", emissivity {emissivity:g}" if isinstance(emissivity, int | float) else ""
    text = f"; {data['text']}" if data.get("text") else ""
    return f"Gun reading, {data.get('zone', '')}: {reading}{set_to}{text}"


def _by(who: str) -> str:
    return f" ({who})" if who not in ("", "page") else ""
