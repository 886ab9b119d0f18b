"""Reads the times of a CSV file's rows. Pure, except for the computer's own time zone and date."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from typing import Final, Literal, NamedTuple
from zoneinfo import ZoneInfo

import numpy as np

from logger.exchange import csv_cells
from logger.exchange.csv_table import STEP, CsvError, CsvOptions, Hint, Table, shown
from logger.reading import Floats, Ints

_FAR_S: Final = 9e9  # 285 years
_DAY_US: Final = 86_400_000_000
_HOUR_US: Final = 3_600_000_000
_1970: Final = datetime(1970, 1, 1, tzinfo=UTC)
_A, _B, _YY, _SEP = (csv_cells.DATE_PARTS.index(name) for name in ("a", "b", "yy", "sep"))
_YEARS: Final = [csv_cells.DATE_PARTS.index(name) for name in ("y", "yy", "y2")]
_UNITS_S: Final = {
    "us": 1e-6,
    "ms": 1e-3,
    "s": 1.0,
    "min": 60.0,
    "h": 3600.0,
    "days": 86_400.0,
    "unix": 1.0,
    "unix_ms": 1e-3,
    "ns": 1e-9,
}
_SINCE_1970: Final = {"s": "seconds", "ms": "milliseconds", "us": "microseconds", "ns": "nanoseconds"}
_SINCE: Final = (
    (1.0, 2_082_844_800.0, "from 1904", ""),
    (1e-7, 11_644_473_600.0, "from 1601, in tenths of microseconds", ""),
    (1e-7, 62_135_596_800.0, "from the year 1, in tenths of microseconds", ""),
    (86_400.0, 210_866_760_000.0, "in days, as Julian dates do", r"julian|(?<![a-z])jd(?![a-z])"),
    (86_400.0, 62_167_219_200.0 + 86_400.0, "in days from the year 0", r"datenum"),
)
"""Counts that don't start in 1970: unit [s], how long before 1970 they start [s], name, and what the header
must say if the number alone could be anything."""
_AGES_S: Final = (946_684_800.0, 3.05e9)
"""2000 to 2066: what an instrument's clock may show, counted from 1970. [s]"""
_PART: Final = re.compile(r"0[.,](0*)1\s?(?:s|sec|min|h)\b")
_HEADER_UNIT: Final = re.compile(
    r"(?<![a-zµ])(?:(?P<us>[µμ]s|us|usecs?|microseconds?|micros)|(?P<ms>ms|msec|milliseconds?|millis)"
    r"|(?P<ns>ns|nsec|nanoseconds?|nanos)|(?P<s>s|sec|secs|seconds?|sek|sekunden?)"
    r"|(?P<min>min|mins|minutes?|minuten?)|(?P<h>h|hr|hrs|hours?|std|stunden?)|(?P<days>d|days?))(?![a-z]|\s?=)",
    re.I,
)
_EXCEL_EPOCH_DAYS: Final = 25_569  # 1970-01-01 in a spreadsheet


@dataclass(slots=True)
class Times:
    """The times of a file's rows."""

    t_us: Ints  # UTC since 1970 if `absolute`, otherwise from any start
    absolute: bool
    wall_us: Ints | None = None  # local time, if nothing in the file gives its zone


