"""What the journal holds besides readings: firings, events, requests (and making one), frames set apart."""

from __future__ import annotations

import contextlib
import logging
import secrets
import sqlite3
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import Any, Final

import msgspec

from logger.errors import UserError
from logger.journal.schema import errors_of
from logger.journal.sealed import DamagedError, load_dict, seal_text, to_json, true_row, twice
from logger.plan import Plan, PlanError, assign_probes
from logger.plan import loads as loads_plan
from logger.reading import Event

log = logging.getLogger(__name__)

_COUNTED: Final = {
    "firing": (("firing", "key"),),
    "layout": (("layout", "id"),),
    "event": (("event", "id"),),
    "request": (("request", "id"),),
    "set_apart": (("set_apart", "id"),),
    "arrival": (("recent", "arrival"), ("chunk", "arrival")),
}
"""What is numbered, and the columns that show how far."""
MOST_NUMBER: Final = 1 << 53
"""No number gets this high unless it is damaged."""
NUMBERS: Final = "numbers_from"
"""In `meta`: the next number of each kind, where the rows don't show it."""
BINNED: Final = "binned_us"
"""Fact of a firing in the bin: since when. [µs]"""
JOINED: Final = "joined"
"""In `meta`: how many journals were joined to this one."""

LATELY_US: Final = 20 * 60 * 1_000_000
"""How long recorded frames are remembered. [µs]"""

MAX_WAITING: Final = 200
"""Most unanswered requests: a logger that was away for long finds no more than these."""
MAX_DATA: Final = 250_000
"""Most characters in one request; a plan is by far the longest."""

Key = tuple[int, int, int]
"""A frame's `seq`, `ms` and checksum."""

LATELY: Final = msgspec.msgpack.Decoder(dict[str, list[Key]])
"""Decodes the recent frames' keys, by rig."""


@dataclass(frozen=True)
class FiringInfo:
    """One firing."""

    id: str  # readable and unique (`20261125-1052-k3f9`)
    title: str
    started_us: int  # time of its first reading. [µs]
    ended_us: int | None  # None while it runs. [µs]
    plan_toml: str | None  # its plan; None if nobody made one
    invented: bool
    facts: dict[str, Any]  # what people wrote down about it
    last_us: int | None = None  # time of its newest reading; None if there is none. [µs]
    readings: int = 0  # channel values in the journal, including those with a fault
    # changes whenever readings arrive that are older than others from their rig: anything drawn from the
    # firing should be read again
    late: int = 0
    seen: tuple[tuple[str, str], ...] = field(default=(), repr=False)  # in order of first appearance

    @property
    def running(self) -> bool:
        """Whether it hasn't ended."""
        return self.ended_us is None

    @property
    def binned(self) -> bool:
        """Whether it is in the bin."""
        return BINNED in self.facts

    @property
    def length_s(self) -> float:
        """How long its readings span so far [s]."""
        return ((self.last_us or self.started_us) - self.started_us) / 1e6

    @property
    def time_known(self) -> bool:
        """Whether its date and time of day are known: not every imported file has them."""
        return self.facts.get("time_known", True) is not False

    @cached_property
    def plan(self) -> Plan:
        """The plan; without a readable one, each channel seen so far is a probe of its own name."""
        if self.plan_toml is not None:
            try:
                return loads_plan(self.plan_toml, f"plan of firing {self.id}", stored=True)
            except PlanError as exc:
                log.error("firing %s goes on without its plan: %s", self.id, exc)
        return Plan(title=self.title, probes=assign_probes(None, self.seen))


@dataclass(frozen=True, slots=True)
class Request:
    """Something a person asked of the logger."""

    id: int
    kind: str
    data: dict[str, Any] | None  # None if the row can't be read
    who: str
    result: dict[str, Any] | None  # None until it has been dealt with


@dataclass(frozen=True, slots=True)
class Apart:
    """A frame that was set apart."""

    id: int
    t_us: int  # when it came in, UTC. [µs]
    rig: str
    source: str
    why: str  # `unplaced`, `rig`, `topic` or `channels`: see `WHY`
    line: bytes  # as it came, without its newline


WHY: Final = {
    "unplaced": "their counter and clock fit nothing else this rig sent",
    "rig": "more rigs are sending than one firing takes",
    "topic": "they came on another rig's topic",
    "channels": "they have more channels than one firing takes",
}


def read_meta(db: sqlite3.Connection, key: str) -> dict[str, Any]:
    """Read a small fact about the whole journal; empty if there is none, or it is damaged."""
    row = db.execute("SELECT value FROM meta WHERE key = ?", (key,)).fetchone()
    with contextlib.suppress(DamagedError):
        return {} if row is None else load_dict(row[0], key)
    return {}


def next_number(db: sqlite3.Connection, kind: str) -> int:
    """Return the next number that no row has or ever had: followers ask for everything after the last.

    `kind`: a key of `_COUNTED`.
    """
    given = (f"coalesce((SELECT max({column}) FROM {table}), 0)" for table, column in _COUNTED[kind])
    (newest,) = db.execute(f"SELECT max(0, {', '.join(given)})").fetchone()
    if not isinstance(newest, int):
        raise sqlite3.DatabaseError(f"the numbers of {kind} are damaged: {newest!r}")
    return max(newest + 1, int(read_meta(db, NUMBERS).get(kind, 0)))


def next_numbers(db: sqlite3.Connection) -> dict[str, int]:
    """Return the next number of each kind, as far as they can be read."""
    found: dict[str, int] = {}
    for kind in _COUNTED:
        with contextlib.suppress(sqlite3.Error):
            if 0 < (number := next_number(db, kind)) < MOST_NUMBER:
                found[kind] = number
    return found


