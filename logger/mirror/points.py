"""Write a firing, its events and the logger's health in InfluxDB's line protocol. Pure.

For readings see `exchange.line_protocol`.
"""

from __future__ import annotations

import json
from typing import Any, Final

from logger.exchange.line_protocol import escape_tag
from logger.journal.rows import FiringInfo
from logger.journal.sealed import to_json
from logger.reading import Event

FIRING: Final = "firing"
EVENT: Final = "event"
LOGGER: Final = "logger"
MAX_TEXT_BYTES: Final = 60_000
"""InfluxDB takes texts of at most 64 kB."""
_TAGGED: Final = ("rule", "zone", "probe", "state")


def quoted(text: str) -> str:
    """Write a field's text. Line breaks become blanks, because servers treat them differently."""
    for sign, instead in (("\\", "\\\\"), ('"', '\\"'), ("\r\n", " "), ("\n", " "), ("\r", " ")):
        text = text.replace(sign, instead)
    return f'"{text}"'


def head(measurement: str, tags: dict[str, str]) -> str:
    """Write a line's measurement and its tags, leaving out empty ones."""
    return ",".join([measurement, *(f"{key}={escape_tag(value)}" for key, value in tags.items() if value)])


def firing_line(info: FiringInfo, *, site: str = "") -> str:
    """Write what is known about a firing, always with the time of its start, so that a later line replaces
    it.

    Measurement `firing`; tags `site` and `firing`; fields `title`, `invented`, `started_us`, `ended_us` (0
    while it is running), and `plan` and `facts` as JSON texts. Texts too long for a server are left out.
    """
    texts = {
        "title": info.title,
        # JSON, so that a plan's line breaks survive.
        "plan": json.dumps(info.plan_toml, ensure_ascii=False),
        "facts": to_json(info.facts),
    }
    fields = [
        f"invented={'true' if info.invented else 'false'}",
        f"started_us={info.started_us}i",
        f"ended_us={info.ended_us or 0}i",
        *(f"{key}={quoted(text)}" for key, text in texts.items() if _fits(text)),
    ]
    return f"{head(FIRING, {'site': site, 'firing': info.id})} {','.join(fields)} {info.started_us * 1000}"


def event_line(firing: str, event: Event, *, site: str = "") -> str:
    """Write an event.

    Measurement `event`; tags `site`, `firing`, `kind`, and an alarm's `rule`, `zone`, `probe` and `state`;
    fields `id`, `who`, `message` and `data`, a JSON text. The last three digits of the time in nanoseconds
    are those of the event's number, so that two events in one microsecond don't overwrite each other.
    """
    tags = {"site": site, "firing": firing, "kind": event.kind}
    if event.kind == "alarm":
        tags |= {key: value for key in _TAGGED if isinstance(value := event.data.get(key), str)}
    texts = {"who": event.who, "message": event.data.get("message"), "data": to_json(event.data)}
    fields = [
        f"id={event.id}i",
        *(f"{key}={quoted(text)}" for key, text in texts.items() if isinstance(text, str) and _fits(text)),
    ]
    return f"{head(EVENT, tags)} {','.join(fields)} {event.t_us * 1000 + event.id % 1000}"


def logger_line(firing: FiringInfo, beat: dict[str, Any], *, site: str = "") -> str | None:
    """Write the logger's health, replacing the last: it is about now, not a record.

    Measurement `logger`; tags `site` and `firing`; field `beat`, a JSON text. None if it is too long.
    """
    text = to_json(beat)
    if not _fits(text):
        return None
    tags = head(LOGGER, {"site": site, "firing": firing.id})
    return f"{tags} beat={quoted(text)} {firing.started_us * 1000}"


def _fits(text: str) -> bool:
    return len(text.encode("utf-8", "replace")) <= MAX_TEXT_BYTES
