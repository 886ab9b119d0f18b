"""Damaged journals: noticed, replaced at once, and saved as far as they can be read.

`python -m logger.journal.salvage check JOURNAL` and `… join JOURNAL ASIDE` print one JSON document; they run
in a process of their own.
"""

from __future__ import annotations

import contextlib
import json
import logging
import os
import shutil
import sqlite3
import sys
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Final

import numpy as np

from logger.errors import StokewatchError
from logger.journal.gathered import Gathered
from logger.journal.layout import MINUTE_US, is_whole
from logger.journal.packing import STRETCHES_DATA, covered_by
from logger.journal.pages import PageFile
from logger.journal.rollup import LEVELS_S
from logger.journal.rows import (
    JOINED,
    NUMBERS,
    FiringInfo,
    firing_info,
    new_firing_id,
    next_numbers,
    read_meta,
    seal_event,
    to_event,
)
from logger.journal.schema import (
    JournalError,
    connect_read_only,
    disk_errors_of,
    errors_of,
    in_the_making,
    open_to_read,
    open_to_write,
    set_aside,
)
from logger.journal.schema import joined as name_joined
from logger.journal.sealed import load_layout, seal_text, to_json, true_row, twice
from logger.journal.writer import JournalWriter
from logger.reading import Batch, Status

log = logging.getLogger(__name__)

ROOM: Final = 200_000_000
"""Kept free on the disk for the fire being recorded. [bytes]"""
_KINDNESS: Final = 15
"""Niceness: recording and judging go first."""
_QUICKLY_S: Final = 0.4
"""How long to look for what must go on, while the fire isn't recorded. [s]"""
ASK_AGAIN: Final = "the journal was damaged before the logger got to this; try again"


@dataclass(slots=True)
class Salvage:
    """What was saved of a damaged journal."""

    aside: Path  # the damaged file
    firings: int = 0
    readings: int = 0
    events: int = 0
    lost: list[str] = field(default_factory=list)  # what couldn't be read, as far as is known


def check(path: Path, *, every_firing: bool = False) -> dict[str, list[str]]:
    """Check that a journal is whole, though it may be written meanwhile; return what is wrong, in words.

    `structure`: SQLite itself can't read it. `rows`: in the latest firing or in every one, rows with wrong
    checksums; they are gaps, and moving them to another file brings nothing back. JournalError if it can't be
    read for another reason: a newer version, a disk that doesn't respond.
    """
    try:
        with errors_of(path), contextlib.closing(open_to_read(path)) as db:
            found = [str(row[0]) for row in db.execute("PRAGMA quick_check(20)")]
            for table in ("firing", "layout", "event", "twin"):  # small: their indexes too
                found += [str(row[0]) for row in db.execute(f"PRAGMA integrity_check({table})")]
            wrong = [text for text in dict.fromkeys(found) if text != "ok"]
            bad = [] if wrong else _bad_rows(db, every_firing=every_firing)
    except JournalError as exc:
        if exc.reason != "damaged":
            raise
        wrong, bad = [str(exc)], []
    return {what: texts for what, texts in (("structure", wrong), ("rows", bad)) if texts}


def _bad_rows(db: sqlite3.Connection, *, every_firing: bool) -> list[str]:
    where = "" if every_firing else " WHERE firing = (SELECT max(key) FROM firing)"
    for (layout_id,) in db.execute(f"SELECT id FROM layout{where}").fetchall():
        if load_layout(db, layout_id) is None:
            return ["the description of a rig's channels can't be read"]
    stretches = db.execute(f"SELECT * FROM {STRETCHES_DATA}{where}")
    bad = sum(not is_whole(row[-1], covered_by(row)) for row in stretches)
    for level_s in LEVELS_S:
        rows = db.execute(f"SELECT firing, minute, layout, data FROM rollup_{level_s}{where}")
        bad += sum(not is_whole(data, (level_s, *covered)) for *covered, data in rows)
    found = [f"{bad} stretches of readings don't match their checksums"] if bad else []
    events = db.execute(f"SELECT firing, id, t_us, kind, data, who FROM event{where}")
    odd = sum(to_event(row, firing) is None for firing, *row in events)
    return [*found, f"{odd} events can't be read"] if odd else found


