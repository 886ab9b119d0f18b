"""Reads rows into times and temperatures, in blocks, so that a large file takes little memory."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from logger.conversion.columns import CELSIUS_RANGE_C
from logger.exchange.csv_columns import is_bad
from logger.exchange.csv_dates import joined
from logger.exchange.csv_doubt import (
    counts_rows,
    doubt_units,
    is_code,
    no_temperatures_beside,
    say_units,
    sentinels,
    stands_still,
)
from logger.exchange.csv_numbers import as_number, decimals_of, is_number, is_word, one_cell, plain_floats
from logger.exchange.csv_order import in_order
from logger.exchange.csv_table import Column, CsvOptions, Hint, Table, shown
from logger.exchange.csv_text import Row, Text, as_ranges
from logger.exchange.csv_time import TimeReader, Times
from logger.exchange.csv_words import has_temperature_word
from logger.reading import Bytes, Floats, Ints, Status

MAX_READINGS: Final = 40_000_000
"""Temperatures in one file: 16 probes at 10 Hz for three days."""
BLOCK: Final = 8192
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
        self._table, self._options = table, options
        self._times = TimeReader(table, options)
        self._width = len(table.headers)
        self._rows: list[Ints] = []
        self._bad: list[_Bad] = []
        self._last_row: Row = (0, [])
        self._count = 0
        self._bad_counts: Counter[int] = Counter()
        self._date = ""
        self._no_reading = frozenset(word.strip().lower() for word in options.no_reading)
        numbers = (as_number(word, table.decimal) for word in options.no_reading)
        self._no_number = [number for number in numbers if number is not None]
        self._memo: dict[str, tuple[float | None, Status, str | None]] = {}

    @property
    def columns(self) -> list[Column]:
        """Those that it reads."""
        return self._table.columns

    def add(self, block: Sequence[Row]) -> None:
        """Read a block of rows; CsvError: there are too many."""
        table = self._table
        numbers = [number for number, _ in block]
        width, apart = self._width, len(table.time) > 1
        rows = (row if len(row) == width and not apart else self._whole(n, row) for n, row in block)
        columns = list(zip(*rows, strict=True))
        self._count += len(numbers)
        if self._count * len(table.columns) > MAX_READINGS and not table.own:
            what = f"more than {MAX_READINGS:,} readings; split it, or say which columns to read with"
            raise table.refuse(what, Hint("keep"), code="too-large")
        self._last_row = block[-1]
        times: Sequence[str] = columns[table.time[0]]
        if len(table.time) > 1:
            times = [
                joined(parts, table.digits) for parts in zip(*(columns[i] for i in table.time), strict=True)
            ]
        for i in self._times.add(numbers, times):
            self._note_bad(table.time[0], numbers[i], times[i])
        self._rows.append(np.array(numbers, np.int64))
        for column in table.columns:
            self._add_column(column, numbers, columns[column.at])
            if column.quality is not None:
                bad = np.array([is_bad(cell) for cell in columns[column.quality]])
                bad &= column.status[-1] == Status.OK
                column.status[-1][bad] = Status.CORRUPT
                column.taken_back += int(np.count_nonzero(bad))

    def _whole(self, number: int, row: list[str]) -> list[str]:
        """Make a row exactly as wide as the table; fill in a date that is only given where a day begins."""
        table, width = self._table, self._width
        if len(row) != width:
            some = f"{len(row)} cells where there should be {width}"
            if any(cell.strip() for cell in row[width:]):
                self._bad.append(_Bad(number, -1, "", some))
            elif len(row) < width and not table.delimiter.strip(" "):
                self._bad.append(_Bad(number, -1, "", f"{some}: nothing shows which is missing"))
            row = (row + [""] * (width - len(row)))[:width]
        if len(table.time) > 1:
            row[table.time[0]] = self._date = row[table.time[0]] if row[table.time[0]].strip() else self._date
        return row

    def _note_bad(self, at: int, row: int, cell: str) -> None:
        """Note a cell that can't be read: only a column's first ones are kept."""
        self._bad_counts[at] += 1
        if self._bad_counts[at] <= _MOST_BAD:
            self._bad.append(_Bad(row, at, cell))

    def _add_column(self, column: Column, rows: list[int], cells: Sequence[str]) -> None:
        plain = cells if self._table.decimal == "." else [cell.replace(",", ".") for cell in cells]
        if (values := plain_floats(plain)) is None:
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
        column.values.append(values)
        column.status.append(status)

    def _one_by_one(self, column: Column, rows: list[int], cells: Sequence[str]) -> tuple[Floats, Bytes]:
        values = np.full(len(cells), np.nan)
        status = np.full(len(cells), np.uint8(Status.ABSENT))
        for i, cell in enumerate(cells):
            found = self._memo.get(cell)
            if found is None:
                found = one_cell(cell, self._table.decimal, self._no_reading)
                if len(self._memo) < 10_000:
                    self._memo[cell] = found
            value, kind, unit = found
            if value is None or (unit not in (None, column.unit) and self._options.unit is None):
                self._note_bad(column.at, rows[i], cell.strip())
            else:
                values[i], status[i] = value, kind
        return values, status

    # --- all of it --------------------------------------------------------------------------------------

    def finish(self, text: Text) -> Part:
        """Return what all rows say; `text` is the file they came from.

        CsvError: a cell can't be read, or the times don't rise.
        """
        table, options = self._table, self._options
        if not self._count:
            raise table.refuse("no readings", code="no-readings")
        rows = np.concatenate(self._rows)
        self._rows.clear()
        for column in table.columns:
            column.values = [np.concatenate(column.values)]
            column.status = [np.concatenate(column.status)]
        self._leave_out_what_is_none()
        say_units(table)
        self._refuse_bad(rows, text)
        times = self._times.finish(rows)
        chosen, times = in_order(table, times, rows, options)
        n, k = len(times.t_us), len(table.columns)
        values, status = np.empty((n, k), order="F"), np.empty((n, k), np.uint8, order="F")
        for j, column in enumerate(table.columns):
            values[:, j] = column.values.pop()[chosen]
            status[:, j] = column.status.pop()[chosen]
        self._last_look(values, status)
        return Part(times, values, status, table)

    def _leave_out_what_is_none(self) -> None:
        """Leave out columns that turn out to hold text, counts, or nothing."""
        table, before = self._table, self._table.columns
        if table.own:
            return
        table.leave_out({column: why for column in before if (why := self._why_none(column))})
        if not self._options.keep:
            columns = table.columns
            table.leave_out(
                {
                    columns[j]: f"always {value:g}: an open input, or not a temperature"
                    for j, value in stands_still([c.values[0] for c in columns])
                    if value == -1 or (self._begins_whole(columns[j]) and not self._is_known(columns[j]))
                }
            )
            columns = table.columns
            low = [columns[j] for j in no_temperatures_beside([c.values[0] for c in columns])]
            why = "begins near 0 and stays low while others get hot"
            table.leave_out({column: why for column in low if not self._is_known(column)})
            codes = [column for column in table.columns if not column.sure and is_code(column.values[0])]
            if 2 * len(codes) <= len(table.columns):
                table.leave_out(dict.fromkeys(codes, "whole numbers, mostly 0: a code"))
        if not table.columns:
            table.columns = before  # for the preview
            because = "; ".join(f"{shown(header)}: {why}" for header, why in table.left_out[:6])
            raise table.refuse(f"no column of temperatures ({because})", code="no-temperatures")

    def _is_known(self, column: Column) -> bool:
        return column.sure or has_temperature_word(self._table.headers[column.at])

    def _begins_whole(self, column: Column) -> bool:
        return self._table.head[0][1][column.at].strip().isdecimal()

    def _why_none(self, column: Column) -> str | None:
        keep, status = bool(self._options.keep), column.status[0]
        if (status == Status.ABSENT).all():
            if some := next((bad.cell for bad in self._bad if bad.at == column.at), ""):
                return None if keep else f"text such as {shown(some)}, and no numbers"
            return None if column.sure and keep else "no readings at all"
        if not column.sure and (status == Status.ABSENT).any() and (status > Status.OK).all():
            return "words here and there, and no numbers"
        if column.sure or len(self._table.columns) == 1:
            return None
        if counts_rows(column.values[0]):
            return "counts the rows"
        if (status[status != Status.ABSENT] == Status.RANGE).all():
            return "none of its numbers could be a probe's temperature"
        return None

    def _refuse_bad(self, rows: Ints, text: Text) -> None:
        """Refuse what can't be read: name the first place, and a way forward for all of them."""
        table, time = self._table, self._table.time[0]
        counts = {-1, time, *(column.at for column in table.columns)}
        found = [bad for bad in self._bad if bad.at in counts]
        if not text.ends_whole:
            self._refuse_torn({bad.row for bad in found})
        if not found:
            return
        first = min(found, key=lambda bad: bad[:2])
        hints = self._ways_on(rows, found, first)
        row, at, cell, what = first
        if at == time and cell.casefold() == table.headers[time].casefold():
            what = "another header, with other columns; import the file in two, with"
            above = Hint("last_line", row - 1, "for the first part")
            below = Hint("skip", row - 1, "for the rest")
            raise table.refuse(what, above, below, row=row, code="other-header")
        code = "width" if at < 0 else "no-time" if at == time else "no-temperature"
        if not what and at == time:
            what = f"{shown(cell)} isn't a time{' like those above it' * (row != int(rows[0]))}"
        what = what or f"{shown(cell)} is not a temperature"
        raise table.refuse(what, *hints, row=row, column=at, code=code)

    def _refuse_torn(self, bad: set[int]) -> None:
        number, row = self._last_row
        if len(row) < self._width or number in bad or self._is_cut(row):
            what = "the file ends in the middle of a row; leave it out with"
            raise self._table.refuse(what, Hint("last_line", number - 1), row=number, code="torn")

    def _is_cut(self, row: list[str]) -> bool:
        """Whether the file's last cell has fewer decimals than all others in its column: 12 of 129.0."""
        decimals = [len(decimals_of(cells[-1])) for _, cells in self._table.head[:-1] if is_number(cells[-1])]
        return bool(decimals) and len(row) == self._width and len(decimals_of(row[-1])) < min(decimals)

    def _is_remark(self, row: int) -> bool:
        """Whether a row has no number in any column: a remark, not a reading."""
        columns, decimal = self._table.columns, self._table.decimal
        words = {bad.at for bad in self._bad if bad.row == row and is_word(bad.cell, decimal)}
        return len(columns) > 1 and all(column.at in words for column in columns)

    def _ways_on(self, rows: Ints, found: list[_Bad], first: _Bad) -> list[Hint]:
        table, time = self._table, self._table.time[0]
        row, column, cell, _ = first
        bad = sorted({place.row for place in found})
        in_time = {place.row for place in found if place.at in (time, -1)}
        hints: list[Hint] = []
        if column > -1 and column != time and not self._is_remark(row):
            own = [place.cell for place in found if place.at == column]
            same = sum(1 for other in own if other.casefold() == cell.casefold())
            if len(cell) <= _LONGEST_WORD and is_word(cell, table.decimal):
                words = (w for w in own if is_word(w, table.decimal) and len(w) < _LONGEST_WORD)
                alike = tuple(dict.fromkeys(words))[:12]
                means = "if they mean" if len(alike) > 1 else "if it means"
                value = alike if len(alike) > 1 else cell
                hints.append(Hint("no_reading", value, f"{means} there was no reading"))
            elif len(cell) <= _LONGEST_WORD and same > 2:
                hints.append(Hint("no_reading", cell, "if it means no reading"))
            if len(table.columns) > 1:
                hints.append(Hint("leave_out", table.headers[column], "if that column has no temperatures"))
        below = int(np.searchsorted(rows, row))
        if row in in_time and below and len(rows) - below == len([r for r in bad if r >= row]):
            return [*hints, Hint("last_line", row - 1, "if the readings end there")]
        some = as_ranges(bad)
        if self._bad_counts[time] <= _MOST_BAD and 2 * len(bad) < len(rows) and len(some) < 200:
            many = f"leaves out the {len(bad)} rows that can't be read"
            hints.append(Hint("skip_rows", some, "leaves that row out" if len(bad) == 1 else many))
        elif column < 0:
            hints += [Hint("delimiter"), Hint("decimal")]
        elif column == time:
            hints.append(Hint("time", None, "if the time is in another column"))
        return hints

    def _last_look(self, values: Floats, status: Bytes) -> None:
        """Note what may be wrong with the values, and blank those that aren't readings."""
        table = self._table
        low_c, high_c = CELSIUS_RANGE_C
        out_of_range = int(np.count_nonzero(status == Status.RANGE))
        for j, column in enumerate(table.columns):
            for value, count in sentinels(values[:, j], status[:, j]) if not table.own else ():
                often = "once" if count == 1 else f"{count} times"
                jumps = f"jumps to {value:g} °C and back"
                table.guesses.append(f"{shown(column.name)} {jumps} {often}: taken as no reading")
        if out_of_range:
            many = "1 reading is" if out_of_range == 1 else f"{out_of_range} readings are"
            table.guesses.append(f"{many} not between {low_c:g} and {high_c:g} °C: kept as out of range")
        for column in table.columns:
            if column.taken_back:
                why = "left as gaps: the column beside them says they are bad"
                table.notes.append(f"{column.taken_back} of {shown(column.name)} {why}")
        values[status != Status.OK] = np.nan
        doubt_units(table, values)
