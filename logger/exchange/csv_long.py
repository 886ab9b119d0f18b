"""Reads a table's rows in blocks, also if a column names each row's probe, or several have times."""

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
from logger.exchange.csv_table import Column, CsvOptions, Hint, Table, find_columns, listed, shown
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
    rows = _plain_rows(text.rows(options, progress), table)
    blocks = iter(lambda: list(itertools.islice(rows, BLOCK)), [])
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
        self._quantities = next((i for i, h in enumerate(table.headers) if QUANTITY.fullmatch(h)), None)
        free = (i for i in range(len(table.headers)) if i not in (table.by, self._quantities, *table.time))
        self._units = next((i for i in free if all(is_unit(row[i]) for _, row in table.head)), None)
        no_values = (self._quantities, self._units)
        table.columns = [column for column in table.columns if column.at not in no_values]

    def add(self, block: Sequence[Row]) -> None:
        """Deal a block's rows out to the probes' readers; CsvError: too many probes."""
        rows: dict[str, list[Row]] = {}
        for number, row in block:
            name = _cell(row, self._by)
            quantity, unit = _cell(row, self._quantities), _cell(row, self._units)
            if quantity and (why := why_no_temperature(quantity, None)) is not None:
                self._others.setdefault((name, quantity), why)
            elif unit_cell(unit)[1]:
                self._others.setdefault((name, f"({unit})"), f"{unit} {OF_OTHER}")
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
        if len(self._named) >= _MOST_NAMES:
            what = f"more than {_MOST_NAMES} kinds of rows: this column may not name the probe"
            isnt = Hint("leave_out", by, "if it doesn't")
            raise table.refuse(what, isnt, column=self._by, code="too-many-columns")
        unit = unit_cell(_cell(row, self._units))[0] if options.unit is None else None
        of_probes = [one for one in options.keep if not find_columns(table.headers, one)]
        kept = _is_meant(name, options.keep)
        why = None if kept else why_no_temperature(name, unit)
        if _is_meant(name, options.leave_out):
            why = "left out as asked"
        elif not name:
            why = f"rows without a {by}"
        elif of_probes and not kept:
            why = "not among those to keep"
        if why is not None:
            return why
        of_number = by if table.header_row is not None else "probe"
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
        if len(names := [n for n, found in self._named.items() if isinstance(found, Reader)]) >= MAX_WORTH:
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


def _is_meant(name: str, wanted: Sequence[str]) -> bool:
    return any(find_columns([name], one) for one in wanted if not one.strip().isdecimal())


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
    groups = {
        at: [column for column in table.columns if at < column.at < end]
        for at, end in itertools.pairwise([*times, len(table.headers)])
    }
    whole = sum(map(len, groups.values())) == len(table.columns) and all(groups.values())
    if len(groups) < 2 or len(table.time) > 1 or not whole or table.own:
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
    t_us, values, status = side_by_side(pieces)
    return Part(Times(t_us, parts[0].times.absolute), values, status, table)
