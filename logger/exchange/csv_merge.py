"""Reads a table's rows into one or several series, and merges those of all files into one firing."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Final

import numpy as np

from logger.exchange import csv_words
from logger.exchange.csv_cells import kind_of, numbers_in
from logger.exchange.csv_columns import MAX_WORTH, too_many
from logger.exchange.csv_format import is_beside, is_remark
from logger.exchange.csv_table import Column, CsvError, CsvOptions, Hint, Table, find_columns, listed, shown
from logger.exchange.csv_text import Progress, Row, Text
from logger.exchange.csv_time import Times
from logger.exchange.csv_values import MAX_READINGS, Part, Reader
from logger.plan import Plan, Probe
from logger.reading import MAX_CHANNELS, Bytes, Floats, Ints, Status

_BLOCK: Final = 8192
_OF_ZONE: Final = re.compile(r"utc|gmt|local|zone", re.I)
_VALUE: Final = re.compile(
    r"_?value|reading|state|(mess)?wert|valeur|relevé|valor|waarde|значение|値|数值", re.I
)
_HOT_END_C: Final = 100.0  # nobody switches off one channel while its probe is this hot
_GENERIC: Final = re.compile(r"temperature|temp\.?|value|reading|channel 1|ch1|tc1?|°[cf]|column 2", re.I)

Piece = tuple[Part, int]  # a part and one of its columns


# --- rows ---------------------------------------------------------------------------------------------------


def read_rows(text: Text, table: Table, options: CsvOptions, progress: Progress | None = None) -> Part:
    """Read a table's times and temperatures; CsvError: a cell can't be read, or times don't rise."""
    rows = _plain_rows(text.rows(options, progress), table)
    blocks = iter(lambda: list(itertools.islice(rows, _BLOCK)), [])
    if table.by is not None:
        probes = _ByProbe(table, options)
        for block in blocks:
            probes.add(block)
        return _together(table, probes.readers(), text)
    if groups := _with_own_times(table):
        readers = [Reader(replace(table, time=[at], columns=group), options) for at, group in groups.items()]
        for block in blocks:
            for reader in readers:
                filled = (*reader.table.time, *(column.at for column in reader.table.columns))
                if own := [(number, row) for number, row in block if any(_cell(row, i) for i in filled)]:
                    reader.add(own)
        table.notes.append(f"{len(readers)} columns of times, each for the columns after it")
        return _together(table, readers, text)
    reader = Reader(table, options)
    for block in blocks:
        reader.add(block)
    return reader.finish(text)


def _plain_rows(rows: Iterator[Row], table: Table) -> Iterator[Row]:
    """Leave out remarks and repeated headers; the table's notes say so."""
    header = [cell.casefold() for cell in table.header if cell]
    count = itertools.count()
    left_out = {"a repeated header": 0, "a remark": 0}
    for number, row in itertools.dropwhile(lambda row: row[0] < table.first_row, rows):
        if is_beside(row, header):
            left_out["a remark" if is_remark(row) else "a repeated header"] += 1
        else:
            yield number, [str(next(count)), *row] if table.numbered else row
    for what, many in left_out.items():
        if many:
            table.notes.append(f"{many} {'row has' if many == 1 else 'rows have'} {what}: left out")


def _cell(row: Sequence[str], column: int | None) -> str:
    return row[column].strip() if column is not None and len(row) > column else ""


