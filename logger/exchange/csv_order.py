"""Sorts a CSV file's rows by time, each time once; refuses clocks that step back. Pure."""

from __future__ import annotations

from typing import Final, cast

import numpy as np

from logger.exchange.csv_table import CsvError, CsvOptions, Hint, Table
from logger.exchange.csv_time import Times
from logger.reading import Ints

_HOUR_US: Final = 3_600_000_000
_MONTH_US: Final = 30 * 24 * _HOUR_US
_NEVER_SET: Final = (0, 3657, 10_957)
"""1970, 1980 and 2000: where clocks without a battery start. [days from 1970]"""
CLOCK_LEAPS: Final = "the clock jumps ahead by an hour"
"""How a guess begins that only the place of the clock can settle."""
_LONG: Final = 10
"""Rows in a stretch that is more than neighbours out of order."""


def in_order(table: Table, times: Times, rows: Ints, options: CsvOptions) -> tuple[Ints | slice, Times]:
    """Sort a file's numbered rows by time, each time once; return their new order and times.

    CsvError: they go back in time, or two have the same time, and no option says what to do.
    """
    t_us = times.t_us
    steps = np.diff(t_us)
    chosen: Ints | slice = slice(None)
    _say_hours(table, times, rows, options)
    _refuse_leap(table, times, rows)
    if (steps < 0).any():
        if options.order == "refuse":
            raise _backwards(table, times, rows, options)
        chosen = np.argsort(t_us, kind="stable")
        t_us = t_us[chosen]
        steps = np.diff(t_us)
    if (steps == 0).any():
        if options.repeats == "refuse":
            raise _repeated(table, rows[chosen], steps)
        if options.repeats == "last":
            keep = np.append(steps > 0, True)
            chosen = np.arange(len(rows))[chosen][keep]
            t_us = t_us[keep]
        else:
            t_us = _spread(t_us)
    return chosen, Times(t_us, times.absolute, times.wall_us)


def _say_hours(table: Table, times: Times, rows: Ints, options: CsvOptions) -> None:
    """Say where a local clock jumps ahead by an hour, as when summer time begins."""
    if times.wall_us is None or options.timezone is not None or len(rows) < 3:
        return
    steps = np.diff(times.t_us)
    usual = int(np.median(steps))
    if usual > _HOUR_US // 4:
        return
    for i in np.flatnonzero(np.abs(steps - _HOUR_US) <= 2 * max(usual, 1_000_000))[:3]:
        table.guesses.append(
            f"{CLOCK_LEAPS} at row {rows[i + 1]}: if that is summer time, not a pause, name "
            "the place with --timezone"
        )


def _refuse_leap(table: Table, times: Times, rows: Ints) -> None:
    """Refuse a clock that was set on the way: no firing lasts from 2000 until today."""
    leaps = np.flatnonzero(np.diff(times.t_us) > _MONTH_US)
    if not times.absolute or not len(leaps):
        day = int(times.t_us[0]) // (24 * _HOUR_US)
        if times.absolute and day in _NEVER_SET:
            table.guesses.append("the dates begin where a clock that was never set begins: they may be wrong")
        return
    i = int(leaps[0])
    days = (int(times.t_us[i + 1]) - int(times.t_us[i])) // (24 * _HOUR_US)
    what = (
        f"this is {days} days later than the row above, as if the instrument's clock had been set; "
        "import it in two, with"
    )
    hints, row = _in_two(rows, i), int(rows[i + 1])
    raise table.refuse(what, *hints, row=row, column=table.time[0], code="clock-set")


def _in_two(rows: Ints, i: int) -> tuple[Hint, Hint]:
    """Offer to import rows up to the i-th on their own, and the rest on their own."""
    last = int(rows[i])
    before = f"{rows[0]}-{last}" if last > rows[0] else str(last)
    return Hint("last_line", last, "for the first part"), Hint("skip_rows", before, "for the rest")


