"""What a time in a CSV file may look like: dates in any order, clocks of 12 and 24 hours, offsets from UTC.

Pure but for the computer's own time zone.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Final, Literal

import numpy as np

from logger.reading import Ints

TimeKind = Literal["datetime", "date", "clock", "number"]

Order = Literal["dmy", "mdy", "ymd"]
BUDDHIST: Final = range(2543, 2643)
"""Years 2000 to 2099 as Thailand counts them: 543 more."""

_NAMES_OF_MONTHS: Final = (
    "jan ene gen janv, feb fév fev febr, mar mär mrz mars maart, apr avr abr, may mai mei mag, jun juin giu, "
    "jul juil lug, aug aoû aou ago, sep set sept, oct okt ott out, nov, dec dez déc dic"
)
_MONTHS: Final = {
    name: number for number, names in enumerate(_NAMES_OF_MONTHS.split(", "), 1) for name in names.split()
}
_DAY_NAME: Final = r"(?:(?!start|stop|end|from|date|begin)[^\W\d_]{2,9}\.?,?\s+)?"
_DATE: Final = (
    rf"{_DAY_NAME}(?:(?P<y>\d{{4}})(?P<ysep>[-/._])(?P<m>\d{{1,2}})(?P=ysep)(?P<d>\d{{1,2}})"
    r"|(?P<c>(?:19|20)\d{6}(?=T|\s+\d|$))"
    r"|(?P<oy>\d{4})[-/._](?P<oday>\d{3})(?!\d)|(?P<wy>\d{4})-?W(?P<week>\d{2})-?(?P<wday>[1-7])(?!\d)"
    r"|(?P<a>\d{1,2})(?P<sep>[-/. ])(?P<b>\d{1,2})(?P=sep)(?P<yy>\d{4}|\d{2})"
    r"|(?P<d2>\d{1,2})[-/. ]+(?P<mon>[^\W\d_]{3,9})\.?[-/., ]+(?P<y2>\d{4}|\d{2})"
    r"|(?P<mon3>[^\W\d_]{3,9})\.? +(?P<d3>\d{1,2}),? +(?P<y3>\d{4}))"
)
_CLOCK: Final = (
    r"(?P<h>\d{1,4}):(?P<min>\d{1,2})(?::(?P<s>\d{1,2})(?:[.,:](?P<f>\d{0,9}))?)?"
    r"(?:\s*(?P<half>[ap])\.?(?:\s?m\.?)?(?![a-z]))?"
)
_DAYS: Final = r"(?:(?P<days>\d{1,4})(?:\s*d(?:ays?)?,?\s*|\.))?"
_ZONE: Final = (
    r"(?:\s*(?P<zone>Z|(?:UTC|GMT)(?:\s?[+\-−]\d{1,2}(?::?\d{2})?)?|[+\-−]\d{2}(?::?\d{2})?|[A-Z]{3,5}))?"
)
_DATETIME: Final = re.compile(rf"{_DATE}(?:\s*,\s*|T|\s+|_){_CLOCK}{_ZONE}", re.I)
_DAY_LAST: Final = re.compile(
    r"(?:[a-z]{3}\s+)?([a-z]{3})\s+(\d{1,2})\s+(\d{1,2}:\d{2}:\d{2}(?:[.,]\d+)?)(\s+[a-z]{1,5})?\s+(\d{4})",
    re.I,
)
_COMPACT: Final = re.compile(r"((?:19|20)\d\d)(\d\d)(\d\d)T?[ _]?(\d{2})(\d{2})(\d{2})(\.\d+)?(Z)?", re.I)
_FORMS: Final[tuple[tuple[TimeKind, re.Pattern[str], str], ...]] = (
    ("datetime", _DATETIME, ""),
    ("datetime", _COMPACT, r"\1-\2-\3 \4:\5:\6\7\8"),
    ("datetime", _DAY_LAST, r"\2-\1-\5 \3\4"),
    ("date", re.compile(_DATE, re.I), r"\g<0> 0:00:00"),
    ("clock", re.compile(rf"(?P<before>[\-−])?{_DAYS}{_CLOCK}", re.I), ""),
)
"""Kinds of times, and how each is written as the first would write it."""
_NUMBER: Final = re.compile(r"[+\-−]?(\d+([.,]\d*)?|[.,]\d+)([ed][+-]?\d+)?", re.I)
_YEAR: Final = re.compile(r"(?:19|20)\d{2}")
HHMMSS: Final = re.compile(r"(?:[01]\d|2[0-3])[0-5]\d(?:[0-5]\d)?")
"""21:04:05, or 21:04, without its colons."""
_HOUR: Final = re.compile(r"\d{1,2}([.,]\d{0,6})?")
HALF: Final = re.compile(r"[ap]\.? ?m\.?", re.I)
_LONGEST: Final = 80
DATE_PARTS: Final = (
    *("y", "m", "d", "c", "a", "b", "yy", "d2", "mon", "y2", "mon3", "d3", "y3", "sep"),
    *("oy", "oday", "wy", "week", "wday"),
)
_REWRITTEN: Final = (
    (re.compile(r"(?<=\d)\s?\[[A-Z][A-Za-z_]+(?:/[A-Za-z_\-]+){1,2}\]$"), ""),  # +01:00[Europe/Vienna]
    (re.compile(r"(?<=\d)\s\([A-Z][\w ]+\)$"), ""),  # GMT+0100 (Central European Standard Time)
    (re.compile(r"^T(?=\d{1,2}:)|^\+(?=\d+:)", re.I), ""),
    (re.compile(r"(?<=\d)[, ]\s?(?:à|klo|kl\.?|um|at|a las|om|alle)\s(?=\d)", re.I), " "),
    (re.compile(r"(?<=\d)\sUhr$"), ""),
    (re.compile(r"(?<=/\d{4}):(?=\d\d:\d\d:\d\d)"), " "),  # a web server's 25/Nov/2026:10:00:00
    (re.compile(r"(?:오전|上午|午前)\s?(\d[\d:]*)"), r"\1 AM"),
    (re.compile(r"(?:오후|下午|午後)\s?(\d[\d:]*)"), r"\1 PM"),
    (re.compile(r"^(\d{4})\. ?(\d{1,2})\. ?(\d{1,2})\.(?=\s|$)"), r"\1-\2-\3"),  # 2025. 11. 27. in Hungarian
    (re.compile(r"[\[({]([^\])}]+)[\])}]"), r"\1"),  # [2026-11-25 10:00:00]
    (re.compile(r"^[\[({]|[\])}]$"), ""),
    (re.compile(r"(\d{4})年\s*(\d{1,2})月\s*(\d{1,2})日"), r"\1-\2-\3"),
    (re.compile(r"(\d{1,2})\s?[hH時]\s?(\d{2})(?:\s?(?:m|min|[:'分])\s?(\d{2})\s?[s秒]?)?$"), r"\1:\2:\3"),
    (re.compile(r"(?<=[\dT][ T])(\d{1,2})([.\-])(\d{2})\2(\d{2})$"), r"\1:\3:\4"),  # a date, then 10.00.00
)
_DURATION: Final = re.compile(
    r"(?:P(?=.*T))?(?:(\d{1,3})\s?D)?\s?T?(?:(\d{1,4})\s?H)?\s?(?:(\d{1,4})\s?M(?:in)?)?\s?"
    r"(?:(\d{1,5})(?:[.,](\d{1,6}))?\s?S)?",
    re.I,
)
"""PT1H2M3S (ISO 8601, durations), and 1h 2m 3s."""
_TICKS: Final = re.compile(r"/Date\((\d{12,14})(?:[+\-]\d{4})?\)/")
"""Milliseconds since 1970, whatever zone is said behind them: `/Date(1700000000000+0100)/`."""
MILLIS: Final = re.compile(r"\d{1,3}")
_WITH_UNIT: Final = re.compile(r"(\d{1,7})(?:[.,](\d{1,6}))? ?(ms|s|secs?|min|h)", re.I)
_WORTH_US: Final = {"m": 1_000, "s": 1_000_000, "i": 60_000_000, "h": 3_600_000_000}
_MINUTES: Final = re.compile(r"(\d{1,4}):(\d{2})[.,](\d{1,6})")


def kind_of(cell: str) -> TimeKind | None:
    """Say what kind of time a cell may be."""
    return matched(cell)[0]


def matched(cell: str) -> tuple[TimeKind | None, re.Match[str] | None]:
    """Say what kind of time a cell may be, and what it says: groups of a date with its clock, or of a clock.

    A date alone is midnight, as spreadsheets write it.
    """
    text = cell.strip()
    if not text or len(text) > _LONGEST or not any(c.isdigit() for c in text):
        return None, None
    if number := _NUMBER.fullmatch(text):
        return "number", number
    for written in (text, plainly(text)):
        for kind, pattern, as_others in _FORMS:
            if match := pattern.fullmatch(written):
                return kind, _DATETIME.fullmatch(match.expand(as_others)) if as_others else match
    return None, None


def plainly(text: str) -> str:
    """Write a time in brackets, with an h, with points or with signs for year, month and day as others do.

    Minutes with decimal seconds (`61:00.5`), durations (`PT1M1.5S`) and numbers with their unit (`61.5 s`)
    become hours; anything else stays as it is.
    """
    ticks = _TICKS.fullmatch(text)
    if ticks is not None:
        return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=int(ticks[1]))).isoformat()
    minutes = _MINUTES.fullmatch(text)
    if minutes is not None:
        hours, minute = divmod(int(minutes[1]), 60)
        return f"{hours}:{minute:02d}:{minutes[2]}.{minutes[3]}"
    counted = _WITH_UNIT.fullmatch(text)
    if counted is not None:  # 10,5 s
        unit = "i" if counted[3].lower() == "min" else counted[3][0].lower()
        us = round(float(f"{counted[1]}.{counted[2] or 0}") * _WORTH_US[unit])
        minute, us = divmod(us, 60_000_000)
        return f"{minute // 60}:{minute % 60:02d}:{us // 1_000_000:02d}.{us % 1_000_000:06d}"
    duration = _DURATION.fullmatch(text)
    if duration is not None and any(duration.groups()):
        d, h, m, s, f = duration.groups(default="0")
        minute, second = divmod(((int(d) * 24 + int(h)) * 60 + int(m)) * 60 + int(s), 60)
        return f"{minute // 60}:{minute % 60:02d}:{second:02d}.{f}"
    for pattern, as_others in _REWRITTEN:
        text = pattern.sub(as_others, text).rstrip(":")
    return text


def joined(cells: Sequence[str]) -> str:
    """Write the time that stands in several columns as one.

    They hold date and time of day; date and hour as a number, perhaps with minute and second; year, month,
    day, hour, minute and perhaps second; or minute and second; each with AM or PM at the end or without.
    """
    if len(cells) > 1 and HALF.fullmatch(cells[-1].strip()):
        return f"{joined(cells[:-1])} {cells[-1].strip()}"
    if len(cells) == 2 and kind_of(cells[0]) in ("date", "number") and HHMMSS.fullmatch(cells[1].strip()):
        return f"{cells[0].strip()} {_clock_of_digits(cells[1].strip())}"
    if len(cells) > 1 and MILLIS.fullmatch(cells[-1].strip()) and ":" in cells[-2]:
        return f"{joined(cells[:-1])}.{cells[-1].strip():0>3}"
    if len(cells) < 2 or (len(cells) == 2 and not _HOUR.fullmatch(cells[1].strip())):
        return " ".join(cell.strip() for cell in cells)
    if len(cells) < 5 and kind_of(cells[0]) == "date":
        return f"{cells[0].strip()} {_clock_of(cells[1:])}"
    parts = [cell.strip().removesuffix(".0") for cell in cells]
    if len(parts) == 3 and _YEAR.fullmatch(parts[0]):  # the year, its day, and 2104 for 21:04
        return f"{parts[0]}-{parts[1]:0>3} {_clock_of_digits(parts[2])}"
    if len(parts) == 3:
        return ":".join(parts)
    if len(parts) == 2 and parts[0].isdecimal():
        return f"{int(parts[0]) // 60}:{int(parts[0]) % 60:02d}:{parts[1]}"
    return f"{'-'.join(parts[:3])} {':'.join(parts[3:])}"


def _clock_of_digits(text: str) -> str:
    """Write 93015 as 9:30:15, and 930 as 9:30; what has colons stays."""
    if not text.isdecimal():
        return text
    digits = f"{text:0>6}" if len(text) > 4 else f"{text:0>4}"
    return ":".join(digits[i : i + 2] for i in range(0, len(digits), 2))


def _clock_of(cells: Sequence[str]) -> str:
    """Write hour, minute and second, or a day's hours with decimals, as a clock does."""
    parts = [cell.strip().replace(",", ".") for cell in cells]
    if len(parts) > 1:
        whole = [part.removesuffix(".0") for part in parts]
        return ":".join(whole)
    hour, _, decimals = parts[0].partition(".")
    seconds = round(float(f"0.{decimals or 0}") * 3600)
    return f"{hour}:{seconds // 60:02d}:{seconds % 60:02d}" if seconds < 3600 else f"{int(hour) + 1}:00:00"


