"""What a CSV file looks like: encoding, separator, header, columns and their units. Pure."""

from __future__ import annotations

import csv
import io
import itertools
import re
from collections import Counter
from collections.abc import Sequence
from typing import Final

from logger.exchange.csv_table import CsvError, CsvOptions, Table, Unit
from logger.exchange.csv_time import kind_of

OWN_TIME: Final = ("time_s", "time_utc")
"""Headers of the first column by which our own files are known."""

NO_READING: Final = frozenset(
    {
        *("", "-", "--", "---", "----", "-----", "*", "***", "?"),
        *("nan", "na", "n/a", "#n/a", "#num!", "#value!", "null", "none", "nil"),
        *("no data", "no reading", "missing"),
    }
)
"""Words in place of a reading that say only that there is none."""
OPEN_WORDS: Final = frozenset(
    {
        *("ol", "o.l", "o.l.", "+ol", "-ol", "over", "overload"),
        *("open", "open tc", "opentc", "burnout", "disconnected"),
    }
)
"""Words for a thermocouple that is broken or not connected."""
ERROR_WORDS: Final = frozenset({"err", "err.", "error", "fault", "fail", "failed", "bad", "invalid", "short"})
"""Words for any other fault of the instrument."""

_DELIMITERS: Final = (";", "\t", "|", ",")
_INDEX: Final = re.compile(r"#|(no|nr|n|index|idx|record|rec|scan|sample|row|id|pos)\.?|lfd\.? ?nr\.?", re.I)
_TIME_WORD: Final = re.compile(
    r"(?<![a-z])(time|times|timestamp|date|datetime|elapsed|duration|clock|zeit|uhrzeit|datum|zeitstempel|heure|"
    r"hora|fecha|tijd|seconds|minutes|hours)(?![a-z])",
    re.I,
)
_NUMBER: Final = re.compile(r"[+\-−]?(\d+([.,]\d*)?|[.,]\d+)(e[+-]?\d+)?(\s*°?\s*[CF])?", re.I)
_DEGREES: Final = r"(?:°|º|Â°|deg(?:rees?)?\.?|\?)\s*"
# No bare K: "(K)" is a thermocouple of type K at least as often as a kelvin.
_UNIT: Final = re.compile(
    rf"(?:[\s_,;:/\-]*[(\[]\s*(?:{_DEGREES})?([CF])\s*[)\]]|[\s_,;:/\-]*{_DEGREES}([CF])"
    r"|[\s_,;:/\-]*[(\[]?\s*(celsius|fahrenheit|kelvin)\s*[)\]]?)\s*$",
    re.I,
)
_OTHER_UNIT: Final = re.compile(
    r"[(\[]\s*(%\s*(?:rh|r\.h\.|o2)?|rh|[mµu]?v|volts?|m?a|[hkm]?pa|m?bar|psi|ppm|k?w|lux|m/s|km/h|rpm)\s*[)\]]\s*$",
    re.I,
)


def read_table(data: bytes, name: str, options: CsvOptions) -> Table:
    """Find the table in a file.

    Parameters
    ----------
    data : bytes
        The whole file.
    name : str
        What to call it in errors.
    options : CsvOptions

    Returns
    -------
    Table

    Raises
    ------
    CsvError
        Nothing in it that could be a table of times and temperatures.
    """
    guesses: list[str] = []
    text, encoding = _decode(data, name, options, guesses)
    if not text.strip():
        raise CsvError(f"{name}: the file is empty")
    delimiter = options.delimiter if options.delimiter is not None else _find_delimiter(text, name)
    if len(delimiter) != 1 or delimiter in '"\r\n':
        raise CsvError(f"{name}: --delimiter {delimiter!r} must be one character, such as ;")
    rows = _split(text, delimiter, name, options)
    first, header, units = _find_header(rows, name, options)
    width = Counter(len(row) for row in rows[first : first + 1000] if any(row)).most_common(1)[0][0]
    if header is not None:
        width = max(width, len(_trimmed(rows[header])))
    numbers, table_rows = _table_rows(rows, first, width, name, text)
    headers = _headers(rows[header] if header is not None else [], width, guesses)
    table = Table(
        name=name,
        encoding=encoding,
        delimiter=delimiter,
        decimal=".",
        header_row=None if header is None else header + 1,
        row_numbers=numbers,
        cells=list(itertools.zip_longest(*table_rows, fillvalue="")),
        headers=headers,
        own=header == 0 and delimiter == "," and headers[0] in OWN_TIME,
        guesses=guesses,
    )
    if header is None:
        guesses.append("there is no header: the columns are named by their numbers")
    table.decimal = _find_decimal(table, options)
    _find_time(table, options)
    above = [cell for row in rows[: header or 0] for cell in row]
    _find_columns(table, units, above, options)
    return table


