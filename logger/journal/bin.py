"""Deleted firings: they stay in the bin until they are put back or deleted for good."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Final

from logger.errors import UserError
from logger.journal.rows import BINNED, NUMBERS, FiringInfo, next_numbers, read_meta

if TYPE_CHECKING:
    from logger.journal.writer import JournalWriter

DELETING: Final = "deleting"
"""Fact of a firing whose readings are being deleted: it can no longer be put back."""

AT_ONCE: Final = 200
"""Rows deleted at a time: a logger that is recording waits no longer than these take."""
_PER_FIRING: Final = (
    *("recent", "chunk", "rollup_1", "rollup_10", "rollup_60", "event", "estimate", "set_apart", "state"),
    "layout",
)
"""Tables whose rows belong to a firing; layouts last, since readings point there."""


def throw_away(writer: JournalWriter, firing: str, now_us: int) -> FiringInfo:
    """Put a firing in the bin, where nothing of it is lost; UserError while it is running."""
    with writer.transaction():
        info = writer.firing(firing)
        if info.running:
            raise UserError(f"{info.title or info.id} is running; end the firing before you delete it")
        if info.binned:
            return info
        return writer.change_firing(info.id, facts={**info.facts, BINNED: now_us})


def put_back(writer: JournalWriter, firing: str) -> FiringInfo:
    """Take a firing out of the bin; UserError if it was being deleted for good."""
    with writer.transaction():
        info = writer.firing(firing)
        if DELETING in info.facts:
            raise UserError(
                f"{info.title or info.id} is half deleted and can't be put back; empty the bin to finish"
            )
        return writer.change_firing(
            info.id, facts={name: value for name, value in info.facts.items() if name != BINNED}
        )


def delete_for_good(
    writer: JournalWriter, firing: str, *, tell: Callable[[float], None] | None = None
) -> None:
    """Delete a firing in the bin and everything that belongs to it; UserError if it isn't in the bin.

    Rows go a few at a time, so that a logger that is recording never waits long. If it is interrupted, the
    firing stays in the bin and can be deleted again. `tell` is called with the share done, 0 to 1.
    """
    with writer.transaction():
        info = writer.firing(firing)
        if not info.binned or info.running:
            raise UserError(f"{info.title or info.id} is not in the bin; put it there first")
        writer.change_firing(info.id, facts={**info.facts, DELETING: True})
        # Before the rows that show how far numbers have been given are deleted.
        writer.set_meta(NUMBERS, {**read_meta(writer._db, NUMBERS), **next_numbers(writer._db)})
    done = 0
    while gone := _delete_some(writer, firing):
        done += gone
        if tell is not None:
            tell(done / (done + 4000))  # a guess: the rest isn't counted


def _delete_some(writer: JournalWriter, firing: str) -> int:
    """Delete some of a firing's rows, the firing itself last; return how many, 0 when done."""
    with writer.transaction():
        row = writer._db.execute("SELECT key FROM firing WHERE id = ?", (firing,)).fetchone()
        if row is None:
            return 0
        key = int(row[0])
        for table in _PER_FIRING:
            some = f"SELECT rowid FROM {table} WHERE firing = ? LIMIT {AT_ONCE}"
            if table == "layout":
                writer._db.execute(f"DELETE FROM twin WHERE kind = 'layout' AND key IN ({some})", (key,))
            gone = writer._db.execute(f"DELETE FROM {table} WHERE rowid IN ({some})", (key,)).rowcount
            if gone:
                return gone
        writer._db.execute("DELETE FROM twin WHERE kind = 'firing' AND key = ?", (key,))
        writer._forget()
        return writer._db.execute("DELETE FROM firing WHERE key = ?", (key,)).rowcount
