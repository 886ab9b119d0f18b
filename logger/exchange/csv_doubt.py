"""What has been read and may not be so: columns, values and times that aren't what they look like. Pure."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from typing import Final, cast

import numpy as np

from logger.conversion.columns import CELSIUS_RANGE_C
from logger.exchange.csv_cells import offset_words
from logger.exchange.csv_table import Column, CsvError, CsvOptions, Hint, Table, listed, shown
from logger.exchange.csv_time import Times
from logger.exchange.csv_words import has_temperature_word, unit_in
from logger.reading import Bytes, Floats, Ints, Status

_FEW: Final = 8
_HOTTEST_C: Final = 1400.0  # common practice, no source: a pit or a bonfire stays well below this
_TOGETHER_C: Final = 15.0
_ROOMS: Final = ((50.0, 100.0, "°F", "f"), (280.0, 310.0, "K", "k"))
# Common practice, no source: what instruments send for no reading, within a thermocouple's range.
SENTINELS_C: Final = (
    *(0.0, -1.0, -50.0, -55.0, -60.0, -99.0, -99.9, -100.0, -127.0, -199.9, -200.0, -242.0, -250.0, -270.0),
    *(-273.0, -273.1, -273.15, 850.0, 999.0, 999.9, 1023.75, 1024.0, 1200.0, 1370.0, 1372.0, 1999.0, 1999.9),
    *(2000.0, 2047.75, 2048.0),
)
_JUMP_C: Final = 200.0
_NEAR_ZERO_C: Final = 5.0
_ROOM_C: Final = 8.0
_HOT_C: Final = 100.0
_FRACTION: Final = 2.0  # nothing in or near a fire stays this close to 0 °C: fractions, kilowatts or volts
_ROUNDED_C: Final = 0.6  # whole °F and whole °C of one reading may differ by so much
_HOUR_US: Final = 3_600_000_000
_DAY_US: Final = 24 * _HOUR_US
_NEVER_SET: Final = (0, 3657, 10_957)  # 1970, 1980 and 2000: where clocks without a battery start [days]
CLOCK_LEAPS: Final = "the clock jumps ahead by an hour"
"""How a guess begins that only the place of the clock can settle."""
_LONG: Final = 10  # rows in a stretch that is more than neighbours out of order
_COLD_C: Final = -45.0  # no probe at an open fire has been colder


def leave_out_what_is_none(table: Table, texts: Mapping[int, str], *, keep: bool) -> None:
    """Leave out columns that turn out to hold text, counts, codes or nothing, and say which have no unit.

    `texts` are the columns' first cells that are no numbers; `keep`: somebody named the columns. CsvError:
    none is left.
    """
    before = table.columns
    if not table.own:
        table.leave_out({c: why for c in before if (why := _why_none(table, c, texts.get(c.at, ""), keep))})
        for judge in () if keep else (_stands_still, _no_temperatures_beside, _codes, _said_twice):
            table.leave_out(judge(table))
    if not table.columns:
        table.columns = before  # for the preview
        because = "; ".join(f"{shown(header)}: {why}" for header, why in table.left_out[:6])
        raise table.refuse(f"no column of temperatures ({because})", code="no-temperatures")
    unsaid = [column for column in table.columns if not column.told]
    if unsaid:
        some = f" for {listed([c.name for c in unsaid], 6)}" if len(unsaid) < len(table.columns) else ""
        table.guesses.append(f"no unit given{some}: taken as °{unsaid[0].unit.upper()}")
    doubtful = [column.name for column in unsaid if not _is_known(table, column)]
    if 0 < len(doubtful) < len(unsaid):
        table.guesses.append(f"may be no temperature: {listed(doubtful, 6)}")


def _why_none(table: Table, column: Column, text: str, keep: bool) -> str | None:
    status, values = column.status[0], column.values[0]
    absent = status == Status.ABSENT
    if absent.all():
        if keep and (text or column.sure):
            return None
        return f"text such as {shown(text)}, and no numbers" if text else "no readings at all"
    if not column.sure and absent.any() and (status > Status.OK).all():
        return "words here and there, and no numbers"
    if column.sure or len(table.columns) == 1:
        return None
    counted = values[0] + np.arange(len(values))
    if len(values) >= _FEW and values[0] in (0, 1) and (values == counted).all():
        return "counts the rows"
    if (status[~absent] == Status.RANGE).all():
        return "none of its numbers could be a probe's temperature"
    return None


def _is_known(table: Table, column: Column) -> bool:
    return column.sure or has_temperature_word(table.headers[column.at])


def _stands_still(table: Table) -> dict[Column, str]:
    """Find columns stuck at one number while others warm by 50 °C or more."""
    whole = {column: column.values[0][np.isfinite(column.values[0])] for column in table.columns}
    if max((np.ptp(values) for values in whole.values() if len(values)), default=0.0) < 50:
        return {}
    return {
        column: f"always {values[0]:g}: an open input, or not a temperature"
        for column, values in whole.items()
        if len(values) >= _FEW and np.ptp(values) == 0
        if values[0] == -1
        or (table.head[0][1][column.at].strip().isdecimal() and not _is_known(table, column))
    }


def _no_temperatures_beside(table: Table) -> dict[Column, str]:
    """Find columns that can't be temperatures, compared with the others: heat flows or voltages.

    They begin near 0 while all others begin at room temperature or above, and never get hot while the others
    do; or they stay within ±`_FRACTION` while any gets hot.
    """
    filled = [column.values[0][~np.isnan(column.values[0])] for column in table.columns]
    ends = [(c[0], c.min(), c.max()) if len(c) else (np.nan,) * 3 for c in filled]
    firsts, lowest, highest = np.array(ends).reshape(-1, 3).T
    if np.nanmax(highest, initial=-np.inf) < _HOT_C:
        return {}
    none = (highest < _FRACTION) & (lowest > -_FRACTION)
    near_zero = np.abs(firsts) < _NEAR_ZERO_C
    others = firsts[~near_zero & ~np.isnan(firsts)]
    if len(firsts) > 3 and 2 * near_zero.sum() < len(firsts) and len(others) and others.min() >= _ROOM_C:
        none |= near_zero & (highest < _HOT_C)
    found = [column for column, low in zip(table.columns, none, strict=True) if low]
    why = "begins near 0 and stays low while others get hot"
    return {column: why for column in found if not _is_known(table, column)}


def _codes(table: Table) -> dict[Column, str]:
    """Find codes beside readings, unless they are most of the columns."""
    found = []
    for column in table.columns:
        filled = column.values[0][~np.isnan(column.values[0])]
        whole = (filled[np.isfinite(filled)] % 1 == 0).all()
        if not column.sure and whole and len(filled) >= _FEW and 2 * (filled == 0).sum() > len(filled):
            found.append(column)
    few = 2 * len(found) <= len(table.columns)
    return dict.fromkeys(found, "whole numbers, mostly 0: a code") if few else {}


def _said_twice(table: Table) -> dict[Column, str]:
    """Find columns that give another's readings in another unit: tempC, tempF."""
    found = {}
    for pair in itertools.combinations(table.columns, 2):
        of_c, other = sorted(pair, key=lambda c: c.unit)
        names = {unit_in(table.headers[c.at])[0].casefold() for c in pair}
        if of_c.unit == other.unit or len(names) > 1 or len(of_c.values[0]) < _FEW:
            continue
        if np.allclose(of_c.values[0], other.values[0], rtol=0, atol=_ROUNDED_C, equal_nan=True):
            found[other] = f"{of_c.name} in °{other.unit.upper()}"
    return found


