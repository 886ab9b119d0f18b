"""What stands in a damaged journal, gathered from its pages and sorted by what each row is."""

from __future__ import annotations

import contextlib
import sqlite3
import time
import zlib
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Final

from logger.journal.layout import MINUTE_US, Layout
from logger.journal.pages import BrokenCell, Cell, PageFile
from logger.journal.schema import make_tables
from logger.journal.sealed import DamagedError, load_dict, true_row, unseal_text
from logger.journal.set_apart import Apart

_FARTHEST_US: Final = 1 << 53
_NOTHING: Final = (None, None, None, None, None, None, None)


@dataclass(frozen=True, slots=True)
class Stretch:
    """A row of readings; its data are read later."""

    cell: Cell
    packed: bool  # a minute of `chunk`, else a batch of `recent`
    arrival: int
    told: tuple[int, ...]  # what its checksum covers: see `packing.RECENT` and `packing.CHUNK`
    firing: int
    minute: int
    layout: int
    t0_us: int
    t1_us: int


@dataclass
class Gathered:
    """Everything that was found; rows of one key are told apart by their checksums."""

    rows: dict[str, list[tuple[int, list[Any]]]] = field(default_factory=dict)  # by table: rowid and columns
    stretches: list[Stretch] = field(default_factory=list)
    broken_pages: int = 0

    @cached_property
    def firings(self) -> dict[int, tuple[Any, ...]]:
        """By key: id, title, plan, started, ended, invented, facts; only what is sound."""
        found = {}
        own = {rowid: tuple(row[1:8]) for rowid, row in self.rows.get("firing", ())}
        for key in {*own, *(key for kind, key in self._twins if kind == "firing")}:
            twin = self._twins.get(("firing", key))
            firing_id, title, plan, started, ended, invented, facts = true_row(
                "firing", key, own.get(key, _NOTHING), twin
            )
            with contextlib.suppress(DamagedError):
                facts = load_dict(facts or "{}")
            sound = isinstance(firing_id, str) and firing_id and isinstance(title, str)
            if sound and _is_time(started) and (ended is None or _is_time(ended)):
                facts = facts if isinstance(facts, dict) else {}
                plan = plan if isinstance(plan, str) else None
                found[key] = (firing_id, title, plan, started, ended, bool(invented), facts)
        return found

    @cached_property
    def layouts(self) -> dict[int, tuple[int, Layout]]:
        """By number: whose firing's it is, and the layout."""
        found = {}
        own = {rowid: tuple(row[1:4]) for rowid, row in self.rows.get("layout", ())}
        for number in {*own, *(key for kind, key in self._twins if kind == "layout")}:
            twin = self._twins.get(("layout", number))
            firing, rig, channels = true_row("layout", number, own.get(number, _NOTHING[:3]), twin)
            with contextlib.suppress(ValueError, TypeError):
                if isinstance(firing, int):
                    found[number] = (firing, Layout.loads(number, rig, channels))
        return found

    @cached_property
    def _twins(self) -> dict[tuple[str, int], str]:
        found = {}
        for _, (_, kind, key, data) in self.rows.get("twin", ()):
            with contextlib.suppress(DamagedError):
                unseal_text(data, kind, key)
                found[kind, key] = data
        return found

    def events(self, firing: int) -> list[tuple[int, int, str, dict[str, Any], str]]:
        """A firing's events in their order: number, time, kind, data, who."""
        found: dict[int, tuple[int, int, str, dict[str, Any], str]] = {}
        for rowid, (_, of, t_us, kind, data, who) in self.rows.get("event", ()):
            if of != firing:
                continue
            with contextlib.suppress(DamagedError):
                read = load_dict(data, firing, t_us, kind, who)
                if rowid not in found or kind == "retracted":
                    found[rowid] = (rowid, t_us, kind, read, who)
        return [found[rowid] for rowid in sorted(found)]

    def estimates(self, firing: int) -> list[tuple[int, dict[str, Any]]]:
        """A firing's estimates: time, and what was estimated by zone."""
        found = {}
        for _, (_, of, t_us, data) in self.rows.get("estimate", ()):
            if of == firing:
                with contextlib.suppress(DamagedError):
                    found[t_us] = load_dict(data, firing, t_us)
        return sorted(found.items())

    def requests(self) -> list[tuple[int, int, str, dict[str, Any], str, dict[str, Any] | None]]:
        """What people asked: number, time, kind, data, who, answer."""
        found = {}
        for rowid, (_, made_us, kind, data, who, result) in self.rows.get("request", ()):
            with contextlib.suppress(DamagedError):
                asked = load_dict(data, made_us, kind, who)
                answer = None if result is None else load_dict(result, rowid)
                found[rowid] = (rowid, made_us, kind, asked, who, answer)
        return [found[rowid] for rowid in sorted(found)]

    def apart(self, firing: int | None) -> list[Apart]:
        """Frames set apart of a firing (None: before one had begun), if their own checksum is right."""
        found = {}
        for rowid, (_, of, t_us, rig, source, why, line) in self.rows.get("set_apart", ()):
            body, _, checksum = line.rpartition(b"*")
            if of == firing and checksum == b"%08x" % zlib.crc32(body):
                found[rowid] = Apart(rowid, t_us, rig, source, why, line)
        return [found[rowid] for rowid in sorted(found)]


