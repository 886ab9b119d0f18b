"""What one cell of a CSV file may be: a number, a word in place of one, a date, a clock, a zone.

Pure, except for the computer's own time zone.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime, timedelta, timezone, tzinfo
from typing import Final, Literal

import numpy as np

from logger.exchange.csv_table import Table
from logger.exchange.csv_words import ERROR_WORDS, NO_READING, OPEN_WORDS, WITH_UNIT
from logger.reading import Floats, Ints, Status

MAX_CELL: Final = 200
"""Characters of a cell that are read: the rest says nothing about a temperature or a column's name."""

TimeKind = Literal["datetime", "date", "clock", "number"]

Order = Literal["dmy", "mdy", "ymd"]
BUDDHIST: Final = range(2543, 2643)  # years 2000 to 2099 as counted in Thailand: 543 more

_NAMES_OF_MONTHS: Final = (  # without those that are different months in Polish and Croatian
    "jan ene gen janv sty, feb fév fev febr lut, mar mär mrz mars maart, apr avr abr kwi, "
    "may mai mei mag maj, jun juin giu cze, jul juil lug, aug aoû aou ago sie, sep set sept wrz, "
    "oct okt ott out paź, nov, dec dez déc dic gru"
)
_MONTHS: Final = {
    name: number for number, names in enumerate(_NAMES_OF_MONTHS.split(", "), 1) for name in names.split()
}
_DAY_NAME: Final = r"(?:(?!start|stop|end|from|date|begin)[^\W\d_]{2,9}\.?,?\s+)?"
_DATE: Final = (
    rf"{_DAY_NAME}(?:(?P<y>\d{{4}})(?P<ysep>[-/._])(?P<m>\d{{1,2}})(?P=ysep)(?P<d>\d{{1,2}})"
    r"|(?P<a>\d{1,2})(?P<sep>[-/. ])(?P<b>\d{1,2})(?P=sep)(?P<yy>\d{4}|\d{2})"
    r"|(?P<d2>\d{1,2})[-/. ]+(?P<mon>[^\W\d_]{3,9})\.?[-/., ]+(?P<y2>\d{4}|\d{2}))"
)
DATE_PARTS: Final = ("y", "m", "d", "a", "b", "yy", "sep", "d2", "mon", "y2")
_CLOCK: Final = (
    r"(?P<h>\d{1,4}):(?P<min>\d{1,2})(?::(?P<s>\d{1,2})(?:[.,:](?P<f>\d{0,9}))?)?"
    r"(?:\s*(?P<half>[ap])\.?(?:\s?m\.?)?(?![a-z]))?"
)
_DAYS: Final = r"(?:(?P<days>\d{1,4})(?:\s*d(?:ays?)?,?\s*|\.))?"
_ZONE: Final = (
    r"(?:\s*(?P<zone>Z|(?:UTC|GMT)(?:\s?[+\-−]\d{1,2}(?::?\d{2})?)?|[+\-−]\d{2}(?::?\d{2})?|[A-Z]{3,5}))?"
)
_DATETIME: Final = re.compile(rf"{_DATE}(?:\s*,\s*|T|\s+|[_\-]){_CLOCK}{_ZONE}", re.I)
_FORMS: Final[tuple[tuple[TimeKind, re.Pattern[str]], ...]] = (
    ("datetime", _DATETIME),
    ("date", re.compile(_DATE, re.I)),
    ("clock", re.compile(rf"(?P<before>[\-−])?{_DAYS}{_CLOCK}", re.I)),
)
_NUMBER: Final = re.compile(r"[+\-−]?(\d+([.,]\d*)?|[.,]\d+)([ed][+-]?\d+)?", re.I)
_YEAR: Final = re.compile(r"(?:19|20)\d{2}")
HHMMSS: Final = re.compile(
    r"(?:[01]\d|2[0-3])[0-5]\d(?:[0-5]\d)?|\d[0-5]\d[0-5]\d|(?:[01]?\d|2[0-3])\.[0-5]\d\.[0-5]\d"
)
"""21:04:05, 21:04 or 9:04:05, without the colons, or with points."""
_STAMP: Final = re.compile(
    r"(?:19|20)\d\d(?:0[1-9]|1[0-2])(?:0[1-9]|[12]\d|3[01])(?:[01]\d|2[0-3])[0-5]\d(?:[0-5]\d(?:\.\d+)?)?"
)
"""20261125100000: date and time without separators; too large or too small to count from 1970."""
ZONE: Final = re.compile(r"[+\-−]\d{2}:?\d{2}|Z|UTC|GMT")
UTC_WORD: Final = re.compile(r"(?:(?<![a-z])|(?<=date)|(?<=time))(utc|gmt)(?![a-z])", re.I)
_HOUR: Final = re.compile(r"\d{1,2}([.,]\d{0,6})?")
HALF: Final = re.compile(r"[ap]\.? ?m\.?", re.I)
FRACTION: Final = re.compile(r"\d{1,9}")
_LONGEST: Final = 80
_START: Final = datetime(1970, 1, 1, tzinfo=UTC)