def last_look(table: Table, values_c: Floats, status: Bytes) -> None:
    """Note what may be wrong with the values (n, k), and blank those that aren't readings."""
    low_c, high_c = CELSIUS_RANGE_C
    out_of_range = int(np.count_nonzero(status == Status.RANGE))
    for j, column in enumerate(table.columns):
        for value, count in _sentinels(values_c[:, j], status[:, j]) if not table.own else ():
            often = "once" if count == 1 else f"{count} times"
            jumps = f"jumps to {value:g} °C and back"
            table.guesses.append(f"{shown(column.name)} {jumps} {often}: taken as no reading")
        if column.taken_back:
            why = "left as gaps: the column beside them says they are bad"
            table.notes.append(f"{column.taken_back} of {shown(column.name)} {why}")
    if out_of_range:
        many = "1 reading is" if out_of_range == 1 else f"{out_of_range} readings are"
        table.guesses.append(f"{many} not between {low_c:g} and {high_c:g} °C: kept as out of range")
    values_c[status != Status.OK] = np.nan
    _doubt_units(table, values_c)


def _sentinels(values: Floats, status: Bytes) -> list[tuple[float, int]]:
    """Find numbers within a thermocouple's range that mean no reading, and mark them as out of range.

    Only the exact numbers that instruments use, and only where the column [°C] jumps to them and, unless it
    ends there, back again: by 200 °C, or to colder than any fire. `status` changes in place; returns each
    number and how often it occurred.
    """
    found: list[tuple[float, int]] = []
    ok = np.flatnonzero(status == Status.OK)
    for number in np.intersect1d(values[ok], SENTINELS_C).tolist():
        own = ok[values[ok] == number]
        others = ok[values[ok] != number]
        if not len(others):
            continue
        after = np.searchsorted(others, own)
        beside = np.concatenate(([np.nan], values[others], [np.nan]))
        before_c, after_c = beside[after], beside[after + 1]
        least = 30.0 if number < _COLD_C else 50.0 if number == 0 else _JUMP_C
        if number == -1:  # a fire may begin on a frosty day, and climb fast
            least = 15.0 if after.min() else 30.0
        near = np.fmin(np.abs(before_c - number), np.abs(after_c - number)) < least
        # At an end, 0 may be a frosty day; a number that is there most of the time may be true.
        at_an_end = bool(np.isnan(after_c).any() or np.isnan(before_c).any())
        usual = number == 0 or (number > 0 and len(own) > len(others))
        if not near.any() and not (at_an_end and usual):
            status[own] = Status.RANGE
            found.append((number, len(own)))
    return found


