"""Ask the logger for something, from any process: a row in the journal, which the logger answers."""

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
"""Most unanswered requests: a logger that was away for long finds no more than these."""
MAX_DATA: Final = 250_000
"""Most characters in one request; a plan is by far the longest."""


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
