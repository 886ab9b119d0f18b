"""Numbers found in what boards print: invented lines of the kinds that boards are known to print."""

from __future__ import annotations

import functools
import math
import operator
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.conversion.printed import MOST_FIELDS, channel_names, fields
from logger.plan.sources import SourceChannel
from logger.reading import MAX_NAME, Sample
from logger.sources.plain.reader import LineReader, doubt
from logger.sources.plain.topics import field_of

LINES = [
    (b"21.5,22.0,23.1", {"1": 21.5, "2": 22.0, "3": 23.1}),
    (b"21.5, 22.0, 23.1,", {"1": 21.5, "2": 22.0, "3": 23.1}),
    (b"21,5;22,0;-3,25", {"1": 21.5, "2": 22.0, "3": -3.25}),  # decimal commas
    (b"21.5\t22\t---", {"1": 21.5, "2": 22.0, "3": math.nan}),
    (b"21.5 22.0  23.1\r", {"1": 21.5, "2": 22.0, "3": 23.1}),
    (b"21.5 C  22.5 C", {"1": 21.5, "2": 22.5}),
    (b"T1=21.5 T2=22.0", {"T1": 21.5, "T2": 22.0}),
    (b"T1: 21.5 C, T2: open", {"T1": 21.5, "T2": math.nan}),
    (b"Stack top: 612.25", {"Stack top": 612.25}),
    (b'{"t":{"top":612.5,"walls":[401,null]},"n":"7.5"}', {"t.top": 612.5, "t.walls.0": 401, "t.walls.1": math.nan, "n": 7.5}),
    (b"[21.5, 22]", {"0": 21.5, "1": 22.0}),
    (b"1712,21.5,nan", {"1": 1712, "2": 21.5, "3": math.nan}),
    (b"12:30:05,21.5,22.5", {"1": None, "2": 21.5, "3": 22.5}),  # a time of day is no number, but keeps its place
    (b'"21.5","22.0"', {"1": 21.5, "2": 22.0}),
    (b"\xef\xbb\xbf21.5", {"1": 21.5}),
    (b"25.00\xb0C", {"1": 25.0}),  # Latin-1
    (b"27.50C/81.50F", {"1": 27.5, "2": 81.5}),
    (b"1e3,+5,.5", {"1": 1000.0, "2": 5.0, "3": 0.5}),
]  # fmt: skip


@pytest.mark.parametrize(("line", "expected"), LINES, ids=[repr(line[:30]) for line, _ in LINES])
def test_a_line_of_numbers(line: bytes, expected: dict[str, float | None]) -> None:
    found = {f.key: f.value for f in fields(line)}
    assert found == pytest.approx(expected, nan_ok=True)


CHATTER = [
    b"",
    b"ready",
    b">>> ",
    b"# a comment, 12, 13",
    b"ets starts",
    b"MicroPython v1.27 on an invented board; type help() for more",
    b"\x00\xff\xfe\x80",
    b"rst:0x1 (POWERON_RESET),boot:0x13 (FLASH_BOOT)",
    b"Traceback (most recent call last):",
    b"{not json",
    b"[" * 3000,
    b"9" * 5000,
]


@pytest.mark.parametrize("line", CHATTER, ids=[repr(line[:20]) for line in CHATTER])
def test_what_boards_say_besides_is_no_sample(line: bytes) -> None:
    reader = LineReader()
    assert [reader.sample(line, i / 10) for i in range(20)] == [None] * 20


@given(st.binary(max_size=300))
def test_any_bytes_are_taken_or_left(line: bytes) -> None:
    reader = LineReader()
    reader.sample(line, 0.0)
    for sample in (reader.sample(line, 1.0) or {}).values():
        assert (sample.c is None) != (sample.fault is None)
        assert sample.c is None or math.isfinite(sample.c)


def offer(lines: list[bytes]) -> dict[str, float]:
    reader = LineReader()
    for line in lines:
        reader.take(line)
    return reader.values


def test_what_is_offered_is_what_would_be_recorded() -> None:
    """Not the numbers of half lines, however many come on end."""
    assert offer([b"21.5,522.0,723.5"] * 12 + [b"522.0,723.5"] * 3) == {"n1": 21.5, "n2": 522.0, "n3": 723.5}
    talks = [b"21.5,22.0"] * 4 + [b"wifi: rssi -67 dBm", b"40.5,41.0"]
    assert offer(talks) == {"n1": 40.5, "n2": 41.0}