def _decode(data: bytes, name: str, options: CsvOptions, guesses: list[str]) -> tuple[str, str]:
    encoding = options.encoding
    if encoding is None:
        if data.startswith((b"\xff\xfe", b"\xfe\xff")):
            encoding = "utf-16"
        elif data.startswith(b"\xef\xbb\xbf"):
            encoding = "utf-8-sig"
        elif b"\0" in data[:200]:
            encoding = "utf-16-le" if data[1:2] == b"\0" else "utf-16-be"
        else:
            encoding = "utf-8"
    try:
        text = data.decode(encoding)
    except LookupError as exc:
        raise CsvError(f"{name}: no such encoding as {encoding!r}; try utf-8 or latin-1") from exc
    except ValueError as exc:
        if options.encoding is not None or encoding != "utf-8":
            where = f"byte {exc.start + 1}" if isinstance(exc, UnicodeDecodeError) else "this"
            raise CsvError(
                f"{name}: {where} is not {encoding}; give another --encoding, such as latin-1"
            ) from exc
        encoding = "latin-1"
        text = data.decode(encoding)
        guesses.append("not UTF-8: read as Latin-1")
    if "\0" in text:
        raise CsvError(f"{name}: not a text file; export it as CSV first")
    return text.removeprefix("\ufeff"), encoding