class _ByProbe:
    """One reader per probe named in the rows; each has its own times."""

    def __init__(self, table: Table, options: CsvOptions) -> None:
        assert table.by is not None
        self._table, self._options, self._by = table, options, table.by
        self._named: dict[str, Reader | str] = {}  # by probe; or why it is left out
        self._others: dict[tuple[str, str], str] = {}
        of_quantity = (i for i, h in enumerate(table.headers) if csv_words.QUANTITY.fullmatch(h))
        self._quantities = next(of_quantity, None)
        free = (i for i in range(len(table.headers)) if i not in (table.by, self._quantities, *table.time))
        self._units = next((i for i in free if all(csv_words.is_unit(r[i]) for _, r in table.head)), None)
        no_values = (self._quantities, self._units)
        table.columns = [column for column in table.columns if column.at not in no_values]

    def add(self, block: Sequence[Row]) -> None:
        """Deal a block's rows out to the probes' readers; CsvError: too many probes."""
        rows: dict[str, list[Row]] = {}
        for number, row in block:
            name = _cell(row, self._by)
            quantity, unit = _cell(row, self._quantities), _cell(row, self._units)
            if quantity and (why := csv_words.why_no_temperature(quantity, None)) is not None:
                self._others.setdefault((name, quantity), why)
            elif csv_words.unit_cell(unit)[1]:
                self._others.setdefault((name, f"({unit})"), f"{unit} {csv_words.OF_OTHER}")
            else:
                rows.setdefault(name, []).append((number, row))
        for name, own in rows.items():
            if name not in self._named:
                self._named[name] = self._begin(name, own[0][1])
            if isinstance(reader := self._named[name], Reader):
                reader.add(own)

    def _begin(self, name: str, row: Sequence[str]) -> Reader | str:
        """Make a probe's reader, or say why it is left out."""
        table, options = self._table, self._options
        by = table.headers[self._by]
        unit = csv_words.unit_cell(_cell(row, self._units))[0] if options.unit is None else None
        kept, left_out = (
            any(find_columns([name], one) for one in wanted if not one.strip().isdecimal())
            for wanted in (options.keep, options.leave_out)
        )
        why = None if kept else csv_words.why_no_temperature(name, unit)
        if left_out:
            why = "left out as asked"
        elif not name:
            why = f"rows without a {by}"
        elif not kept and not all(find_columns(table.headers, one) for one in options.keep):
            why = "not among those to keep"
        if why is not None:
            return why
        probe = name if not name.isdecimal() else f"{by if table.header_row is not None else 'probe'} {name}"
        columns = []
        for column in table.columns:
            alone = len(table.columns) == 1 or _VALUE.fullmatch(column.name) or csv_words.is_unit(column.name)
            own = replace(column, name=probe if alone else f"{probe} {column.name}", sure=True)
            own.unit, own.told = unit or column.unit, column.told or unit is not None
            columns.append(own)
        names = [name for name, found in self._named.items() if isinstance(found, Reader)]
        if len(names) >= MAX_WORTH:
            raise too_many(table.name, [*names, name])
        return Reader(replace(table, columns=columns), options)

    def readers(self) -> list[Reader]:
        """Return all readers, and note what was left out; CsvError: there are none."""
        table = self._table
        if self._units is not None:
            of_units = table.headers[self._units]
            table.left_out[:] = [pair for pair in table.left_out if pair[0] != of_units]
        readers = {name: found for name, found in self._named.items() if isinstance(found, Reader)}
        left_out = {name: found for name, found in self._named.items() if isinstance(found, str)}
        for (name, what), why in self._others.items():
            left_out[f"{name} {what}" if name in readers else name] = why
        table.left_out += left_out.items()
        if not readers:
            what = f"no probe among {listed([shown(name) for name in left_out], 6)}"
            one = Hint("keep", next(iter(left_out), ""), "if that is one")
            raise table.refuse(what, one, column=self._by, code="no-temperatures")
        table.notes.append(f"one row per reading: {shown(table.headers[self._by])} names the probe")
        return list(readers.values())


def _with_own_times(table: Table) -> dict[int, list[Column]]:
    """Find columns of times that each stand before those read at them: t1, T1, t2, T2; else none."""
    if table.own or len(table.time) > 1:
        return {}
    first = table.time[0]
    times = [first]
    for i in range(first + 1, len(table.headers)):
        header, cells = table.headers[i], [(row[first].strip(), row[i].strip()) for _, row in table.head]
        others = [(a, b) for a, b in cells if a and b and a != b]
        alike = others and all(kind_of(a) == kind_of(b) for a, b in others)
        rises = (np.diff(numbers_in(table, i)) > 0).all()  # unlike durations: response (ms)
        named = csv_words.is_time_word(header) or (rises and csv_words.says_time(header))
        if alike and named and not _OF_ZONE.search(header):
            times.append(i)
    groups = {
        at: [column for column in table.columns if at < column.at < end]
        for at, end in itertools.pairwise([*times, len(table.headers)])
    }
    whole = sum(map(len, groups.values())) == len(table.columns) and all(groups.values())
    if len(groups) < 2 or not whole:
        return {}
    of_times = {table.headers[at] for at in groups}
    table.left_out[:] = [pair for pair in table.left_out if pair[0] not in of_times]
    return groups


def _together(table: Table, readers: Sequence[Reader], text: Text) -> Part:
    """Set what readers of one file have read side by side."""
    parts = [reader.finish(text) for reader in readers]
    table.columns = [column for part in parts for column in part.table.columns]
    times = np.unique(np.concatenate([part.times.t_us for part in parts]))
    if len(times) * len(table.columns) > MAX_READINGS:
        what = f"more than {MAX_READINGS:,} readings side by side; split it, or name the probes to read with"
        raise table.refuse(what, Hint("keep"), code="too-large")
    pieces = [[(part, i)] for part in parts for i in range(len(part.table.columns))]
    t_us, values, status = _side_by_side(pieces)
    return Part(Times(t_us, parts[0].times.absolute), values, status, table)


