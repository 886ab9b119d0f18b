"""What happened in a firing, a line each: notes, gun readings, alarms, stages; the same for every reader."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from logger.words.looks import NOTES, STAGES
from logger.words.said import Unit, reading


def capital(text: str) -> str:
    """Capitalise the first letter, leaving the rest."""
    return text[:1].upper() + text[1:]


def alarm_name(alarm: Mapping[str, Any]) -> str:
    """Name an alarm (see `logger.judgement.alarms.alarm_data`) and its place."""
    title = str(alarm.get("title") or capital(str(alarm.get("rule", "alarm")).replace("_", " ")))
    place = alarm.get("zone") or alarm.get("probe")
    return f"{title}: {place}" if place else title


def headed(title: str, message: str, joint: str = ": ") -> str:
    """Put an alarm's title before its message, unless the message begins with it."""
    return message if message.startswith(title) else f"{title}{joint}{message}"


def turned(alarm: Mapping[str, Any]) -> str:
    """Say what happened to an alarm."""
    turn = str(alarm.get("transition") or "raised")
    return {"shelved": "silenced", "unshelved": "no longer silenced"}.get(turn, turn)


def event_words(kind: str, data: Mapping[str, Any], unit: Unit) -> str:
    """Say what happened, from an event's kind and data."""
    match kind:
        case "spot":
            return _spot(data, unit)
        case "note":
            return _note(data)
        case "stage":
            name = STAGES.get(data.get("stage", ""), str(data.get("stage")))
            return f"{name}; the {data['leading']} leads" if data.get("leading") else name
        case "alarm":
            turn = turned(data)
            return alarm_name(data) if turn == "raised" else f"{alarm_name(data)} ({turn})"
    said = data.get("text") or data.get("message") or data.get("state") or data.get("what") or kind
    return capital(str(said))


def _spot(data: Mapping[str, Any], unit: Unit) -> str:
    c, emissivity = data.get("temperature_c"), data.get("emissivity")
    said = f"Gun reading: {data.get('zone') or ''}{_at(data, ' at ')}, "
    said += reading(c if isinstance(c, int | float) else None, unit)
    said += f" (emissivity {emissivity:g})" if isinstance(emissivity, int | float) else ""
    return said + (f", {data['text']}" if data.get("text") else "")


def _note(data: Mapping[str, Any]) -> str:
    kind, said = str(data.get("kind") or ""), str(data.get("text") or "")
    if kind != "text":
        head = NOTES.get(kind, kind.replace("_", " "))
        head += f" ({data['amount']})" if data.get("amount") else ""
        said = f"{head}, {said}" if said else head
    return capital(said + (f": {data['zone']}" if data.get("zone") else "") + _at(data, ", "))


def _at(data: Mapping[str, Any], before: str) -> str:
    height = data.get("height_cm")
    return f"{before}{height:g} cm" if isinstance(height, int | float) else ""
