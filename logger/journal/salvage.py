"""Damaged journals: noticed, and saved as far as they can be read, beside the journal that goes on."""

from __future__ import annotations

import contextlib
import logging
import sqlite3
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import numpy as np

from logger.journal.aside import joined as name_joined
from logger.journal.gathered import Gathered, Stretch, gather
from logger.journal.layout import Layout, Records, is_whole, row_key
from logger.journal.packing import CHUNK, RECENT, load_layout, packed_rows, put_minute
from logger.journal.pages import BrokenCell, PageFile
from logger.journal.rollup import LEVELS_S
from logger.journal.rows import JOINED, new_firing_id, read_meta, seal_event
from logger.journal.schema import JournalError, errors_of, journal_error, open_to_read
from logger.journal.sealed import DamagedError, load_dict, seal_text, to_json
from logger.journal.set_apart import keep
from logger.journal.writer import JournalWriter
from logger.reading import Status

log = logging.getLogger(__name__)

TOGETHER: Final = 8
"""So many minutes are written in one transaction: whoever records meanwhile waits some 10 ms, not more."""
ROOM: Final = 200_000_000
"""Left free on the disk, for the fire that is being recorded. [bytes]"""
ASK_AGAIN: Final = "the journal was damaged before the logger came to it; ask again"


@dataclass(slots=True)
class Salvage:
    """What was saved of a damaged journal."""

    aside: Path  # the damaged file
    firings: int = 0
    readings: int = 0
    events: int = 0
    lost: list[str] = field(default_factory=list)  # what could not be read, as far as one can tell


class Fault(str):
    """Something that is wrong with a journal, in words; `structure`: SQLite itself can't find its way."""

    structure = True


class BadRows(Fault):
    """Rows whose checksums are wrong: they are gaps, and moving them to another file brings nothing back."""

    structure = False


def check(path: Path, *, every_firing: bool = False) -> list[Fault]:
    """Check that a journal is whole. It may be written to meanwhile.

    Its structure throughout; readings' checksums of the latest firing, or of every one. JournalError where it
    can't be read for another reason: a newer version, a disk that doesn't answer.
    """
    try:
        with contextlib.closing(open_to_read(path)) as db:
            found = [str(row[0]) for row in db.execute("PRAGMA quick_check(20)")]
            for table in ("firing", "layout", "event", "twin"):  # small: their indexes too
                found += [str(row[0]) for row in db.execute(f"PRAGMA integrity_check({table})")]
            wrong = [Fault(text) for text in dict.fromkeys(found) if text != "ok"]
            return wrong or [BadRows(text) for text in _bad_rows(db, every_firing=every_firing)]
    except JournalError as exc:
        error = exc
    except sqlite3.Error as exc:
        error = journal_error(exc, path)
    if error.reason != "damaged":
        raise error
    return [Fault(str(error))]


def _bad_rows(db: sqlite3.Connection, *, every_firing: bool) -> list[str]:
    where = "" if every_firing else " WHERE firing = (SELECT max(key) FROM firing)"
    for (layout_id,) in db.execute(f"SELECT id FROM layout{where}").fetchall():
        if load_layout(db, layout_id) is None:
            return ["the description of a rig's channels can't be read"]
    bad = 0
    for table, columns in (("recent", RECENT), ("chunk", CHUNK)):
        for _, *told, data in db.execute(f"SELECT {columns} FROM {table}{where}"):
            bad += not _whole(data, told)
    for level_s in LEVELS_S:
        rows = db.execute(f"SELECT firing, minute, layout, data FROM rollup_{level_s}{where}")
        bad += sum(not _whole(data, (level_s, *told)) for *told, data in rows)
    found = [f"{bad} stretches of readings don't match their checksums"] if bad else []
    events = db.execute(f"SELECT firing, t_us, kind, who, data FROM event{where}")
    odd = sum(not _readable(data, firing, t_us, kind, who) for firing, t_us, kind, who, data in events)
    return [*found, f"{odd} events can't be read"] if odd else found


def _whole(data: Any, told: Any) -> bool:
    with contextlib.suppress(ValueError):
        return is_whole(data, row_key(*told))
    return False


def _readable(sealed: Any, *about: object) -> bool:
    with contextlib.suppress(DamagedError):
        load_dict(sealed, *about)
        return True
    return False


