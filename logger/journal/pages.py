"""Rows of an SQLite file that SQLite itself can no longer read: found page by page, without any index.

A b-tree's upper pages say where its rows are; when one of them is damaged, SQLite can't find anything below
it. But the rows are in leaf pages, and a leaf page says what it is. So every page of the file is read, and
only what was on damaged pages is lost.

References
----------
.. [1] SQLite, "Database File Format", sections 1.3 (header), 1.5 (freelist), 1.6 (b-tree pages), 2.1
   (records) and 4 (write-ahead log), https://www.sqlite.org/fileformat2.html
"""

from __future__ import annotations

import os
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

PAGE: Final = 4096
"""Page size of our journals, in case the header doesn't say. [bytes]"""
_LEAF_INDEX: Final = 0x0A
_LEAF_TABLE: Final = 0x0D
_INTS: Final = {1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8}
_WAL_MAGIC: Final = (0x377F0682, 0x377F0683)


class BrokenCell(ValueError):
    """What should be a row isn't one."""


@dataclass(frozen=True, slots=True)
class Cell:
    """A row as stored on its page."""

    rowid: int  # 0 in a table without rowids
    serials: tuple[int, ...]  # types of its columns [1]_ (2.1)
    size: int  # of the whole record. [bytes]
    local: bytes  # the part of it on the page itself
    overflow: int  # the page where it continues; 0 if it doesn't

    def shape(self) -> str:
        """One letter per column: n for NULL, i integer, f float, t text, b bytes."""
        return "".join(
            "n" if s == 0 else "i" if s < 7 or s in (8, 9) else "f" if s == 7 else "bt"[s % 2]
            for s in self.serials
        )


