"""Reads rows into times and temperatures, in blocks, so that a large file takes little memory."""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from logger.conversion.columns import CELSIUS_RANGE_C
from logger.exchange import csv_cells, csv_doubt
from logger.exchange.csv_table import Column, CsvOptions, Hint, Table, shown
from logger.exchange.csv_text import Row, Text
from logger.exchange.csv_time import TimeReader, Times
from logger.exchange.csv_words import is_bad
from logger.reading import Bytes, Floats, Ints, Status

MAX_READINGS: Final = 40_000_000  # in one file: 16 probes at 10 Hz for three days
_FULL_SCALE: Final = (32767.0, 32766.0, -32768.0, -32767.0, 65535.0)
"""What a 16-bit register reads without a probe (common practice, no source)."""
_MOST_BAD: Final = 1000
_LONGEST_WORD: Final = 60


@dataclass(slots=True)
class Part:
    """One file's readings, in order of time: n rows, k columns."""

    times: Times
    values: Floats  # (n, k), °C
    status: Bytes  # (n, k)
    table: Table  # what was understood of the file, and noted about it


class _Bad(NamedTuple):
    """A cell that can't be read, or a row of the wrong width (`at` is -1; `what` is wrong)."""

    row: int
    at: int
    cell: str
    what: str = ""