def gather(file: PageFile, until_s: float = float("inf")) -> Gathered:
    """Look through a journal's pages, until then [s, monotonic clock]."""
    found = Gathered()
    shapes = _shapes()
    broken: list[int] = []
    for number, cell in file.leaves(broken):
        if number % 64 == 0 and time.monotonic() > until_s:
            break
        table = next((name for name, spec in shapes.items() if _fits(cell.shape(), spec)), None)
        if table is None:
            continue
        try:
            if table in ("chunk", "recent"):
                stretch = _stretch(cell, file.values(cell, len(cell.serials) - 1), packed=table == "chunk")
                if stretch is not None:
                    found.stretches.append(stretch)
                    continue
            else:
                found.rows.setdefault(table, []).append((cell.rowid, file.values(cell)))
                continue
        except BrokenCell:
            pass
        broken.append(number)
    found.broken_pages = len(set(broken))
    return found


def _stretch(cell: Cell, values: list[Any], *, packed: bool) -> Stretch | None:
    told: tuple[int, ...]
    if packed:
        told, arrival = tuple(values[1:-1]), values[-1]
        firing, minute, layout, t0_us, t1_us, *_ = told
    else:
        told = tuple(values[1:])
        firing, layout, t0_us, t1_us, *_ = told
        minute, arrival = t1_us // MINUTE_US, cell.rowid
    if not (_is_time(t0_us) and t0_us // MINUTE_US == minute == t1_us // MINUTE_US):
        return None
    return Stretch(cell, packed, arrival, told, firing, minute, layout, t0_us, t1_us)


def _is_time(value: Any) -> bool:
    return isinstance(value, int) and 0 <= value < _FARTHEST_US


def _shapes() -> dict[str, str]:
    """Of each table that is carried over: a letter for each column, a capital where it may be NULL."""
    shapes = {}
    with contextlib.closing(sqlite3.connect(":memory:")) as db:
        make_tables(db)
        for table in (
            *("chunk", "recent", "firing", "layout", "twin", "event", "estimate", "request"),
            "set_apart",
        ):
            columns = db.execute(f"SELECT type, \"notnull\", pk FROM pragma_table_info('{table}')").fetchall()
            shapes[table] = "".join(
                "n" if pk else kind[0].lower() if required else kind[0].upper()
                for kind, required, pk in columns
            )
    return shapes


def _fits(shape: str, spec: str) -> bool:
    return len(shape) == len(spec) and all(
        a == b or (b.isupper() and a in ("n", b.lower())) for a, b in zip(shape, spec, strict=True)
    )