def days_of(parts: tuple[str | None, ...], order: Order) -> int:
    """Count a date's days from 1970; ValueError: no such day, or it can't be that of a firing.

    `parts` are the groups `DATE_PARTS` of a match.
    """
    y, m, d, c, a, b, yy, d2, mon2, y2, mon3, d3, y3, _, oy, oday, wy, week, wday = parts
    if oy is not None:  # ISO 8601: a year's day, or a week's
        date = datetime(int(oy), 1, 1) + timedelta(days=int(oday or 0) - 1)  # noqa: DTZ001
        if date.year != int(oy):
            raise ValueError(f"that year has no day {oday}")
        year, month, day = date.year, date.month, date.day
    elif wy is not None:
        date = datetime.fromisocalendar(int(wy), int(week or 0), int(wday or 0))
        year, month, day = date.year, date.month, date.day
    elif y is not None:
        year, month, day = int(y), int(m or 0), int(d or 0)
    elif c is not None:
        year, month, day = int(c[:4]), int(c[4:6]), int(c[6:8])
    elif a is not None:
        found = dict(zip(order, (a, b or "", yy or ""), strict=True))
        year, month, day = _year(found["y"]), int(found["m"]), int(found["d"])
    else:
        word = (mon2 or mon3 or "").lower()
        number = _MONTHS.get(word) or _MONTHS.get(word[:4]) or _MONTHS.get(word[:3])
        if number is None:
            raise ValueError(f"{mon2 or mon3!r} is no month that is known here; write it as 2026-11-25")
        year, month, day = _year(y2 or y3 or ""), number, int(d2 or d3 or 0)
    if year in BUDDHIST:
        year -= 543
    if not 1970 <= year <= 2200:
        raise ValueError(
            f"the year is {year}; that instrument's clock was never set, or the time is another column's"
        )
    return (datetime(year, month, day, tzinfo=UTC) - datetime(1970, 1, 1, tzinfo=UTC)).days


