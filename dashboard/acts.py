"""Carry out what a person does: on the running firing by a request to the logger, on a stored one at once."""

import asyncio
import contextlib
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, TypeVar

from logger.errors import UserError
from logger.journal.reader import JournalReader
from logger.journal.rows import add_request
from logger.journal.writer import JournalWriter
from logger.requests import data_of, read_request

PATIENCE_S: Final = 5.0
"""How long to wait for an answer; the logger looks for requests several times a second [s]."""
LOOK_S: Final = 0.05
T = TypeVar("T")


async def ask(journal_path: Path, kind: str, data: dict[str, Any], who: str) -> dict[str, Any]:
    """Ask the logger for something (`note`, `spot`, `ack`, `shelve`, `finish` …), and wait for its answer.

    If none comes in time, return `{"waiting": True, "request": id}`: the request stays in the journal, and is
    carried out when the logger is back. RequestError: a field is impossible; UserError: the logger refused.
    """
    asked = data_of(read_request(kind, data))
    number = await asyncio.to_thread(add_request, journal_path, kind, asked, who)
    end = time.monotonic() + PATIENCE_S
    with contextlib.closing(await asyncio.to_thread(JournalReader, journal_path)) as reader:
        while time.monotonic() < end:
            request = await asyncio.to_thread(reader.request, number)
            if request is not None and request.result is not None:
                if not request.result.get("ok"):
                    raise UserError(str(request.result.get("error", "the logger refused")))
                return dict(request.result)
            await asyncio.sleep(LOOK_S)
    return {"waiting": True, "request": number}


async def write(journal_path: Path, change: Callable[[JournalWriter], T]) -> T:
    """Change a stored firing while a logger may be running, as an import does.

    `change` is one short transaction on rows that the logger doesn't write.
    """

    def now() -> T:
        with contextlib.closing(JournalWriter(journal_path)) as writer:
            return change(writer)

    return await asyncio.to_thread(now)
