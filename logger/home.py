"""The folder that holds everything a user owns, and who may write in it."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from logger.errors import UserError


class AlreadyRunning(UserError):
    """Another logger writes to the same folder."""

    def __init__(self, home: Path) -> None:
        super().__init__(
            f"{home}: a logger is already running here; end that one first, or give this one another --home"
        )
        self.home = home


@dataclass(frozen=True, slots=True)
class Home:
    """Where things are kept.

    Attributes
    ----------
    root : Path
        The folder itself.
    """

    root: Path

    @classmethod
    def find(cls, given: Path | None, *, name: str = "stokewatch") -> Home:
        """Choose the folder: the one given, else STOKEWATCH_HOME, else the user's data folder.

        Parameters
        ----------
        given : Path or None
            What the command line says.
        name : str, default 'stokewatch'
            Folder name inside the user's data folder.

        Returns
        -------
        Home
        """
        if given is None and (env := os.environ.get("STOKEWATCH_HOME")):
            given = Path(env)
        if given is None:
            data = os.environ.get("XDG_DATA_HOME")
            given = (Path(data) if data else Path.home() / ".local" / "share") / name
        return cls(given.expanduser().absolute())

    @property
    def journal(self) -> Path:
        """The journal's file."""
        return self.root / "journal.sqlite"

    def create(self) -> None:
        """Make the folder, readable by its owner only.

        Raises
        ------
        UserError
            It can't be made or written to.
        """
        try:
            self.root.mkdir(parents=True, exist_ok=True, mode=0o700)
        except OSError as exc:
            raise UserError(
                f"{self.root}: {exc.strerror}; give a folder that can be written to with --home"
            ) from exc
        if not os.access(self.root, os.W_OK | os.X_OK):
            raise UserError(f"{self.root}: not writable; give a folder that can be written to with --home")

    @contextmanager
    def logger_lock(self) -> Iterator[None]:
        """Hold the right to be the one logger of this folder.

        The kernel lets go of it when the process ends, however it ends.

        Raises
        ------
        AlreadyRunning
            Another process holds it.
        """
        self.create()
        with (self.root / "logger.lock").open("a+") as lock:
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError as exc:
                raise AlreadyRunning(self.root) from exc
            yield

    def logger_runs(self) -> bool:
        """Tell whether a logger holds the lock.

        Returns
        -------
        bool
        """
        path = self.root / "logger.lock"
        try:
            with path.open("r") as lock:
                fcntl.flock(lock, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except BlockingIOError:
            return True
        except OSError:
            return False
        return False
