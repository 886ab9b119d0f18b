"""Which columns have the time: one, date and time apart, or one for each part; and why none has. Pure."""

from __future__ import annotations

import itertools
import re
from collections import Counter
from collections.abc import Sequence
from typing import Final

import numpy as np

from logger.exchange import csv_cells, csv_words
from logger.exchange.csv_cells import TimeKind, kind_of, numbers_in
from logger.exchange.csv_table import (
    EVERY_ROW,
    CsvError,
    CsvOptions,
    Hint,
    Table,
    find_columns,
    listed,
    shown,
)

_PARTS: Final = {
    "year": r"year|yr|y|yyyy|jahr|année|annee|año|ano",
    "month": r"month|mon|mo|mm|m|monat|mois|mes|maand|mese",
    "day": r"day|dd|d|tag|jour|día|dia",
    "hour": r"hour|hours|hr|hh|h|stunde|std|heure|hora|uur",
    "minute": r"minute|minutes|min|mi|mn|mm|m|nn",
    "second": r"second|seconds|sec|ss|s|sek|sekunde",
    "day of the year": r"day|doy|day ?of ?(the ?)?year|yearday|jday|julian( ?day)?",
    "digits": r"hour ?min(ute)?|hr ?min|hhmm|time|hourmin",
}
_USUAL: Final = ("year", "month", "day", "hour", "minute", "second")
_ORDERS: Final = (
    _USUAL,
    ("day", "month", "year", "hour", "minute", "second"),
    ("month", "day", "year", "hour", "minute", "second"),
    ("year", "day of the year", "digits", "second"),
    ("year", "day of the year", "digits"),
    ("hour", "minute", "second"),
    ("minute", "second"),
)
_LIMITS: Final = ((1990, 2100), (1, 12), (1, 31), (0, 23), (0, 59), (0, 59))
_PART_OF_DATE: Final = re.compile(
    "|".join(word for part in _USUAL[:3] for word in _PARTS[part].split("|") if len(word) > 1), re.I
)
_DATE_WORD: Final = re.compile(r"(?<![a-z])(dat(e|um|o)|fecha)(?![a-z])", re.I)
_MILLIS: Final = re.compile(r"ms|msecs?|milli(tm|s(ec(ond)?s?)?)?", re.I)
_MICROS: Final = re.compile(r"us|µs|(tv_?)?usecs?|micros(econds?)?|microseconds?", re.I)
_UNIT_FOR_NAME: Final = re.compile(rf"{_MILLIS.pattern}|{_MICROS.pattern}|s|secs?", re.I)
_ZONE_WORD: Final = re.compile(r"(?:(?:utc|gmt|time|tz)?[ _]?(?:zone|off?set)|tz|utc|gmt)", re.I)
_MAY_BE_TIME: Final = re.compile(r"(?![a-gi-rA-GI-R]\d?$).{0,2}|secs?|msecs?|millis|micros|usecs?")
_INTERVAL: Final = re.compile(
    r"(?<![a-z])(?:(?:sampl\w*|log\w*|scan|record\w*) ?)?(?:interval|rate|period|intervall|messrate|takt)\b",
    re.I,
)
_LIKELY: Final = ("datetime", "date", "clock", "number")
_COUNTS: Final = "counts the seconds from the first row (in a spreadsheet), or name one that has times with"


