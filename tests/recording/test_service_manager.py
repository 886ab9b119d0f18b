"""What systemd hears, on a socket of the test's own."""

from __future__ import annotations

import os
import socket
from pathlib import Path

import pytest

from logger.recording.supervisor import tell
from tests.processes import STOKEWATCH, process


@pytest.mark.real
def test_the_logger_is_ready_lives_and_stops(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as heard:
        heard.bind(str(tmp_path / "notify"))
        heard.settimeout(30)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        log = [*STOKEWATCH, "log", "--serial", str(tmp_path / "rig")]
        with process(log, tmp_path / "home") as logger:
            said = [heard.recv(100) for _ in range(3)]
            logger.terminate()
            while said[-1] != b"STOPPING=1":
                said.append(heard.recv(100))
    assert said[:3] == [b"READY=1", b"WATCHDOG=1", b"WATCHDOG=1"]


def test_an_abstract_address_and_a_manager_that_is_gone(monkeypatch: pytest.MonkeyPatch) -> None:
    name = f"stokewatch-test-{os.getpid()}"
    monkeypatch.setenv("NOTIFY_SOCKET", f"@{name}")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as heard:
        heard.bind(f"\0{name}")
        tell("READY=1")
        assert heard.recv(100) == b"READY=1"
    tell("WATCHDOG=1")  # nobody is there any more, and nothing is raised
    monkeypatch.delenv("NOTIFY_SOCKET")
    tell("WATCHDOG=1")
