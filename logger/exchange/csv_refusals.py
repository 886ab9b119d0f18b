"""Tables that hold no readings with times of their own, refused in words that help. Pure."""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence
from typing import Final

from logger.exchange.csv_dates import TimeKind, kind_of
from logger.exchange.csv_numbers import as_number, is_number
from logger.exchange.csv_table import CsvError, Hint, Table, shown
from logger.exchange.csv_text import Row
from logger.exchange.csv_words import INDEX, is_time_word, why_no_time

_NO_TIMES: Final = (
    (
        re.compile(
            r"(?:(?:19|20)\d\d[-/.]\d{1,2}|\d{1,2}[-/.](?:19|20)\d\d|[^\W\d_]{3,9}\.?[- ](?:\d\d){1,2})$"
        ),
        "a month without a day",
        "Write it as 2025-11-27 14:00:10",
    ),
    (
        re.compile(r"[^\W\d_]{3,4}\.? +\d{1,2} +\d{1,2}:\d\d|\d{1,2}[. -]+[^\W\d_]{3,4}\.?,? +\d{1,2}:\d\d"),
        "a date without a year",
        "Write the year before it, as 2025-11-27 14:00:10",
    ),
    (
        re.compile(r"0x[0-9a-f]+$", re.I),
        "a number to the base of 16",
        "Write it as 2025-11-27 14:00:10, or as seconds",
    ),
)
_PART_OF_DATE: Final = re.compile(
    r"year|yr|yyyy|jahr|ann[ée]e|a[ñn]o|month|monat|mois|mes|maand|mese|day|tag|jour|d[ií]a", re.I
)
_INTERVAL: Final = re.compile(
    r"(?<![a-z])(?:(?:sampl\w*|log\w*|scan|record\w*) ?)?(?:interval|rate|period|intervall|messrate|takt)\b",
    re.I,
)


def trimmed(row: Sequence[str]) -> list[str]:
    """Strip a row's cells, and leave out the empty ones at its end."""
    cells = [cell.strip() for cell in row]
    while cells and not cells[-1]:
        cells.pop()
    return cells


def is_beside(row: Sequence[str], names: Sequence[str]) -> bool:
    """Say whether a row among readings is none: a remark, or the header (in lower case) again."""
    again = bool(names) and [text.casefold() for cell in row if (text := cell.strip())] == names
    return again or is_remark(row)


def is_remark(row: Sequence[str]) -> bool:
    """Say whether a row begins with the sign of a remark."""
    return row[0].startswith(("#", ";", "//"))


def all_cells(table: Table, column: int, pattern: re.Pattern[str]) -> bool:
    """Say whether a column's cells, as far as they are seen and not empty, are all of one form."""
    cells = table.cells(column)
    return bool(cells) and all(pattern.fullmatch(cell) for cell in cells)


def refuse_split_decimals(table: Table, named: int) -> None:
    """Refuse numbers with decimal commas between columns with commas: 21,5,22,0 under two names."""
    rows = [trimmed(row) for _, row in table.head]
    wide = {len(row) for row in rows}
    width = len(table.headers)
    if table.delimiter != "," or len(wide) > 1 or not 2 * named - 1 <= width <= 2 * named or named < 2:
        return
    if all(cell.isdecimal() for row in rows for cell in row[width - 2 * (named - 1) :: 2][1:]) and all(
        re.fullmatch(r"[+\-]?\d+", cell) for row in rows for cell in row[1:]
    ):
        what = (
            f"{width} numbers under {named} names: decimal commas, and commas between the columns too. "
            "Export it again with ; between the columns, or with decimal points"
        )
        raise table.refuse(what, row=table.head[0][0], code="width")