def _as(form: str) -> Callable[[re.Match[str]], str]:
    """Make a function that rewrites a date of this form as year-month-day, if there is such a day."""

    def written(match: re.Match[str]) -> str:
        said = " ".join(match.groups())
        try:
            day = datetime.strptime(said, form)  # noqa: DTZ007
        except ValueError:
            return match[0]
        return f"{day:%Y-%m-%d}" if day.strftime(form) == said else match[0]  # 2025 has no day 366

    return written


_REWRITTEN: Final[tuple[tuple[re.Pattern[str], str | Callable[[re.Match[str]], str]], ...]] = (
    (re.compile(r"(?<=\d)\s?\[[A-Z][A-Za-z_]+(?:/[A-Za-z_\-]+){1,2}\]$"), ""),  # +01:00[Europe/Vienna]
    (
        re.compile(r"(?<=[+\-]\d{4}) [A-Z]{3,5}$|(?<=\d)\s\([A-Z][\w ]+\)$"),
        "",
    ),  # +0100 (Central …)
    (re.compile(r"^T(?=\d{1,2}:)|^\+(?=\d+:)", re.I), ""),
    (re.compile(r"(?<=\d)[, ]\s?(?:à|klo|kl\.?|um|at|a las|om|alle)\s(?=\d)", re.I), " "),
    (re.compile(r"(?<=\d)\sUhr$"), ""),
    (re.compile(r"(?<=/\d{4}):(?=\d\d:\d\d:\d\d)"), " "),  # a web server's 25/Nov/2026:10:00:00
    (re.compile(r"(?:오전|上午|午前)\s?(\d[\d:]*)"), r"\1 AM"),
    (re.compile(r"(?:오후|下午|午後)\s?(\d[\d:]*)"), r"\1 PM"),
    (re.compile(r"(?<=\d)\sπ\.?μ\.?$"), " AM"),
    (re.compile(r"(?<=\d)\sμ\.?μ\.?$"), " PM"),
    (re.compile(r"^(\d{4})\. ?(\d{1,2})\. ?(\d{1,2})\.(?=\s|$)"), r"\1-\2-\3"),  # 2025. 11. 27. in Hungarian
    (re.compile(r"^(\d{1,2})\. (\d{1,2})\. (\d{4})(?=\s|$)"), r"\1.\2.\3"),
    (re.compile(r"[\[({]([^\])}]+)[\])}]"), r"\1"),  # [2026-11-25 10:00:00]
    (re.compile(r"^[\[({]|[\])}]$"), ""),
    (re.compile(r"(\d{4})年\s*(\d{1,2})月\s*(\d{1,2})日"), r"\1-\2-\3"),
    (re.compile(r"(\d{1,2})\s?[hH時]\s?(\d{2})(?:\s?(?:m|min|[:'分])\s?(\d{2})\s?[s秒]?)?$"), r"\1:\2:\3"),
    (re.compile(r"(?<=[\dT][ T_])(\d{1,2})([.\-])(\d{2})\2(\d{2})$"), r"\1:\3:\4"),  # a date, then 10.00.00
    (re.compile(r"^((?:19|20)\d\d)(\d\d)(\d\d)T?[ _]?(\d\d)(\d\d)(\d\d)?(?=\.\d|Z?$)"), r"\1-\2-\3 \4:\5:\6"),
    (re.compile(r"^((?:19|20)\d\d)(\d\d)(\d\d)(?=T|\s+\d)"), r"\1-\2-\3"),
    (re.compile(r"^(\d{4})[-/._](\d{3})(?!\d)"), _as("%Y %j")),  # ISO 8601: a year's day, or a week's
    (re.compile(r"^(\d{4})-?W(\d\d)-?([1-7])(?!\d)"), _as("%G %V %u")),
    (
        re.compile(
            r"^(?:[a-z]{3}\s+)?([a-z]{3})\s+(\d{1,2})\s+([\d:.,]+:\d\d\S*(?:\s+[a-z]{1,5})?)\s+(\d{4})$", re.I
        ),
        r"\2-\1-\4 \3",
    ),  # Wed Nov 25 10:00:00 UTC 2026
    (re.compile(r"([^\W\d_]{3,9})\.? +(\d{1,2}),? +(\d{4})(?=[\sT,_]|$)"), r"\2-\1-\3"),
)
"""Unusual ways to write dates and times, and the usual form."""
_NUM: Final = r"\d{1,7}(?:[.,]\d{1,6})?"
_SPAN: Final = re.compile(
    rf"(?:P(?=.*T))?(?:({_NUM})\s?d)?\s?T?(?:({_NUM})\s?h)?\s?(?:({_NUM})\s?m(?:in)?)?\s?"
    rf"(?:({_NUM})\s?s(?:ecs?)?)?(?:({_NUM})\s?ms)?|(\d{{1,4}}):(\d\d[.,]\d{{1,6}})",
    re.I,
)
"""PT1H2M3S (ISO 8601, durations), 1h 2m 3s, 61.5 s; and minutes with decimal seconds, 61:00.5."""
_SPAN_S: Final = (86_400, 3600, 60, 1, 1e-3, 60, 1)
_TICKS: Final = re.compile(r"/Date\((\d{12,14})(?:[+\-]\d{4})?\)/")
"""Milliseconds since 1970, whatever zone follows: `/Date(1700000000000+0100)/`."""


