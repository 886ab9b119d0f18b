"""Runs the reference firmware under MicroPython with simulated chips, for the tests next to it."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import tty
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn
from zlib import crc32

import pytest

from logger.conversion.amplifiers import AMPLIFIERS, encode_word
from logger.reading import Frame, Status
from logger.rig_line import wire

NOTES = Path(__file__).parents[2] / "firmware_notes"
KIT = NOTES / "conformance"
MICROPYTHON = KIT / "node_modules" / "@micropython" / "micropython-webassembly-pyscript"

SPI = {"kind": "spi", "id": 0, "sck": 18, "mosi": 19, "miso": 16, "hz": 1_000_000}
I2C = {"kind": "i2c", "id": 0, "sda": 4, "scl": 5, "hz": 100_000}

EIGHT = (
    {"name": "k0", "chip": "max31855", "bus": "spi0", "cs": 17},
    {"name": "k1", "chip": "max31856", "bus": "spi0", "cs": 20, "type": "K", "mains_hz": 50},
    {"name": "k2", "chip": "mcp9600", "bus": "i2c0", "address": 0x67, "type": "K"},
    {"name": "k3", "chip": "max6675", "bus": "spi0", "cs": 21},
    {"name": "n4", "chip": "max31856", "bus": "spi0", "cs": 26, "type": "N", "mains_hz": 60},
    {"name": "j5", "chip": "mcp9600", "bus": "i2c0", "address": 0x60, "type": "J"},
    {"name": "k6", "chip": "max31855", "bus": "spi0", "cs": 27},
    {"name": "ir0", "chip": "mlx90614", "bus": "i2c0", "address": 0x5A},
)
"""Eight channels, a mix of all chips."""


def require_kit() -> None:
    """Skip if the interpreter isn't installed; fail in CI, where it must be."""
    if shutil.which("node") is None:
        lacking("MicroPython can't run: node is not installed")
    if not MICROPYTHON.is_dir():
        install = "npm install --prefix firmware_notes/conformance --no-audit --no-fund --no-package-lock"
        lacking(f"MicroPython can't run: {install}")


def lacking(what: str) -> NoReturn:
    """Skip for want of a program; in CI, fail."""
    if os.environ.get("CI"):
        pytest.fail(what)
    pytest.skip(what)


def config(channels: Any = EIGHT, **changes: Any) -> dict[str, Any]:
    """Settings that replace those of the firmware's config.py."""
    return {"BUSES": {"spi0": SPI, "i2c0": I2C}, "CHANNELS": list(channels), "SERVICE_PIN": None} | changes


@dataclass(frozen=True)
class Outcome:
    """What a simulated rig did."""

    lines: list[tuple[int, bytes]]
    """When each line arrived [ms], and the line."""
    memory: list[tuple[int, int]]
    """Heap bytes in use after collecting garbage, by time [ms]."""
    pins: list[tuple[int, int, int]]
    """(time [ms], pin, level) of each change."""
    frames_seen: int
    watchdog_ms: int | None
    missing_feeds: int
    bites: list[int]
    """When the watchdog restarted the board. [ms]"""

    @property
    def arrived(self) -> list[tuple[int, Frame]]:
        return [(ms, wire.decode(line)) for ms, line in self.lines if line.startswith(b"{")]

    @property
    def frames(self) -> list[Frame]:
        return [frame for _, frame in self.arrived]

    @property
    def answers(self) -> list[dict[str, Any]]:
        return [answer(line) for _, line in self.lines if line.startswith(b"#")]


def answer(line: bytes) -> dict[str, Any]:
    """What a line beginning with # says, after checking its checksum."""
    body, _, crc = line.strip().rpartition(b"*")
    assert crc == b"%08x" % crc32(body)
    said = json.loads(body[1:])
    assert isinstance(said, dict)
    return said


def run(
    tmp_path: Path,
    run_s: float,
    channels: Any = EIGHT,
    *,
    chips: dict[str, Any] | None = None,
    more: dict[str, Any] | None = None,
    timeout_s: float = 60,
    **changes: Any,
) -> Outcome:
    """Run a rig for a while, in simulated time.

    Its chips hold steady words but for `chips`; `more` of the scenario is described in own_firmware.md, and
    `changes` are to the firmware's configuration.
    """
    scenario = {"run_ms": round(run_s * 1000), "config": config(channels, **changes)}
    return play(tmp_path, scenario | {"chips": steady(channels) | (chips or {})} | (more or {}), timeout_s)


def play(tmp_path: Path, scenario: dict[str, Any], timeout_s: float = 60) -> Outcome:
    """Run a scenario to its end."""
    require_kit()
    path = tmp_path / "scenario.json"
    path.write_text(json.dumps(scenario))
    done = subprocess.run(
        ["node", str(KIT / "run.mjs"), str(path)], capture_output=True, timeout=timeout_s, check=False
    )
    assert done.returncode == 0, done.stderr.decode()[-4000:]
    said = json.loads(done.stdout)
    return Outcome(
        lines=[(ms, text.encode()) for ms, text in said["lines"]],
        memory=[tuple(pair) for pair in said["memory"]],
        pins=[tuple(change) for change in said["pins"]],
        frames_seen=said["frames"],
        watchdog_ms=said["watchdog_ms"],
        missing_feeds=said["missing_feeds"],
        bites=said["bites"],
    )


def hex_word(
    chip: str, temperature_c: float, cold_c: float = 25.0, letter: str = "K", status: Status = Status.OK
) -> str:
    """A chip's register word, in hex of the chip's length."""
    digits = 2 * AMPLIFIERS[chip].word_bytes
    return f"{encode_word(chip, temperature_c, cold_c, letter, status):0{digits}x}"


def steady(channels: Any = EIGHT) -> dict[str, Any]:
    """A word that never changes, for each channel whose chip has any."""
    return {
        spec["name"]: hex_word(spec["chip"], 100.0 + 20 * i, letter=spec.get("type", "K"))
        for i, spec in enumerate(channels)
        if spec["chip"] in AMPLIFIERS
    }


class Line:
    """A pseudo-terminal: `ours` is the rig's end, and `path` that which a logger opens."""

    def __init__(self) -> None:
        self.ours, self.theirs = os.openpty()
        tty.setraw(self.theirs)
        self.path = os.ttyname(self.theirs)
        os.set_blocking(self.ours, False)

    def close(self) -> None:
        os.close(self.ours)
        os.close(self.theirs)


class LiveRig:
    """The firmware in real time, at the far end of a pseudo-terminal or on the radio."""

    def __init__(
        self, tmp_path: Path, channels: Any = EIGHT, *, chips: Any = None, more: Any = None, **changes: Any
    ) -> None:
        require_kit()
        scenario = {"config": config(channels, **changes), "chips": steady(channels) | (chips or {})}
        (tmp_path / "live.json").write_text(json.dumps(scenario | (more or {})))
        self.line = Line()
        self.path = self.line.path
        self.log = tmp_path / "live.log"
        command = ["node", str(KIT / "run.mjs"), str(tmp_path / "live.json"), "--live"]
        with self.log.open("wb") as log:
            ours = self.line.ours
            self.process = subprocess.Popen(command, stdin=ours, stdout=ours, stderr=log)

    def __enter__(self) -> LiveRig:
        return self

    def __exit__(self, *_: object) -> None:
        self.process.kill()
        self.process.wait()
        self.line.close()
