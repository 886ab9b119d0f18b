"""The layout of a CSV file's table: header, rows of units, the time, the columns of temperatures."""

from __future__ import annotations

import itertools
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final

from logger.exchange import csv_words
from logger.exchange.csv_calendar import find_time
from logger.exchange.csv_cells import MAX_CELL, TimeKind, is_number, is_value, kind_of
from logger.exchange.csv_columns import find_temperatures, take_all
from logger.exchange.csv_table import CsvError, CsvOptions, Hint, Table, shown
from logger.exchange.csv_text import HEAD_LINES, Row, Text, open_text

_GARBLED: Final = re.compile(r"[\x80-\x9f]|[^\x00-\x7f]{3}|[A-Za-z][£¥¹¼¾¿]|[À-ÿ][³±]")
"""In Latin-1: not letters, signs within words, or more accented letters in a row than any word has."""
_EPOCH: Final = re.compile(r"1\d{9}(?:\.\d+)?|1\d{12}|1\d{15}|1\d{18}")
"""Seconds, or thousandths, millionths or billionths of them, since 1970."""
_AFTER: Final = re.compile(r"(?<=\d)(?:e[+\-]?\d{1,3}|\s*[°º]?\s?[CFK℃℉]|\s?[°º])$", re.I)
"""What may follow a number: its exponent, or its unit."""
_WITH_COMMA: Final = re.compile(r"[+\-−]?\d+,\d+")
_WITH_POINT: Final = re.compile(r"[+\-−]?(?:\d+|(\d{1,3}(?:,\d{3})+))\.\d+")
_NO_READINGS: Final = "a header, but no readings below it"
_SIGNS: Final = ("#", "%", "//", "!")
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
        "Put the year in front, as in 2025-11-27 14:00:10",
    ),
    (
        re.compile(r"0x[0-9a-f]+$", re.I),
        "a hexadecimal number",
        "Write it as 2025-11-27 14:00:10, or as seconds",
    ),
)


def read_table(path: Path, options: CsvOptions, named: frozenset[str] = frozenset()) -> tuple[Text, Table]:
    """Find the table in a file; CsvError: nothing in it could be a table of times and temperatures.

    Columns `named` by a plan, in lower case, are temperatures whatever they look like.
    """
    text = open_text(path, options)
    rows = list(itertools.islice(text.rows(options), HEAD_LINES))
    if text.delimiter in (" ", "  "):  # `# time T1 T2`: a header, not a remark
        rows = [(n, row[1:] if len(row) > 2 and row[0].strip() in _SIGNS else row) for n, row in rows]
    if not rows:
        raise CsvError("the file is empty", file=path.name, code="empty")
    if text.own:
        return text, _own_table(text, rows, options)
    first, header, units_row = _find_header(rows, path.name, options)
    names = [cell.casefold() for cell in trimmed(rows[header][1]) if cell] if header is not None else []
    data = [row for row in rows[first:] if not is_beside(row[1], names)] or rows[first:]
    width = Counter(len(trimmed(row)) for _, row in data).most_common(1)[0][0]
    width = max(width, len(trimmed(rows[header][1])) if header is not None else 0, 1)
    cells = [row[:width] + [""] * (width - len(row)) for _, row in data]
    guesses = list(text.guesses)
    raw_header = [cell.strip() for cell in rows[header][1]] if header is not None else []
    if _begins_unnamed(raw_header, cells):
        raw_header.insert(0, "")
    if header:
        raw_header = _with_groups(raw_header, rows[header - 1][1])
    table = Table(
        path=path,
        delimiter=text.delimiter,
        decimal=".",
        header_row=rows[header][0] if header is not None else None,
        header=raw_header,
        first_row=data[0][0],
        head=[(number, row) for (number, _), row in zip(data, cells, strict=True)],
        headers=_headers((raw_header + [""] * width)[:width], guesses),
        guesses=guesses,
    )
    if text.encoding == "latin-1" and _GARBLED.search(" ".join(raw_header)):
        guesses.append(
            "names look garbled: give the right --encoding (cp1250, cp1251, shift_jis, gb18030, big5)"
        )
    if header is None:
        guesses.append("no header: columns are named by their numbers")
    table.decimal = _find_decimal(table, options)
    if header is not None:
        _refuse_split_decimals(table, len(trimmed(rows[header][1])))
    above = [cell for _, row in rows[: header or 0] for cell in row]
    find_time(table, units_row, above, options)
    if table.numbered:
        units_row.insert(0, "")
        table.header.insert(0, "row")
    for (_, before), (_, row) in itertools.pairwise(table.head):
        if len(table.time) > 1 and not row[table.time[0]].strip():
            row[table.time[0]] = before[table.time[0]]  # a date that is only given where a day begins
    find_temperatures(table, units_row, above, options, named)
    return text, table


