"""Times that are numbers: their unit, and from when they count. Pure."""

from __future__ import annotations

import re
from typing import Final

import numpy as np

from logger.exchange.csv_table import CsvOptions, Hint, Table
from logger.reading import Floats

UNITS_S: Final = {
    "us": 1e-6,
    "ms": 1e-3,
    "s": 1.0,
    "min": 60.0,
    "h": 3600.0,
    "days": 86_400.0,
    "unix": 1.0,
    "unix_ms": 1e-3,
    "ns": 1e-9,
}

_SINCE_1970: Final = (
    ("s", "seconds"),
    ("ms", "milliseconds"),
    ("us", "microseconds"),
    ("ns", "nanoseconds"),
)

_SINCE: Final = (
    (1.0, 2_082_844_800.0, "from 1904", ""),
    (1e-7, 11_644_473_600.0, "from 1601, in tenths of microseconds", ""),
    (1e-7, 62_135_596_800.0, "from the year 1, in tenths of microseconds", ""),
    (86_400.0, 210_866_760_000.0, "in days, as Julian dates do", r"julian|(?<![a-z])jd(?![a-z])"),
    (86_400.0, 62_167_219_200.0 + 86_400.0, "in days from the year 0", r"datenum"),
)
"""Other counts than from 1970: the unit [s], how long before 1970 they begin [s], their name, and what the
header must say where the number alone might be anything else."""

_AGES_S: Final = (946_684_800.0, 3.05e9)
"""2000 to 2066: what an instrument's clock may say, counted from 1970. [s]"""

_PART: Final = re.compile(r"0[.,](0*)1\s?(?:s|sec|min|h)\b")

_STEP: Final = re.compile(r"(\d+(?:\.\d+)?)\s*(ms|s|min|h)")

_HEADER_UNIT: Final = re.compile(
    r"(?<![a-zµ])(?:(?P<us>[µμ]s|us|usecs?|microseconds?|micros)|(?P<ms>ms|msec|milliseconds?|millis)"
    r"|(?P<ns>ns|nsec|nanoseconds?|nanos)|(?P<s>s|sec|secs|seconds?|sek|sekunden?)"
    r"|(?P<min>min|mins|minutes?|minuten?)|(?P<h>h|hr|hrs|hours?|std|stunden?)|(?P<days>d|days?))(?![a-z]|\s?=)",
    re.I,
)

EXCEL_EPOCH_DAYS: Final = 25_569  # 1970-01-01 in a spreadsheet's count


def unwrapped(values: Floats) -> tuple[Floats, int]:
    """Let a counter of 32 or 16 bits that began again at 0 go on; and say how many bits."""
    steps = np.diff(values)
    if not (steps < 0).any() or (values % 1 != 0).any() or values.min() < 0:
        return values, 0
    usual = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
    for bits in (16, 32):
        again = (steps < 0) & (steps + 2.0**bits > 0) & (steps + 2.0**bits <= 3 * usual)
        if values.max() < 2.0**bits and (again == (steps < 0)).all():
            return values + np.concatenate(([0], np.cumsum(again))) * 2.0**bits, bits
    return values, 0


def _likely_units(values: Floats) -> list[str]:
    """Say which units make a firing of times that are numbers: a row takes more than a millisecond."""
    low, high = float(values.min()), float(values.max())
    units = ["s", "min", "h", "ms"]
    if low >= 0 and high < 2 and (values % 1).any():
        units.insert(0, "days")
    return [unit for unit in units if (high - low) * UNITS_S[unit] > 1e-3 * len(values)] or units


def _since_1970(low_s: float, high_s: float) -> bool:
    return low_s > 9e8 and high_s < 5e9


def from_elsewhere(table: Table, values: Floats, options: CsvOptions) -> Floats | None:
    """Give seconds since 1970 where times count from another day, as some instruments' do."""
    if options.time_unit is not None or table.own:
        return None
    said = f"{table.headers[table.time[0]]} {table.time_hint}"
    unit = [found.lastgroup for found in _HEADER_UNIT.finditer(said.replace("_", " "))][-1:]
    for unit_s, before_s, words, header in _SINCE:
        since_s = values * unit_s - before_s
        if (
            _AGES_S[0] < since_s.min()
            and since_s.max() < _AGES_S[1]
            and re.search(header, said, re.I)
            and (unit_s != 1 or unit in ([], ["s"]))
        ):
            table.guesses.append(f"times count {words}")
            return np.asarray(np.round(since_s, 4))
    return None


def unit_of(table: Table, values: Floats, options: CsvOptions) -> tuple[str, float, bool]:
    """Give the unit of times that are numbers, how many of it each is, and whether they count from 1970."""
    low, high = float(values.min()), float(values.max())
    if options.time_unit is not None and (step := _STEP.fullmatch(options.time_unit.strip())):
        return step[2], float(step[1]), False
    if options.time_unit is not None:
        if options.time_unit not in UNITS_S:
            choice = ", ".join(UNITS_S) + ", or 10s where each row is 10 s later"
            what = f"--time-unit {options.time_unit!r}: for numbers it must be one of {choice}"
            raise table.refuse(what, code="time-unit")
        said_s = UNITS_S[options.time_unit]
        from_1970 = options.time_unit in ("unix", "unix_ms") or _since_1970(low * said_s, high * said_s)
        return options.time_unit, 1.0, from_1970
    if table.own:
        return "s", 1.0, False
    header = table.headers[table.time[0]]
    found = list(_HEADER_UNIT.finditer(f"{header} {table.time_hint}".replace("_", " ")))
    if found:
        unit = str(found[-1].lastgroup)
        part = _PART.search(f"{header} {table.time_hint}")  # "time (0.1 s)"
        step_of_unit = 1.0 if part is None else 0.1 ** (len(part[1]) + 1)
        return unit, step_of_unit, _since_1970(low * UNITS_S[unit], high * UNITS_S[unit])
    for unit, words in _SINCE_1970:
        if _since_1970(low * UNITS_S[unit], high * UNITS_S[unit]):
            table.guesses.append(f"times are {words} since 1970")
            return unit, 1.0, True
    if low > EXCEL_EPOCH_DAYS and high < 80_000 and high - low < 60 and (values % 1 != 0).any():
        table.guesses.append("times are a spreadsheet's days since 1900")
        return "days", 1.0, False
    what = "has times as numbers and doesn't say in what; say it with"
    ways = (Hint("time_unit", unit) for unit in _likely_units(values))
    raise table.refuse(what, *ways, column=table.time[0], code="time-unit")
