"""What is understood of CSV files, for people to look at before they import them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

import numpy as np

from logger.exchange.csv_format import read_table
from logger.exchange.csv_in import CsvFiring, each_once, merge_parts
from logger.exchange.csv_long import read_rows
from logger.exchange.csv_table import CsvError, CsvOptions, Table
from logger.exchange.csv_values import Part
from logger.journal.traces import GAP_STEPS, GAP_US

HEAD_ROWS: Final = 5
_LINE_LENGTH: Final = 200


@dataclass(frozen=True, slots=True)
class Preview:
    """What was understood of a file."""

    error: str | None = None  # why it can't be imported like that
    refusal: dict[str, Any] | None = None  # the same in parts; see `CsvError.as_dict`
    lines: tuple[str, ...] = ()  # the file's first, as they stand there
    encoding: str = ""
    delimiter: str = ""
    decimal: str = ""
    header_row: int | None = None
    headers: tuple[str, ...] = ()  # of all columns
    # the first rows of readings: number in the file, cells
    head: tuple[tuple[int, tuple[str, ...]], ...] = ()
    time: tuple[str, ...] = ()  # headers of the time's column or columns
    columns: tuple[tuple[str, str], ...] = ()  # name and unit (c, f, k) of each column of temperatures
    rows: int = 0
    started: datetime | None = None  # of the first row, UTC
    duration_s: float | None = None
    lowest_c: float | None = None  # of all readings
    highest_c: float | None = None
    guesses: tuple[str, ...] = ()  # what may be wrong, what was done, and what was left out
    left_out: tuple[tuple[str, str], ...] = ()  # columns, and why


@dataclass(frozen=True, slots=True)
class Whole:
    """The firing that files make together."""

    error: str | None = None  # why they can't be imported like that; nothing else is known then
    refusal: dict[str, Any] | None = None  # the same in parts; see `CsvError.as_dict`
    names: tuple[str, ...] = ()  # of its columns
    lowest_c: tuple[float | None, ...] = ()  # by column; None where there is no reading
    highest_c: tuple[float | None, ...] = ()
    readings: tuple[int, ...] = ()  # by column
    rows: int = 0
    started: datetime | None = None  # UTC; None where no file has dates
    duration_s: float = 0.0
    step_s: float = 0.0  # the usual time from row to row
    gaps: tuple[tuple[float, float], ...] = ()  # where rows are missing: from when, and for how long [s]
    guesses: tuple[str, ...] = ()  # what may be wrong, what was done, and what was left out
    left_out: tuple[tuple[str, str], ...] = ()  # columns, and why


def preview_together(paths: Sequence[Path], options: CsvOptions | None = None) -> tuple[list[Preview], Whole]:
    """Say what is understood of several files, each for itself, and what firing they make together."""
    options = options or CsvOptions()
    once, notes = each_once(paths)
    seen: dict[Path, tuple[Preview, Part | None]] = {path: _look(path, options) for path in once}
    files = [seen[path][0] if path in seen else Preview(lines=_first_lines(path)) for path in paths]
    wrong = next((found for found, _ in seen.values() if found.error is not None), None)
    if wrong is not None:
        return files, Whole(error=wrong.error, refusal=wrong.refusal)
    try:
        firing = merge_parts([part for _, part in seen.values() if part is not None], once, notes=notes)
    except CsvError as exc:
        return files, Whole(error=str(exc), refusal=exc.as_dict())
    return files, _whole(firing)


def _look(path: Path, options: CsvOptions) -> tuple[Preview, Part | None]:
    lines = _first_lines(path)
    try:
        text, table = read_table(path, options)
    except CsvError as exc:
        return Preview(error=str(exc), refusal=exc.as_dict(), lines=lines), None
    try:
        part = read_rows(text, table, options)
    except CsvError as exc:
        return _preview(table, lines, None, exc), None
    return _preview(table, lines, part, None), part


def _preview(table: Table, lines: tuple[str, ...], part: Part | None, error: CsvError | None) -> Preview:
    found = part.values[~np.isnan(part.values)] if part else np.zeros(0)
    t_us = part.times.t_us if part else np.zeros(0, np.int64)
    started = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=int(t_us[0])) if len(t_us) else None
    return Preview(
        error=None if error is None else str(error),
        refusal=None if error is None else error.as_dict(),
        lines=lines,
        encoding=table.encoding,
        delimiter=table.delimiter,
        decimal=table.decimal,
        header_row=table.header_row,
        headers=tuple(table.headers),
        head=tuple((number, tuple(row)) for number, row in table.head[:HEAD_ROWS]),
        time=tuple(table.headers[i] for i in table.time),
        columns=tuple((column.name, column.unit) for column in table.columns),
        rows=len(t_us) or len(table.head),
        started=started if part is not None and part.times.absolute else None,
        duration_s=float(t_us[-1] - t_us[0]) / 1e6 if len(t_us) else None,
        lowest_c=float(found.min()) if len(found) else None,
        highest_c=float(found.max()) if len(found) else None,
        guesses=(*table.guesses, *table.notes),
        left_out=tuple(table.left_out),
    )


def _whole(firing: CsvFiring) -> Whole:
    there = ~np.isnan(firing.temperature_c)
    columns = [firing.temperature_c[there[:, j], j] for j in range(len(firing.names))]
    steps = np.diff(firing.t_us)
    usual_us = float(np.median(steps)) if len(steps) else 0.0
    at = np.flatnonzero(steps > max(GAP_STEPS * usual_us, GAP_US))
    return Whole(
        names=firing.names,
        lowest_c=tuple(float(c.min()) if len(c) else None for c in columns),
        highest_c=tuple(float(c.max()) if len(c) else None for c in columns),
        readings=tuple(len(c) for c in columns),
        rows=len(firing.t_us),
        started=firing.start,
        duration_s=float(firing.t_s[-1]),
        step_s=usual_us / 1e6,
        gaps=tuple((float(firing.t_us[i]) / 1e6, float(steps[i]) / 1e6) for i in at),
        guesses=firing.said(),
        left_out=firing.left_out,
    )


def _first_lines(path: Path) -> tuple[str, ...]:
    try:
        with path.open("rb") as file:
            data = file.read(HEAD_ROWS * 4 * _LINE_LENGTH)
    except OSError:
        return ()  # reading it says why
    wide = data.startswith((b"\xff\xfe", b"\xfe\xff"))
    try:
        text = data.decode("utf-16" if wide else "utf-8-sig", "ignore" if wide else "strict")
    except UnicodeDecodeError:
        text = data.decode("latin-1")
    return tuple(line[:_LINE_LENGTH] for line in text.splitlines()[: HEAD_ROWS + 3])
