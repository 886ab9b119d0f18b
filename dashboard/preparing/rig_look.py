"""What the rig reads right now, channel by channel, for preparing a firing."""

import contextlib
import math
import time
from pathlib import Path
from typing import Any, Final

import numpy as np

from logger.cold_check.look import SILENT_S, journal_hands, stored_batches
from logger.home import Home
from logger.journal.reader import FiringInfo, JournalReader
from logger.reading import Status

BACK_S: Final = 240.0
"""A probe held longer ago than this no longer counts for naming channels [s]."""
LATEST_S: Final = 3.0

Channels = list[dict[str, Any]]


def look_at_rig(home: Path, journal_path: Path) -> dict[str, Any]:
    """Return the state of logger and rig, and what each channel reads.

    `state`: `no_logger`, `holding` (the firing has ended and nothing is recorded), `waiting` (for a first
    reading), `silent` or `live`; `firing`: the running one, or None; `channels`; `beacons` by rig, for rigs
    with a lamp or a buzzer.
    """
    look: dict[str, Any] = {"state": "waiting", "firing": None, "channels": [], "beacons": {}}
    if journal_path.exists():
        with contextlib.closing(JournalReader(journal_path)) as reader:
            beat = reader.heartbeat() or {}
            look["beacons"] = beat.get("beacons", {})
            if (firing := reader.running()) is not None:
                look |= _running(reader, firing, beat)
            elif beat.get("holding"):
                look["state"] = "holding"
    return look if Home(home).logger_runs() else look | {"state": "no_logger"}


def _running(reader: JournalReader, firing: FiringInfo, beat: dict[str, Any]) -> dict[str, Any]:
    known = {"id": firing.id, "title": firing.title, "planned": firing.plan_toml is not None}
    look: dict[str, Any] = {"firing": known}
    if firing.last_us is not None:
        scale = float(beat.get("time_scale", 1.0))
        now_us = beat.get("at_us", 0) + (time.time() - beat.get("wall_s", 0.0)) * scale * 1e6
        silent = (now_us - firing.last_us) / 1e6 / scale > SILENT_S
        look |= {"state": "silent" if silent else "live", "channels": _channels(reader, firing)}
    return look


def _channels(reader: JournalReader, firing: FiringInfo) -> Channels:
    assert firing.last_us is not None
    plan = firing.plan if firing.plan_toml is not None else None
    hands = journal_hands(reader, firing, BACK_S)
    latest: dict[tuple[str, str], dict[str, Any]] = {}
    for batch in stored_batches(reader, firing, plan, firing.last_us - round(LATEST_S * 1e6)):
        for j, channel in enumerate(batch.channels):
            for last in np.flatnonzero(batch.status[:, j] != Status.ABSENT)[-1:]:
                latest[batch.rig, channel.name] = {
                    "how": channel.amp or {"celsius": "°C"}.get(channel.kind, channel.kind),
                    "letter": channel.letter,
                    "c": _number(batch.temperature_c[last, j]),
                    "cj": _number(batch.cold_junction_c[last, j]),
                    "status": int(batch.status[last, j]),
                }
    silent = {"how": "", "letter": None, "c": None, "cj": None, "status": int(Status.ABSENT)}
    found = []
    for rig, name in firing.seen:
        told = {"rig": rig, "channel": name, **latest.get((rig, name), silent)}
        if (hand := hands.get((rig, name))) is None:
            told |= {"away": None, "moving": "", "tried": ""}
        else:
            told |= {"away": _number(hand.away_c), "moving": hand.moving, "tried": hand.tried}
        found.append(told)
    return found


def _number(value: float) -> float | None:
    return round(float(value), 2) if math.isfinite(value) else None
