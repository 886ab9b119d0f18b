"""The mirror as a process beside logger and page: `run` starts it, and nothing depends on it."""

from __future__ import annotations

import contextlib
import os
import signal
from pathlib import Path
from typing import Any

import psutil
import pytest

from tests.mirror.servers import Gate
from tests.processes import RIG, STOKEWATCH, free_port, process, refused, stokewatch, until

pytestmark = pytest.mark.real
TOKEN = "t0k3n-nobody-may-see"


@pytest.mark.timeout(120)
def test_run_sends_along_and_nobody_sees_the_token(
    tmp_path: Path, gate: Gate, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = tmp_path / "home"
    port = tmp_path / "rig"
    monkeypatch.setenv("STOKEWATCH_INFLUX_URL", gate.url)
    monkeypatch.setenv("STOKEWATCH_INFLUX_TOKEN", TOKEN)
    monkeypatch.setenv("STOKEWATCH_LOG", "DEBUG")
    command = [*STOKEWATCH, "run", "--serial", str(port), "--port", str(free_port()), "--no-browser"]
    with process([*RIG, "--pty", str(port)]), process([*command, "--site", "meadow"], home) as run:
        until(lambda: any("reading,site=meadow" in body for body in gate.bodies), "readings", 40)
        assert gate.headers[0]["Authorization"] == f"Token {TOKEN}"
        assert gate.headers[0]["Content-Encoding"] == "gzip"
        family = psutil.Process(run.pid).children(recursive=True)
        commands = []
        for child in family:
            with contextlib.suppress(psutil.NoSuchProcess):  # one that has ended has no command any more
                commands.append(" ".join(child.cmdline()))
        assert len(commands) >= 3
        assert not [c for c in commands if TOKEN in c]
        health = stokewatch("status", home=home)["mirror"]
        assert (health["state"], health["refused"]) == ("running", 0)
        readings = stokewatch("status", home=home)["logger"]["readings"]
        for _ in range(2):
            os.kill(health["pid"], signal.SIGKILL)  # as often as it likes
            before, pid = len(gate.bodies), health["pid"]
            until(lambda: len(gate.bodies) > before, "the mirror's return", 20)  # noqa: B023
            until(lambda: stokewatch("status", home=home)["mirror"]["pid"] != pid, "its word", 20)  # noqa: B023
            health = stokewatch("status", home=home)["mirror"]
        assert stokewatch("status", home=home)["logger"]["readings"] > readings
        said = [p for p in home.iterdir() if p.is_file() and TOKEN.encode() in p.read_bytes()]
        assert not said
        run.send_signal(signal.SIGTERM)
        output, _ = run.communicate(timeout=20)
        assert run.returncode == 0
        assert "mirror ended (SIGKILL); restarting it" in output
        assert TOKEN not in output
    assert stokewatch("status", home=home)["mirror"]["state"] == "stopped"


def test_what_is_given_wrong_is_said_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert "--influx URL" in refused("mirror", home=tmp_path)
    assert "not the address" in refused("mirror", "--influx", "one", home=tmp_path)
    assert "not the address" in refused("run", "--influx", "one", home=tmp_path)
    monkeypatch.setenv("STOKEWATCH_INFLUX_TOKEN_FILE", str(tmp_path / "none"))
    assert "can't be read" in refused("run", "--influx", "http://one", home=tmp_path)


def test_a_second_mirror_is_refused_and_all_can_be_sent_afresh(tmp_path: Path, gate: Gate) -> None:
    home = tmp_path / "home"
    csv = tmp_path / "fire.csv"
    csv.write_text("time_s,k0\n" + "".join(f"{s},{20 + s}\n" for s in range(60)))
    stokewatch("import", str(csv), home=home)
    with process([*STOKEWATCH, "mirror", "--influx", gate.url], home):
        until(lambda: "temperature_c=79.0" in "".join(gate.bodies), "the last reading")
        assert "already running" in refused("mirror", "--influx", gate.url, home=home)
    gate.bodies.clear()
    with process([*STOKEWATCH, "mirror", "--influx", gate.url, "--afresh"], home):
        until(lambda: "temperature_c=20.0" in "".join(gate.bodies), "the first reading again")


def test_a_stop_is_quick_while_the_server_keeps_it_waiting(tmp_path: Path, gate: Gate) -> None:
    home = tmp_path / "home"
    csv = tmp_path / "fire.csv"
    csv.write_text("time_s,k0\n0,20\n1,21\n")
    stokewatch("import", str(csv), home=home)

    def never(lines: list[str]) -> None:
        asked.append(1)
        until(lambda: done, "the test's end", 60)

    asked: list[int] = []
    done: list[int] = []
    gate.refuse = never
    with process([*STOKEWATCH, "mirror", "--influx", gate.url], home) as mirror:
        until(lambda: asked, "the first request")
        mirror.send_signal(signal.SIGTERM)
        assert mirror.wait(3) == 0
    done.append(1)


def test_lines_that_are_put_aside_are_told_in_the_journal(tmp_path: Path, gate: Gate) -> None:
    home, rig = tmp_path / "home", tmp_path / "rig"
    said = (400, {}, b'{"message": "field type conflict"}')
    gate.refuse = lambda lines: said if any(line.startswith("reading,") for line in lines) else None

    def told() -> list[dict[str, Any]]:
        events = stokewatch("show", "last", home=home)["events"]
        return [e["data"] for e in events if e["data"].get("source") == "mirror"]

    with process([*RIG, "--pty", str(rig)]), process([*STOKEWATCH, "log", "--serial", str(rig)], home):
        until(lambda: stokewatch("status", home=home)["firing"], "a firing", 40)
        with process([*STOKEWATCH, "mirror", "--influx", gate.url], home):
            until(told, "the event", 30)
    assert len(told()) == 1
    assert "field type conflict" in told()[0]["detail"]
    assert "mirror_refused.lp" in told()[0]["detail"]
