"""Files that are made to be taken away: few at a time, with room left on the disk, and not for ever."""

import asyncio
import contextlib
import logging
import os
import shutil
from pathlib import Path
from typing import IO, Final

from starlette.responses import StreamingResponse
from starlette.types import Receive, Scope, Send

from dashboard.asker import Place, Share
from dashboard.work.apart import BusyError
from logger.errors import StokewatchError

MOST: Final = 6
"""Files that are being made or taken, in all."""
EACH: Final = 2
"""Of one stranger's address."""
RESERVE: Final = 2
"""Places among `MOST` that only operators, and this machine, may take."""
SPARE_MB: Final = 512
"""Left free on the journal's disk: readings come first. [MB]"""
LARGEST_MB: Final = 2048
PATIENCE_S: Final = 60.0
SLOWEST: Final = 50_000.0
"""Bytes a second at which a file must be taken, after the first `PATIENCE_S`."""
PIECE: Final = 1 << 16

log = logging.getLogger(__name__)


class NoRoom(StokewatchError):
    """The disk has no room for a file beside the readings to come."""

    def __init__(self) -> None:
        super().__init__(
            f"less than {SPARE_MB} MB are free on the journal's disk, and readings come first; make room"
        )


class Downloads:
    """Keeps the number of files that are being made or taken."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._share = Share(MOST, EACH, RESERVE)

    def room_mb(self) -> int:
        """Say how large a file may become [MB], or raise NoRoom (the disk is nearly full)."""
        room_mb = (shutil.disk_usage(self._folder).free >> 20) - SPARE_MB
        if room_mb <= 0:
            raise NoRoom
        return max(1, min(LARGEST_MB, room_mb // MOST))

    def place(self) -> Place:
        """Take a place, to be left at the end; or raise BusyError (there is none) or NoRoom."""
        self.room_mb()
        if (place := self._share.take()) is None:
            raise BusyError("too many files are being taken from here; wait until the others are through")
        return place


class Download(StreamingResponse):
    """A file that is given away, piece by piece; whoever takes it too slowly loses it.

    However that ends, the file is closed and the place left.
    """

    def __init__(self, file: IO[bytes], place: Place, media: str, headers: dict[str, str]) -> None:
        super().__init__(iter(lambda: file.read(PIECE), b""), media_type=media, headers=headers)
        self._file, self._place = file, place
        self._size = os.fstat(file.fileno()).st_size

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Give it away."""
        try:
            async with asyncio.timeout(PATIENCE_S + self._size / SLOWEST):
                await super().__call__(scope, receive, send)
        except TimeoutError:
            log.warning("a file was taken too slowly from here, and was ended")
        finally:
            with contextlib.suppress(OSError):
                self._file.close()
            self._place.leave()
