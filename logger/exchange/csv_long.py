"""Reads a table's rows in blocks, also if a column names each row's probe."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from logger.exchange.csv_columns import MAX_WORTH, too_many
from logger.exchange.csv_dates import kind_of
from logger.exchange.csv_format import is_beside, is_remark
from logger.exchange.csv_merge import side_by_side
from logger.exchange.csv_table import Column, CsvOptions, Hint, Table, Unit, find_columns, listed, shown
from logger.exchange.csv_text import Progress, Row, Text
from logger.exchange.csv_time import Times
from logger.exchange.csv_values import BLOCK, MAX_READINGS, Part, Reader
from logger.exchange.csv_words import OF_OTHER, QUANTITY, is_time_word, is_unit, unit_cell, why_no_temperature

_OF_ZONE: Final = re.compile(r"utc|gmt|local|zone", re.I)
_MOST_NAMES: Final = 4096
_VALUE: Final = re.compile(
    r"_?value|reading|state|(mess)?wert|valeur|relevé|valor|waarde|значение|値|数值", re.I
)


def read_rows(text: Text, table: Table, options: CsvOptions, progress: Progress | None = None) -> Part:
    """Read a table's times and temperatures; CsvError: a cell can't be read, or times don't rise."""
    reader: Reader | _ByProbe | _ByTime
    if table.by is not None:
        reader = _ByProbe(table, options)
    else:
        groups = _with_own_times(table)
        reader = _ByTime(table, options, groups) if groups else Reader(table, options)
    rows = _plain_rows(text.rows(options, progress), table)
    while block := list(itertools.islice(rows, BLOCK)):
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
        self._readers: dict[str, Reader] = {}
        self._left_out: dict[str, str] = {}
        self._others: dict[tuple[str, str], str] = {}
        self._quantities = next((i for i, h in enumerate(table.headers) if QUANTITY.fullmatch(h)), None)
        free = (i for i in range(len(table.headers)) if i not in (table.by, self._quantities, *table.time))
        self._units = next((i for i in free if all(is_unit(row[i]) for _, row in table.head)), None)
        no_values = (self._quantities, self._units)
        table.columns = [column for column in table.columns if column.at not in no_values]

    def add(self, block: Sequence[Row]) -> None:
        rows: dict[str, list[Row]] = {}
        for number, row in block:
            name = _cell(row, self._by)
            if (other := self._other_quantity(row)) is not None:
                self._others.setdefault((name, other[0]), other[1])
            else:
                rows.setdefault(name, []).append((number, row))
        for name, own in rows.items():
            if name not in self._readers and name not in self._left_out:
                self._begin(name, own[0][1])
            if name in self._readers:
                self._readers[name].add(own)

    def _other_quantity(self, row: Sequence[str]) -> tuple[str, str] | None:
        """Say what a row is if a column shows it isn't a temperature: its name or unit, and why."""
        quantity, unit = _cell(row, self._quantities), _cell(row, self._units)
        if quantity and (why := why_no_temperature(quantity, None)) is not None:
            return quantity, why
        return (f"({unit})", f"{unit} {OF_OTHER}") if unit_cell(unit)[1] else None

    def _begin(self, name: str, row: Sequence[str]) -> None:
        """Make a probe's reader, or note why it is left out."""
        table = self._table
        if len(self._readers) + len(self._left_out) >= _MOST_NAMES:
            what = f"more than {_MOST_NAMES} kinds of rows: this column may not name the probe"
            isnt = Hint("leave_out", table.headers[self._by], "if it doesn't")
            raise table.refuse(what, isnt, column=self._by, code="too-many-columns")
        unit = unit_cell(_cell(row, self._units))[0] if self._options.unit is None else None
        if (why := self._why_not(name, unit)) is not None:
            self._left_out[name] = why
            return
        of_number = table.headers[self._by] if table.header_row is not None else "probe"
        probe = name if not name.isdecimal() else f"{of_number} {name}"
        alone = len(table.columns) == 1
        columns = [
            replace(
                column,
                name=probe
                if alone or _VALUE.fullmatch(column.name) or is_unit(column.name)
                else f"{probe} {column.name}",
                unit=unit or column.unit,
                told=unit is not None or column.told,
                sure=True,
            )
            for column in table.columns
        ]
        self._readers[name] = Reader(replace(table, columns=columns), self._options)
        if len(self._readers) > MAX_WORTH:
            raise too_many(table.name, list(self._readers))

    def _why_not(self, name: str, unit: Unit | None) -> str | None:
        def meant(wanted: Sequence[str]) -> bool:
            return any(find_columns([name], one) for one in wanted if not one.strip().isdecimal())

        keep, headers = self._options.keep, self._table.headers
        if meant(self._options.leave_out):
            return "left out as asked"
        if meant(keep):
            return None if name else f"rows without a {headers[self._by]}"
        if any(not find_columns(headers, wanted) for wanted in keep):
            return "not among those to keep"
        return why_no_temperature(name, unit) if name else f"rows without a {headers[self._by]}"

    def finish(self, text: Text) -> Part:
        """Put the probes side by side."""
        table = self._table
        if self._units is not None:
            of_units = table.headers[self._units]
            table.left_out[:] = [pair for pair in table.left_out if pair[0] != of_units]
        for (name, what), why in self._others.items():
            self._left_out[f"{name} {what}" if name in self._readers else name] = why
        table.left_out += self._left_out.items()
        if not self._readers:
            what = f"no probe among {listed([shown(name) for name in self._left_out], 6)}"
            one = Hint("keep", next(iter(self._left_out), ""), "if that is one")
            raise table.refuse(what, one, column=self._by, code="no-temperatures")
        table.notes.append(f"one row per reading: {shown(table.headers[self._by])} names the probe")
        return _together(table, [reader.finish(text) for reader in self._readers.values()])


