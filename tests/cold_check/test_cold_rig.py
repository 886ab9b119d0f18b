"""`stokewatch check` as a program: a simulated rig on a real pseudo-terminal or broker; a real logger's journal."""

from __future__ import annotations

import json
import os
import subprocess
import threading
import time
import tty
from itertools import count
from pathlib import Path
from typing import Any

import pytest

from logger.reading import Frame, Sample
from logger.rig_line.wire import encode
from logger.simulator.demo import demo_scenario
from logger.simulator.wiring import wired_plan
from tests.broker import Mosquitto
from tests.processes import RIG, STOKEWATCH, process, refused, stokewatch, until

pytestmark = [pytest.mark.real, pytest.mark.timeout(120)]

COLD = ["--cold", "--rate-hz", "5"]
BOOT = b"""ets Jul 29 2019 12:21:46
rst:0x1 (POWERON_RESET),boot:0x13 (SPI_FAST_FLASH_BOOT)
configsip: 0, SPIWP:0xee
load:0x3fff0018,len:4
entry 0x400806a8
"""
"""What a common board prints while it starts (from memory)."""


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    path = tmp_path / "plan.toml"
    path.write_text(wired_plan(demo_scenario().plan()).dumps(), encoding="utf-8")
    return path


def checked(home: Path, *arguments: str) -> tuple[int, dict[str, Any]]:
    env = {**os.environ, "STOKEWATCH_HOME": str(home)}
    done = subprocess.run(
        [*STOKEWATCH, "check", "--json", *arguments], capture_output=True, text=True, env=env, timeout=90
    )
    assert done.stdout, done.stderr
    return done.returncode, json.loads(done.stdout)


def failing(report: dict[str, Any]) -> set[tuple[str, str]]:
    return {(f["what"], f["where"]) for f in report["findings"] if f["level"] == "fail"}


def test_a_good_rig_at_a_port(tmp_path: Path, plan: Path) -> None:
    link = tmp_path / "rig"
    with process([*RIG, "--pty", str(link), *COLD, "--hand-s", "0"]):
        until(link.exists, "the rig")
        code, report = checked(
            tmp_path / "home", "--plan", str(plan), "--serial", str(link), "--seconds", "6"
        )
    assert failing(report) == set()
    assert (code, report["fit"]) == (0, True)
    assert [f["what"] for f in report["findings"] if f["level"] == "warn"] == ["polarity"]
    assert not (tmp_path / "home").exists(), "a check leaves nothing behind"


def test_what_a_board_says_while_it_starts_does_not_make_it_unfit(tmp_path: Path) -> None:
    """Boards restart when their port is opened, so their boot messages come before the frames."""
    link = tmp_path / "rig"
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    link.symlink_to(os.ttyname(theirs))
    over = threading.Event()

    def speak() -> None:
        os.write(ours, BOOT)
        for seq in count():
            c = 20.0 + 0.01 * (seq % 3)
            ms = round(time.monotonic() * 1000) % 2**32
            os.write(ours, encode(Frame("a1", seq, ms, {"k0": Sample(c=c), "k1": Sample(c=c)})))
            if over.wait(0.2):
                return

    speaking = threading.Thread(target=speak)
    speaking.start()
    try:
        code, report = checked(tmp_path / "home", "--serial", str(link), "--seconds", "5")
    finally:
        over.set()
        speaking.join()
        os.close(ours)
        os.close(theirs)
    assert failing(report) == set(), report
    assert (code, report["fit"]) == (0, True)


def test_a_rig_with_a_swapped_an_offset_and_a_loose_probe(tmp_path: Path, plan: Path) -> None:
    link = tmp_path / "rig"
    faults = ["--swapped", "k0", "--off", "k3=12", "--loose", "k4"]
    with process([*RIG, "--pty", str(link), *COLD, "--hand-s", "8", *faults]):
        until(link.exists, "the rig")
        code, report = checked(
            tmp_path / "home", "--plan", str(plan), "--serial", str(link), "--seconds", "20"
        )
    assert (code, report["fit"]) == (1, False)
    assert failing(report) == {
        ("polarity", "coals"),
        ("agreement", "windward air"),
        ("fault", "leeward wall"),
    }
    assert all(f["mend"] for f in report["findings"] if f["level"] == "fail")


def test_over_mqtt_it_looks_in_and_leaves_nothing_with_the_broker(
    tmp_path: Path, plan: Path, mosquitto: Mosquitto
) -> None:
    with process([*RIG, "--mqtt", mosquitto.url, *COLD, "--hand-s", "0"]):
        code, report = checked(tmp_path, "--plan", str(plan), "--mqtt", mosquitto.url, "--seconds", "8")
    assert failing(report) == set()
    assert code == 0


def test_where_a_logger_runs_its_journal_is_looked_at(tmp_path: Path, plan: Path) -> None:
    link, home = tmp_path / "rig", tmp_path / "home"
    with (
        process([*RIG, "--pty", str(link), *COLD, "--hand-s", "0", "--off", "k3=-12"]),
        process([*STOKEWATCH, "log", "--serial", str(link)], home),
    ):
        until(lambda: stokewatch("status", home=home)["logger"]["readings"] > 8 * 40, "readings")
        code, report = checked(home, "--plan", str(plan))
        assert code == 1
        assert failing(report) == {("agreement", "windward air")}
        assert "a logger is running here" in refused("check", "--serial", str(link), home=home)
        stokewatch("finish", home=home)
        assert "no firing open" in refused("check", home=home)


def test_nothing_at_the_port(tmp_path: Path) -> None:
    code, report = checked(tmp_path, "--serial", str(tmp_path / "none"), "--seconds", "5")
    assert code == 1
    assert ("channels", "rig") in failing(report)
    assert any("isn't there" in f["text"] for f in report["findings"] if f["what"] == "source")


def test_mistakes_in_what_is_given(tmp_path: Path) -> None:
    wrong = tmp_path / "wrong.toml"
    wrong.write_text("target_c = 9000\n")
    assert "line 1: target_c" in refused("check", "--plan", str(wrong), home=tmp_path)
    assert "not a broker" in refused("check", "--mqtt", "http://x", home=tmp_path)
