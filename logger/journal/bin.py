"""Firings that were thrown away: they lie in the bin until they are put back, or are deleted for good."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Final

from logger.errors import UserError
from logger.journal.rows import BINNED, FiringInfo

if TYPE_CHECKING:
    from logger.journal.writer import JournalWriter

DELETING: Final = "deleting"
"""Fact of a firing whose readings are on their way out: it can't be put back any more."""


class BinError(UserError):
    """A firing that can't go to the bin, or come out of it: says why."""


def throw_away(writer: JournalWriter, firing: str, now_us: int) -> FiringInfo:
    """Put a firing into the bin; nothing of it is lost there. BinError while it runs."""
    with writer.transaction():
        info = writer.firing(firing)
        if info.running:
            raise BinError(f"{info.title or info.id} is running; end the firing before you delete it")
        if info.binned:
            return info
        return writer.change_firing(info.id, facts={**info.facts, BINNED: now_us})


def put_back(writer: JournalWriter, firing: str) -> FiringInfo:
    """Take a firing out of the bin; BinError where it was being deleted for good."""
    with writer.transaction():
        info = writer.firing(firing)
        if DELETING in info.facts:
            raise BinError(
                f"{info.title or info.id} was being deleted for good; empty the bin to finish that"
            )
        return writer.change_firing(
            info.id, facts={name: value for name, value in info.facts.items() if name != BINNED}
        )


def delete_for_good(
    writer: JournalWriter, firing: str, *, tell: Callable[[float], None] | None = None
) -> None:
    """Delete a firing that lies in the bin, with all that was kept of it; BinError where it isn't there.

    It is done bit by bit, so that a logger which records at the same time waits for no more than one bit.
    Whatever ends it half-way, the firing stays in the bin and can be deleted again. `tell` takes how much is
    done, 0 to 1.
    """
    with writer.transaction():
        info = writer.firing(firing)
        if not info.binned or info.running:
            raise BinError(f"{info.title or info.id} is not in the bin; put it there first")
        writer.change_firing(info.id, facts={**info.facts, DELETING: True})
        writer.keep_counting()
    done = 0
    while gone := writer.delete_some(firing):
        done += gone
        if tell is not None:
            tell(done / (done + 4000))  # how much is left would have to be counted first
