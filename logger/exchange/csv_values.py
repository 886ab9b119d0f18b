"""A CSV file's rows to times and temperatures, in blocks, so that a large file takes little memory."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from logger.conversion.columns import CELSIUS_RANGE_C
from logger.exchange.csv_columns import is_bad
from logger.exchange.csv_dates import joined
from logger.exchange.csv_doubt import counts_rows, is_code, no_temperatures_beside, sentinels, stands_still
from logger.exchange.csv_numbers import as_number, decimals_of, is_number, is_word, one_cell
from logger.exchange.csv_order import in_order
from logger.exchange.csv_refusals import is_beside
from logger.exchange.csv_table import CsvOptions, Hint, Table, Unit, shown
from logger.exchange.csv_text import Row, Text, as_ranges
from logger.exchange.csv_time import TimeReader, Times
from logger.exchange.csv_units import doubt_units, say_units
from logger.exchange.csv_words import has_temperature_word
from logger.reading import Bytes, Floats, Ints, Status

MAX_READINGS: Final = 40_000_000
"""Cells of temperatures in a file: 16 probes at 10 Hz for three days."""
BLOCK: Final = 8192
_FULL_SCALE: Final = (32767.0, 32766.0, -32768.0, -32767.0, 65535.0)
"""What a register of 16 bits reads without a probe (common practice, no source)."""
_MOST_BAD: Final = 1000
_LONGEST_WORD: Final = 60
_GENERIC: Final = frozenset(
    (
        *("temperature", "temp", "temp.", "value", "reading", "channel 1", "ch1", "tc", "tc1", "°c", "°f"),
        "column 2",
    )
)


@dataclass(slots=True)
class Part:
    """One file's readings, in order of time: n rows, k columns."""

    names: list[str]
    times: Times
    values: Floats  # (n, k), °C, in columns
    status: Bytes  # (n, k), in columns
    table: Table  # what was understood of the file, and said about it


@dataclass(slots=True)
class _Column:
    """What is read of one column so far."""

    values: list[Floats] = field(default_factory=list)
    status: list[Bytes] = field(default_factory=list)
    bad: list[tuple[int, str]] = field(default_factory=list)  # row, cell
    bad_count: int = 0
    numbers: int = 0
    words: int = 0
    taken_back: int = 0


def plain_rows(rows: Iterator[Row], table: Table) -> Iterator[Row]:
    """Leave out remarks, and the header where it is repeated among the rows; the table's notes say so."""
    header = [cell.casefold() for cell in table.header if cell]
    again, remarks = 0, 0
    for number, row in rows:
        if not is_beside(row, header):
            yield number, row
        elif row[0][:1] in ("#", ";") or row[0][:2] == "//":
            remarks += 1
        else:
            again += 1
    for count, what in ((again, "the header again"), (remarks, "a remark")):
        if count:
            table.notes.append(f"{count} {'row has' if count == 1 else 'rows have'} {what}: left out")


