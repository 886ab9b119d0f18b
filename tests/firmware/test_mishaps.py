"""What can happen to an unattended rig: mistakes in its settings, hangs, brown-outs, a stuck bus."""

from __future__ import annotations

import itertools
from pathlib import Path
from typing import Any

import pytest
from rigbench import EIGHT, SPI, run, steady

K0 = {"name": "k0", "chip": "max31855", "bus": "spi0", "cs": 17}
K1 = {"name": "k1", "chip": "max31856", "bus": "spi0", "cs": 20, "type": "K"}

SLIPS: list[tuple[str, dict[str, Any], str]] = [
    ("wrong key", {"CHANNELS": [K0, {**K1, "pin": 3}]}, "CHANNELS, entry 2 (k1): 'pin' isn't a setting of a max31856"),
    ("missing key", {"CHANNELS": [{"name": "k0", "chip": "max31855", "bus": "spi0"}]}, "has no 'cs', which a max31855"),
    ("no type", {"CHANNELS": [{"name": "k1", "chip": "max31856", "bus": "spi0", "cs": 20}]}, "has no 'type'"),
    ("unknown chip", {"CHANNELS": [{**K0, "chip": "MAX31855"}]}, "'chip' is 'MAX31855'; use one of ad8495"),
    ("no bus", {"CHANNELS": [{**K0, "bus": "spi1"}]}, "'bus' is 'spi1', but BUSES has no such spi bus"),
    ("bus of another kind", {"CHANNELS": [{**K0, "bus": "i2c0"}]}, "BUSES has no such spi bus"),
    ("same name", {"CHANNELS": [K0, {**K1, "name": "k0"}]}, "entry 2 (k0): another channel already has this name"),
    ("same select", {"CHANNELS": [K0, {**K1, "cs": 17}]}, "uses the same pin 17 as CHANNELS, entry 1 (k0)'s cs"),
    ("select on a bus's pin", {"CHANNELS": [{**K0, "cs": 18}]}, "uses the same pin 18 as BUSES['spi0']'s sck"),
    ("lamp on a select", {"LAMP_PIN": 17}, "LAMP_PIN uses the same pin 17 as CHANNELS, entry 1 (k0)'s cs"),
    ("service pin on the lamp", {"LAMP_PIN": 14, "SERVICE_PIN": 14}, "SERVICE_PIN uses the same pin 14 as LAMP_PIN"),
    (
        "card on a select",
        {"CHANNELS": [{**K0, "cs": 13}], "SD": {"slot": 1, "sck": 10, "mosi": 11, "miso": 12, "cs": 13}},
        "SD's cs uses the same pin 13 as CHANNELS",
    ),
    (
        "same address",
        {
            "CHANNELS": [
                {"name": "a", "chip": "mcp9600", "bus": "i2c0", "address": 0x67, "type": "K"},
                {"name": "b", "chip": "mcp9601", "bus": "i2c0", "address": 0x67, "type": "K"},
            ]
        },
        "entry 2 (b) uses the same address as CHANNELS, entry 1 (a)",
    ),
    ("letter", {"CHANNELS": [{**K1, "type": "k"}]}, "'type' is 'k'; use one letter of BEJKNRST"),
    ("rig's name", {"RIG": "my rig"}, "RIG = 'my rig': use 1 to 32 letters"),
    ("period", {"PERIOD_MS": 0.5}, "PERIOD_MS = 0.5: use a whole number of milliseconds"),
    ("link", {"LINK": "wifi"}, "LINK = 'wifi': use 'serial' or 'mqtt'"),
    ("none", {"CHANNELS": []}, "CHANNELS is empty"),
    ("no comma", {"CHANNELS": ["k0"]}, "isn't an entry in braces"),
    ("bus without a pin", {"BUSES": {"spi0": {"kind": "spi", "id": 0, "sck": 18, "hz": 1}}}, "BUSES['spi0'] has no 'mosi'"),
    ("bus's kind", {"BUSES": {"spi0": {**SPI, "kind": "SPI"}}}, "BUSES['spi0']: 'kind' must be 'spi' or 'i2c'"),
]  # fmt: skip


