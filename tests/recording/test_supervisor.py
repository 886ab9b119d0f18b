"""The supervisor: children come back, end in time, and a user's mistake ends everything with its status."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import psutil
import pytest

from logger.recording.supervisor import own_fault
from tests.processes import until

_SUPERVISE = """
import asyncio, sys
from logger.recording.supervisor import Child, supervise
children = [Child(f"child{i}", (sys.executable, "-c", code), watched=True) for i, code in enumerate(sys.argv[1:])]
sys.exit(asyncio.run(supervise(children, lambda line: print(line, flush=True), silent_s=3.0)))
"""


_WAIT = "signal.pause()"
_MISTAKEN = """
import os, select, sys
while not (os.path.exists({note!r}) and os.path.getsize({note!r})): select.select([], [], [], 0.02)
sys.exit(2)
"""


@contextmanager
def supervised(*codes: str) -> Iterator[subprocess.Popen[str]]:
    process = subprocess.Popen([sys.executable, "-c", _SUPERVISE, *codes], stdout=subprocess.PIPE, text=True)
    try:
        yield process
    finally:
        process.kill()
        process.communicate()


def _notes_pid(path: Path, then: str) -> str:
    return f"import os, signal, time, sys\nopen({str(path)!r}, 'a').write(f'{{os.getpid()}}\\n')\n{then}"


def _pids(path: Path) -> list[int]:
    return [int(line) for line in path.read_text().split()] if path.exists() else []


@pytest.mark.parametrize(
    ("lived_s", "code", "own"),
    [
        (3.0, -signal.SIGKILL, False),  # killed by somebody, or by the system
        (0.1, -signal.SIGKILL, True),  # repeatedly, before it can start: that would never end
        (3.0, 1, True),
        (3.0, -signal.SIGSEGV, True),
        (30.0, 1, False),
    ],
)
def test_who_is_killed_from_outside_need_not_wait(lived_s: float, code: int, own: bool) -> None:
    assert own_fault(lived_s, code) is own


def test_a_child_that_dies_comes_back(tmp_path: Path) -> None:
    note = tmp_path / "pids"
    with supervised(_notes_pid(note, _WAIT)) as process:
        first = until(lambda: _pids(note), "the child")[0]
        os.kill(first, signal.SIGKILL)
        until(lambda: len(_pids(note)) == 2, "the child again")
        process.send_signal(signal.SIGTERM)
        output, _ = process.communicate(timeout=10)
    assert process.returncode == 0
    assert "child0 ended (SIGKILL); restarting it" in output
    assert not any(psutil.pid_exists(pid) for pid in _pids(note))


def test_a_users_mistake_ends_everything_with_its_status(tmp_path: Path) -> None:
    note = tmp_path / "pids"
    with supervised(_notes_pid(note, _WAIT), _MISTAKEN.format(note=str(note))) as p:
        p.communicate(timeout=20)
    assert p.returncode == 2
    assert len(_pids(note)) == 1
    assert not psutil.pid_exists(_pids(note)[0])


def test_a_child_that_will_not_end_is_killed(tmp_path: Path) -> None:
    note = tmp_path / "pids"
    stubborn = f"import signal\nsignal.signal(signal.SIGTERM, signal.SIG_IGN)\n{_notes_pid(note, _WAIT)}"
    with supervised(stubborn) as process:
        until(lambda: _pids(note), "the child")
        process.send_signal(signal.SIGINT)
        process.communicate(timeout=10)
    assert process.returncode == 0
    assert not psutil.pid_exists(_pids(note)[0])


def test_children_end_when_the_supervisor_is_killed(tmp_path: Path) -> None:
    note = tmp_path / "pids"
    with supervised(_notes_pid(note, _WAIT)) as process:
        pid = until(lambda: _pids(note), "the child")[0]
        process.kill()
        gone = lambda: not psutil.pid_exists(pid) or psutil.Process(pid).status() == psutil.STATUS_ZOMBIE  # noqa: E731
        until(gone, "the child's end")


def test_a_child_that_hangs_is_killed_and_started_again(tmp_path: Path) -> None:
    """It reports that it is alive, and then stops: halted, as by a debugger, or in an endless loop."""
    note = tmp_path / "pids"
    telling = _notes_pid(note, "while True: tell('WATCHDOG=1'); time.sleep(0.1)")
    lives = "from logger.recording.supervisor import tell\ntell('WATCHDOG=1')\n"
    with supervised(lives + telling) as process:
        first = until(lambda: _pids(note), "the child")[0]
        os.kill(first, signal.SIGSTOP)
        until(lambda: len(_pids(note)) == 2, "the child again", 60)
        process.send_signal(signal.SIGTERM)
        output, _ = process.communicate(timeout=20)
    assert process.returncode == 0
    assert "child0 gave no sign of life for 3 s and was killed; restarting it" in output
    assert len(_pids(note)) == 2, "the second one tells that it lives"


def test_what_a_child_says_reaches_the_service_manager(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """`run` as a service of systemd, with `NotifyAccess=all`: the logger reports by itself."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as heard:
        heard.bind(str(tmp_path / "notify"))
        heard.settimeout(60)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        telling = "from logger.recording.supervisor import tell\ntell('READY=1')\nsignal.pause()"
        with supervised(_notes_pid(tmp_path / "pids", telling)):
            assert heard.recv(100) == b"READY=1"
