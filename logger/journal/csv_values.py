"""Temperatures in CSV files: cells to numbers and statuses, rows to order of time. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final, cast

import numpy as np

from logger.columns import CELSIUS_RANGE_C
from logger.journal.csv_format import ERROR_WORDS, NO_READING, OPEN_WORDS
from logger.journal.csv_table import CsvOptions, Table, Unit
from logger.journal.csv_time import Times, read_times
from logger.reading import Bytes, Floats, Ints, Status

_GENERIC: Final = frozenset(
    ("temperature", "temp", "temp.", "value", "reading", "channel 1", "ch1", "tc", "tc1", "°c", "°f")
)


@dataclass(slots=True)
class Part:
    """One file's readings."""

    names: list[str]
    times: Times
    values: Floats
    status: Bytes
    guesses: list[str] = field(default_factory=list)


def read_part(table: Table, options: CsvOptions, *, stem: str = "") -> Part:
    """Read a table's times and temperatures.

    Parameters
    ----------
    table : Table
    options : CsvOptions
    stem : str, optional
        The name of its column, where it has only one and that says nothing.

    Returns
    -------
    Part
        In order of time.

    Raises
    ------
    CsvError
        A cell can't be read, or the rows' times don't go up.
    """
    times = read_times(table, options)
    values = np.empty((len(table.row_numbers), len(table.columns)))
    status = np.empty(values.shape, np.uint8)
    troubles: list[tuple[int, int, str]] = []
    words = frozenset(word.strip().lower() for word in options.no_reading)
    for j, (column, unit) in enumerate(zip(table.columns, table.units, strict=True)):
        values[:, j], status[:, j], bad = _temperatures(table, column, unit, options, words)
        if bad is not None:
            troubles.append((bad, column, table.cells[column][bad].strip()))
    if troubles:
        row, column, cell = min(troubles)
        raise table.refuse(row, column, f"{cell!r} is not a temperature; {_mend(table, column, cell)}")
    out_of_range = int(np.count_nonzero(status == Status.RANGE))
    if out_of_range:
        low_c, high_c = CELSIUS_RANGE_C
        table.guesses.append(
            f"{out_of_range} readings are not between {low_c:g} and {high_c:g} °C: kept as out of range"
        )
    names = list(table.names)
    if stem and len(names) == 1 and names[0].casefold() in _GENERIC:
        names = [stem]
    return _in_order(table, Part(names, times, values, status, table.guesses), options)


def _mend(table: Table, column: int, cell: str) -> str:
    leave_out = f"--leave-out {table.headers[column]!r} if that column has none"
    if cell.replace(",", "").replace(".", "").lstrip("+-").isdigit():
        return f"is the decimal sign another (--decimal)? Or {leave_out}"
    return f"if it means that there was no reading say --no-reading {cell!r}; {leave_out}"


def _temperatures(
    table: Table, column: int, unit: Unit, options: CsvOptions, words: frozenset[str]
) -> tuple[Floats, Bytes, int | None]:
    """One column's temperatures and statuses, and the first row that can't be read."""
    cells: Sequence[str] = table.cells[column]
    if table.decimal == ",":
        cells = [cell.replace(",", ".") for cell in cells]
    bad: int | None = None
    try:
        values = np.array([float(cell or "nan") for cell in cells])
        plain = not any("_" in cell for cell in cells)
    except ValueError:
        plain = False
    if plain:
        status = np.where(np.isnan(values), np.uint8(Status.ABSENT), np.uint8(Status.OK))
    else:
        values = np.full(len(cells), np.nan)
        status = np.full(len(cells), np.uint8(Status.ABSENT))
        for i, cell in enumerate(cells):
            value, status[i], cell_unit = _one_cell(cell, words)
            if value is None or (cell_unit is not None and cell_unit != unit and options.unit is None):
                bad = i
                break
            values[i] = value
    if np.isinf(values).any():
        bad = min(int(np.flatnonzero(np.isinf(values))[0]), len(cells) if bad is None else bad)
    if unit == "f":
        values = (values - 32.0) / 1.8
    elif unit == "k":
        values = values - 273.15
    low_c, high_c = CELSIUS_RANGE_C
    status[(values < low_c) | (values > high_c)] = Status.RANGE
    return values, status, bad