def find_time(table: Table, units_row: Sequence[str], above: Sequence[str], options: CsvOptions) -> None:
    """Find a table's time column or columns, and what the file says about them; write both into the table.

    `above` are the cells above the header. CsvError: there is none, or it doesn't give the whole time.
    """
    below = [cell.strip()[: csv_cells.MAX_CELL] for cell in units_row] + [""] * len(table.headers)
    for wanted in options.time:
        found = find_columns(table.headers, wanted)
        if not found:
            what = f"no column {wanted!r} for the time; the columns are {listed(table.headers)}"
            raise table.refuse(what, code="no-column")
        table.time.append(found[0])
    if not options.time:
        try:
            table.time = _guess_time(table)
            number = len(table.time) == 1 and _kind_of_column(table, table.time[0]) == "number"
            if number:
                _refuse_no_clock(table, table.time[0], above, below[table.time[0]])
            counted = number and not _may_be_time(table.headers[table.time[0]])
        except CsvError as exc:
            if exc.code not in ("no-times", "no-time", "no-clock") or not options.counts_rows:
                raise
            counted = True
        if counted and options.counts_rows:
            table.number_rows()
            return
    _find_what_follows(table)
    _find_offset(table, [cell for i in table.time if (cell := below[i])], above)


def _find_what_follows(table: Table) -> None:
    """Find the columns of parts of a second, AM or PM, and the zone, which complete a time."""
    after = table.time[-1] + 1
    if after < len(table.headers):
        whole = re.compile(r".*:\d{1,2}:\d{1,2}" + r"|1\d{9}" * (table.decimal == "."))  # seconds
        for digits, name in ((3, _MILLIS), (6, _MICROS)) if _all_cells(table, table.time[-1], whole) else ():
            parts = name.fullmatch(table.headers[after]) and _all_cells(table, after, csv_cells.FRACTION)
            if parts and max(numbers_in(table, after)) < 10**digits:
                table.digits = digits
                table.time.append(after)
        if after not in table.time and _all_cells(table, after, csv_cells.HALF):
            table.time.append(after)
    dated = len(table.time) > 4 or _kind_of_column(table, table.time[0]) in ("datetime", "date")
    for i, header in enumerate(table.headers):
        if (
            dated
            and i not in table.time
            and _ZONE_WORD.fullmatch(header)
            and _all_cells(table, i, csv_cells.ZONE)
        ):
            table.time.append(i)
            return


def _find_offset(table: Table, below: Sequence[str], above: Sequence[str]) -> None:
    """Find the offset from UTC that units, names or lines above the header give the times."""
    table.time_hint = " ".join(below)
    names = (table.headers[i].replace("_", " ") for i in table.time)
    told = (csv_cells.offset_in(text) for text in (table.time_hint, *names))
    title = csv_cells.offset_in(" ".join(above)[:4000], bare=False)
    table.offset_us = next((offset for offset in told if offset is not None), title)


def _may_be_time(header: str) -> bool:
    return csv_words.is_time_word(header) or _MAY_BE_TIME.fullmatch(header) is not None