def _doubt_units(table: Table, values_c: Floats) -> None:
    """Add to the guesses if temperatures (n, k) without a unit look like another unit's."""
    unsaid = [j for j, column in enumerate(table.columns) if not column.told and column.unit == "c"]
    found = [column[~np.isnan(column)] for column in values_c[:, unsaid].T]
    firsts = np.array([column[0] for column in found if len(column)])
    if not len(firsts):
        return
    highest = np.nanmax(values_c[:, unsaid])
    if highest > _HOTTEST_C:
        what = "is hotter than any open fire: are these °F, or tenths of a degree?"
        table.guesses.append(f"{highest:g} °C {what}")
    elif len(firsts) > 1 and float(np.ptp(firsts)) < _TOGETHER_C:
        first = float(np.median(firsts))
        for low, high, unit, letter in _ROOMS:
            if low < first < high:
                what = f"if that is room temperature in {unit}, say --unit {letter}"
                table.guesses.append(f"all begin near {first:.0f}: {what}")


# --- the order of rows --------------------------------------------------------------------------------------


def in_order(table: Table, times: Times, rows: Ints, options: CsvOptions) -> tuple[Ints | slice, Times]:
    """Sort a file's numbered rows by time, each time once; return their new order and times.

    CsvError: they go back in time, or two have the same time, and no option says what to do.
    """
    _doubt_clock(table, times, rows, options)
    steps = np.diff(times.t_us)
    if (steps > 0).all():
        return slice(None), times
    if (steps < 0).any() and options.order == "refuse":
        raise _backwards(table, times, rows, options)
    chosen = np.argsort(times.t_us, kind="stable")
    t_us = times.t_us[chosen]
    steps = np.diff(t_us)
    if (steps == 0).any():
        if options.repeats == "refuse":
            raise _repeated(table, rows[chosen], steps)
        if options.repeats == "last":
            keep = np.append(steps > 0, True)
            chosen, t_us = chosen[keep], t_us[keep]
        else:
            t_us = _spread(t_us)
    return chosen, Times(t_us, times.absolute, times.wall_us)


def _doubt_clock(table: Table, times: Times, rows: Ints, options: CsvOptions) -> None:
    """Say where a local clock jumps ahead by an hour; refuse one that was set on the way.

    No firing lasts from 2000 until today.
    """
    steps = np.diff(times.t_us)
    usual = int(np.median(steps)) if len(steps) > 1 else _HOUR_US
    if times.wall_us is not None and options.timezone is None and usual <= _HOUR_US // 4:
        for i in np.flatnonzero(np.abs(steps - _HOUR_US) <= 2 * max(usual, 1_000_000))[:3]:
            table.guesses.append(
                f"{CLOCK_LEAPS} at row {rows[i + 1]}: if that is summer time, not a pause, name "
                "the place with --timezone"
            )
    leaps = np.flatnonzero(steps > 30 * _DAY_US)
    if times.absolute and len(leaps):
        i = int(leaps[0])
        what = (
            f"this is {int(steps[i]) // _DAY_US} days later than the row above, as if the instrument's clock "
            "had been set; import it in two, with"
        )
        raise table.refuse(
            what, *_in_two(rows, i), row=int(rows[i + 1]), column=table.time[0], code="clock-set"
        )
    if times.absolute and int(times.t_us[0]) // _DAY_US in _NEVER_SET:
        table.guesses.append("the dates begin where a clock that was never set begins: they may be wrong")


