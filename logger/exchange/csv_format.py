"""What a CSV file's table looks like: header, rows of units, the time, the columns of temperatures."""

from __future__ import annotations

import itertools
import re
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from logger.exchange.csv_dates import TimeKind, kind_of
from logger.exchange.csv_numbers import as_number, find_decimal
from logger.exchange.csv_table import CsvError, CsvOptions, Hint, Table, Unit, find_columns, listed, shown
from logger.exchange.csv_text import HEAD_LINES, MAX_CELL, Row, Text, open_text
from logger.exchange.csv_words import (
    ERROR_WORDS,
    INDEX,
    KEY,
    NO_READING,
    OPEN_WORDS,
    TIME_WORD,
    is_processing_row,
    is_units_below,
    is_units_row,
    unit_cell,
    unit_in,
    why_no_temperature,
)

MAX_WORTH: Final = 256
"""More columns that may be temperatures are refused before they are read."""
UNSAID: Final = "nothing says the unit"
_OFFSET: Final = re.compile(r"(?:GMT|UTC)\s?([+\-−]\d{1,2}(?::?\d{2})?)", re.I)
_DAY_PARTS: Final = tuple(
    re.compile(words, re.I)
    for words in (
        r"(hour|hr|h|stunde|std|heure|hora|uur)s?\.?( ?of ?(the )?day)?",
        r"(minute|min|m)s?\.?( ?of ?(the )?hour)?",
        r"(second|sec|s)s?\.?( ?of ?(the )?minute)?",
    )
)
_CALENDAR: Final = ("year", "month", "day", "hour", "minute", "second")


def read_table(path: Path, options: CsvOptions, named: frozenset[str] = frozenset()) -> tuple[Text, Table]:
    """Find the table in a file.

    Parameters
    ----------
    path : Path
    options : CsvOptions
    named : frozenset of str, optional
        Columns that a plan names, in lower case: whatever they look like they are temperatures.

    Returns
    -------
    Text
        From which its rows can be read.
    Table

    Raises
    ------
    CsvError
        Nothing in it that could be a table of times and temperatures.
    """
    text = open_text(path, options)
    rows = list(itertools.islice(text.rows(options), HEAD_LINES))
    if not rows:
        raise CsvError("the file is empty", file=path.name, code="empty")
    first, header, units_row = _find_header(rows, path.name, text.own, options)
    data = rows[first:]
    width = Counter(len(_trimmed(row)) for _, row in data).most_common(1)[0][0]
    width = max(width, len(_trimmed(rows[header][1])) if header is not None else 0, 1)
    cells = [row[:width] + [""] * (width - len(row)) for _, row in data]
    guesses = list(text.guesses)
    raw_header = [cell.strip() for cell in rows[header][1]] if header is not None else []
    table = Table(
        path=path,
        encoding=text.encoding,
        delimiter=text.delimiter,
        decimal=".",
        header_row=rows[header][0] if header is not None else None,
        header=raw_header,
        first_row=data[0][0],
        head=[(number, row) for (number, _), row in zip(data, cells, strict=True)],
        headers=_headers(raw_header, width, guesses, own=text.own),
        own=text.own and header == 0,
        guesses=guesses,
    )
    if header is None:
        guesses.append("there is no header: the columns are named by their numbers")
    table.decimal = find_decimal(table, options)
    above = [cell for _, row in rows[: header or 0] for cell in row]
    _find_time(table, units_row, above, options)
    _find_columns(table, units_row, above, options, named)
    return text, table


# --- the header ---------------------------------------------------------------------------------------------


