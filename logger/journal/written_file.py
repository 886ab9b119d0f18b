"""The journal's file as the one hand that writes readings holds it: opened, put back, and in transactions."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from pathlib import Path

from logger.journal.aside import BESIDE, beside
from logger.journal.schema import (
    JournalError,
    abandon,
    disk_errors_of,
    errors_of,
    in_the_making,
    open_to_write,
)


class WrittenFile:
    """The file, open for writing; JournalError where it can't be opened or is damaged."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._db = open_to_write(path)
        found = path.stat()
        self._file, self._disk = found.st_ino, found.st_dev

    def _forget(self) -> None:
        """Forget what is remembered of its rows."""

    def close(self) -> None:
        """Close the file; everything committed is there."""
        if self._is_in_place():
            with errors_of(self.path):
                self._db.close()
        else:
            abandon(self._db)

    def reopen(self, firing: str | None) -> None:
        """Open the file again: it was removed, or its disk was away.

        Where the file is gone and its folder isn't, everything committed is still to be had from the file
        that is open, and is written out again. JournalError where it isn't there, or something else is;
        nothing has changed then.
        """
        if not self.path.exists():
            folder = self.path.parent
            if not folder.is_dir() or folder.stat().st_dev != self._disk:
                # Never onto the bare place where its disk is mounted: there it would be hidden again.
                raise JournalError(f"journal {self.path}: its folder is gone; put its disk back", "gone")
            self._write_out()
        fresh = open_to_write(self.path)
        if (
            firing is not None
            and not fresh.execute("SELECT 1 FROM firing WHERE id = ?", (firing,)).fetchone()
        ):
            fresh.close()
            raise JournalError(
                f"journal {self.path}: another file was put in its place; put back the journal that has "
                f"firing {firing}",
                "gone",
            )
        self._take(fresh)

    def _take(self, fresh: sqlite3.Connection) -> None:
        """Go on with another connection to the file that is in its place now."""
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
            # What lies there belongs to the file that was removed, and is in the copy.
            for ending in BESIDE:
                beside(self.path, ending).unlink(missing_ok=True)

    def _is_in_place(self) -> bool:
        try:
            return self.path.stat().st_ino == self._file
        except OSError:
            return False

    @contextlib.contextmanager
    def transaction(self) -> Iterator[None]:
        """Commit what is written inside together, or nothing of it.

        JournalError: the disk is full, read-only, gone, or another program writes for too long. Nothing of
        this transaction was kept; it can be tried again.
        """
        if self._db.in_transaction:
            with errors_of(self.path):
                yield
            return
        self._check_file()
        with errors_of(self.path):
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield
                self._db.execute("COMMIT")
            except BaseException:
                self._forget()  # what is remembered may speak of rows that are gone now
                with contextlib.suppress(sqlite3.Error):
                    self._db.execute("ROLLBACK")
                raise

    def _check_file(self) -> None:
        """Notice that the file was removed or replaced: SQLite would go on writing where nobody reads."""
        if not self._is_in_place():
            raise JournalError(
                f"journal {self.path}: the file was removed or replaced while it was open; put it back, or "
                "open the journal again",
                "gone",
            )