def _with_own_times(table: Table) -> dict[int, list[Column]]:
    """Find columns of times that each stand before those read at them: t1, T1, t2, T2; else none."""
    first = table.time[0]
    times = [first]
    for i in range(first + 1, len(table.headers)):
        header, cells = table.headers[i], [(row[first].strip(), row[i].strip()) for _, row in table.head]
        others = [(a, b) for a, b in cells if a and b and a != b]
        alike = all(kind_of(a) == kind_of(b) for a, b in others)
        if is_time_word(header) and not _OF_ZONE.search(header) and others and alike:
            times.append(i)
    ends = [*times[1:], len(table.headers)]
    groups = {
        at: [column for column in table.columns if at < column.at < end]
        for at, end in zip(times, ends, strict=True)
    }
    whole = sum(map(len, groups.values())) == len(table.columns) and all(groups.values())
    return groups if len(groups) > 1 and len(table.time) == 1 and whole and not table.own else {}


class _ByTime:
    """A reader for each column of times, and for the columns behind it."""

    def __init__(self, table: Table, options: CsvOptions, groups: dict[int, list[Column]]) -> None:
        self._table = table
        of_times = {table.headers[at] for at in groups}
        table.left_out[:] = [pair for pair in table.left_out if pair[0] not in of_times]
        self._readers = {
            at: Reader(replace(table, time=[at], columns=columns), options) for at, columns in groups.items()
        }

    def add(self, block: Sequence[Row]) -> None:
        for at, reader in self._readers.items():
            filled = (at, *(column.at for column in reader.columns))
            if own := [(number, row) for number, row in block if any(_cell(row, i) for i in filled)]:
                reader.add(own)

    def finish(self, text: Text) -> Part:
        """Set the columns side by side."""
        self._table.notes.append(f"{len(self._readers)} columns of times, each for the columns after it")
        return _together(self._table, [reader.finish(text) for reader in self._readers.values()])


def _together(table: Table, parts: Sequence[Part]) -> Part:
    """Set parts of one file side by side."""
    table.columns = [column for part in parts for column in part.table.columns]
    times = np.unique(np.concatenate([part.times.t_us for part in parts]))
    if len(times) * len(table.columns) > MAX_READINGS:
        what = f"more than {MAX_READINGS:,} readings side by side; split it, or name the probes to read with"
        raise table.refuse(what, Hint("keep"), code="too-large")
    pieces = [[(part, i)] for part in parts for i in range(len(part.table.columns))]
    t_us, values, status = side_by_side(pieces)
    return Part(Times(t_us, parts[0].times.absolute), values, status, table)
