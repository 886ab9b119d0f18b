"""The conformance kit's recorded lines: what the decoder makes of them, and what the diagnosis says."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from logger.diagnosis.report import Diagnosis
from logger.rig_line.wire import WireError, decode

LINES = Path(__file__).parents[2] / "firmware_notes" / "conformance" / "lines"
INDEX = json.loads((LINES / "index.json").read_text())


def test_every_file_is_in_the_index_and_made_by_the_script(tmp_path: Path) -> None:
    assert {p.name for p in LINES.glob("*.txt")} == set(INDEX)
    script = LINES.parent / "make_lines.py"
    copy = tmp_path / script.name
    copy.write_bytes(script.read_bytes())
    subprocess.run([sys.executable, str(copy)], check=True)
    for path in LINES.iterdir():
        assert (tmp_path / "lines" / path.name).read_bytes() == path.read_bytes()


@pytest.mark.parametrize("name", sorted(INDEX))
def test_the_diagnosis_finds_what_is_wrong(name: str) -> None:
    diagnosis = Diagnosis()
    for line in (LINES / name).read_bytes().splitlines():
        diagnosis.take(line)
    report = diagnosis.report()
    text = report.text()
    assert report.right is INDEX[name]["right"], text
    for words in INDEX[name]["says"]:
        assert words in text
    bad = [f for f in report.findings if f.level == "fail"]
    assert all(f.text for f in bad)
    assert len(bad) <= 2, text  # one thing is wrong, and it doesn't cry wolf about others


@pytest.mark.parametrize("name", sorted(n for n in INDEX if n.startswith(("good-", "bad-crc", "bad-line"))))
def test_the_decoder_agrees(name: str) -> None:
    refused = 0
    for line in (LINES / name).read_bytes().splitlines():
        try:
            decode(line)
        except WireError:
            refused += 1
    assert (refused == 0) is INDEX[name]["right"]