def read(lines: list[bytes], reader: LineReader, every_s: float = 0.5) -> list[dict[str, Sample] | None]:
    return [reader.sample(line, i * every_s) for i, line in enumerate(lines)]


def test_every_number_is_a_channel_where_nothing_is_marked() -> None:
    first, *rest = read([b"21.5,22.0,23.1"] * 4, LineReader())
    assert first is None  # one line alone settles nothing
    assert rest == [{"n1": Sample(c=21.5), "n2": Sample(c=22.0), "n3": Sample(c=23.1)}] * 3


def test_half_a_line_is_no_sample() -> None:
    """Nothing proves a line complete: one that has fewer fields than the others is left out."""
    lines = [b"21.5,22.0,23.1", b"21.5,22.0,23.1", b"5,22.0,23.1", b"22.0,2", b"21.5,22.0,23.1"]
    got = read(lines, LineReader())
    assert [sample is None for sample in got] == [True, False, False, True, False]


def test_start_up_chatter_with_numbers_in_it_is_no_layout() -> None:
    """Printed within a few milliseconds, unlike samples."""
    reader = LineReader()
    chatter = [b"load:0x3fff0030,len:1184", b"load:0x40078000,len:13232", b"load:0x40080400,len:3028"]
    assert [reader.sample(line, 0.002 * i) for i, line in enumerate(chatter)] == [None] * 3
    assert [reader.sample(b"612.5;401.0", 2.0 + i) for i in range(2)] == [
        None,
        {"n1": Sample(c=612.5), "n2": Sample(c=401.0)},
    ]


def test_a_board_that_prints_something_else_is_followed() -> None:
    reader = LineReader()
    read([b"21.5,22.0"] * 4, reader)
    got = [reader.sample(b"21.5,22.0,23.1", 10 + 0.5 * i) for i in range(20)]
    assert got[0] is None
    assert got[-1] == {"n1": Sample(c=21.5), "n2": Sample(c=22.0), "n3": Sample(c=23.1)}


def test_marks_say_which_value_is_which_channel() -> None:
    marks = (
        SourceChannel("coals", 3, unit="F"),
        SourceChannel("top", 2, scale=0.1),
        SourceChannel("wall", 4, broken=[9999.0]),
        SourceChannel("box", 5, unit="K"),
    )
    _, got = read([b"1712,6125,1472,9999,300.15"] * 2, LineReader(marks))
    assert got == {
        "coals": Sample(c=800.0),  # 1472 °F
        "top": Sample(c=612.5),
        "wall": Sample(fault="open"),
        "box": Sample(c=27.0),
    }


def test_the_lines_own_unit_counts_where_nothing_is_marked() -> None:
    *_, got = read([b"T1: 212 F, T2: 100 C, T3: 373.15 K, T4: 212"] * 5, LineReader(unit="F"))
    assert got is not None
    assert [sample.c for sample in got.values()] == [100.0] * 4


@pytest.mark.parametrize(
    "said", [b"nan", b"open", b"---", b"OL", b"ERR", b"null", b"Err7", b"FAULT!", b"***"]
)
def test_a_broken_wire_is_never_a_temperature(said: bytes) -> None:
    _, got = read([b"T1=" + said + b" T2=22.0"] * 2, LineReader())
    assert got is not None
    assert got["T1"] == Sample(fault="open")


@given(st.lists(st.text(max_size=40), min_size=1, max_size=70))
def test_any_keys_make_names_that_a_channel_may_have(keys: list[str]) -> None:
    names = channel_names(keys)
    assert len(set(names)) == len(keys)
    assert all(1 <= len(name) <= MAX_NAME and name[0].isalnum() for name in names)


def last_of(*lines: str) -> dict[str, float | None]:
    """The channels' last readings from a board that prints such lines four times a second."""
    reader = LineReader()
    channels: dict[str, float | None] = {}
    for i in range(24):
        for sample in (reader.sample(lines[i % len(lines)].encode(), i / 4) or {}).items():
            channels[sample[0]] = sample[1].c
    return channels


