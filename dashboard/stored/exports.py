"""Firings as files: written apart, given away once, and gone from here however that ends."""

import asyncio
import contextlib
import secrets
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import IO, Any, Final
from urllib.parse import quote

from dashboard.asker import Place
from dashboard.work.apart import run_apart
from dashboard.work.downloads import Download, Downloads
from dashboard.work.errands import Errands
from dashboard.work.gathering import Work
from dashboard.work.spool import Spool, plain_name
from logger.errors import UserError
from logger.journal.reader import FiringInfo

FILES: Final = {
    "csv": ("CSV", "csv", "text/csv; charset=utf-8"),
    "parquet": ("Parquet", "parquet", "application/vnd.apache.parquet"),
    "line-protocol": ("Line protocol", "lp", "text/plain; charset=utf-8"),
}
"""By kind: what it is called, how its name ends, its type."""
WAITS_S: Final = 120.0
"""A file that isn't fetched is dropped after this. [s]"""


@dataclass(slots=True)
class Made:
    """A file that was made, already without a name on the disk: what is closed is gone."""

    info: FiringInfo
    kind: str
    file: IO[bytes]
    place: Place

    @property
    def size(self) -> int:
        """How large it is [bytes]."""
        size = self.file.seek(0, 2)
        self.file.seek(0)
        return size

    def give(self) -> Download:
        """Stream it out; it is gone at the end."""
        _, ending, media = FILES[self.kind]
        name = file_name(self.info.title, self.info.id, ending)
        return Download(self.file, self.place, media, download_headers(name, self.size))

    def drop(self) -> None:
        """Let go of it."""
        with contextlib.suppress(OSError):
            self.file.close()
        self.place.leave()


class Exports:
    """Makes files of a journal's firings."""

    def __init__(self, journal_path: Path) -> None:
        self._path = journal_path
        self._spool = Spool(journal_path.parent)
        self._downloads = Downloads(journal_path.parent)
        self.errands = Errands()
        self._made: dict[str, Made] = {}

    async def make(self, info: FiringInfo, kind: str, tell: Callable[[float], None] | None = None) -> Made:
        """Write a firing as a file of a kind of `FILES`, to be given away or dropped.

        UserError: no such kind; StokewatchError: too many are being made, the disk is nearly full, or it
        failed.
        """
        if kind not in FILES:
            raise UserError(f"a firing can be saved as {', '.join(FILES)}")
        place = self._downloads.place()
        try:
            folder = self._spool.folder(self._spool.open())
            try:
                out = folder / secrets.token_hex(4)
                given = {"journal": str(self._path), "firing": info.id, "kind": kind, "out": str(out)}
                await run_apart("export", tell=tell, file_mb=self._downloads.room_mb(), **given)
                file = out.open("rb")
            finally:
                self._spool.drop(folder.name)  # an open file stays readable, and nothing is left
        except BaseException:
            place.leave()
            raise
        return Made(info, kind, file, place)

    def begin(self, info: FiringInfo, kind: str) -> str:
        """Begin to write a firing as a file that is fetched by `take`."""
        token = ""

        async def run(work: Work) -> dict[str, Any]:
            made = await self.make(info, kind, work.come)
            self._made[token] = made
            asyncio.get_running_loop().call_later(WAITS_S, self._forget, token)
            return {"size": made.size}

        token = self.errands.begin(run, f"export[{info.id}]")
        return token

    def take(self, token: str) -> Made:
        """Take a file that was made; each is given once, then UserError."""
        made = self._made.pop(token, None)
        if made is None:
            raise UserError("this file is no longer here; save it again")
        return made

    def _forget(self, token: str) -> None:
        made = self._made.pop(token, None)
        if made is not None:
            made.drop()


@lru_cache(maxsize=4)
def exports(journal_path: Path) -> Exports:
    """Find the exports of a journal, the same for every page."""
    return Exports(journal_path)


def file_name(title: str, firing: str, ending: str) -> str:
    """Name a firing's file so that any disk takes it."""
    return plain_name(f"{title} {firing}".replace(".", "_") + f".{ending}", f"{firing}.{ending}")


def download_headers(name: str, size: int) -> dict[str, str]:
    """Make the headers of a file to be kept, under a name from `plain_name`."""
    plain = name.encode("ascii", "replace").decode().replace("?", "_")
    return {
        "content-disposition": f"attachment; filename=\"{plain}\"; filename*=UTF-8''{quote(name, safe='')}",
        "content-length": str(size),
        "cache-control": "no-store",
    }
