"""What commands print for people says what their JSON does."""

from __future__ import annotations

import contextlib
import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from logger.cli import cli
from logger.journal.writer import JournalWriter
from logger.plan.alarm_rules import RULES
from tests.invented_firings import invented_firing


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home: Path = tmp_path_factory.mktemp("home")
    with contextlib.closing(JournalWriter(home / "journal.sqlite")) as writer:
        invented_firing(writer, 5, rate_hz=0.1)
    return home


def printed(home: Path, *arguments: str) -> tuple[Any, str]:
    """The JSON of a command, and the text."""
    texts = []
    for form in (["--json"], []):
        done = CliRunner().invoke(cli, ["--home", str(home), *arguments, *form])
        assert done.exit_code == 0, done.output
        texts.append(done.output)
    return json.loads(texts[0]), texts[1]


def test_show_prints_each_probe_and_what_happened(home: Path) -> None:
    told, text = printed(home, "show", "last")
    lines = text.splitlines()
    assert lines[0] == f"{told['firing']}  {told['title']}"
    assert "invented" in lines[1]
    for probe in told["probes"]:
        [line] = [line for line in lines if line.startswith(f"  {probe['name']} (")]
        assert f"{probe['height_cm']:g} cm" in line
        assert f"{probe['peak_c']:.0f} ±" in line
    assert len(told["events"]) == 6
    assert "  spot  Gun reading: upper, 741 °C (emissivity 0.95)" in text
    assert "  note  Wood (1 armload), windward side" in text


def test_rehearse_prints_stages_alarms_zones_and_what_the_rig_cannot_judge(home: Path) -> None:
    told, text = printed(home, "rehearse", "last")
    assert len(told["alarms"]) > 5
    for alarm in told["alarms"]:
        assert alarm["message"] in text
        assert RULES[alarm["rule"]].title in text
    for title in {RULES[alarm["rule"]].title for alarm in told["alarms"]}:
        assert f"{title}: {title}" not in text
    assert all(limit in text for limit in told["limits"])
    assert told["limits"]
    for zone in told["zones"]:
        [line] = [line for line in text.splitlines() if line.startswith(f"{zone['zone']} ")]
        assert f" {zone['peak_c']:.0f} " in line
        assert line.endswith("reached" if zone["reached_target"] else "not reached")


def test_status_prints_every_count(home: Path) -> None:
    told, text = printed(home, "status")
    assert text.splitlines()[0] == f"Logger: not running; folder {home}"
    for name in ("frames", "readings", "bad_crc", "missing", "duplicates", "set_apart"):
        assert f"  {name.replace('_', ' ')}: {told['logger'][name]}\n" in text