def kind_of(cell: str) -> TimeKind | None:
    """Say what kind of time a cell may be."""
    return matched(cell)[0]


def matched(cell: str) -> tuple[TimeKind | None, re.Match[str] | None]:
    """Say what kind of time a cell may be, with its match: the groups of date and time, or of a time.

    A date alone is midnight, as in spreadsheets.
    """
    text = cell.strip()
    if not text or len(text) > _LONGEST or not any(c.isdigit() for c in text):
        return None, None
    if (number := _NUMBER.fullmatch(text)) and not _STAMP.fullmatch(text):
        return "number", number
    for written in (text, plainly(text)):
        for kind, pattern in _FORMS:
            if match := pattern.fullmatch(written):
                return kind, _DATETIME.fullmatch(f"{written} 0:00:00") if kind == "date" else match
    return None, None


def plainly(text: str) -> str:
    """Rewrite an unusual time (in brackets, with an h, 年月日, a duration …) in the usual form.

    Anything else stays as it is.
    """
    if (ticks := _TICKS.fullmatch(text)) is not None:
        return (_START + timedelta(milliseconds=int(ticks[1]))).isoformat()
    span = _SPAN.fullmatch(text)
    if span is not None and any(span.groups()):
        parts = (float(part.replace(",", ".")) for part in span.groups(default="0"))
        seconds = sum(part * of_s for part, of_s in zip(parts, _SPAN_S, strict=True))
        minute, us = divmod(round(seconds * 1e6), 60_000_000)
        return f"{minute // 60}:{minute % 60:02d}:{us // 1_000_000:02d}.{us % 1_000_000:06d}"
    for pattern, as_others in _REWRITTEN:
        text = pattern.sub(as_others, text).rstrip(":")
    return text


def joined(cells: Sequence[str], digits: int = 0) -> str:
    """Join a time that is spread over several columns.

    They hold date and time of day; date and hour as a number, perhaps with minute and second; year, month,
    day, hour, minute and perhaps second; or minute and second. AM or PM, or a zone, may follow. `digits` is
    the length of the last column, if that holds parts of a second.
    """
    first, *rest = parts = [cell.strip() for cell in cells]
    if not rest:
        return first
    if HALF.fullmatch(rest[-1]) or ZONE.fullmatch(rest[-1]):
        return f"{joined(parts[:-1])} {rest[-1]}"
    if digits and FRACTION.fullmatch(rest[-1]):
        return f"{joined(parts[:-1])}.{rest[-1]:0>{digits}}"
    if len(rest) == 1 and HHMMSS.fullmatch(rest[0]) and kind_of(first) in ("date", "number"):
        return f"{first} {_with_colons(rest[0])}"
    if len(rest) == 1 and not _HOUR.fullmatch(rest[0]):
        return " ".join(parts)
    whole = [part.removesuffix(".0") for part in parts]
    if len(rest) < 4 and kind_of(first) == "date":
        if len(rest) == 1:  # decimal hours of the day
            seconds = round(float(rest[0].replace(",", ".")) * 3600)
            return f"{first} {plainly(f'{seconds} s')}"
        return f"{first} {':'.join(whole[1:])}"
    if len(whole) in (3, 4) and _YEAR.fullmatch(first):  # the year, its day, 2104 for 21:04; its second
        return ":".join([f"{whole[0]}-{whole[1]:0>3} {_with_colons(whole[2])}", *parts[3:]])
    if len(whole) == 2 and whole[0].isdecimal():
        return f"{int(whole[0]) // 60}:{int(whole[0]) % 60:02d}:{whole[1]}"
    return ":".join(whole) if len(whole) == 3 else f"{'-'.join(whole[:3])} {':'.join(whole[3:])}"


