"""What the journal hands out besides readings: firings, events, requests."""

from __future__ import annotations

import contextlib
import logging
import secrets
import sqlite3
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from typing import Any, Final

import msgspec

from logger.journal.sealed import DamagedError, load_dict, seal_text, to_json, true_row
from logger.plan import Plan, PlanError, assign_probes
from logger.plan import loads as loads_plan
from logger.reading import Event

log = logging.getLogger(__name__)


MOST_NUMBER: Final = 1 << 53
"""No counting gets there: what says so is damaged."""
BINNED: Final = "binned_us"
"""Fact of a firing that lies in the bin: since when. [µs]"""
JOINED: Final = "joined"
"""In `meta`: how many journals were joined to this one, and which firings of the one that is being."""


@dataclass(frozen=True)
class FiringInfo:
    """One firing."""

    id: str  # readable and unique (`20261125-1052-k3f9`)
    title: str
    started_us: int  # time of its first reading. [µs]
    ended_us: int | None  # None while it runs. [µs]
    last_us: int | None  # time of its newest reading; None if there is none. [µs]
    plan_toml: str | None  # the plan it was given; None where nobody made one
    readings: int  # channel values in the journal, those with a fault among them
    # changes whenever readings arrive that are older than others of their rig: whoever has drawn the firing
    # should read it again
    late: int
    invented: bool
    facts: dict[str, Any]  # what people wrote down about it
    seen: tuple[tuple[str, str], ...] = field(repr=False)  # in order of first appearance

    @property
    def running(self) -> bool:
        """Whether it hasn't been ended."""
        return self.ended_us is None

    @property
    def binned(self) -> bool:
        """Whether it lies in the bin."""
        return BINNED in self.facts

    @property
    def length_s(self) -> float:
        """How long its readings last, as far as they have come [s]."""
        return ((self.last_us or self.started_us) - self.started_us) / 1e6

    @property
    def time_known(self) -> bool:
        """Whether its day and time of day are true: not every imported file has them."""
        return self.facts.get("time_known", True) is not False

    @cached_property
    def plan(self) -> Plan:
        """The plan; where there is none, or it can't be read, each channel so far is a probe of its name."""
        if self.plan_toml is not None:
            try:
                return loads_plan(self.plan_toml, f"plan of firing {self.id}", stored=True)
            except PlanError as exc:
                log.error("firing %s goes on without its plan: %s", self.id, exc)
        return Plan(title=self.title, probes=assign_probes(None, self.seen))


@dataclass(frozen=True, slots=True)
class Request:
    """Something a person asks of the logger."""

    id: int
    kind: str
    data: dict[str, Any] | None  # None where the row can't be read
    who: str
    result: dict[str, Any] | None  # None until it has been dealt with


def read_meta(db: sqlite3.Connection, key: str) -> dict[str, Any]:
    """Read a small fact about the whole journal; empty where there is none, or it is damaged."""
    row = db.execute("SELECT value FROM meta WHERE key = ?", (key,)).fetchone()
    with contextlib.suppress(DamagedError):
        return {} if row is None else load_dict(row[0], key)
    return {}


def numbers_given(db: sqlite3.Connection) -> dict[str, int]:
    """Give the highest number that each table has given out, as far as they can be read."""
    highest: dict[str, int] = {}
    for name, column in (("event", "id"), ("request", "id"), ("recent", "arrival"), ("chunk", "arrival")):
        with contextlib.suppress(sqlite3.Error):
            found = db.execute(f"SELECT max({column}) FROM {name}").fetchone()[0]
            if isinstance(found, int) and 0 < found < MOST_NUMBER:
                kind = "arrival" if column == "arrival" else name
                highest[kind] = max(found, highest.get(kind, 0))
    return highest


class _Named(msgspec.Struct):
    name: str


_channels: Final = msgspec.json.Decoder(list[_Named])  # the archive lists hundreds of firings at once
_ID_LETTERS: Final = "abcdefghjkmnpqrstvwxyz23456789"

FIRING_COLUMNS: Final = "id, title, plan, started_us, ended_us, invented, facts"
"""What is said about a firing, and kept twice."""

_FIRINGS: Final = f"""
    SELECT firing.key, {FIRING_COLUMNS},
        max((SELECT coalesce(max(t1_us), -1) FROM recent WHERE firing = key),
            (SELECT coalesce(max(t1_us), -1) FROM chunk WHERE firing = key
             AND minute = (SELECT max(minute) FROM chunk WHERE firing = key))),
        packed_readings + (SELECT coalesce(sum(readings), 0) FROM recent WHERE firing = key),
        late, (SELECT data FROM twin WHERE kind = 'firing' AND twin.key = firing.key)
    FROM firing
"""


