"""What may be said about a CSV file beforehand, what is known of it, and how it is refused."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from dataclasses import dataclass, field
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any, Final, Literal

from logger.errors import UserError

Unit = Literal["c", "f", "k"]

_SHOWN: Final = 60


@dataclass(frozen=True, slots=True)
class Hint:
    """One way on from a refusal.

    Attributes
    ----------
    field : str
        Of `CsvOptions`.
    value : object
        What to set it to; None where only a person knows.
    words : str
        What that does, or when it is right.
    """

    field: str
    value: Any = None
    words: str = ""

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


class CsvError(UserError):
    """A file that can't be imported as it is.

    The text says where, why, and which of the command's options help. A page says the same in its own words
    from the attributes.

    Parameters
    ----------
    what : str
        What is wrong.
    *hints : Hint
        Ways on.
    row : int, optional
        As a spreadsheet counts.
    code : str, optional
        What kind of trouble it is.
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
        """Say it in parts.

        Returns
        -------
        dict
            `code`, `what`, `file`, `row`, `column`, and `hints`: dicts of `field`, `value` and `words`.
        """
        return {
            "code": self.code,
            "what": self.what,
            "file": self.file,
            "row": self.row,
            "column": self.column,
            "hints": [{"field": h.field, "value": h.value, "words": h.words} for h in self.hints],
        }


@dataclass(frozen=True, slots=True)
class CsvOptions:
    """What to know about a file that it doesn't tell by itself; what is left out is found out.

    Columns are named by their headers (`T1-*` for several), or by their numbers, counted from 1.

    Attributes
    ----------
    encoding : str or None
        `utf-8`, `latin-1`, `utf-16` …
    delimiter : str or None
        Between columns; a space for columns set apart by any number of spaces.
    decimal : str or None
        `.` or `,`.
    skip : int or None
        Lines above the header.
    last_line : int or None
        The last line to read, where something else follows the readings.
    skip_rows : tuple of str
        Rows to leave out: `7`, `7-12`.
    time : tuple of str
        Name of the time column, or of the date's and the time's.
    time_unit : str or None
        `us`, `ms`, `s`, `min`, `h`, `hh:mm`, `mm:ss`, `days` (a spreadsheet's), `unix`, `unix_ms`, `ns`;
        `10s` where a column only numbers the rows, and each is 10 s later.
    day_first : bool or None
        Whether 3/4 is the 3rd of April.
    timezone : str or None
        Of times without one, such as `Europe/Vienna` or `UTC+1`; the computer's own if left out.
    unit : {'c', 'f', 'k'} or None
        Of all temperatures.
    keep : tuple of str
        The only columns to read as temperatures, whatever they look like.
    leave_out : tuple of str
        Columns that aren't temperatures.
    no_reading : tuple of str
        More words, or numbers, that stand where there was no reading.
    order : {'refuse', 'sort'}
        What to do about rows that go back in time.
    repeats : {'refuse', 'last', 'spread'}
        What to do about rows of the same time: refuse them, keep the last, or spread them evenly up to the
        next time (a clock without seconds).
    """

    encoding: str | None = None
    delimiter: str | None = None
    decimal: str | None = None
    skip: int | None = None
    last_line: int | None = None
    skip_rows: tuple[str, ...] = ()
    time: tuple[str, ...] = ()
    time_unit: str | None = None
    day_first: bool | None = None
    timezone: str | None = None
    unit: Unit | None = None
    keep: tuple[str, ...] = ()
    leave_out: tuple[str, ...] = ()
    no_reading: tuple[str, ...] = ()
    order: Literal["refuse", "sort"] = "refuse"
    repeats: Literal["refuse", "last", "spread"] = "refuse"


@dataclass(slots=True)
class Table:
    """Where a file's table is, and what its columns are.

    Attributes
    ----------
    path : Path
    encoding, delimiter, decimal : str
    header_row : int or None
        None where there is no header.
    header : list of str
        The header's cells as they stand there.
    first_row : int
        The first row of readings.
    head : list of (int, list of str)
        The first of them: the row's number, and its cells.
    headers : list of str
        Of all columns, each name once.
    time : list of int
        The time column; or those of date and time; or of year, month, day, hour, minute and perhaps second.
    time_hint : str
        What a row of units says of it.
    columns : list of int
        The columns of temperatures …
    names : list of str
        … their names, without units …
    units : list of {'c', 'f', 'k'}
        … and their units.
    scales : dict of int to float
        What the numbers of columns of tenths or hundredths are multiplied by.
    unsaid : set of int
        Columns of temperatures of which nothing says the unit.
    sure : set of int
        Columns that are temperatures whatever stands in them: they were named, or say a unit.
    quality : dict of int to int
        By column of temperatures, the column that says whether the reading beside it can be believed.
    by : int or None
        The column that says of each row which probe it is of; None where each probe has a column.
    own : bool
        Written by this program.
    guesses : list of str
        What was found out and may be wrong.
    notes : list of str
        What was done with the file.
    left_out : list of (str, str)
        Columns that were left out, and why.
    """

    path: Path
    encoding: str
    delimiter: str
    decimal: str
    header_row: int | None
    header: list[str]
    first_row: int
    head: list[tuple[int, list[str]]]
    headers: list[str]
    time: list[int] = field(default_factory=list)
    time_hint: str = ""
    columns: list[int] = field(default_factory=list)
    names: list[str] = field(default_factory=list)
    units: list[Unit] = field(default_factory=list)
    scales: dict[int, float] = field(default_factory=dict)
    unsaid: set[int] = field(default_factory=set)
    sure: set[int] = field(default_factory=set)
    quality: dict[int, int] = field(default_factory=dict)
    by: int | None = None
    own: bool = False
    guesses: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    left_out: list[tuple[str, str]] = field(default_factory=list)

    @property
    def name(self) -> str:
        """The file's, for messages."""
        return self.path.name

    def refuse(
        self, what: str, *hints: Hint, row: int | None = None, column: int = -1, code: str
    ) -> CsvError:
        """Make the error for one place of this file."""
        header = self.headers[column] if column >= 0 else ""
        return CsvError(what, *hints, file=self.name, row=row, column=header, code=code)


def find_columns(headers: Sequence[str], wanted: str) -> list[int]:
    """Find the columns that somebody means: by name, by pattern, or by number.

    Returns
    -------
    list of int
        Empty where there is none.
    """
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
    """Name some things in a message, not all of a thousand.

    Parameters
    ----------
    most : int, default 12
    """
    some = ", ".join(name if len(name) <= _SHOWN else f"{name[: _SHOWN - 1]}…" for name in names[:most])
    return some if len(names) <= most else f"{some} and {len(names) - most} more"
