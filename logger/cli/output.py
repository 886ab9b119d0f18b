"""What commands print, and how they open the journal."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

import click

from logger.errors import UserError

if TYPE_CHECKING:
    from logger.home import Home
    from logger.journal.reader import JournalReader


def tell(document: object, lines: Iterable[str], *, as_json: bool) -> None:
    """Print one JSON document for programs, or lines for people."""
    import json

    for line in [json.dumps(document, ensure_ascii=False, allow_nan=False)] if as_json else lines:
        click.echo(line)


def iso(t_us: int) -> str:
    """Format a time [µs] as ISO 8601, in UTC."""
    from datetime import UTC, datetime

    return datetime.fromtimestamp(t_us / 1e6, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def marked(title: str, *, running: bool, invented: bool) -> str:
    """Return a firing's title, marked if it is running or invented."""
    marks = ", ".join(mark for mark, yes in (("running", running), ("invented", invented)) if yes)
    return f"{title}{f'  ({marks})' if marks else ''}"


def journal_there(home: Home) -> None:
    """Refuse a folder without a journal."""
    if not home.journal.exists():
        raise UserError(f"{home.root}: no journal here yet; name the right folder with --home")


@contextlib.contextmanager
def reading(home: Home) -> Iterator[JournalReader]:
    """Open a folder's journal for reading; UserError if there is none."""
    from logger.journal.reader import JournalReader

    journal_there(home)
    with contextlib.closing(JournalReader(home.journal)) as reader:
        yield reader
