"""Times that are numbers: their unit, and from when they count. Pure."""

from __future__ import annotations

import re
from typing import Final, Literal, NamedTuple

import numpy as np

from logger.exchange.csv_table import CsvOptions, Hint, Table
from logger.reading import Floats, Ints

_UNITS_S: Final = {
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
_SINCE_1970: Final = {"s": "seconds", "ms": "milliseconds", "us": "microseconds", "ns": "nanoseconds"}
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
_STEP: Final = re.compile(r"\s*(\d+(?:\.\d+)?)\s*(ms|s|min|h)\s*")
_HEADER_UNIT: Final = re.compile(
    r"(?<![a-zµ])(?:(?P<us>[µμ]s|us|usecs?|microseconds?|micros)|(?P<ms>ms|msec|milliseconds?|millis)"
    r"|(?P<ns>ns|nsec|nanoseconds?|nanos)|(?P<s>s|sec|secs|seconds?|sek|sekunden?)"
    r"|(?P<min>min|mins|minutes?|minuten?)|(?P<h>h|hr|hrs|hours?|std|stunden?)|(?P<days>d|days?))(?![a-z]|\s?=)",
    re.I,
)
_EXCEL_EPOCH_DAYS: Final = 25_569  # 1970-01-01 in a spreadsheet's count


class Count(NamedTuple):
    """How times are counted."""

    unit_s: float
    since: Literal["1970", "on the wall", ""] = (
        ""  # from 1970 in UTC or by the clock on the wall; or any beginning
    )
    before_s: float = 0.0  # how long before 1970 it begins

    def t_us(self, values: Floats) -> Ints:
        """Give times from 1970, or from that beginning."""
        if not self.before_s:
            return np.rint(values * (self.unit_s * 1e6)).astype(np.int64)
        # A day in a double is good to some microseconds; nobody's logger is that good.
        decimals = 3 if self.since == "on the wall" else 4
        return np.rint(np.round(values * self.unit_s - self.before_s, decimals) * 1e6).astype(np.int64)


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


def count_of(table: Table, values: Floats, options: CsvOptions) -> Count:
    """Find out how a table's times are counted; CsvError: nothing says it."""
    low, high = float(values.min()), float(values.max())

    def counted(unit: str, step: float = 1.0) -> Count:
        unit_s = _UNITS_S[unit]
        if unit == "days" and low > _EXCEL_EPOCH_DAYS:
            return Count(unit_s, "on the wall", _EXCEL_EPOCH_DAYS * unit_s)
        return Count(unit_s * step, "1970" if low * unit_s > 9e8 and high * unit_s < 5e9 else "")

    if (wanted := options.time_unit) is not None:
        if step := _STEP.fullmatch(wanted):
            return Count(_UNITS_S[step[2]] * float(step[1]))
        if wanted not in _UNITS_S:
            choice = ", ".join(_UNITS_S) + ", or 10s where each row is 10 s later"
            what = f"--time-unit {wanted!r}: for numbers it must be one of {choice}"
            raise table.refuse(what, code="time-unit")
        return Count(_UNITS_S[wanted], "1970") if wanted[:4] == "unix" else counted(wanted)
    if table.own:
        return Count(1.0)
    said = f"{table.headers[table.time[0]]} {table.time_hint}"
    units = [found.lastgroup or "" for found in _HEADER_UNIT.finditer(said.replace("_", " "))]
    for unit_s, before_s, words, header in _SINCE:
        in_it = _AGES_S[0] < low * unit_s - before_s and high * unit_s - before_s < _AGES_S[1]
        if in_it and re.search(header, said, re.I) and (unit_s != 1 or units[-1:] in ([], ["s"])):
            table.guesses.append(f"times count {words}")
            return Count(unit_s, "1970", before_s)
    if units:
        part = _PART.search(said)  # "time (0.1 s)"
        return counted(units[-1], 1.0 if part is None else 0.1 ** (len(part[1]) + 1))
    for unit, words in _SINCE_1970.items():
        if counted(unit).since:
            table.guesses.append(f"times are {words} since 1970")
            return counted(unit)
    if low > _EXCEL_EPOCH_DAYS and high < 80_000 and high - low < 60 and (values % 1 != 0).any():
        table.guesses.append("times are a spreadsheet's days since 1900")
        return counted("days")
    what = "has times as numbers and doesn't say in what; say it with"
    ways = ["days"] * (low >= 0 and high < 2 and bool((values % 1).any())) + ["s", "min", "h", "ms"]
    # A row takes more than a millisecond.
    likely = [unit for unit in ways if (high - low) * _UNITS_S[unit] > 1e-3 * len(values)] or ways
    hints = (Hint("time_unit", unit) for unit in likely)
    raise table.refuse(what, *hints, column=table.time[0], code="time-unit")
