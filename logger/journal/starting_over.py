"""A journal begun in place of a damaged one, within a moment: the fire doesn't wait for a salvage."""

from __future__ import annotations

import contextlib
import sqlite3
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from logger.journal.aside import set_aside
from logger.journal.gathered import Gathered
from logger.journal.pages import PageFile
from logger.journal.rows import NUMBERS, FiringInfo, firing_info, next_numbers, read_meta
from logger.journal.schema import (
    JournalError,
    connect_read_only,
    disk_errors_of,
    in_the_making,
    open_to_write,
)
from logger.journal.twins import true_row, twice
from logger.journal.writer import JournalWriter

CARRIED: Final = ("armed", "clocks", "unjudged")
"""What of `meta` a logger needs at once."""


@dataclass(slots=True)
class GoingOn:
    """What a journal begins with that takes a damaged one's place."""

    firing: FiringInfo | None = None  # the firing that runs
    meta: dict[str, dict[str, Any]] = field(default_factory=dict)  # what else must be known at once
    # the next that the damaged one would have given, where that is known
    numbers: dict[str, int] = field(default_factory=dict)


def going_on_from(path: Path, within_s: float = 0.4) -> GoingOn:
    """Look into a damaged journal for what must go on, as far as that is quickly found."""
    found = GoingOn()
    until_s = time.monotonic() + within_s
    with contextlib.suppress(sqlite3.Error):
        _ask(path, found, until_s)
    if found.firing is None:
        with contextlib.suppress(OSError):
            _search(path, found, until_s)
    return found


def _ask(path: Path, found: GoingOn, until_s: float) -> None:
    """Ask SQLite, in case only other places are damaged."""
    with contextlib.closing(connect_read_only(path)) as db:
        db.set_progress_handler(lambda: time.monotonic() > until_s, 1000)
        for key, said, twin in twice(db, "firing", "ORDER BY key"):
            true = firing_info(true_row("firing", key, said, twin))
            if true.running:
                found.firing = true
        found.meta = {name: value for name in CARRIED if (value := read_meta(db, name))}


def _search(path: Path, found: GoingOn, until_s: float) -> None:
    with contextlib.closing(PageFile(path)) as file:
        firings = Gathered(file, until_s).firings
    found.firing = next((firings[key] for key in sorted(firings, reverse=True) if firings[key].running), None)


def start_over(writer: JournalWriter, going_on: GoingOn) -> Path:
    """Set a writer's damaged journal aside, and let it go on with another in its place.

    Gives the damaged one, for `salvage.join`. JournalError where the new one can't be written; it can be
    tried again.
    """
    going_on.numbers = next_numbers(writer._db)
    with contextlib.suppress(sqlite3.Error):
        writer._db.execute("ROLLBACK")
    with contextlib.suppress(JournalError):
        writer.close()
    aside = begin_instead(writer.path, going_on)
    writer._take(open_to_write(writer.path))
    return aside


def begin_instead(path: Path, going_on: GoingOn) -> Path:
    """Set a journal aside and put a new one in its place; give the one set aside."""
    now = int(time.time())
    with disk_errors_of(path), in_the_making(path) as new:
        with contextlib.closing(JournalWriter(new)) as writer, writer.transaction():
            # Whoever has read up to a number never takes what comes now for what was before.
            first = {"event": now, "request": now, "set_apart": now, "arrival": now * 1000}
            known = going_on.numbers
            writer.set_meta(NUMBERS, {name: max(n, known.get(name, 0)) for name, n in first.items()})
            for key, value in going_on.meta.items():
                writer.set_meta(key, value)
            if going_on.firing is not None:
                writer.open_copy(going_on.firing, None)
        return set_aside(path)
