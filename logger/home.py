"""The folder that holds everything a user owns, and who may write to it."""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import secrets
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Final

from logger.errors import UserError

_PATIENCE_S: Final = 1.0
_DISKS: Final = "folders_on_other_disks.json"
_MOST_KNOWN: Final = 50


class AlreadyRunning(UserError):
    """Another logger writes to the same folder."""

    def __init__(self, home: Path) -> None:
        super().__init__(
            f"{home}: a logger is already running here; stop it first, or give this one another --home"
        )
        self.home = home


@dataclass(frozen=True, slots=True)
class Home:
    """Where everything is kept."""

    root: Path

    @classmethod
    def find(cls, given: Path | None, *, name: str = "stokewatch") -> Home:
        """Choose the folder: the one given, else STOKEWATCH_HOME, else one in the user's data folder."""
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

    @property
    def sign(self) -> Path:
        """The logger's sign of life: `health.give_sign`."""
        return self.root / "logger.state"

    def create(self) -> None:
        """Make the folder, readable by its owner only; UserError if it can't be made or written to."""
        try:
            self.root.mkdir(parents=True, exist_ok=True, mode=0o700)
        except OSError as exc:
            raise UserError(
                f"{self.root}: {exc.strerror}; use --home to name a folder that you can write to"
            ) from exc
        if not os.access(self.root, os.W_OK | os.X_OK):
            raise UserError(f"{self.root}: not writable; use --home to name a folder that you can write to")

    def away(self) -> str:
        """Return a warning if this folder's journal was on a disk that isn't mounted now, else nothing."""
        known = _known_disks()
        if str(self.root) not in known or _disk(self.root) != _disk(_state_folder()):
            return ""
        return (
            f"{self.root}: its disk isn't mounted. Readings are now recorded in a new journal in the empty "
            "folder. To carry on with the old journal, stop the logger, mount the disk and start again; to "
            f"stay here for good, remove this folder from {_state_folder() / _DISKS}"
        )

    def remember(self) -> None:
        """Remember this folder if it is on a different disk from the user's own files."""
        known = _known_disks()
        if str(self.root) in known or _disk(self.root) == _disk(_state_folder()):
            return
        with contextlib.suppress(OSError):  # only a later warning is lost
            _state_folder().mkdir(parents=True, exist_ok=True)
            kept = json.dumps([*known, str(self.root)][-_MOST_KNOWN:], indent=1)
            write_whole(_state_folder() / _DISKS, kept.encode())

    @contextmanager
    def logger_lock(self) -> Iterator[LoggerLock]:
        """Be the only logger of this folder; AlreadyRunning if another process is.

        The kernel releases the lock when the process ends, however it ends.
        """
        self.create()
        lock = LoggerLock(self.root)
        until_s = time.monotonic() + _PATIENCE_S
        while not lock.take():
            # A process that only looks holds it for a moment.
            if time.monotonic() > until_s:
                raise AlreadyRunning(self.root)
            time.sleep(0.02)
        try:
            yield lock
        finally:
            lock.release()

    def logger_runs(self) -> bool:
        """Whether a logger holds the lock."""
        lock = LoggerLock(self.root)
        try:
            return not lock.take(shared=True)
        finally:
            lock.release()


def write_whole(path: Path, data: bytes) -> None:
    """Write a file so that it appears whole or not at all; it is on the disk when this returns."""
    with appearing(path, 0o600) as file:
        file.write(data)
    sync_folder(path.parent)


@contextmanager
def appearing(path: Path, mode: int) -> Iterator[IO[bytes]]:
    """Write a file under another name and rename it when complete; `mode` is as `os.open` takes it."""
    draft = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    try:
        with os.fdopen(os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode), "wb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        draft.replace(path)
    finally:
        with contextlib.suppress(OSError):
            draft.unlink(missing_ok=True)


def sync_folder(folder: Path) -> None:
    """Flush a folder's file names to the disk."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _state_folder() -> Path:
    state = os.environ.get("XDG_STATE_HOME")
    return (Path(state) if state else Path.home() / ".local" / "state") / "stokewatch"


def _known_disks() -> list[str]:
    try:
        found = json.loads((_state_folder() / _DISKS).read_text())
    except (OSError, ValueError):
        return []
    return [str(path) for path in found] if isinstance(found, list) else []


def _disk(path: Path) -> int | None:
    """The disk that a folder is on, or would be."""
    for place in (path, *path.parents):
        with contextlib.suppress(OSError):
            return place.stat().st_dev
    return None


class LoggerLock:
    """A logger's lock on its folder: on the folder itself, and on a file in it.

    A file can be removed, and then a second logger would create and lock another one; the folder stays. The
    file is for disks whose folders can't be locked (network disks).
    """

    def __init__(self, root: Path) -> None:
        self._root = root
        self._path = root / "logger.lock"
        self._folder = self._file = -1

    def take(self, *, shared: bool = False) -> bool:
        """Take the lock; False if another process has it. `shared`: only look whether one does."""
        self.release()
        how = (fcntl.LOCK_SH if shared else fcntl.LOCK_EX) | fcntl.LOCK_NB
        try:
            with contextlib.suppress(FileNotFoundError, NotADirectoryError):
                self._folder = os.open(self._root, os.O_RDONLY | os.O_DIRECTORY)
                self._lock(self._folder, how)
            with contextlib.suppress(FileNotFoundError, NotADirectoryError):
                made = 0 if shared else os.O_CREAT
                self._file = os.open(self._path, os.O_RDWR | made, 0o600)
                fcntl.flock(self._file, how)
        except BlockingIOError:
            self.release()
            return False
        except OSError:
            if not shared:
                self.release()
                raise
        return True

    def holds(self) -> bool:
        """Whether the lock still holds; False if another logger has the folder that now has this name.

        The file may have been removed, or the whole folder moved.
        """
        try:
            if self._path.stat().st_ino == os.fstat(self._file).st_ino:
                return True
            file = os.open(self._path, os.O_RDWR)
        except FileNotFoundError:
            if not self._root.is_dir():
                return True  # its disk is unplugged
            try:
                file = os.open(self._path, os.O_RDWR | os.O_CREAT, 0o600)
            except OSError:
                return True  # a full disk, or a read-only one; the folder's own lock holds
        except OSError:
            return True
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            os.close(file)
            return False
        os.close(self._file)
        self._file = file
        return True

    def release(self) -> None:
        """Release the lock."""
        for file in (self._file, self._folder):
            if file >= 0:
                os.close(file)
        self._folder = self._file = -1

    @staticmethod
    def _lock(folder: int, how: int) -> None:
        try:
            fcntl.flock(folder, how)
        except BlockingIOError:
            raise
        except OSError:
            pass  # this disk's folders can't be locked