class TimeReader:
    """Reads a table's times, block by block."""

    def __init__(self, table: Table, options: CsvOptions) -> None:
        self._table, self._options = table, options
        parts = ([row[i] for i in table.time] for _, row in table.head[:40])
        found = (csv_cells.kind_of(csv_cells.joined(cells, table.digits)) for cells in parts)
        kinds = Counter(kind for kind in found if kind is not None)
        usual = "number" if not kinds else kinds.most_common(1)[0][0]
        # Spreadsheets write midnight as the date alone.
        self._kind: csv_cells.TimeKind = "datetime" if usual == "date" else usual
        self._values: list[Floats] = []
        self._clocks: list[Ints] = []
        self._day_of: list[Ints] = []
        # Dates with their zones, numbered, and the row and cell where each comes first.
        self._days: dict[tuple[str | None, ...], tuple[int, int, str]] = {}
        self._three_parts = self._halves = False
        self._first_two_part = ""
        self._rows: Ints = np.zeros(0, np.int64)

    def add(self, rows: Sequence[int], cells: Sequence[str]) -> list[int]:
        """Read a block of times in the numbered rows; return where in it there is no time of this kind."""
        if self._kind == "number":
            return self._add_numbers(cells)
        clocks, days = np.zeros((2, len(cells)), np.int64)
        bad: list[int] = []
        for i, cell in enumerate(cells):
            kind, match = csv_cells.matched(cell)
            fits = kind == self._kind or (kind == "date" and self._kind == "datetime")
            us = self._clock_us(match) if match is not None and fits else None
            if match is None or us is None:
                bad.append(i)
                continue
            clocks[i] = us
            if self._kind == "datetime":
                day = match.group(*csv_cells.DATE_PARTS, "zone")
                days[i] = self._days.setdefault(day, (len(self._days), rows[i], cell))[0]
        self._clocks.append(clocks)
        self._day_of.append(days)
        return bad

    def finish(self, rows: Ints) -> Times:
        """Return the times of all numbered rows; CsvError: they can mean two things."""
        self._rows = rows
        if self._kind == "number":
            return self._finish_numbers(np.concatenate(self._values))
        clocks = np.concatenate(self._clocks)
        return self._finish_clocks(clocks) if self._kind == "clock" else self._finish_datetimes(clocks)

    # --- numbers ----------------------------------------------------------------------------------------

    def _add_numbers(self, cells: Sequence[str]) -> list[int]:
        values = csv_cells.plain_floats(cells) if self._table.decimal == "." else None
        if values is None or not np.isfinite(values).all():
            read = (csv_cells.as_number(cell, self._table.decimal) for cell in cells)
            values = np.array([np.nan if value is None else value for value in read])
        self._values.append(values)
        return np.flatnonzero(np.isnan(values)).tolist()

    def _finish_numbers(self, values: Floats) -> Times:
        table = self._table
        values, bits = _unwrapped(values)
        if bits:
            table.notes.append(f"the time is a {bits}-bit counter that wrapped round to 0: counted on")
        count = _count_of(table, values, self._options)
        far = np.abs(values * count.unit_s - count.before_s) > _FAR_S
        if far.all():
            what = f"'{values[0]:.0f}' is too far off to be a time; if it is date and time in one, "
            elsewhere = Hint("time", None, "if the time is in another column")
            raise self._refused("far-time", None, f"{what}write them as 2025-11-27 14:00:10", elsewhere)
        if far.any():
            i = int(np.argmax(far))
            raise self._far(f"'{values[i]:g}' is too far off to be a time", i)
        t_us = count.t_us(values)
        if count.since != "on the wall":
            return self._absolute(t_us) if count.since else Times(t_us, absolute=False)
        return self._from_local(t_us) if table.offset_us is None else self._absolute(t_us - table.offset_us)

    # --- clocks without a date --------------------------------------------------------------------------

    def _clock_us(self, match: re.Match[str]) -> int | None:
        hour, minute, second = int(match["h"]), int(match["min"]), int(match["s"] or 0)
        half = (match["half"] or "").lower()
        most = 12 if half else 24 if self._kind == "datetime" else 9999
        of_a_day = bool(half) <= hour <= most and minute < 60 and second < 61
        if not of_a_day or (most == 24 == hour and minute + second):
            return None
        if half:
            hour = hour % 12 + (12 if half == "p" else 0)
            self._halves = True
        elif match["s"] is None:
            self._first_two_part = self._first_two_part or match[0]
        else:
            self._three_parts = True
        us = ((hour * 60 + minute) * 60 + second) * 1_000_000 + int((match["f"] or "0")[:6].ljust(6, "0"))
        if self._kind == "datetime":
            return us
        us += int(match["days"] or 0) * _DAY_US
        return -us if match["before"] else us  # a countdown to the start

    def _finish_clocks(self, t_us: Ints) -> Times:
        """Time of day, or time since the start; both count from the first row."""
        table, options = self._table, self._options
        back = np.flatnonzero(np.diff(t_us) < 0)
        if self._first_two_part and not self._halves:
            unit = options.time_unit or self._two_part_unit(t_us, back)
            if unit not in ("mm:ss", "hh:mm"):
                what = f"--time-unit {unit!r}: for {self._first_two_part!r} it must be hh:mm or mm:ss"
                raise table.refuse(what, code="time-unit")
            if unit == "mm:ss":  # until there are three parts: 59:58, 59:59, 1:00:00
                until = len(t_us) if not self._three_parts else int(back[0]) + 1 if len(back) else 0
                t_us = np.concatenate([t_us[:until] // 60, t_us[until:]])
        twelve = not self._halves and int(t_us.max(initial=0)) < 13 * _HOUR_US
        for begins_again, day_us, words in (
            (_DAY_US // 2, _DAY_US, "the clock passes midnight"),
            (10 * _HOUR_US, _DAY_US // 2, "the clock counts to 12 and starts again"),
        ):
            again = np.concatenate(([0], np.cumsum(np.diff(t_us) < -begins_again)))
            if again[-1] and options.order == "refuse" and (day_us == _DAY_US or twelve):
                table.guesses.append(words)
                t_us = t_us + again * day_us
                break
        return Times(t_us, absolute=False)

    def _two_part_unit(self, t_us: Ints, back: Ints) -> str:
        table = self._table
        header = f"{table.headers[table.time[0]]} {table.time_hint}".lower().replace(" ", "")
        if "mm:ss" in header:
            return "mm:ss"
        if "h:mm" in header:
            return "hh:mm"
        if self._three_parts:
            return "mm:ss" if len(back) == 1 and t_us[0] < 60 * _HOUR_US else "hh:mm"
        firsts = t_us // _HOUR_US
        if firsts.max() > 23 and (np.diff(firsts) >= 0).all():
            table.guesses.append("times are minutes and seconds")
            return "mm:ss"
        what = f"{self._first_two_part!r} may be hours and minutes or minutes and seconds; say which with"
        ways = Hint("time_unit", "hh:mm"), Hint("time_unit", "mm:ss")
        raise table.refuse(what, *ways, code="hours-or-minutes")

    # --- dates ------------------------------------------------------------------------------------------

    def _finish_datetimes(self, clocks: Ints) -> Times:
        table, order = self._table, self._order()
        starts = np.empty(len(self._days), np.int64)
        zones: dict[str | None, int] = {}  # and the row where each comes first
        for (*date, zone), (i, row, cell) in self._days.items():
            zones.setdefault(zone, row)
            try:
                starts[i] = csv_cells.days_of(date, order) * _DAY_US
            except ValueError as exc:
                ways = [_without(row)] * ("no month" not in str(exc))
                if date[_A] is not None and self._options.day_first is not None:
                    ways = [Hint("day_first", order != "dmy")]
                raise self._refused("no-date", row, f"{shown(cell)} isn't a date: {exc}", *ways) from None
        if any(int(date[i] or 0) in csv_cells.BUDDHIST for date in self._days for i in _YEARS):
            table.guesses.append("years are in the Buddhist calendar: 543 subtracted")
        local = clocks + starts[np.concatenate(self._day_of)]
        offsets = {zone: csv_cells.offset_us(zone) for zone in zones if zone is not None}
        words = [zone for zone, offset in offsets.items() if offset is None]
        if words and self._options.timezone is None:
            zone = min(words)
            what = f"{zone!r} doesn't mean the same zone everywhere; name the place with"
            place = Hint("timezone", None, "such as Europe/Vienna")
            raise self._refused("zone-word", zones[zone], what, place)
        if len(words) == len(offsets):
            if table.offset_us is None or self._options.timezone is not None:
                return self._from_local(local)
            table.guesses.append(f"times are {csv_cells.offset_words(table.offset_us)}, as the header says")
            return self._absolute(local - table.offset_us)
        if None in zones:
            what = "this time has no zone, though others have one;"
            raise self._refused("no-zone", zones[None], what, _without(zones[None]))
        of_days = np.array([offsets[zone or ""] or 0 for *_, zone in self._days], np.int64)
        return self._absolute(local - of_days[np.concatenate(self._day_of)])

    def _order(self) -> csv_cells.Order:
        """Find the order of day, month and year, if all are numbers of two digits."""
        dates = [date for date in self._days if date[_A] is not None]
        if not dates or self._options.day_first is not None:
            return "dmy" if self._options.day_first else "mdy"
        by_year = [_days(date[:-1], "ymd") for date in dates]
        if len(dates[0][_YY] or "") == 2 and None not in by_year:
            tomorrow = (datetime.now(UTC) - _1970).days + 1
            later = [days for date in dates for order in ("dmy", "mdy") if (days := _days(date[:-1], order))]
            if later and min(later) > tomorrow >= max(days or 0 for days in by_year):
                self._table.guesses.append("dates have the year first: otherwise they would be in the future")
                return "ymd"
        _, row, cell = self._days[dates[0]]
        pairs = [(int(date[_A] or 0), int(date[_B] or 0)) for date in dates]
        if any(first > 12 for first, _ in pairs):
            short = len(dates[0][_YY] or "") == 2 and dates[0][_SEP] != "."
            if short and (by_year[0] or 0) > (_days(dates[0][:-1], "dmy") or 0) + 366:
                what = f"{cell.split()[0]!r} may have the day or the year first; if the year, write the year "
                what += "in full, and if the day, say"
                raise self._refused("day-or-month", row, what, Hint("day_first", True))
            return "dmy"
        if any(second > 12 for _, second in pairs) or all(first == second for first, second in pairs):
            return "mdy"
        if all(date[_SEP] == "." for date in dates):
            self._table.guesses.append("dates with dots have the day first")
            return "dmy"
        what = f"{cell.split()[0]!r} may have the day or the month first; say which with"
        raise self._refused("day-or-month", row, what, Hint("day_first", True), Hint("day_first", False))

    def _from_local(self, local_us: Ints) -> Times:
        """Turn local times into UTC."""
        zone: tzinfo | None = None
        name = self._options.timezone
        if name is not None:
            offset = csv_cells.offset_us(name)
            try:
                zone = ZoneInfo(name) if offset is None else timezone(timedelta(microseconds=offset))
            except (KeyError, ValueError, OSError) as exc:
                what = f"unknown time zone {name!r}; give one such as Europe/Vienna, UTC or UTC+1"
                raise self._table.refuse(what, code="timezone") from exc
        else:
            self._table.guesses.append("times are in this computer's time zone")
        utc = local_us - csv_cells.zone_offsets_us(local_us, zone)
        if name is None and (np.diff(local_us) > 0).all() and (np.diff(utc) <= 0).any():
            # A clock that ignores summer time.
            utc = local_us - csv_cells.zone_offsets_us(local_us[:1], zone)[0]
        return Times(self._absolute(utc).t_us, absolute=True, wall_us=local_us)

    def _absolute(self, t_us: Ints) -> Times:
        far = (t_us < 0) | (t_us > 7_300_000_000_000_000)
        if far.any():
            raise self._far("not between the years 1970 and 2200", int(np.argmax(far)))
        return Times(t_us, absolute=True)

    def _far(self, what: str, i: int) -> CsvError:
        row = int(self._rows[i])
        unit = [Hint("time_unit", None, "if it is in another unit")] * (self._kind == "number")
        return self._refused("far-time", row, what, _without(row), *unit)

    def _refused(self, code: str, row: int | None, what: str, *hints: Hint) -> CsvError:
        return self._table.refuse(what, *hints, row=row, column=self._table.time[0], code=code)


def _without(row: int) -> Hint:
    return Hint("skip_rows", str(row), "leaves that row out")


def _days(date: Sequence[str | None], order: csv_cells.Order) -> int | None:
    try:
        return csv_cells.days_of(date, order)
    except ValueError:
        return None


# --- times that are numbers ---------------------------------------------------------------------------------


class _Count(NamedTuple):
    """How numbers count time."""

    unit_s: float
    since: Literal["1970", "on the wall", ""] = ""  # from 1970 in UTC or local time; or from any start
    before_s: float = 0.0  # how long before 1970 it starts

    def t_us(self, values: Floats) -> Ints:
        """Return times from 1970, or from that start."""
        if not self.before_s:
            return np.rint(values * (self.unit_s * 1e6)).astype(np.int64)
        # A day in a double is good to some microseconds; no logger is that good.
        decimals = 3 if self.since == "on the wall" else 4
        return np.rint(np.round(values * self.unit_s - self.before_s, decimals) * 1e6).astype(np.int64)


def _unwrapped(values: Floats) -> tuple[Floats, int]:
    """Continue a 32-bit or 16-bit counter that wrapped to 0; return how many bits it has, 0 if it didn't."""
    steps = np.diff(values)
    if not (steps < 0).any() or (values % 1 != 0).any() or values.min() < 0:
        return values, 0
    usual = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
    for bits in (16, 32):
        again = (steps < 0) & (steps + 2.0**bits > 0) & (steps + 2.0**bits <= 3 * usual)
        if values.max() < 2.0**bits and (again == (steps < 0)).all():
            return values + np.concatenate(([0], np.cumsum(again))) * 2.0**bits, bits
    return values, 0


def _count_of(table: Table, values: Floats, options: CsvOptions) -> _Count:
    """Find out how a table counts time; CsvError: nothing says so."""
    low, high = float(values.min()), float(values.max())

    def counted(unit: str, step: float = 1.0) -> _Count:
        unit_s = _UNITS_S[unit]
        if unit == "days" and low > _EXCEL_EPOCH_DAYS:
            return _Count(unit_s, "on the wall", _EXCEL_EPOCH_DAYS * unit_s)
        return _Count(unit_s * step, "1970" if low * unit_s > 9e8 and high * unit_s < 5e9 else "")

    if (wanted := options.time_unit) is not None:
        if step := STEP.fullmatch(wanted):
            return _Count(_UNITS_S[step[2]] * float(step[1]))
        if wanted not in _UNITS_S:
            choice = ", ".join(_UNITS_S) + ", or 10s if rows are 10 s apart"
            what = f"--time-unit {wanted!r}: for numbers it must be one of {choice}"
            raise table.refuse(what, code="time-unit")
        return _Count(_UNITS_S[wanted], "1970") if wanted[:4] == "unix" else counted(wanted)
    said = f"{table.headers[table.time[0]]} {table.time_hint}"
    units = [found.lastgroup or "" for found in _HEADER_UNIT.finditer(said.replace("_", " "))]
    for unit_s, before_s, words, header in _SINCE:
        in_it = _AGES_S[0] < low * unit_s - before_s and high * unit_s - before_s < _AGES_S[1]
        if in_it and re.search(header, said, re.I) and (unit_s != 1 or units[-1:] in ([], ["s"])):
            table.guesses.append(f"times count {words}")
            return _Count(unit_s, "1970", before_s)
    if units:
        part = _PART.search(said)  # "time (0.1 s)"
        return counted(units[-1], 1.0 if part is None else 0.1 ** (len(part[1]) + 1))
    for unit, words in _SINCE_1970.items():
        if counted(unit).since:
            table.guesses.append(f"times are {words} since 1970")
            return counted(unit)
    if low > _EXCEL_EPOCH_DAYS and high < 80_000 and high - low < 60 and (values % 1 != 0).any():
        table.guesses.append("times are a spreadsheet's days since 1900")
        return counted("days")
    what = "has times as numbers and doesn't say their unit; name it with"
    ways = ["days"] * (low >= 0 and high < 2 and bool((values % 1).any())) + ["s", "min", "h", "ms"]
    # A row takes more than a millisecond.
    likely = [unit for unit in ways if (high - low) * _UNITS_S[unit] > 1e-3 * len(values)] or ways
    hints = (Hint("time_unit", unit) for unit in likely)
    raise table.refuse(what, *hints, column=table.time[0], code="time-unit")