OTHER_BOARDS: dict[str, tuple[list[str], dict[str, float | None]]] = {
    "unit right behind the number": (["T1: 70.7F T2: 212.0F"], {"T1": 21.5, "T2": 100}),
    "kelvin right behind the number": (["T1=294.65K T2=373.15K"], {"T1": 21.5, "T2": 100}),
    "units and names": (["T1: 21.50 C  T2: 22.00 C"], {"T1": 21.5, "T2": 22}),
    "units for names": (["C: 21.5 F: 70.7"], {"C": 21.5, "F": 21.5}),
    "unit in one sign": (["T1=70.7 ℉"], {"T1": 21.5}),
    "a clock in brackets": (["[12:00:01] 21.5 22.0"], {"n2": 21.5, "n3": 22}),
    "colours": (["\x1b[32m21.5\x1b[0m,\x1b[31m22.0\x1b[0m"], {"n1": 21.5, "n2": 22}),
    "a prompt": (["> 21.5,22.0"], {"n1": 21.5, "n2": 22}),
    "a sentence with a checksum": (["$TC,21.5,22.0*4A"], {"n2": 21.5, "n3": 22}),
    "decimal commas between spaces": (["21,5 22,0"], {"n1": 21.5, "n2": 22}),
    "unit beside the value": (['{"top": {"value": 70.7, "unit": "F"}}'], {"top.value": 21.5}),
    "per cent": (["T=21.5 H=45%"], {"T": 21.5}),
    "a line for each": (["Top: 21.5", "Base: 22.0 C"], {"Top": 21.5, "Base": 22}),
    "a line for each without a sign": (["CH1 21.5", "CH2 22.0"], {"CH1": 21.5, "CH2": 22}),
    "names above numbers": (["Top", "21.5", "Base", "22.0"], {"Top": 21.5, "Base": 22}),
    "a count first": ([f"{i},21.5" for i in range(24)], {"n2": 21.5}),
    "milliseconds first": ([f"{1000 * i + 17},21.5" for i in range(24)], {"n2": 21.5}),
    "milliseconds by name": (['{"ms": 5, "top": 21.5}'], {"top": 21.5}),
    "whole numbers that stand": (["21,22"], {"n1": 21, "n2": 22}),
    "whole numbers that rise": ([f"{20 + 2 * i},22" for i in range(24)], {"n1": 66, "n2": 22}),
}
OTHER_BOARDS |= {
    "probes numbered before the value": (["1,21.5", "2,22.0"], {"n1": 21.5, "n2": 22}),
    "four probes numbered from 0": (
        [f"{i}\t2{i}.5" for i in range(4)],
        {f"n{i}": 20.5 + i for i in range(4)},
    ),
    "probes numbered in brackets": (["[0] 21.5", "[1] 22.0"], {"n0": 21.5, "n1": 22}),
    "probes numbered with colons": (["1: 21.5 C, 2: 71.6 F"], {"n1": 21.5, "n2": 22}),
    "slashes": (["21.5/22.0"], {"n1": 21.5, "n2": 22}),
    "decimal commas, a comma and a space": (["21,5, 22,0"], {"n1": 21.5, "n2": 22}),
    "two boards in one stream": (
        ["north 21.5 22.0", "south 26.5 27.0"],
        {"north.1": 21.5, "north.2": 22, "south.1": 26.5, "south.2": 27},
    ),
    "two boards with colons": (
        ["A:21.5,22.0", "B:26.5,27"],
        {"A.1": 21.5, "A.2": 22, "B.1": 26.5, "B.2": 27},
    ),
    "round brackets": (["(21.5, 22.0)"], {"n1": 21.5, "n2": 22}),
    "a voltage behind a temperature": (["T=21.5 V=3.30V"], {"T": 21.5}),
    "a controller's other numbers": (["SP=500.0 PV=21.5 OUT=45.0"], {"PV": 21.5}),
    "open inputs as numbers": (
        ["21.5,1372.0,-127,2048.00,9999"],
        {"n1": 21.5} | {f"n{i}": None for i in range(2, 6)},
    ),
}