# --- files --------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class CsvFiring:
    """A firing from one or several CSV files: n rows, k columns."""

    names: tuple[str, ...]
    t_us: Ints  # (n,), from the first row, strictly ascending
    started_us: int | None  # time of the first row, UTC; None if the file has no dates
    temperature_c: Floats  # (n, k), NaN where there is no reading
    # (n, k): OPEN where a word says so or a column stays empty for long; ABSENT where it is only empty now
    # and then, as when two instruments write at different times
    status: Bytes
    guesses: tuple[str, ...] = ()  # conclusions that may be wrong
    notes: tuple[str, ...] = ()  # what was done with the files
    left_out: tuple[tuple[str, str], ...] = ()  # columns, and why

    @property
    def t_s(self) -> Floats:
        """Seconds from the first row, shape (n,)."""
        return self.t_us / 1e6

    @property
    def readings(self) -> int:
        """Number of temperatures; empty, open or out of range doesn't count."""
        return int(np.count_nonzero(self.status == Status.OK))

    def said(self) -> tuple[str, ...]:
        """Return everything worth saying about how it was read."""
        why: dict[str, list[str]] = {}
        for column, reason in self.left_out:
            why.setdefault(reason, []).append(column)
        left_out = (f"left out: {listed(columns)} ({reason})" for reason, columns in why.items())
        return (*self.guesses, *self.notes, *left_out)

    @property
    def start(self) -> datetime | None:
        """Time of the first row, UTC."""
        if self.started_us is None:
            return None
        return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=self.started_us)


def merge_parts(parts: Sequence[Part], *, plan: Plan | None = None, notes: Sequence[str] = ()) -> CsvFiring:
    """Put the readings of several files on one time line; for `plan` see `read_csv`.

    `notes` say what was done with the files before. CsvError: some have dates and others don't, two columns
    share a name, there are more than 64 columns, or the plan fits none.
    """
    absolute, tables = parts[0].times.absolute, [part.table for part in parts]
    odd = [part for part in parts if not part.times.absolute]
    if 0 < len(odd) < len(parts):
        what = "has no dates, but other files do; import them separately"
        raise CsvError(what, file=odd[0].table.name, code="no-dates")
    notes = list(notes)
    if len(parts) == 1:
        names, t_us = parts[0].table.names, parts[0].times.t_us
        values, status = parts[0].values, parts[0].status
    else:
        columns = _columns(parts, notes)
        names = list(columns)
        t_us, values, status = _side_by_side(list(columns.values()))
    kept = _kept(names, plan, own=all(table.own for table in tables), file=tables[0].name)
    left_out = [pair for table in tables for pair in table.left_out]
    left_out += [(name, "the plan names no such probe") for j, name in enumerate(names) if j not in kept]
    if len(kept) < len(names):
        values, status = values[:, kept], status[:, kept]
    ends_us = [int(part.times.t_us[-1]) for part in parts for _ in part.table.columns]
    _mark_open(t_us, values, status, [ends_us[j] for j in kept])
    guesses = [guess for table in tables for guess in table.guesses]
    guesses += [] if absolute else ["no dates: times count from the first row"]
    return CsvFiring(
        names=tuple(names[j] for j in kept),
        t_us=t_us - t_us[0],
        started_us=int(t_us[0]) if absolute else None,
        temperature_c=values,
        status=status,
        guesses=tuple(dict.fromkeys(guesses)),
        notes=tuple(dict.fromkeys([*notes, *(note for table in tables for note in table.notes)])),
        left_out=tuple(dict.fromkeys(left_out)),
    )


def _columns(parts: Sequence[Part], notes: list[str]) -> dict[str, list[Piece]]:
    """Return the pieces of each column of several files, by name; `notes` say which files continue others."""
    columns: dict[str, list[Piece]] = {}
    for part in parts:
        path, names = part.table.path, part.table.names
        before = [pieces for pieces in columns.values() if pieces[0][0].table.names == names]
        if part.times.absolute and len(before) == len(names) and _agree(before, part):
            notes.append(f"{path.name} continues where another file ends, with the same columns")
            for j, pieces in enumerate(before):
                pieces.append((part, j))
            continue
        taken = {name.casefold() for name in columns}
        if len(names) == 1 and _GENERIC.fullmatch(names[0]):
            names = [path.stem]
        for j, name in enumerate(names):
            full = name if name.casefold() not in taken else f"{path.stem} {name}"
            if full.casefold() in taken:
                what = f"another file of this name has a column {shown(name)} too; rename one file"
                raise CsvError(what, file=path.name, code="same-name")
            columns[full] = [(part, j)]
    return columns


