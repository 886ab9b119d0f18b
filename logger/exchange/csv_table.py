"""Options for reading a CSV file, what is known of one, and refusals."""

from __future__ import annotations

import re
import shlex
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any, Final, Literal

from logger.errors import UserError
from logger.reading import Bytes, Floats

Unit = Literal["c", "f", "k"]

_SHOWN: Final = 60


@dataclass(frozen=True, slots=True)
class Hint:
    """One way forward from a refusal."""

    field: str  # of `CsvOptions`
    value: Any = None  # to set it to; None if only a person knows
    words: str = ""  # what it does, or when it is right

    def command(self) -> str:
        """Write it as options of ``stokewatch import``."""
        option = "--" + self.field.replace("_", "-")
        if self.field == "day_first":
            said = "--day-first" if self.value else "--month-first"
        elif self.value is None:
            said = option
        else:
            values = self.value if isinstance(self.value, tuple) else (self.value,)
            said = " ".join(f"{option} {shlex.quote(str(value))}" for value in values)
        return f"{said} {self.words}".strip()


EVERY_ROW: Final = Hint("time_unit", None, "such as 10s, if the rows are 10 s apart")


class CsvError(UserError):
    """A file that can't be imported as it is.

    The text says where, why, and which of the command's options help; a page puts it in its own words from
    the attributes: `what` is wrong, `hints` on what to do, `row` as a spreadsheet counts, and the kind of
    trouble as `code`.
    """

    def __init__(
        self,
        what: str,
        *hints: Hint,
        file: str = "",
        row: int | None = None,
        column: str = "",
        code: str = "",
    ) -> None:
        place = f"{file} row {row}" if row is not None else file
        if column:
            place = f"{place}, column {shown(column)}" if place else f"column {shown(column)}"
        ways = ", or ".join(hint.command() for hint in hints)
        text = f"{place}: {what}" if place else what
        joint = "" if not ways else " " if what.endswith((";", " with", " say", " another")) else "; "
        super().__init__(text + joint + ways)
        self.what, self.hints, self.code = what, hints, code
        self.file, self.row, self.column = file, row, column

    def as_dict(self) -> dict[str, Any]:
        """Return its parts: `code`, `what`, `file`, `row`, `column`, and `hints` (a `Hint`'s fields)."""
        said = {name: getattr(self, name) for name in ("code", "what", "file", "row", "column")}
        return said | {"hints": [asdict(hint) for hint in self.hints]}


STEP: Final = re.compile(r"\s*(\d+(?:\.\d+)?)\s*(ms|s|min|h)\s*")
"""A unit of time that says how far rows are apart: 10s."""


@dataclass(frozen=True, slots=True)
class CsvOptions:
    """What a file doesn't say about itself; anything left out is worked out.

    Columns are named by header (`T1-*` for several) or by number, counted from 1.
    """

    encoding: str | None = None  # utf-8, latin-1, utf-16 …
    delimiter: str | None = None  # between columns; a space means any number of spaces
    decimal: str | None = None  # `.` or `,`
    skip: int | None = None  # lines above the header
    last_line: int | None = None  # to read, if something else follows the readings
    skip_rows: tuple[str, ...] = ()  # to leave out: `7`, `7-12`
    time: tuple[str, ...] = ()  # name of the time column, or of the date and time columns
    # us, ms, s, min, h, hh:mm, mm:ss, days (a spreadsheet's), unix, unix_ms, ns; 10s where there are no
    # times, or a column only numbers the rows, which are 10 s apart
    time_unit: str | None = None
    day_first: bool | None = None  # whether 3/4 is 3 April
    timezone: str | None = None  # of times that name none: Europe/Vienna, UTC+1; default: the computer's
    unit: Unit | None = None  # of all temperatures
    keep: tuple[str, ...] = ()  # the only columns to read as temperatures, whatever they look like
    leave_out: tuple[str, ...] = ()  # columns that aren't temperatures
    no_reading: tuple[str, ...] = ()  # further words or numbers that mean "no reading"
    order: Literal["refuse", "sort"] = "refuse"  # rows that go back in time
    # rows with the same time; spread: evenly up to the next time (a clock without seconds)
    repeats: Literal["refuse", "last", "spread"] = "refuse"

    @property
    def counts_rows(self) -> bool:
        """Whether rows are a certain time apart, and no column is named that has their times."""
        return not self.time and STEP.fullmatch(self.time_unit or "") is not None