def _guess_time(table: Table) -> list[int]:
    kinds = [_kind_of_column(table, i) for i in range(len(table.headers))]
    words = [header.replace("_", " ") for header in table.headers]
    if calendar := _parts_of_dates(table) or _parts_without_names(table):
        return calendar

    def of_kind(kind: TimeKind) -> list[int]:
        return [i for i, k in enumerate(kinds) if k == kind]

    # Of two clocks, the one in UTC needs no zone.
    named = [i for i, header in enumerate(table.headers) if csv_words.is_time_word(header)]
    likely = sorted((not csv_cells.UTC_WORD.search(words[i]), i) for i in named)
    by_kind = [[i for _, i in likely if kinds[i] == kind] for kind in _LIKELY]
    if kinds[0] == "number" and _UNIT_FOR_NAME.fullmatch(table.headers[0]):
        by_kind[-1].insert(0, 0)
    named = [*itertools.chain(*by_kind)]
    second = csv_words.INDEX.fullmatch(table.headers[0]) and len(kinds) > 2 and kinds[1] == "number"
    first = [*named, *of_kind("datetime"), *of_kind("date"), *of_kind("clock"), 1 if second else 0][0]
    if kinds[first] == "number":
        first = [*of_kind("datetime"), first][0]  # if a file has dates, take the firing's date from there
    header, kind = table.headers[first], kinds[first]
    temperature = first not in named and (
        csv_words.unit_in(header)[1] or re.fullmatch(r"(t|tc|temp\w*) ?\d+", header, re.I)
    )
    number, cells = table.head[0]
    if kind is None or temperature:
        if not set(kinds) - {"number", None}:
            _refuse_without_times(table)
        what = f"{shown(cells[first])} isn't a time; name the time column with"
        raise table.refuse(what, Hint("time"), row=number, column=first, code="no-time")
    if kind == "clock":
        return [*of_kind("date")[:1], first]
    if kind == "date":
        first = next((i for i in of_kind("date") if _DATE_WORD.search(words[i])), first)
        digits = [i for i in (*named, *of_kind("date")) if i != first and not _DATE_WORD.search(words[i])]
        digits = [i for i in digits if _all_cells(table, i, csv_cells.HHMMSS)]
        clock = (of_kind("clock") or digits)[:1] or _parts_of_the_day(words, of_kind("number"))
        if not clock:
            what = "has dates, but no column has the time of day; name both with"
            raise table.refuse(what, Hint("time"), column=first, code="no-time")
        return [first, *clock]
    run_together = _DATE_WORD.search(words[first]) and _all_cells(table, first, re.compile(r"\d{5,6}"))
    if kind == "number" and run_together:
        what = f"{shown(cells[first])} may begin with the day, the month or the year; "
        what += "write the dates as 2025-11-27"
        elsewhere = Hint("time", None, "if the time is in another column")
        raise table.refuse(what, elsewhere, row=number, column=first, code="day-or-month")
    return [first]


def _kind_of_column(table: Table, column: int) -> TimeKind | None:
    cells = [cell for _, row in table.head[:40] if (cell := row[column].strip())]
    kinds = Counter(kind_of(cell) for cell in cells)
    if not kinds:
        return None
    kind, count = kinds.most_common(1)[0]
    if kind == "date" and kinds["datetime"]:
        return "datetime"  # spreadsheets write midnight as the date alone
    if kind == "number" and _DATE_WORD.search(table.headers[column]):
        return "date" if all(re.fullmatch(r"(19|20)\d{6}", cell) for cell in cells) else kind
    return kind if 2 * count >= len(cells) else None


def _all_cells(table: Table, column: int, pattern: re.Pattern[str]) -> bool:
    """Whether a column's cells in the first rows, empty ones aside, all have one form."""
    cells = table.cells(column)
    return bool(cells) and all(pattern.fullmatch(cell) for cell in cells)


# --- parts in separate columns ------------------------------------------------------------------------------


def _parts_of_dates(table: Table) -> list[int]:
    """Find columns of year, month, day, hour, minute and perhaps second by their names, in that order.

    Or year, day of the year, and hour and minute in one number; or (hour,) minute and second; or none.
    """
    names = [re.sub(r"[_. -]+", " ", name).strip().casefold() for name in table.header]
    for order, start in itertools.product(_ORDERS, range(len(names))):
        pairs = zip(order, names[start : start + len(order)], strict=False)
        run = list(itertools.takewhile(lambda pair: re.fullmatch(_PARTS[pair[0]], pair[1]), pairs))
        if len(run) < min(5, len(order)):
            continue
        if "year" in order and not _within(table, start + order.index("year"), _LIMITS[:1]):
            continue
        place = {part: start + i for i, (part, _) in enumerate(run)}
        wanted = order if "digits" in order or len(order) < 4 else _USUAL
        return [place[part] for part in wanted if part in place]
    return []


def _parts_without_names(table: Table) -> list[int]:
    """Find such columns in a file without a header by their numbers, and add that to the table's guesses."""
    if table.header_row is not None or len(table.head) < 2:
        return []
    for start in (0, 1):
        if len(table.headers) > start + 6 and _within(table, start, _LIMITS):
            table.guesses.append("year, month, day, hour, minute and second are in separate columns")
            return list(range(start, start + 6))
        if len(table.headers) > start + 3 and _within(table, start, (_LIMITS[0], (1, 366), (0, 2400))):
            clock = [_whole(row[start + 2]) for _, row in table.head]
            # 2104 is one, 2160 none; and it goes on
            if all(value % 100 < 60 for value in clock) and len(set(clock)) > len(clock) // 2:
                table.guesses.append("year, day of the year, and hour and minute are in separate columns")
                return list(range(start, start + 3))
    return []