def _with_colons(text: str) -> str:
    """Write 93015 as 09:30:15, and 930 as 09:30; leave colons as they are."""
    digits = f"{text:0>6}" if len(text) > 4 else f"{text:0>4}"
    return ":".join(digits[i : i + 2] for i in range(0, len(digits), 2)) if text.isdecimal() else text


def days_of(parts: Sequence[str | None], order: Order) -> int:
    """Count a date's days from 1970; ValueError: no such day, or not one of a firing.

    `parts` are the groups `DATE_PARTS` of a match.
    """
    y, m, d, a, b, yy, _, d2, mon, y2 = parts
    if a is not None:
        said = dict(zip(order, (a, b, yy), strict=True))
        y, m, d = said["y"], said["m"], said["d"]
    elif mon is not None:
        numbers = (_MONTHS.get(mon[:length].lower()) for length in (9, 4, 3))
        number = next((number for number in numbers if number), None)
        if number is None:
            raise ValueError(f"no month known here is called {mon!r}; write it as 2026-11-25")
        y, m, d = y2, str(number), d2
    year = int(y or 0) if len(y or "") == 4 else 2000 + int(y or 0)
    if year in BUDDHIST:
        year -= 543
    if not 1970 <= year <= 2200:
        raise ValueError(
            f"the year is {year}: the instrument's clock was never set, or the time is in another column"
        )
    return (date(year, int(m or 0), int(d or 0)) - date(1970, 1, 1)).days


_OFFSET: Final = re.compile(r"(?:(?:GMT|UTC)\s?)?([+\-−])(\d{1,2})(?::?(\d{2}))?", re.I)


def offset_us(zone: str) -> int | None:
    """Read an offset from UTC; None if it is a place or a word. [µs]."""
    if zone.upper() in ("Z", "UTC", "GMT"):
        return 0
    match = _OFFSET.fullmatch(zone.strip())
    if match is None or int(match[2]) > 15 or int(match[3] or 0) > 59:
        return None
    minutes = int(match[2]) * 60 + int(match[3] or 0)
    return (minutes if match[1] == "+" else -minutes) * 60_000_000


def offset_in(text: str, *, bare: bool = True) -> int | None:
    """Find an offset from UTC among other words, perhaps a `bare` UTC; None if there is none. [µs]."""
    found = re.search(r"(?:GMT|UTC)\s?[+\-−]\d{1,2}(?::?\d{2})?", text, re.I) or (
        bare and UTC_WORD.search(text)
    )
    return offset_us(found[0]) if found else None


def offset_words(offset: int) -> str:
    """Write an offset [µs], as UTC+01:00."""
    return str(timezone(timedelta(microseconds=offset)))


