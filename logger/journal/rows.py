"""What the journal hands out besides readings: firings, events, requests."""

from __future__ import annotations

import json
import secrets
import sqlite3
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from typing import Any, Final

import msgspec

from logger.plan import Plan, assign_probes
from logger.plan import loads as loads_plan


@dataclass(frozen=True)
class FiringInfo:
    """One firing.

    Attributes
    ----------
    id : str
        Readable and unique (`20261125-1052-k3f9`).
    title : str
    started_us : int
        Time of its first reading. [µs]
    ended_us : int or None
        None while it runs. [µs]
    last_us : int or None
        Time of its newest reading; None if there is none. [µs]
    plan_toml : str or None
        The plan it was given; None where nobody made one.
    readings : int
        Channel values in the journal, those with a fault among them.
    late : int
        Changes whenever readings arrive that are older than others of their rig: who has drawn the firing
        should read it afresh.
    invented : bool
        From a simulation.
    facts : dict
        What people wrote down about it.
    seen : tuple of (rig, channel)
        In order of first appearance.
    """

    id: str
    title: str
    started_us: int
    ended_us: int | None
    last_us: int | None
    plan_toml: str | None
    readings: int
    late: int
    invented: bool
    facts: dict[str, Any]
    seen: tuple[tuple[str, str], ...] = field(repr=False)

    @property
    def running(self) -> bool:
        """Whether it hasn't been ended."""
        return self.ended_us is None

    @cached_property
    def plan(self) -> Plan:
        """The plan; where nobody made one, each channel seen so far is a probe of its own name."""
        if self.plan_toml is None:
            return Plan(title=self.title, probes=assign_probes(None, self.seen))
        return loads_plan(self.plan_toml, f"plan of firing {self.id}", stored=True)


@dataclass(frozen=True, slots=True)
class EventRow:
    """Something that happened, or was done, in a firing.

    Attributes
    ----------
    id : int
        Grows from event to event, over all firings.
    t_us : int
        [µs]
    kind : str
        `note`, `spot`, `alarm`, `stage`, `gap`, `rig`, `clock`, `fault` or `system`.
    data : dict
    who : str
        Empty for the program itself.
    """

    id: int
    t_us: int
    kind: str
    data: dict[str, Any]
    who: str


@dataclass(frozen=True, slots=True)
class Request:
    """Something a person asks of the logger.

    Attributes
    ----------
    id : int
    made_us : int
        When it was asked. [µs]
    kind : str
    data : dict or None
        None where the row can't be read.
    who : str
    result : dict or None
        None until it has been dealt with.
    """

    id: int
    made_us: int
    kind: str
    data: dict[str, Any] | None
    who: str
    result: dict[str, Any] | None


class _Named(msgspec.Struct):
    name: str


_channels: Final = msgspec.json.Decoder(list[_Named])  # the archive lists hundreds of firings at once
_ID_LETTERS: Final = "abcdefghjkmnpqrstvwxyz23456789"

_FIRINGS: Final = """
    SELECT key, id, title, started_us, ended_us,
        max((SELECT coalesce(max(t1_us), -1) FROM recent WHERE firing = key),
            (SELECT coalesce(max(t1_us), -1) FROM chunk WHERE firing = key
             AND minute = (SELECT max(minute) FROM chunk WHERE firing = key))),
        plan, packed_readings + (SELECT coalesce(sum(readings), 0) FROM recent WHERE firing = key),
        late, invented, facts
    FROM firing
"""


def select_firings(db: sqlite3.Connection, where: str = "", values: tuple[Any, ...] = ()) -> list[FiringInfo]:
    """Read firings.

    Parameters
    ----------
    db : sqlite3.Connection
    where : str
        What follows `FROM firing`.
    values : tuple
        For its question marks.

    Returns
    -------
    list of FiringInfo
    """
    rows = db.execute(_FIRINGS + where, values).fetchall()
    if not rows:
        return []
    seen: dict[int, dict[tuple[str, str], None]] = {row[0]: {} for row in rows}
    chosen = f" WHERE firing = {int(rows[0][0])}" if len(rows) == 1 else ""
    for firing, rig, channels in db.execute(f"SELECT firing, rig, channels FROM layout{chosen} ORDER BY id"):
        if firing in seen:
            seen[firing].update(dict.fromkeys((rig, c.name) for c in _channels.decode(channels)))
    return [
        FiringInfo(
            id=row[1],
            title=row[2],
            started_us=row[3],
            ended_us=row[4],
            last_us=row[5] if row[5] >= 0 else None,
            plan_toml=row[6],
            readings=row[7],
            late=row[8],
            invented=bool(row[9]),
            facts=json.loads(row[10]),
            seen=tuple(seen[row[0]]),
        )
        for row in rows
    ]


def new_firing_id(db: sqlite3.Connection, started_us: int) -> str:
    """Make an ID that no firing has yet.

    Parameters
    ----------
    db : sqlite3.Connection
    started_us : int
        [µs]

    Returns
    -------
    str
        Local date and time, and four letters.
    """
    begun = datetime.fromtimestamp(started_us / 1e6).astimezone()
    while True:
        firing_id = f"{begun:%Y%m%d-%H%M}-{''.join(secrets.choice(_ID_LETTERS) for _ in range(4))}"
        if not db.execute("SELECT 1 FROM firing WHERE id = ?", (firing_id,)).fetchone():
            return firing_id


def to_json(data: dict[str, Any]) -> str:
    """Write what an event, a request or a heartbeat says.

    Parameters
    ----------
    data : dict

    Returns
    -------
    str
        JSON that any reader takes.

    Raises
    ------
    ValueError
        There is NaN or infinity in it.
    """
    return json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def to_request(row: tuple[Any, ...]) -> Request:
    """Make a request of its row (id, made_us, kind, data, who, result), whatever stands in it."""
    request_id, made_us, kind, data, who, result = row
    return Request(
        request_id,
        made_us if isinstance(made_us, int) else 0,
        str(kind),
        _read_object(data),
        str(who),
        None if result is None else _read_object(result) or {"ok": False, "error": "the answer is damaged"},
    )


def _read_object(text: object) -> dict[str, Any] | None:
    """Read a JSON object; None where it is anything else: too deep, a number too long, damaged."""
    try:
        found = json.loads(text) if isinstance(text, str | bytes) else None
    except (ValueError, RecursionError):
        return None
    return found if isinstance(found, dict) else None