class Reader:
    """Reads a table's rows, block by block."""

    def __init__(self, table: Table, options: CsvOptions) -> None:
        self.table, self._options = table, options
        self._times = TimeReader(table, options)
        self._rows: list[Ints] = []
        self._count = 0
        self._last_row: Row = (0, [])
        self._bad: dict[int, list[_Bad]] = defaultdict(list)  # by column, the first ones
        self._date = ""
        self._no_reading = frozenset(word.strip().lower() for word in options.no_reading)
        self._no_number = [csv_cells.as_number(word, table.decimal) for word in options.no_reading]
        self._memo: dict[str, tuple[float | None, Status, str | None]] = {}

    def add(self, block: Sequence[Row]) -> None:
        """Read a block of rows; CsvError: there are too many."""
        table = self.table
        numbers = [number for number, _ in block]
        width, apart = len(table.headers), len(table.time) > 1
        rows = (row if len(row) == width and not apart else self._whole(n, row) for n, row in block)
        columns = list(zip(*rows, strict=True))
        self._count += len(numbers)
        if self._count * len(table.columns) > MAX_READINGS and not table.own:
            what = f"more than {MAX_READINGS:,} readings; split it, or say which columns to read with"
            raise table.refuse(what, Hint("keep"), code="too-large")
        self._last_row = block[-1]
        times: Sequence[str] = columns[table.time[0]]
        if apart:
            parts = zip(*(columns[i] for i in table.time), strict=True)
            times = [csv_cells.joined(cells, table.digits) for cells in parts]
        for i in self._times.add(numbers, times):
            self._note_bad(_Bad(numbers[i], table.time[0], times[i]))
        self._rows.append(np.array(numbers, np.int64))
        for column in table.columns:
            values, status = self._read(column, numbers, columns[column.at])
            if column.quality is not None:
                bad = np.array([is_bad(cell) for cell in columns[column.quality]]) & (status == Status.OK)
                status[bad] = Status.CORRUPT
                column.taken_back += int(np.count_nonzero(bad))
            column.values.append(values)
            column.status.append(status)

    def _whole(self, number: int, row: list[str]) -> list[str]:
        """Make a row exactly as wide as the table; fill in a date that is only given where a day begins."""
        table, width = self.table, len(self.table.headers)
        if len(row) != width:
            some = f"{len(row)} cells where there should be {width}"
            if any(cell.strip() for cell in row[width:]):
                self._note_bad(_Bad(number, -1, "", some))
            elif len(row) < width and not table.delimiter.strip(" "):
                self._note_bad(_Bad(number, -1, "", f"{some}: nothing shows which is missing"))
            row = (row + [""] * (width - len(row)))[:width]
        if len(table.time) > 1:
            row[table.time[0]] = self._date = row[table.time[0]] if row[table.time[0]].strip() else self._date
        return row

    def _note_bad(self, bad: _Bad) -> None:
        if len(self._bad[bad.at]) < _MOST_BAD:
            self._bad[bad.at].append(bad)

    def _read(self, column: Column, rows: list[int], cells: Sequence[str]) -> tuple[Floats, Bytes]:
        """Read one column's cells as °C, with a status for each."""
        # 1.003 beside 998,5 is a thousand: an underscore has such cells read one by one.
        comma = str.maketrans(",.", "._")
        plain = cells if self.table.decimal == "." else [cell.translate(comma) for cell in cells]
        if (values := csv_cells.plain_floats(plain)) is None:
            values, status = self._one_by_one(column, rows, cells)
        else:
            status = np.where(np.isnan(values), np.uint8(Status.ABSENT), np.uint8(Status.OK))
        for number in self._no_number:
            out = values == number
            values[out], status[out] = np.nan, Status.ABSENT
        if column.scale != 1:
            values[np.isin(values, _FULL_SCALE)] = np.inf
            values = values * column.scale
        if column.unit == "f":
            values = (values - 32.0) / 1.8
        elif column.unit == "k":
            values = values - 273.15
        low_c, high_c = CELSIUS_RANGE_C
        status[(values < low_c) | (values > high_c)] = Status.RANGE
        return values, status

    def _one_by_one(self, column: Column, rows: list[int], cells: Sequence[str]) -> tuple[Floats, Bytes]:
        values = np.full(len(cells), np.nan)
        status = np.full(len(cells), np.uint8(Status.ABSENT))
        for i, cell in enumerate(cells):
            found = self._memo.get(cell)
            if found is None:
                found = csv_cells.one_cell(cell, self.table.decimal, self._no_reading)
                if len(self._memo) < 10_000:
                    self._memo[cell] = found
            value, kind, unit = found
            other = unit not in (None, column.unit) and self._options.unit is None
            if other and column.each and value is not None:
                value = value * 1.8 + 32.0 if unit == "c" else (value - 32.0) / 1.8
            elif value is None or other:
                self._note_bad(_Bad(rows[i], column.at, cell.strip()))
                continue
            values[i], status[i] = value, kind
        return values, status

    # --- all of it --------------------------------------------------------------------------------------

    def finish(self, text: Text) -> Part:
        """Return what all rows say; `text` is the file they came from.

        CsvError: a cell can't be read, or the times don't rise.
        """
        table, options = self.table, self._options
        if not self._count:
            raise table.refuse("no readings", code="no-readings")
        rows = np.concatenate(self._rows)
        for column in table.columns:
            column.values = [np.concatenate(column.values)]
            column.status = [np.concatenate(column.status)]
        texts = {at: own[0].cell for at, own in self._bad.items() if own}
        csv_doubt.leave_out_what_is_none(table, texts, keep=bool(options.keep))
        self._refuse_bad(rows, text)
        times = self._times.finish(rows)
        chosen, times = csv_doubt.in_order(table, times, rows, options)
        n, k = len(times.t_us), len(table.columns)
        values, status = np.empty((n, k), order="F"), np.empty((n, k), np.uint8, order="F")
        for j, column in enumerate(table.columns):
            values[:, j] = column.values.pop()[chosen]
            status[:, j] = column.status.pop()[chosen]
        csv_doubt.last_look(table, values, status)
        return Part(times, values, status, table)

    def _refuse_bad(self, rows: Ints, text: Text) -> None:
        """Refuse what can't be read: name the first place, and a way forward for all of them."""
        table, time = self.table, self.table.time[0]
        found = sorted(
            bad for at in {-1, time, *(column.at for column in table.columns)} for bad in self._bad[at]
        )
        if not text.ends_whole:
            self._refuse_torn({bad.row for bad in found})
        if not found:
            return
        row, at, cell, what = found[0]
        if at == time and cell.casefold() == table.headers[time].casefold():
            what = "another header, with other columns; import the file in two, with"
            above = Hint("last_line", row - 1, "for the first part")
            below = Hint("skip", row - 1, "for the rest")
            raise table.refuse(what, above, below, row=row, code="other-header")
        code = "width" if at < 0 else "no-time" if at == time else "no-temperature"
        if at == time:
            what = f"{shown(cell)} isn't a time{' like those above it' * (row != int(rows[0]))}"
        what = what or f"{shown(cell)} is not a temperature"
        raise table.refuse(what, *self._ways_on(rows, found), row=row, column=at, code=code)

    def _refuse_torn(self, bad: set[int]) -> None:
        """Refuse a file that ends in the middle of a row, or of a number: 12 of 129.0."""
        number, row = self._last_row
        decimals = [
            len(csv_cells.decimals_of(c[-1])) for _, c in self.table.head[:-1] if csv_cells.is_number(c[-1])
        ]
        cut = len(csv_cells.decimals_of(row[-1])) < min(decimals, default=0)
        if len(row) < len(self.table.headers) or number in bad or cut:
            what = "the file ends in the middle of a row; leave it out with"
            raise self.table.refuse(what, Hint("last_line", number - 1), row=number, code="torn")

    def _ways_on(self, rows: Ints, found: list[_Bad]) -> list[Hint]:
        table, time = self.table, self.table.time[0]
        row, column, cell, _ = found[0]
        bad = sorted({place.row for place in found})
        hints: list[Hint] = []
        beside = [place for own in table.columns for place in self._bad[own.at] if place.row == row]
        words = sum(csv_cells.is_word(place.cell, table.decimal) for place in beside)
        remark = words == len(table.columns) > 1
        if column > -1 and column != time and not remark:
            own = [place.cell for place in self._bad[column] if len(place.cell) <= _LONGEST_WORD]
            said = tuple(dict.fromkeys(w for w in own if csv_cells.is_word(w, table.decimal)))[:12]
            if cell in said or own.count(cell) > 2:
                several = cell in said and len(said) > 1
                means = f"if {'they mean' if several else 'it means'} there was no reading"
                hints.append(Hint("no_reading", said if several else cell, means))
            if len(table.columns) > 1:
                hints.append(Hint("leave_out", table.headers[column], "if that column has no temperatures"))
        below = int(np.searchsorted(rows, row))
        in_time = column in (time, -1) or any(
            place.row == row for place in (*self._bad[time], *self._bad[-1])
        )
        if in_time and below and len(rows) - below == len(bad):
            return [*hints, Hint("last_line", row - 1, "if the readings end there")]
        some = as_ranges(bad)
        if len(self._bad[time]) < _MOST_BAD and 2 * len(bad) < len(rows) and len(some) < 200:
            many = f"leaves out the {len(bad)} rows that can't be read"
            hints.append(Hint("skip_rows", some, "leaves that row out" if len(bad) == 1 else many))
        elif column < 0:
            hints += [Hint("delimiter"), Hint("decimal")]
        elif column == time:
            hints.append(Hint("time", None, "if the time is in another column"))
        return hints


def as_ranges(numbers: Iterable[int]) -> str:
    """Write row numbers as `skip_rows` takes them."""
    parts: list[str] = []
    for _, group in itertools.groupby(enumerate(sorted(numbers)), lambda pair: pair[1] - pair[0]):
        run = [number for _, number in group]
        parts.append(str(run[0]) if len(run) == 1 else f"{run[0]}-{run[-1]}")
    return ",".join(parts)