def _year(text: str) -> int:
    return int(text) if len(text) == 4 else 2000 + int(text)


# --- zones --------------------------------------------------------------------------------------------------

_OFFSET: Final = re.compile(r"(?:(?:GMT|UTC)\s?)?([+\-−])(\d{1,2})(?::?(\d{2}))?", re.I)


def offset_us(zone: str) -> int | None:
    """Read an offset from UTC; None where that is a place or a word. [µs]."""
    if zone.upper() in ("Z", "UTC", "GMT"):
        return 0
    match = _OFFSET.fullmatch(zone.strip())
    if match is None or int(match[2]) > 15 or int(match[3] or 0) > 59:
        return None
    minutes = int(match[2]) * 60 + int(match[3] or 0)
    return (minutes if match[1] == "+" else -minutes) * 60_000_000


def offset_in(text: str) -> int | None:
    """Find an offset from UTC among other words; None where there is none. [µs]."""
    found = re.search(
        r"(?:GMT|UTC)\s?[+\-−]\d{1,2}(?::?\d{2})?|(?<![A-Za-z])(?:GMT|UTC)(?![A-Za-z])", text, re.I
    )
    return None if found is None else offset_us(found[0])


def offset_words(offset: int) -> str:
    """Write an offset [µs] that a header told."""
    minutes = abs(offset) // 60_000_000
    return f"UTC{'-' if offset < 0 else '+'}{minutes // 60:02}:{minutes % 60:02}, as the header says"


