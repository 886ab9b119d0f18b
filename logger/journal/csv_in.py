"""Firings from CSV files: our own, and those of other people's loggers with options."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final, cast

import numpy as np

from logger.columns import CELSIUS_RANGE_C
from logger.journal.csv_format import ERROR_WORDS, NO_READING, OPEN_WORDS, read_table
from logger.journal.csv_table import CsvError, CsvOptions, Table, Unit
from logger.journal.csv_time import Times, read_times
from logger.journal.writer import FiringInfo, JournalWriter
from logger.plan import Plan
from logger.reading import MAX_CHANNELS, Batch, Bytes, Channel, Floats, Ints, Status

__all__ = ["CsvError", "CsvFiring", "CsvOptions", "Preview", "import_csv", "preview", "read_csv"]

RIG: Final = "import"
"""The rig that imported readings belong to, where the plan names no other."""

MAX_BYTES: Final = 1 << 30

_SLICE: Final = 50_000
_GENERIC: Final = frozenset(
    ("temperature", "temp", "temp.", "value", "reading", "channel 1", "ch1", "tc", "tc1", "°c", "°f")
)


@dataclass(frozen=True, slots=True)
class CsvFiring:
    """What one or several CSV files say.

    n rows, k columns.

    Attributes
    ----------
    names : tuple of str, length k
    t_us : int64 array, shape (n,)
        From the first row on, strictly ascending. [µs]
    started_us : int or None
        Time of the first row, UTC; None where the file has no dates. [µs]
    temperature_c : float64 array, shape (n, k)
        NaN where there is no reading. [°C]
    status : uint8 array, shape (n, k)
        `Status.OPEN` where a word says so, or where a column stays empty for long; `Status.ABSENT` where it
        is only empty now and then, as when two instruments don't write at the same time.
    guesses : tuple of str
        What was found out and may be wrong.
    """

    names: tuple[str, ...]
    t_us: Ints
    started_us: int | None
    temperature_c: Floats
    status: Bytes
    guesses: tuple[str, ...] = ()

    @property
    def t_s(self) -> Floats:
        """Seconds from the first row, shape (n,)."""
        return self.t_us / 1e6

    @property
    def start(self) -> datetime | None:
        """Time of the first row, UTC."""
        if self.started_us is None:
            return None
        return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=self.started_us)


@dataclass(frozen=True, slots=True)
class Preview:
    """What was understood of a file, for people to look at before they import it.

    Attributes
    ----------
    error : str or None
        Why it can't be imported like that.
    encoding, delimiter, decimal : str
    header_row : int or None
    time : tuple of str
        Headers of the time's column or columns.
    columns : tuple of (str, str)
        Name and unit (`c`, `f` or `k`) of each column of temperatures.
    rows : int
    started : datetime or None
        Of the first row, UTC.
    duration_s : float or None
    lowest_c, highest_c : float or None
        Of all readings. [°C]
    guesses : tuple of str
    """

    error: str | None = None
    encoding: str = ""
    delimiter: str = ""
    decimal: str = ""
    header_row: int | None = None
    time: tuple[str, ...] = ()
    columns: tuple[tuple[str, str], ...] = ()
    rows: int = 0
    started: datetime | None = None
    duration_s: float | None = None
    lowest_c: float | None = None
    highest_c: float | None = None
    guesses: tuple[str, ...] = ()


@dataclass(slots=True)
class _Part:
    """One file's readings."""

    names: list[str]
    times: Times
    values: Floats
    status: Bytes
    guesses: list[str] = field(default_factory=list)


def read_csv(paths: Path | Sequence[Path], options: CsvOptions | None = None) -> CsvFiring:
    """Read a firing from a CSV file, or from several with a channel each.

    Parameters
    ----------
    paths : Path or sequence of Path
    options : CsvOptions, optional

    Returns
    -------
    CsvFiring

    Raises
    ------
    CsvError
        Something in it can't be read: names the row, the column, and the option that helps.
    """
    paths = [paths] if isinstance(paths, Path) else list(paths)
    options = options or CsvOptions()
    parts = [_read_part(path, _table(path, options), options, alone=len(paths) == 1) for path in paths]
    return _merge(parts, paths)