OTHER_BOARDS |= {
    "names before values": (["T1 21.5 T2 22.0 C"], {"T1": 21.5, "T2": 22}),
    "names before values, one open": (["T1 21.5 T2 OPEN"], {"T1": 21.5, "T2": None}),
    "names and values between commas": (["upper,21.5,lower,22.0"], {"upper": 21.5, "lower": 22}),
    "two loggers in turn with several probes": (
        ["1,21.5,22.0", "2,26.5,27.0"],
        {"n1.1": 21.5, "n1.2": 22, "n2.1": 26.5, "n2.2": 27},
    ),
    "minus one for an open input": (["21.5,-1"], {"n1": 21.5, "n2": None}),
    "minus one with decimals": (["T1=21.5 T2=-1.00"], {"T1": 21.5, "T2": None}),
    "minus one on a frosty morning": ([f"21.5,{v}" for v in (0, -1, -2, -1)], {"n1": 21.5, "n2": -1}),
    "bad beside": (["21.5 OK 22.0 BAD"], {"n1": 21.5, "n2": None}),
    "fault beside, between commas": (["21.5,OK,22.0,FAULT"], {"n1": 21.5, "n2": None}),
    "fault beside names": (["T1=21.5 OK T2=22.0 FAULT"], {"T1": 21.5, "T2": None}),
    "fault beside in JSON": (['{"a":{"c":21.5,"status":"ok"},"b":{"c":22,"status":"FAULT"}}'], {"a.c": 21.5, "b.c": None}),
    "digits of full width": (["２１．５，２２．０"], {"n1": 21.5, "n2": 22}),
    "a log's level": (["INFO rig: upper=21.5 lower=22.0"], {"upper": 21.5, "lower": 22}),
    "metrics with labels": (['t{probe="a"} 21.5', 't{probe="b"} 22.0'], {"t_probe_a": 21.5, "t_probe_b": 22}),
    "line protocol": (["fire,rig=a upper=21.5,lower=22.0"], {"upper": 21.5, "lower": 22}),
    "a checksum by name": (["21.5,22.0,CRC=3F"], {"n1": 21.5, "n2": 22}),
    "the amplifier's own temperature": (["Internal = 24.5 C, Thermocouple = 21.5 C"], {"Thermocouple": 21.5}),
    "limits of a plotter": (["Min:0,Max:1000,upper:21.5"], {"upper": 21.5}),
    "a lost line among others in turn": (
        [*(["T1: 21.5"] * 3), *(["T1: 21.5", "T2: 22.0"] * 11)][:24],
        {"T1": 21.5, "T2": 22},
    ),
}  # fmt: skip


OTHER_BOARDS |= {
    "units in brackets": (["T1(F)=70.7\tTop 2 [C]: 22.0"], {"T1": 21.5, "Top_2": 22}),
    "a unit in a name": (["tempC=21.5 tempF=70.7"], {"tempC": 21.5, "tempF": 21.5}),
    "a unit in a name, in JSON": (['{"temp_f": 70.7, "wall": 22}'], {"temp_f": 21.5, "wall": 22}),
    "JSON in several lines": (["{", '  "T1": 21.5,', '  "T2": "22.0"', "}"], {"T1": 21.5, "T2": 22}),
    "a long word for an open input": (["T1: 21.5 C | T2: disconnected"], {"T1": 21.5, "T2": None}),
    "stars for digits": (["21.5,****,---.-"], {"n1": 21.5, "n2": None, "n3": None}),
    "addresses before values": (
        ["28:FF:4A:6B 21.5", "28:FF:4A:6C 22.0"],
        {"n28_FF_4A_6B": 21.5, "n28_FF_4A_6C": 22},
    ),
    "addresses in digits alone": (["2812345678901234: 21.5", "2812345678901235: 22.0"], {"n2812345678901234": 21.5, "n2812345678901235": 22}),
    "a time of day that comes twice": (["12:00:01 21.5", "12:00:01 21.5", "12:00:02 21.5"], {"n2": 21.5}),
    "cold junctions": (["TC1:21.5,CJ1:24.0,TC2:22.0,CJ2:24.0"], {"TC1": 21.5, "TC2": 22}),
    "now and then the memory": (["Free heap: 23456", "Top: 21.5", "Top: 21.5", "Top: 21.5"], {"Top": 21.5}),
    "the probe's number by name": (["ch=1 temp=21.5", "ch=2 temp=22.0"], {"n1": 21.5, "n2": 22}),
    "the probe's number in JSON": (['{"sensor": 1, "c": 21.5}', '{"sensor": 2, "c": 22.5}'], {"n1": 21.5, "n2": 22.5}),
    "the probe's address in JSON": (
        ['{"id": "28ff01", "t": 21.5, "rssi": -60}', '{"id": "28ff02", "t": 22.0, "rssi": -61}'],
        {"n28ff01": 21.5, "n28ff02": 22},
    ),
    "one probe that always says its number": (['{"id": 7, "t": 21.5}'], {"t": 21.5}),
    "a state by name": (["CH1 T=0.0 ST=OPEN", "CH2 T=22.0 ST=OK"], {"CH1_T": None, "CH2_T": 22}),
    "false in JSON": (['{"a": {"c": 0.0, "ok": false}, "b": {"c": 22, "ok": true}}'], {"a.c": None, "b.c": 22}),
    "a tab before each": (["\t21.5\t22.0"], {"n1": 21.5, "n2": 22}),
    "a probe that is called probe": (["probe=22.5 wall=21.5"] * 3 + ["probe=22 wall=21.5"], {"probe": 22, "wall": 21.5}),
    "a dash between": (["21.5 - 22.0"], {"n1": 21.5, "n3": 22}),
}  # fmt: skip


