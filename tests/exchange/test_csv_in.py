"""Files from other people's loggers, as they come; what can't be read is refused by row and column."""

from __future__ import annotations

import contextlib
import gzip
import hashlib
import os
import tracemalloc
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.exchange.csv_in import already_here, digest_of, import_csv, preview, read_csv
from logger.exchange.csv_merge import CsvFiring
from logger.exchange.csv_table import CsvError, CsvOptions
from logger.journal.reader import JournalReader
from logger.journal.writer import JournalWriter
from logger.plan import Plan, loads
from logger.reading import Status


def read(tmp_path: Path, text: str | bytes, **options: object) -> CsvFiring:
    path = tmp_path / "fire.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_csv(path, CsvOptions(**options))  # type: ignore[arg-type]


def rows(firing: CsvFiring) -> list[list[float | None]]:
    return [[None if np.isnan(v) else v for v in row] for row in firing.temperature_c.tolist()]


# --- our own ------------------------------------------------------------------------------------------------


def test_our_own_format(tmp_path: Path) -> None:
    firing = read(tmp_path, "time_s,coals,upper\n0,280,80.5\n1,281.25\n2.5,282,81\n")
    assert firing.names == ("coals", "upper")
    assert firing.t_s.tolist() == [0, 1, 2.5]
    assert rows(firing) == [[280, 80.5], [281.25, None], [282, 81]]
    assert firing.start is None
    assert firing.guesses == ("no dates: times count from the first row",)


def test_our_own_names_are_taken_as_they_are(tmp_path: Path) -> None:
    """A probe may well be called 'jar (F)' or 'time of day'; the name means nothing more."""
    firing = read(tmp_path, 'time_s,jar (F),time,"a;b, c",\'=1+1,rh (%)\n0,212,1,2,3,4\n')
    assert firing.names == ("jar (F)", "time", "a;b, c", "=1+1", "rh (%)")
    assert rows(firing) == [[212, 1, 2, 3, 4]]


def test_iso_times_are_kept_to_the_microsecond(tmp_path: Path) -> None:
    firing = read(tmp_path, "time,a\n2026-11-25T10:52:00.000001Z,20\n2026-11-25T11:52:00.250000+01:00,21\n")
    assert firing.start == datetime(2026, 11, 25, 10, 52, 0, 1, UTC)
    assert firing.t_us.tolist() == [0, 249_999]


def test_columns_empty_at_first(tmp_path: Path) -> None:
    firing = read(tmp_path, "time_s,a,b\n0,,\n1,,\n2,20,\n3,21,5\n")
    assert rows(firing) == [[None, None], [None, None], [20, None], [21, 5]]
    firing = read(tmp_path, "t (s),a,b\n0,,\n1,---,\n2,20,\n3,21,5\n")
    assert rows(firing) == [[None, None], [None, None], [20, None], [21, 5]]


def test_columns_that_fall_silent_together_are_a_logger_that_stopped(tmp_path: Path) -> None:
    lines = [
        f"{t},,,,{20 + t}\n"
        if 5 <= t < 15
        else f"{t},{20 + t},{21 + t},{'' if 20 <= t < 30 else 22 + t},{20 + t}\n"
        for t in range(40)
    ]
    firing = read(tmp_path, "t (s),a,b,c,d\n" + "".join(lines))
    assert (firing.status[5:15, :3] == Status.ABSENT).all()
    assert (firing.status[20:30, 2] == Status.OPEN).all()


def test_shares_beside_a_fire_are_no_temperatures(tmp_path: Path) -> None:
    lines = [f"{t},{20 + 9 * t},0.{t:02d},{0.00002 * t:.5f},{19 + 8 * t}\n" for t in range(40)]
    firing = read(tmp_path, "t (s),front,oxygenish,soot,rear\n" + "".join(lines))
    assert firing.names == ("front", "rear")
    assert {name for name, _ in firing.left_out} == {"oxygenish", "soot"}


# --- other people's -----------------------------------------------------------------------------------------

