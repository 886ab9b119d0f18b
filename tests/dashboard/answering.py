"""A logger that answers what a page asks, and a page's callback called as Dash calls it."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from dashboard.context import Asker, Context, asker, current
from dashboard.stored.exports import Exports
from dashboard.work.gathering import Gathering
from logger.journal.writer import JournalWriter


@contextlib.contextmanager
def logger_that_answers(journal: Path, answer: dict[str, Any]) -> Iterator[list[tuple[str, Any, str]]]:
    """Answer requests as the logger's thread would; return what was asked."""
    seen: list[tuple[str, Any, str]] = []
    end = threading.Event()

    def answers() -> None:
        with contextlib.closing(JournalWriter(journal)) as writer:
            while not end.wait(0.02):
                for request in writer.take_requests():
                    seen.append((request.kind, request.data, request.who))
                    writer.finish_request(request.id, answer)

    thread = threading.Thread(target=answers)
    thread.start()
    try:
        yield seen
    finally:
        end.set()
        thread.join()


@contextlib.contextmanager
def somebody(journal: Path, who: str | None = "page", **more: Any) -> Iterator[None]:
    """Be the caller: an operator or, with `None`, a watcher."""
    context = current.set(Context(journal, Gathering(journal), Exports(journal)))
    asking = asker.set(Asker(who, **more))
    try:
        yield
    finally:
        current.reset(context)
        asker.reset(asking)
