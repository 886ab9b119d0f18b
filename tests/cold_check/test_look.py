"""What the cold check makes of a running logger's journal and of its machine."""

from __future__ import annotations

import contextlib
import re
import shutil
import time
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from logger.cold_check import look
from logger.cold_check.look import about_machine, check_journal
from logger.diagnosis.finding import Finding
from logger.journal.reader import JournalReader
from logger.journal.writer import JournalWriter
from logger.plan import Plan
from tests.cold_check.test_cold_check import PLAN, ROUND_S, heard


def checked(
    folder: Path, *, ago_s: float = 0.0, readings: bool = True, plan: Plan | None = PLAN, **beat: Any
) -> dict[str, Finding]:
    """The firing of a good rig whose last frame came this long ago, as the check finds it."""
    path = folder / "journal.sqlite"
    now_us = round(time.time() * 1e6)
    start_us = round(now_us - (ROUND_S + ago_s) * 1e6)
    with contextlib.closing(JournalWriter(path)) as writer:
        firing = writer.open_firing("cold", plan and plan.dumps(), start_us, invented=True)
        with writer.transaction():
            for batch in heard() if readings else []:
                writer.append(firing.id, replace(batch, t_us=batch.t_us + start_us))
            writer.heartbeat({"at_us": now_us, "wall_s": now_us / 1e6, **beat})
    with contextlib.closing(JournalReader(path)) as reader:
        running = reader.running()
        assert running is not None
        findings = check_journal(reader, running, None, folder).findings
    worst = {"pass": 0, "warn": 1, "fail": 2}
    return {f.what: f for f in sorted(findings, key=lambda f: worst[f.level])}


def test_a_good_rig_is_judged_by_the_plan_of_its_firing(tmp_path: Path) -> None:
    found = checked(tmp_path, frames=540)
    assert {what for what, f in found.items() if f.level == "fail"} == set()
    assert found["channels"].level == "pass"  # all that the plan names, and nothing else
    assert (found["lines"].level, found["lines"].text) == ("pass", "540 frames, no line damaged")
    assert "silent" not in found


def test_without_a_plan_its_channels_are_named_and_not_judged(tmp_path: Path) -> None:
    assert checked(tmp_path, plan=None)["channels"].level == "warn"


def test_a_rig_that_fell_silent_is_not_fit(tmp_path: Path) -> None:
    silent = checked(tmp_path, ago_s=40.0)["silent"]
    assert silent.level == "fail"
    assert re.fullmatch(r"no readings for 4\d s", silent.text)


def test_a_rig_that_has_said_nothing_is_not_fit(tmp_path: Path) -> None:
    found = checked(tmp_path, readings=False)["channels"]
    assert (found.level, found.text) == ("fail", "no readings from any rig")


def test_the_loggers_own_trouble_comes_first(tmp_path: Path) -> None:
    found = checked(tmp_path, trouble="the disk is full; make room")["logger"]
    assert (found.level, found.text) == ("fail", "the disk is full; make room")


@pytest.mark.parametrize(("frames", "level"), [(400, "warn"), (10, "fail")])
def test_damaged_lines(tmp_path: Path, frames: int, level: str) -> None:
    found = checked(tmp_path, frames=frames, bad_crc=1, malformed=2)["lines"]
    assert (found.level, found.text) == (
        level,
        f"3 of {frames + 3} lines were damaged or were not frames",
    )
    assert "stokewatch listen" in found.mend


def machine(home: Path, what: str) -> Finding:
    [found] = [f for f in about_machine(home, home / "no-power") if f.what == what]
    return found


@pytest.mark.parametrize(("free", "level"), [(50e6, "fail"), (600e6, "warn"), (5e9, "pass")])
def test_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, free: float, level: str) -> None:
    """The folder need not exist yet: its disk does."""
    asked: list[Path] = []

    def usage(place: Path) -> SimpleNamespace:
        asked.append(place)
        return SimpleNamespace(free=int(free))

    monkeypatch.setattr(shutil, "disk_usage", usage)
    assert machine(tmp_path / "not" / "yet", "disk").level == level
    assert asked == [tmp_path]


@pytest.mark.parametrize(("wrong_s", "level"), [(0.0, "pass"), (-50 * 365 * 86400.0, "fail")])
def test_a_machine_that_has_lost_its_clock(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, wrong_s: float, level: str
) -> None:
    now_s = time.time() + wrong_s
    monkeypatch.setattr(look, "time", SimpleNamespace(**{**vars(time), "time": lambda: now_s}))
    clock = machine(tmp_path, "clock")
    assert clock.level == level
    assert time.strftime("%Y-%m-%d", time.localtime(now_s)) in clock.text
