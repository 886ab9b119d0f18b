"""What a person does: to the running firing by a request that the logger answers; to a stored one at once."""

import asyncio
import contextlib
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, TypeVar

from logger.errors import UserError
from logger.journal.asking import add_request
from logger.journal.reader import JournalReader
from logger.journal.writer import JournalWriter
from logger.requests import data_of, read_request

PATIENCE_S: Final = 5.0
"""The logger looks for requests several times a second; no answer is waited for longer than this. [s]"""
LOOK_S: Final = 0.05


T = TypeVar("T")


class ActError(UserError):
    """The logger refused a request; says why."""


async def ask(journal_path: Path, kind: str, data: dict[str, Any], who: str) -> dict[str, Any]:
    """Ask the logger for something (`note`, `spot`, `ack`, `shelve`, `finish` …), and wait for its answer.

    That is `{"waiting": True, "request": id}` where none came in time: the request stays in the journal and
    is carried out when the logger is back. RequestError names the field that can't be; ActError says why the
    logger refused.
    """
    asked = data_of(read_request(kind, data))
    number = await asyncio.to_thread(add_request, journal_path, kind, asked, who)
    end = time.monotonic() + PATIENCE_S
    with contextlib.closing(await asyncio.to_thread(JournalReader, journal_path)) as reader:
        while time.monotonic() < end:
            request = await asyncio.to_thread(reader.request, number)
            if request is not None and request.result is not None:
                if not request.result.get("ok"):
                    raise ActError(str(request.result.get("error", "the logger refused")))
                return dict(request.result)
            await asyncio.sleep(LOOK_S)
    return {"waiting": True, "request": number}


async def write(journal_path: Path, change: Callable[[JournalWriter], T]) -> T:
    """Change what is kept of a stored firing, beside a running logger, as an import does.

    `change` is one short transaction of another table's row than the logger writes.
    """

    def now() -> T:
        with contextlib.closing(JournalWriter(journal_path)) as writer:
            return change(writer)

    return await asyncio.to_thread(now)
