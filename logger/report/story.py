"""What happened in a firing, in words and in order: notes, gun readings, alarms."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import count
from typing import Any

from logger.plan import Plan
from logger.report.gather import Gathered
from logger.report.shown import Shown, since
from logger.words.events import event_words, headed
from logger.words.said import told


@dataclass(frozen=True, slots=True)
class Entry:
    """One thing that happened, marked on the traces by its number."""

    t_s: float  # from the first reading [s]
    kind: str  # `note`, `spot`, `alarm` or `good`
    text: str
    data: Mapping[str, Any]  # of a note or gun reading as in the journal; an alarm of `gather.named`
    number: int = 0  # from 1; 0 for good news

    @property
    def gun_c(self) -> float | None:
        """What a gun reading was [°C]; None for everything else."""
        c = self.data.get("temperature_c") if self.kind == "spot" else None
        return float(c) if isinstance(c, int | float) else None


def story(known: Gathered, shown: Shown) -> list[Entry]:
    """Tell what happened, in order of time, numbered from 1; good news has no number."""
    found = []
    for event in sorted(known.written, key=lambda event: event.kind):  # at one time, notes come first
        text = event_words(event.kind, event.data, shown.unit) + _by(event.who)
        found.append(Entry((event.t_us - known.info.started_us) / 1e6, event.kind, text, event.data))
    for alarm in known.alarms:
        words, kind = headed(str(alarm["title"]), told(alarm, "message", shown.unit)), "good"
        if alarm["warning"]:
            cleared = alarm["cleared_s"]
            until = "still raised at the end" if cleared is None else f"until {since(cleared)}"
            words, kind = f"{words} ({until})", "alarm"
        found.append(Entry(alarm["raised_s"], kind, words, alarm))
    numbers = count(1)
    found.sort(key=lambda entry: entry.t_s)
    return [e if e.kind == "good" else replace(e, number=next(numbers)) for e in found]


def verdict(zone: Mapping[str, Any], plan: Plan, shown: Shown, *, pots: bool) -> str:
    """Say how a zone did; without `pots` it holds only coals."""
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
    """List the rehearsal's zones, each with a `verdict`: lowest peak first, those with only coals last."""
    pots = dict(zip(known.levels.zones, known.levels.pots, strict=True))
    zones = [
        {**zone, "verdict": verdict(zone, known.plan, shown, pots=pots[zone["zone"]])}
        for zone in known.rehearsal["zones"]
    ]
    return sorted(zones, key=lambda z: (not pots[z["zone"]], z["peak_c"] is None, z["peak_c"] or 0.0))


def _by(who: str) -> str:
    return f" ({who})" if who not in ("", "page") else ""