def preview(path: Path, options: CsvOptions | None = None) -> Preview:
    """Say what is understood of a file.

    Parameters
    ----------
    path : Path
    options : CsvOptions, optional

    Returns
    -------
    Preview
        With `error` where it can't be imported like that, and what was understood up to there.
    """
    options = options or CsvOptions()
    try:
        table = _table(path, options)
    except CsvError as exc:
        return Preview(error=str(exc))
    error: str | None = None
    firing: CsvFiring | None = None
    try:
        firing = _merge([_read_part(path, table, options, alone=True)], [path])
    except CsvError as exc:
        error = str(exc)
    found = firing.temperature_c[~np.isnan(firing.temperature_c)] if firing else np.zeros(0)
    return Preview(
        error=error,
        encoding=table.encoding,
        delimiter=table.delimiter,
        decimal=table.decimal,
        header_row=table.header_row,
        time=tuple(table.headers[i] for i in table.time),
        columns=tuple(zip(table.names, table.units, strict=True)),
        rows=len(table.row_numbers),
        started=firing.start if firing else None,
        duration_s=float(firing.t_s[-1]) if firing else None,
        lowest_c=float(found.min()) if len(found) else None,
        highest_c=float(found.max()) if len(found) else None,
        guesses=tuple(table.guesses),
    )


def import_csv(
    writer: JournalWriter,
    paths: Path | Sequence[Path],
    options: CsvOptions | None = None,
    *,
    plan: Plan | None = None,
    title: str = "",
    started_us: int | None = None,
    invented: bool = False,
) -> tuple[FiringInfo, CsvFiring]:
    """Put a firing from CSV files into the journal, all of it or nothing.

    Parameters
    ----------
    writer : JournalWriter
    paths : Path or sequence of Path
    options : CsvOptions, optional
    plan : Plan, optional
        Its probes' names are the columns' names.
    title : str, optional
        The plan's, or the file's name if left out.
    started_us : int, optional
        Time of the first reading, where the file doesn't say; now if left out. [µs]
    invented : bool, default False
        From a simulation.

    Returns
    -------
    FiringInfo, CsvFiring

    Raises
    ------
    CsvError
        Something can't be read.
    JournalError
        The journal can't be written to.
    """
    paths = [paths] if isinstance(paths, Path) else list(paths)
    firing = read_csv(paths, options)
    if len(firing.names) > MAX_CHANNELS:
        raise CsvError(f"{paths[0]}: {len(firing.names)} columns, more than {MAX_CHANNELS}; --leave-out some")
    begin = firing.started_us
    facts: dict[str, Any] = {"imported": [path.name for path in paths], "time_known": begin is not None}
    if begin is None:
        begin = started_us if started_us is not None else int(datetime.now(UTC).timestamp()) * 1_000_000
    with writer.transaction():
        info = writer.open_firing(
            title or (plan.title if plan else "") or paths[0].stem,
            plan.dumps() if plan else None,
            begin,
            ended_us=begin + int(firing.t_us[-1]),
            invented=invented,
            facts=facts,
        )
        for rig, channels, columns in _rigs(firing.names, plan):
            for a in range(0, len(firing.t_us), _SLICE):
                writer.append(info.id, _batch(firing, begin, rig, channels, columns, slice(a, a + _SLICE)))
        writer.pack(info.id)
        return writer.firing(info.id), firing


def _table(path: Path, options: CsvOptions) -> Table:
    try:
        if path.stat().st_size > MAX_BYTES:
            raise CsvError(f"{path.name}: larger than {MAX_BYTES >> 20} MiB; split it")
        data = path.read_bytes()
    except OSError as exc:
        raise CsvError(f"{path}: {exc.strerror or exc}; check the path") from exc
    return read_table(data, path.name, options)


def _read_part(path: Path, table: Table, options: CsvOptions, *, alone: bool) -> _Part:
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
    if not alone and len(names) == 1 and names[0].casefold() in _GENERIC:
        names = [path.stem]
    return _in_order(table, _Part(names, times, values, status, table.guesses), options)


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


