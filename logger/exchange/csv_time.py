"""Times in CSV files: numbers, clocks of 12 and 24 hours, dates in any order. Pure but for the time zone."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from itertools import pairwise
from typing import Final, Literal
from zoneinfo import ZoneInfo

import numpy as np

from logger.exchange.csv_table import CsvError, CsvOptions, Table
from logger.reading import Floats, Ints

TimeKind = Literal["datetime", "date", "clock", "number"]

UNITS_S: Final = {
    "us": 1e-6,
    "ms": 1e-3,
    "s": 1.0,
    "min": 60.0,
    "h": 3600.0,
    "days": 86_400.0,
    "unix": 1.0,
    "unix_ms": 1e-3,
}
TIME_UNITS: Final = (*UNITS_S, "hh:mm", "mm:ss")
_FAR_S: Final = 9e9  # 285 years

_MONTHS: Final = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_DATE: Final = (
    r"(?:(?P<y>\d{4})[-/.](?P<m>\d{1,2})[-/.](?P<d>\d{1,2})"
    r"|(?P<a>\d{1,2})(?P<sep>[-/. ])(?P<b>\d{1,2})(?P=sep)(?P<yy>\d{4}|\d{2})"
    r"|(?P<d2>\d{1,2})[-/. ]+(?P<mon>[A-Za-z]{3,9})\.?[-/., ]+(?P<y2>\d{4}|\d{2})"
    r"|(?P<mon3>[A-Za-z]{3,9})\.? +(?P<d3>\d{1,2}),? +(?P<y3>\d{4}))"
)
_CLOCK: Final = (
    r"(?P<h>\d{1,4}):(?P<min>\d{2})(?::(?P<s>\d{2})(?:[.,:](?P<f>\d{1,9}))?)?(?:\s*(?P<half>[ap])\.?\s?m\.?)?"
)
_ZONE: Final = r"(?:\s*(?P<zone>Z|UTC|GMT|[+\-−]\d{2}(?::?\d{2})?))?"
_DATE_ONLY: Final = re.compile(_DATE)
_CLOCK_ONLY: Final = re.compile(_CLOCK, re.I)
_DATETIME: Final = re.compile(rf"{_DATE}(?:\s*,\s*|T|\s+){_CLOCK}{_ZONE}", re.I)
_NUMBER: Final = re.compile(r"[+\-−]?(\d+([.,]\d*)?|[.,]\d+)(e[+-]?\d+)?", re.I)
_HEADER_UNIT: Final = re.compile(
    r"(?<![a-zµ])(?:(µs|us|microseconds?)|(ms|msec|milliseconds?)|(s|sec|secs|seconds?|sek|sekunden)"
    r"|(min|mins|minutes?|minuten)|(h|hr|hrs|hours?|std|stunden)|(d|days?))(?![a-z])",
    re.I,
)

_EXCEL_EPOCH_DAYS: Final = 25_569  # 1970-01-01 in a spreadsheet's count
_DAY_US: Final = 86_400_000_000


@dataclass(slots=True)
class Times:
    """When a file's rows were taken.

    Attributes
    ----------
    t_us : int64 array
        UTC since 1970 if `absolute`, else from any beginning. [µs]
    absolute : bool
    """

    t_us: Ints
    absolute: bool


def kind_of(cell: str) -> TimeKind | None:
    """Say what kind of time a cell may be.

    Parameters
    ----------
    cell : str

    Returns
    -------
    {'datetime', 'date', 'clock', 'number'} or None
    """
    kinds: tuple[tuple[TimeKind, re.Pattern[str]], ...] = (
        ("datetime", _DATETIME),
        ("date", _DATE_ONLY),
        ("clock", _CLOCK_ONLY),
        ("number", _NUMBER),
    )
    return next((kind for kind, pattern in kinds if pattern.fullmatch(cell.strip())), None)


def read_times(table: Table, options: CsvOptions) -> Times:
    """Read a table's times.

    Parameters
    ----------
    table : Table
    options : CsvOptions

    Returns
    -------
    Times
        One for each row, in the file's order.

    Raises
    ------
    CsvError
        A cell is no time, or it can mean two things: names the option that says which.
    """
    column = table.time[0]
    cells = [cell.strip() for cell in table.cells[column]]
    if len(table.time) == 2:
        clocks = table.cells[table.time[1]]
        cells = [f"{date} {clock.strip()}" for date, clock in zip(cells, clocks, strict=True)]
        return _read_datetimes(table, cells, options)
    kind = kind_of(cells[0])
    if kind == "clock":
        return _read_clocks(table, cells, options)
    if kind == "datetime":
        return _read_datetimes(table, cells, options)
    return _read_numbers(table, cells, options)


def _read_numbers(table: Table, cells: list[str], options: CsvOptions) -> Times:
    column = table.time[0]
    texts = [c.replace(",", ".") for c in cells] if table.decimal == "," else cells
    values = np.empty(len(cells))
    for i, text in enumerate(texts):
        if not _NUMBER.fullmatch(text) or "," in text:
            raise _no_time(table, i, cells[i])
        values[i] = float(text.replace("−", "-"))
    unit = _unit_of_numbers(table, values, options)
    far = np.flatnonzero(np.abs(values * UNITS_S[unit]) > _FAR_S)
    if len(far):
        raise table.refuse(int(far[0]), column, f"{cells[far[0]]!r} is too far off to be a time")
    t_us = np.rint(values * UNITS_S[unit] * 1e6).astype(np.int64)
    if unit in ("unix", "unix_ms"):
        return _absolute(table, t_us)
    if unit == "days" and values[0] > _EXCEL_EPOCH_DAYS:
        # A day in a double is good to some microseconds; nobody's logger is that good.
        local = np.rint((values - _EXCEL_EPOCH_DAYS) * 86_400_000).astype(np.int64) * 1000
        return _absolute(table, _from_local(table, local, options))
    return Times(t_us, absolute=False)


def _unit_of_numbers(table: Table, values: Floats, options: CsvOptions) -> str:
    if options.time_unit is not None:
        if options.time_unit not in TIME_UNITS or ":" in options.time_unit:
            choice = ", ".join(u for u in TIME_UNITS if ":" not in u)
            raise _error(table, f"--time-unit {options.time_unit!r}: for numbers it must be one of {choice}")
        return options.time_unit
    if table.own:
        return "s"
    header = table.headers[table.time[0]]
    found = list(_HEADER_UNIT.finditer(f"{header} {table.time_hint}".replace("_", " ")))
    if found:
        group = next(i for i, text in enumerate(found[-1].groups()) if text)
        return tuple(UNITS_S)[group]
    low, high = float(values.min()), float(values.max())
    for unit, least, most, words in (
        ("unix_ms", 9e11, 5e12, "milliseconds since 1970"),
        ("unix", 9e8, 5e9, "seconds since 1970"),
        ("days", _EXCEL_EPOCH_DAYS, 80_000, "a spreadsheet's days since 1900"),
    ):
        if least < low and high < most and (unit != "days" or high - low < 60):
            table.guesses.append(f"times are {words}")
            return unit
    raise _error(
        table,
        f"column {header!r} has times as numbers and doesn't say in what; "
        "say it with --time-unit s, min, h or ms",
    )


def _read_clocks(table: Table, cells: list[str], options: CsvOptions) -> Times:
    """Clocks without a date: time of day, or time since the beginning; both count from the first row."""
    column = table.time[0]
    parts: list[tuple[str | None, ...]] = []
    for i, cell in enumerate(cells):
        match = _CLOCK_ONLY.fullmatch(cell)
        if match is None:
            raise _no_time(table, i, cell)
        parts.append(match.group("h", "min", "s", "f", "half"))
    if all(s is None and half is None for _, _, s, _, half in parts):
        unit = options.time_unit or _two_part_unit(table, [int(h or 0) for h, *_ in parts])
        if unit == "mm:ss":
            parts = [("0", h, m, None, None) for h, m, *_ in parts]
        elif unit != "hh:mm":
            raise _error(
                table, f"--time-unit {unit!r}: for times such as {cells[0]!r} it must be hh:mm or mm:ss"
            )
    of_day = any(half for *_, half in parts)
    t_us = np.array([_clock_us(table, i, column, part, of_day=of_day) for i, part in enumerate(parts)])
    if options.order == "refuse":
        midnights = np.concatenate(([0], np.cumsum(np.diff(t_us) < -_DAY_US // 2)))
        if midnights[-1]:
            table.guesses.append("the clock passes midnight")
            t_us = t_us + midnights * _DAY_US
    return Times(t_us.astype(np.int64), absolute=False)


def _two_part_unit(table: Table, firsts: list[int]) -> str:
    header = table.headers[table.time[0]].lower().replace(" ", "")
    if "mm:ss" in header:
        return "mm:ss"
    if "h:mm" in header:
        return "hh:mm"
    if max(firsts) > 23 and all(b >= a for a, b in pairwise(firsts)):
        table.guesses.append("times are minutes and seconds")
        return "mm:ss"
    raise _error(
        table,
        f"{table.cells[table.time[0]][0]!r} may be hours and minutes or minutes and seconds; "
        "say which with --time-unit hh:mm or --time-unit mm:ss",
    )


def _read_datetimes(table: Table, cells: list[str], options: CsvOptions) -> Times:
    column = table.time[0]
    matches: list[re.Match[str]] = []
    for i, cell in enumerate(cells):
        match = _DATETIME.fullmatch(cell)
        if match is None:
            raise _no_time(table, i, cell)
        matches.append(match)
    day_first = _day_first(table, matches, options)
    dates: dict[tuple[str | None, ...], int] = {}
    local = np.empty(len(cells), np.int64)
    zones: list[str | None] = []
    names = ("y", "m", "d", "a", "b", "yy", "d2", "mon", "y2", "mon3", "d3", "y3")
    for i, match in enumerate(matches):
        date = match.group(*names)
        days = dates.get(date)
        if days is None:
            try:
                days = dates[date] = _days(date, day_first)
            except ValueError as exc:
                raise table.refuse(i, column, f"{cells[i].strip()!r} is no date: {exc}") from None
        part = match.group("h", "min", "s", "f", "half")
        local[i] = days * _DAY_US + _clock_us(table, i, column, part, of_day=True)
        zones.append(match["zone"])
    offsets = {zone: _offset_us(zone) for zone in set(zones) if zone is not None}
    if not offsets:
        return _absolute(table, _from_local(table, local, options))
    if None in zones:
        raise table.refuse(zones.index(None), column, "this time has no zone, though others have one")
    return _absolute(table, local - np.array([offsets[zone] for zone in zones if zone is not None]))


def _clock_us(table: Table, row: int, column: int, parts: tuple[str | None, ...], *, of_day: bool) -> int:
    hour, minute, second = (int(part or 0) for part in parts[:3])
    half = (parts[4] or "").lower()
    most = 12 if half else 23 if of_day else 9999
    if hour > most or (half and hour < 1) or minute > 59 or second > 59:
        raise table.refuse(row, column, f"{table.cells[column][row].strip()!r} is no time of day")
    if half:
        hour = hour % 12 + (12 if half == "p" else 0)
    fraction = int((parts[3] or "0")[:6].ljust(6, "0"))
    return ((hour * 60 + minute) * 60 + second) * 1_000_000 + fraction


def _day_first(table: Table, matches: list[re.Match[str]], options: CsvOptions) -> bool:
    pairs = {(m["a"], m["b"], m["sep"]) for m in matches if m["a"] is not None}
    if not pairs or options.day_first is not None:
        return bool(options.day_first)
    if any(int(a) > 12 for a, _, _ in pairs):
        return True
    if any(int(b) > 12 for _, b, _ in pairs) or all(int(a) == int(b) for a, b, _ in pairs):
        return False
    if all(sep == "." for _, _, sep in pairs):
        table.guesses.append("dates with points have the day first")
        return True
    raise _error(
        table,
        f"{matches[0][0].split()[0]!r} may be the day or the month first; say which with --day-first or "
        "--month-first",
    )


def _days(parts: tuple[str | None, ...], day_first: bool) -> int:
    y, m, d, a, b, yy, d2, mon2, y2, mon3, d3, y3 = parts
    if y is not None:
        year, month, day = int(y), int(m or 0), int(d or 0)
    elif a is not None:
        year = _year(yy or "")
        day, month = (int(a), int(b or 0)) if day_first else (int(b or 0), int(a))
    else:
        name = (mon2 or mon3 or "")[:3].lower()
        if name not in _MONTHS:
            raise ValueError(f"{mon2 or mon3!r} is no month")
        year, month, day = _year(y2 or y3 or ""), _MONTHS.index(name) + 1, int(d2 or d3 or 0)
    if not 1970 <= year <= 2200:
        raise ValueError(
            f"the year is {year}; set the clock of that instrument, or give --time another column"
        )
    return (datetime(year, month, day, tzinfo=UTC) - datetime(1970, 1, 1, tzinfo=UTC)).days


def _year(text: str) -> int:
    return int(text) if len(text) == 4 else 2000 + int(text)


def _offset_us(zone: str) -> int:
    if zone.upper() in ("Z", "UTC", "GMT"):
        return 0
    digits = zone[1:].replace(":", "").ljust(4, "0")
    minutes = int(digits[:2]) * 60 + int(digits[2:])
    return (minutes if zone[0] == "+" else -minutes) * 60_000_000


def _from_local(table: Table, local_us: Ints, options: CsvOptions) -> Ints:
    """Turn the readings of a clock on the wall into UTC."""
    zone: tzinfo | None = None
    if options.timezone is not None:
        try:
            zone = ZoneInfo(options.timezone)
        except (KeyError, ValueError, OSError) as exc:
            raise _error(
                table, f"no such time zone as {options.timezone!r}; give one such as Europe/Vienna or UTC"
            ) from exc
    else:
        table.guesses.append("times are of this computer's time zone")
    # Zones change at full quarters of an hour: ask once for each, not for each row.
    quarters, inverse = np.unique(local_us // 900_000_000, return_inverse=True)
    first, second = (
        np.array([_zone_offset_us(int(q) * 900_000_000, zone, fold) for q in quarters], np.int64)[inverse]
        for fold in (0, 1)
    )
    ambiguous = first != second
    if not ambiguous.any():
        return local_us - first
    # An hour that comes twice, in autumn: the second time has begun when the clock has gone back.
    back = np.concatenate(([0], np.cumsum(np.diff(local_us) < -1_800_000_000)))
    return local_us - np.where(ambiguous & (back > 0), second, first)


def _zone_offset_us(local_us: int, zone: tzinfo | None, fold: int) -> int:
    naive = datetime(1970, 1, 1) + timedelta(microseconds=local_us)  # noqa: DTZ001
    aware = naive.replace(tzinfo=zone, fold=fold) if zone else naive.replace(fold=fold).astimezone()
    offset = aware.utcoffset()
    assert offset is not None
    return offset // timedelta(microseconds=1)


def _absolute(table: Table, t_us: Ints) -> Times:
    bad = np.flatnonzero((t_us < 0) | (t_us > 7_300_000_000_000_000))
    if len(bad):
        raise table.refuse(
            int(bad[0]), table.time[0], "not between the years 1970 and 2200; check --time-unit"
        )
    return Times(t_us, absolute=True)


def _no_time(table: Table, row: int, cell: str) -> CsvError:
    number = table.row_numbers[row]
    return table.refuse(
        row,
        table.time[0],
        f"{cell.strip()!r} is no time as above it; if the readings end here say --last-line {number - 1}",
    )


def _error(table: Table, text: str) -> CsvError:
    return CsvError(f"{table.name}: {text}")
