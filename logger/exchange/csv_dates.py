"""What a time in a CSV file may look like: dates in any order, clocks of 12 and 24 hours. Pure."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Final, Literal

TimeKind = Literal["datetime", "date", "clock", "number"]

_MONTHS: Final = {
    name: number
    for number, names in enumerate(
        (
            "jan ene gen janv",
            "feb fév fev febr",
            "mar mär mrz mars maart",
            "apr avr abr",
            "may mai mei mag",
            "jun juin giu",
            "jul juil lug",
            "aug aoû aou ago",
            "sep set sept",
            "oct okt ott out",
            "nov",
            "dec dez déc dic",
        ),
        1,
    )
    for name in names.split()
}
_DAY_NAME: Final = r"(?:[^\W\d_]{2,9}\.?,?\s+)?"
_DATE: Final = (
    rf"{_DAY_NAME}(?:(?P<y>\d{{4}})(?P<ysep>[-/._])(?P<m>\d{{1,2}})(?P=ysep)(?P<d>\d{{1,2}})"
    r"|(?P<c>(?:19|20)\d{6}(?=T|\s+\d|$))"
    r"|(?P<a>\d{1,2})(?P<sep>[-/. ])(?P<b>\d{1,2})(?P=sep)(?P<yy>\d{4}|\d{2})"
    r"|(?P<d2>\d{1,2})[-/. ]+(?P<mon>[^\W\d_]{3,9})\.?[-/., ]+(?P<y2>\d{4}|\d{2})"
    r"|(?P<mon3>[^\W\d_]{3,9})\.? +(?P<d3>\d{1,2}),? +(?P<y3>\d{4}))"
)
_CLOCK: Final = (
    r"(?P<h>\d{1,4}):(?P<min>\d{1,2})(?::(?P<s>\d{1,2})(?:[.,:](?P<f>\d{0,9}))?)?"
    r"(?:\s*(?P<half>[ap])\.?\s?m\.?)?"
)
_DAYS: Final = r"(?:(?P<days>\d{1,4})(?:\s*d(?:ays?)?,?\s*|\.))?"
_ZONE: Final = (
    r"(?:\s*(?P<zone>Z|(?:UTC|GMT)(?:\s?[+\-−]\d{1,2}(?::?\d{2})?)?|[+\-−]\d{2}(?::?\d{2})?|[A-Z]{3,5}))?"
)
DATE_ONLY: Final = re.compile(_DATE, re.I)
CLOCK_ONLY: Final = re.compile(_DAYS + _CLOCK, re.I)
DATETIME: Final = re.compile(rf"{_DATE}(?:\s*,\s*|T|\s+|_){_CLOCK}{_ZONE}", re.I)
DAY_LAST: Final = re.compile(
    r"(?:[a-z]{3}\s+)?([a-z]{3})\s+(\d{1,2})\s+(\d{1,2}:\d{2}:\d{2}(?:[.,]\d+)?)\s+(\d{4})", re.I
)
COMPACT: Final = re.compile(r"((?:19|20)\d{6})T?[ _]?(\d{2})(\d{2})(\d{2})(\.\d+)?Z?", re.I)
_NUMBER: Final = re.compile(r"[+\-−]?(\d+([.,]\d*)?|[.,]\d+)(e[+-]?\d+)?", re.I)
_HOUR: Final = re.compile(r"\d{1,2}([.,]\d{0,6})?")
LONGEST: Final = 64
DATE_PARTS: Final = ("y", "m", "d", "c", "a", "b", "yy", "d2", "mon", "y2", "mon3", "d3", "y3", "sep")


def kind_of(cell: str) -> TimeKind | None:
    """Say what kind of time a cell may be.

    Parameters
    ----------
    cell : str

    Returns
    -------
    {'datetime', 'date', 'clock', 'number'} or None
    """
    text = cell.strip()
    if not text or len(text) > LONGEST or not any(c.isdigit() for c in text):
        return None
    if _NUMBER.fullmatch(text):
        return "number"
    kinds: tuple[tuple[TimeKind, re.Pattern[str]], ...] = (
        ("datetime", DATETIME),
        ("datetime", COMPACT),
        ("datetime", DAY_LAST),
        ("date", DATE_ONLY),
        ("clock", CLOCK_ONLY),
    )
    return next((kind for kind, pattern in kinds if pattern.fullmatch(text)), None)


def joined(cells: Sequence[str]) -> str:
    """Write the time that stands in several columns as one.

    Parameters
    ----------
    cells : sequence of str
        Date and time of day; date and hour as a number, perhaps with minute and second; or year, month, day,
        hour, minute and perhaps second.

    Returns
    -------
    str
    """
    if len(cells) < 2 or (len(cells) == 2 and not _HOUR.fullmatch(cells[1].strip())):
        return " ".join(cell.strip() for cell in cells)
    if len(cells) < 5 and kind_of(cells[0]) == "date":
        return f"{cells[0].strip()} {_clock_of(cells[1:])}"
    parts = [cell.strip().removesuffix(".0") for cell in cells]
    return f"{'-'.join(parts[:3])} {':'.join(parts[3:])}"


def _clock_of(cells: Sequence[str]) -> str:
    """Write hour, minute and second, or a day's hours with decimals, as a clock does."""
    parts = [cell.strip().replace(",", ".") for cell in cells]
    if len(parts) > 1:
        whole = [part.removesuffix(".0") for part in parts]
        return ":".join(whole)
    hour, _, decimals = parts[0].partition(".")
    seconds = round(float(f"0.{decimals or 0}") * 3600)
    return f"{hour}:{seconds // 60:02d}:{seconds % 60:02d}" if seconds < 3600 else f"{int(hour) + 1}:00:00"


def days_of(parts: tuple[str | None, ...], day_first: bool) -> int:
    """Count a date's days from 1970.

    Parameters
    ----------
    parts : tuple of str or None
        The groups `DATE_PARTS` of a match.
    day_first : bool
        Whether 3/4 is the third of April.

    Returns
    -------
    int

    Raises
    ------
    ValueError
        There is no such day, or it can't be that of a firing.
    """
    y, m, d, c, a, b, yy, d2, mon2, y2, mon3, d3, y3, _ = parts
    if y is not None:
        year, month, day = int(y), int(m or 0), int(d or 0)
    elif c is not None:
        year, month, day = int(c[:4]), int(c[4:6]), int(c[6:8])
    elif a is not None:
        year = _year(yy or "")
        day, month = (int(a), int(b or 0)) if day_first else (int(b or 0), int(a))
    else:
        word = (mon2 or mon3 or "").lower()
        number = _MONTHS.get(word) or _MONTHS.get(word[:4]) or _MONTHS.get(word[:3])
        if number is None:
            raise ValueError(f"{mon2 or mon3!r} is no month")
        year, month, day = _year(y2 or y3 or ""), number, int(d2 or d3 or 0)
    if not 1970 <= year <= 2200:
        raise ValueError(
            f"the year is {year}; that instrument's clock was never set, or the time is another column's"
        )
    return (datetime(year, month, day, tzinfo=UTC) - datetime(1970, 1, 1, tzinfo=UTC)).days


def _year(text: str) -> int:
    return int(text) if len(text) == 4 else 2000 + int(text)
