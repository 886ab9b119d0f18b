"""The notes are right: examples decode, links lead somewhere, tables agree with physics and code."""

from __future__ import annotations

import importlib.util
import json
import re
import sys
import tomllib
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest
from rigbench import KIT, NOTES, play

from logger.conversion.amplifiers import AMPLIFIERS
from logger.conversion.assembler import Assembler
from logger.plan import loads
from logger.plan.sources import PlanSource, SourceChannel
from logger.rig_line import wire
from logger.rig_line.beacon import FAILED_AFTER_S, REPEAT_S, Show, answer_topic, ask_topic, beacon_line
from logger.rig_line.dialogue import AGAIN, WHO_ARE_YOU, acknowledgement, decode_answer, is_answer

PAGES = sorted(NOTES.glob("*.md"))
TEXTS = {page.name: page.read_text() for page in PAGES}


def blocks(text: str, language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)


def example_lines() -> list[tuple[str, bytes]]:
    return [
        (name, line.encode())
        for name, text in TEXTS.items()
        for block in blocks(text, "rig")
        for line in block.splitlines()
    ]


def test_there_are_examples_of_everything() -> None:
    lines = [line for _, line in example_lines()]
    for start in (b"{", b"?", b"r*", b"a", b"b", b"#"):
        assert any(line.startswith(start) for line in lines)


@pytest.mark.parametrize(("page", "line"), example_lines())
def test_each_example_line_is_true(page: str, line: bytes) -> None:
    if line.startswith(b"{"):
        assert wire.encode(wire.decode(line)) == line + b"\n"
    elif is_answer(line):
        assert decode_answer(line) is not None
    else:
        said = {WHO_ARE_YOU, AGAIN, acknowledgement(18233), beacon_line(17, Show.ALARM)}
        assert line + b"\n" in said


def test_the_examples_say_what_the_text_says_they_say() -> None:
    frames = [wire.decode(line) for _, line in example_lines() if line.startswith(b"{")]
    batches = Assembler(None).take([(f, f.ms * 1000) for f in frames])
    temperatures = np.concatenate([b.temperature_c[np.isfinite(b.temperature_c)] for b in batches])
    # 612.0, 776.6, 512.3 and 34.07 °C; 783.5, 655.0 and 640.1 °C
    expected = [612.0, 776.6, 512.3, 34.07, 783.5, 655.0, 640.1]
    np.testing.assert_allclose(temperatures, expected, rtol=0, atol=0.06)
    for value in expected:
        assert re.search(rf"\b{value:.1f}|{value:.2f}", TEXTS["wire_format.md"])


def test_the_tables_of_words_shows_and_topics_are_the_codes_own() -> None:
    text = TEXTS["wire_format.md"]
    for name, chip in AMPLIFIERS.items():
        assert re.search(rf"\| `{name}` \| {2 * chip.word_bytes} \|", text)
    shows = set(re.findall(r"^\| `(\w+)` \|", text.partition("| show | means |")[2], re.MULTILINE))
    assert shows == {str(s) for s in Show} | {"lost"}
    assert ask_topic("<rig>") in text
    assert answer_topic("<rig>") in text
    assert f"every {REPEAT_S:g} s" in text
    assert f"within {FAILED_AFTER_S:g} s" in text


@pytest.mark.parametrize("page", TEXTS, ids=str)
def test_links_lead_somewhere(page: str) -> None:
    for target in re.findall(r"\]\(([^)#]+)\)", TEXTS[page]):
        if not target.startswith("http"):
            assert (NOTES / target).exists(), target


def test_every_page_and_every_drawing_is_used() -> None:
    everything = "\n".join(TEXTS.values())
    for page in PAGES:
        assert page.name == "README.md" or f"]({page.name})" in TEXTS["README.md"]
    for drawing in (NOTES / "drawings").glob("*.svg"):
        assert f"drawings/{drawing.name}" in everything


