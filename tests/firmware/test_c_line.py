"""The rig's line in C: built by the host's compiler, in an Arduino-style sketch, and on a simulated processor."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import pytest
from click.testing import CliRunner
from rigbench import NOTES, answer, lacking

from logger.cli import cli
from logger.reading import Sample
from logger.rig_line import wire

HERE = Path(__file__).parent
C = NOTES / "c"
STRICT = ["-Wall", "-Wextra", "-Werror", "-Wno-unused-function", "-I", str(C)]

# Maxim 19-5793, tables 4 and 5, for the bits; 612.0 °C over a cold junction of 27.5 °C is in wire_format.md.
WORD = "26881b80"


def tool(name: str, *arguments: object) -> None:
    if shutil.which(name) is None:
        lacking(f"{name} is not installed")
    done = subprocess.run([name, *map(str, arguments)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def says(*command: object) -> list[bytes]:
    done = subprocess.run(list(map(str, command)), capture_output=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout.splitlines()


def listens_clean(lines: list[bytes], folder: Path) -> dict[str, object]:
    """What `stokewatch listen` says of the lines, which must be that they are right."""
    path = folder / "lines.txt"
    path.write_bytes(b"\n".join(lines) + b"\n")
    heard = CliRunner().invoke(cli, ["listen", str(path), "--json"])
    assert heard.exit_code == 0, heard.output
    said: dict[str, object] = json.loads(heard.output)
    assert said["right"] is True
    return said


PROGRAM = r"""
#include <stdio.h>
#include "stokewatch_line.h"

static void put(void *port, char byte) { putc(byte, (FILE *)port); }

int main(void)
{
    static const uint8_t word[4] = {0x26, 0x88, 0x1b, 0x80};
    struct sw_line line = {put, 0, 0, 0};
    line.port = stdout;
    sw_say(&line, "hello");
    sw_about(&line, "c1", 250, "\"k0\":\"max31855\"");
    sw_begin(&line, "c1", 4294967295u, 4294967290u);
    sw_raw(&line, "k0", "max31855", word, 4);
    sw_emf(&line, "k1", 31214005, -1500);
    sw_celsius(&line, "k2", -40007);
    sw_celsius(&line, "k3", 1300250);
    sw_celsius(&line, "low", (-2147483647) - 1);
    sw_fault(&line, "k4", "short_ground");
    sw_end(&line);
    sw_begin(&line, "c1", 0, 0);
    sw_celsius(&line, "k2", 0);
    sw_end(&line);
    return 0;
}
"""


@pytest.mark.parametrize(
    ("compiler", "standard", "suffix"),
    [("gcc", "c99", "c"), ("gcc", "c17", "c"), ("g++", "c++11", "cc")],
    ids=["c99", "c17", "c++11"],
)
def test_every_function_of_the_header_says_what_the_logger_reads(
    tmp_path: Path, compiler: str, standard: str, suffix: str
) -> None:
    source = tmp_path / f"all.{suffix}"
    source.write_text(PROGRAM)
    program = tmp_path / "all"
    tool(compiler, f"-std={standard}", "-pedantic", *STRICT, "-fsanitize=undefined", "-o", program, source)
    words, about, first, second = says(program)
    assert words == b"# hello"
    assert answer(about)["period_ms"] == 250
    frame = wire.decode(first)
    assert (frame.rig, frame.seq, frame.ms) == ("c1", 2**32 - 1, 2**32 - 6)
    assert frame.ch == {
        "k0": Sample(amp="max31855", raw=WORD),
        "k1": Sample(uv=31214.005, cj=-1.5),
        "k2": Sample(c=-40.007),
        "k3": Sample(c=1300.25),
        "low": Sample(c=-2147483.648),
        "k4": Sample(fault="short_ground"),
    }
    assert wire.decode(second).ch == {"k2": Sample(c=0.0)}


def test_the_example_sketch_is_a_rig(tmp_path: Path) -> None:
    """Twenty seconds on an invented board: a chip that is hot, one open, one missing, one cold."""
    sketch = tmp_path / "sketch.cc"
    sketch.write_text('#include "Arduino.h"\n' + (C / "rig_max31855" / "rig_max31855.ino").read_text())
    program = tmp_path / "sketch"
    tool("g++", "-std=c++11", *STRICT, "-I", HERE / "arduino_stub", "-o", program, sketch)
    lines = says(program, WORD, "00011901", "ffffffff", "06491900")
    frames = [wire.decode(line) for line in lines if line.startswith(b"{")]
    assert [frame.seq for frame in frames] == list(range(40))
    assert [frame.ms for frame in frames] == list(range(0, 20_000, 500))
    assert {name: sample.raw for name, sample in frames[-1].ch.items()} == {
        "k0": WORD, "k1": "00011901", "k2": "ffffffff", "k3": "06491900"
    }  # fmt: skip
    assert [answer(line)["rig"] for line in lines if line.startswith(b"#")] == [
        "b1",
        "b1",
    ]  # power-on, and asked
    whole = says(program, WORD, WORD, WORD, WORD)
    listens_clean(whole, tmp_path)


def test_a_simulated_avr_is_a_rig(tmp_path: Path) -> None:
    """ATmega328P in simavr, a MAX31855 at its pins (Maxim 19-5793: a bit on each falling edge)."""
    rig, bench = tmp_path / "rig.elf", tmp_path / "bench"
    tool("avr-gcc", "-std=c99", "-Os", "-mmcu=atmega328p", *STRICT, "-o", rig, C / "rig_atmega328p.c")
    tool(
        "gcc", "-O2", *STRICT, "-isystem", "/usr/include/simavr",
        "-o", bench, HERE / "avr_bench.c", "-lsimavr", "-lelf",
    )  # fmt: skip
    lines = says(bench, rig, 10_000, WORD, 3000)
    said = listens_clean(lines, tmp_path)
    assert "612.0" in json.dumps(said)
    frames = [wire.decode(line) for line in lines if line.startswith(b"{")]
    assert [frame.seq for frame in frames] == list(range(20))
    assert all(frame.ch["k0"] == Sample(amp="max31855", raw=WORD) for frame in frames)
    assert sum(line.startswith(b"#{") for line in lines) == 2  # at power-on, and when asked

    names = subprocess.run(["avr-nm", str(rig)], capture_output=True, text=True, check=True).stdout
    assert not {"malloc", "free", "__addsf3", "__mulsf3"} & set(names.split()), "no heap, no floating point"
