"""Files sent by a tablet, kept until they are imported or abandoned."""

import itertools
import re
import secrets
import shutil
import time
import unicodedata
from collections.abc import AsyncIterator, Sequence
from pathlib import Path
from typing import Final

from logger.errors import UserError

MAX_BYTES: Final = 64 << 20
"""Total size of the files that make one firing."""
MAX_FILES: Final = 32
KEPT_S: Final = 3600.0
"""Abandoned files are removed after this long [s]."""


class SpoolError(UserError):
    """Files that can't be taken: says why, and what to do."""

    field = "files"


class Spool:
    """A private folder inside the user's own."""

    def __init__(self, home: Path) -> None:
        self.root = home / "spool"

    def open(self) -> str:
        """Make a folder for files that belong together, and return its token."""
        self.sweep()
        token = secrets.token_hex(8)
        self.root.mkdir(mode=0o700, parents=True, exist_ok=True)
        (self.root / token).mkdir(mode=0o700)
        return token

    def folder(self, token: str) -> Path:
        """Find the folder; SpoolError: it is gone."""
        found = self.root / token
        if not re.fullmatch(r"[0-9a-f]{16}", token) or not found.is_dir():
            raise SpoolError("these files are no longer here; choose them again")
        return found

    def files(self, token: str, names: Sequence[str]) -> list[Path]:
        """Find files by the names that `take` gave them; SpoolError: one is gone."""
        folder = self.folder(token)
        there = {path.name: path for path in folder.iterdir()}
        if not names or not set(names) <= there.keys():
            raise SpoolError("these files are no longer here; choose them again")
        return [there[name] for name in names]

    async def take(self, token: str, name: str, body: AsyncIterator[bytes]) -> str:
        """Store a file and return its name; SpoolError: too large or too many, and nothing is kept."""
        folder = self.folder(token)
        there = [path for path in folder.iterdir() if not path.name.startswith(".")]
        if len(there) >= MAX_FILES:
            raise SpoolError(f"more than {MAX_FILES} files; a rig has no more channels than that")
        room = MAX_BYTES - sum(path.stat().st_size for path in there)
        part = folder / f".{secrets.token_hex(4)}.part"
        try:
            with part.open("xb") as file:
                async for piece in body:
                    room -= len(piece)
                    if room < 0:
                        raise SpoolError(
                            f"larger than {MAX_BYTES >> 20} MB; import it on the logger's computer with "
                            "`stokewatch import`"
                        )
                    file.write(piece)
            own = _free_name(plain_name(name, "readings.csv"), {path.name for path in there})
            part.rename(folder / own)
        except OSError as exc:
            raise SpoolError(f"{name}: can't be kept here ({exc.strerror}); make room on the disk") from exc
        finally:
            part.unlink(missing_ok=True)
        return own

    def drop(self, token: str) -> None:
        """Remove the files, if they are still there."""
        if re.fullmatch(r"[0-9a-f]{16}", token):
            shutil.rmtree(self.root / token, ignore_errors=True)

    def sweep(self) -> None:
        """Remove abandoned files."""
        if not self.root.is_dir():
            return
        for folder in self.root.iterdir():
            if time.time() - folder.stat().st_mtime > KEPT_S:
                shutil.rmtree(folder, ignore_errors=True)


def plain_name(name: str, otherwise: str) -> str:
    """Make a file name that is safe on any disk.

    Letters, digits, spaces and ``-_.,()+``; no folder, no leading dot, at most 80 characters.
    """
    last = unicodedata.normalize("NFC", name).replace("\\", "/").rsplit("/", 1)[-1]
    kept = "".join(c if c.isalnum() or c in " -_.,()+" else "_" for c in last)
    stem, dot, ending = kept.strip(" .").rpartition(".")
    short = f"{stem[:70].strip()}.{ending[:9]}" if dot else ending[:80]
    return short if re.search(r"\w", short.replace("_", "")) else otherwise


def _free_name(name: str, taken: set[str]) -> str:
    path, numbers = Path(name), itertools.count(2)
    while name in taken:
        name = f"{path.stem} {next(numbers)}{path.suffix}"
    return name