def _find_header(
    rows: Sequence[Row], name: str, own: bool, options: CsvOptions
) -> tuple[int, int | None, list[str]]:
    """Find the first row of data, the row of names above it if there is one, and what a row of units says."""
    if own and options.skip is None:
        if len(rows) == 1:
            raise CsvError("a header, but no readings below it", file=name, code="no-readings")
        return 1, 0, []
    if options.skip is not None:
        return _below(rows, name, options.skip, options)
    kinds = [_data_kind(row, options) for _, row in rows]
    likely = [i for i, kind in enumerate(kinds) if kind]
    first = next((i for i in likely if _goes_on(rows, kinds, i)), next(iter(likely), None))
    if first is None:
        raise CsvError(
            "no row begins with a time and has a number after it; is this a table of readings? Then say",
            Hint("time", None, "with the name or number of the time's column"),
            Hint("skip", None, "with how many lines stand above the header"),
            file=name,
            code="no-table",
        )
    first = _first_row(rows, first, 0, options)
    above = [
        i for i in range(first) if len(_trimmed(rows[i][1])) > 1 or (len(rows[i][1]) > 1 and i == first - 1)
    ]
    units: list[str] = []
    width = len(_trimmed(rows[first][1]))
    while above and is_processing_row(rows[above[-1]][1]) and len(above) > 1:
        above.pop()
    if above and is_units_row(rows[above[-1]][1]):
        wide = len(above) > 1 and len(_trimmed(rows[above[-2]][1])) > 1
        only_units = any(unit_cell(cell)[0] for cell in rows[above[-1]][1][1:])
        if wide or (only_units and len(_trimmed(rows[above[-1]][1])) > 2):
            units = rows[above.pop()][1]
    elif len(above) > 1 and is_units_below(rows[above[-1]][1], rows[above[-2]][1]):
        units = rows[above.pop()][1]
    if not above or (len(_trimmed(rows[above[-1]][1])) < 2 and width > 1):
        return first, None, units
    header = above[-1]
    if not units and header and is_units_row(rows[header - 1][1]) and len(rows[header - 1][1]) >= width - 1:
        units = rows[header - 1][1]
    return first, header, units


def _below(
    rows: Sequence[Row], name: str, skip: int, options: CsvOptions
) -> tuple[int, int | None, list[str]]:
    header = next((i for i, (number, _) in enumerate(rows) if number > skip), len(rows))
    below = range(header + 1, len(rows))
    first = next((i for i in below if _data_kind(rows[i][1], options)), None)
    if first is None:
        raise CsvError(
            f"no readings below line {skip + 1}; give another",
            Hint("skip"),
            Hint("time", None, "with the time's column"),
            file=name,
            code="no-readings",
        )
    between = [i for i in range(header + 1, first) if is_units_row(rows[i][1])]
    units = rows[between[0]][1] if between else []
    if not units and header and is_units_row(rows[header - 1][1]):
        units = rows[header - 1][1]
    if is_units_row(rows[header][1]) and not units and _trimmed(rows[header][1])[1:]:
        units = rows[header][1] if any(unit_cell(c)[0] for c in rows[header][1][1:]) else []
    return _first_row(rows, first, header + 1, options), header, units


def _goes_on(rows: Sequence[Row], kinds: Sequence[str], i: int) -> bool:
    """Say whether data goes on below a row: a title line may look like data, two in one way seldom do."""
    later = range(i + 1, min(i + 3, len(rows)))
    return not later or any(kinds[j] == kinds[i] and len(rows[j][1]) == len(rows[i][1]) for j in later)


def _first_row(rows: Sequence[Row], first: int, lowest: int, options: CsvOptions) -> int:
    """Go up over rows that begin with a time too, whatever follows it: no reading yet, or one to refuse."""
    kind = kind_of(rows[first][1][0])
    while (
        first > lowest and len(rows[first - 1][1]) > 1 and kind_of(rows[first - 1][1][0]) == kind is not None
    ):
        first -= 1
    return first


def _data_kind(row: Sequence[str], options: CsvOptions) -> str:
    """Say in what way a row is one of data: how it begins; empty if it is none."""
    cells = [cell.strip() for cell in row]
    filled = [cell for cell in cells if cell]
    if len(filled) < 2:
        return ""
    kinds = [kind_of(cell) for cell in cells[:8]]
    values = [cell for cell in filled if is_value(cell)]
    if cells[0] and kinds[0] is None and cells[0].lower() not in NO_READING:
        # A text first: an ID, if a time follows that is more than a number; or the time has been named.
        if not any(kind in ("datetime", "date", "clock") for kind in kinds) and not options.time:
            return ""
        return "text" if len(values) > 1 and 2 * len(values) >= len(filled) else ""
    if not cells[0] and not any(kind in ("datetime", "date", "clock") for kind in kinds):
        return ""
    numbers = (
        any(c.isdigit() for c in "".join(v for v in values if v != cells[0])) or values[1:] == values[:1]
    )
    return (kinds[0] or "empty") if 2 * len(values) >= len(filled) and numbers else ""