CARRIED: Final = ("armed", "clocks", "unjudged")
"""The entries of `meta` that a logger needs at once."""

Meta = dict[str, dict[str, Any]]
"""Entries of a journal's table `meta`."""


def going_on_from(path: Path) -> tuple[FiringInfo | None, Meta]:
    """Look in a damaged journal for what must go on, as far as it is found in time: see `begin_instead`."""
    running: FiringInfo | None = None
    meta: Meta = {}
    until_s = time.monotonic() + _QUICKLY_S
    # SQLite first, in case only other places are damaged.
    with contextlib.suppress(sqlite3.Error), contextlib.closing(connect_read_only(path)) as db:
        db.set_progress_handler(lambda: time.monotonic() > until_s, 1000)
        for key, said, twin in twice(db, "firing", "ORDER BY key"):
            info = firing_info(true_row("firing", key, said, twin))
            running = info if info.running else running
        meta = {name: value for name in CARRIED if (value := read_meta(db, name))}
    if running is None:
        with contextlib.suppress(OSError), contextlib.closing(PageFile(path)) as file:
            for _, info in sorted(Gathered(file, until_s).firings.items()):
                running = info if info.running else running
    return running, meta


def start_over(writer: JournalWriter, running: FiringInfo | None, meta: Meta) -> Path:
    """Set a writer's damaged journal aside, and let the writer go on with a new one: see `begin_instead`.

    JournalError if the new one can't be written; try again then.
    """
    numbers = next_numbers(writer._db)
    with contextlib.suppress(sqlite3.Error):
        writer._db.execute("ROLLBACK")
    with contextlib.suppress(JournalError):
        writer.close()
    aside = begin_instead(writer.path, running, meta, numbers)
    writer._take(open_to_write(writer.path))
    return aside


def begin_instead(
    path: Path, running: FiringInfo | None, meta: Meta, numbers: Mapping[str, int] | None = None
) -> Path:
    """Set a journal aside and put a new one in its place; return the one set aside, for `join`.

    The new one begins with the running firing, entries of `meta` (`CARRIED`), and the damaged one's next
    numbers, as far as they are known.
    """
    now = int(time.time())
    with disk_errors_of(path), in_the_making(path) as new:
        with contextlib.closing(JournalWriter(new)) as writer, writer.transaction():
            # High enough that nobody who has read up to a number mistakes new rows for old ones.
            first = {"event": now, "request": now, "set_apart": now, "arrival": now * 1000}
            known = numbers or {}
            writer.set_meta(NUMBERS, {name: max(n, known.get(name, 0)) for name, n in first.items()})
            for key, value in meta.items():
                writer.set_meta(key, value)
            if running is not None:
                writer.open_copy(running, None)
        return set_aside(path)


def join(path: Path, aside: Path, pause_s: float = 0.01) -> Salvage:
    """Save what can be read of a damaged journal into the one that replaced it.

    It can be cut short at any moment and begun again: nothing is written twice. A logger may be writing to
    `path`; `aside` is only read, and renamed at the end. It pauses [s] between transactions, to let others
    write. JournalError if the disk has no more than `ROOM` left.
    """
    found = Salvage(aside)
    try:
        with contextlib.closing(JournalWriter(path)) as writer, contextlib.closing(PageFile(aside)) as file:
            # A power cut may lose the last of it: the next start begins again.
            writer._db.execute("PRAGMA synchronous = NORMAL")
            was = Gathered(file)
            for key in was.keys:  # newest first: it may still be burning
                firing = _firing(writer, was, key)
                found.firings += 1
                found.readings += _join_readings(writer, firing, was.batches(key), pause_s)
                with writer.transaction():
                    found.events += _join_others(writer, was, key, firing)
            with writer.transaction():
                _join_rest(writer, was)
            if was.bad_rows:
                found.lost.append(f"{was.bad_rows} stretches of readings, a minute each at most")
            if was.broken_pages:
                found.lost.append(f"whatever was on {was.broken_pages} damaged pages")
        found.aside = name_joined(path, aside)
    except OSError as exc:
        raise JournalError(f"journal {aside}: can't be read: {exc.strerror}", "io") from exc
    log.warning(
        "%s was damaged; saved %d firings, %d readings, %d events; lost: %s",
        *(found.aside, found.firings, found.readings, found.events),
        "; ".join(found.lost) or "nothing as far as is known",
    )
    return found