def _in_two(rows: Ints, i: int) -> tuple[Hint, Hint]:
    """Offer to import rows up to the i-th on their own, and the rest on their own."""
    last = int(rows[i])
    before = f"{rows[0]}-{last}" if last > rows[0] else str(last)
    return Hint("last_line", last, "for the first part"), Hint("skip_rows", before, "for the rest")


def _backwards(table: Table, times: Times, rows: Ints, options: CsvOptions) -> CsvError:
    t_us = times.t_us if times.wall_us is None else times.wall_us
    steps = np.diff(t_us)
    back = np.flatnonzero(steps < 0)
    i = int([*back, *np.flatnonzero(np.diff(times.t_us) < 0)][0])
    usual_s = float(np.median(steps[steps > 0])) / 1e6 if (steps > 0).any() else 0.0
    by_s = -int(steps[i]) / 1e6
    span = f"{by_s:g} s" if by_s < 120 else f"{by_s / 60:.0f} min" if by_s < 7200 else f"{by_s / 3600:.1f} h"
    an_hour = abs(by_s - 3600 + usual_s) <= max(2 * usual_s, 60)
    what = f"this is {span} earlier than the row above"
    ways: tuple[Hint, ...]
    if not len(back):  # local time doesn't go back: only the zone's summer time does
        zone = offset_words(int(t_us[0] - times.t_us[0]))
        code, ways = "no-summer-time", (Hint("timezone", zone, "for the whole file"),)
        what = "this clock didn't change where summer time begins or ends; if it never does, say"
    elif an_hour and options.timezone is not None and not _laps(t_us, back):
        code, ways = "clock-set", _in_two(rows, i)
        what += ", as if the clock had been set; import it in two, with"
    elif times.wall_us is not None and options.timezone is None and an_hour:
        code, ways = "clock-back-an-hour", (Hint("timezone", None, "such as Europe/Vienna"),)
        what = f"the clock goes back by {span}, as at the end of summer time; name its zone with"
    elif _laps(t_us, back):
        code, ways = "begins-again", _in_two(rows, i)
        what += (
            ": the time starts again and overlaps what came before. If these are other probes in the same "
            "fire, save them as a separate file and import both together. If it is another fire, import it "
            "in two, with"
        )
    else:
        code, ways = "backwards", (Hint("order", "sort", "puts the rows in order"),)
    column = table.time[-1] if len(table.time) < 3 else table.time[0]
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
    long = (np.minimum(lengths[1:], lengths[:-1]) >= _LONG) | (few & (lengths[1:] > 2))
    return bool((overlap & long).any())


def _repeated(table: Table, rows: Ints, steps: Ints) -> CsvError:
    same = np.flatnonzero(steps == 0)
    ways = [Hint("repeats", "spread", "spreads such rows evenly"), Hint("repeats", "last", "keeps the last")]
    many = "" if len(same) == 1 else f" ({len(same)} such rows)"
    what = f"another row has the same time{many}"
    if len(same) == len(steps) > 1:
        what = "all rows have the same time, as if a spreadsheet had rounded a large number: "
        what, ways = f"{what}save the times again, with all their digits", []
    return table.refuse(what, *ways, row=int(rows[same[0] + 1]), column=table.time[-1], code="repeated")


def _spread(t_us: Ints) -> Ints:
    """Spread rows with the same time evenly up to the next; the last ones over the usual step."""
    times, starts, counts = np.unique(t_us, return_index=True, return_counts=True)
    lengths = np.diff(times)
    usual = int(np.median(lengths)) if len(lengths) else 1_000_000
    within = np.arange(len(t_us)) - np.repeat(starts, counts)
    between = np.repeat(np.append(lengths, usual), counts)
    return cast(Ints, t_us + within * between // np.repeat(counts, counts))
