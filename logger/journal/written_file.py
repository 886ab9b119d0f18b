"""The journal's file as its one writer holds it: opening, reopening, transactions."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from pathlib import Path

from logger.journal.schema import (
    BESIDE,
    JournalError,
    abandon,
    beside,
    disk_errors_of,
    errors_of,
    in_the_making,
    open_to_write,
)


class WrittenFile:
    """The file, open for writing; JournalError if it can't be opened or is damaged."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._db = open_to_write(path)
        found = path.stat()
        self._file, self._disk = found.st_ino, found.st_dev

    def _forget(self) -> None:
        """Forget what is cached of its rows."""

    def close(self) -> None:
        """Close the file; everything committed is kept."""
        if self._is_in_place():
            with errors_of(self.path):
                self._db.close()
        else:
            abandon(self._db)

    def reopen(self, firing: str | None) -> None:
        """Open the file again after it was removed or its disk was away.

        If only the file is gone, not its folder, everything committed is written out again from the file that
        is still open. JournalError if the folder is gone or another file is in its place; nothing has changed
        then.
        """
        if not self.path.exists():
            folder = self.path.parent
            if not folder.is_dir() or folder.stat().st_dev != self._disk:
                # Never write into an empty mount point: the disk would hide it when it comes back.
                raise JournalError(f"journal {self.path}: its folder is gone; put its disk back", "gone")
            self._write_out()
        fresh = open_to_write(self.path)
        known = fresh.execute("SELECT 1 FROM firing WHERE id = ?", (firing,)).fetchone()
        if firing is not None and not known:
            fresh.close()
            raise JournalError(
                f"journal {self.path}: another file has taken its place; put back the journal that has "
                f"firing {firing}",
                "gone",
            )
        self._take(fresh)

    def _take(self, fresh: sqlite3.Connection) -> None:
        """Switch to a new connection to the file that is in its place now."""
        old, in_place = self._db, self._is_in_place()
        self._db = fresh
        if in_place:
            with contextlib.suppress(sqlite3.Error):
                old.close()
        else:
            abandon(old)
        found = self.path.stat()
        self._file, self._disk = found.st_ino, found.st_dev
        self._forget()

    def _write_out(self) -> None:
        with errors_of(self.path), disk_errors_of(self.path), in_the_making(self.path) as again:
            with contextlib.closing(sqlite3.connect(again)) as copy:
                self._db.backup(copy)
            # Files left there belong to the removed journal; the copy has what they hold.
            for ending in BESIDE:
                beside(self.path, ending).unlink(missing_ok=True)

    def _is_in_place(self) -> bool:
        try:
            return self.path.stat().st_ino == self._file
        except OSError:
            return False

    @contextlib.contextmanager
    def transaction(self) -> Iterator[None]:
        """Commit everything written inside, or nothing.

        JournalError: the disk is full, read-only or gone, or another program is writing for too long. Nothing
        of this transaction was kept; it can be tried again.
        """
        if self._db.in_transaction:
            with errors_of(self.path):
                yield
            return
        if not self._is_in_place():  # SQLite would go on writing where nobody reads
            raise JournalError(
                f"journal {self.path}: the file was removed or replaced while it was open; put it back, or "
                "open the journal again",
                "gone",
            )
        with errors_of(self.path):
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield
                self._db.execute("COMMIT")
            except BaseException:
                self._forget()  # the cache may name rows that are gone now
                with contextlib.suppress(sqlite3.Error):
                    self._db.execute("ROLLBACK")
                raise