@pytest.mark.parametrize(("changes", "words"), [s[1:] for s in SLIPS], ids=[s[0] for s in SLIPS])
def test_a_mistake_in_the_settings_is_explained_again_and_again(
    tmp_path: Path, changes: dict[str, Any], words: str
) -> None:
    """Not a bare KeyError on a board that nobody watches, but a line beginning with #, every two seconds."""
    outcome = run(tmp_path, 10, [K0], more={"fit": False}, **changes)
    said = [line.decode() for _, line in outcome.lines]
    assert len(said) == 5
    assert len(set(said)) == 1
    assert said[0].startswith("# this rig can't start: ")
    assert words in said[0]
    assert "config.py" in said[0]


def test_a_setting_left_out_altogether(tmp_path: Path) -> None:
    outcome = run(tmp_path, 3, [K0], more={"fit": False, "without": ["PERIOD_MS"]})
    assert b"PERIOD_MS is missing from config.py" in outcome.lines[0][1]


def test_settings_that_are_right_are_no_slip(tmp_path: Path) -> None:
    more = [
        {"name": "k8", "chip": "mcp9601", "bus": "i2c0", "address": 0x61, "type": "T"},
        {"name": "k9", "chip": "ads1115", "bus": "i2c0", "address": 0x48},
        {"name": "k10", "chip": "ads1115", "bus": "i2c0", "address": 0x48, "inputs": "2-3"},
        {"name": "ir1", "chip": "volts", "adc": 28, "low": (0.6, 300.0), "high": (3.0, 1300.0)},
        {"name": "ir2", "chip": "text", "uart": 1, "tx": 8, "rx": 9, "baud": 9600},
    ]
    outcome = run(tmp_path, 3, [*EIGHT, *more], LAMP_PIN=14, BUZZER_PIN=15)
    assert len(outcome.frames) == 6


def test_a_hang_is_ended_by_the_watchdog_and_said(tmp_path: Path) -> None:
    """A driver that never returns, from second 20: eight seconds later the board restarts, and says why."""
    outcome = run(tmp_path, 60, more={"hangs": {0: [[20_000, 21_000 + 8000]]}})
    assert len(outcome.bites) == 1
    assert 27_000 <= outcome.bites[0] <= 28_500  # eight seconds after it was last fed
    assert [said["reset"] for said in outcome.answers] == ["power", "watchdog"]
    arrived = [(at, f) for at, f in outcome.arrived if at > outcome.bites[0]]
    assert arrived[0][1].seq == 0
    assert arrived[0][1].ms < 2000
    assert [f.seq for _, f in arrived] == list(range(len(arrived)))
    assert len(arrived) >= 60


def test_a_brown_out_starts_the_rig_anew(tmp_path: Path) -> None:
    """Three in a minute: each boot counts from 0, no line is torn, and nothing that was kept is sent as new."""
    host = {"listening": [[0, 30_000], [45_000, None]]}
    outcome = run(tmp_path, 60, more={"brown_outs": [10_100, 10_900, 40_300], "host": host})
    assert outcome.bites == []
    assert [said["reset"] for said in outcome.answers] == ["power"] * 3  # the third start was in the dark
    # Boots begin at 0; the last one's first nine frames are lost, since nobody had acknowledged any of it yet.
    seqs = [f.seq for f in outcome.frames]
    steps = [(a, b) for a, b in itertools.pairwise(seqs) if b != a + 1]
    assert steps == [(20, 0), (0, 0), (37, 9)]
    assert all(f.ms == pytest.approx(500 * f.seq, abs=400) for f in outcome.frames)


def test_a_stuck_bus_costs_the_other_bus_nothing(tmp_path: Path) -> None:
    """Something holds SDA low from second 10 to 30: its chips show as broken, the others carry on."""
    outcome = run(tmp_path, 45, more={"stuck_buses": {0: [[10_000, 30_000]]}})
    assert [f.ms for f in outcome.frames] == list(range(0, 45_000, 500))
    on_bus = [s["name"] for s in EIGHT if s.get("bus") == "i2c0"]
    for frame in outcome.frames:
        for name, word in steady().items():
            if name not in frame.ch:
                continue
            dead = name in on_bus and 10_000 <= frame.ms < 30_000
            if name in on_bus and 30_000 <= frame.ms <= 31_500:
                continue  # asked once a second
            assert frame.ch[name].raw == ("f" * len(word) if dead else word), (name, frame.ms)
    assert outcome.missing_feeds == 0