def _parts_of_the_day(words: Sequence[str], numbers: Sequence[int]) -> list[int]:
    """Find the column of the hour as a number, and those of minute and second if there are any."""
    found = []
    for part in _USUAL[3:]:
        name = re.compile(rf"({_PARTS[part]})s?\.?( ?of ?(the )?(day|hour|minute))?", re.I)
        column = next((i for i in numbers if name.fullmatch(words[i].strip())), None)
        if column is None:
            break
        found.append(column)
    return found


def _whole(cell: str) -> int:
    text = cell.strip().removesuffix(".0")
    return int(text) if text.isdecimal() and len(text) < 6 else -1


def _within(table: Table, start: int, limits: Sequence[tuple[int, int]]) -> bool:
    columns = enumerate(limits, start)
    return all(low <= _whole(row[i]) <= high for i, (low, high) in columns for _, row in table.head)


# --- no times -----------------------------------------------------------------------------------------------


def _refuse_without_times(table: Table) -> None:
    """Refuse a file that has no times, even if it numbers its rows."""
    count = next((header for header in table.headers if csv_words.INDEX.fullmatch(header)), None)
    if count is not None:
        what = f"no column has times; {shown(count)} numbers the rows. If they are 10 s apart, say"
        raise table.refuse(what, Hint("time", count, "--time-unit 10s (or 0.5s, 1min)"), code="no-times")
    what = f"no column has times: add one that {_COUNTS}"
    raise table.refuse(what, EVERY_ROW, Hint("time"), code="no-times")


def _refuse_no_clock(table: Table, column: int, above: Sequence[str], below: str) -> None:
    """Refuse numbers that are a year or a month, or were taken as the time only for lack of one."""
    header = table.headers[column]
    if _PART_OF_DATE.fullmatch(header):
        what = (
            "has only the year, month or day: a firing needs the time of each reading. Write it as "
            "2025-11-27 14:00:10, or if another column has the time of day, name date and time with"
        )
        raise table.refuse(what, Hint("time"), column=column, code="no-clock")
    why = csv_words.why_no_time(header, below)
    values = numbers_in(table, column)
    steps = np.diff(values)
    if (why is None and _may_be_time(header)) or not len(steps) or min(values) > 9e8:
        return
    middle = sorted(steps)[len(steps) // 2]
    least = 0.5 if table.header_row is not None else 0.9  # a logger that names nothing keeps a steady beat
    uneven = np.count_nonzero(~((least * middle <= steps) & (steps <= (2 - least) * middle)))
    if why is None and (middle <= 0 or 3 * uneven > len(steps)):
        why = "doesn't rise evenly"
    at = next((i for i, cell in enumerate(above) if _INTERVAL.search(cell)), None)
    if at is not None:
        what = f"no column has times (the top of the file says {shown(above[at])}): add one that {_COUNTS}"
        step = re.search(
            r"(\d+(?:\.\d+)?)\s*(ms|s|min|h)(?:ec|ecs|econds?|s|utes?)?(?![a-z])",
            " ".join(above[at : at + 2]),
        )
        way = Hint("time_unit", step[1] + step[2], "if the rows are so far apart") if step else EVERY_ROW
    elif why is not None:
        what, way = f"no column has times: {shown(header)} {why}. Add a column that {_COUNTS}", EVERY_ROW
    else:
        return
    ways = [way] * (why is None or not why.startswith("is "))
    raise table.refuse(what, *ways, Hint("time"), code="no-times")
