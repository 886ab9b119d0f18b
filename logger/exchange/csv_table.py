"""What is known of a CSV file while it is read, and what may be said about it beforehand."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from logger.errors import UserError

Unit = Literal["c", "f", "k"]


class CsvError(UserError):
    """A file that can't be imported as it is: says where, why, and which option helps."""


@dataclass(frozen=True, slots=True)
class CsvOptions:
    """What to know about a file that it doesn't tell by itself; what is left out is found out.

    Attributes
    ----------
    encoding : str or None
        `utf-8`, `latin-1`, `utf-16` …
    delimiter : str or None
        Between columns.
    decimal : str or None
        `.` or `,`.
    skip : int or None
        Lines above the header.
    last_line : int or None
        The last line to read, where something else follows the readings.
    time : tuple of str
        Name of the time column, or of the date's and the time's.
    time_unit : str or None
        `ms`, `s`, `min`, `h`, `hh:mm`, `mm:ss`, `days` (a spreadsheet's, since 1900), `unix` or `unix_ms`.
    day_first : bool or None
        Whether 3/4 is the 3rd of April.
    timezone : str or None
        Of times without one, such as `Europe/Vienna`; the computer's own if left out.
    unit : {'c', 'f', 'k'} or None
        Of all temperatures.
    leave_out : tuple of str
        Columns that aren't temperatures.
    no_reading : tuple of str
        More words that stand where there was no reading.
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
    time: tuple[str, ...] = ()
    time_unit: str | None = None
    day_first: bool | None = None
    timezone: str | None = None
    unit: Unit | None = None
    leave_out: tuple[str, ...] = ()
    no_reading: tuple[str, ...] = ()
    order: Literal["refuse", "sort"] = "refuse"
    repeats: Literal["refuse", "last", "spread"] = "refuse"


@dataclass(slots=True)
class Table:
    """A file's table, still as text.

    Attributes
    ----------
    name : str
        The file's, for messages.
    encoding, delimiter, decimal : str
    header_row : int or None
        None where there is no header.
    row_numbers : list of int
        Row of the file for each row of the table, as a spreadsheet counts them.
    cells : list of tuple of str
        By column.
    headers : list of str
        As they stand there.
    time : list of int
        The time column, or those of date and time.
    time_hint : str
        What a row of units says of it.
    columns : list of int
        The columns of temperatures …
    names : list of str
        … their names, without units …
    units : list of {'c', 'f', 'k'}
        … and their units.
    own : bool
        Written by this program.
    guesses : list of str
        What was found out and may be wrong.
    """

    name: str
    encoding: str
    delimiter: str
    decimal: str
    header_row: int | None
    row_numbers: list[int]
    cells: list[tuple[str, ...]]
    headers: list[str]
    time: list[int] = field(default_factory=list)
    time_hint: str = ""
    columns: list[int] = field(default_factory=list)
    names: list[str] = field(default_factory=list)
    units: list[Unit] = field(default_factory=list)
    own: bool = False
    guesses: list[str] = field(default_factory=list)

    def refuse(self, row: int, column: int, text: str) -> CsvError:
        """Make the error for one cell; `row` counts the table's rows from 0."""
        return CsvError(f"{self.name} row {self.row_numbers[row]}, column {self.headers[column]!r}: {text}")
