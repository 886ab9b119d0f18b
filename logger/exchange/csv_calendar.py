"""Dates and times whose parts stand in columns of their own: year, month, day, hour, minute. Pure."""

from __future__ import annotations

import itertools
import re
from typing import Final

from logger.exchange.csv_table import Table

_PARTS: Final = {
    "year": r"year|yr|y|yyyy|jahr|année|annee|año|ano",
    "month": r"month|mon|mo|mm|m|monat|mois|mes",
    "day": r"day|dd|d|tag|jour|día|dia",
    "hour": r"hour|hours|hr|hh|h|stunde|std|heure|hora",
    "minute": r"minute|minutes|min|mi|mn|mm|m|nn",
    "second": r"second|seconds|sec|ss|s|sek|sekunde",
    "day of the year": r"day|doy|day ?of ?(the ?)?year|yearday|jday|julian( ?day)?",
    "digits": r"hour ?min(ute)?|hr ?min|hhmm|time|hourmin",
}
_ORDERS: Final = (
    ("year", "month", "day", "hour", "minute", "second"),
    ("day", "month", "year", "hour", "minute", "second"),
    ("month", "day", "year", "hour", "minute", "second"),
    ("year", "day of the year", "digits"),
    ("hour", "minute", "second"),
    ("minute", "second"),
)
_USUAL: Final = ("year", "month", "day", "hour", "minute", "second")
_LIMITS: Final = ((1990, 2100), (1, 12), (1, 31), (0, 23), (0, 59), (0, 59))


def parts_of_dates(table: Table) -> list[int]:
    """Find the columns of year, month, day, hour, minute and perhaps second by their names.

    They come in that order; or as year, day of the year, and hour and minute in one number; or as (hour,)
    minute and second; or there are none.
    """
    names = [re.sub(r"[_. -]+", " ", name).strip().casefold() for name in table.header]
    exact = {name.rstrip("s"): i for i, name in reversed(list(enumerate(names)))}
    calendar = [exact[part] for part in _USUAL if part in exact]
    if len(calendar) >= 5 and len(calendar) == len(list(itertools.takewhile(exact.__contains__, _USUAL))):
        return calendar
    for order in _ORDERS:
        for start in range(len(names)):
            run = list(
                itertools.takewhile(
                    lambda pair: re.fullmatch(_PARTS[pair[0]], pair[1]) is not None,
                    zip(order, names[start : start + len(order)], strict=False),
                )
            )
            if len(run) < min(5, len(order)):
                continue
            if "year" in order and not _are_years(table, start + order.index("year")):
                continue
            if len(order) < 4:
                return list(range(start, start + len(order)))
            place = {part: start + i for i, (part, _) in enumerate(run)}
            return [place[part] for part in _USUAL if part in place]
    return []


def parts_without_names(table: Table) -> list[int]:
    """Find such columns in a file without a header by what stands in them; say so in the table's guesses."""
    if table.header_row is not None or len(table.head) < 2:
        return []
    rows = [[_whole(cell) for cell in row] for _, row in table.head]
    for start in (0, 1):
        if len(table.headers) > start + 6 and _within(rows, start, _LIMITS):
            table.guesses.append("year, month, day, hour, minute and second stand in columns of their own")
            return list(range(start, start + 6))
        of_the_year = (_LIMITS[0], (1, 366), (0, 2400))
        if len(table.headers) > start + 3 and _within(rows, start, of_the_year) and _go_on(rows, start + 2):
            table.guesses.append("the year, its day, and hour and minute stand in columns of their own")
            return list(range(start, start + 3))
    return []


def _whole(cell: str) -> int:
    text = cell.strip().removesuffix(".0")
    return int(text) if text.isdecimal() and len(text) < 6 else -1


def _within(rows: list[list[int]], start: int, limits: tuple[tuple[int, int], ...]) -> bool:
    return all(low <= row[start + i] <= high for row in rows for i, (low, high) in enumerate(limits))


def _go_on(rows: list[list[int]], column: int) -> bool:
    """Say whether a column is a clock's: 2104 is one, 2160 none; and it goes on."""
    clock = [row[column] for row in rows]
    return all(value % 100 < 60 for value in clock) and len(set(clock)) > len(clock) // 2


def _are_years(table: Table, column: int) -> bool:
    return all(1990 <= _whole(row[column]) <= 2100 for _, row in table.head)
