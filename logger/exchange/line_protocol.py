"""Readings, firings, events and the logger's health as lines of InfluxDB's line protocol. Pure."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from logger.conversion.amplifiers import AMPLIFIERS, decode_words
from logger.conversion.columns import reconvert
from logger.journal.rows import FiringInfo
from logger.journal.sealed import to_json
from logger.plan import Probe
from logger.reading import Batch, Event, Floats, Status

MEASUREMENT: Final = "reading"
FIRING: Final = "firing"
EVENT: Final = "event"
LOGGER: Final = "logger"
MAX_TEXT_BYTES: Final = 60_000
"""InfluxDB takes texts of at most 64 kB."""
_TAGGED: Final = ("rule", "zone", "probe", "state")

_ESCAPES: Final = str.maketrans(
    {
        ",": "\\,",
        "=": "\\=",
        " ": "\\ ",
        # The protocol can't write these in a tag.
        "\\": "\N{SET MINUS}",
        "\n": "\\ ",
        "\r": "\\ ",
    }
)


def escape_tag(text: str) -> str:
    r"""Write a tag's value, with commas, equals signs and spaces escaped.

    A backslash, which a tag can't have before one of those or at its end, becomes the sign '∖'.
    """
    return text.translate(_ESCAPES)


def lines_of(
    batch: Batch, probes: Sequence[Probe], *, firing: str, site: str = "", proof: str = ""
) -> list[str]:
    """Write a batch's readings, one line each; readings that weren't sent get none.

    Measurement `reading`; tags `site`, `rig`, `channel`, `firing` (its ID), `probe`, `zone`, `proof`, leaving
    out empty ones; fields `temperature_c`, `cold_junction_c`, `emf_uv` if there are any, and `fault`, the
    status name in lower case, if the reading isn't OK. Times in nanoseconds. `probes` has one per channel.
    """
    again = reconvert(batch, probes)
    emf_uv = _emf_uv(again)
    t_ns = (batch.t_us * 1000).tolist()
    lines: list[str] = []
    for j, probe in enumerate(probes):
        tags = {
            "site": site,
            "rig": batch.rig,
            "channel": batch.channels[j].name,
            "firing": firing,
            "probe": probe.name,
            "zone": probe.zone,
            "proof": proof,
        }
        series = head(MEASUREMENT, tags)
        columns = (batch.temperature_c[:, j], again.cold_junction_c[:, j], emf_uv[:, j])
        for t, status, values in zip(
            t_ns, batch.status[:, j].tolist(), zip(*(c.tolist() for c in columns), strict=True), strict=True
        ):
            if status == Status.ABSENT:
                continue
            fields = [f"{name}={v!r}" for name, v in zip(_FIELDS, values, strict=True) if v == v]
            if status != Status.OK:
                fields.append(f'fault="{Status(status).name.lower()}"')
            lines.append(f"{series} {','.join(fields)} {t}")
    return lines


_FIELDS: Final = ("temperature_c", "cold_junction_c", "emf_uv")


def _emf_uv(batch: Batch) -> Floats:
    """Thermoelectric voltage where a channel gives it, NaN elsewhere."""
    out = np.full(batch.raw.shape, np.nan)
    for j, c in enumerate(batch.channels):
        chip = AMPLIFIERS.get(c.amp or "")
        sent = ~np.isnan(batch.raw[:, j])
        if c.kind == "emf":
            out[:, j] = batch.raw[:, j]
        elif chip is not None and chip.kind == "emf" and c.letter in chip.letters:
            fits = sent & (batch.raw[:, j] < 2.0 ** (8 * chip.word_bytes))
            decoded = decode_words(
                c.amp or "", batch.raw[fits, j], c.letter or "K", batch.cold_junction_c[fits, j]
            )
            out[fits, j] = decoded.emf_uv
    return out


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
