"""Processes killed at random moments: committed readings stay, the same firing goes on, alarms stay raised."""

from __future__ import annotations

import contextlib
import os
import random
import signal
import time
import urllib.request
from pathlib import Path
from typing import Any

import psutil
from steady import SteadyRig, Tell, a_while, beat, check, integrity, stored

from logger.journal.reader import JournalReader
from tests.long_form import times
from tests.processes import STOKEWATCH, free_port, process, until

DEAD = 3
"""This channel is open all the time, so that an alarm stays raised."""


def alarms(home: Path) -> list[dict[str, Any]]:
    with contextlib.closing(JournalReader(home / "journal.sqlite")) as reader:
        events = reader.events(reader.firing("last").id)
    return [e.data for e in events if e.kind == "alarm" and e.data["rule"] == "probe_fault"]


def standing(home: Path) -> list[str]:
    return [a["key"] for a in beat(home).get("alarms") or () if a["rule"] == "probe_fault"]


def healthy(port: int) -> bool:
    with contextlib.suppress(OSError), urllib.request.urlopen(f"http://127.0.0.1:{port}/healthz", timeout=1):
        return True
    return False


def page_of(parent: int) -> int | None:
    for child in psutil.Process(parent).children():
        with contextlib.suppress(psutil.Error):
            if "page" in child.cmdline():
                return int(child.pid)
    return None


def test_the_logger_killed_at_random_moments(tmp_path: Path, tell: Tell) -> None:
    home, link = tmp_path / "home", tmp_path / "rig"
    rng = random.Random(7)
    kills = times(4, 200)
    lost_at: list[int] = []
    back_s: list[float] = []
    run = [*STOKEWATCH, "run", "--serial", str(link), "--no-browser", "--port", str(free_port())]
    with SteadyRig(link, dead=DEAD) as rig, process(run, home):
        until(lambda: standing(home), "the alarm", 60)
        firing = beat(home)["firing"]
        for _ in range(kills):
            a_while(rng, 0.3, 2.5)
            pid = beat(home)["pid"]
            before = max(stored(home)) if not kills > 20 else beat(home)["frames"]
            os.kill(pid, signal.SIGKILL)
            killed_s = time.monotonic()
            until(lambda pid=pid: beat(home)["pid"] != pid and beat(home)["frames"] > 0, "the logger", 30)
            back_s.append(time.monotonic() - killed_s)
            now = beat(home)
            assert now["firing"] == firing
            # The first heartbeat may come before it has judged again.
            until(lambda: standing(home) == [f"probe_fault:k{DEAD}"], "the alarm that stood", 5)
            assert before <= max(stored(home)) or kills > 20
            # A rig that keeps nothing, so readings not committed are gone: the counter says how many.
            lost_at.append(int(now["missing"]))
        until(lambda: len(stored(home)) > 10, "frames")
    rows = stored(home)
    check(rows, DEAD)
    assert integrity(home) == "ok"
    gaps = [b - a - 1 for a, b in zip(sorted(rows), sorted(rows)[1:], strict=False) if b - a > 1]
    assert len(gaps) <= kills
    assert len(rig.acknowledged) > 10
    assert rig.acknowledged <= set(rows), sorted(rig.acknowledged - set(rows))
    said = [data["transition"] for data in alarms(home)]
    assert said == ["raised"], "an alarm that stood goes on standing, and isn't raised again"
    tell(
        f"logger killed {kills} times, 16 channels x 10 Hz",
        f"{len(rows)} frames right, {len(rig.acknowledged)} acknowledged, none of these lost; "
        f"at most {max(gaps, default=0)} that nobody had acknowledged lost a kill ({sum(gaps)} in all); "
        f"back after {sorted(back_s)[len(back_s) // 2]:.2f} s (median), {max(back_s):.2f} s (longest)",
    )


def test_the_page_and_both_killed(tmp_path: Path, tell: Tell) -> None:
    home, link = tmp_path / "home", tmp_path / "rig"
    rng = random.Random(8)
    kills = times(3, 50)
    port = free_port()
    back_s: list[float] = []
    run = [*STOKEWATCH, "run", "--serial", str(link), "--no-browser", "--port", str(port)]
    with SteadyRig(link, channels=4), process(run, home) as parent:
        until(lambda: healthy(port) and beat(home).get("frames", 0) > 10, "page and logger", 60)
        for number in range(kills):
            a_while(rng, 0.2, 1.0)
            both = number % 2 == 1
            logger = beat(home)["pid"]
            page = until(lambda: page_of(parent.pid), "the page")
            for pid in (page, logger) if both else (page,):
                os.kill(pid, signal.SIGKILL)
            killed_s = time.monotonic()
            until(lambda page=page: page_of(parent.pid) not in (None, page) and healthy(port), "the page", 30)
            back_s.append(time.monotonic() - killed_s)
            if both:
                until(lambda logger=logger: beat(home)["pid"] != logger, "the logger", 30)
            else:
                assert beat(home)["pid"] == logger, "the logger must not notice"
        until(lambda: beat(home)["frames"] > 5, "frames")
    rows = stored(home)
    check(rows)
    tell(
        f"page killed {kills} times, half of them with the logger",
        f"page back after {sorted(back_s)[len(back_s) // 2]:.2f} s (median), {max(back_s):.2f} s (longest)",
    )