def _firing(writer: JournalWriter, was: Gathered, key: int) -> str:
    """Find or make a firing; return its ID."""
    first, last = was.span(key)
    said = was.firings.get(key)
    if said is None:
        # Its own row is lost; a name that stays the same if this is begun again.
        firing_id = f"{new_firing_id(writer._db, first)[:-4]}lost{key}"
        said = FiringInfo(firing_id, "Salvaged, title lost", first, last, None, False, {})
    with writer.transaction():
        if not writer._db.execute("SELECT 1 FROM firing WHERE id = ?", (said.id,)).fetchone():
            writer.open_copy(said, max(last, said.started_us) if said.running else said.ended_us)
    return said.id


def _join_readings(writer: JournalWriter, firing: str, batches: Iterator[Batch], pause_s: float) -> int:
    """Copy readings as if they came late; count them. Packing removes what was there already."""
    readings = 0
    for batch in batches:
        if shutil.disk_usage(writer.path.parent).free < ROOM:
            raise JournalError(
                f"journal {writer.path}: less than {ROOM // 1_000_000} MB left, which is kept for the fire; "
                "make room, and what can be read of the damaged journal is joined",
                "full",
            )
        with writer.transaction():  # one minute: the recording waits some 10 ms, no more
            writer.append(firing, batch)
            writer.pack(firing, int(batch.t_us[-1]) // MINUTE_US + 1)
        readings += int(np.count_nonzero(batch.status != Status.ABSENT))
        time.sleep(pause_s)
    return readings


def _join_others(writer: JournalWriter, was: Gathered, key: int, firing: str) -> int:
    """Copy a firing's events, estimates and frames set apart; return the number of events."""
    target = writer._key(firing)
    events = was.events(key)
    rows = [
        (e.id, target, e.t_us, e.kind, seal_event(target, e.t_us, e.kind, e.data, e.who), e.who)
        for e in events
    ]
    _add(writer, "event", rows)
    estimates = was.estimates(key)
    _add(
        writer,
        "estimate",
        ((None, target, t, seal_text(to_json(zones), target, t)) for t, zones in estimates),
    )
    _add(writer, "set_apart", ((number, target, *said) for number, *said in was.apart(key)))
    return len(events)


def _join_rest(writer: JournalWriter, was: Gathered) -> None:
    """Copy what belongs to no firing; requests never answered are refused rather than carried out so late."""
    refused = to_json({"ok": False, "error": ASK_AGAIN})
    requests = ((*asked, answer or seal_text(refused, asked[0])) for *asked, answer in was.requests())
    _add(writer, "request", requests)
    _add(writer, "set_apart", ((number, None, *said) for number, *said in was.apart(None)))
    joined = read_meta(writer._db, JOINED).get("count", 0)
    writer.set_meta(JOINED, {"count": int(joined) + 1})


def _add(writer: JournalWriter, table: str, rows: Iterable[Sequence[Any]]) -> None:
    """Add rows to a table, except those that are there already."""
    for row in rows:
        marks = ", ".join("?" * len(row))
        writer._db.execute(f"INSERT OR IGNORE INTO {table} VALUES ({marks})", row)


def main(argv: list[str]) -> int:
    """Run `check JOURNAL` or `join JOURNAL ASIDE`; return 1 if it couldn't be done."""
    os.nice(_KINDNESS)
    what, journal, *rest = argv
    result: dict[str, Any]
    path = Path(journal)
    try:
        if what == "check":
            result = dict(check(path))
            if "structure" not in result:
                with contextlib.closing(JournalWriter(path)) as writer:
                    result["repaired"] = writer.repair(every=True)
        else:
            found = join(path, Path(rest[0]))
            result = {**asdict(found), "aside": found.aside.name}
    except StokewatchError as exc:
        result = {"error": str(exc)}
    print(json.dumps(result))
    return 1 if "error" in result else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