FOREIGN: dict[
    str, tuple[str | bytes, dict[str, object], tuple[str, ...], list[float], list[list[float | None]]]
] = {
    "title lines that look like data, with skip": (
        "1,2,3\n4,5,6\ntime [s],a,b\n0,20,21\n5,30,31\n",
        {"skip": 2},
        ("a", "b"),
        [0, 5],
        [[20, 21], [30, 31]],
    ),
    "byte-order mark, CRLF": (
        b"\xef\xbb\xbftime_s,a\r\n0,20\r\n1,21\r\n",
        {},
        ("a",),
        [0, 1],
        [[20], [21]],
    ),
    "UTF-16 without": ("time_s,a\n0,20\n1,21\n".encode("utf-16-le"), {}, ("a",), [0, 1], [[20], [21]]),
    "quoted decimal commas between commas": (
        'time (s),a\n"0,0","20,5"\n"1,5","21,5"\n',
        {},
        ("a",),
        [0, 1.5],
        [[20.5], [21.5]],
    ),
    "12-hour clock": (
        "Time,TC1 (C),TC2 (C)\n11:59:58 AM,20,21\n12:00:00 PM,22,23\n12:59:59 p.m.,24,25\n1:00:01 PM,26,27\n",
        {},
        ("TC1", "TC2"),
        [0, 2, 3601, 3603],
        [[20, 21], [22, 23], [24, 25], [26, 27]],
    ),
    "12-hour clock over midnight": (
        "Time,a\n11:59:59 PM,20\n12:00:01 AM,21\n",
        {},
        ("a",),
        [0, 2],
        [[20], [21]],
    ),
    "date and time in two columns": (
        "No.,Date,Time,Ch1 (°F),Ch2 [°F]\n1,2026/11/25,23:59:58,212,32\n2,2026/11/26,00:00:03,1000.4,-40\n",
        {"timezone": "UTC"},
        ("Ch1", "Ch2"),
        [0, 5],
        [[100, 0], [538, -40]],
    ),
    "the time before the date": (
        "Time,Date,a\n10:00:00,25.11.2026,20\n10:00:10,25.11.2026,21\n",
        {"timezone": "UTC"},
        ("a",),
        [0, 10],
        [[20], [21]],
    ),
    "dates with points": (
        "t,a\n04.05.2026 10:00:00,20\n04.05.2026 10:00:01,21\n",
        {"timezone": "UTC"},
        ("a",),
        [0, 1],
        [[20], [21]],
    ),
    "day first, by the days": (
        "t,a\n12/11/2026 23:59:59,20\n13/11/2026 00:00:00,21\n",
        {"timezone": "UTC"},
        ("a",),
        [0, 1],
        [[20], [21]],
    ),
    "month first, by option": (
        "t,a\n04/05/26 1:00 AM,20\n04/05/26 1:01 AM,21\n",
        {"timezone": "UTC", "day_first": False},
        ("a",),
        [0, 60],
        [[20], [21]],
    ),
    "months by name": (
        't,a\n25-Nov-2026 10:00:00,20\n"Nov 25, 2026 10:00:01",21\n',
        {"timezone": "UTC"},
        ("a",),
        [0, 1],
        [[20], [21]],
    ),
    "hours": ("hours,a\n0,20\n0.25,21\n", {}, ("a",), [0, 900], [[20], [21]]),
    "milliseconds by option": ("x,a\n0,20\n250,21\n", {"time_unit": "ms"}, ("a",), [0, 0.25], [[20], [21]]),
    "a clock that counts from the start": (
        "Elapsed,a\n00:00:00.0,20\n00:00:00.5,21\n01:02:03,22\n",
        {},
        ("a",),
        [0, 0.5, 3723],
        [[20], [21], [22]],
    ),
    "minutes and seconds by option": (
        "Elapsed,a\n0:00,20\n0:30,21\n",
        {"time_unit": "mm:ss"},
        ("a",),
        [0, 30],
        [[20], [21]],
    ),
    "minutes and seconds by size": ("t,a\n23:59,20\n24:05,21\n", {}, ("a",), [0, 6], [[20], [21]]),
    "a spreadsheet's days": (
        "t,a\n46351.5,20\n46351.5000115741,21\n",
        {"timezone": "UTC"},
        ("a",),
        [0, 1],
        [[20], [21]],
    ),
    "milliseconds since 1970": (
        "t,a\n1795604400000,20\n1795604400500,21\n",
        {},
        ("a",),
        [0, 0.5],
        [[20], [21]],
    ),
    "units in a row of their own": (
        "Time,Top,Base\ns,°F,°F\n0,32,212\n1,50,\n",
        {},
        ("Top", "Base"),
        [0, 1],
        [[0, 100], [10, None]],
    ),
    "Fahrenheit by option": ("s,a\n0,212\n1,-40\n", {"unit": "f"}, ("a",), [0, 1], [[100], [-40]]),
    "type K is not kelvin": ("s,TC (K)\n0,300\n1,301\n", {}, ("TC (K)",), [0, 1], [[300], [301]]),
    "columns left out": (
        "s,a,remarks\n0,20,lit\n1,21,\n",
        {"leave_out": ("Remarks",)},
        ("a",),
        [0, 1],
        [[20], [21]],
    ),
    "a thousand without decimals among decimal commas": (
        "s;a\n0;998,5\n1;999,2\n2;1.003\n",
        {},
        ("a",),
        [0, 1, 2],
        [[998.5], [999.2], [1003]],
    ),
    "a letter or a quotient after a temperature's own letter": (
        "s,t_coal_f,t_f,T_wall/K,TC1/C\n0,68,20,293.15,21\n1,212,21,373.15,22\n",
        {},
        ("t_coal", "t_f", "T_wall", "TC1/C"),
        [0, 1],
        [[20, 20, 20, 21], [100, 21, 100, 22]],
    ),
    "a Polish month, and a Turkish set point": (
        "data;ölçülen;ayar\n12 paź 2026 11:00:00;20;800\n12 paź 2026 11:00:10;21;800\n",
        {"timezone": "UTC"},
        ("ölçülen",),
        [0, 10],
        [[20], [21]],
    ),
    "an output in per cent": ("s,a,OUT%\n0,20,50\n1,21,55\n", {}, ("a",), [0, 1], [[20], [21]]),
    "the time somewhere else": (
        "a,b,when\n20,21,0\n22,23,60\n",
        {"time": ("when",), "time_unit": "s"},
        ("a", "b"),
        [0, 60],
        [[20, 21], [22, 23]],
    ),
    "no header": (
        "0,20,21\n1,22,23\n",
        {"time_unit": "s"},
        ("column 2", "column 3"),
        [0, 1],
        [[20, 21], [22, 23]],
    ),
    "two columns of one name, one without": (
        "s,a,a,\n0,20,21,22\n1,23,24,25\n",
        {},
        ("a", "a 2", "column 4"),
        [0, 1],
        [[20, 21, 22], [23, 24, 25]],
    ),
    "rows without their empty end": (
        "s,a,b\n0,20,21\n1,22\n2,23,24\n",
        {},
        ("a", "b"),
        [0, 1, 2],
        [[20, 21], [22, None], [23, 24]],
    ),
    "empty lines": ("s,a\n\n0,20\n\n,\n1,21\n\n", {}, ("a",), [0, 1], [[20], [21]]),
    "rows of one time, the last counts": (
        "s,a\n0,20\n1,21\n1,22\n2,23\n",
        {"repeats": "last"},
        ("a",),
        [0, 1, 2],
        [[20], [22], [23]],
    ),
    "a clock without seconds": (
        "t,a\n2026-11-25 10:00,20\n2026-11-25 10:00,21\n2026-11-25 10:01,22\n2026-11-25 10:01,23\n",
        {"timezone": "UTC", "repeats": "spread"},
        ("a",),
        [0, 30, 60, 90],
        [[20], [21], [22], [23]],
    ),
    "times without separators (ISO 8601, basic format)": (
        "when,a\n20261125T235950Z,20\n20261126T000000.5Z,21\n",
        {},
        ("a",),
        [0, 10.5],
        [[20], [21]],
    ),
    "midnight as a date alone, in the first row and on the way": (
        "when,a,b\n2026-11-25,21,30\n2026-11-25 12:00:00,22,31\n2026-11-26,23,32\n2026-11-26 12:00:00,24,33\n",
        {"timezone": "UTC"},
        ("a", "b"),
        [0, 43_200, 86_400, 129_600],
        [[21, 30], [22, 31], [23, 32], [24, 33]],
    ),
    "hours and minutes, as the header says": (
        "time (h:mm),a\n0:10,20\n0:20,21\n1:00,22\n",
        {},
        ("a",),
        [0, 600, 3000],
        [[20], [21], [22]],
    ),
    "units above a header that was pointed at": (
        "s,°C,°F\ntime,a,b\n0,20,212\n1,21,32\n",
        {"skip": 1},
        ("a", "b"),
        [0, 1],
        [[20, 100], [21, 0]],
    ),
    "the time's column by its number": (
        "a,clock,b\n20,0,30\n21,5,31\n",
        {"time": "2", "time_unit": "min"},
        ("a", "b"),
        [0, 300],
        [[20, 30], [21, 31]],
    ),
}


