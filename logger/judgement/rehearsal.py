"""What the judgement said about a whole firing, for programs and for people."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from logger.judgement.alarms import Event
from logger.judgement.limits import limits
from logger.judgement.verdicts import LoadVerdict, OneHour
from logger.physics.heat_work import ENERGIES_KJ_MOL
from logger.plan import Plan
from logger.plan.alarm_rules import RULES
from logger.words.events import headed


def summary(plan: Plan, events: Iterable[Event], verdict: LoadVerdict, duration_s: float) -> dict[str, Any]:
    """Gather a firing's alarms, stages and zones from all events in order and the final verdict, as JSON.

    Keys: `duration_s`, `alarms`, `limits` (what this rig can't judge), `stages` and `zones`; times in seconds
    from the first reading. An alarm's `parts` are its message with the temperatures as values (`said`). A
    zone's `basis` says which kind of probe read its peak. `one_hour_c` comes from a model: `one_hour_model`
    gives its activation energy and the range with other energies.
    """
    events = list(events)
    stages: list[dict[str, Any]] = []
    for event in events:
        if event.kind == "stage" and (not stages or stages[-1]["stage"] != event.data["stage"]):
            stages.append({"stage": event.data["stage"], "from_s": event.t_s})
    by_name = {z.zone: z for z in verdict.zones}
    zones = [
        {
            "zone": z.zone,
            "peak_c": z.peak_c,
            "peak_s": z.peak_s,
            "above_burnout_s": z.above_burnout_s,
            "soak_s": z.soak_s,
            "reached_target": z.reached_target,
            "basis": z.peak_basis,
            **_one_hour(verdict.one_hour.get(z.zone)),
        }
        for z in (by_name[name] for name in plan.zones)
    ]
    return {
        "duration_s": duration_s,
        "alarms": raised((event.t_s, event.data) for event in events if event.kind != "stage"),
        "limits": list(limits(plan)),
        "stages": stages,
        "zones": zones,
    }


def raised(told: Iterable[tuple[float, Mapping[str, Any]]]) -> list[dict[str, Any]]:
    """Pair what was told of alarms, each at its time [s]: every alarm raised, and when it cleared."""
    alarms: list[dict[str, Any]] = []
    standing: dict[str, dict[str, Any]] = {}
    for t_s, data in told:
        key, turn = data.get("key"), data.get("transition")
        if turn == "raised":
            alarm = {
                **{name: data.get(name) for name in ("rule", "zone", "probe")},
                "raised_s": t_s,
                "cleared_s": None,
                "message": str(data.get("message") or ""),
                "parts": data.get("parts") or [],
            }
            alarms.append(alarm)
            standing[str(key)] = alarm
        elif turn == "cleared" and str(key) in standing:
            standing.pop(str(key))["cleared_s"] = t_s
    return alarms


def _one_hour(found: OneHour | None) -> dict[str, Any]:
    """The one-hour equivalent and what it rests on; `kind` says that it is not a measurement."""
    if found is None:
        return {"one_hour_c": None, "one_hour_model": None}
    usual, *others = ENERGIES_KJ_MOL
    model = {
        "kind": "model",
        "low_c": round(found.low_c, 1),
        "high_c": round(found.high_c, 1),
        "energy_kj_mol": usual,
        "energies_kj_mol": others,
        "covers": "the clay's activation energy alone, not the probes' errors",
    }
    return {"one_hour_c": round(found.c, 1), "one_hour_model": model}


def table(result: dict[str, Any]) -> str:
    """Write a rehearsal (`summary`) for people: plain text, several lines."""
    lines = [f"{_clock(result['duration_s'])} of readings", "", "Stages"]
    lines += [f"  {_clock(s['from_s']):>8}  {s['stage'].replace('_', ' ')}" for s in result["stages"]]
    lines += ["", "Alarms" if result["alarms"] else "No alarms"]
    for alarm in result["alarms"]:
        until = "to the end" if alarm["cleared_s"] is None else f"until {_clock(alarm['cleared_s'])}"
        said = headed(RULES[alarm["rule"]].title, alarm["message"])
        lines.append(f"  {_clock(alarm['raised_s']):>8}  {said} ({until})")
    if result["limits"]:
        lines += ["", "What this rig can't judge", *(f"  {text}" for text in result["limits"])]
    if result["zones"]:
        width = max(4, *(len(z["zone"]) for z in result["zones"]))
        lines += [
            "",
            f"{'Zone':<{width}}  {'peak °C':>8} {'at':>8} {'burn-out min':>13} {'soak min':>9}"
            f" {'1 h model °C':>13}  target",
        ]
    for z in result["zones"]:
        peak = "-" if z["peak_c"] is None else f"{z['peak_c']:.0f}"
        at = "-" if z["peak_s"] is None else _clock(z["peak_s"])
        hour = "-" if z["one_hour_c"] is None else f"{z['one_hour_c']:.0f}"
        lines.append(
            f"{z['zone']:<{width}}  {peak:>8} {at:>8} {z['above_burnout_s'] / 60:>13.1f}"
            f" {z['soak_s'] / 60:>9.1f} {hour:>13}  {'reached' if z['reached_target'] else 'not reached'}"
        )
    if result["zones"]:
        lines += [
            "",
            "1 h model: the steady temperature that would do the same in an hour; not a measurement",
        ]
    return "\n".join(lines) + "\n"


def _clock(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02}:{rest:02}"