@pytest.mark.parametrize("case", OTHER_BOARDS)
def test_boards_that_print_otherwise(case: str) -> None:
    lines, expected = OTHER_BOARDS[case]
    assert last_of(*lines) == pytest.approx(expected)
    offered = offer([line.encode() for line in lines * 12])
    assert set(offered) == set(expected)


def boards_of(form: str, n: int = 30) -> list[bytes]:
    """A board's lines: two probes that rise by fractions of a degree."""
    return [form.format(a=21.5 + 0.3 * i, b=30 + 0.7 * i).encode() for i in range(n)]


@pytest.mark.parametrize("start", range(4))
def test_a_torn_line_does_not_hide_that_probes_are_numbered(start: int) -> None:
    """A probe's number is never recorded as a temperature, wherever the port was opened and a line lost."""
    lines = [b"%d,%d.5" % (1 + i % 2, 21 + i % 2) for i in range(60)]
    torn = [lines[0][start:], *lines[1:7], *lines[8:]]
    found = {(name, s.c) for each in read(torn, LineReader()) for name, s in (each or {}).items()}
    assert found == {("n1", 21.5), ("n2", 22.5)}


def test_decimal_commas_between_commas_are_refused_in_words_or_read_as_the_plan_says() -> None:
    """21,5,30,0 is two temperatures or four: never recorded as four by mistake."""
    lines = [line.replace(b".", b",") for line in boards_of("{a:.1f},{b:.1f}")]
    reader = LineReader()
    assert read(lines, reader) == [None] * 30
    assert "decimal commas" in reader.lines.trouble
    assert offer(lines) == {}
    told = LineReader(decimal=",")
    assert read(lines, told)[-1] == {"n1": Sample(c=30.2), "n2": Sample(c=50.3)}
    assert not told.lines.trouble