def is_value(cell: str) -> bool:
    """Say whether a cell may be a reading, a word in place of one, or a time.

    Parameters
    ----------
    cell : str

    Returns
    -------
    bool
    """
    return len(cell) <= MAX_CELL and (
        kind_of(cell) is not None
        or cell.lower() in NO_READING | OPEN_WORDS | ERROR_WORDS
        or as_number(cell, ".") is not None
        or as_number(cell, ",") is not None
        or re.fullmatch(r"[+\-−]?\d+([.,]\d*)?\s*°?\s*[CFK]", cell, re.I) is not None
    )


def _trimmed(row: Sequence[str]) -> list[str]:
    cells = [cell.strip() for cell in row]
    while cells and not cells[-1]:
        cells.pop()
    return cells


def _headers(row: Sequence[str], width: int, guesses: list[str], *, own: bool) -> list[str]:
    headers = [" ".join(cell[:MAX_CELL].split()) for cell in row[:width]]
    headers += [""] * (width - len(headers))
    count: Counter[str] = Counter()
    used = {headers[0].casefold()} if not own else set()  # a probe of our own may be called time_s
    for i, header in enumerate(headers):
        if own and i == 0:
            continue
        new = header or f"column {i + 1}"
        folded = new.casefold()
        if i and folded in used:
            while (new := f"{header or folded} {count[folded] + 2}").casefold() in used:
                count[folded] += 1
            if len(guesses) < 12:
                guesses.append(f"there are two columns {shown(header)}: the second is called {shown(new)}")
        used.add(new.casefold())
        headers[i] = new
    return headers


# --- the time -----------------------------------------------------------------------------------------------


def _find_time(table: Table, units_row: Sequence[str], above: Sequence[str], options: CsvOptions) -> None:
    if options.time:
        for wanted in options.time:
            found = find_columns(table.headers, wanted)
            if not found:
                raise table.refuse(
                    f"no column {wanted!r} for the time; there are {listed(table.headers)}", code="no-column"
                )
            table.time.append(found[0])
    elif table.own:
        table.time = [0]
    else:
        table.time = _guess_time(table)
    if table.own:
        return
    table.time_hint = " ".join(units_row[i].strip()[:MAX_CELL] for i in table.time if i < len(units_row))
    titles = [" ".join(above)[:4000]] if not _OFFSET.search(table.headers[table.time[0]]) else []
    for said in (*(table.headers[i] for i in table.time), *titles):
        if _OFFSET.search(said) and not _OFFSET.search(table.time_hint):
            table.time_hint += f" {_OFFSET.search(said)[0]}"  # type: ignore[index]


def _guess_time(table: Table) -> list[int]:
    kinds = [_kind_of_column(table, i) for i in range(len(table.headers))]
    words = [header.replace("_", " ") for header in table.headers]
    exact = {word.casefold().rstrip("s"): i for i, word in reversed(list(enumerate(words)))}
    calendar = [exact[word] for word in _CALENDAR if word in exact]
    if len(calendar) >= 5:
        return calendar
    named = [i for i, word in enumerate(words) if TIME_WORD.search(word) and kinds[i]]
    order = {"datetime": 0, "date": 1, "clock": 2, "number": 3, None: 4}
    candidates = sorted(named, key=lambda i: order[kinds[i]]) or [
        i for i, kind in enumerate(kinds) if kind == "datetime"
    ]
    if not candidates:
        candidates = [i for kind in ("date", "clock") for i, k in enumerate(kinds) if k == kind]
    if not candidates:
        second = INDEX.fullmatch(table.headers[0]) and len(kinds) > 2 and kinds[1] == "number"
        candidates = [1 if second else 0]
    first = candidates[0]
    if kinds[first] == "number" and (dates := [i for i, k in enumerate(kinds) if k == "datetime"]):
        first = dates[0]  # a file that has dates has its firing's date
    header = table.headers[first]
    temperature = first not in named and (
        unit_in(header)[1] or re.fullmatch(r"(t|tc|temp\w*) ?\d+", header, re.I)
    )
    if kinds[first] is None or temperature:
        number, cells = table.head[0]
        raise table.refuse(
            f"{shown(cells[first])} is no time; name the time column with",
            Hint("time"),
            row=number,
            column=first,
            code="no-time",
        )
    if kinds[first] == "clock" and (dates := [i for i, k in enumerate(kinds) if k == "date"]):
        return [dates[0], first]
    if kinds[first] == "date":
        clocks = [i for i, k in enumerate(kinds) if k == "clock"]
        if clocks:
            return [first, clocks[0]]
        if hours := _parts_of_the_day(table, kinds):
            return [first, *hours]
        raise table.refuse(
            "has dates, but no column has the time of day; name both with",
            Hint("time"),
            column=first,
            code="no-time",
        )
    return [first]