def _backwards(table: Table, times: Times, rows: Ints, options: CsvOptions) -> CsvError:
    column = table.time[-1] if len(table.time) < 3 else table.time[0]
    t_us = times.t_us if times.wall_us is None else times.wall_us
    steps = np.diff(t_us)
    back = np.flatnonzero(steps < 0)
    i = int(np.flatnonzero(np.diff(times.t_us) < 0)[0] if not len(back) else back[0])
    usual_s = float(np.median(steps[steps > 0])) / 1e6 if (steps > 0).any() else 0.0
    by_s = -int(steps[i]) / 1e6
    an_hour = abs(by_s - 3600 + usual_s) <= max(2 * usual_s, 60)
    what = f"this is {_span(by_s)} earlier than the row above"
    ways: tuple[Hint, ...]
    if not len(back):  # local time doesn't go back: only the zone's summer time does
        offset = int(t_us[0] - times.t_us[0]) // 60_000_000
        fixed = f"UTC{'-' if offset < 0 else '+'}{abs(offset) // 60:02}:{abs(offset) % 60:02}"
        code, ways = "no-summer-time", (Hint("timezone", fixed, "for the whole file"),)
        what = "this clock didn't change where summer time begins or ends; if it never does, say"
    elif times.absolute and times.wall_us is not None and options.timezone is None and an_hour:
        code, ways = "clock-back-an-hour", (Hint("timezone", None, "such as Europe/Vienna"),)
        what = f"the clock goes back by {_span(by_s)}, as at the end of summer time; name its zone with"
    elif _laps(t_us, back):
        code, ways = "begins-again", _in_two(rows, i)
        what += (
            ": the time starts again and overlaps what came before. If these are other probes in the same "
            "fire, save them as a separate file and import both together. If it is another fire, import it "
            "in two, with"
        )
    else:
        code, ways = "backwards", (Hint("order", "sort", "puts the rows in order"),)
    return table.refuse(what, *ways, row=int(rows[i + 1]), column=column, code=code)


def _laps(t_us: Ints, back: Ints) -> bool:
    """Whether rising stretches overlap in time: sorting would mix them."""
    starts = np.concatenate(([0], back + 1))
    ends = np.append(back, len(t_us) - 1)
    order = np.argsort(t_us[starts], kind="stable")
    starts, ends = starts[order], ends[order]
    lengths = ends - starts + 1
    overlap = t_us[starts[1:]] < np.maximum.accumulate(t_us[ends])[:-1]
    few = len(back) <= 3  # in a short file: 0, 1, 2, 0, 1, 2
    return bool(
        (overlap & ((np.minimum(lengths[1:], lengths[:-1]) >= _LONG) | (few & (lengths[1:] > 2)))).any()
    )


def _repeated(table: Table, rows: Ints, steps: Ints) -> CsvError:
    same = np.flatnonzero(steps == 0)
    ways = [Hint("repeats", "spread", "spreads such rows evenly"), Hint("repeats", "last", "keeps the last")]
    many = "" if len(same) == 1 else f" ({len(same)} such rows)"
    what = f"another row has the same time{many}"
    if len(same) == len(steps) > 1:
        what = "all rows have the same time, as if a spreadsheet had rounded a large number: "
        what, ways = f"{what}save the times again, with all their digits", []
    return table.refuse(what, *ways, row=int(rows[same[0] + 1]), column=table.time[-1], code="repeated")


def _span(seconds: float) -> str:
    if seconds < 120:
        return f"{seconds:g} s"
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.1f} h"


def _spread(t_us: Ints) -> Ints:
    """Spread rows with the same time evenly up to the next; the last ones over the usual step."""
    times, starts, counts = np.unique(t_us, return_index=True, return_counts=True)
    lengths = np.diff(times)
    usual = int(np.median(lengths)) if len(lengths) else 1_000_000
    within = np.arange(len(t_us)) - np.repeat(starts, counts)
    between = np.repeat(np.append(lengths, usual), counts)
    return cast(Ints, t_us + within * between // np.repeat(counts, counts))