def _one_cell(cell: str, words: frozenset[str]) -> tuple[float | None, Status, str | None]:
    """Value, status, and the unit where the cell says one; None where it can't be read."""
    text = cell.strip().replace("−", "-")
    lower = text.lower()
    if lower in NO_READING or lower in words:
        return np.nan, Status.ABSENT, None
    if lower in OPEN_WORDS:
        return np.nan, Status.OPEN, None
    if lower in ERROR_WORDS:
        return np.nan, Status.CORRUPT, None
    unit = None
    if lower[-1:] in ("c", "f") and any(c.isdigit() for c in text):
        unit = lower[-1]
        text = text[:-1].rstrip(" °º")
    try:
        value = float(text) if "_" not in text else None
    except ValueError:
        value = None
    return value, Status.OK, unit


def _in_order(table: Table, part: Part, options: CsvOptions) -> Part:
    """Bring a file's rows into order of time, each time once, or refuse."""
    t_us = part.times.t_us
    steps = np.diff(t_us)
    rows: Ints = np.arange(len(t_us))
    if (steps < 0).any():
        if options.order == "refuse":
            row = int(np.flatnonzero(steps < 0)[0]) + 1
            raise table.refuse(
                row,
                table.time[-1],
                f"{table.cells[table.time[-1]][row].strip()!r} is earlier than the row above; "
                "--order sort puts the rows in order",
            )
        rows = np.argsort(t_us, kind="stable")
        t_us = t_us[rows]
        steps = np.diff(t_us)
    if (steps == 0).any():
        if options.repeats == "refuse":
            row = int(rows[np.flatnonzero(steps == 0)[0] + 1])
            raise table.refuse(
                row,
                table.time[-1],
                f"{table.cells[table.time[-1]][row].strip()!r} is the time of another row too; "
                "--repeats spread spreads such rows evenly, --repeats last keeps the last",
            )
        if options.repeats == "last":
            keep = np.append(steps > 0, True)
            rows, t_us = rows[keep], t_us[keep]
        else:
            t_us = _spread(t_us)
    return Part(
        part.names, Times(t_us, part.times.absolute), part.values[rows], part.status[rows], part.guesses
    )


def _spread(t_us: Ints) -> Ints:
    """Spread rows of the same time evenly up to the next time; the last ones as those before them."""
    starts = np.concatenate(([0], np.flatnonzero(np.diff(t_us)) + 1))
    counts = np.diff(np.append(starts, len(t_us)))
    lengths = np.diff(t_us[starts])
    usual = int(np.median(lengths)) if len(lengths) else 1_000_000
    lengths = np.append(lengths, usual)
    within = np.arange(len(t_us)) - np.repeat(starts, counts)
    return cast(Ints, t_us + within * np.repeat(lengths, counts) // np.repeat(counts, counts))


def mark_long_gaps(t_us: Ints, status: Bytes) -> None:
    """Take a column that stays empty longer than three of its usual steps for an open thermocouple.

    Parameters
    ----------
    t_us : array (n,)
        [µs]
    status : uint8 array (n,)
        Changed in place. What is empty before its first reading stays so: its logger hadn't been started.
    """
    there = np.flatnonzero(status != Status.ABSENT)
    if not len(there):
        status[:] = Status.OPEN
        return
    usual = float(np.median(np.diff(t_us[there]))) if len(there) > 1 else 0.0
    empty = np.flatnonzero(status == Status.ABSENT)
    after = np.searchsorted(there, empty)
    before_us = np.where(after > 0, t_us[there[np.maximum(after - 1, 0)]], t_us[0])
    after_us = np.where(after < len(there), t_us[there[np.minimum(after, len(there) - 1)]], t_us[-1])
    gone = (after_us - before_us > max(3 * usual, 2e6)) & (after > 0)
    status[empty[gone]] = Status.OPEN


def unmark_ends(status: Bytes, last_rows: Sequence[int]) -> None:
    """Take columns that end with their file, or several together before the others, for loggers that stopped.

    Parameters
    ----------
    status : uint8 array (n, k)
        Changed in place.
    last_rows : sequence of int, length k
        The last row of the file that each column came from.
    """
    n = len(status)
    ends = [int(there[-1]) if len(there := np.flatnonzero(s == Status.OK)) else n - 1 for s in status.T]
    for j, end in enumerate(ends):
        together = sum(abs(other - end) <= 2 for other in ends)
        if end < n - 1 and (end >= last_rows[j] or 1 < together < len(ends)):
            tail = status[end + 1 :, j]
            tail[tail == Status.OPEN] = Status.ABSENT