def _parts_of_the_day(table: Table, kinds: Sequence[TimeKind | None]) -> list[int]:
    """Find the columns of the hour as a number, and of minute and second where there are some."""
    found: list[int] = []
    for words in _DAY_PARTS:
        column = next(
            (
                i
                for i, header in enumerate(table.headers)
                if kinds[i] == "number" and words.fullmatch(header.replace("_", " ").strip())
            ),
            None,
        )
        if column is None:
            break
        found.append(column)
    return found


def _kind_of_column(table: Table, column: int) -> TimeKind | None:
    cells = [cell for _, row in table.head[:40] if (cell := row[column].strip())]
    kinds = Counter(kind_of(cell) for cell in cells)
    if not kinds:
        return None
    kind, count = kinds.most_common(1)[0]
    if kind == "date" and kinds["datetime"]:
        return "datetime"  # midnight, as spreadsheets write it
    if kind == "number" and re.search(r"(?<![a-z])dat(e|um)(?![a-z])", table.headers[column], re.I):
        return "date" if all(re.fullmatch(r"(19|20)\d{6}", cell) for cell in cells) else kind
    return kind if 2 * count >= len(cells) or count == kinds.total() else None


# --- the columns of temperatures ----------------------------------------------------------------------------


def _find_columns(
    table: Table, units_row: Sequence[str], above: Sequence[str], options: CsvOptions, named: frozenset[str]
) -> None:
    table.by = _column_of_probes(table, options)
    keep, leave_out = (
        _chosen(table, wanted, what)
        for wanted, what in ((options.keep, "keep"), (options.leave_out, "leave out"))
    )
    said: dict[int, Unit | None] = {}
    for i, header in enumerate(table.headers):
        if i in table.time or i in leave_out or i == table.by:
            continue
        if table.own:
            if not keep or i in keep:
                said[i] = "c"
                _add(table, i, header.removeprefix("'"))
                table.sure.add(i)
            continue
        name, unit = unit_in(header)
        below = units_row[i] if i < len(units_row) else ""
        unit_below, other = unit_cell(below)
        unit = unit or unit_below
        sure = i in keep or bool({header.casefold(), name.casefold()} & named)
        why = None if i in keep else _why_not(table, i, unit, below.strip() if other else "", sure=sure)
        if why is None and keep and i not in keep:
            why = "not among those to keep"
        if why is not None:
            if why:
                table.left_out.append((header, why))
            continue
        said[i] = unit
        _add(table, i, name or header)
        if sure or unit is not None:
            table.sure.add(i)
    if not table.columns:
        beside = f"no column of temperatures beside {shown(table.headers[table.time[0]])}"
        because = "; ".join(f"{shown(header)} is left out: {why}" for header, why in table.left_out[:6])
        ways = (Hint("keep", table.left_out[0][0], "if that is one"),) if table.left_out else ()
        raise table.refuse(beside + (f" ({because})" if because else ""), *ways, code="no-temperatures")
    if len(table.columns) > MAX_WORTH and not table.own and not named:
        raise too_many(table.name, table.names)
    _units(table, said, above, options)


def _column_of_probes(table: Table, options: CsvOptions) -> int | None:
    """Find the column that says of each row which probe it is of, in a file with a row for each reading."""
    if table.own:
        return None
    three = len(table.headers) - len(table.time) == 2
    for i, header in enumerate(table.headers):
        if i in table.time or any(i in find_columns(table.headers, one) for one in options.leave_out):
            continue
        cells = [row[i].strip() for _, row in table.head]
        kinds = sorted(set(cells))
        changes = sum(a != b for a, b in itertools.pairwise(cells))
        few = 1 < len(kinds) <= len(cells) // 2 and "" not in kinds
        mixed = three and 2 * changes >= len(cells)
        texts = not any(is_value(cell) for cell in kinds)
        key = KEY.fullmatch(header) is not None
        if few and ((texts and (mixed or key)) or (mixed and key and all(k.isdecimal() for k in kinds))):
            return i
        if three and key and texts and "" not in kinds:
            return i  # one probe after another: the first one's rows may be long
    return None