def _in_order(table: Table, part: _Part, options: CsvOptions) -> _Part:
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
    return _Part(
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


def _merge(parts: list[_Part], paths: Sequence[Path]) -> CsvFiring:
    if len({part.times.absolute for part in parts}) > 1:
        odd = next(p for p, part in zip(paths, parts, strict=True) if not part.times.absolute)
        raise CsvError(f"{odd.name}: has no dates, but other files have; import them apart")
    absolute = parts[0].times.absolute
    t_us = np.unique(np.concatenate([part.times.t_us for part in parts]))
    names: list[str] = []
    values = np.full((len(t_us), sum(len(part.names) for part in parts)), np.nan)
    status = np.full(values.shape, np.uint8(Status.ABSENT))
    for path, part in zip(paths, parts, strict=True):
        at = np.searchsorted(t_us, part.times.t_us)
        taken = {name.casefold() for name in names}
        for j, name in enumerate(part.names):
            full = name if name.casefold() not in taken else f"{path.stem} {name}"
            if full.casefold() in taken:
                raise CsvError(
                    f"{path.name}: column {name!r} is in another file too; rename one of the files"
                )
            values[at, len(names)] = part.values[:, j]
            status[at, len(names)] = part.status[:, j]
            names.append(full)
    for j in range(len(names)):
        _mark_long_gaps(t_us, status[:, j])
    guesses = list(dict.fromkeys(guess for part in parts for guess in part.guesses))
    if not absolute:
        guesses.append("no dates: times count from the first row")
    return CsvFiring(
        names=tuple(names),
        t_us=t_us - t_us[0],
        started_us=int(t_us[0]) if absolute else None,
        temperature_c=np.where(status == Status.OK, values, np.nan),
        status=status,
        guesses=tuple(guesses),
    )


def _mark_long_gaps(t_us: Ints, status: Bytes) -> None:
    """Take a column that stays empty longer than three of its usual steps for an open thermocouple."""
    there = np.flatnonzero(status != Status.ABSENT)
    if not len(there):
        status[:] = Status.OPEN
        return
    usual = float(np.median(np.diff(t_us[there]))) if len(there) > 1 else 0.0
    empty = np.flatnonzero(status == Status.ABSENT)
    after = np.searchsorted(there, empty)
    before_us = np.where(after > 0, t_us[there[np.maximum(after - 1, 0)]], t_us[0])
    after_us = np.where(after < len(there), t_us[there[np.minimum(after, len(there) - 1)]], t_us[-1])
    status[empty[after_us - before_us > max(3 * usual, 2e6)]] = Status.OPEN


def _rigs(names: Sequence[str], plan: Plan | None) -> list[tuple[str, tuple[Channel, ...], list[int]]]:
    """Give each column the rig and the channel by which the plan knows it."""
    probes = {probe.name.casefold(): probe for probe in plan.probes} if plan else {}
    rigs: dict[str, list[tuple[Channel, int]]] = {}
    used: set[tuple[str, str]] = set()
    # Columns that the plan names come first: no other may take their channel.
    for j in sorted(range(len(names)), key=lambda j: names[j].casefold() not in probes):
        probe = probes.get(names[j].casefold())
        rig, channel = (probe.rig or RIG, probe.channel) if probe else (RIG, names[j])
        if (rig, channel) in used:
            rig = f"{RIG} beside the plan"
        used.add((rig, channel))
        rigs.setdefault(rig, []).append((Channel(channel, "celsius"), j))
    return [(rig, tuple(c for c, _ in own), [j for _, j in own]) for rig, own in rigs.items()]


def _batch(
    firing: CsvFiring, begin: int, rig: str, channels: tuple[Channel, ...], columns: list[int], rows: slice
) -> Batch:
    t_us = firing.t_us[rows]
    temperature = firing.temperature_c[rows, columns]
    none = np.full(temperature.shape, np.nan)
    return Batch(
        rig=rig,
        channels=channels,
        t_us=t_us + begin,
        seq=np.arange(rows.start, rows.start + len(t_us)),
        ms=t_us // 1000 % 2**32,
        raw=temperature,
        raw_cj=none,
        temperature_c=temperature,
        cold_junction_c=none,
        status=firing.status[rows, columns],
    )