class PageFile:
    """An SQLite file and its write-ahead log, read page by page, never written.

    It may be empty, or cut off anywhere.
    """

    def __init__(self, path: Path) -> None:
        self._file = os.open(path, os.O_RDONLY)
        self._log = -1
        self._newer: dict[int, int] = {}  # page number to offset in the log
        try:
            length = os.fstat(self._file).st_size
            head = _pread(self._file, 100, 0)
            size = int.from_bytes(head[16:18], "big")
            size = 65536 if size == 1 else size
            self.page_size = size if size >= 512 and size & (size - 1) == 0 else PAGE
            wal = path.with_name(path.name + "-wal")
            if wal.exists():
                self._log = os.open(wal, os.O_RDONLY)
                self._read_log()
        except BaseException:
            self.close()
            raise
        self.pages = max(-(-length // self.page_size), max(self._newer, default=0))

    def close(self) -> None:
        """Close the files."""
        for file in (self._file, self._log):
            if file >= 0:
                os.close(file)
        self._file = self._log = -1

    def page(self, number: int) -> bytes:
        """Read a page; it is shorter where the file is cut off or the disk can't read it."""
        if number in self._newer:
            return _pread(self._log, self.page_size, self._newer[number])
        return _pread(self._file, self.page_size, (number - 1) * self.page_size)

    def leaves(self, cells_lost: list[int]) -> Iterator[tuple[int, Cell]]:
        """Yield the page number and each row of every leaf page that isn't free.

        `cells_lost` collects the number of each page on which something can't be read.
        """
        free = self._free()
        for number in range(1, self.pages + 1):
            if number not in free:
                for cell in self._cells(self.page(number), number, cells_lost):
                    yield number, cell

    def values(self, cell: Cell, columns: int | None = None) -> list[Any]:
        """Read a row's columns; or only the first few, without following the row onto other pages."""
        data = cell.local if columns is not None else self._whole(cell)
        at, _ = _varint(data, 0)
        out: list[Any] = []
        for serial in cell.serials[:columns]:
            length = _length(serial)
            part = data[at : at + length]
            if len(part) < length:
                raise BrokenCell("a row that goes on where nothing is")
            at += length
            out.append(_value(serial, part))
        return out

    def _whole(self, cell: Cell) -> bytes:
        parts, have, following = [cell.local], len(cell.local), cell.overflow
        while have < cell.size:
            page = self.page(following) if 1 < following <= self.pages else b""
            if len(page) < self.page_size:
                raise BrokenCell("a row that goes on where nothing is")
            parts.append(page[4 : 4 + cell.size - have])
            have += len(parts[-1])
            following = int.from_bytes(page[:4], "big")
        return b"".join(parts)

    def _cells(self, page: bytes, number: int, cells_lost: list[int]) -> Iterator[Cell]:
        head = 100 if number == 1 else 0
        if len(page) < head + 8 or page[head] not in (_LEAF_TABLE, _LEAF_INDEX):
            return
        (count,) = struct.unpack_from(">H", page, head + 3)
        for k in range(min(count, self.page_size // 4)):
            try:
                (at,) = struct.unpack_from(">H", page, head + 8 + 2 * k)
                yield self._cell(page, at, table=page[head] == _LEAF_TABLE)
            except (BrokenCell, struct.error, IndexError):
                if not cells_lost or cells_lost[-1] != number:
                    cells_lost.append(number)

    def _cell(self, page: bytes, at: int, *, table: bool) -> Cell:
        size, at = _varint(page, at)
        rowid, at = _varint(page, at) if table else (0, at)
        usable = self.page_size
        most = usable - 35 if table else (usable - 12) * 64 // 255 - 23
        least = (usable - 12) * 32 // 255 - 23
        local = size
        if size > most:
            local = least + (size - least) % (usable - 4)
            local = local if local <= most else least
        record = page[at : at + local]
        if len(record) < local or not record:
            raise BrokenCell("a row beyond its page")
        overflow = int.from_bytes(page[at + local : at + local + 4], "big") if local < size else 0
        length, k = _varint(record, 0)
        serials = []
        while k < length:
            serial, k = _varint(record, k)
            serials.append(serial)
        if k != length or length + sum(map(_length, serials)) != size:
            raise BrokenCell("a row whose columns don't fill it")
        return Cell(rowid, tuple(serials), size, record, overflow)

    def _free(self) -> set[int]:
        """Free pages, as far as the chain of them can be followed."""
        free: set[int] = set()
        trunk = int.from_bytes(self.page(1)[32:36], "big") if self.pages else 0
        while 0 < trunk <= self.pages and trunk not in free:
            page = self.page(trunk)
            count = int.from_bytes(page[4:8], "big")
            if len(page) < self.page_size or count > self.page_size // 4 - 2:
                break
            free.add(trunk)
            free.update(struct.unpack_from(f">{count}I", page, 8))
            trunk = int.from_bytes(page[:4], "big")
        return free

    def _read_log(self) -> None:
        """Find the pages committed to the log, by its checksums, as in [1]_ (4.1, 4.2)."""
        head = _pread(self._log, 32, 0)
        if len(head) < 32:
            return
        magic, _, size, _ = struct.unpack_from(">4I", head)
        if magic not in _WAL_MAGIC or size < 512 or size > 65536 or size & (size - 1):
            return
        order = "<>"[magic & 1]
        self.page_size = size  # the log has a checksum over its own
        sums = _sums(head[:24], order, (0, 0))
        if sums != struct.unpack_from(">2I", head, 24):
            return
        pending: dict[int, int] = {}
        at = 32
        while len(frame := _pread(self._log, 24 + size, at)) == 24 + size:
            number, committed = struct.unpack_from(">2I", frame)
            sums = _sums(frame[24:], order, _sums(frame[:8], order, sums))
            if frame[8:16] != head[16:24] or sums != struct.unpack_from(">2I", frame, 16):
                return
            pending[number] = at + 24
            if committed:
                self._newer.update(pending)
                pending.clear()
            at += 24 + size


def _pread(file: int, length: int, at: int) -> bytes:
    try:
        return os.pread(file, length, at)
    except OSError:  # the disk can't read it all: try smaller pieces
        if length <= 512:
            return b""
    pieces = []
    for begin in range(at, at + length, 512):
        piece = _pread(file, 512, begin)
        pieces.append(piece.ljust(512, b"\0"))
    return b"".join(pieces)


def _varint(data: bytes, at: int) -> tuple[int, int]:
    value = 0
    for k in range(8):
        byte = data[at + k]
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, at + k + 1
    value = value << 8 | data[at + 8]
    return value - (1 << 64) if value >> 63 else value, at + 9


def _length(serial: int) -> int:
    if serial >= 12:
        return (serial - 12) // 2
    if serial in (10, 11) or serial < 0:
        raise BrokenCell("a column of no type")
    return 8 if serial == 7 else _INTS.get(serial, 0)


def _value(serial: int, part: bytes) -> Any:
    if serial == 0:
        return None
    if serial in (8, 9):
        return serial - 8
    if serial == 7:
        return struct.unpack(">d", part)[0]
    if serial < 7:
        return int.from_bytes(part, "big", signed=True)
    return part.decode("utf-8", "replace") if serial % 2 else part


def _sums(data: bytes, order: str, sums: tuple[int, int]) -> tuple[int, int]:
    a, b = sums
    words = struct.unpack(f"{order}{len(data) // 4}I", data)
    for x, y in zip(words[::2], words[1::2], strict=True):
        a = (a + x + b) & 0xFFFFFFFF
        b = (b + y + a) & 0xFFFFFFFF
    return a, b
