"""Journals that were set aside: renamed, never changed; whatever can be read is joined to the new one.

The name says how far that has got: `journal-unjoined-…` is still to be joined, `journal-damaged-…` is done.
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Final

BESIDE: Final = ("-wal", "-shm")
"""Files that SQLite keeps beside an open one."""

_UNJOINED: Final = "unjoined"
_DONE: Final = "damaged"


def set_aside(path: Path) -> Path:
    """Rename a closed journal, so that another can begin in its place; return the new name."""
    return _rename(path, _free_name(path, _UNJOINED))


def finish_setting_aside(path: Path) -> None:
    """Finish what `set_aside` had begun when the process was cut short."""
    for wal in path.parent.glob(f"{path.stem}-{_UNJOINED}-*{path.suffix}-wal"):
        aside = wal.with_name(wal.name.removesuffix("-wal"))
        if not aside.exists():
            _rename(path, aside)


def unjoined(path: Path) -> list[Path]:
    """List the journals still to be joined, oldest first."""
    return sorted(path.parent.glob(f"{path.stem}-{_UNJOINED}-*{path.suffix}"))


def joined(path: Path, aside: Path) -> Path:
    """Rename a journal that has been joined; return the new name."""
    return _rename(aside, _free_name(path, _DONE))


def beside(path: Path, ending: str) -> Path:
    """Name a file that SQLite keeps beside another."""
    return path.with_name(path.name + ending)


def _rename(path: Path, new: Path) -> Path:
    beside(path, "-shm").unlink(missing_ok=True)
    wal = beside(path, "-wal")
    # The log first: `finish_setting_aside` goes on from here if only the log has been renamed.
    if wal.exists() and wal.stat().st_size:
        wal.rename(beside(new, "-wal"))
    wal.unlink(missing_ok=True)
    if path.exists():
        path.rename(new)
    else:
        new.touch(0o600)  # only the log was left
    return new


def _free_name(path: Path, what: str) -> Path:
    stem = f"{path.stem}-{what}-{datetime.now().astimezone():%Y%m%d-%H%M%S}"
    numbers = ("", *(f"-{n}" for n in range(2, 1000)))
    names = (path.with_name(f"{stem}{number}{path.suffix}") for number in numbers)
    return next(name for name in names if not name.exists() and not beside(name, "-wal").exists())