@pytest.mark.parametrize("form", FOREIGN)
def test_foreign_forms(form: str, tmp_path: Path) -> None:
    text, options, names, t_s, temperatures = FOREIGN[form]
    firing = read(tmp_path, text, **options)
    assert firing.names == names
    assert firing.t_s.tolist() == pytest.approx(t_s)
    assert [len(row) for row in rows(firing)] == [len(row) for row in temperatures]
    for found, expected in zip(rows(firing), temperatures, strict=True):
        assert found == pytest.approx(expected)


def test_guesses_are_told(tmp_path: Path) -> None:
    firing = read(tmp_path, "Zeit;oben\n2026-11-25 10:00:00;20,5\n2026-11-25 10:00:01;21,5\n")
    assert firing.guesses == (
        "numbers have a decimal comma",
        "no unit given: taken as °C",
        "times are in this computer's time zone",
    )
    assert firing.start == datetime(2026, 11, 25, 4, 15, tzinfo=UTC)  # Kathmandu is 5:45 ahead


REFUSED: dict[str, tuple[str | bytes, dict[str, object], str]] = {
    "no number": (
        "s,lower,upper\n0,20,21\n1,22,7x2\n",
        {},
        r"fire.csv row 3, column 'upper': '7x2' is not a temp",
    ),
    "the first in order of rows": ("s,a,b\n0,20,x1\n1,y2,21\n", {}, r"row 2, column 'b': 'x1'"),
    "Python's own digits": ("s,a\n0,1_000\n1,20\n", {}, r"row 2, column 'a': '1_000'"),
    "another unit in one cell": ("s,a (°C)\n0,20\n1,68 F\n", {}, r"row 3, column 'a \(°C\)': '68 F'"),
    "no time": ("s,a\n0,20\nMax:,21\n", {}, r"row 3, column 's': 'Max:' isn't a time.*--last-line 2"),
    "time of no unit": (
        "Time,a\n0,20\n1,21\n",
        {},
        r"doesn't say their unit; name it with --time-unit s, or --time-unit min, or ",
    ),
    "hours or minutes": (
        "Time,a\n0:00,20\n0:10,21\n",
        {},
        r"'0:00' may be hours and minutes.*--time-unit hh:mm, or --time-unit mm:ss",
    ),
    "day or month": (
        "t,a\n03/04/2026 10:00:00,20\n03/04/2026 10:00:01,21\n",
        {},
        r"'03/04/2026' may have the day or the month first; say which with --day-first, or --month-first",
    ),
    "no such day": (
        "t,a\n2026-02-28 10:00:00,20\n2026-02-29 10:00:00,21\n",
        {},
        r"row 3, column 't': .* isn't a date",
    ),
    "no such hour": ("t,a\n13:00:00 PM,20\n", {}, r"row 2, column 't': '13:00:00 PM' isn't a time"),
    "a clock that was never set": (
        "t,a\n1904-01-01 00:00:01,20\n",
        {},
        r"row 2, column 't'.*the year is 1904: the instrument's clock",
    ),
    "our own, in millivolts": (
        "time_s,TC1 (mV)\n0,0.8\n1,0.9\n",
        {},
        r"'TC1 \(mV\)' is left out: mV is not a unit of temperature. Convert",
    ),
    "backwards": (
        "s,a\n0,20\n5,21\n4,22\n",
        {},
        r"row 4, column 's': this is 1 s earlier than the row above; --order sort",
    ),
    "twice": (
        "s,a\n0,20\n5,21\n5,22\n",
        {},
        r"row 4, column 's': another row has the same time; --repeats spread",
    ),
    "too many cells": (
        "s,a\n0,20\n1,21,22\n",
        {},
        r"row 3: 3 cells where there should be 2; --last-line 2",
    ),
    "cut off": ("s,a,b\n0,20,21\n1,2", {}, r"row 3: the file ends in the middle of a row.*--last-line 2"),
    "empty file": ("", {}, r"fire.csv: the file is empty"),
    "white space": (" \n\n", {}, r"the file is empty"),
    "only a header": ("time_s,a\n", {}, r"a header, but no readings below it"),
    "prose": ("Dear diary,\ntoday I lit a fire,\nand it was hot,\n", {}, r"no row begins with a time"),
    "one column": ("20\n21\n22\n", {}, r"one number per line and no times"),
    "packed pixels": (b"\x89PNG\r\n\x1a\n" + bytes(range(1, 256)) * 4, {}, r": not a text file"),
    "a picture": (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR" + bytes(300), {}, r"not a text file|is not utf-16|no "),
    "not that encoding": (
        "s,ö\n0,20\n".encode("latin-1"),
        {"encoding": "utf-8"},
        r"byte 3 is not utf-8.*latin-1",
    ),
    "no such encoding": ("s,a\n0,20\n", {"encoding": "utf-99"}, r"unknown encoding 'utf-99'"),
    "no such column for the time": (
        "s,a\n0,20\n",
        {"time": ("when",)},
        r"no column 'when' for the time; the columns are s, a",
    ),
    "no such column to leave out": (
        "s,a\n0,20\n",
        {"leave_out": ("b",)},
        r"no column 'b' to leave out; the columns are s, a",
    ),
    "no such time zone": (
        "t,a\n2026-11-25 10:00:00,20\n",
        {"timezone": "Mars/North"},
        r"unknown time zone 'Mars",
    ),
    "no such unit of time": ("s,a\n0,20\n", {"time_unit": "weeks"}, r"--time-unit 'weeks'.*must be one of"),
    "only some zones": (
        "t,a\n2026-11-25T10:00:00Z,20\n2026-11-25T10:00:01,21\n",
        {},
        r"row 3.*no zone, though others",
    ),
    "dates without times": (
        "date,a\n2026-11-25,20\n2026-11-26,21\n",
        {},
        r"'date': has dates, but no column has the time",
    ),
    "no column of times": (
        "T1,T2\n20.5,21\n21.5,22\n",
        {},
        r"no column has times: add one that counts the seconds.*--time",
    ),
    "rows that are only numbered": (
        "No.,T1,T2\n1,20.5,21\n2,21.5,22\n",
        {},
        r"'No.' numbers the rows. If they are 10 s apart, say --time No. --time-unit 10s",
    ),
    "packed with gzip": (gzip.compress(b"s,a\n0,20\n"), {}, r"packed with gzip; unpack it first"),
    "a spreadsheet or a zip": (
        b"PK\x03\x04" + bytes(60),
        {},
        r"a spreadsheet or a zip; save the sheet as CSV",
    ),
    "an old spreadsheet": (b"\xd0\xcf\x11\xe0" + bytes(600), {}, r"a spreadsheet's own file; save the sheet"),
    "noughts in the middle": (b"s,a\n0,20\n" + bytes(64) + b"2,21\n", {}, r"not a text file"),
    "a web page": ("<html><body><table>\n<tr><td>1</td></tr>\n</table>\n", {}, r"a web page or XML.*as CSV"),
    "a header and nothing else": ("time,Top,Base\n", {}, r"a header, but no readings below it"),
    "a column for each time": (
        "probe," + ",".join(f"10:00:0{i}" for i in range(6)) + "\ntop,20,21,22,23,24,25\n",
        {},
        r"the times are in the first row: swap rows and columns",
    ),
    "decimal commas between commas": (
        "Zeit,T1,T2\n" + "".join(f"{i},2{i},5,1{i},0\n" for i in range(9)),
        {},
        r"row 2: 5 numbers under 3 names.*Export it again with ; between",
    ),
    "millivolts": (
        "s,TC1_mV,TC2 (mV)\n0,0.8,0.7\n1,1.8,1.7\n",
        {},
        r"mV is not a unit of temperature.*Convert these to °C first, with the temperature of the cold junction",
    ),
    "a date of six digits": (
        "Date,Time,T1\n271125,210405,20\n271125,210415,21\n",
        {},
        r"row 2, column 'Date': '271125' may begin with the day, the month or the year; write the dates as",
    ),
    "half a JSON object": ('{"s":0,"T1":20}\n{"s":1,"T1":2\n', {}, r"row 2: not whole JSON.*--last-line 1"),
    "rows of no probe": (
        "t,sensor,value\n" + "".join(f"2026-11-25T10:00:0{i}Z,battery {i % 2},2{i}\n" for i in range(6)),
        {},
        r"column 'sensor': no probe among 'battery 0', 'battery 1'; --keep 'battery 0' if that is one",
    ),
    "nothing but times": ("date,time\n2026-11-25,10:00:00\n", {}, r"no column of temperatures"),
    "too far": ("time_s,a\n0,20\n1e300,21\n", {}, r"row 3, column 'time_s': '1e.300' is too far off"),
    "no such day of a year": (
        "when,a\n2025-365T10:00:00Z,20\n2025-366T10:00:00Z,21\n",
        {},
        r"row 3, column 'when': .* isn't a time like those above it; --last-line 2 ",
    ),
    "a unit that two parts can't have": (
        "time,a\n00:10,20\n00:20,21\n",
        {"time_unit": "s"},
        r"--time-unit 's': for '00:10' it must be hh:mm or mm:ss",
    ),
    "nothing hot": (
        "t (s),rh %,name\n0,20,x\n1,21,y\n",
        {},
        r"no column of temperatures \('rh %': % is not a unit of temperature; 'name': text such as 'y', and no numbers\)",
    ),
    "skipped to the end": (
        "t (s),a\n0,20\n1,21\n",
        {"skip": 7},
        r"no readings below line 8; give another --skip",
    ),
    "rows that are none": (
        "t (s),a\n0,20\n",
        {"skip_rows": ("7-x",)},
        r"--skip-rows '7-x': must be a row number, or a range such as 7-12",
    ),
    "a separator of two signs": (
        "t (s),a\n0,20\n",
        {"delimiter": ";;"},
        r"--delimiter: ';;' must be one character",
    ),
    "no such text": (
        b"t (s),a\n0,2\xff\n",
        {"encoding": "utf-8"},
        r"byte 12 is not utf-8; name the encoding with --encoding",
    ),
    "words for no reading": (
        "t (s),a,b\n0,20,21\n"
        + "".join(f"{i},x?,22\n" for i in (1, 2, 3))
        + "4,30,25\n5,30,25\n6,30,25\n7,30,25\n",
        {},
        r"'x\?' is not a temperature; --no-reading 'x\?' if .*--leave-out a if .*--skip-rows 3-5 leaves out the 3 rows",
    ),
    "a JSON list without its end": (
        '[{"t":0,"a":20},{"t":1,"a":21}',
        {},
        r"row 1: not whole JSON \(the list isn't closed\)",
    ),
    "JSON lists of two lengths": (
        '{"t":[0,1,2],"a":[20,21]}',
        {},
        r"its lists aren't a table: they differ in length",
    ),
    "an open quote": ('time_s,a\n0,20\n"1,21\n' + "2,22\n" * 30_000, {}, r"row 3: field larger than"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_refusals_name_the_place_and_the_mend(case: str, tmp_path: Path) -> None:
    text, options, message = REFUSED[case]
    with pytest.raises(CsvError, match=message):
        read(tmp_path, text, **options)


def test_what_is_hotter_than_any_fire_is_asked_about(tmp_path: Path) -> None:
    """200 to 1850 are tenths of a degree, or °F; nothing in the file says which."""
    firing = read(tmp_path, "s,T1,T2\n" + "".join(f"{i},{200 + 150 * i},190\n" for i in range(12)))
    assert any("1850 °C is hotter than any open fire" in guess for guess in firing.guesses)
    modest = read(tmp_path, "s,T1,T2\n" + "".join(f"{i},{20 + 15 * i},19\n" for i in range(12)))
    assert not any("hotter" in guess or "begin near" in guess for guess in modest.guesses)


def test_full_scale_of_a_register_is_no_temperature(tmp_path: Path) -> None:
    """32767 hundredths would be 327.67 °C: a 16-bit word without a probe."""
    firing = read(tmp_path, "s,T1 (0.01 °C)\n0,2000\n1,32767\n2,2100\n3,-32768\n")
    assert firing.status[:, 0].tolist() == [Status.OK, Status.RANGE, Status.OK, Status.RANGE]
    assert rows(firing) == [[20], [None], [21], [None]]


def test_a_resolution_is_no_scale(tmp_path: Path) -> None:
    firing = read(tmp_path, "s,T1 (0.1 °C)\n0,20.5\n1,21.5\n")
    assert rows(firing) == [[20.5], [21.5]]
    assert any("has decimals: taken as whole degrees" in guess for guess in firing.guesses)


@pytest.mark.parametrize("day", ["1970-01-01", "2000-01-01"])
def test_a_clock_that_was_never_set_is_told(tmp_path: Path, day: str) -> None:
    """Where boards' clocks begin: the Unix epoch, and the year 2000 (common practice, no source)."""
    told = "the dates begin where a clock that was never set begins: they may be wrong"
    assert told in read(tmp_path, f"when,a\n{day} 00:00:05Z,20\n{day} 00:00:10Z,21\n").guesses
    assert told not in read(tmp_path, "when,a\n2026-11-25 00:00:05Z,20\n2026-11-25 00:00:10Z,21\n").guesses


def test_an_hour_that_a_walls_clock_leaps_on_is_pointed_at(tmp_path: Path) -> None:
    """As at the beginning of summer time; with a time zone given, the answer is known."""
    minutes = [f"01:{m:02d}" for m in range(40, 60)] + [f"03:{m:02d}" for m in range(20)]
    text = "when,a\n" + "".join(f"2026-03-29 {m}:00,{20 + n}\n" for n, m in enumerate(minutes))
    [said] = [guess for guess in read(tmp_path, text).guesses if "hour" in guess]
    assert said.startswith("the clock jumps ahead by an hour at row 22: ")
    assert "--timezone" in said
    there = read(
        tmp_path, text, timezone="Europe/Vienna"
    )  # 2026-03-29 02:00 is 03:00 there: directive 2000/84/EC
    assert np.diff(there.t_us).max() == 60_000_000
    assert not [guess for guess in there.guesses if "hour" in guess]


def test_a_folder_is_no_file(tmp_path: Path) -> None:
    with pytest.raises(CsvError, match="not a file; give the path of a text file"):
        read_csv(tmp_path)


def test_missing_file(tmp_path: Path) -> None:
    with pytest.raises(CsvError, match=r"none.csv: No such file or directory; check the path"):
        read_csv(tmp_path / "none.csv")


def test_readings_that_no_sensor_gives_are_out_of_range(tmp_path: Path) -> None:
    """9999 and -999 in place of an open probe aren't temperatures."""
    firing = read(tmp_path, "time_s,a,b\n0,20,-999.9\n1,9999,21\n")
    assert firing.status.tolist() == [[0, Status.RANGE], [Status.RANGE, 0]]
    assert rows(firing) == [[20, None], [None, 21]]
    assert "2 readings are not between -273.15 and 2500 °C: kept as out of range" in firing.guesses


def test_what_kind_of_nothing_it_is(tmp_path: Path) -> None:
    text = "time_s,short,long,word\n" + "".join(
        f"{i},{20 if i % 2 else ''},{'' if 10 <= i < 40 else 30},{ {3: 'OL', 4: 'ERR'}.get(i, 40) }\n"
        for i in range(60)
    )
    status = read(tmp_path, text).status
    assert set(status[::2, 0]) == {Status.ABSENT}
    assert set(status[10:40, 1]) == {Status.OPEN}
    assert (status[:10, 1] == 0).all()
    assert (status[40:, 1] == 0).all()
    assert status[2:6, 2].tolist() == [0, Status.OPEN, Status.CORRUPT, 0]
    never = read(tmp_path, "time_s,a,b\n0,20,\n1,21,\n")
    assert never.status[:, 1].tolist() == [Status.ABSENT, Status.ABSENT]
    late = read(
        tmp_path, "time_s,a,b\n" + "".join(f"{i},20,{30 if 20 <= i < 30 else ''}\n" for i in range(60))
    )
    assert set(late.status[:20, 1]) | set(late.status[30:, 1]) == {Status.ABSENT}, (
        "no wire is open before its logger runs"
    )
    broken = read(
        tmp_path, "time_s,a,b,c\n" + "".join(f"{i},520,{630 if i < 30 else ''},410\n" for i in range(60))
    )
    assert set(broken.status[30:, 1]) == {Status.OPEN}, "it ends alone, and hot"
    stopped = read(
        tmp_path,
        "time_s,a,b,c\n" + "".join(f"{i},520,{'630,640' if i < 30 else ','}\n" for i in range(60)),
    )
    assert set(stopped.status[30:, 1:].ravel()) == {Status.ABSENT}, "two that end together: a logger stopped"


def test_the_hour_that_comes_twice(tmp_path: Path) -> None:
    """Europe/Vienna, 25 October 2026: at 3:00 summer time the clock goes back to 2:00 (tz database)."""
    text = "t,a\n" + "".join(
        f"2026-10-25 {clock},20\n"
        for clock in ("01:30:00", "02:30:00", "02:59:00", "02:00:00", "02:30:00", "03:30:00")
    )
    firing = read(tmp_path, text, timezone="Europe/Vienna")
    assert firing.t_s.tolist() == [0, 3600, 5340, 5400, 7200, 10800]
    assert firing.start == datetime(2026, 10, 24, 23, 30, tzinfo=UTC)


# --- several files ------------------------------------------------------------------------------------------


def test_one_file_a_channel(tmp_path: Path) -> None:
    first, second = tmp_path / "upper.csv", tmp_path / "lower.csv"
    first.write_text("Time,Temperature (°C)\n2026-11-25 10:00:00,20\n2026-11-25 10:00:02,22\n")
    second.write_text("Time,Temperature (°F)\n2026-11-25 10:00:01,32\n2026-11-25 10:00:02,50\n")
    firing = read_csv([first, second], CsvOptions(timezone="UTC"))
    assert firing.names == ("upper", "lower")
    assert firing.t_s.tolist() == [0, 1, 2]
    assert rows(firing) == [[20, None], [None, 0], [22, 10]]
    assert firing.start == datetime(2026, 11, 25, 10, tzinfo=UTC)


def test_files_of_several_channels_with_the_same_names(tmp_path: Path) -> None:
    first, second = tmp_path / "east.csv", tmp_path / "west.csv"
    first.write_text("time_s,a,b\n0,20,21\n")
    second.write_text("time_s,a,c\n0,22,23\n")
    firing = read_csv([first, second])
    assert firing.names == ("a", "b", "west a", "c")
    assert rows(firing) == [[20, 21, 22, 23]]


def test_files_with_and_without_dates_do_not_mix(tmp_path: Path) -> None:
    first, second = tmp_path / "east.csv", tmp_path / "west.csv"
    first.write_text("time_s,a\n0,20\n")
    second.write_text("t,a\n2026-11-25T10:00:00Z,20\n")
    with pytest.raises(CsvError, match=r"east\.csv: has no dates, but other files do"):
        read_csv([first, second])


# --- preview ------------------------------------------------------------------------------------------------


def test_preview(tmp_path: Path) -> None:
    path = tmp_path / "fire.csv"
    path.write_bytes(
        "Log\nZeit;oben (°F);unten\n25.11.2026 10:00:00;212,0;20,5\n25.11.2026 10:01:00;;21\n".encode(
            "latin-1"
        )
    )
    (found,), whole = preview([path], CsvOptions(timezone="UTC"))
    assert whole["error"] is None
    assert (found["time"], found["columns"]) == (["Zeit"], [("oben", "f"), ("unten", "c")])
    assert (whole["started"], whole["duration_s"]) == (datetime(2026, 11, 25, 10, tzinfo=UTC), 60)
    assert (whole["rows"], whole["lowest_c"], whole["highest_c"]) == (2, [100, 20.5], [100, 21])
    assert "not UTF-8: read as Latin-1" in whole["guesses"]


def test_preview_of_what_cannot_be_read(tmp_path: Path) -> None:
    path = tmp_path / "fire.csv"
    path.write_text("Time,a\n0,20\n1,21\n")
    (found,), whole = preview([path])
    assert "--time-unit" in whole["error"]
    assert found["columns"] == [("a", "c")]
    path.write_text("")
    assert preview([path])[1]["error"] == "fire.csv: the file is empty"


def test_preview_shows_the_first_rows_as_they_stand(tmp_path: Path) -> None:
    path = tmp_path / "fire.csv"
    path.write_text("Log of a fire\ntime (s),a\n0,20\n1,21\n2,oops\n")
    (found,), whole = preview([path])
    assert found["lines"][:2] == ["Log of a fire", "time (s),a"]
    assert found["headers"] == ["time (s)", "a"]
    assert found["head"] == [(3, ["0", "20"]), (4, ["1", "21"]), (5, ["2", "oops"])]
    assert "row 5, column 'a'" in whole["error"]


def test_preview_of_files_side_by_side_says_what_they_make_together(tmp_path: Path) -> None:
    west, east = tmp_path / "west.csv", tmp_path / "east.csv"
    west.write_text("time (s),temperature\n" + "".join(f"{t},{20 + t}\n" for t in (0, 1, 2, 3, 60, 61)))
    east.write_text("time (s),temperature\n" + "".join(f"{t},{30 + t}\n" for t in (0, 1, 2, 3)))
    files, whole = preview([west, east])
    assert [len(f["head"]) for f in files] == [5, 4]
    assert whole["error"] is None
    assert (whole["names"], whole["readings"]) == (("west", "east"), [6, 4])
    assert (whole["lowest_c"], whole["highest_c"]) == ([20, 30], [81, 33])
    assert (whole["rows"], whole["duration_s"], whole["step_s"], whole["started"]) == (6, 61, 1, None)
    assert whole["gaps"] == [(3, 57)]
    east.write_text("time,temperature\n2026-11-25T10:00:00Z,30\n")
    assert "west.csv: has no dates" in preview([west, east])[1]["error"]


# --- into the journal ---------------------------------------------------------------------------------------

PLAN = """
title = "Bowls"
[[probe]]
name = "Upper"
channel = "k7"
[[probe]]
name = "coals"
channel = "k0"
rig = "a1"
"""


def test_import_into_the_journal(writer: JournalWriter, reader: JournalReader, tmp_path: Path) -> None:
    path = tmp_path / "fire.csv"
    path.write_text("time_s,coals,upper,k7\n" + "".join(f"{i},{i},{i + 0.5},{i + 1}\n" for i in range(200)))
    info, _ = import_csv(writer, path, plan=loads(PLAN), started_us=1_795_600_800_000_000)
    assert (info.title, info.running, info.readings, info.invented) == ("Bowls", False, 600, False)
    assert info.ended_us == 1_795_600_800_000_000 + 199_000_000
    known = hashlib.sha256(path.read_bytes()).hexdigest()
    assert info.facts == {"imported": ["fire.csv"], "imported_sha256": [known], "time_known": False}
    traces = reader.readings(info.id)
    assert [c.probe.name for c in traces.columns] == ["Upper", "coals", "k7"]
    assert [float(t[10]) for t in traces.temperature_c] == [10.5, 10, 11]
    assert reader.firing("last").id == info.id


def test_an_import_while_a_firing_runs(
    writer: JournalWriter, reader: JournalReader, firing: str, tmp_path: Path
) -> None:
    path = tmp_path / "fire.csv"
    path.write_text("time,a\n2020-01-01T00:00:00Z,20\n2020-01-01T00:00:01Z,21\n")
    other = JournalWriter(writer.path)
    info, _ = import_csv(other, path, title="Old one")
    other.close()
    running = reader.running()
    assert running is not None
    assert running.id == firing
    assert info.id.startswith("20200101-0545-")
    assert reader.readings(info.id).temperature_c[0].tolist() == [20, 21]


def test_nothing_half_imported_stays_behind(
    writer: JournalWriter, reader: JournalReader, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "fire.csv"
    path.write_text("time_s,a\n0,20\n1,7x2\n")
    with pytest.raises(CsvError):
        import_csv(writer, path)
    path.write_text("time_s,a\n" + "".join(f"{i},20\n" for i in range(1000)))

    def no_room(self: JournalWriter, firing: str) -> None:
        raise OSError("no room")

    monkeypatch.setattr(JournalWriter, "pack", no_room)
    with pytest.raises(OSError, match="no room"):
        import_csv(writer, path)
    assert reader.firings() == []
    for table in ("layout", "recent", "chunk", "rollup_1", "rollup_60"):
        assert writer._db.execute(f"SELECT count(*) FROM {table}").fetchone() == (0,)


def test_too_many_columns(writer: JournalWriter, tmp_path: Path) -> None:
    path = tmp_path / "fire.csv"
    path.write_text("t (s)," + ",".join(f"a{i}" for i in range(65)) + "\n0" + ",20" * 65 + "\n")
    with pytest.raises(CsvError, match="65 columns, more than 64"):
        import_csv(writer, path)


# --- anything at all ----------------------------------------------------------------------------------------


@given(
    data=st.binary(max_size=300)
    | st.text(alphabet="0123456789,;.:-/ \n\r\t\"'APMabts_°", max_size=300).map(str.encode)
)
@settings(max_examples=300, deadline=None)
def test_any_bytes_are_read_or_refused(data: bytes, tmp_path_factory: pytest.TempPathFactory) -> None:
    """Nothing but CsvError is raised, and what is read makes sense."""
    path = tmp_path_factory.getbasetemp() / "any.csv"
    path.write_bytes(data)
    firing = None
    with contextlib.suppress(CsvError):
        firing = read_csv(path)
    if firing is not None:
        assert (np.diff(firing.t_us) > 0).all()
        assert (np.isnan(firing.temperature_c) == (firing.status != Status.OK)).all()
        assert firing.t_us[0] == 0


# --- plans, many columns, files given twice -----------------------------------------------------------------


def probes(*names: str, channels: bool = False) -> Plan:
    said = "".join(
        f'[[probe]]\nname = "{"p " * channels}{n}"\nchannel = "{n if channels else f"k{i}"}"\n'
        for i, n in enumerate(names)
    )
    return loads(f'title = "Invented"\n{said}')


def test_a_plan_that_fits_no_column_is_refused(
    writer: JournalWriter, reader: JournalReader, tmp_path: Path
) -> None:
    path = tmp_path / "fire.csv"
    path.write_text("time (s),T1,T2\n0,20,21\n1,22,23\n")
    with pytest.raises(
        CsvError,
        match=r"none of the plan's probes is a column: the plan has 'north'.*the file has 'T1', 'T2'",
    ):
        import_csv(writer, path, plan=probes("north"))
    assert reader.firings() == []
    info, _ = import_csv(writer, path, plan=probes("T2"))
    assert [c.probe.name for c in reader.columns(info.id)] == ["T2", "T1"]


def test_a_plan_knows_columns_by_their_channels_too(
    writer: JournalWriter, reader: JournalReader, tmp_path: Path
) -> None:
    path = tmp_path / "fire.csv"
    path.write_text("time (s),T1,T2\n0,20,21\n1,22,23\n")
    info, _ = import_csv(writer, path, plan=probes("T1", channels=True))
    assert [c.probe.name for c in reader.columns(info.id)] == ["p T1", "T2"]


def test_a_plan_says_what_to_keep_of_many_columns(
    writer: JournalWriter, reader: JournalReader, tmp_path: Path
) -> None:
    path = tmp_path / "fire.csv"
    path.write_text(
        "t (s)," + ",".join(f"a{i}" for i in range(70)) + "\n0" + ",20" * 70 + "\n1" + ",21" * 70 + "\n"
    )
    info, firing = import_csv(writer, path, plan=probes("a3", "a69", "gone"))
    assert firing.names == ("a3", "a69")
    assert ("a4", "the plan names no such probe") in firing.left_out
    assert len(firing.left_out) == 68
    assert reader.firing(info.id).readings == 4


def test_what_a_plan_names_is_a_temperature_whatever_it_is_called(tmp_path: Path) -> None:
    path = tmp_path / "fire.csv"
    path.write_text("time (s),battery,b\n0,20,21\n1,22,23\n")
    assert read_csv(path).names == ("b",)
    assert read_csv(path, plan=probes("battery")).names == ("battery", "b")


@pytest.mark.parametrize("other", ["fire.csv", "copy.csv"])
def test_the_same_file_twice_is_read_once_and_said(other: str, tmp_path: Path) -> None:
    path = tmp_path / "fire.csv"
    path.write_text("time (s),a\n0,20\n1,21\n")
    (tmp_path / other).write_bytes(path.read_bytes())
    firing = read_csv([path, tmp_path / other])
    assert firing.names == ("a",)
    assert any("read once" in note and other in note for note in firing.notes)
    files, whole = preview([path, tmp_path / other])
    assert (whole["error"], whole["names"], len(files)) == (None, ("a",), 2)


def test_files_that_go_on_where_another_ends(tmp_path: Path) -> None:
    first, second = tmp_path / "part1.csv", tmp_path / "part2.csv"
    first.write_text("t,a,b\n2026-11-25T10:00:00Z,20,21\n2026-11-25T10:00:01Z,22,23\n")
    second.write_text("t,a,b\n2026-11-25T10:00:02Z,24,25\n2026-11-25T10:00:03Z,26,27\n")
    firing = read_csv([first, second])
    assert firing.names == ("a", "b")
    assert rows(firing) == [[20, 21], [22, 23], [24, 25], [26, 27]]
    assert "part2.csv continues where another file ends, with the same columns" in firing.notes


def test_files_of_which_one_repeats_the_others_last_rows(tmp_path: Path) -> None:
    first, second = tmp_path / "part1.csv", tmp_path / "part2.csv"
    first.write_text("t,a,b\n2026-11-25T10:00:00Z,20,21\n2026-11-25T10:00:01Z,22,\n")
    second.write_text("t,a,b\n2026-11-25T10:00:01Z,22,\n2026-11-25T10:00:02Z,24,25\n")
    firing = read_csv([first, second])
    assert (firing.names, len(firing.t_us), firing.readings) == (("a", "b"), 3, 5)
    second.write_text("t,a,b\n2026-11-25T10:00:01Z,99,\n2026-11-25T10:00:02Z,24,25\n")
    assert read_csv([first, second]).names == ("a", "b", "part2 a", "part2 b")  # another logger's


def test_what_is_empty_is_no_reading(tmp_path: Path) -> None:
    """The stated number of readings counts temperatures only, not gaps, open wires or 9999."""
    firing = read(tmp_path, "time (s),a,b\n0,20,9999\n1,OL,21\n2,,22\n3,23,24\n")
    assert firing.readings == 5


def test_a_refusal_says_itself_in_parts(tmp_path: Path) -> None:
    with pytest.raises(CsvError) as caught:
        read(tmp_path, "time (s),a,b\n0,20,21\n1,2x,23\n2,24,25\n")
    assert caught.value.as_dict() == {
        "code": "no-temperature",
        "what": "'2x' is not a temperature",
        "file": "fire.csv",
        "row": 3,
        "column": "a",
        "hints": [
            {"field": "leave_out", "value": "a", "words": "if that column has no temperatures"},
            {"field": "skip_rows", "value": "3", "words": "leaves that row out"},
        ],
    }
    whole = preview([tmp_path / "fire.csv"])[1]
    assert whole["refusal"] == caught.value.as_dict()
    assert whole["error"] == str(caught.value)


# --- limits -------------------------------------------------------------------------------------------------

ABSURD: dict[str, tuple[str, str | None]] = {
    "a line of 60 MB": ("time (s),a\n0,20\n1," + "2" * 60_000_000 + "\n", "line 3 is longer than"),
    "a line of 60 MB, of cells": ("time (s),a\n0,20\n" + "1," * 30_000_000 + "\n", "line 3 is longer than"),
    "100,000 columns": (
        "t (s)," + ",".join(f"c{i}" for i in range(100_000)) + "\n0" + ",20" * 100_000 + "\n",
        "100001 columns, more than 2048",
    ),
    "2,000 columns of one name": (
        "t (s)" + ",°" * 2000 + "\n0" + ",20" * 2000 + "\n",
        "2000 columns, more than 64",
    ),
    "a cell of 50 kB": (
        "time (s),a\n0,20\n1," + "x" * 50_000 + "\n2,21\n",
        r"row 3, column 'a': 'x+…' is not a temp",
    ),
    "a time of 50 kB": ("time (s),a\n0,20\n" + "9" * 50_000 + ",21\n2,21\n", r"row 3, column 'time \(s\)'"),
    "a header of 50,000 degrees": ("time (s)," + "°" * 50_000 + "\n0,20\n1,21\n", None),
    "a title of 50,000 degrees": ("°" * 50_000 + "\ntime (s),a\n0,20\n1,21\n", None),
    "a word of 50 kB for a month": (
        "t,a\n1 " + "x" * 50_000 + " 2026 10:00:00,20\n",
        "no row begins with a time",
    ),
}


@pytest.mark.parametrize("case", ABSURD)
def test_absurd_files_are_read_or_refused_within_limits(case: str, tmp_path: Path) -> None:
    """What once took minutes, gigabytes or a traceback. The suite's own time limit fails what hangs."""
    text, refusal = ABSURD[case]
    if refusal is None:
        assert rows(read(tmp_path, text)) == [[20], [21]]
        return
    with pytest.raises(CsvError, match=refusal) as caught:
        read(tmp_path, text)
    assert len(str(caught.value)) < 2000


def test_reading_tells_how_far_it_is_and_can_be_ended(tmp_path: Path) -> None:
    path = tmp_path / "fire.csv"
    path.write_text("time (s),a\n" + "".join(f"{i},20.5\n" for i in range(20_000)))
    told: list[tuple[int, int]] = []
    read_csv(path, progress=lambda done, of: told.append((done, of)))
    assert len(told) > 2
    assert all(0 < done <= of == path.stat().st_size for done, of in told)

    class EndedError(Exception): ...

    def end(done: int, of: int) -> None:
        raise EndedError

    with pytest.raises(EndedError):
        read_csv(path, progress=end)


@pytest.mark.slow
def test_a_large_file_takes_little_memory(tmp_path: Path) -> None:
    """numpy's arrays and the rows being read are traced: a block of rows at a time, and eight bytes a reading."""
    path = tmp_path / "fire.csv"
    path.write_text("time (s),a,b,c\n" + "".join(f"{i},{20 + i % 900}.5,21.5,22.5\n" for i in range(100_000)))
    tracemalloc.start()
    read_csv(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 6 * path.stat().st_size


# --- a file that is here already ----------------------------------------------------------------------------


def test_a_file_is_known_again_by_its_bytes_whatever_its_name(
    tmp_path: Path, writer: JournalWriter, reader: JournalReader
) -> None:
    first, second, other = (tmp_path / name for name in ("one.csv", "two.csv", "other.csv"))
    first.write_text("time_s,a\n0,20\n1,21\n")
    second.write_bytes(first.read_bytes())
    other.write_text("time_s,a\n0,20\n1,22\n")
    digests = [digest_of(path) for path in (first, second, other)]
    assert already_here(reader.firings(), digests) == {}
    import_csv(writer, first)
    newest, _ = import_csv(writer, first)
    found = already_here(reader.firings(), digests)
    assert {digest: info.id for digest, info in found.items()} == {digests[0]: newest.id}
    assert digests[1] == digests[0] != digests[2]


def test_a_pipe_is_not_read_to_be_known_again(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    assert digest_of(tmp_path / "pipe") == digest_of(tmp_path / "missing") == ""
    assert already_here([], [""]) == {}


# --- a row for each reading ---------------------------------------------------------------------------------

LONG = "when,probe,value,unit\n" + "".join(
    f"2026-11-25T10:00:{i:02d}Z,{name},{value},{unit}\n"
    for i in range(4)
    for name, value, unit in (("coals", 68 + 18 * i, "°F"), ("top", 20 + i, "°C"), ("Air flow", 9, "m/s"))
)


def test_each_probe_of_a_long_file_has_its_own_unit(tmp_path: Path) -> None:
    firing = read(tmp_path, LONG)
    assert firing.names == ("coals", "top")
    assert rows(firing) == [[pytest.approx(20 + 10 * i), 20 + i] for i in range(4)]
    assert ("Air flow", "m/s is not a unit of temperature") in firing.left_out


def test_probes_of_a_long_file_are_kept_or_left_out_by_name(tmp_path: Path) -> None:
    assert read(tmp_path, LONG, keep=("co*",)).names == ("coals",)
    assert read(tmp_path, LONG, leave_out=("top",)).names == ("coals",)
    with pytest.raises(CsvError, match="no probe among"):
        read(tmp_path, LONG, keep=("nobody",))


def test_a_long_file_is_previewed_as_it_will_be_imported(tmp_path: Path) -> None:
    path = tmp_path / "long.csv"
    path.write_text(LONG)
    (seen,), whole = preview([path])
    assert whole["error"] is None
    assert seen["columns"] == [("coals", "f"), ("top", "c")]
    assert (whole["names"], whole["rows"], whole["readings"]) == (("coals", "top"), 4, [4, 4])


def test_a_long_file_of_a_channel_that_goes_twice_at_one_time_is_refused(tmp_path: Path) -> None:
    with pytest.raises(CsvError, match="row 4"):
        read(tmp_path, "seconds,probe,value\n0,a,20\n0,b,21\n0,a,22\n1,b,23\n1,a,24\n2,b,25\n")


@pytest.mark.parametrize("hour", ["24", "25", "x"])
def test_an_hour_that_no_day_has_is_refused(tmp_path: Path, hour: str) -> None:
    text = f"date,hour,a\n2026-11-25,22,20\n2026-11-25,23,21\n2026-11-25,{hour},22\n"
    if hour == "24":  # ISO 8601: the end of that day
        firing = read(tmp_path, text, timezone="UTC")
        assert firing.t_s.tolist() == [0, 3600, 7200]
        return
    with pytest.raises(CsvError, match="row 4"):
        read(tmp_path, text, timezone="UTC")


def test_a_number_without_end_is_no_reading_and_no_warning(tmp_path: Path) -> None:
    lines = [f"{i};{'22,01e999' if i == 5 else f'{20 + i},0'};19,0" for i in range(20)]
    firing = read(tmp_path, "\n".join(["time_s;coals;top", *lines]))
    assert rows(firing)[4:7] == [[24, 19], [None, 19], [26, 19]]
