"""The one hand that writes readings."""

from __future__ import annotations

import contextlib
import json
import sqlite3
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from logger.errors import UserError
from logger.journal.layout import MINUTE_US, Layout, seal, widths_for
from logger.journal.packing import ALL_MINUTES, pack_minutes
from logger.journal.rollup import run_starts
from logger.journal.rows import (
    EventRow,
    FiringInfo,
    Request,
    new_firing_id,
    select_firings,
    to_json,
    to_request,
)
from logger.journal.schema import JournalError, errors_of, open_to_write
from logger.journal.set_apart import Apart, Key, adopt, keep, note, release
from logger.reading import Batch, Channel, Status

__all__ = ["FiringInfo", "JournalError", "JournalWriter", "Request", "add_request"]

GRACE_US: Final = 10_000_000
"""A minute is packed this long after its end: frames that come a little late are in it. [µs]"""
PACK_MINUTES: Final = 8
"""At most so many minutes are packed in one transaction while readings come in: it stays short."""


@dataclass(slots=True)
class _Progress:
    """What is known of a running firing without asking the file."""

    key: int
    newest_us: dict[str, int]  # by rig
    packed_before: int  # minute


class JournalWriter:
    """Writes a journal. One thread owns it.

    What came in is first kept as it came, a row a batch. When a minute is over its rows are put in order,
    rolled up, and packed into one row; both happen inside the transaction that brought the readings, so there
    is never more or less than all of it.

    Parameters
    ----------
    path : Path
        The file; made where there is none.

    Raises
    ------
    JournalError
        It can't be opened or is damaged.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._db = open_to_write(path)
        self._file = path.stat().st_ino
        self._layouts: dict[tuple[str, str, tuple[Channel, ...]], Layout] = {}
        self._progress: dict[str, _Progress] = {}
        self._arrival: int | None = None

    def close(self) -> None:
        """Close the file; everything committed is there."""
        with errors_of(self.path):
            self._db.close()

    def reopen(self, firing: str | None) -> None:
        """Open the file anew: it was removed, or its disk was away.

        Where the file is gone and its folder isn't, everything committed is still to be had from the file
        that is open, and is written out again.

        Parameters
        ----------
        firing : str or None
            The firing that must be in it.

        Raises
        ------
        JournalError
            It isn't there, or something else is; nothing has changed then.
        """
        if not self.path.exists() and self.path.parent.is_dir():
            self._write_out()
        if not self.path.exists():
            raise JournalError(f"journal {self.path}: its folder is gone; put its disk back", "gone")
        fresh = open_to_write(self.path)
        if (
            firing is not None
            and not fresh.execute("SELECT 1 FROM firing WHERE id = ?", (firing,)).fetchone()
        ):
            fresh.close()
            raise JournalError(
                f"journal {self.path}: another file was put in its place; put back the journal that has "
                f"firing {firing}",
                "gone",
            )
        with contextlib.suppress(sqlite3.Error):
            self._db.close()
        self._db, self._file = fresh, self.path.stat().st_ino
        self._layouts.clear()
        self._progress.clear()

    def _write_out(self) -> None:
        fresh = self.path.with_name(f"{self.path.name}.again")
        with errors_of(self.path):
            fresh.unlink(missing_ok=True)
            with contextlib.closing(sqlite3.connect(fresh)) as copy:
                self._db.backup(copy)
            # What lies there belongs to the file that was removed, and is in the copy.
            for left in ("-wal", "-shm"):
                self.path.with_name(self.path.name + left).unlink(missing_ok=True)
            fresh.chmod(0o600)
            fresh.replace(self.path)

    @contextlib.contextmanager
    def transaction(self) -> Iterator[None]:
        """Commit what is written inside together, or nothing of it.

        Raises
        ------
        JournalError
            The disk is full, read-only, gone, or another program writes for too long. Nothing of this
            transaction was kept; it can be tried again.
        """
        if self._db.in_transaction:
            yield
            return
        self._check_file()
        self._arrival = None  # an import by another process may have taken numbers
        with errors_of(self.path):
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield
                self._db.execute("COMMIT")
            except BaseException:
                # What is remembered may speak of rows that are gone now.
                self._layouts.clear()
                self._progress.clear()
                with contextlib.suppress(sqlite3.Error):
                    self._db.execute("ROLLBACK")
                raise

    def open_firing(
        self,
        title: str,
        plan_toml: str | None,
        started_us: int,
        *,
        ended_us: int | None = None,
        invented: bool = False,
        facts: dict[str, Any] | None = None,
        firing_id: str | None = None,
    ) -> FiringInfo:
        """Begin a firing.

        Parameters
        ----------
        title : str
        plan_toml : str or None
        started_us : int
            Time of its first reading. [µs]
        ended_us : int, optional
            For one that is over already: an import. [µs]
        invented : bool, default False
            From a simulation.
        facts : dict, optional
        firing_id : str, optional
            For one that has an ID already, in another journal.

        Returns
        -------
        FiringInfo

        Raises
        ------
        JournalError
            Another one is running, or the journal can't be written to.
        """
        with self.transaction():
            running = self.running()
            if running is not None and ended_us is None:
                raise JournalError(
                    f"firing {running.id} is running; finish it before another begins", "misuse"
                )
            firing_id = firing_id or new_firing_id(self._db, started_us)
            self._db.execute(
                "INSERT INTO firing (id, title, plan, started_us, ended_us, invented, facts)"
                " VALUES (?, ?, ?, ?, ?, ?, ?)",
                (firing_id, title, plan_toml, started_us, ended_us, invented, to_json(facts or {})),
            )
            return self.firing(firing_id)

    def change_firing(
        self,
        firing: str,
        *,
        title: str | None = None,
        plan_toml: str | None = None,
        facts: dict[str, Any] | None = None,
    ) -> FiringInfo:
        """Change what is said about a firing; what is left out stays.

        Parameters
        ----------
        firing : str
            Its ID.
        title : str, optional
        plan_toml : str, optional
        facts : dict, optional
            In place of all the old ones.

        Returns
        -------
        FiringInfo
        """
        with self.transaction():
            self._db.execute(
                "UPDATE firing SET title = coalesce(?, title), plan = coalesce(?, plan),"
                " facts = coalesce(?, facts) WHERE key = ?",
                (title, plan_toml, None if facts is None else to_json(facts), self._key(firing)),
            )
            return self.firing(firing)

    def finish_firing(self, firing: str, ended_us: int) -> None:
        """End a firing and pack what is left of it.

        Parameters
        ----------
        firing : str
            Its ID.
        ended_us : int
            [µs]
        """
        with self.transaction():
            self._db.execute("UPDATE firing SET ended_us = ? WHERE key = ?", (ended_us, self._key(firing)))
            self.pack(firing)

    def running(self) -> FiringInfo | None:
        """Give the firing that is running.

        Returns
        -------
        FiringInfo or None
        """
        with errors_of(self.path):
            found = select_firings(self._db, "WHERE ended_us IS NULL")
        return found[0] if found else None

    def firing(self, firing: str) -> FiringInfo:
        """Give one firing.

        Parameters
        ----------
        firing : str
            Its ID.

        Returns
        -------
        FiringInfo
        """
        with errors_of(self.path):
            return select_firings(self._db, "WHERE key = ?", (self._key(firing),))[0]

    def append(self, firing: str, batch: Batch) -> None:
        """Keep readings. Commits by itself outside a `transaction`.

        Parameters
        ----------
        firing : str
            Its ID.
        batch : Batch
            In any order of time, and of any age.

        Raises
        ------
        JournalError
            Nothing of it was kept; it can be tried again.
        """
        if not len(batch.t_us):
            return
        with self.transaction(), errors_of(self.path):
            progress = self._progress_of(firing)
            layout = self._layout(firing, progress.key, batch)
            records, minute = layout.encode(batch)
            t_us = batch.t_us
            if (np.diff(t_us) < 0).any():
                order = np.argsort(t_us, kind="stable")
                records, minute, t_us = records[order], minute[order], t_us[order]
            present = (records["status"] & 0x7F != Status.ABSENT).sum(axis=1)
            starts = run_starts(minute)
            arrival = self._next_arrival()
            rows = []
            for a, b in zip(starts, [*starts[1:], len(minute)], strict=True):
                readings = int(present[a:b].sum())
                data = seal(records[a:b].tobytes())
                rows.append(
                    (
                        arrival,
                        progress.key,
                        layout.id,
                        int(t_us[a]),
                        int(t_us[b - 1]),
                        int(b - a),
                        readings,
                        data,
                    )
                )
                arrival += 1
            self._db.executemany("INSERT INTO recent VALUES (?, ?, ?, ?, ?, ?, ?, ?)", rows)
            self._arrival = arrival
            newest = progress.newest_us.get(batch.rig, -1)
            if t_us[0] < newest:
                self._db.execute("UPDATE firing SET late = ? WHERE key = ?", (arrival, progress.key))
            progress.newest_us[batch.rig] = max(newest, int(t_us[-1]))
            due = (max(progress.newest_us.values()) - GRACE_US) // MINUTE_US
            if due > progress.packed_before:
                limit = max(PACK_MINUTES, len(rows))
                if pack_minutes(self._db, progress.key, due, limit):
                    progress.packed_before = due

    def pack(self, firing: str) -> None:
        """Pack all of a firing, its last minutes too.

        Parameters
        ----------
        firing : str
            Its ID.
        """
        with self.transaction(), errors_of(self.path):
            pack_minutes(self._db, self._key(firing), ALL_MINUTES)

    def add_event(self, firing: str, t_us: int, kind: str, data: dict[str, Any], who: str = "") -> int:
        """Keep an event.

        Parameters
        ----------
        firing : str
            Its ID.
        t_us : int
            [µs]
        kind : str
        data : dict
            JSON.
        who : str, optional

        Returns
        -------
        int
            The event's number.
        """
        with self.transaction():
            cursor = self._db.execute(
                "INSERT INTO event (firing, t_us, kind, data, who) VALUES (?, ?, ?, ?, ?)",
                (self._key(firing), t_us, kind, to_json(data), who),
            )
            return int(cursor.lastrowid or 0)

    def retract_event(
        self, firing: str, event: int, t_us: int, since_us: int, who: str = ""
    ) -> EventRow | None:
        """Take a note or a spot reading back: it stays in the journal, as something retracted.

        Parameters
        ----------
        firing : str
            Its ID.
        event : int
            The event's number.
        t_us, since_us : int
            Now, and how old the event may be. [µs]
        who : str, optional
            Who takes it back.

        Returns
        -------
        EventRow or None
            As it was; None where there is no such event so young.
        """
        with self.transaction():
            found = self._db.execute(
                "SELECT id, t_us, kind, data, who FROM event"
                " WHERE id = ? AND firing = ? AND kind IN ('note', 'spot') AND t_us >= ?",
                (event, self._key(firing), since_us),
            ).fetchone()
            if found is None:
                return None
            number, then_us, kind, text, by = found
            was = EventRow(number, then_us, kind, json.loads(text), by)
            data = {**was.data, "was": was.kind}
            self._db.execute(
                "UPDATE event SET kind = 'retracted', data = ? WHERE id = ?", (to_json(data), event)
            )
            self.add_event(firing, t_us, "retract", {"event": event, "was": was.kind}, who)
        return was

    def add_estimate(
        self, firing: str, t_us: int, zones: Mapping[str, tuple[float, float, float, str]]
    ) -> None:
        """Keep what the pots were estimated to be at, in place of what was kept for that time.

        Parameters
        ----------
        firing : str
            Its ID.
        t_us : int
            [µs]
        zones : mapping of str to (estimate_c, low_c, high_c, basis)
            By zone; see `JournalReader.estimates`. [°C]
        """
        rows = {
            zone: [round(c, 1), round(low, 1), round(high, 1), basis]
            for zone, (c, low, high, basis) in zones.items()
        }
        with self.transaction():
            self._db.execute(
                "INSERT OR REPLACE INTO estimate (firing, t_us, data) VALUES (?, ?, ?)",
                (self._key(firing), t_us, to_json(rows)),
            )

    def set_apart(self, firing: str | None, rows: Sequence[Apart], placed: Sequence[int]) -> None:
        """Keep frames as they came, and let go of those that have found their places.

        Parameters
        ----------
        firing : str or None
            Its ID; None before one has begun.
        rows : sequence of Apart
        placed : sequence of int
            Numbers of earlier ones.
        """
        with self.transaction(), errors_of(self.path):
            key = None if firing is None else self._key(firing)
            if key is not None:
                adopt(self._db, key)
            keep(self._db, key, rows)
            release(self._db, placed)

    def note_lately(self, t_us: int, keys: dict[str, list[Key]]) -> None:
        """Remember which frames were recorded just now.

        Parameters
        ----------
        t_us : int
            [µs]
        keys : dict of str to list of (seq, ms, checksum)
            By rig.
        """
        with self.transaction(), errors_of(self.path):
            note(self._db, t_us, keys)

    def save_state(self, firing: str, state: bytes) -> None:
        """Keep the judgement's state, in place of the last one.

        Parameters
        ----------
        firing : str
            Its ID.
        state : bytes
        """
        with self.transaction():
            self._db.execute("INSERT OR REPLACE INTO state VALUES (?, ?)", (self._key(firing), state))

    def load_state(self, firing: str) -> bytes | None:
        """Give the judgement's state.

        Parameters
        ----------
        firing : str
            Its ID.

        Returns
        -------
        bytes or None
        """
        with errors_of(self.path):
            row = self._db.execute("SELECT data FROM state WHERE firing = ?", (self._key(firing),)).fetchone()
        return None if row is None else bytes(row[0])

    def heartbeat(self, data: dict[str, Any]) -> None:
        """Keep the logger's own health, in place of what was.

        Parameters
        ----------
        data : dict
            JSON.
        """
        with self.transaction():
            self._db.execute("INSERT OR REPLACE INTO heartbeat VALUES (1, ?)", (to_json(data),))

    def set_meta(self, key: str, value: str) -> None:
        """Keep one small fact about the whole journal, such as how far a mirror has come.

        Parameters
        ----------
        key, value : str
        """
        with self.transaction():
            self._db.execute("INSERT OR REPLACE INTO meta VALUES (?, ?)", (key, value))

    def take_requests(self) -> list[Request]:
        """Give all requests that haven't been finished, oldest first.

        Returns
        -------
        list of Request
            The same ones again until `finish_request`: what is cut short by the end of the process isn't
            lost. Finish them in the transaction that carries them out.
        """
        with errors_of(self.path):
            rows = self._db.execute(
                "SELECT id, made_us, kind, data, who, result FROM request WHERE result IS NULL ORDER BY id"
            ).fetchall()
        return [to_request(row) for row in rows]

    def finish_request(self, request_id: int, result: dict[str, Any]) -> None:
        """Answer a request.

        Parameters
        ----------
        request_id : int
        result : dict
            JSON; who asked sees it.
        """
        with self.transaction():
            self._db.execute("UPDATE request SET result = ? WHERE id = ?", (to_json(result), request_id))

    def _check_file(self) -> None:
        """Notice that the file was removed or replaced: SQLite would go on writing where nobody reads."""
        try:
            same = self.path.stat().st_ino == self._file
        except OSError:
            same = False
        if not same:
            raise JournalError(
                f"journal {self.path}: the file was removed or replaced while it was open; put it back, or "
                "open the journal anew",
                "gone",
            )

    def _key(self, firing: str) -> int:
        if firing in self._progress:
            return self._progress[firing].key
        row = self._db.execute("SELECT key FROM firing WHERE id = ?", (firing,)).fetchone()
        if row is None:
            raise UserError(f"{firing}: no such firing in this journal; `firings` lists them")
        return int(row[0])

    def _progress_of(self, firing: str) -> _Progress:
        if firing not in self._progress:
            key = self._key(firing)
            newest = {
                rig: int(t_us)
                for rig, t_us in self._db.execute(
                    "SELECT rig, max(max(coalesce((SELECT max(t1_us) FROM recent"
                    " WHERE recent.firing = ?1 AND recent.layout = layout.id), -1),"
                    " coalesce((SELECT t1_us FROM chunk WHERE chunk.firing = ?1"
                    " AND chunk.layout = layout.id ORDER BY minute DESC LIMIT 1), -1)))"
                    " FROM layout WHERE firing = ?1 GROUP BY rig",
                    (key,),
                )
            }
            self._progress[firing] = _Progress(key, newest, 0)
        return self._progress[firing]

    def _next_arrival(self) -> int:
        if self._arrival is None:
            (self._arrival,) = self._db.execute(
                "SELECT 1 + max(coalesce((SELECT max(arrival) FROM recent), 0),"
                " coalesce((SELECT max(arrival) FROM chunk), 0))"
            ).fetchone()
        assert self._arrival is not None
        return self._arrival

    def _layout(self, firing: str, key: int, batch: Batch) -> Layout:
        cached = self._layouts.get((firing, batch.rig, batch.channels))
        if cached is not None and cached.fits(batch.raw):
            return cached
        wanted = Layout(0, batch.rig, batch.channels, widths_for(batch.channels, batch.raw))
        text = wanted.dumps()
        row = self._db.execute(
            "SELECT id FROM layout WHERE firing = ? AND rig = ? AND channels = ?", (key, batch.rig, text)
        ).fetchone()
        if row is None:
            cursor = self._db.execute(
                "INSERT INTO layout (firing, rig, channels) VALUES (?, ?, ?)", (key, batch.rig, text)
            )
            row = (cursor.lastrowid,)
        layout = Layout.loads(int(row[0]), batch.rig, text)
        self._layouts[firing, batch.rig, batch.channels] = layout
        return layout


def add_request(path: Path, kind: str, data: dict[str, Any], who: str = "") -> int:
    """Ask something of the logger.

    Parameters
    ----------
    path : Path
        The journal.
    kind : str
    data : dict
        JSON.
    who : str, optional
        Who asks.

    Returns
    -------
    int
        For `JournalReader.request`, which shows the answer.

    Raises
    ------
    JournalError
        There is no journal, or it can't be written to.
    """
    with errors_of(path):
        db = sqlite3.connect(
            f"{path.absolute().as_uri()}?mode=rw", uri=True, timeout=5.0, isolation_level=None
        )
        with contextlib.closing(db):
            db.execute("PRAGMA synchronous = FULL")
            cursor = db.execute(
                "INSERT INTO request (made_us, kind, data, who) VALUES (?, ?, ?, ?)",
                (time.time_ns() // 1000, kind, to_json(data), who),
            )
            return int(cursor.lastrowid or 0)
