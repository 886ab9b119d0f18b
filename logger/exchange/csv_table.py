"""What may be said about a CSV file beforehand, what is known of it, and how it is refused."""

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
    """One way on from a refusal."""

    field: str  # of `CsvOptions`
    value: Any = None  # to set it to; None where only a person knows
    words: str = ""  # what that does, or when it is right

    def command(self) -> str:
        """Say it as options of ``stokewatch import``."""
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

    The text says where, why, and which of the command's options help; a page says the same in its own words
    from the attributes. `what` is wrong, `hints` lead on, `row` counts as a spreadsheet does, `code` is the
    kind of trouble.
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
        """Say it in parts: `code`, `what`, `file`, `row`, `column`, and `hints` (a `Hint`'s fields)."""
        said = {name: getattr(self, name) for name in ("code", "what", "file", "row", "column")}
        return said | {"hints": [asdict(hint) for hint in self.hints]}


STEP: Final = re.compile(r"\s*(\d+(?:\.\d+)?)\s*(ms|s|min|h)\s*")
"""A unit of time that says how far rows are apart: 10s."""


@dataclass(frozen=True, slots=True)
class CsvOptions:
    """What to know about a file that it doesn't tell by itself; what is left out is found out.

    Columns are named by their headers (`T1-*` for several), or by their numbers, counted from 1.
    """

    encoding: str | None = None  # utf-8, latin-1, utf-16 …
    delimiter: str | None = None  # between columns; a space for columns set apart by any number of spaces
    decimal: str | None = None  # `.` or `,`
    skip: int | None = None  # lines above the header
    last_line: int | None = None  # to read, where something else follows the readings
    skip_rows: tuple[str, ...] = ()  # to leave out: `7`, `7-12`
    time: tuple[str, ...] = ()  # name of the time column, or of the date's and the time's
    # us, ms, s, min, h, hh:mm, mm:ss, days (a spreadsheet's), unix, unix_ms, ns; 10s where nothing has times,
    # or a column only numbers the rows, and each is 10 s later
    time_unit: str | None = None
    day_first: bool | None = None  # whether 3/4 is the 3rd of April
    timezone: str | None = None  # of times without one: Europe/Vienna, UTC+1; left out: the computer's
    unit: Unit | None = None  # of all temperatures
    keep: tuple[str, ...] = ()  # the only columns to read as temperatures, whatever they look like
    leave_out: tuple[str, ...] = ()  # columns that aren't temperatures
    no_reading: tuple[str, ...] = ()  # more words, or numbers, that stand where there was no reading
    order: Literal["refuse", "sort"] = "refuse"  # what to do about rows that go back in time
    # what to do about rows of the same time; spread: evenly up to the next time (a clock without seconds)
    repeats: Literal["refuse", "last", "spread"] = "refuse"

    @property
    def counts_rows(self) -> bool:
        """Whether rows are a certain time apart, and no column is named that has their times."""
        return not self.time and STEP.fullmatch(self.time_unit or "") is not None


@dataclass(slots=True, eq=False)
class Column:
    """A column of temperatures, and what is read of it so far."""

    at: int  # where it stands in the table
    name: str  # without its unit
    unit: Unit = "c"
    told: bool = True  # whether the file says the unit
    sure: bool = False  # it was named, or says a unit: a temperature whatever stands in it
    scale: float = 1.0  # what tenths or hundredths are multiplied by
    quality: int | None = None  # the column that says whether to believe it
    values: list[Floats] = field(default_factory=list, init=False)  # block by block
    status: list[Bytes] = field(default_factory=list, init=False)
    taken_back: int = field(default=0, init=False)  # numbers that a word beside them takes back


@dataclass(slots=True)
class Table:
    """Where a file's table is, and what its columns are."""

    path: Path
    delimiter: str
    decimal: str
    header_row: int | None  # None where there is no header
    header: list[str]  # its cells as they stand there
    first_row: int  # of readings
    head: list[tuple[int, list[str]]]  # the first of them: the row's number, and its cells
    headers: list[str]  # of all columns, each name once
    # the time column; or date and time; or year, month, day, hour, minute and perhaps second
    time: list[int] = field(default_factory=list)
    time_hint: str = ""  # what a row of units says of it
    digits: int = 0  # of its last column, where that has parts of a second
    columns: list[Column] = field(default_factory=list)  # those of temperatures
    by: int | None = None  # the column that says which probe a row is of; None where each has a column
    numbered: bool = False  # its rows are counted, since it has no times: the first column is not the file's
    own: bool = False  # written by this program
    guesses: list[str] = field(default_factory=list)  # what was found out and may be wrong
    notes: list[str] = field(default_factory=list)  # what was done with the file
    left_out: list[tuple[str, str]] = field(default_factory=list)  # columns, and why

    @property
    def name(self) -> str:
        """The file's, for messages."""
        return self.path.name

    @property
    def names(self) -> list[str]:
        """Those of its columns of temperatures."""
        return [column.name for column in self.columns]

    def number_rows(self) -> None:
        """Put a column before all others that counts the rows, and take it for the time."""
        self.numbered, self.time = True, [0]
        self.headers.insert(0, "row")
        for at, (_, row) in enumerate(self.head):
            row.insert(0, str(at))

    def cells(self, i: int) -> list[str]:
        """Give what stands in a column, as far as it was looked at; empty cells left out."""
        return [cell for _, row in self.head if (cell := row[i].strip())]

    def leave_out(self, columns: dict[Column, str]) -> None:
        """Leave out columns that turned out to be no temperatures, each with the reason."""
        self.left_out += [(self.headers[column.at], why) for column, why in columns.items()]
        self.columns = [column for column in self.columns if column not in columns]

    def refuse(
        self, what: str, *hints: Hint, row: int | None = None, column: int = -1, code: str
    ) -> CsvError:
        """Make the error for one place of this file."""
        header = self.headers[column] if column >= 0 else ""
        return CsvError(what, *hints, file=self.name, row=row, column=header, code=code)


def find_columns(headers: Sequence[str], wanted: str) -> list[int]:
    """Find the columns that somebody means: by name, by pattern, or by number."""
    wanted = wanted.strip().casefold()
    folded = [header.casefold() for header in headers]
    if wanted in folded:
        return [folded.index(wanted)]
    found = [i for i, header in enumerate(folded) if fnmatchcase(header, wanted)]
    if not found and wanted.isdecimal() and 1 <= int(wanted[:6]) <= len(headers):
        found = [int(wanted) - 1]
    return found


def shown(text: str) -> str:
    """Quote a cell for a message, shortened where it is long."""
    text = text.strip()
    return repr(text if len(text) <= _SHOWN else f"{text[: _SHOWN - 1]}…")


def listed(names: Sequence[str], most: int = 12) -> str:
    """Name some things in a message, not all of a thousand."""
    some = ", ".join(name if len(name) <= _SHOWN else f"{name[: _SHOWN - 1]}…" for name in names[:most])
    return some if len(names) <= most else f"{some} and {len(names) - most} more"