def zone_offsets_us(local_us: Ints, zone: tzinfo | None) -> Ints:
    """Give the offsets from UTC of a wall's clock, the hour that comes twice by where the clock goes back.

    Without a zone it is the computer's own.
    """
    # Zones change at full quarters of an hour: ask once for each, not for each row.
    quarters, inverse = np.unique(local_us // 900_000_000, return_inverse=True)
    first, second = (
        np.array([_zone_offset_us(int(q) * 900_000_000, zone, fold) for q in quarters], np.int64)[inverse]
        for fold in (0, 1)
    )
    ambiguous = first != second
    if not ambiguous.any():
        return first
    # An hour that comes twice, in autumn: the second time has begun when the clock has gone back.
    back = np.concatenate(([0], np.cumsum(np.diff(local_us) < -1_800_000_000)))
    return np.where(ambiguous & (back > 0), second, first).astype(np.int64)


def _zone_offset_us(local_us: int, zone: tzinfo | None, fold: int) -> int:
    naive = datetime(1970, 1, 1) + timedelta(microseconds=local_us)  # noqa: DTZ001
    aware = naive.replace(tzinfo=zone, fold=fold) if zone else naive.replace(fold=fold).astimezone()
    offset = aware.utcoffset()
    assert offset is not None
    return offset // timedelta(microseconds=1)