class Reader:
    """Reads a table's rows, block by block."""

    def __init__(self, table: Table, options: CsvOptions) -> None:
        self._table, self._options = table, options
        self._times = TimeReader(table, options)
        self._width = len(table.headers)
        self._columns = [_Column() for _ in table.columns]
        self._rows: list[Ints] = []
        self._bad_times: dict[int, str] = {}
        self._bad_widths: dict[int, str] = {}
        self._last_row: Row = (0, [])
        self._count = self._bad_count = 0
        self._date = ""
        self._no_reading = frozenset(word.strip().lower() for word in options.no_reading)
        numbers = (as_number(word, table.decimal) for word in options.no_reading)
        self._no_number = [number for number in numbers if number is not None]
        self._memo: dict[str, tuple[float | None, Status, str | None]] = {}

    def add(self, block: Sequence[Row]) -> None:
        """Read a block of rows; CsvError: they are too many."""
        table, width = self._table, self._width
        numbers, cells = [], []
        for number, row in block:
            if len(row) != width:
                some = f"{len(row)} cells where there should be {width}"
                if len(row) > width and any(cell.strip() for cell in row[width:]):
                    self._bad_widths.setdefault(number, some)
                elif len(row) < width and not table.delimiter.strip(" "):
                    self._bad_widths.setdefault(number, f"{some}: nothing says which is missing")
                row = (row + [""] * (width - len(row)))[:width]
            numbers.append(number)
            cells.append(row)
        self._count += len(numbers)
        if self._count * len(table.columns) > MAX_READINGS and not table.own:
            raise table.refuse(
                f"more than {MAX_READINGS:,} readings; split it, or say which columns to read with",
                Hint("keep"),
                code="too-large",
            )
        self._last_row = block[-1]
        columns = list(zip(*cells, strict=True))
        if len(table.time) > 1:  # a date that stands only where a day begins
            columns[table.time[0]] = tuple(self._filled(columns[table.time[0]]))
        times = (
            columns[table.time[0]]
            if len(table.time) == 1
            else [joined(parts) for parts in zip(*(columns[i] for i in table.time), strict=True)]
        )
        for i in self._times.add(numbers, times):
            self._bad_count += 1
            if len(self._bad_times) < _MOST_BAD:
                self._bad_times[numbers[i]] = times[i]
        self._rows.append(np.array(numbers, np.int32).astype(np.int64))
        for column, j, unit in zip(self._columns, table.columns, table.units, strict=True):
            self._add_column(column, j, numbers, columns[j], unit)
            if (beside := table.quality.get(j)) is not None:
                bad = np.array([is_bad(cell) for cell in columns[beside]]) & (column.status[-1] == Status.OK)
                column.status[-1][bad] = Status.CORRUPT
                column.taken_back += int(np.count_nonzero(bad))

    def _filled(self, cells: Sequence[str]) -> Iterator[str]:
        for cell in cells:
            if cell.strip():
                self._date = cell
            yield self._date

    def _add_column(self, column: _Column, i: int, rows: list[int], cells: Sequence[str], unit: Unit) -> None:
        if self._table.decimal == ",":
            cells = [
                cell.replace(",", ".") if cell.count(",") == 1 and "." not in cell else cell for cell in cells
            ]
        try:
            values = np.array([float(cell or "nan") for cell in cells])
            plain = "_" not in "".join(cells)
        except ValueError:
            plain = False
        if plain:
            status = np.where(np.isnan(values), np.uint8(Status.ABSENT), np.uint8(Status.OK))
            column.numbers += int(np.count_nonzero(status == Status.OK))
        else:
            values, status = self._one_by_one(column, rows, cells, unit)
        for number in self._no_number:
            out = values == number
            values[out], status[out] = np.nan, Status.ABSENT
        if (scale := self._table.scales.get(i)) is not None:
            values[np.isin(values, _FULL_SCALE)] = np.inf
            values = values * scale
        if unit == "f":
            values = (values - 32.0) / 1.8
        elif unit == "k":
            values = values - 273.15
        low_c, high_c = CELSIUS_RANGE_C
        status[(values < low_c) | (values > high_c)] = Status.RANGE
        column.values.append(values)
        column.status.append(status)

    def _one_by_one(
        self, column: _Column, rows: list[int], cells: Sequence[str], unit: Unit
    ) -> tuple[Floats, Bytes]:
        values = np.full(len(cells), np.nan)
        status = np.full(len(cells), np.uint8(Status.ABSENT))
        for i, cell in enumerate(cells):
            found = self._memo.get(cell)
            if found is None:
                found = one_cell(cell, self._table.decimal, self._no_reading)
                if len(self._memo) < 10_000:
                    self._memo[cell] = found
            value, status[i], cell_unit = found
            if value is None or (cell_unit is not None and cell_unit != unit and self._options.unit is None):
                column.bad_count += 1
                if len(column.bad) < _MOST_BAD:
                    column.bad.append((rows[i], cell.strip()))
                continue
            values[i] = value
            column.numbers += value == value
            column.words += status[i] in (Status.OPEN, Status.CORRUPT)
        return values, status

    # --- all of it --------------------------------------------------------------------------------------

    def finish(self, text: Text) -> Part:
        """Say what all the rows are, of the text that they came from.

        CsvError: a cell can't be read, or the rows' times don't go up.
        """
        table, options = self._table, self._options
        if not self._count:
            raise table.refuse("no readings", code="no-readings")
        rows = np.concatenate(self._rows)
        self._rows.clear()
        self._leave_out_what_is_none()
        say_units(table)
        self._refuse_bad(rows, text)
        times = self._times.finish(rows)
        chosen, times = in_order(table, times, rows, options)
        n, k = len(times.t_us), len(self._columns)
        values, status = np.empty((n, k), order="F"), np.empty((n, k), np.uint8, order="F")
        for j, column in enumerate(self._columns):
            values[:, j] = np.concatenate(column.values)[chosen]
            column.values.clear()
            status[:, j] = np.concatenate(column.status)[chosen]
            column.status.clear()
        return Part(*self._last_look(times, values, status))

    def _leave_out_what_is_none(self) -> None:
        """Leave out columns that turn out to hold texts, counts, or nothing at all."""
        table = self._table
        kept: list[int] = []
        for j, column in enumerate(self._columns):
            why = None if table.own else self._why_none(column, table.columns[j])
            if why is None:
                kept.append(j)
            else:
                table.left_out.append((table.headers[table.columns[j]], why))
        if not table.own and not self._options.keep:
            for j, value in stands_still([self._columns[j].values for j in kept]):
                header = table.headers[table.columns[kept[j]]]
                known = table.columns[kept[j]] in table.sure or has_temperature_word(header)
                whole = table.head[0][1][table.columns[kept[j]]].strip().isdecimal()
                if value == -1 or (whole and not known):
                    table.left_out.append((header, f"always {value:g}: an open input, or no temperature"))
                    kept[j] = -1
            kept = [j for j in kept if j >= 0]
            doubted = no_temperatures_beside([self._columns[j].values for j in kept])
            for j in [kept[i] for i in doubted]:
                header = table.headers[table.columns[j]]
                if table.columns[j] not in table.sure and not has_temperature_word(header):
                    kept.remove(j)
                    why = "begins near 0 and stays low, where others get hot"
                    table.left_out.append((header, why))
            codes = [
                j for j in kept if table.columns[j] not in table.sure and is_code(self._columns[j].values)
            ]
            for j in codes if 2 * len(codes) <= len(kept) else []:
                kept.remove(j)
                table.left_out.append((table.headers[table.columns[j]], "whole numbers, mostly 0: a code"))
        if not kept:
            why = "; ".join(f"{shown(header)}: {why}" for header, why in table.left_out[:6])
            raise table.refuse(f"no column of temperatures ({why})", code="no-temperatures")
        if len(kept) < len(self._columns):
            self._columns = [self._columns[j] for j in kept]
            table.columns, table.names, table.units = (
                [table.columns[j] for j in kept],
                [table.names[j] for j in kept],
                [table.units[j] for j in kept],
            )

    def _why_none(self, column: _Column, i: int) -> str | None:
        if not column.numbers and not column.words:
            if column.bad_count:
                return (
                    f"texts, such as {shown(column.bad[0][1])}, and no number"
                    if not self._options.keep
                    else None
                )
            return "no reading in it at all" if i not in self._table.sure or not self._options.keep else None
        sure = i in self._table.sure or len(self._columns) == 1
        if not sure and counts_rows(column.values):
            return "counts the rows"
        if not sure and not column.words and not any((status == Status.OK).any() for status in column.status):
            return "no number in it is a temperature that any probe could have"
        return None

    def _refuse_bad(self, rows: Ints, text: Text) -> None:
        """Refuse what can't be read: the first of it, with a way on for all of it."""
        table = self._table
        found: list[tuple[int, int, str, str]] = []  # row, column, cell, what
        found += [(row, -1, "", what) for row, what in self._bad_widths.items()]
        found += [(row, table.time[0], cell, "") for row, cell in self._bad_times.items()]
        for j, column in enumerate(self._columns):
            found += [(row, table.columns[j], cell, "") for row, cell in column.bad]
        if not text.ends_whole:
            self._refuse_torn({row for row, *_ in found})
        if not found:
            return
        row, column_, cell, what = min(found, key=lambda place: place[:2])
        hints = self._ways_on(rows, found, row, column_, cell)
        if not what and column_ == table.time[0]:
            what = (
                f"{shown(cell)} is no time like those above it"
                if row != int(rows[0])
                else f"{shown(cell)} is no time"
            )
        raise table.refuse(
            what or f"{shown(cell)} is not a temperature",
            *hints,
            row=row,
            column=column_,
            code="width" if column_ < 0 else "no-time" if column_ == table.time[0] else "no-temperature",
        )

    def _refuse_torn(self, bad: set[int]) -> None:
        number, row = self._last_row
        if len(row) < self._width or number in bad or self._is_cut(row):
            raise self._table.refuse(
                "the file ends in the middle of a row; leave it out with",
                Hint("last_line", number - 1),
                row=number,
                code="torn",
            )

    def _is_cut(self, row: list[str]) -> bool:
        """Say whether the file's last cell has fewer decimals than all others of its column: 12 of 129.0."""
        decimals = [len(decimals_of(cells[-1])) for _, cells in self._table.head[:-1] if is_number(cells[-1])]
        return bool(decimals) and len(row) == self._width and len(decimals_of(row[-1])) < min(decimals)

    def _is_remark(self, row: int) -> bool:
        """Say whether no column has a number in a row: it tells of something, and is no reading."""
        return len(self._columns) > 1 and all(
            any(number == row and is_word(cell, self._table.decimal) for number, cell in column.bad)
            for column in self._columns
        )

    def _ways_on(
        self, rows: Ints, found: list[tuple[int, int, str, str]], row: int, column: int, cell: str
    ) -> list[Hint]:
        table = self._table
        bad = sorted({place[0] for place in found})
        in_time = {place[0] for place in found if place[1] == table.time[0] or place[1] < 0}
        hints: list[Hint] = []
        told = column > -1 and column != table.time[0] and self._is_remark(row)
        if column > -1 and column != table.time[0] and not told:
            own = next(c for c, j in zip(self._columns, table.columns, strict=True) if j == column)
            same = sum(1 for _, other in own.bad if other.casefold() == cell.casefold())
            if len(cell) > _LONGEST_WORD:
                pass
            elif is_word(cell, table.decimal):
                found_words = (w for _, w in own.bad if is_word(w, table.decimal) and len(w) < _LONGEST_WORD)
                alike = tuple(dict.fromkeys(found_words))[:12]
                means = "if they mean" if len(alike) > 1 else "if it means"
                value = alike if len(alike) > 1 else cell
                hints.append(Hint("no_reading", value, f"{means} that there was no reading"))
            elif same > 2:
                hints.append(Hint("no_reading", cell, "if it stands for no reading"))
            if len(self._columns) > 1:
                hints.append(Hint("leave_out", table.headers[column], "if that column has no temperatures"))
        below = int(np.searchsorted(rows, row))
        if row in in_time and below and len(rows) - below == len([r for r in bad if r >= row]):
            return [*hints, Hint("last_line", row - 1, "if the readings end there")]
        some = as_ranges(bad)
        if self._bad_count <= _MOST_BAD and 2 * len(bad) < len(rows) and len(some[0]) < 200:
            words = (
                "leaves that row out"
                if len(bad) == 1
                else f"leaves out the {len(bad)} rows that can't be read"
            )
            hints.append(Hint("skip_rows", some[0], words))
        elif column < 0:
            hints += [Hint("delimiter"), Hint("decimal")]
        elif column == table.time[0]:
            hints.append(Hint("time", None, "if the time is in another column"))
        return hints

    def _last_look(
        self, times: Times, values: Floats, status: Bytes
    ) -> tuple[list[str], Times, Floats, Bytes, Table]:
        table = self._table
        out_of_range = int(np.count_nonzero(status == Status.RANGE))
        for j, name in enumerate(table.names):
            if not table.own:
                for value, count in sentinels(values[:, j], status[:, j]):
                    often = "once" if count == 1 else f"{count} times"
                    table.guesses.append(
                        f"{often} {shown(name)} jumps to {value:g} °C and back: taken for no reading"
                    )
        if out_of_range:
            low_c, high_c = CELSIUS_RANGE_C
            many = "1 reading is" if out_of_range == 1 else f"{out_of_range} readings are"
            table.guesses.append(f"{many} not between {low_c:g} and {high_c:g} °C: kept as out of range")
        for name, column in zip(table.names, self._columns, strict=True):
            if column.taken_back:
                table.notes.append(
                    f"{column.taken_back} of {shown(name)} left as gaps: a word beside them takes them back"
                )
        values[status != Status.OK] = np.nan
        doubt_units(table, values)
        return list(table.names), times, values, status, table


def only_name(part: Part, stem: str) -> list[str]:
    """Name a file's columns: its only one by the file's `stem`, where its own name says nothing."""
    return [stem] if len(part.names) == 1 and part.names[0].casefold() in _GENERIC else list(part.names)