def select_firings(db: sqlite3.Connection, where: str = "", values: tuple[Any, ...] = ()) -> list[FiringInfo]:
    """Read firings; what of a row is damaged comes from its twin; without that it is done without."""
    rows = db.execute(_FIRINGS + where, values).fetchall()
    if not rows:
        return []
    seen: dict[int, dict[tuple[str, str], None]] = {row[0]: {} for row in rows}
    chosen = f" WHERE firing = {int(rows[0][0])}" if len(rows) == 1 else ""
    for layout_id, *columns, twin in db.execute(f"{_LAYOUTS}{chosen} ORDER BY id"):
        firing, rig, channels = true_row("layout", layout_id, tuple(columns), twin)
        if firing in seen:
            with contextlib.suppress(msgspec.DecodeError, TypeError):
                seen[firing].update(dict.fromkeys((rig, c.name) for c in _channels.decode(channels)))
    return [_firing_info(row, tuple(seen[row[0]])) for row in rows]


def _firing_info(row: tuple[Any, ...], seen: tuple[tuple[str, str], ...]) -> FiringInfo:
    key, *columns, last_us, readings, late, twin = row
    name, title, plan, started_us, ended_us, invented, facts = true_row("firing", key, tuple(columns), twin)
    try:
        facts = load_dict(facts)
    except DamagedError:
        facts = {}
    return FiringInfo(
        id=str(name),
        title=str(title),
        started_us=_whole(started_us),
        ended_us=None if ended_us is None else _whole(ended_us),
        last_us=last_us if _whole(last_us, -1) >= 0 else None,
        plan_toml=plan if isinstance(plan, str) else None,
        readings=_whole(readings),
        late=_whole(late),
        invented=bool(invented),
        facts=facts,
        seen=seen,
    )


def _whole(value: Any, otherwise: int = 0) -> int:
    return value if isinstance(value, int) else otherwise


def true_layout(db: sqlite3.Connection, layout_id: int) -> tuple[int, str, str] | None:
    """Give a layout's row (firing, rig, channels), of its two copies the one that is whole, if any."""
    found = db.execute(f"{_LAYOUTS} WHERE id = ?", (layout_id,)).fetchone()
    if found is None:
        twin = db.execute("SELECT data FROM twin WHERE kind = 'layout' AND key = ?", (layout_id,)).fetchone()
        found = (layout_id, None, None, None, None if twin is None else twin[0])
    firing, rig, channels = true_row("layout", layout_id, tuple(found[1:4]), found[4])
    return None if channels is None else (firing, rig, channels)


_LAYOUTS: Final = (
    "SELECT id, firing, rig, channels,"
    " (SELECT data FROM twin WHERE kind = 'layout' AND key = layout.id) FROM layout"
)


def new_firing_id(db: sqlite3.Connection, started_us: int) -> str:
    """Make an ID that no firing has yet: local date and time, and four letters."""
    begun = datetime.fromtimestamp(started_us / 1e6).astimezone()
    while True:
        firing_id = f"{begun:%Y%m%d-%H%M}-{''.join(secrets.choice(_ID_LETTERS) for _ in range(4))}"
        if not db.execute("SELECT 1 FROM firing WHERE id = ?", (firing_id,)).fetchone():
            return firing_id


def to_request(row: tuple[Any, ...]) -> Request:
    """Make a request of its row (id, made_us, kind, data, who, result).

    One that damage has garbled comes as the kind `damaged`: nobody carries that out.
    """
    request_id, made_us, kind, data, who, result = row
    try:
        asked = load_dict(data, made_us, kind, who)
        answer = None if result is None else load_dict(result, request_id)
    except DamagedError:
        return Request(request_id, "damaged", {}, "", None if result is None else {"ok": False})
    return Request(request_id, kind, asked, who, answer)


def to_event(row: tuple[Any, ...], firing: int) -> Event | None:
    """Make an event of its row (id, t_us, kind, data, who); a damaged one is None, and told in the log."""
    number, t_us, kind, data, who = row
    try:
        if not (isinstance(t_us, int) and isinstance(kind, str) and isinstance(who, str)):
            raise DamagedError("damaged data: no event")
        return Event(t_us, kind, load_dict(data, firing, t_us, kind, who), who, number)
    except DamagedError as exc:
        log.warning("event %s can't be read, and is left out: %s", number, exc)
        return None


def seal_event(firing: int, t_us: int, kind: str, data: dict[str, Any], who: str) -> str:
    """Write what an event says, with a checksum over all of its row; ValueError for NaN or infinity."""
    return seal_text(to_json(data), firing, t_us, kind, who)
