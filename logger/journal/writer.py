"""The journal's one writer of readings."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import msgspec

from logger.errors import UserError
from logger.journal.layout import MINUTE_US, Layout, seal, unseal, widths_for
from logger.journal.packing import ALL_MINUTES, pack_minutes
from logger.journal.rollup import run_starts
from logger.journal.rows import (
    LATELY_US,
    MAX_DATA,
    MOST_NUMBER,
    Apart,
    FiringInfo,
    Key,
    Request,
    new_firing_id,
    next_number,
    seal_event,
    select_firings,
    to_event,
    to_request,
)
from logger.journal.schema import JournalError, errors_of
from logger.journal.sealed import keep, repair, seal_text, to_json
from logger.journal.traces import in_order
from logger.journal.written_file import WrittenFile
from logger.reading import Batch, Channel, Event, Status

__all__ = ["FiringInfo", "JournalWriter"]

GRACE_US: Final = 10_000_000
"""A minute is packed this long after its end, so that slightly late frames are in it. [µs]"""
AT_ONCE: Final = 50
"""Requests taken at once: a heap of them must not keep the readings waiting."""
KEPT_DATA: Final = 4000
"""Characters kept of an answered request: enough for a note with its texts."""
PACK_MINUTES: Final = 8
"""Most minutes packed in one transaction while readings come in, to keep it short."""


@dataclass(slots=True)
class _Progress:
    """What is known of a running firing without reading the file."""

    key: int
    newest_us: dict[str, int]  # by rig
    packed_before: int = 0  # minute


class JournalWriter(WrittenFile):
    """Writes a journal. One thread owns it. `firing` is a firing's ID throughout.

    Readings are first kept as they came, one row per batch. When a minute is over, its rows are sorted,
    rolled up, and packed into one row. Both happen inside the transaction that brought the readings: all of
    it is kept, or nothing.
    """

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self._layouts: dict[tuple[str, str, tuple[Channel, ...]], Layout] = {}
        self._progress: dict[str, _Progress] = {}

    def _forget(self) -> None:
        self._layouts.clear()
        self._progress.clear()

    def open_firing(
        self,
        title: str,
        plan_toml: str | None,
        started_us: int,
        *,
        ended_us: int | None = None,
        invented: bool = False,
        facts: dict[str, Any] | None = None,
    ) -> FiringInfo:
        """Begin a firing at the time of its first reading [µs]; JournalError while another is running.

        `ended_us`: it is already over (an import).
        """
        with self.transaction():
            firing = new_firing_id(self._db, started_us)
            said = FiringInfo(firing, title, started_us, ended_us, plan_toml, invented, facts or {})
            return self.open_copy(said, ended_us)

    def open_copy(self, firing: FiringInfo, ended_us: int | None) -> FiringInfo:
        """Begin the copy of a firing from elsewhere, under its ID; see `open_firing`."""
        with self.transaction():
            running = self.running()
            if running is not None and ended_us is None:
                raise JournalError(
                    f"firing {running.id} is running; finish it before another begins", "misuse"
                )
            key = next_number(self._db, "firing")
            self._db.execute(
                "INSERT INTO firing (key, id, title, plan, started_us, ended_us, invented, facts)"
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    *(key, firing.id, firing.title, firing.plan_toml, firing.started_us, ended_us),
                    *(firing.invented, to_json(firing.facts)),
                ),
            )
            keep(self._db, "firing", key)
            return self.firing(firing.id)

    def change_firing(
        self,
        firing: str,
        *,
        title: str | None = None,
        plan_toml: str | None = None,
        facts: dict[str, Any] | None = None,
    ) -> FiringInfo:
        """Change a firing's title, plan or facts; None leaves one as it is, `facts` replace all old ones."""
        with self.transaction():
            key = self._key(firing)
            self._db.execute(
                "UPDATE firing SET title = coalesce(?, title), plan = coalesce(?, plan),"
                " facts = coalesce(?, facts) WHERE key = ?",
                (title, plan_toml, None if facts is None else to_json(facts), key),
            )
            keep(self._db, "firing", key)
            return self.firing(firing)

    def finish_firing(self, firing: str, ended_us: int) -> None:
        """End a firing and pack the rest of it."""
        with self.transaction():
            key = self._key(firing)
            self._db.execute("UPDATE firing SET ended_us = ? WHERE key = ?", (ended_us, key))
            keep(self._db, "firing", key)
            self.pack(firing)

    def running(self) -> FiringInfo | None:
        """Return the running firing, if any."""
        with errors_of(self.path):
            found = select_firings(self._db, "WHERE ended_us IS NULL")
        return found[0] if found else None

    def firing(self, firing: str) -> FiringInfo:
        """Return a firing."""
        with errors_of(self.path):
            return select_firings(self._db, "WHERE key = ?", (self._key(firing),))[0]

    def append(self, firing: str, batch: Batch) -> None:
        """Keep readings in any order of time, and of any age. Commits on its own outside a `transaction`.

        JournalError: nothing of it was kept; it can be tried again.
        """
        if not len(batch.t_us):
            return
        with self.transaction():
            progress = self._progress_of(firing)
            layout = self._layout(firing, progress.key, batch)
            t_us, records, minute = in_order(batch.t_us, *layout.encode(batch))
            present = (records["status"] & 0x7F != Status.ABSENT).sum(axis=1)
            starts = run_starts(minute)
            arrival = next_number(self._db, "arrival")
            if arrival >= MOST_NUMBER:
                raise JournalError(f"journal {self.path}: its numbering is damaged ({arrival})", "damaged")
            rows = []
            for a, b in zip(starts, [*starts[1:], len(minute)], strict=True):
                readings = int(present[a:b].sum())
                covered = (progress.key, layout.id, int(t_us[a]), int(t_us[b - 1]), int(b - a), readings)
                rows.append((arrival, *covered, seal(records[a:b].tobytes(), covered)))
                arrival += 1
            self._db.executemany("INSERT INTO recent VALUES (?, ?, ?, ?, ?, ?, ?, ?)", rows)
            newest = progress.newest_us.get(batch.rig, -1)
            if t_us[0] < newest:
                self._db.execute("UPDATE firing SET late = ? WHERE key = ?", (arrival, progress.key))
            progress.newest_us[batch.rig] = max(newest, int(t_us[-1]))
            due = (max(progress.newest_us.values()) - GRACE_US) // MINUTE_US
            if due > progress.packed_before:
                limit = max(PACK_MINUTES, len(rows))
                if pack_minutes(self._db, progress.key, due, limit):
                    progress.packed_before = due

    def pack(self, firing: str, before: int = ALL_MINUTES) -> None:
        """Pack a firing up to a minute, or all of it including its last minutes."""
        with self.transaction():
            pack_minutes(self._db, self._key(firing), before)

    def add_event(self, firing: str, t_us: int, kind: str, data: dict[str, Any], who: str = "") -> int:
        """Keep an event; return its number."""
        with self.transaction():
            key = self._key(firing)
            number = next_number(self._db, "event")
            self._db.execute(
                "INSERT INTO event (id, firing, t_us, kind, data, who) VALUES (?, ?, ?, ?, ?, ?)",
                (number, key, t_us, kind, seal_event(key, t_us, kind, data, who), who),
            )
            return number

    def retract_event(self, firing: str, event: int, t_us: int, since_us: int, who: str = "") -> Event | None:
        """Retract a note or a gun reading; it stays in the journal, marked as retracted.

        Returns it as it was; None if there is no such event from `since_us` on. [µs]
        """
        with self.transaction():
            key = self._key(firing)
            found = self._rows(
                "SELECT id, t_us, kind, data, who FROM event"
                " WHERE id = ? AND firing = ? AND kind IN ('note', 'spot') AND t_us >= ?",
                *(event, key, since_us),
            )
            was = to_event(found[0], key) if found else None
            if was is None:
                return None
            data = {**was.data, "was": was.kind}
            self._db.execute(
                "UPDATE event SET kind = 'retracted', data = ? WHERE id = ?",
                (seal_event(key, was.t_us, "retracted", data, was.who), event),
            )
            self.add_event(firing, t_us, "retract", {"event": event, "was": was.kind}, who)
        return was

    def add_estimate(
        self, firing: str, t_us: int, zones: Mapping[str, tuple[float, float, float, str]]
    ) -> None:
        """Keep the pots' estimates by zone (°C, its band, basis), replacing any of the same time."""
        rows = {
            zone: [*(round(value, 1) for value in (c, low, high)), basis]
            for zone, (c, low, high, basis) in zones.items()
        }
        key = self._key(firing)
        self._write(
            "INSERT OR REPLACE INTO estimate (firing, t_us, data) VALUES (?, ?, ?)",
            *(key, t_us, seal_text(to_json(rows), key, t_us)),
        )

    def set_apart(self, firing: str | None, rows: Sequence[Apart], placed: Sequence[int]) -> None:
        """Keep frames as they came, and drop those that have been placed since.

        `firing` is None before one has begun; `placed` are the numbers of those to drop.
        """
        with self.transaction():
            key = None if firing is None else self._key(firing)
            if key is not None:  # frames from before it began are its own
                self._db.execute("UPDATE set_apart SET firing = ? WHERE firing IS NULL", (key,))
            self._db.executemany(
                "INSERT OR REPLACE INTO set_apart VALUES (?, ?, ?, ?, ?, ?, ?)",
                [(row.id, key, row.t_us, row.rig, row.source, row.why, row.line) for row in rows],
            )
            self._db.executemany("DELETE FROM set_apart WHERE id = ?", [(number,) for number in placed])

    def note_lately(self, t_us: int, keys: dict[str, list[Key]]) -> None:
        """Remember which frames are being recorded, by rig, and forget old ones."""
        with self.transaction():
            self._db.execute(
                "INSERT INTO lately (t_us, data) VALUES (?, ?)", (t_us, msgspec.msgpack.encode(keys))
            )
            self._db.execute(
                "DELETE FROM lately WHERE id <= (SELECT max(id) - 8 FROM lately) AND t_us < ?",
                (t_us - LATELY_US,),
            )

    def save_state(self, firing: str, state: bytes) -> None:
        """Keep the judgement's state, replacing the last."""
        key = self._key(firing)
        self._write("INSERT OR REPLACE INTO state VALUES (?, ?)", key, seal(state, [key]))

    def load_state(self, firing: str) -> bytes | None:
        """Return the judgement's state; None if there is none, or it is damaged."""
        key = self._key(firing)
        for (state,) in self._rows("SELECT data FROM state WHERE firing = ?", key):
            with contextlib.suppress(ValueError):
                return unseal(state, [key])
        return None

    def heartbeat(self, data: dict[str, Any]) -> None:
        """Keep the logger's health, replacing the last."""
        self._write("INSERT OR REPLACE INTO heartbeat VALUES (1, ?)", seal_text(to_json(data)))

    def set_meta(self, key: str, value: dict[str, Any]) -> None:
        """Keep a small fact about the whole journal."""
        self._write("INSERT OR REPLACE INTO meta VALUES (?, ?)", key, seal_text(to_json(value), key))

    def take_requests(self) -> list[Request]:
        """Return unanswered requests, oldest first, at most `AT_ONCE`.

        The same ones come again until `finish_request`, so that none is lost if the process is cut short.
        Answer them in the transaction that carries them out.
        """
        rows = self._rows(
            "SELECT id, made_us, kind, substr(data, 1, ?), who, result FROM request"
            " WHERE result IS NULL ORDER BY id LIMIT ?",
            2 * MAX_DATA,
            AT_ONCE,
        )
        return [to_request(row) for row in rows]

    def finish_request(self, request_id: int, result: dict[str, Any]) -> None:
        """Answer a request; no more of its data is kept than a note needs."""
        self._write(
            "UPDATE request SET result = ?, kind = substr(kind, 1, 40), who = substr(who, 1, 100),"
            " data = CASE WHEN length(data) > ? OR ? THEN '{}' ELSE data END WHERE id = ?",
            *(seal_text(to_json(result), request_id), KEPT_DATA, not result.get("ok", False), request_id),
        )

    def repair(self, *, every: bool = False) -> list[str]:
        """Repair rows that are kept twice and have one damaged copy; say which.

        Of the running firing and the newest, or of `every` one.
        """
        with self.transaction():
            return repair(self._db, every=every)

    def _write(self, sql: str, *values: object) -> None:
        with self.transaction():
            self._db.execute(sql, values)

    def _rows(self, sql: str, *values: object) -> list[Any]:
        with errors_of(self.path):
            return self._db.execute(sql, values).fetchall()

    def _key(self, firing: str) -> int:
        if firing in self._progress:
            return self._progress[firing].key
        for (key,) in self._rows("SELECT key FROM firing WHERE id = ?", firing):
            return int(key)
        raise UserError(f"{firing}: no such firing in this journal; `stokewatch firings` lists them all")

    def _progress_of(self, firing: str) -> _Progress:
        if firing not in self._progress:
            key = self._key(firing)
            newest = self._rows(
                "SELECT rig, max(max(coalesce((SELECT max(t1_us) FROM recent"
                " WHERE recent.firing = ?1 AND recent.layout = layout.id), -1),"
                " coalesce((SELECT t1_us FROM chunk WHERE chunk.firing = ?1"
                " AND chunk.layout = layout.id ORDER BY minute DESC LIMIT 1), -1)))"
                " FROM layout WHERE firing = ?1 GROUP BY rig",
                key,
            )
            self._progress[firing] = _Progress(key, dict(newest))
        return self._progress[firing]

    def _layout(self, firing: str, key: int, batch: Batch) -> Layout:
        """Find or add the layout of a rig's frames, inside a transaction."""
        known = self._layouts.get((firing, batch.rig, batch.channels))
        if known is not None and known.fits(batch.raw):
            return known
        layout = Layout(0, batch.rig, batch.channels, widths_for(batch.channels, batch.raw))
        text = layout.dumps()
        row = self._db.execute(
            "SELECT id FROM layout WHERE firing = ? AND rig = ? AND channels = ?", (key, batch.rig, text)
        ).fetchone()
        if row is None:
            row = (next_number(self._db, "layout"),)
            self._db.execute(
                "INSERT INTO layout (id, firing, rig, channels) VALUES (?, ?, ?, ?)",
                (*row, key, batch.rig, text),
            )
            keep(self._db, "layout", *row)
        layout = self._layouts[firing, batch.rig, batch.channels] = replace(layout, id=int(row[0]))
        return layout
