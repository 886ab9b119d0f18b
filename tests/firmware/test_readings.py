"""Temperatures in are temperatures out; faults come through. Chips at register level, lines decoded."""

from __future__ import annotations

import itertools
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from rigbench import EIGHT, SPI, Outcome, hex_word, run, steady

from logger.conversion.amplifiers import AMPLIFIERS
from logger.conversion.assembler import Assembler
from logger.plan import Plan, Probe
from logger.reading import Status

TOLERANCE_C = {
    # Half a step of each chip's word: hot junction and, if the sum is made from it, cold junction.
    "max31855": 0.125 * 41.276 / 38.0 + 0.04,
    "max6675": 0.125 * 41.0 / 38.0 + 0.01,
    "max31856": 1 / 256 + 1e-9,
    "mcp9600": 1 / 32 + 1e-9,
    "mlx90614": 0.011,
}


OTHERS = (
    {"name": "k0", "chip": "mcp9601", "bus": "i2c0", "address": 0x67, "type": "K"},
    {"name": "k1", "chip": "ads1115", "bus": "i2c0", "address": 0x48, "inputs": "0-1"},
    {"name": "k2", "chip": "ad8495", "adc": 27, "ref_v": 0.0, "divider": 2.0},
    {"name": "ir0", "chip": "mlx90616", "bus": "i2c0", "address": 0x5A},
)
"""Chips that are in no frame of `EIGHT`."""


def spec_of(chip: str) -> dict[str, Any]:
    return next(s for s in (*EIGHT, *OTHERS) if s["chip"] == chip and s.get("type", "K") == "K")


def converted(outcome: Outcome, plan: Plan | None = None) -> dict[str, tuple[Any, Any, Any]]:
    """(rig's ms, °C, status) by channel, as the logger would have them: arrays of the frames it is in."""
    parts: dict[str, list[Any]] = {}
    for batch in Assembler(plan).take([(f, f.ms * 1000) for f in outcome.frames]):
        for j, channel in enumerate(batch.channels):
            columns = np.array([batch.ms, batch.temperature_c[:, j], batch.status[:, j]])
            parts.setdefault(channel.name, []).append(columns[:, batch.status[:, j] != Status.ABSENT])
    return {name: tuple(np.hstack(some)) for name, some in parts.items()}


