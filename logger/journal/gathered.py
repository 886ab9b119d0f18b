"""A damaged journal, read page by page: firings, readings and events, as far as their rows are whole."""

from __future__ import annotations

import contextlib
import re
import sqlite3
import time
import zlib
from collections import defaultdict
from collections.abc import Iterator
from typing import Any, Final

import numpy as np

from logger.journal.layout import MINUTE_US, Layout
from logger.journal.packing import each_once
from logger.journal.pages import BrokenCell, Cell, PageFile
from logger.journal.rows import FiringInfo, firing_info, to_event, to_request
from logger.journal.schema import make_tables
from logger.journal.sealed import TWICE, DamagedError, load_dict, true_row, unseal_text
from logger.reading import Batch, Event

_TABLES: Final = ("chunk", "recent", *TWICE, "twin", "event", "estimate", "request", "set_apart")
_FARTHEST_US: Final = 1 << 53
_OF_CHUNK: Final = 7
"""How many numbers a packed minute's checksum covers; a batch's covers one less."""

Stretch = tuple[Cell, list[int]]
"""A row of readings, and the numbers that its checksum covers; its data is read later."""


class Gathered:
    """Everything found in the file; checksums decide between rows with the same key."""

    def __init__(self, file: PageFile, until_s: float = float("inf")) -> None:
        """Read a journal's pages, until `until_s` [s, monotonic clock] at the latest."""
        self._file = file
        self._rows: dict[str, list[tuple[int, list[Any]]]] = defaultdict(list)  # rowid and columns
        self._stretches: list[Stretch] = []
        broken: list[int] = []
        shapes = _shapes()
        for number, cell in file.leaves(broken):
            if number % 64 == 0 and time.monotonic() > until_s:
                break
            try:
                self._take(
                    cell, next((name for name, look in shapes.items() if look.fullmatch(cell.shape())), "")
                )
            except BrokenCell:
                broken.append(number)
        self.broken_pages = len(set(broken))
        self.firings = dict(self._firings())
        """By key."""
        self._layouts = dict(self._read_layouts())
        self._minutes: dict[int, dict[tuple[int, int], list[Stretch]]] = defaultdict(dict)
        self.bad_rows = 0
        """Number of rows of readings that can't be read."""
        for stretch in self._stretches:
            firing, *_, layout, _, t1_us, _, _ = stretch[1]
            if self._layouts.get(layout, (None,))[0] == firing:
                self._minutes[firing].setdefault((t1_us // MINUTE_US, layout), []).append(stretch)
            else:
                self.bad_rows += 1

    @property
    def keys(self) -> list[int]:
        """Keys of all firings of which anything was found, latest first."""
        return sorted({*self.firings, *self._minutes}, reverse=True)

    def span(self, key: int) -> tuple[int, int]:
        """Times of a firing's first and last readings; 0 if there are none. [µs]."""
        covered = [covered for pieces in self._minutes[key].values() for _, covered in pieces]
        return min((t[-4] for t in covered), default=0), max((t[-3] for t in covered), default=0)

    def batches(self, key: int) -> Iterator[Batch]:
        """A firing's readings, minute by minute, newest first."""
        for (minute, layout_id), pieces in sorted(self._minutes[key].items(), reverse=True):
            layout = self._layouts[layout_id][1]
            parts = []
            for cell, covered in pieces:
                try:
                    data = self._file.values(cell)[-1]
                    parts.append(layout.load(data, covered, packed=len(covered) == _OF_CHUNK))
                except ValueError:
                    self.bad_rows += 1
            if parts:
                yield layout.decode(each_once(np.concatenate(parts)), minute)

    def events(self, firing: int) -> list[Event]:
        """A firing's events, in order."""
        found: dict[int, Event] = {}
        for rowid, (_, of, *said) in self._rows["event"]:
            event = to_event((rowid, *said), firing) if of == firing else None
            if event is not None and (rowid not in found or event.kind == "retracted"):
                found[rowid] = event
        return [found[rowid] for rowid in sorted(found)]

    def estimates(self, firing: int) -> Iterator[tuple[int, dict[str, Any]]]:
        """A firing's estimates: time, and the estimate by zone."""
        for _, (_, of, t_us, data) in self._rows["estimate"]:
            if of == firing:
                with contextlib.suppress(DamagedError):
                    yield t_us, load_dict(data, firing, t_us)

    def requests(self) -> Iterator[list[Any]]:
        """Requests, as in their table."""
        for rowid, (_, *said) in self._rows["request"]:
            if to_request((rowid, *said)).kind != "damaged":
                yield [rowid, *said]

    def apart(self, firing: int | None) -> Iterator[list[Any]]:
        """Frames set apart, of a firing (None: before one had begun), if their own checksum is right."""
        for rowid, (_, of, *said) in self._rows["set_apart"]:
            body, _, checksum = said[-1].rpartition(b"*")
            if of == firing and checksum == b"%08x" % zlib.crc32(body):
                yield [rowid, *said]

    def _take(self, cell: Cell, table: str) -> None:
        if table not in ("chunk", "recent"):
            if table:
                self._rows[table].append((cell.rowid, self._file.values(cell)))
            return
        covered = self._file.values(cell, len(cell.serials) - 1)[1:][:_OF_CHUNK]
        _, *minute, _, t0_us, t1_us, _, _ = covered
        if not _is_time(t0_us) or {t0_us // MINUTE_US, *minute} != {t1_us // MINUTE_US}:
            raise BrokenCell("readings of more than a minute")
        self._stretches.append((cell, covered))

    def _firings(self) -> Iterator[tuple[int, FiringInfo]]:
        for key, said in self._true("firing"):
            name, title, _, started, ended, *_ = said
            sound = isinstance(name, str) and name and isinstance(title, str)
            if sound and _is_time(started) and (ended is None or _is_time(ended)):
                yield key, firing_info(said)

    def _read_layouts(self) -> Iterator[tuple[int, tuple[int, Layout]]]:
        for number, (firing, rig, channels) in self._true("layout"):
            with contextlib.suppress(ValueError):
                yield number, (firing, Layout.loads(number, rig, channels))

    def _true(self, kind: str) -> Iterator[tuple[int, tuple[Any, ...]]]:
        """Rows that are kept twice, with their numbers, from whichever copy was found."""
        width = TWICE[kind][1].count(",") + 1
        own = {rowid: tuple(row[1 : width + 1]) for rowid, row in self._rows[kind]}
        twins = {}
        for _, (*_, key, data) in self._rows["twin"]:
            with contextlib.suppress(DamagedError):
                unseal_text(data, kind, key)
                twins[key] = data
        for key in {*own, *twins}:
            yield key, true_row(kind, key, own.get(key, (None,) * width), twins.get(key))


def _is_time(value: Any) -> bool:
    return isinstance(value, int) and 0 <= value < _FARTHEST_US


def _shapes() -> dict[str, re.Pattern[str]]:
    """Patterns of the rows of each table that is carried over; see `Cell.shape`."""
    shapes = {}
    with contextlib.closing(sqlite3.connect(":memory:")) as db:
        make_tables(db)
        for table in _TABLES:
            columns = db.execute(f"SELECT type, \"notnull\", pk FROM pragma_table_info('{table}')").fetchall()
            shapes[table] = re.compile(
                "".join(
                    "n" if pk else kind[0].lower() if required else f"[n{kind[0].lower()}]"
                    for kind, required, pk in columns
                )
            )
    return shapes