def refuse_otherwise(rows: Sequence[Row], name: str) -> None:
    """Refuse what is no table of readings in words of its own, where it is plain what it is."""
    first = trimmed(rows[0][1])
    begins = [row[0].strip() for _, row in rows if len(trimmed(row)) > 1]
    for pattern, what, fix in _NO_TIMES:
        found = [cell for cell in begins if pattern.match(cell)]
        if len(found) > 1 and 2 * len(found) >= len(begins):
            raise CsvError(
                f"{shown(found[0])} is {what}; a firing needs date and time of each reading. {fix}, "
                "or if another column has it, name it with",
                Hint("time"),
                file=name,
                row=next(number for number, row in rows if row[0].strip() == found[0]),
                code="no-clock",
            )
    if sum(1 for _, row in rows if re.match(r"insert\s+into\s", " ".join(row), re.I)) > len(rows) // 2:
        what = "is SQL, no table: let the database write the rows as CSV, and import that"
        raise CsvError(what, file=name, code="no-table")
    if len(rows) == 1 and len(first) > 1 and not any(is_number(cell) for cell in first):
        raise CsvError("a header, but no readings below it", file=name, code="no-readings")
    refuse_turned(rows, name)


def refuse_turned(rows: Sequence[Row], name: str, *kinds: TimeKind) -> None:
    """Refuse a table with a column for each time."""
    first = trimmed(rows[0][1])
    times = [kind_of(cell) for cell in first[1:]]
    in_one_row = len(times) > 3 and None not in times and set(times) <= set(kinds or times)
    if in_one_row and len({len(trimmed(row)) for _, row in rows}) == 1:
        what = (
            "the times stand in the first row: swap rows and columns (in a spreadsheet: transpose) "
            "and save it again"
        )
        raise CsvError(what, file=name, code="turned")


def refuse_without_times(table: Table, kinds: Sequence[TimeKind | None]) -> None:
    """Refuse a file that numbers its rows and says no times."""
    if set(kinds) - {"number", None}:
        return
    count = next((header for header in table.headers if INDEX.fullmatch(header)), None)
    if count is not None:
        what = f"no column has times; {shown(count)} numbers the rows. If they are 10 s apart say"
        raise table.refuse(what, Hint("time", count, "--time-unit 10s (or 0.5s, 1min)"), code="no-times")
    what = "no column has times: add one that counts the seconds from the first row, in a spreadsheet;"
    raise table.refuse(what, Hint("time", None, "if one has times all the same"), code="no-times")


def refuse_no_clock(table: Table, column: int, above: Sequence[str], below: str) -> None:
    """Refuse numbers that are a year or a month, or that were taken for the time only for want of one."""
    header = table.headers[column]
    if _PART_OF_DATE.fullmatch(header):
        what = (
            "says only the year, month or day: a firing needs the time of each reading. Write it as "
            "2025-11-27 14:00:10, or if another column has the time of day, name date and time with"
        )
        raise table.refuse(what, Hint("time"), column=column, code="no-clock")
    if is_time_word(header):
        return
    why = why_no_time(header, below)
    if why is None and len(header) < 3:
        return
    cells = (as_number(row[column], table.decimal) for _, row in table.head)
    values = [value for value in cells if value is not None]
    steps = [b - a for a, b in itertools.pairwise(values)]
    if not steps or min(values) > 9e8:
        return
    middle = sorted(steps)[len(steps) // 2]
    least = 0.5 if table.header_row is not None else 0.9  # a logger that names nothing goes on to the beat
    uneven = sum(1 for step in steps if not least * middle <= step <= (2 - least) * middle)
    interval = next((cell.strip() for cell in above if _INTERVAL.search(cell)), None)
    back = sum(1 for step in steps if step <= 0)
    if why is None and (middle <= 0 or 4 * back > len(steps) or 3 * uneven > len(steps)):
        why = "does not go on evenly"
    if why is not None or interval is not None:
        said = f" (the file's head says {shown(interval)})" if interval else ""
        add = f"{shown(header)} {why}. Add a column" if interval is None else "add one"
        what = (
            f"no column has times{said}: {add} that counts the seconds from the first row, in a spreadsheet;"
        )
        raise table.refuse(what, Hint("time", None, "if one has times all the same"), code="no-times")


def refuse_dates_run_together(table: Table, column: int) -> None:
    """Refuse 271125: day, month or year may come first."""
    if all_cells(table, column, re.compile(r"\d{5,6}")):
        number, cells = table.head[0]
        what = f"{shown(cells[column])} may begin with the day, the month or the year; "
        what += "write the dates as 2025-11-27"
        elsewhere = Hint("time", None, "if the time is in another column")
        raise table.refuse(what, elsewhere, row=number, column=column, code="day-or-month")