class _Named(msgspec.Struct):
    name: str


_channels: Final = msgspec.json.Decoder(list[_Named])  # the archive lists hundreds of firings at once
_ID_LETTERS: Final = "abcdefghjkmnpqrstvwxyz23456789"

_COUNTS: Final = """,
    max((SELECT coalesce(max(t1_us), -1) FROM recent WHERE firing = key),
        (SELECT coalesce(max(t1_us), -1) FROM chunk WHERE firing = key
         AND minute = (SELECT max(minute) FROM chunk WHERE firing = key))),
    packed_readings + (SELECT coalesce(sum(readings), 0) FROM recent WHERE firing = key),
    late
"""


def select_firings(db: sqlite3.Connection, where: str = "", values: tuple[Any, ...] = ()) -> list[FiringInfo]:
    """Read firings; anything damaged in a row comes from its twin, or is left out."""
    rows = twice(db, "firing", where, values, _COUNTS)
    seen: dict[int, dict[tuple[str, str], None]] = {key: {} for key, *_ in rows}
    chosen = "WHERE firing = ? ORDER BY id" if len(rows) == 1 else "ORDER BY id"
    for number, said, twin in twice(db, "layout", chosen, tuple(seen) if len(rows) == 1 else ()):
        firing, rig, channels = true_row("layout", number, said, twin)
        if firing in seen:
            with contextlib.suppress(msgspec.DecodeError, TypeError):
                seen[firing].update(dict.fromkeys((rig, c.name) for c in _channels.decode(channels)))
    return [
        firing_info(
            true_row("firing", key, said, twin),
            last_us=last_us if _whole(last_us, -1) >= 0 else None,
            readings=_whole(readings),
            late=_whole(late),
            seen=tuple(seen[key]),
        )
        for key, said, twin, last_us, readings, late in rows
    ]


def firing_info(said: tuple[Any, ...], **more: Any) -> FiringInfo:
    """Make a firing from its row (`sealed.TWICE`), leaving out what is damaged."""
    name, title, plan, started_us, ended_us, invented, facts = said
    try:
        facts = load_dict(facts)
    except DamagedError:
        facts = {}
    return FiringInfo(
        id=str(name),
        title=str(title),
        started_us=_whole(started_us),
        ended_us=None if ended_us is None else _whole(ended_us),
        plan_toml=plan if isinstance(plan, str) else None,
        invented=bool(invented),
        facts=facts,
        **more,
    )


def _whole(value: Any, otherwise: int = 0) -> int:
    return value if isinstance(value, int) else otherwise


def new_firing_id(db: sqlite3.Connection, started_us: int) -> str:
    """Make a new firing ID: local date and time, and four letters."""
    begun = datetime.fromtimestamp(started_us / 1e6).astimezone()
    while True:
        firing_id = f"{begun:%Y%m%d-%H%M}-{''.join(secrets.choice(_ID_LETTERS) for _ in range(4))}"
        if not db.execute("SELECT 1 FROM firing WHERE id = ?", (firing_id,)).fetchone():
            return firing_id


def to_request(row: tuple[Any, ...]) -> Request:
    """Make a request from its row (id, made_us, kind, data, who, result).

    A damaged one gets the kind `damaged`, which is never carried out.
    """
    request_id, made_us, kind, data, who, result = row
    try:
        asked = load_dict(data, made_us, kind, who)
        answer = None if result is None else load_dict(result, request_id)
    except DamagedError:
        return Request(request_id, "damaged", {}, "", None if result is None else {"ok": False})
    return Request(request_id, kind, asked, who, answer)


def to_event(row: Sequence[Any], firing: int) -> Event | None:
    """Make an event from its row (id, t_us, kind, data, who); a damaged one is logged, and None."""
    number, t_us, kind, data, who = row
    try:
        if not (isinstance(t_us, int) and isinstance(kind, str) and isinstance(who, str)):
            raise DamagedError("damaged data: not an event")
        return Event(t_us, kind, load_dict(data, firing, t_us, kind, who), who, number)
    except DamagedError as exc:
        log.warning("event %s can't be read and is left out: %s", number, exc)
        return None


def seal_event(firing: int, t_us: int, kind: str, data: dict[str, Any], who: str) -> str:
    """Write an event's data, with a checksum over its whole row; ValueError for NaN or infinity."""
    return seal_text(to_json(data), firing, t_us, kind, who)


def add_request(path: Path, kind: str, data: dict[str, Any], who: str = "") -> int:
    """Ask the logger for something; return the request's number, for `JournalReader.request`.

    UserError if it is longer than `MAX_DATA`, or too many are waiting.
    """
    text = to_json(data)
    if len(text) > MAX_DATA:
        raise UserError(f"longer than {MAX_DATA} characters, which no request should be")
    with errors_of(path):
        db = sqlite3.connect(
            f"{path.absolute().as_uri()}?mode=rw", uri=True, timeout=5.0, isolation_level=None
        )
        with contextlib.closing(db):
            db.execute("PRAGMA synchronous = FULL")
            db.execute("BEGIN IMMEDIATE")
            (waiting,) = db.execute("SELECT count(*) FROM request WHERE result IS NULL").fetchone()
            if waiting >= MAX_WAITING:
                raise UserError(
                    f"{waiting} requests are waiting for the logger; see `stokewatch status`: is it running?"
                )
            number, made_us = next_number(db, "request"), time.time_ns() // 1000
            db.execute(
                "INSERT INTO request (id, made_us, kind, data, who) VALUES (?, ?, ?, ?, ?)",
                (number, made_us, kind, seal_text(text, made_us, kind, who), who),
            )
            db.execute("COMMIT")
            return number