def test_whole_degrees_between_commas_are_none_of_these() -> None:
    """A second probe below 10 °C, on a frosty morning, is read as soon as that is clear."""
    lines = [b"%d,%d" % (21 + i // 4, 5 + i // 8) for i in range(60)]
    got = read(lines, LineReader())
    assert got[16:] == [{"n1": Sample(c=21 + i // 4), "n2": Sample(c=5 + i // 8)} for i in range(16, 60)]


@pytest.mark.parametrize("form", ["0x{0:04X} 0x{1:04X}", "{0:04X},{1:04X}"])
def test_numbers_to_the_base_of_16_are_no_temperatures(form: str) -> None:
    lines = [form.format(16 * (21 + i), 16 * (30 + i)).encode() for i in range(40)]
    reader = LineReader()
    assert read(lines, reader) == [None] * 40
    assert "hexadecimal" in reader.lines.trouble


def test_seven_bits_and_even_parity_read_as_eight() -> None:
    lines = [bytes(b | 0x80 * (b.bit_count() % 2) for b in line) for line in boards_of("{a:.1f},{b:.1f}\r")]
    assert read(lines, LineReader())[-1] == {"n1": Sample(c=30.2), "n2": Sample(c=50.3)}


def test_numbers_that_look_like_another_unit_are_doubted() -> None:
    assert "scale" in doubt({"n1": 2150, "n2": 2200})
    assert "--unit F" in doubt({"n1": 70.7, "n2": 71.2})
    assert doubt({"n1": 21.5, "n2": 612.0}) == doubt({}) == doubt({"n1": math.nan}) == ""


def test_a_word_now_and_then_names_nothing() -> None:
    """Door open, and a number on the next line, from a board that prints numbers alone."""
    assert last_of("21.5", "21.5", "21.5", "Door open", "21.5", "21.5") == {"n1": 21.5}


def test_what_a_line_says_of_its_unit_counts_unless_the_plan_says_one() -> None:
    said = LineReader([SourceChannel("top", 1)])
    assert [said.sample(b"70.7 F,22", i / 4) for i in range(4)][-1] == {"top": Sample(c=21.5)}
    plan = LineReader([SourceChannel("top", 1, unit="C")])
    assert [plan.sample(b"70.7 F,22", i / 4) for i in range(4)][-1] == {"top": Sample(c=70.7)}


def test_a_temperature_of_whole_degrees_that_climbs_like_a_counter_is_kept() -> None:
    reader = LineReader()
    for n in range(10):
        reader.sample(b"count=%d,top=20" % n, 0.2 * n)
    told = [reader.sample(b"count=%d,top=%d" % (10 + n, 21 + n), 2.0 + n) for n in range(60)]
    told += [reader.sample(b"count=%d,top=%d" % (70 + n, 80 + 60 * n), 62.0 + n) for n in range(10)]
    assert [set(each or ()) for each in told] == [{"top"}] * 70


def test_a_counter_that_begins_again_is_still_one() -> None:
    reader = LineReader()
    told = [reader.sample(b"%d,21.5" % (n % 30), 0.2 * n) for n in range(100)]
    assert {name for each in told if each for name in each} == {"n2"}


BEFORE = b"21.5\t22.0\t23.5"


@pytest.mark.parametrize(
    ("before", "after", "expected"),
    [
        (b"T1: 21.5,T2: 22.0", b"T1: open circuit,T2: 22.0", {"T1": None, "T2": 22}),
        (b"21.5,22.0", b"E1,22.0", {"n1": None, "n2": 22}),
        (b"21.5,22.0,23.5", b"21.5,E1,23.5", {"n1": 21.5, "n2": None, "n3": 23.5}),
        (b"21.5,22.0,23.5", b"21.5,FAULT: open,23.5", {"n1": 21.5, "n2": None, "n3": 23.5}),
        (b"21.5,22.0,23.5", b"21.5,,23.5", {"n1": 21.5, "n2": None, "n3": 23.5}),
        (b"21.5,22.0,23.5", b"21.5,22.0,", {"n1": 21.5, "n2": 22, "n3": None}),
        (b"21.5,22.0,23.5,", b"21.5,22.0,,", {"n1": 21.5, "n2": 22, "n3": None}),
        (BEFORE, b"\t22.0\t23.5", {"n1": None, "n2": 22, "n3": 23.5}),
        (BEFORE, b"\t\t23.5", {"n1": None, "n2": None, "n3": 23.5}),
        (BEFORE, b"21.5\t22.0\t", {"n1": 21.5, "n2": 22, "n3": None}),
        (b"T1=21.5 T2=22.0", b"T1=E7 T2=22.0", {"T1": None, "T2": 22}),
        (b"T1=21.5 T2=22.0", b"T1=21.5 T2=no wire", {"T1": 21.5, "T2": None}),
        (b"21.5,OK", b"OPEN,OK", {"n1": None}),
    ],
)
def test_a_word_or_nothing_where_a_number_was_is_an_open_input_in_its_own_place(
    before: bytes, after: bytes, expected: dict[str, float | None]
) -> None:
    """Whatever the word; and no other probe takes over its name."""
    got = read([before] * 30 + [after] * 30, LineReader())
    assert {name: sample.c for name, sample in (got[-1] or {}).items()} == expected
    assert [sample.fault for sample in (got[-1] or {}).values() if sample.c is None] == ["open"] * (
        [*expected.values()].count(None)
    )


def test_a_heading_between_the_rows_of_a_table_is_no_sample() -> None:
    reader = LineReader()
    rows = [b"--- 00:00:10 ---", b"CH  TEMP  STATE", b"1  21.5  OK", b"2  22.0  OK"]
    got = [reader.sample(row, 10.0 * i) for i in range(12) for row in rows]
    assert {(name, s.c) for each in got for name, s in (each or {}).items()} == {("n1", 21.5), ("n2", 22.0)}
    assert all(got[-2:])


def test_a_state_before_the_numbers_is_no_probe() -> None:
    states = ["RUN"] * 20 + ["HOLD"] * 20 + ["RUN"] * 5 + ["HOLD"] * 15
    got = [sample for sample in read([f"{s} 21.5 22.0".encode() for s in states], LineReader()) if sample]
    assert len(got) > 50
    assert all(set(sample) == {"n2", "n3"} for sample in got)


def test_a_count_with_a_colon_before_the_numbers_is_no_probe() -> None:
    got = read([b"%d: 21.5 22.0" % (i % 10) for i in range(60)], LineReader())
    assert {frozenset(sample) for sample in got if sample} == {frozenset({"n2", "n3"})}
    assert all(got[4:])


def test_a_board_that_begins_to_take_turns_is_followed() -> None:
    got = read([b"21.5 22.0"] * 20 + [b"T1: 21.5", b"T2: 22.0"] * 20, LineReader())
    assert got[-2:] == [{"T1": Sample(c=21.5)}, {"T2": Sample(c=22.0)}]


def test_a_number_with_a_unit_before_the_temperature_is_no_probe() -> None:
    got = read([b"%d%% 21.5" % (44 + i % 2) for i in range(20)], LineReader())
    assert {name for sample in got for name in sample or ()} == {"n2"}


def test_a_word_where_the_plan_has_a_probe_is_an_open_input_from_the_start() -> None:
    *_, got = read([b"E1,21.5,22.0"] * 9, LineReader([SourceChannel("top", 1), SourceChannel("base", 2)]))
    assert got == {"top": Sample(fault="open"), "base": Sample(c=21.5)}


def test_words_between_lines_are_no_open_inputs() -> None:
    lines = [b"21.5 22.0", b"21.5 22.0", b"Door open"] * 10
    got = read(lines, LineReader())
    assert {frozenset(sample.items()) for sample in got if sample} == {
        frozenset({"n1": Sample(c=21.5), "n2": Sample(c=22.0)}.items())
    }


def test_a_board_that_leaves_an_open_input_out_is_not_read_by_place() -> None:
    """The numbers behind it would go by other probes' names."""
    reader = LineReader()
    lines = [b"21.5,522.0,723.5"] * 9 + [b"522.0,723.5"] * 30
    got = read(lines, reader)
    assert set(got[9:]) == {None}
    assert "2 numbers now where it printed 3" in reader.fewer
    assert reader.sample(lines[0], 40.0) == got[8]
    assert not reader.fewer


def test_a_number_that_lost_its_decimals_is_left_out() -> None:
    """A board that starts again in the middle of a line."""
    got = read([b"T1=521.5 T2=622.5"] * 12 + [b"T1=521.5 T2=62"], LineReader())
    assert got[-1] == {"T1": Sample(c=521.5)}


@pytest.mark.parametrize(("form", "every_s"), [("{:.2f},{}", 1.0), ("{:.1f},{}", 0.2), ("{:.0f},{}", 2.0)])
def test_seconds_that_a_board_counts_are_no_temperature(form: str, every_s: float) -> None:
    """Also over its start, and where lines come late."""
    reader = LineReader()
    names = set()
    for i in range(120):
        seconds = every_s * (i if i < 80 else i - 80)
        late_s = 0.9 if i % 60 == 59 else 0.01 * (i % 3)
        names |= set(
            reader.sample(form.format(seconds, 21.5 + i % 7).encode(), 50 + every_s * i + late_s) or {}
        )
    assert names == {"n2"}
    assert reader.counts == ("n1",)


def test_a_probe_that_climbs_a_degree_a_second_is_one() -> None:
    reader = LineReader()
    got = [reader.sample(b"%.1f" % (421.5 + 0.5 * i + 0.3 * (i % 3)), 0.5 * i) for i in range(60)]
    assert all(got[4:])


@pytest.mark.parametrize(
    ("names", "first", "second"),
    [
        ("t_ms,T1_F,T2_F", 100.0, 20.0),
        ("ms;T1 (°F);T2 (°C)", 100.0, 68.0),
        ('"time"\t"T1 [degF]"\t"T2"', 100.0, 68.0),
        ("time,T_F,T_R", 212.0, 68.0),  # front and rear
        ("time,T1_K,T2_K", 212.0, 68.0),  # a thermocouple's type
    ],
)
def test_names_above_the_numbers_can_say_the_unit(names: str, first: float, second: float) -> None:
    mark = next(m for m in "\t;," if m in names)
    lines = [mark.join((str(500 + 200 * i), "212.00", "68.00")).encode() for i in range(20)]
    got = read([names.encode(), b"wifi: rssi -67 dBm", *lines], LineReader())[-1]
    assert got == {"n2": Sample(c=first), "n3": Sample(c=second)}


@pytest.mark.slow
def test_names_that_never_come_again_are_forgotten() -> None:
    reader = LineReader()
    for n in range(20_000):
        reader.sample(b"x%d=21.5" % (n // 6 * 2 + n % 2), 0.1 * n)
    assert len(reader.lines.counts) <= 2 * MOST_FIELDS + 1
    assert 2 < len(reader._last) <= MOST_FIELDS


@pytest.mark.parametrize(
    ("payload", "path"), [(b"21.5 BAD", None), (b"21.5,INVALID", None), (b'{"c":21.5,"quality":"bad"}', "c")]
)
def test_a_message_that_takes_its_number_back_has_none(payload: bytes, path: str | None) -> None:
    field = field_of(payload, path)
    assert field is not None
    assert field.value is not None
    assert math.isnan(field.value)


@pytest.mark.parametrize(
    ("payload", "path", "number"),
    [
        (b'{"walls":[20.5,null],"top":null,"on":true}', "walls.0", 20.5),
        (b'{"walls":[20.5,null],"top":null,"on":true}', "walls.1", math.nan),
        (b'{"walls":[20.5,null],"top":null,"on":true}', "top", math.nan),
        (b'{"walls":[20.5,null],"top":null,"on":true}', "walls.2", None),
        (b'{"walls":[20.5,null],"top":null,"on":true}', "base", None),
        (b'{"walls":[20.5', "walls.0", None),
        (b"[" * 5000, "0", None),
        (b'{"top":{"value":21.5}}', "top.value", 21.5),
        (b"21,22", "2", 22.0),  # with a path it is two numbers, without one a decimal comma
        (b"21,22", None, 21.22),
    ],
)
def test_a_null_where_the_plan_looks_is_a_broken_wire_and_nothing_there_is_nothing(
    payload: bytes, path: str | None, number: float | None
) -> None:
    found = field_of(payload, path)
    if number is None:
        assert found is None
    else:
        assert found is not None
        assert found.value == pytest.approx(number, nan_ok=True)


def test_a_name_whose_number_never_came_is_offered_as_nothing() -> None:
    lines = [b"T1=21.5", b"V1=3.3mV", b"T2=22.0"] * 9
    assert offer(lines) == {"T1": 21.5, "T2": 22.0}


@pytest.mark.parametrize(
    ("line", "names"),
    [
        ("12:01:02.345 -> {:.2f},{:.2f}", ["n1", "n2"]),
        ("2031-05-04 12:01:02 {:.2f};{:.2f}", ["n1", "n2"]),
        ("<t1>{:.2f}</t1><t2>{:.2f}</t2>", ["t1", "t2"]),
        ("T1{:+08.2f}C T2{:+08.2f}C", ["T1", "T2"]),
        ("temp[0]={:.2f} temp[1]={:.2f}", ["temp_0", "temp_1"]),
        ("A => {:.2f}C (CJ 24.1C)   B => {:.2f}C (CJ 24.5C)", ["A", "B"]),
        ("{:.2f} {:.2f} Vbat=4.04V RSSI=-65dBm", ["n1", "n2"]),
    ],
)
def test_each_probe_is_read_and_nothing_else(line: str, names: list[str]) -> None:
    lines = [line.format(21.5 + 3.25 * i, 30.5 + 4.75 * i).encode() for i in range(12)]
    last = read(lines, LineReader())[-1]
    assert last is not None
    assert {name: sample.c for name, sample in last.items()} == dict(zip(names, (57.25, 82.75), strict=True))


@pytest.mark.parametrize(
    "checksum", [lambda body: sum(body) % 256, functools.partial(functools.reduce, operator.xor)]
)
def test_a_decimal_checksum_at_the_end_is_no_temperature(checksum: Callable[[bytes], int]) -> None:
    bodies = [b"%.2f,%.2f" % (21.5 + 3.25 * i, 30.5 + 4.75 * i) for i in range(20)]
    lines = [b"%b,%d" % (body, checksum(body)) for body in bodies]
    reader = LineReader()
    assert {name for sample in read(lines, reader) if sample for name in sample} == {"n1", "n2"}
    assert reader.counts == ("n3",)
    lines[1:] = [b"%b,%d" % (body, 40 + 3 * i) for i, body in enumerate(bodies[1:])]
    assert "n3" in (read(lines, LineReader())[-1] or {})


@pytest.mark.parametrize(
    ("comment", "expected"),
    [
        (b"# temperatures in Fahrenheit", 100.0),
        (b"# T in \xb0F", 100.0),
        (b"# Celsius, not Fahrenheit", 212.0),
        (b"# file 7", 212.0),
    ],
)
def test_a_comment_can_say_fahrenheit(comment: bytes, expected: float) -> None:
    reader = LineReader()
    last = read([comment, *[b"212.0,212.0"] * 8], reader)[-1]
    assert last is not None
    assert last["n1"].c == pytest.approx(expected)
    assert reader.lines.names_f is (expected == 100.0)
