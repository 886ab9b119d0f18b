"""Reads the times of a CSV file's rows. Pure but for the computer's own time zone and date."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from logger.exchange import csv_dates
from logger.exchange.csv_epochs import EXCEL_EPOCH_DAYS, UNITS_S, from_elsewhere, unit_of, unwrapped
from logger.exchange.csv_numbers import as_number
from logger.exchange.csv_table import CsvError, CsvOptions, Hint, Table, shown
from logger.reading import Floats, Ints

_FAR_S: Final = 9e9  # 285 years
_DAY_US: Final = 86_400_000_000


@dataclass(slots=True)
class Times:
    """When a file's rows were taken."""

    t_us: Ints  # UTC since 1970 if `absolute`, else from any beginning
    absolute: bool
    wall_us: Ints | None = None  # what the clock on the wall said, where nothing in the file says its zone


class TimeReader:
    """Reads a table's times, block by block."""

    def __init__(self, table: Table, options: CsvOptions) -> None:
        self._table, self._options = table, options
        cells = [
            text for _, row in table.head[:40] if (text := csv_dates.joined([row[i] for i in table.time]))
        ]
        kinds = [kind for cell in cells if (kind := csv_dates.kind_of(cell)) is not None]
        self.kind: csv_dates.TimeKind = max(dict.fromkeys(kinds), key=kinds.count, default="number")
        if self.kind == "date":
            self.kind = "datetime"  # midnight, as spreadsheets write it
        if table.own and table.headers[0] == "time_s":
            self.kind = "number"
        self._values: list[Floats] = []
        self._clocks: list[Ints] = []
        self._dates: dict[tuple[str | None, ...], int] = {}
        self._date_of: list[Ints] = []
        self._date_row: list[tuple[int, str]] = []
        self._zones: dict[str | None, tuple[int, int]] = {}  # number, first row
        self._zone_of: list[Ints] = []
        self._two_parts = self._three_parts = self._halves = False
        self._first_two_part = ""
        self._rows: Ints = np.zeros(0, np.int64)

    def add(self, rows: Sequence[int], cells: Sequence[str]) -> list[int]:
        """Read a block of times in the numbered rows; return where in the block is no time of this kind."""
        if self.kind == "number":
            return self._add_numbers(cells)
        clocks = np.zeros(len(cells), np.int64)
        dates, zones = np.zeros(len(cells), np.int64), np.zeros(len(cells), np.int64)
        bad: list[int] = []
        for i, cell in enumerate(cells):
            kind, match = csv_dates.matched(cell)
            fits = kind == self.kind or (kind == "date" and self.kind == "datetime")
            us = self._clock_us(match) if match is not None and fits else None
            if match is None or us is None:
                bad.append(i)
                continue
            clocks[i] = us
            if self.kind == "datetime":
                date = match.group(*csv_dates.DATE_PARTS)
                number = self._dates.get(date)
                if number is None:
                    number = self._dates[date] = len(self._dates)
                    self._date_row.append((rows[i], cell.strip()))
                dates[i] = number
                zone = match["zone"]
                zones[i] = self._zones.setdefault(zone, (len(self._zones), rows[i]))[0]
        self._clocks.append(clocks)
        self._date_of.append(dates)
        self._zone_of.append(zones)
        return bad

    def finish(self, rows: Ints) -> Times:
        """Say what the times of all numbered rows are; CsvError: they can mean two things."""
        self._rows = rows
        if self.kind == "number":
            return self._finish_numbers(np.concatenate(self._values))
        clocks = np.concatenate(self._clocks)
        self._clocks.clear()
        return self._finish_clocks(clocks) if self.kind == "clock" else self._finish_datetimes(clocks)

    # --- numbers ----------------------------------------------------------------------------------------

    def _add_numbers(self, cells: Sequence[str]) -> list[int]:
        if self._table.decimal == ".":
            try:
                values = np.array([float(cell) for cell in cells])
            except ValueError:
                values = np.full(len(cells), np.nan)
            if np.isfinite(values).all() and "_" not in "".join(cells):
                self._values.append(values)
                return []
        values = np.empty(len(cells))
        bad = []
        for i, cell in enumerate(cells):
            value = as_number(cell, self._table.decimal)
            if value is None:
                bad.append(i)
            values[i] = np.nan if value is None else value
        self._values.append(values)
        return bad

    def _finish_numbers(self, values: Floats) -> Times:
        table = self._table
        values, bits = unwrapped(values)
        if bits:
            table.notes.append(f"the time is a counter of {bits} bits that began again at 0: it goes on")
        if (since_1970 := from_elsewhere(table, values, self._options)) is not None:
            return self._absolute(np.rint(since_1970 * 1e6).astype(np.int64))
        unit, step, absolute = unit_of(table, values, self._options)
        far = np.abs(values * (UNITS_S[unit] * step)) > _FAR_S
        if far.any():
            i = int(np.argmax(far))
            if far.all():
                what = f"'{values[i]:.0f}' is too far off to be a time; if it is date and time in one, "
                elsewhere = Hint("time", None, "if the time is in another column")
                raise self._refused("far-time", None, f"{what}write them as 2025-11-27 14:00:10", elsewhere)
            raise self._far(f"'{values[i]:g}' is too far off to be a time", i)
        t_us = np.rint(values * (UNITS_S[unit] * step * 1e6)).astype(np.int64)
        if absolute:
            return self._absolute(t_us)
        if unit == "days" and values[0] > EXCEL_EPOCH_DAYS:
            # A day in a double is good to some microseconds; nobody's logger is that good.
            local = np.rint((values - EXCEL_EPOCH_DAYS) * 86_400_000).astype(np.int64) * 1000
            offset = csv_dates.offset_in(table.time_hint)
            return self._from_local(local) if offset is None else self._absolute(local - offset)
        return Times(t_us, absolute=False)

    # --- clocks without a date --------------------------------------------------------------------------

    def _clock_us(self, match: re.Match[str]) -> int | None:
        hour, minute, second = int(match["h"]), int(match["min"]), int(match["s"] or 0)
        half = (match["half"] or "").lower()
        days = match.groupdict().get("days")
        most = 12 if half else 24 if self.kind == "datetime" else 9999
        if (
            hour > most
            or (half and hour < 1)
            or minute > 59
            or second > 60
            or (hour == 24 and minute + second and most == 24)
        ):
            return None
        if half:
            hour = hour % 12 + (12 if half == "p" else 0)
            self._halves = True
        elif match["s"] is None:
            self._two_parts = True
            self._first_two_part = self._first_two_part or match[0]
        else:
            self._three_parts = True
        fraction = int((match["f"] or "0")[:6].ljust(6, "0"))
        us = int(days or 0) * _DAY_US + ((hour * 60 + minute) * 60 + second) * 1_000_000 + fraction
        return -us if match.groupdict().get("before") else us  # counted down to the beginning

    def _finish_clocks(self, t_us: Ints) -> Times:
        """Time of day, or time since the beginning; both count from the first row."""
        table, options = self._table, self._options
        if self._two_parts and not self._halves:
            unit = options.time_unit or self._two_part_unit(t_us)
            if unit not in ("mm:ss", "hh:mm"):
                what = f"--time-unit {unit!r}: for {self._first_two_part!r} it must be hh:mm or mm:ss"
                raise table.refuse(what, code="time-unit")
            if unit == "mm:ss" and not self._three_parts:
                t_us = t_us // 60
            elif unit == "mm:ss":  # 59:58, 59:59, 1:00:00
                jump = int(np.flatnonzero(np.diff(t_us) < 0)[0]) + 1 if (np.diff(t_us) < 0).any() else 0
                t_us = np.concatenate([t_us[:jump] // 60, t_us[jump:]])
        if options.order == "refuse":
            steps = np.diff(t_us)
            midnights = np.concatenate(([0], np.cumsum(steps < -_DAY_US // 2)))
            if midnights[-1]:
                table.guesses.append("the clock passes midnight")
                t_us = t_us + midnights * _DAY_US
            elif not self._halves and int(t_us.max(initial=0)) < 13 * 3_600_000_000:
                noons = np.concatenate(([0], np.cumsum(steps < -10 * 3_600_000_000)))
                if noons[-1]:
                    table.guesses.append("the clock counts to 12 and begins again")
                    t_us = t_us + noons * (_DAY_US // 2)
        return Times(t_us, absolute=False)

    def _two_part_unit(self, t_us: Ints) -> str:
        table = self._table
        header = f"{table.headers[table.time[0]]} {table.time_hint}".lower().replace(" ", "")
        if "mm:ss" in header:
            return "mm:ss"
        if "h:mm" in header:
            return "hh:mm"
        if self._three_parts:
            mixed = (np.diff(t_us) < 0).any() and t_us[0] < 3_600_000_000 * 60
            return "mm:ss" if mixed and int(np.count_nonzero(np.diff(t_us) < 0)) == 1 else "hh:mm"
        firsts = t_us // 3_600_000_000
        if firsts.max() > 23 and (np.diff(firsts) >= 0).all():
            table.guesses.append("times are minutes and seconds")
            return "mm:ss"
        what = f"{self._first_two_part!r} may be hours and minutes or minutes and seconds; say which with"
        raise table.refuse(
            what, Hint("time_unit", "hh:mm"), Hint("time_unit", "mm:ss"), code="hours-or-minutes"
        )

    # --- dates ------------------------------------------------------------------------------------------

    def _finish_datetimes(self, clocks: Ints) -> Times:
        order = self._order()
        days = np.empty(len(self._dates), np.int64)
        for i, (date, (row, cell)) in enumerate(zip(self._dates, self._date_row, strict=True)):
            try:
                days[i] = csv_dates.days_of(date, order)
            except ValueError as exc:
                ways = [_without(row)] * ("no month" not in str(exc))
                if date[4] is not None and self._options.day_first is not None:
                    ways = [Hint("day_first", order != "dmy")]
                raise self._refused("no-date", row, f"{shown(cell)} is no date: {exc}", *ways) from None
        years = (year for d in self._dates for year in (d[0], d[6], d[9], d[12]) if year)
        if any(int(year) in csv_dates.BUDDHIST for year in years):
            self._table.guesses.append("years are of the Buddhist calendar: 543 taken off")
        local = clocks
        local += days[np.concatenate(self._date_of)] * _DAY_US
        self._date_of.clear()
        said = set(self._zones) - {None}
        words = {zone for zone in said if zone and csv_dates.offset_us(zone) is None}
        if words and self._options.timezone is None:
            zone = min(words)
            what = f"{zone!r} is no zone that means the same everywhere; say the place with"
            place = Hint("timezone", None, "such as Europe/Vienna")
            raise self._refused("zone-word", self._zones[zone][1], what, place)
        said -= words
        if not said:
            offset = csv_dates.offset_in(self._table.time_hint) if self._options.timezone is None else None
            if offset is not None:
                self._table.guesses.append(f"times are {csv_dates.offset_words(offset)}")
                return self._absolute(local - offset)
            return self._from_local(local)
        if None in self._zones:
            row = self._zones[None][1]
            what = "this time has no zone, though others have one;"
            raise self._refused("no-zone", row, what, _without(row))
        offsets = np.array([csv_dates.offset_us(zone or "") or 0 for zone in self._zones], np.int64)
        return self._absolute(local - offsets[np.concatenate(self._zone_of)])

    def _order(self) -> csv_dates.Order:
        """Say in what order day, month and year stand, where all are numbers of two digits."""
        a, yy = (csv_dates.DATE_PARTS.index(name) for name in ("a", "yy"))
        dates = [d for d in self._dates if d[a] is not None]
        by_year = [days for d in dates if (days := _days(d, "ymd")) is not None]
        short = dates and all(len(d[yy] or "") == 2 for d in dates)
        if short and self._options.day_first is None and len(by_year) == len(dates):
            tomorrow = (datetime.now(UTC) - datetime(1970, 1, 1, tzinfo=UTC)).days + 1
            others = [days for d in dates for days in (_days(d, "dmy"), _days(d, "mdy")) if days is not None]
            if others and min(others) > tomorrow >= max(by_year):
                self._table.guesses.append("dates have the year first: else they would be still to come")
                return "ymd"
        return "dmy" if self._day_first() else "mdy"

    def _day_first(self) -> bool:
        a, b, sep = (csv_dates.DATE_PARTS.index(name) for name in ("a", "b", "sep"))
        pairs = [(int(d[a] or 0), int(d[b] or 0), d[sep], d) for d in self._dates if d[a] is not None]
        if not pairs or self._options.day_first is not None:
            return bool(self._options.day_first)
        if any(first > 12 for first, *_ in pairs):
            return True
        if any(second > 12 for _, second, *_ in pairs) or all(first == second for first, second, *_ in pairs):
            return False
        if all(sign == "." for *_, sign, _ in pairs):
            self._table.guesses.append("dates with points have the day first")
            return True
        row, cell = self._date_row[list(self._dates).index(pairs[0][3])]
        what = f"{cell.split()[0]!r} may be the day or the month first; say which with"
        raise self._refused("day-or-month", row, what, Hint("day_first", True), Hint("day_first", False))

    def _from_local(self, local_us: Ints) -> Times:
        """Turn the readings of a clock on the wall into UTC."""
        zone: tzinfo | None = None
        name = self._options.timezone
        if name is not None:
            offset = csv_dates.offset_us(name)
            try:
                zone = ZoneInfo(name) if offset is None else timezone(timedelta(microseconds=offset))
            except (KeyError, ValueError, OSError) as exc:
                what = f"no such time zone as {name!r}; give one such as Europe/Vienna, UTC or UTC+1"
                raise self._table.refuse(what, code="timezone") from exc
        else:
            self._table.guesses.append("times are of this computer's time zone")
        utc = local_us - csv_dates.zone_offsets_us(local_us, zone)
        if name is None and (np.diff(local_us) > 0).all() and (np.diff(utc) <= 0).any():
            # A clock that knows of no summer time.
            utc = local_us - csv_dates.zone_offsets_us(local_us[:1], zone)[0]
        return Times(self._absolute(utc).t_us, absolute=True, wall_us=local_us)

    def _absolute(self, t_us: Ints) -> Times:
        far = (t_us < 0) | (t_us > 7_300_000_000_000_000)
        if far.any():
            raise self._far("not between the years 1970 and 2200", int(np.argmax(far)))
        return Times(t_us, absolute=True)

    def _far(self, what: str, i: int) -> CsvError:
        row = int(self._rows[i])
        unit = [Hint("time_unit", None, "if the unit is another")] * (self.kind == "number")
        return self._refused("far-time", row, what, _without(row), *unit)

    def _refused(self, code: str, row: int | None, what: str, *hints: Hint) -> CsvError:
        return self._table.refuse(what, *hints, row=row, column=self._table.time[0], code=code)


def _without(row: int) -> Hint:
    return Hint("skip_rows", str(row), "leaves that row out")


def _days(date: tuple[str | None, ...], order: csv_dates.Order) -> int | None:
    try:
        return csv_dates.days_of(date, order)
    except ValueError:
        return None