def _own_table(text: Text, rows: Sequence[Row], options: CsvOptions) -> Table:
    """Describe a table that this program has written: seconds, then a column for each probe."""
    (number, header), *data = rows
    if not data:
        raise CsvError(_NO_READINGS, file=text.path.name, code="no-readings")
    guesses = list(text.guesses)
    headers = [header[0], *_headers(header[1:], guesses, at=2)]  # a probe may be called time_s
    table = Table(text.path, ",", ".", number, header, data[0][0], data, headers, time=[0], own=True)
    table.guesses = guesses
    take_all(table, options)
    return table


def trimmed(row: Sequence[str]) -> list[str]:
    """Strip a row's cells, and drop empty ones at its end."""
    cells = [cell.strip() for cell in row]
    while cells and not cells[-1]:
        cells.pop()
    return cells


def is_beside(row: Sequence[str], names: Sequence[str]) -> bool:
    """Whether a row isn't a reading: a remark, or the header (in lower case) again."""
    may_be = bool(names) and row[0].strip().casefold() in ("", names[0])  # rare: the rest costs time
    again = may_be and [text.casefold() for cell in row if (text := cell.strip())] == names
    return again or is_remark(row)


def is_remark(row: Sequence[str]) -> bool:
    """Whether a row begins like a remark."""
    return row[0].startswith(("#", ";", "//"))


def _begins_unnamed(header: Sequence[str], rows: Sequence[Sequence[str]]) -> bool:
    """Whether a header is one cell short, with no name for row numbers or times in the first column."""
    firsts = [row[0].strip().strip('"') for row in rows]
    counted = firsts in ([str(i) for i in range(start, start + len(firsts))] for start in (0, 1))
    short = len(header) == len(rows[0]) - 1 and any(header)
    return short and (counted or (kind_of(firsts[0]) == "datetime" and not csv_words.is_time_word(header[0])))


# --- the header ---------------------------------------------------------------------------------------------


def _find_header(rows: Sequence[Row], name: str, options: CsvOptions) -> tuple[int, int | None, list[str]]:
    """Find the first row of data, the row of names above it if any, and the row of units."""
    kinds = [_data_kind(row, options) for _, row in rows]
    if options.skip is not None:
        return _below(rows, kinds, name, options.skip)
    _refuse_turned(rows, name, "datetime", "date", "clock")
    likely = [i for i, kind in enumerate(kinds) if kind]
    first = next((i for i in likely if _goes_on(rows, kinds, i)), next(iter(likely), None))
    if first is None:
        _refuse_otherwise(rows, name)
        text = " ".join(rows[-1][1])
        raise CsvError(
            "no row begins with a time, its whole date or seconds, and a number, as in "
            f"2025-11-27 14:00:10,20.5 (row {rows[-1][0]} is {shown(text)}); "
            "if this is a table of readings, say",
            Hint("time", None, "with the name or number of the time column"),
            Hint("skip", None, "with the number of lines above the header"),
            file=name,
            code="no-table",
        )
    first = _first_row(rows, kinds, first, 0)
    units: list[str] = []
    width = len(trimmed(rows[first][1]))
    above = [
        i
        for i in range(first)
        if len(trimmed(rows[i][1])) > 1 or (i == first - 1 and (len(rows[i][1]) > 1 or width == 1))
    ]
    above = _above_types(rows, above)
    last = rows[above[-1]][1] if above else []
    only_units = csv_words.is_units_row(last) and (
        len(above) > 1 or any(csv_words.unit_cell(cell)[0] for cell in last[1:])
    )
    if only_units or (len(above) > 1 and csv_words.is_units_below(last, rows[above[-2]][1])):
        units = rows[above.pop()][1]
    above = _above_types(rows, above)
    if not above or (len(trimmed(rows[above[-1]][1])) < 2 and width > 1):
        return first, None, units
    header = above[-1]
    if (
        not units
        and header
        and csv_words.is_units_row(rows[header - 1][1])
        and len(rows[header - 1][1]) >= width - 1
    ):
        units = rows[header - 1][1]
    return first, header, units


def _above_types(rows: Sequence[Row], above: list[int]) -> list[int]:
    """Skip rows above that say how columns were sampled, or their probes' types."""
    while len(above) > 1 and csv_words.is_row_of_types(rows[above[-1]][1]):
        above = above[:-1]
    return above