def zone_offsets_us(local_us: Ints, zone: tzinfo | None) -> Ints:
    """Return a local clock's offsets from UTC; where the clock goes back tells the hour that comes twice.

    Without a zone, the computer's own is used.
    """
    # Zones change on quarter hours: ask once for each, not for each row.
    quarters, inverse = np.unique(local_us // 900_000_000, return_inverse=True)
    times = [(_START + timedelta(minutes=15 * int(quarter))).replace(tzinfo=zone) for quarter in quarters]
    by_fold = ([_offset_us(time.replace(fold=fold)) for time in times] for fold in (0, 1))
    first, second = (np.array(offsets, np.int64)[inverse] for offsets in by_fold)
    # An hour that comes twice, in autumn: the second has begun once the clock has gone back.
    back = np.concatenate(([0], np.cumsum(np.diff(local_us) < -1_800_000_000)))
    return np.where(back > 0, second, first)


def _offset_us(time: datetime) -> int:
    offset = (time if time.tzinfo else time.astimezone()).utcoffset() or timedelta(0)
    return offset // timedelta(microseconds=1)


# --- numbers ------------------------------------------------------------------------------------------------

_GROUPED: Final = r"[+\-]?(?=[.,]?\d)(?:\d+|\d{1,3}(?:%s\d{3})+|\d{1,3}(?:[ \u00a0\u202f'’]\d{3})+)?"
_NUMBERS: Final = {
    mark: re.compile(f"{_GROUPED % other}(?:[{mark}]\\d*)?(?:[ed][+-]?\\d{{1,3}})?", re.I)
    for mark, other in ((".", ","), (",", r"\."))
}
"""Numbers by their decimal mark."""
_SPACES: Final = re.compile(r"[\s'’]")
_ERROR: Final = re.compile(r"(?:e|err|error|fault|f)[ .:#\-]?\d{1,3}", re.I)
_BEYOND: Final = re.compile(r"[<>≤≥]=? ?[+\-]?\d+(?:[.,]\d+)?(?: ?°?[cf])?")
"""Above or below what the instrument can read: >1200."""
_OTHER_COMMA: Final = re.compile(r"[+\-]?\d+,(?:\d{1,2}|\d{4,})")


def as_number(cell: str, decimal: str) -> float | None:
    """Read a number; None if it isn't one.

    The one of point and comma that isn't `decimal` may separate thousands, in groups of three digits.
    """
    text = cell.strip().replace("−", "-").removeprefix("'").rstrip(" °º")
    if text[:1] in ("+", "-"):
        text = text[0] + text[1:].lstrip()
    if len(text) > 40 or not _NUMBERS[decimal].fullmatch(text):
        return None
    text = text.replace(".", "").replace(",", ".") if decimal == "," else text.replace(",", "")
    return float(_SPACES.sub("", text).lower().replace("d", "e"))


def numbers_in(table: Table, i: int) -> list[float]:
    """Return the numbers in a column's first rows."""
    found = (as_number(cell, table.decimal) for cell in table.cells(i))
    return [number for number in found if number is not None]


def plain_floats(cells: Sequence[str]) -> Floats | None:
    """Read cells that are all plain numbers with points, or empty (NaN); None if one isn't."""
    try:
        values = np.array([float(cell or "nan") for cell in cells])
    except ValueError:
        return None
    return None if "_" in "".join(cells) else values


def is_number(cell: str) -> bool:
    """Whether a cell is a number with either decimal mark."""
    return as_number(cell, ".") is not None or as_number(cell, ",") is not None


def is_word(cell: str, decimal: str) -> bool:
    """Whether a cell has neither a number nor a digit."""
    return as_number(cell, decimal) is None and not any(c.isdigit() for c in cell)


def decimals_of(cell: str) -> str:
    """Return the digits after a number's decimal mark."""
    return re.split(r"[.,]", cell.strip())[1] if re.search(r"\d[.,]", cell) else ""


def one_cell(cell: str, decimal: str, words: frozenset[str]) -> tuple[float | None, Status, str | None]:
    """Return value (None if it can't be read), status, and the unit if the cell gives one."""
    text = cell.strip().replace("−", "-")
    lower = text.lower()
    letters = re.sub(r"[^a-z0-9%#]+", "", lower)
    if lower.lstrip("+-") in ("inf", "infinity", "1.#inf"):
        return np.nan, Status.RANGE, None
    empty = not letters or letters in ("null", "na", "nodata") or "1.#" in lower
    if lower in NO_READING or lower in words or empty:
        return np.nan, Status.ABSENT, None
    if lower in OPEN_WORDS or letters in ("tcopen", "opentc", "burnout", "oc", "opencircuit"):
        return np.nan, Status.OPEN, None
    if lower in ERROR_WORDS or _ERROR.fullmatch(lower):
        return np.nan, Status.CORRUPT, None
    if _BEYOND.fullmatch(lower):
        return np.nan, Status.RANGE, None
    unit = None
    if lower[-1:] in ("c", "f", "℃", "℉") and any(c.isdigit() for c in text):
        unit = "f" if lower[-1] in ("f", "℉") else "c"
        text = text[:-1].removesuffix("deg").rstrip(" °º")
    if decimal == "," and "," not in cell and not re.fullmatch(r"[12]\.\d{3}", text):  # 1.003 is 1003
        text = text.replace(".", ",")
    elif decimal == "." and _OTHER_COMMA.fullmatch(text):  # typed by hand among others with points
        text = text.replace(",", ".")
    value = as_number(text, decimal)
    return value, Status.OK, unit


def is_value(cell: str) -> bool:
    """Whether a cell may be a reading, a word in place of one, or a time."""
    return len(cell) <= MAX_CELL and (
        kind_of(cell) is not None
        or cell.lower() in NO_READING | OPEN_WORDS | ERROR_WORDS
        or is_number(cell)
        or WITH_UNIT.fullmatch(cell) is not None
    )