def join(path: Path, aside: Path, room: Callable[[], int] | None = None, pause_s: float = 0.02) -> Salvage:
    """Save what can be read of a damaged journal into the one that goes on in its place.

    It may be cut short at any moment and begun again: what is there already is not written twice. A logger
    may be writing to `path`; `aside` is only read, and renamed at the end. Between transactions it pauses
    [s], for whoever records. JournalError where the disk has too little `room` left [bytes].
    """
    found = Salvage(aside)
    try:
        with contextlib.closing(JournalWriter(path)) as writer, contextlib.closing(PageFile(aside)) as file:
            # A power cut may take the last of it: the next start begins again.
            writer._db.execute("PRAGMA synchronous = NORMAL")
            _Join(writer, file, found, room, pause_s).run()
        found.aside = name_joined(path, aside)
    except OSError as exc:
        raise JournalError(f"journal {aside}: can't be read: {exc.strerror}", "io") from exc
    log.warning(
        "%s was damaged; saved %d firings, %d readings, %d events; lost: %s",
        *(found.aside, found.firings, found.readings, found.events),
        "; ".join(found.lost) or "nothing that is known",
    )
    return found


class _Join:
    def __init__(
        self,
        writer: JournalWriter,
        file: PageFile,
        found: Salvage,
        room: Callable[[], int] | None,
        pause_s: float,
    ) -> None:
        self._writer, self._file, self._found = writer, file, found
        self._db = writer._db
        self._room, self._pause_s = room, pause_s
        self._name = found.aside.name
        self._was: Gathered = gather(file)
        self._keys: dict[int, int] = {}
        self._bad: Counter[str] = Counter()

    def run(self) -> None:
        was = self._was
        layouts = was.layouts
        stretches: dict[int, dict[tuple[int, int], list[Stretch]]] = {}
        for stretch in was.stretches:
            if stretch.layout not in layouts or layouts[stretch.layout][0] != stretch.firing:
                self._bad["stretches of readings of at most a minute"] += 1
            else:
                own = stretches.setdefault(stretch.firing, {})
                own.setdefault((stretch.minute, stretch.layout), []).append(stretch)
        done = self._done()
        # What burns now first, then from the newest to the oldest.
        for key in sorted(set(was.firings) | set(stretches), reverse=True):
            own = stretches.get(key, {})
            name, same = self._firing(key, own)
            # With a broken key a firing's row stands there twice, and its readings belong to one of them.
            if (mark := f"{name} {key}") in done:
                continue
            with self._writing():
                self._keys[key] = self._writer._key(name)
                own_layouts = {
                    n: self._writer._layout_row(self._keys[key], layout)
                    for n, (of, layout) in layouts.items()
                    if of == key
                }
            self._readings(key, own, own_layouts)
            with self._writing():
                self._others(key)
                if same:  # whoever has drawn it should read it afresh
                    self._db.execute("UPDATE firing SET late = late + 1 WHERE key = ?", (self._keys[key],))
                done.append(mark)
                self._keep_done(done)
        with self._writing():
            self._requests()
            self._apart(None, None)
            self._writer.set_meta(JOINED, {"count": self._count_joined() + 1})
        self._tell()

    def _firing(self, key: int, own: dict[tuple[int, int], list[Stretch]]) -> tuple[str, bool]:
        """Find or make the firing; say whether it is the one that runs."""
        all_of_it = [s for pieces in own.values() for s in pieces]
        first = min((s.t0_us for s in all_of_it), default=0)
        last = max((s.t1_us for s in all_of_it), default=first)
        said = self._was.firings.get(key)
        running = self._writer.running()
        if said is None:
            # Its own row is lost; named so that it is the same one if this is begun again.
            firing_id = f"{new_firing_id(self._db, first)[:-4]}lost{key}"
            title, plan, started, ended, invented, facts = (
                "Salvaged, its title is lost",
                None,
                first,
                last,
                0,
                {},
            )
        else:
            firing_id, title, plan, started, ended, invented, facts = said
        there = self._db.execute("SELECT 1 FROM firing WHERE id = ?", (firing_id,)).fetchone()
        if there is None:
            self._writer.open_firing(
                title,
                plan,
                started,
                ended_us=max(last, started) if ended is None else ended,
                invented=bool(invented),
                facts=facts,
                firing_id=firing_id,
            )
        self._found.firings += 1
        return firing_id, running is not None and running.id == firing_id

    def _readings(
        self, key: int, own: dict[tuple[int, int], list[Stretch]], layouts: dict[int, Layout]
    ) -> None:
        """Copy readings, the newest first."""
        waiting: list[tuple[int, Layout, Records, int]] = []
        for (minute, layout_id), pieces in sorted(own.items(), reverse=True):
            records = self._load(pieces, self._was.layouts[layout_id][1])
            if records is None:
                continue
            waiting.append((minute, layouts[layout_id], records, max(s.arrival for s in pieces)))
            if len(waiting) == TOGETHER:
                self._write(self._keys[key], waiting)
                waiting.clear()
        self._write(self._keys[key], waiting)

    def _load(self, pieces: list[Stretch], layout: Layout) -> Records | None:
        parts = []
        for stretch in pieces:
            try:
                data = self._file.values(stretch.cell)[-1]
                parts.append(layout.load(data, row_key(*stretch.told), packed=stretch.packed))
            except (ValueError, BrokenCell):
                self._bad["stretches of readings of at most a minute"] += 1
        return np.concatenate(parts) if parts else None

    def _write(self, key: int, minutes: list[tuple[int, Layout, Records, int]]) -> None:
        if self._room is not None and self._room() < ROOM:
            raise JournalError(
                f"journal {self._name}: less than {ROOM // 1_000_000} MB are left on the disk, and they are "
                "kept for the fire; make room, and what can be read of it is joined",
                "full",
            )
        ready = []
        for minute, layout, records, arrival in minutes:
            sound = _each_once(records)
            ready.append((minute, layout, sound, arrival, packed_rows(key, minute, layout, sound, arrival)))
        more = 0
        with self._writing():
            for minute, layout, records, arrival, rows in ready:
                before = self._there(key, minute, layout)
                if before is not None:
                    if len(merged := _each_once(np.concatenate([before, records]))) == len(before):
                        continue
                    rows = packed_rows(key, minute, layout, merged, arrival)
                    more -= _readings_in(layout, before)
                    records = merged
                put_minute(self._db, rows)
                more += _readings_in(layout, records)
            self._db.execute(
                "UPDATE firing SET packed_readings = packed_readings + ? WHERE key = ?", (more, key)
            )
        self._found.readings += sum(_readings_in(layout, records) for _, layout, records, *_ in ready)
        time.sleep(self._pause_s)

    def _there(self, key: int, minute: int, layout: Layout) -> Records | None:
        for _, *told, data in self._db.execute(
            f"SELECT {CHUNK} FROM chunk WHERE firing = ? AND minute = ? AND layout = ?",
            (key, minute, layout.id),
        ).fetchall():
            with contextlib.suppress(ValueError):
                return layout.load(data, row_key(*told), packed=True)
        return None

    def _others(self, key: int) -> None:
        """Copy a firing's events and estimates, and rows of tables that are nothing special."""
        target = self._keys[key]
        for number, t_us, kind, data, who in self._was.events(key):
            row = (target, t_us, kind, seal_event(target, t_us, kind, data, who), who)
            said = self._db.execute(
                "SELECT firing, t_us, kind, data, who FROM event WHERE id = ?", (number,)
            ).fetchone()
            self._found.events += 1
            if said == row:
                continue
            self._db.execute(
                "INSERT INTO event (id, firing, t_us, kind, data, who) VALUES (?, ?, ?, ?, ?, ?)",
                (number if said is None else None, *row),
            )
        for t_us, zones in self._was.estimates(key):
            self._db.execute(
                "INSERT OR IGNORE INTO estimate (firing, t_us, data) VALUES (?, ?, ?)",
                (target, t_us, seal_text(to_json(zones), target, t_us)),
            )

        self._apart(key, target)

    def _apart(self, key: int | None, target: int | None) -> None:
        there = "SELECT 1 FROM set_apart WHERE id = ?"
        rows = [r for r in self._was.apart(key) if self._db.execute(there, (r.id,)).fetchone() is None]
        keep(self._db, target, rows)

    def _requests(self) -> None:
        """Keep what was asked and answered; what wasn't is answered now, not carried out so much later."""
        for number, made_us, kind, data, who, result in self._was.requests():
            answer = {"ok": False, "error": ASK_AGAIN} if result is None else result
            self._db.execute(
                "INSERT OR IGNORE INTO request (id, made_us, kind, data, who, result)"
                " VALUES (?, ?, ?, ?, ?, ?)",
                (
                    *(number, made_us, kind, seal_text(to_json(data), made_us, kind, who), who),
                    seal_text(to_json(answer), number),
                ),
            )

    def _done(self) -> list[str]:
        kept = read_meta(self._db, JOINED)
        return list(kept["done"]) if kept.get("file") == self._name else []

    def _keep_done(self, done: list[str]) -> None:
        self._writer.set_meta(JOINED, {"count": self._count_joined(), "file": self._name, "done": done})

    def _count_joined(self) -> int:
        return int(read_meta(self._db, JOINED).get("count", 0))

    def _tell(self) -> None:
        self._found.lost += [f"{count} {what}" for what, count in self._bad.items()]
        if self._was.broken_pages:
            self._found.lost.append(f"what was on {self._was.broken_pages} damaged pages")

    @contextlib.contextmanager
    def _writing(self) -> Iterator[None]:
        with errors_of(self._writer.path), self._writer.transaction():
            yield


def _each_once(records: Records) -> Records:
    """Put records in order of time; those that are the same in every bit are one."""
    order = np.argsort(records["t"], kind="stable")
    records = records[order]
    raw = np.ascontiguousarray(records).view(np.dtype((np.void, records.dtype.itemsize)))
    _, first = np.unique(raw, return_index=True)
    return records[np.sort(first)]


def _readings_in(layout: Layout, records: Records) -> int:
    return int(np.count_nonzero(layout.status(records) != Status.ABSENT))