def _find_delimiter(text: str, name: str) -> str:
    if text.startswith(tuple(f"{header}," for header in OWN_TIME)):
        return ","
    lines = [line for line in text[:200_000].splitlines()[:400] if line.strip()]
    tail = lines[len(lines) // 2 :]  # below titles and header
    shares: dict[str, float] = {}
    for delimiter in _DELIMITERS:
        widths = Counter(len(row) for row in csv.reader(tail, delimiter=delimiter))
        width, count = widths.most_common(1)[0]
        if width > 1:
            shares[delimiter] = count / len(tail)
    found = next(
        (d for d, share in shares.items() if share >= 0.8), max(shares, key=shares.__getitem__, default="")
    )
    if found:
        return found
    raise CsvError(
        f"{name}: no character separates columns in the same way from line to line; name it with --delimiter"
    )


def _split(text: str, delimiter: str, name: str, options: CsvOptions) -> list[list[str]]:
    rows: list[list[str]] = []
    try:
        for row in csv.reader(io.StringIO(text, newline=""), delimiter=delimiter):
            rows.append(row)
    except (csv.Error, TypeError) as exc:
        raise CsvError(f"{name} row {len(rows) + 1}: {exc}; check the quotes there and --delimiter") from exc
    return rows[: options.last_line] if options.last_line is not None else rows


def _find_header(rows: list[list[str]], name: str, options: CsvOptions) -> tuple[int, int | None, list[str]]:
    """Find the first row of data, the header above it if there is one, and what a row of units says."""
    units: list[str] = []
    if rows[0] and rows[0][0] in OWN_TIME and options.skip is None:
        if not any(any(row) for row in rows[1:]):
            raise CsvError(f"{name}: a header, but no readings below it")
        return 1, 0, units
    if options.skip is not None:
        below = range(options.skip + 1, len(rows))
        first = next((i for i in below if _is_data(rows[i])), None)
        if first is None:
            raise CsvError(f"{name}: no readings below line {options.skip + 1}; give another --skip")
        if first - 1 > options.skip and _is_units(rows[first - 1]):
            units = rows[first - 1]
        return _first_row(rows, first, options.skip + 1), options.skip, units
    first = next((i for i, row in enumerate(rows) if _is_data(row)), None)
    if first is None:
        raise CsvError(
            f"{name}: no row begins with a time and has a number after it; is this a table of readings? "
            "(--skip tells how many lines stand above the header)"
        )
    first = _first_row(rows, first, 0)
    above = [i for i in range(first) if any(cell.strip() for cell in rows[i])]
    if len(above) > 1 and _is_units(rows[above[-1]]) and len(_trimmed(rows[above[-2]])) > 1:
        units = rows[above.pop()]
    if not above or len(_trimmed(rows[above[-1]])) < 2:
        return first, None, units
    return first, above[-1], units


def _first_row(rows: list[list[str]], first: int, lowest: int) -> int:
    """Go up over rows that begin with a time too, whatever follows it: no reading yet, or one to refuse."""
    kind = kind_of(rows[first][0])
    while first > lowest and len(rows[first - 1]) > 1 and kind_of(rows[first - 1][0]) == kind is not None:
        first -= 1
    return first


def _is_data(row: Sequence[str]) -> bool:
    cells = [cell.strip() for cell in row]
    filled = [cell for cell in cells if cell]
    if len(filled) < 2 or not cells[0]:
        # A first column may be empty where nothing but the date changes; not in the first row of all.
        return False
    values = [cell for cell in filled if _is_value(cell)]
    return (
        _is_value(cells[0])
        and 2 * len(values) >= len(filled)
        and any(c.isdigit() for c in "".join(values[1:]))
    )


def _is_value(cell: str) -> bool:
    return (
        _NUMBER.fullmatch(cell) is not None
        or cell.lower() in NO_READING | OPEN_WORDS | ERROR_WORDS
        or kind_of(cell) is not None
    )


def _is_units(row: Sequence[str]) -> bool:
    filled = [cell.strip().strip("()[]") for cell in row if cell.strip()]
    unit = re.compile(
        r"(°|º|deg\.? ?)?[CFK]|celsius|fahrenheit|kelvin|m?s|sec|min|h|[dmyhs:./\- ]+|%|m?v", re.I
    )
    return bool(filled) and all(unit.fullmatch(cell) for cell in filled)


def _trimmed(row: Sequence[str]) -> list[str]:
    cells = [cell.strip() for cell in row]
    while cells and not cells[-1]:
        cells.pop()
    return cells


def _table_rows(
    rows: list[list[str]], first: int, width: int, name: str, text: str
) -> tuple[list[int], list[list[str]]]:
    numbers, kept = [], []
    for i in range(first, len(rows)):
        row = rows[i]
        if len(row) != width:
            if len(row) > width:
                if any(cell.strip() for cell in row[width:]):
                    raise CsvError(
                        f"{name} row {i + 1}: {len(row)} cells where there should be {width}; "
                        "check --delimiter and --decimal"
                    )
                row = row[:width]
            elif i == len(rows) - 1 and any(row) and not text.endswith(("\n", "\r")):
                raise CsvError(
                    f"{name} row {i + 1}: the file ends in the middle of a row; "
                    f"leave it out with --last-line {i}"
                )
        if any(cell and not cell.isspace() for cell in row):
            numbers.append(i + 1)
            kept.append(row)
    kept[0] = kept[0] + [""] * (width - len(kept[0]))  # so that every column is there
    return numbers, kept


def _headers(row: Sequence[str], width: int, guesses: list[str]) -> list[str]:
    headers = [" ".join(cell.split()) for cell in row[:width]]
    headers += [""] * (width - len(headers))
    used: set[str] = set()
    for i, header in enumerate(headers):
        new = header or f"column {i + 1}"
        if new.casefold() in used:
            new = next(n for k in itertools.count(2) if (n := f"{header} {k}").casefold() not in used)
            guesses.append(f"there are two columns {header!r}: the second is called {new!r}")
        used.add(new.casefold())
        headers[i] = new
    return headers


def _find_decimal(table: Table, options: CsvOptions) -> str:
    if options.decimal is not None:
        if options.decimal not in (".", ","):
            raise CsvError(f"--decimal {options.decimal!r}: must be '.' or ','")
        return options.decimal
    commas = re.compile(r"\s*[+\-−]?\d+,\d+\s*")
    points = re.compile(r"\s*[+\-−]?\d+\.\d+\s*")
    sample = [cell for column in table.cells for cell in column[:200]]
    found = sum(1 for cell in sample if commas.fullmatch(cell))
    if found and found > sum(1 for cell in sample if points.fullmatch(cell)):
        table.guesses.append("numbers have a decimal comma")
        return ","
    return "."


def _find_time(table: Table, options: CsvOptions) -> None:
    if options.time:
        by_name = {h.casefold(): i for i, h in enumerate(table.headers)}
        for wanted in options.time:
            if wanted.strip().casefold() not in by_name:
                raise CsvError(
                    f"{table.name}: no column {wanted!r} for the time; there are {', '.join(table.headers)}"
                )
            table.time.append(by_name[wanted.strip().casefold()])
        return
    if table.own:
        table.time = [0]
        return
    kinds = [kind_of(next((cell for cell in column if cell.strip()), "")) for column in table.cells]
    named = [i for i, h in enumerate(table.headers) if _TIME_WORD.search(h.replace("_", " ")) and kinds[i]]
    first = named[0] if named else 1 if _INDEX.fullmatch(table.headers[0]) and len(kinds) > 2 else 0
    if kinds[first] is None:
        raise CsvError(
            f"{table.name} row {table.row_numbers[0]}, column {table.headers[first]!r}: "
            f"{table.cells[first][0]!r} is no time; name the time column with --time"
        )
    table.time = [first]
    partner = {"date": "clock", "clock": "date"}.get(kinds[first] or "")
    second = next((i for i, kind in enumerate(kinds) if kind == partner and i != first), None)
    if partner and second is not None:
        table.time = [first, second] if partner == "clock" else [second, first]
    elif kinds[first] == "date":
        raise CsvError(
            f"{table.name}: column {table.headers[first]!r} has dates, but no column has the time of day; "
            "name both with --time"
        )


def _find_columns(table: Table, units_row: Sequence[str], above: Sequence[str], options: CsvOptions) -> None:
    leave_out = {name.strip().casefold() for name in options.leave_out}
    unknown = leave_out.difference(h.casefold() for h in table.headers)
    if unknown:
        raise CsvError(
            f"{table.name}: no column {min(unknown)!r} to leave out; there are {', '.join(table.headers)}"
        )
    if table.time[0] < len(units_row):
        table.time_hint = units_row[table.time[0]]
    said: list[Unit | None] = []
    for i, header in enumerate(table.headers):
        if i in table.time or header.casefold() in leave_out:
            continue
        if table.own:
            _add(table, i, header.removeprefix("'"), "c")
            continue
        if _INDEX.fullmatch(header) and i < min(table.time):
            table.guesses.append(f"column {header!r} only counts the rows")
            continue
        if not any(cell.strip() for cell in table.cells[i]) and header == f"column {i + 1}":
            continue
        name, unit = _unit_of(header)
        below = units_row[i].strip() if i < len(units_row) else ""
        if unit is None and below:
            unit = _unit_of(f"x ({below.strip('()[]')})")[1]
        if unit is None and (_OTHER_UNIT.search(header) or _OTHER_UNIT.search(f"({below.strip('()[]')})")):
            table.guesses.append(f"column {header!r} is no temperature: left out")
            continue
        if unit is None and _TIME_WORD.search(header.replace("_", " ")):
            table.guesses.append(f"column {header!r} is another time: left out")
            continue
        said.append(unit)
        _add(table, i, name or header, unit or "c")
    if not table.columns:
        raise CsvError(f"{table.name}: no column of temperatures beside {table.headers[table.time[0]]!r}")
    if options.unit is not None:
        table.units = [options.unit] * len(table.columns)
    elif not table.own and None in said:
        titles = " ".join(above)
        fahrenheit = re.search(r"(°|º|deg\.?) ?F\b|fahrenheit", titles, re.I) is not None
        default: Unit = "f" if fahrenheit and not re.search(r"(°|º) ?C\b|celsius", titles, re.I) else "c"
        table.units = [unit or default for unit in said]
        table.guesses.append(f"nothing says the unit: taken for °{default.upper()}")


def _add(table: Table, column: int, name: str, unit: Unit) -> None:
    taken = {n.casefold() for n in table.names}
    table.columns.append(column)
    table.names.append(name if name.casefold() not in taken else table.headers[column])
    table.units.append(unit)


def _unit_of(header: str) -> tuple[str, Unit | None]:
    """Split a header into the name and the unit of temperature, where it says one."""
    match = _UNIT.search(header)
    if match is None:
        return header, None
    letter = next(group for group in match.groups() if group)[0].lower()
    unit: Unit = "f" if letter == "f" else "k" if letter == "k" else "c"
    return header[: match.start()].strip(), unit
