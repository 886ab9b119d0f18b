"""Files with a row for each reading, and a column that says of which probe it is."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from logger.exchange.csv_columns import MAX_WORTH, too_many
from logger.exchange.csv_table import CsvOptions, Hint, Table, find_columns, listed, shown
from logger.exchange.csv_text import Progress, Row, Text
from logger.exchange.csv_time import Times
from logger.exchange.csv_values import BLOCK, MAX_READINGS, Part, Reader, plain_rows, side_by_side
from logger.exchange.csv_words import OF_OTHER, QUANTITY, is_unit, unit_cell, why_no_temperature

_MOST_NAMES: Final = 4096
_VALUE: Final = ("value", "Value", "_value", "reading")


def read_rows(text: Text, table: Table, options: CsvOptions, progress: Progress | None = None) -> Part:
    """Read a table's times and temperatures, whether it has a row for each time or for each reading.

    CsvError: a cell can't be read, or the rows' times don't go up.
    """
    reader = Reader(table, options) if table.by is None else _ByProbe(table, options)
    rows = itertools.dropwhile(lambda row: row[0] < table.first_row, text.rows(options, progress))
    while block := list(itertools.islice(plain_rows(rows, table), BLOCK)):
        reader.add(block)
    return reader.finish(text)


def _cell(row: Sequence[str], column: int | None) -> str:
    return row[column].strip() if column is not None and len(row) > column else ""


class _ByProbe:
    """A reader for each probe that rows tell of; each has times of its own."""

    def __init__(self, table: Table, options: CsvOptions) -> None:
        assert table.by is not None
        self._table, self._options, self._by = table, options, table.by
        self._readers: dict[str, Reader] = {}
        self._left_out: dict[str, str] = {}
        self._others: dict[tuple[str, str], str] = {}
        self._quantity_column = next((i for i, h in enumerate(table.headers) if QUANTITY.fullmatch(h)), None)
        table.columns = [column for column in table.columns if column.at != self._quantity_column]
        others = {table.by, self._quantity_column, *table.time, *(column.at for column in table.columns)}
        self._unit_column = next(
            (
                i
                for i in range(len(table.headers))
                if i not in others and all(is_unit(row[i]) for _, row in table.head)
            ),
            None,
        )

    def add(self, block: Sequence[Row]) -> None:
        rows: dict[str, list[Row]] = {}
        for number, row in block:
            name = _cell(row, self._by)
            if (other := self._other_quantity(row)) is not None:
                self._others.setdefault((name, other[0]), other[1])
                continue
            rows.setdefault(name, []).append((number, row))
        for name, own in rows.items():
            if name in self._left_out:
                continue
            if name not in self._readers:
                if len(self._readers) + len(self._left_out) >= _MOST_NAMES:
                    what = f"more than {_MOST_NAMES} kinds of rows; is that column the probe's name?"
                    isnt = Hint("leave_out", self._table.headers[self._by], "if it isn't")
                    raise self._table.refuse(what, isnt, column=self._by, code="too-many-columns")
                if (why := self._begin(name, own[0])) is not None:
                    self._left_out[name] = why
                    continue
            self._readers[name].add(own)

    def _other_quantity(self, row: Sequence[str]) -> tuple[str, str] | None:
        """Say what a row is of that is no temperature, where a column names the quantity or the unit."""
        quantity, unit = _cell(row, self._quantity_column), _cell(row, self._unit_column)
        if quantity and (why := why_no_temperature(quantity, None)) is not None:
            return quantity, why
        return (f"({unit})", f"{unit} {OF_OTHER}") if unit_cell(unit)[1] else None

    def _begin(self, name: str, first: Row) -> str | None:
        """Make the reader of a probe, or say why it is left out."""
        table = self._table
        said = _cell(first[1], self._unit_column)
        unit = unit_cell(said)[0] if self._options.unit is None else None
        kept = self._means(self._options.keep, name)
        if self._means(self._options.leave_out, name):
            return "was to be left out"
        if not kept and any(not find_columns(table.headers, wanted) for wanted in self._options.keep):
            return "not among those to keep"
        if not name:
            return f"rows without a {table.headers[self._by]}"
        if not kept and (why := why_no_temperature(name, unit)) is not None:
            return why
        of_number = table.headers[self._by] if table.header_row is not None else "probe"
        probe = name if not name.isdecimal() else f"{of_number} {name}"
        alone = len(table.columns) == 1
        columns = [
            replace(
                column,
                name=probe if alone or column.name in _VALUE else f"{probe} {column.name}",
                unit=unit or column.unit,
                told=unit is not None or column.told,
                sure=True,
            )
            for column in table.columns
        ]
        own = replace(table, columns=columns, guesses=[], notes=[], left_out=[])
        self._readers[name] = Reader(own, self._options)
        if len(self._readers) > MAX_WORTH:
            raise too_many(table.name, list(self._readers))
        return None

    def _means(self, wanted: Sequence[str], name: str) -> bool:
        return any(find_columns([name], one) for one in wanted if not one.strip().isdecimal())

    def finish(self, text: Text) -> Part:
        """Set the probes side by side."""
        table = self._table
        if self._unit_column is not None:
            of_units = table.headers[self._unit_column]
            table.left_out = [pair for pair in table.left_out if pair[0] != of_units]
        for (name, what), why in self._others.items():
            self._left_out[f"{name} {what}" if name in self._readers else name] = why
        table.left_out += self._left_out.items()
        if not self._readers:
            what = f"no probe among {listed([shown(name) for name in self._left_out], 6)}"
            one = Hint("keep", next(iter(self._left_out), ""), "if that is one")
            raise table.refuse(what, one, column=self._by, code="no-temperatures")
        parts = [reader.finish(text) for reader in self._readers.values()]
        names = [name for part in parts for name in part.names]
        times = np.unique(np.concatenate([part.times.t_us for part in parts]))
        if len(times) * len(names) > MAX_READINGS:
            what = f"more than {MAX_READINGS:,} readings side by side; split it, or name probes to read with"
            raise table.refuse(what, Hint("keep"), code="too-large")
        columns = [[(part, i)] for part in parts for i in range(len(part.names))]
        t_us, values, status = side_by_side(columns)
        for part in parts:
            table.guesses += [guess for guess in part.table.guesses if guess not in table.guesses]
            table.notes += [note for note in part.table.notes if note not in table.notes]
            table.left_out += part.table.left_out
        table.columns = [column for part in parts for column in part.table.columns]
        table.notes.append(
            f"a row for each reading: {shown(table.headers[self._by])} says of which probe it is"
        )
        return Part(names, Times(t_us, parts[0].times.absolute), values, status, table)