def load(path: Path) -> Any:
    spec = importlib.util.spec_from_file_location(path.stem, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.dont_write_bytecode, before = True, sys.dont_write_bytecode
    try:
        spec.loader.exec_module(module)
    finally:
        sys.dont_write_bytecode = before
    return module


def test_the_drawings_are_those_that_the_script_draws(tmp_path: Path) -> None:
    draw = load(NOTES / "drawings" / "draw.py")
    draw.HERE = tmp_path
    draw.main()
    made = {p.name: p.read_text() for p in tmp_path.glob("*.svg")}
    assert made == {p.name: p.read_text() for p in (NOTES / "drawings").glob("*.svg")}


def test_every_setting_of_the_firmware_is_in_the_table() -> None:
    config = load(NOTES / "firmware" / "config.py")
    settings = {name for name in vars(config) if name.isupper()}
    rows = re.findall(r"^\| ((?:`[A-Z_]+`(?:, )?)+) \|", TEXTS["firmware.md"], re.MULTILINE)
    assert settings == {name for row in rows for name in re.findall(r"`(\w+)`", row)}


def test_the_configuration_drives_chips_that_exist() -> None:
    source = (NOTES / "firmware" / "config.py").read_text()
    known = re.search(r"CHIPS = \{(.*?)\}", (NOTES / "firmware" / "chips.py").read_text(), re.DOTALL)
    assert known is not None
    chips = set(re.findall(r'"(\w+)":', known[1]))
    assert set(AMPLIFIERS) <= chips
    assert set(re.findall(r'"chip": "(\w+)"', source)) == chips  # an example of each


# Saturation of water, IAPWS-IF97, as in printed steam tables, from memory. [°C, kPa]
STEAM_TABLE = ((85, 57.87), (90, 70.18), (95, 84.61), (100, 101.42), (105, 120.90))


def test_boiling_points_by_height_agree_with_a_steam_table() -> None:
    row = r"^\| (\d+) \| (\d+) \| ([\d.]+) \| ([\d.]+) \|$"
    rows = re.findall(row, TEXTS["calibration.md"], re.MULTILINE)
    assert len(rows) == 9
    boils_c, saturation_kpa = np.array(STEAM_TABLE, float).T
    for height_m, pressure_hpa, boil_c, rule_c in ((int(r[0]), *map(float, r[1:])) for r in rows):
        # ICAO standard atmosphere: 1013.25 hPa, 288.15 K, 6.5 K/km, g = 9.80665 m/s², R = 287.053 J/(kg K)
        exact_hpa = 1013.25 * (1 - 0.0065 * height_m / 288.15) ** (9.80665 / (287.053 * 0.0065))
        assert pressure_hpa == pytest.approx(exact_hpa, abs=0.6)
        # ln p is very nearly straight in 1/T between rows of the table
        inverse = np.interp(np.log(exact_hpa / 10), np.log(saturation_kpa), 1 / (boils_c + 273.15))
        assert boil_c == pytest.approx(1 / inverse - 273.15, abs=0.1)
        assert rule_c == pytest.approx(100 - height_m / 300, abs=0.05)
        assert abs(rule_c - boil_c) <= 0.1 + 1e-9


def test_the_corrections_in_the_plan_do_what_the_text_says() -> None:
    (toml,) = blocks(TEXTS["calibration.md"], "toml")
    plan = tomllib.loads(toml)
    (one,), two = plan["probe"][0]["correction"], plan["probe"][1]["correction"]
    assert one[1] - one[0] == pytest.approx(-1.2)
    slope = (two[1][1] - two[0][1]) / (two[1][0] - two[0][0])
    assert slope == pytest.approx(98.0 / 97.9)
    assert (800 - two[0][0]) * slope + two[0][1] - 800 == pytest.approx(-0.4, abs=0.05)


def test_the_example_scenario_of_the_kit_runs(tmp_path: Path) -> None:
    (text,) = blocks(TEXTS["own_firmware.md"], "json")
    outcome = play(tmp_path, json.loads(text))
    assert {f.seq for f in outcome.frames} == set(range(120))
    assert {f.ch["k0"].raw for f in outcome.frames} == {"06401900", "00011901"}
    for key in ("host", "lines"):
        assert key in text or key in TEXTS["own_firmware.md"]
    keys = set(re.findall(r"scenario\.(\w+)", (KIT / "run.mjs").read_text()))
    documented = set(re.findall(r"`(\w+)`", TEXTS["own_firmware.md"])) | set(json.loads(text))
    assert keys <= documented | {"speed", "heap_bytes"}


def test_the_plans_for_other_rigs_are_plans_and_every_key_is_explained() -> None:
    text = TEXTS["other_rigs.md"]
    tables = [loads(block) for block in blocks(text, "toml")]
    assert [plan.sources[0].format for plan in tables] == ["lines", "mqtt", "modbus"]
    keys = {f.encode_name for struct in (PlanSource, SourceChannel) for f in msgspec.structs.fields(struct)}
    explained = set(re.findall(r"`(\w+)`", text.partition("| key | of |")[2]))
    assert keys - {"channel"} <= explained


def test_the_four_channels_of_the_parts_list_fit_the_wiring_and_the_program() -> None:
    """What the builder of the four-probe rig copies into the configuration."""
    code = next(block for block in blocks(TEXTS["firmware.md"], "python") if "CHANNELS" in block)
    said: dict[str, Any] = {}
    exec(code, said)
    selects = [channel["cs"] for channel in said["CHANNELS"]]
    (row,) = [line for line in TEXTS["wiring.md"].splitlines() if line.startswith("| select, k0 to k7")]
    pins = [int(pin) for pin in re.findall(r"(\d+) \(\d+\)", row.split("|")[3])]
    assert selects == pins[:4]
    assert [channel["name"] for channel in said["CHANNELS"]] == ["k0", "k1", "k2", "k3"]
    config = (KIT.parent / "firmware" / "config.py").read_text()
    example = re.search(r"\{[^}]*max31856[^}]*\}", config)
    assert example is not None
    assert set(eval(example[0])) == set(said["CHANNELS"][0])


def test_the_battery_sums_add_up() -> None:
    text = TEXTS["power.md"]
    usable_wh = 3.5 * 12
    assert "= 42 Wh" in text
    for watts, hours in ((0.037 * 5, 190), (0.102 * 5, 70), (5 + 0.102 * 5, 6.5)):
        assert f"**{hours} h**" in text
        assert usable_wh / (watts / 0.85) == pytest.approx(hours, rel=0.03)


PROMISED = {
    "leads.md": (
        "Alloy 600 or 310",
        "304 and 316 steel end",
        "KX or KCA/KCB",
        "Green rot",
        "800 to 1050 °C",
        "Short-range ordering",
        "250 to 550 °C",
        "Type N",
    ),
    "amplifiers.md": ("within 1.6 s", "tie T− to ground", "0.0 °C"),
    "power.md": ("heats a closed box to 60 °C", "above 50 °C the cold check refuses"),
    "infrared.md": ("Guard the pin.", "3.3 V", "150 Ω"),
    "firmware.md": ("before esptool 5", "Keep 16 channels to 5 a second", "Pico 2", "S3", "listener"),
    "README.md": ("Sunday morning", "from memory", "Pico 2"),
    "wiring.md": ("GP17 (22)", "S3", "C3"),  # the board's label, and the pin's number
    "wire_format.md": ("DTR",),
}


@pytest.mark.parametrize("page", PROMISED)
def test_what_builders_got_stuck_on_is_in_the_notes(page: str) -> None:
    text = " ".join(TEXTS[page].replace("*", "").split())
    assert [words for words in PROMISED[page] if words not in text] == []