def _chosen(table: Table, wanted: Sequence[str], what: str) -> set[int]:
    found: set[int] = set()
    for name in wanted:
        columns = find_columns(table.headers, name) or [
            i
            for i, header in enumerate(table.headers)
            if unit_in(header)[0].casefold() == name.strip().casefold()
        ]
        if not columns and table.by is None:  # else it may be a probe's name, which stands among the rows
            raise table.refuse(
                f"no column {name.strip()!r} to {what}; there are {listed(table.headers)}", code="no-column"
            )
        found.update(columns)
    return found


def _why_not(table: Table, i: int, unit: Unit | None, other_unit: str, *, sure: bool) -> str | None:
    """Say why a column is left out; "" where that needs no words."""
    header = table.headers[i]
    cells = [cell for _, row in table.head if (cell := row[i].strip())]
    if not cells and header == f"column {i + 1}":
        return ""
    if other_unit and unit is None:
        return f"{other_unit} is no unit of temperature"
    if sure:
        return None
    id_number = KEY.fullmatch(header) and len(set(cells)) == 1 and cells[0].isdecimal()
    if unit is None and (INDEX.fullmatch(header) or id_number):
        return "only counts the rows or names the logger"
    if unit is None and TIME_WORD.search(header.replace("_", " ")):
        return "another time"
    if all(kind_of(cell) in ("datetime", "date", "clock") for cell in cells) and cells:
        return "another time"
    why = why_no_temperature(header, unit)
    if why is None and unit is None and i < min(table.time) and len(set(cells)) == 1:
        why = f"stands before the time and always says {shown(cells[0])}: names the logger"
    return why or _speed_beside(table, i, unit)


def _speed_beside(table: Table, i: int, unit: Unit | None) -> str | None:
    """Tell `Door_V1` beside `Door_TC1`: a speed or a voltage at the place of a thermocouple."""
    match = re.fullmatch(r"(.*[a-z].*[_ \-.])(v|u|p|dp)(\d*)", table.headers[i], re.I)
    if match is None or unit is not None:
        return None
    beside = {f"{match[1]}{letters}{match[3]}".casefold() for letters in ("TC", "T", "Temp")}
    if beside & {header.casefold() for header in table.headers}:
        return f"{match[2]!r} beside the thermocouples of the same places: no temperature"
    return None


def _units(table: Table, said: dict[int, Unit | None], above: Sequence[str], options: CsvOptions) -> None:
    if options.unit is not None:
        table.units = [options.unit] * len(table.columns)
        return
    titles = " ".join(above)[:4000]
    fahrenheit = re.search(r"(°|º|deg\.?) ?F\b|fahrenheit|units?\s*[:=]?\s*F\b", titles, re.I) is not None
    default: Unit = "f" if fahrenheit and not re.search(r"(°|º) ?C\b|celsius", titles, re.I) else "c"
    table.units = [said[i] or default for i in table.columns]
    if None in said.values():
        unsaid = [table.names[table.columns.index(i)] for i, unit in said.items() if unit is None]
        some = f" of {listed(unsaid, 6)}" if any(said.values()) else ""
        table.guesses.append(f"{UNSAID}{some}: taken for °{default.upper()}")


def _add(table: Table, column: int, name: str) -> None:
    taken = {n.casefold() for n in table.names}
    table.columns.append(column)
    table.names.append(name if name.casefold() not in taken else table.headers[column])


def too_many(name: str, names: Sequence[str], most: int = 64) -> CsvError:
    """Refuse more columns than a rig has channels, and say which to keep.

    Parameters
    ----------
    name : str
        The file's.
    names : sequence of str
        Of the columns.
    most : int, default 64

    Returns
    -------
    CsvError
    """
    groups: dict[str, list[str]] = {}
    for column in names:
        groups.setdefault(re.sub(r"\d+$", "*", column), []).append(column)
    kinds = [f"{stem} ({len(group)})" if len(group) > 1 else group[0] for stem, group in groups.items()]
    chosen: list[str] = []
    count = 0
    for stem, group in groups.items():
        if count + len(group) <= most and not set(stem) & set("[]?"):
            chosen.append(stem if len(group) > 1 else group[0])
            count += len(group)
    hint = (
        Hint("keep", tuple(chosen[:20]), "for the first of them") if chosen else Hint("keep", f"{names[0]}")
    )
    return CsvError(
        f"{len(names)} columns, more than {most}: {listed(kinds)}; say which are probes with",
        hint,
        Hint("leave_out", None, "for those that are none; or give a plan that names the probes"),
        file=name,
        code="too-many-columns",
    )