def test_temperatures_in_are_temperatures_out(tmp_path: Path) -> None:
    """An invented climb on all eight channels, each at its own pace, a new value every second."""
    seconds = np.arange(0, 300)
    given = {
        spec["name"]: (
            20 + 340 * (1 - np.exp(-seconds / (60 + 10 * i)))
            if spec["chip"] == "mlx90614"
            else 15 + (700 + 20 * i) * (1 - np.exp(-seconds / (60 + 10 * i)))
        )
        for i, spec in enumerate(EIGHT)
    }
    # The MAX6675 doesn't report its cold junction; at the 25 °C that the logger assumes nothing is left over.
    cold = {s["name"]: 25.0 if s["chip"] == "max6675" else 25.0 + i for i, s in enumerate(EIGHT)}
    chips = {
        s["name"]: [
            # Changes fall between the samples, which are taken at whole half seconds.
            [1000 * int(t) - 250, hex_word(s["chip"], float(c), cold[s["name"]], s.get("type", "K"))]
            for t, c in zip(seconds, given[s["name"]], strict=True)
        ]
        for s in EIGHT
    }
    letters = {s["name"]: s.get("type", None if s["name"] == "ir0" else "K") for s in EIGHT}
    probes = [Probe(name, name, zone="all", letter=letter) for name, letter in letters.items()]
    found = converted(run(tmp_path, 299, chips=chips, PERIOD_MS=500), Plan(probes=tuple(probes)))
    assert set(found) == set(given)
    for spec in EIGHT:
        ms, temperature_c, status = found[spec["name"]]
        assert len(ms) >= 590
        assert (status == Status.OK).all()
        expected = given[spec["name"]][((ms + 250) // 1000).astype(int)]
        np.testing.assert_allclose(temperature_c, expected, rtol=0, atol=TOLERANCE_C[spec["chip"]])


WORDS = [
    # Rows of the data sheets' own tables.
    ("max31855", "64000000"),  # 19-5793, tables 4 and 5: 1600.00 °C, 0.0000 °C
    ("max31855", "06491900"),  # 100.25 °C, 25.0000 °C
    ("max31855", "f060c900"),  # -250.00 °C, -55.0000 °C
    ("max6675", "1f40"),  # 19-2235: D14 to D3, 250 °C
    ("max31856", "190064000000"),  # 19-7534: 25 °C, 1600 °C
    ("mcp9600", "3e80019040"),  # DS20005426, equations 5-1 and 5-3: 1000 °C, 25 °C
    ("mlx90614", "27ad"),  # 3901090614: -70.01 °C
    ("mlx90614", "7fff"),  # 3901090614: +382.19 °C
    ("mlx90616", "a41f"),  # 567.15 °C
    ("mcp9601", "3e80019060"),  # the short's bit
    ("ads1115", "8f831023"),  # 32.28 mV over ±0.256 V
]


Raw = dict[str, list[tuple[int, str]]]
"""By channel: (rig's ms, the word in the line) of each frame."""

BOARDS = [("a mix of all", EIGHT), ("the other chips", OTHERS)]


@pytest.fixture(scope="module", params=[specs for _, specs in BOARDS], ids=[name for name, _ in BOARDS])
def board(request: pytest.FixtureRequest) -> list[dict[str, Any]]:
    """The channels of one board: its chips are tried in one run, each in its turn, with the others present."""
    return [spec for spec in request.param if "bus" in spec]


def raw_of(tmp_path: Path, board: list[dict[str, Any]], held: dict[str, Any], run_s: float) -> Raw:
    outcome = run(tmp_path, run_s, board, chips=good_words(board) | held)
    return {
        s["name"]: [(f.ms, f.ch[s["name"]].raw or "") for f in outcome.frames if s["name"] in f.ch]
        for s in board
    }


def good_words(board: list[dict[str, Any]]) -> dict[str, Any]:
    return {s["name"]: hex_word(s["chip"], 200.0, letter=s.get("type", "K")) for s in board}


def test_register_words_arrive_digit_for_digit(tmp_path: Path, board: list[dict[str, Any]]) -> None:
    """What is in the registers is in the line: no driver swaps, shifts or drops a byte."""
    words = {
        s["name"]: [word for chip, word in WORDS if chip == s["chip"] and s is spec_of(chip)] for s in board
    }
    turns = max(map(len, words.values()))
    held = {n: [[3000 * k - 250, word] for k, word in enumerate(mine)] for n, mine in words.items() if mine}
    raw = raw_of(tmp_path, board, held, 3 * turns)
    for name, mine in words.items():
        for k, word in enumerate(mine):
            said = [r for ms, r in raw[name] if 3000 * k <= ms < 3000 * (k + 1)]
            assert len(said) >= 5
            assert set(said) == {word}, name


def test_each_word_has_its_board() -> None:
    boards = [spec for _, specs in BOARDS for spec in specs]
    assert all(any(spec_of(chip) is spec for spec in boards) for chip, _ in [*WORDS, *CASES])


CASES = [
    (chip, status)
    for chip, amplifier in AMPLIFIERS.items()
    if chip not in ("ad8495", "ads1115")  # a voltage, no register; below, with its cold junction
    for status in amplifier.fault_words
]


def test_faults_come_through_and_pass(tmp_path: Path, board: list[dict[str, Any]]) -> None:
    """A fault for five seconds in ten, on each chip in turn: shown from the first frame, gone with the last."""
    faults = {
        s["name"]: [(s["chip"], status) for chip, status in CASES if chip == s["chip"] and s is spec_of(chip)]
        for s in board
    }
    assert any(faults.values())
    held = {}
    for name, mine in faults.items():
        if mine:
            good = hex_word(mine[0][0], 200.0)
            held[name] = [[-1000, good]]
            for k, (chip, status) in enumerate(mine):
                held[name] += [
                    [10_000 * k + 4750, hex_word(chip, 200.0, status=status)],
                    [10_000 * k + 9750, good],
                ]
    run_ms = 10_000 * max(map(len, faults.values())) + 5000
    found = converted(run(tmp_path, run_ms / 1000, board, chips=good_words(board) | held))
    for name, mine in faults.items():
        if not mine:
            continue
        ms, temperature_c, state = found[name]
        at_fault = np.zeros(len(ms), bool)
        for k, (_, status) in enumerate(mine):
            during = (ms > 10_000 * k + 4750) & (ms < 10_000 * k + 9750)
            assert during.sum() == 10
            assert (state[during] == status).all(), (name, status)
            assert np.isnan(temperature_c[during]).all()
            at_fault |= during
        assert len(ms) >= run_ms / 500 - 1
        assert (state[~at_fault] == Status.OK).all(), name


def test_a_chip_that_is_not_there_shows_as_broken_and_comes_back(
    tmp_path: Path, board: list[dict[str, Any]]
) -> None:
    """Unplugged or without supply: never a cool pot, never left out; set up again when it is back."""
    good = good_words(board)
    gone_ms = {name: 10_000 * k + 4750 for k, name in enumerate(good)}
    held = {
        name: [[-1000, good[name]], [gone, None], [gone + 5000, good[name]]] for name, gone in gone_ms.items()
    }
    raw = raw_of(tmp_path, board, held, 10 * len(board) + 10)
    for name, gone in gone_ms.items():
        away = [r for ms, r in raw[name] if gone < ms < gone + 5000]
        assert len(away) == 10
        assert set(away) == {"f" * len(good[name])}
        assert {r for ms, r in raw[name] if ms >= gone + 6250} == {good[name]}
        assert {r for ms, r in raw[name] if ms < gone} == {good[name]}


def test_a_chip_whose_supply_dipped_is_set_up_anew(tmp_path: Path, board: list[dict[str, Any]]) -> None:
    """For a tenth of a second, between two reads: nobody saw it, but the chip has forgotten its type."""
    good = good_words(board)
    held = {
        name: [[-1000, word], [1000 * k + 4700, None], [1000 * k + 4800, word]]
        for k, (name, word) in enumerate(good.items())
    }
    raw = raw_of(tmp_path, board, held, 18)
    for name, word in good.items():
        assert {r for _, r in raw[name]} == {word}
        assert len(raw[name]) >= 34


def test_one_dead_chip_costs_the_others_nothing(tmp_path: Path) -> None:
    dead = {"k2": None, "k6": None}
    outcome = run(tmp_path, 10, chips=dead)
    assert [f.ms for f in outcome.frames] == list(range(0, 10_000, 500))
    for name, word in steady().items():
        raws = {f.ch[name].raw for f in outcome.frames if name in f.ch}
        assert raws == {"f" * len(word) if name in dead else word}


def test_a_wrong_checksum_is_asked_again_once(tmp_path: Path) -> None:
    spec = {"name": "ir0", "chip": "mlx90614", "bus": "i2c0", "address": 0x5A}
    good = hex_word("mlx90614", 150.0)
    for bad, first in ((1, good), (2, "ffff")):
        outcome = run(tmp_path, 3, [spec | {"bad_pec": bad}], chips={"ir0": good})
        assert [f.ch["ir0"].raw for f in outcome.frames] == [first] + [good] * 5


def test_the_slow_chip_keeps_out_of_the_frames_it_can_not_be_in(tmp_path: Path) -> None:
    """A MAX6675 read before its conversion is over would repeat the same value for ever."""
    spec = {"name": "k3", "chip": "max6675", "bus": "spi0", "cs": 21}
    fast = {"name": "k0", "chip": "max31855", "bus": "spi0", "cs": 17}
    held = {
        "k3": [[-1000, hex_word("max6675", 100.0)], [2050, hex_word("max6675", 400.0)]],
        "k0": hex_word("max31855", 50.0),
    }
    outcome = run(tmp_path, 5, [spec, fast], chips=held, PERIOD_MS=100)
    assert len(outcome.frames) == 50
    with_it = [f for f in outcome.frames if "k3" in f.ch]
    assert {b.ms - a.ms for a, b in itertools.pairwise(with_it)} == {300}
    assert {f.ch["k3"].raw for f in with_it if f.ms > 2050} == {hex_word("max6675", 400.0)}


def test_a_pyrometers_voltage_and_its_faults(tmp_path: Path) -> None:
    """4-20 mA over 150 Ω: 0.6 V is 300 °C, 3.0 V is 1300 °C; NAMUR NE 43: below 3.6, above 21 mA broken."""
    spec = {"name": "ir1", "chip": "volts", "adc": 26, "low": (0.6, 300.0), "high": (3.0, 1300.0)}
    held = [[-1, "0.6"], [4750, "1.8"], [9750, "3.0"], [14_750, "0.53"], [19_750, "3.2"], [24_750, "0.56"]]
    outcome = run(tmp_path, 30, [spec], chips={"ir1": held})

    def at(second: int) -> Any:
        return next(f.ch["ir1"] for f in outcome.frames if f.ms == 1000 * second)

    assert at(1).c == pytest.approx(300.0, abs=0.05)
    assert at(6).c == pytest.approx(800.0, abs=0.05)
    assert at(11).c == pytest.approx(1300.0, abs=0.05)
    assert (at(16).fault, at(16).c) == ("open", None)
    assert (at(21).fault, at(21).c) == ("range", None)
    assert at(26).c == pytest.approx(283.3, abs=0.1)  # 3.73 mA: just under the range, not a fault


def test_a_pyrometer_that_prints(tmp_path: Path) -> None:
    """A line each 300 ms; a frame without a new one leaves the channel out rather than repeat the old value."""
    spec = {"name": "ir2", "chip": "text", "uart": 1, "tx": 8, "rx": 9, "baud": 9600}
    held = {"ir2": [[-1, "651.5"], [5000, None]], "k0": hex_word("max31855", 50.0)}
    channels = [spec, {"name": "k0", "chip": "max31855", "bus": "spi0", "cs": 17}]
    outcome = run(tmp_path, 8, channels, chips=held)
    said = [f for f in outcome.frames if "ir2" in f.ch]
    assert {f.ch["ir2"].c for f in said} == {651.5}
    assert len([f for f in said if f.ms < 5000]) >= 8
    assert [f for f in said if f.ms > 5500] == []


def test_an_analogue_amplifier(tmp_path: Path) -> None:
    """An AD8495 behind two equal resistors: 4.076 V of 5 V, halved, is 800 °C; a broken couple drives it to its end."""
    spec = spec_of("ad8495")
    held = {"k2": [[-1, "2.038"], [4750, "3.3"], [9750, "0.0625"]]}
    outcome = run(tmp_path, 15, [spec], chips=held)
    (batch,) = Assembler(None).take([(f, f.ms * 1000) for f in outcome.frames if f.ch["k2"].fault is None])
    assert batch.temperature_c[0, 0] == pytest.approx(800.0, abs=0.3)
    assert batch.temperature_c[-1, 0] == pytest.approx(25.0, abs=0.3)
    assert {f.ch["k2"].fault for f in outcome.frames if 5000 <= f.ms < 9500} == {"range"}


def test_a_bare_converter_with_a_thermometer_at_its_terminals(tmp_path: Path) -> None:
    """An ADS1115 has no cold junction: the plan names the channel that does."""
    box = {"name": "box", "chip": "lm75", "bus": "i2c0", "address": 0x49}
    probe = Probe("top", channel="k1", reads="air", zone="all", letter="K", cold_junction="box")
    held = {"k1": hex_word("ads1115", 640.0, 31.5), "box": [[-1, "31.5"], [5000, None]]}
    outcome = run(tmp_path, 10, [spec_of("ads1115"), box], chips=held)
    ms, temperature_c, status = converted(outcome, Plan(probes=(probe,)))["k1"]
    # Half a count of 7.8 µV at 42 µV/°C, rounded.
    np.testing.assert_allclose(temperature_c[ms < 5000], 640.0, rtol=0, atol=0.15)
    assert set(status[ms > 5500]) == {Status.NO_COLD_JUNCTION}


def test_a_bus_that_is_too_fast_is_noticed(tmp_path: Path) -> None:
    """The simulated chips are independent: a broken driver would not pass these tests."""
    spec = {"name": "k0", "chip": "max31855", "bus": "spi0", "cs": 17}
    good = hex_word("max31855", 200.0)
    too_fast = {"spi0": SPI | {"hz": 20_000_000}}
    outcome = run(tmp_path, 3, [spec], chips={"k0": good}, BUSES=too_fast)
    assert good not in {f.ch["k0"].raw for f in outcome.frames}