def _agree(before: Sequence[Sequence[Piece]], part: Part) -> bool:
    """Say whether a file has the times and readings of earlier ones where they overlap in time."""
    for j, pieces in enumerate(before):
        for other, k in pieces:
            begin = max(other.times.t_us[0], part.times.t_us[0])
            end = min(other.times.t_us[-1], part.times.t_us[-1])
            (t_a, a), (t_b, b) = (
                (one.times.t_us[rows], one.values[rows, column])
                for one, column in ((other, k), (part, j))
                for rows in [(begin <= one.times.t_us) & (one.times.t_us <= end)]
            )
            if not np.array_equal(t_a, t_b) or not np.array_equal(a, b, equal_nan=True):
                return False
    return True


def _side_by_side(columns: Sequence[Sequence[Piece]]) -> tuple[Ints, Floats, Bytes]:
    """Put columns, each of one piece or several that don't overlap, on one time line."""
    t_us = np.unique(np.concatenate([part.times.t_us for pieces in columns for part, _ in pieces]))
    values = np.full((len(t_us), len(columns)), np.nan, order="F")
    status = np.full(values.shape, np.uint8(Status.ABSENT), order="F")
    for i, pieces in enumerate(columns):
        for part, j in pieces:
            at = np.searchsorted(t_us, part.times.t_us)
            values[at, i], status[at, i] = part.values[:, j], part.status[:, j]
    return t_us, values, status


def _kept(names: Sequence[str], plan: Plan | None, *, own: bool, file: str) -> list[int]:
    """Say which columns to keep: all, or if there are too many, those that the plan names."""
    fits = probes_of(names, plan)
    if plan is not None and plan.probes and not fits:
        known = listed([shown(probe.name) for probe in plan.probes])
        what = (
            f"none of the plan's probes is a column: the plan has {known}; "
            f"the file has {listed([shown(n) for n in names])}. "
            "Name the plan's probes (or their channels) like the columns, or import without a plan"
        )
        raise CsvError(what, file=file, code="plan-fits-nothing")
    if len(names) <= MAX_CHANNELS or own:
        return list(range(len(names)))
    if not fits:
        raise too_many(file, names, MAX_CHANNELS)
    return sorted(fits)


def probes_of(names: Sequence[str], plan: Plan | None) -> dict[int, Probe]:
    """Find each column's probe in the plan: by name, else by channel."""
    found: dict[int, Probe] = {}
    folded = [name.casefold() for name in names]
    for by_name in (True, False):
        for probe in plan.probes if plan else ():
            said = (probe.name if by_name else probe.channel).casefold()
            if said in folded and folded.index(said) not in found and probe not in found.values():
                found[folded.index(said)] = probe
    return found


def _mark_open(t_us: Ints, values_c: Floats, status: Bytes, ends_us: Sequence[int]) -> None:
    """Mark a column as open where it stays empty for longer than three of its usual steps.

    If three fall silent in one row, or all do, a logger stopped. Before its first reading a column's logger
    wasn't running yet. After its last reading a column is open if it ends alone and hot while its file goes
    on: a thermocouple that broke for good. `t_us` (n,), `values_c` (n, k); `status` (n, k) changes in place;
    `ends_us` is the last time in the file that each column came from.
    """
    read = status != Status.ABSENT
    silent = (read[:-1] & ~read[1:]).sum(axis=1)
    together = (silent > 2) | ((silent > 1) & (silent == read[:-1].sum(axis=1)))
    last = np.where(read.any(axis=0), len(t_us) - 1 - np.argmax(read[::-1], axis=0), -1)
    for j, column in enumerate(status.T):
        there = np.flatnonzero(read[:, j])
        if len(there) < 2:
            continue
        long_us = max(3 * float(np.median(np.diff(t_us[there]))), 2e6)
        empty = np.flatnonzero(~read[: last[j], j])
        empty = empty[empty > there[0]]
        after = np.searchsorted(there, empty)
        long = t_us[there[after]] - t_us[there[after - 1]] > long_us
        column[empty[long & ~together[there[after - 1]]]] = Status.OPEN
        alone = np.count_nonzero(np.abs(last - last[j]) <= 2) == 1
        if alone and values_c[last[j], j] > _HOT_END_C and ends_us[j] - t_us[last[j]] > long_us:
            column[last[j] + 1 :][t_us[last[j] + 1 :] <= ends_us[j]] = Status.OPEN