def _below(
    rows: Sequence[Row], kinds: Sequence[str], name: str, skip: int
) -> tuple[int, int | None, list[str]]:
    """Take the first row after `skip` lines for the names; see `_find_header`."""
    header = next((i for i, (number, _) in enumerate(rows) if number > skip), len(rows))
    first = next((i for i in range(header + 1, len(rows)) if kinds[i]), None)
    if first is None:
        what, ways = f"no readings below line {skip + 1}; give another", [Hint("skip")]
        ways.append(Hint("time", None, "with the time column"))
        raise CsvError(what, *ways, file=name, code="no-readings")
    near = [row for _, row in (*rows[header + 1 : first], *rows[:header][-1:]) if csv_words.is_units_row(row)]
    names = rows[header][1]
    if not near and csv_words.is_units_row(names) and any(csv_words.unit_cell(cell)[0] for cell in names[1:]):
        near = [names]
    return _first_row(rows, kinds, first, header + 1), header, near[0] if near else []


def _goes_on(rows: Sequence[Row], kinds: Sequence[str], i: int) -> bool:
    """Whether data continues below a row: one title line may look like data, two alike seldom do."""
    later = range(i + 1, min(i + 3, len(rows)))
    return not later or any(kinds[j] == kinds[i] and len(rows[j][1]) == len(rows[i][1]) for j in later)


def _first_row(rows: Sequence[Row], kinds: Sequence[str], first: int, lowest: int) -> int:
    """Include rows above that also begin with a time, whatever follows: no reading yet, or one to refuse."""
    width, kind = len(rows[first][1]), kind_of(rows[first][1][0])
    while first > lowest and len(above := rows[first - 1][1]) > 1:
        readings = sum(1 for cell in above[1:] if re.fullmatch(r"[+\-]?\d+[.,]\d+", cell.strip()))
        counted = len(above) == width and 2 * readings >= width - 1 and re.search(r"\d", above[0])
        # Spreadsheets write midnight as the date alone.
        midnight = kind == "datetime" and len(above) == width and kinds[first - 1] == "date"
        if not counted and not midnight and not kind_of(above[0]) == kind is not None:
            break
        first -= 1
    return first


def _data_kind(row: Sequence[str], options: CsvOptions) -> str:
    """Say how a row of data begins; empty if it isn't one."""
    cells = [cell.strip() for cell in row]
    filled = [cell for cell in cells if cell]
    if options.counts_rows and filled and all(is_value(cell) for cell in filled):
        return "number" if any(is_number(cell) for cell in filled) else ""
    kinds = [kind_of(cell) for cell in cells[:8]]
    timed = any(kind in ("datetime", "date", "clock") for kind in kinds)
    timed = timed or any(_EPOCH.fullmatch(cell) for cell in cells[:8])
    values = [cell for cell in filled if is_value(cell)]
    mostly = 2 * len(values) >= len(filled)
    if cells[0] and kinds[0] is None and cells[0].lower() not in csv_words.NO_READING:
        # Text first: an ID, if a time that is more than a number follows, or the time column is named.
        return "text" if (timed or options.time) and mostly and len(values) > 1 else ""
    if not cells[0] and not timed:
        return ""
    if kinds[0] == "datetime" and len(values) > 1:
        return "datetime"  # with words for probe, quantity, unit and quality
    numbers = (
        any(c.isdigit() for c in "".join(v for v in values if v != cells[0])) or values[1:] == values[:1]
    )
    return (kinds[0] or "empty") if mostly and numbers else ""


def _with_groups(header: list[str], above: Sequence[str]) -> list[str]:
    """Prefix repeated names with what a row above says for groups of columns: Stack A, Stack B."""
    again = {name for name in header if name and header.count(name) > 1}
    groups = [cell.strip() for cell in above]
    if sum(map(bool, groups)) >= len(header) - 1:
        return header
    wide = itertools.chain(groups, itertools.repeat(""))
    filled: Iterator[str] = itertools.accumulate(wide, lambda last, group: group or last)
    return [
        f"{group} {name}" if name in again and group else name
        for group, name in zip(filled, header, strict=False)
    ]


def _headers(row: Sequence[str], guesses: list[str], at: int = 1) -> list[str]:
    """Name columns by their header, each differently; those without one by their number, from `at`."""
    headers = [" ".join(cell[:MAX_CELL].split()) for cell in row]
    count: Counter[str] = Counter()
    used: set[str] = set()
    for i, header in enumerate(headers):
        new = header or f"column {at + i}"
        folded = new.casefold()
        if folded in used:
            while (new := f"{header or folded} {count[folded] + 2}").casefold() in used:
                count[folded] += 1
            if len(guesses) < 12:
                guesses.append(f"two columns are called {shown(header)}: the second becomes {shown(new)}")
        used.add(new.casefold())
        headers[i] = new
    return headers