@dataclass(slots=True, eq=False)
class Column:
    """A column of temperatures, and what has been read of it so far."""

    at: int  # its place in the table
    name: str  # without its unit
    unit: Unit = "c"
    told: bool = True  # whether the file gives the unit
    each: bool = False  # whether its cells do, each for itself
    sure: bool = False  # named by somebody or has a unit: a temperature whatever its values
    scale: float = 1.0  # factor for tenths or hundredths of a degree
    quality: int | None = None  # column that says whether to believe it
    values: list[Floats] = field(default_factory=list, init=False)  # block by block
    status: list[Bytes] = field(default_factory=list, init=False)
    taken_back: int = field(default=0, init=False)  # numbers that `quality` says are bad


@dataclass(slots=True)
class Table:
    """Where a file's table is, and what its columns are."""

    path: Path
    delimiter: str
    decimal: str
    header_row: int | None  # None without a header
    header: list[str]  # its cells, unchanged
    first_row: int  # of readings
    head: list[tuple[int, list[str]]]  # the first of them: row number and cells
    headers: list[str]  # names of all columns, made unique
    # the time column; or date and time; or year, month, day, hour, minute and perhaps second
    time: list[int] = field(default_factory=list)
    time_hint: str = ""  # what a row of units says about it
    offset_us: int | None = None  # of its times from UTC, if the file gives one for all
    digits: int = 0  # of its last column, where that has parts of a second
    columns: list[Column] = field(default_factory=list)  # of temperatures
    by: int | None = None  # the column that names each row's probe; None if each probe has a column
    numbered: bool = False  # it has no times, so its rows are counted: the first column isn't the file's
    own: bool = False  # written by this program
    guesses: list[str] = field(default_factory=list)  # conclusions that may be wrong
    notes: list[str] = field(default_factory=list)  # what was done with the file
    left_out: list[tuple[str, str]] = field(default_factory=list)  # columns, and why

    @property
    def name(self) -> str:
        """The file's name, for messages."""
        return self.path.name

    @property
    def names(self) -> list[str]:
        """Names of the columns of temperatures."""
        return [column.name for column in self.columns]

    def number_rows(self) -> None:
        """Put a column before all others that counts the rows, and take it for the time."""
        self.numbered, self.time = True, [0]
        self.headers.insert(0, "row")
        for at, (_, row) in enumerate(self.head):
            row.insert(0, str(at))

    def cells(self, i: int) -> list[str]:
        """Return a column's cells that aren't empty, from the first rows (`head`)."""
        return [cell for _, row in self.head if (cell := row[i].strip())]

    def leave_out(self, columns: dict[Column, str]) -> None:
        """Leave out columns that turned out not to be temperatures, each with the reason."""
        self.left_out += [(self.headers[column.at], why) for column, why in columns.items()]
        self.columns = [column for column in self.columns if column not in columns]

    def refuse(
        self, what: str, *hints: Hint, row: int | None = None, column: int = -1, code: str
    ) -> CsvError:
        """Make the error for a place in this file."""
        header = self.headers[column] if column >= 0 else ""
        return CsvError(what, *hints, file=self.name, row=row, column=header, code=code)


def find_columns(headers: Sequence[str], wanted: str) -> list[int]:
    """Find columns by name, pattern or number."""
    wanted = wanted.strip().casefold()
    folded = [header.casefold() for header in headers]
    if wanted in folded:
        return [folded.index(wanted)]
    found = [i for i, header in enumerate(folded) if fnmatchcase(header, wanted)]
    if not found and wanted.isdecimal() and 1 <= int(wanted[:6]) <= len(headers):
        found = [int(wanted) - 1]
    return found


def shown(text: str) -> str:
    """Quote a cell for a message, shortened if it is long."""
    text = text.strip()
    return repr(text if len(text) <= _SHOWN else f"{text[: _SHOWN - 1]}…")


def listed(names: Sequence[str], most: int = 12) -> str:
    """Name things in a message, at most so many."""
    some = ", ".join(name if len(name) <= _SHOWN else f"{name[: _SHOWN - 1]}…" for name in names[:most])
    return some if len(names) <= most else f"{some} and {len(names) - most} more"
