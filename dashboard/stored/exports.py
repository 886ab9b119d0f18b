"""Export firings as files: written in another process, a few at a time, sent once, then always removed."""

import asyncio
import contextlib
import logging
import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import IO, Final
from urllib.parse import quote

from starlette.responses import StreamingResponse
from starlette.types import Receive, Scope, Send

from dashboard.context import Place, Share
from dashboard.work.apart import BusyError, run_apart
from dashboard.work.spool import Spool, plain_name
from dashboard.work.works import Work, Works
from logger.errors import StokewatchError, UserError
from logger.journal.reader import FiringInfo

FILES: Final = {
    "csv": ("CSV", "csv", "text/csv; charset=utf-8"),
    "parquet": ("Parquet", "parquet", "application/vnd.apache.parquet"),
    "line-protocol": ("Line protocol", "lp", "text/plain; charset=utf-8"),
}
"""By kind: label, file extension, media type."""
WAITS_S: Final = 120.0
"""A file that isn't fetched is dropped after this long [s]."""
MOST: Final = 6
"""How many files may be made or downloaded at once."""
EACH: Final = 2
"""How many of them for one watcher's address."""
RESERVE: Final = 2
"""Places among `MOST` kept for operators and this machine."""
SPARE_MB: Final = 512
"""Left free on the journal's disk for readings [MB]."""
LARGEST_MB: Final = 2048
PATIENCE_S: Final = 60.0
SLOWEST: Final = 50_000.0
"""The slowest a download may be, after the first `PATIENCE_S` [bytes/s]."""
PIECE: Final = 1 << 16

log = logging.getLogger(__name__)


class Download(StreamingResponse):
    """A file sent piece by piece, and cut off if the download is too slow.

    It is already unlinked, so closing it removes it; that and leaving the place happen however this ends.
    """

    def __init__(self, file: IO[bytes], place: Place, name: str, media: str) -> None:
        self.size = os.fstat(file.fileno()).st_size  # [bytes]
        self.file, self._place, self._taken = file, place, False
        pieces = iter(lambda: file.read(PIECE), b"")
        super().__init__(pieces, media_type=media, headers=download_headers(name, self.size))

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Send it."""
        self._taken = True
        try:
            async with asyncio.timeout(PATIENCE_S + self.size / SLOWEST):
                await super().__call__(scope, receive, send)
        except TimeoutError:
            log.warning("a download was too slow and was cut off")
        finally:
            self._let_go()

    def drop(self) -> None:
        """Let go of it, unless it is being sent."""
        if not self._taken:
            self._let_go()

    def _let_go(self) -> None:
        with contextlib.suppress(OSError):
            self.file.close()
        self._place.leave()


class Exports:
    """Makes files of a journal's firings."""

    def __init__(self, journal_path: Path) -> None:
        self._path = journal_path
        self._spool = Spool(journal_path.parent)
        self._share = Share(MOST, EACH, RESERVE)
        self.works = Works()

    def place(self) -> tuple[Place, int]:
        """Take a place, to be left at the end, and return it with the largest size of a file [MB].

        BusyError: no place is free; StokewatchError: the disk is nearly full.
        """
        room_mb = (shutil.disk_usage(self._path.parent).free >> 20) - SPARE_MB
        if room_mb <= 0:
            raise StokewatchError(
                f"less than {SPARE_MB} MB is free on the journal's disk, and readings come first; make room"
            )
        if (place := self._share.take()) is None:
            raise BusyError("too many files are being downloaded; wait until the others are done")
        return place, max(1, min(LARGEST_MB, room_mb // MOST))

    async def make(
        self, info: FiringInfo, kind: str, tell: Callable[[float], None] | None = None
    ) -> Download:
        """Write a firing as one of `FILES`, to be sent or dropped.

        UserError: no such kind; StokewatchError: too many are being made, the disk is full, or it failed.
        """
        if kind not in FILES:
            raise UserError(f"a firing can be saved as {', '.join(FILES)}")
        _, ending, media = FILES[kind]
        place, file_mb = self.place()
        with contextlib.ExitStack() as undo:
            undo.callback(place.leave)
            token = self._spool.open()
            try:
                out = self._spool.folder(token) / ending
                given = {"journal": str(self._path), "firing": info.id, "kind": kind, "out": str(out)}
                await run_apart("export", tell=tell, file_mb=file_mb, **given)
                file = out.open("rb")
            finally:
                self._spool.drop(token)  # the open file stays readable; nothing is left on the disk
            undo.pop_all()
        return Download(file, place, file_name(info.title, info.id, ending), media)

    def begin(self, info: FiringInfo, kind: str) -> Work:
        """Start writing a firing as a file; `take` fetches it by the work's key."""

        async def run(work: Work) -> Download:
            made = await self.make(info, kind, work.come)
            asyncio.get_running_loop().call_later(WAITS_S, made.drop)
            return made

        called = FILES[kind][0] if kind in FILES else kind
        return self.works.begin(run, f"Writing {info.title or 'the firing'} as {called}")

    def take(self, token: str) -> Download:
        """Fetch a file that was made, once; UserError: it is no longer here."""
        work = self.works.find(token)
        made = work.answer() if work is not None and work.done and not work.failed else None
        if not isinstance(made, Download) or made.file.closed:
            raise UserError("this file is no longer here; save it again")
        self.works.forget(token)
        return made


def file_name(title: str, firing: str, ending: str) -> str:
    """Name a firing's file, safe on any disk."""
    return plain_name(f"{title} {firing}".replace(".", "_") + f".{ending}", f"{firing}.{ending}")


def download_headers(name: str, size: int) -> dict[str, str]:
    """Make the headers of a download; `name` is from `plain_name`."""
    plain = name.encode("ascii", "replace").decode().replace("?", "_")
    return {
        "content-disposition": f"attachment; filename=\"{plain}\"; filename*=UTF-8''{quote(name, safe='')}",
        "content-length": str(size),
        "cache-control": "no-store",
    }