# --- the decimal mark ---------------------------------------------------------------------------------------


def _find_decimal(table: Table, options: CsvOptions) -> str:
    """Find a table's decimal mark, point or comma; CsvError: it could be either, as in 1,234 alone."""
    if options.decimal is not None:
        if options.decimal not in (".", ","):
            raise table.refuse(f"--decimal {options.decimal!r}: must be '.' or ','", code="decimal")
        return options.decimal
    cells = [(n, j, _AFTER.sub("", cell.strip())) for n, row in table.head for j, cell in enumerate(row)]
    commas = [place for place in cells if _WITH_COMMA.fullmatch(place[2])]
    points = [match for *_, cell in cells if (match := _WITH_POINT.fullmatch(cell))]
    grouped = any(re.fullmatch(r"[+\-−]?\d{1,3}(?:\.\d{3})+,\d+", cell) for *_, cell in cells)
    if not (commas or grouped):
        return "."
    if not grouped and not points and all(re.fullmatch(r"[+\-−]?[1-9]\d{0,2},\d{3}", c) for *_, c in commas):
        columns = {j for _, j, _ in commas}
        whole = {j for _, j, cell in cells if re.fullmatch(r"\d{1,3}", cell) and cell != "0"}
        if columns <= whole:  # 950 is in the same column: 950, 975, 1,000
            table.guesses.append("commas separate thousands")
            return "."
        number, column, cell = commas[0]
        what = f"the comma in {shown(cell)} may separate thousands or decimals; say which with"
        thousands = Hint("decimal", ".", "if it separates thousands")
        decimals = Hint("decimal", ",", "if it is a decimal comma")
        raise table.refuse(what, thousands, decimals, row=number, column=column, code="decimal-or-thousands")
    if not grouped and (len(commas) <= len(points) or any(match[1] for match in points)):
        return "."
    table.guesses.append("numbers have a decimal comma")
    return ","


# --- no table -----------------------------------------------------------------------------------------------


def _refuse_split_decimals(table: Table, named: int) -> None:
    """Refuse decimal commas in columns separated by commas: 21,5,22,0 under two names."""
    rows = [trimmed(row) for _, row in table.head]
    wide = {len(row) for row in rows}
    width = len(table.headers)
    if table.delimiter != "," or len(wide) > 1 or not 2 * named - 1 <= width <= 2 * named or named < 2:
        return
    if all(cell.isdecimal() for row in rows for cell in row[width - 2 * (named - 1) :: 2][1:]) and all(
        re.fullmatch(r"[+\-]?\d+", cell) for row in rows for cell in row[1:]
    ):
        what = (
            f"{width} numbers under {named} names: decimal commas as well as commas between columns. "
            "Export it again with ; between the columns, or with decimal points"
        )
        raise table.refuse(what, row=table.head[0][0], code="width")


def _refuse_otherwise(rows: Sequence[Row], name: str) -> None:
    """Refuse something that clearly isn't a table of readings, and say what it is."""
    first = trimmed(rows[0][1])
    begins = [row[0].strip() for _, row in rows if len(trimmed(row)) > 1]
    for pattern, what, fix in _NO_TIMES:
        found = [cell for cell in begins if pattern.match(cell)]
        if len(found) > 1 and 2 * len(found) >= len(begins):
            raise CsvError(
                f"{shown(found[0])} is {what}; a firing needs the date and time of each reading. {fix}, "
                "or if another column has them, name it with",
                Hint("time"),
                file=name,
                row=next(number for number, row in rows if row[0].strip() == found[0]),
                code="no-clock",
            )
    if sum(1 for _, row in rows if re.match(r"insert\s+into\s", " ".join(row), re.I)) > len(rows) // 2:
        what = "is SQL, not a table: export the rows from the database as CSV, and import that"
        raise CsvError(what, file=name, code="no-table")
    if len(rows) == 1 and len(first) > 1 and not any(is_number(cell) for cell in first):
        raise CsvError(_NO_READINGS, file=name, code="no-readings")
    _refuse_turned(rows, name)


def _refuse_turned(rows: Sequence[Row], name: str, *kinds: TimeKind) -> None:
    """Refuse a table with one column per time."""
    first = trimmed(rows[0][1])
    times = [kind_of(cell) for cell in first[1:]]
    in_one_row = len(times) > 3 and None not in times and set(times) <= set(kinds or times)
    if in_one_row and len({len(trimmed(row)) for _, row in rows}) == 1:
        what = (
            "the times are in the first row: swap rows and columns (in a spreadsheet: transpose) "
            "and save it again"
        )
        raise CsvError(what, file=name, code="turned")
