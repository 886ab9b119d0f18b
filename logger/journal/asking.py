"""What any process may ask of the logger: a row of the journal, which the logger answers."""

from __future__ import annotations

import contextlib
import sqlite3
import time
from pathlib import Path
from typing import Any, Final

from logger.errors import UserError
from logger.journal.rows import next_number
from logger.journal.schema import errors_of
from logger.journal.sealed import seal_text, to_json

MAX_WAITING: Final = 200
"""Requests that nobody has answered: a logger that is away for long finds no more than these."""
MAX_DATA: Final = 250_000
"""Characters of one request; a plan is by far the longest."""


def add_request(path: Path, kind: str, data: dict[str, Any], who: str = "") -> int:
    """Ask something of the logger; give the number by which `JournalReader.request` shows the answer.

    UserError where it is longer than any request, or too many wait already.
    """
    text = to_json(data)
    if len(text) > MAX_DATA:
        raise UserError(f"longer than {MAX_DATA} characters; no request of this program is that long")
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
                    f"{waiting} requests wait for the logger; check with `stokewatch status` that it runs"
                )
            number, made_us = next_number(db, "request"), time.time_ns() // 1000
            db.execute(
                "INSERT INTO request (id, made_us, kind, data, who) VALUES (?, ?, ?, ?, ?)",
                (number, made_us, kind, seal_text(text, made_us, kind, who), who),
            )
            db.execute("COMMIT")
            return number
