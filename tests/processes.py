"""Real processes for tests: started, awaited, and ended by their own pid."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, TypeVar

from click.testing import CliRunner

from logger.cli import cli

T = TypeVar("T")

ROOT = Path(__file__).parents[1]
STOKEWATCH = [sys.executable, "-P", "-m", "logger.cli"]
RIG = [sys.executable, str(ROOT / "tests" / "trial_rig.py")]


def until(condition: Callable[[], T], what: str, seconds: float = 20.0, every_s: float = 0.03) -> T:
    """Wait until a condition returns something true."""
    deadline = time.monotonic() + seconds
    while not (found := condition()):
        assert time.monotonic() < deadline, f"waited {seconds:g} s in vain for {what} (last: {found!r})"
        time.sleep(every_s)
    return found


def stays(condition: Callable[[], object], what: str, seconds: float, every_s: float = 0.03) -> None:
    """Check for a while that a condition stays true."""
    end = time.monotonic() + seconds
    while (left := end - time.monotonic()) > 0:
        assert condition(), what
        time.sleep(min(every_s, left))


def free_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return int(s.getsockname()[1])


@contextlib.contextmanager
def process(
    argv: list[str], home: Path | None = None, cwd: Path | None = None
) -> Iterator[subprocess.Popen[str]]:
    """A process; at the end it is asked to stop, then killed."""
    env = {**os.environ, "PYTHONUNBUFFERED": "1"}
    if home is not None:
        env["STOKEWATCH_HOME"] = str(home)
    output = subprocess.PIPE
    with subprocess.Popen(
        argv, stdout=output, stderr=subprocess.STDOUT, text=True, env=env, cwd=cwd
    ) as running:
        try:
            yield running
        finally:
            if running.poll() is None:
                running.send_signal(signal.SIGTERM)
            try:
                said, _ = running.communicate(timeout=10)
            except subprocess.TimeoutExpired:
                running.kill()
                said, _ = running.communicate()
            print(" ".join(argv[1:5]), "said:", said, sep="\n")


def stokewatch(*arguments: str, home: Path) -> Any:
    """Run a command in this process, unlike `refused` and `process`, and return the JSON it prints."""
    env = {"STOKEWATCH_HOME": str(home)}
    done = CliRunner().invoke(cli, [*arguments, "--json"], env=env, catch_exceptions=False)
    assert done.exit_code == 0, done.stderr
    return json.loads(done.stdout)


def refused(*arguments: str, home: Path) -> str:
    """Return what a command says when it refuses the user's input: one line, status 2, nothing else."""
    env = {**os.environ, "STOKEWATCH_HOME": str(home)}
    done = subprocess.run([*STOKEWATCH, *arguments], capture_output=True, text=True, env=env, timeout=30)
    assert done.returncode == 2, (done.returncode, done.stdout, done.stderr)
    assert done.stdout == ""
    assert len(done.stderr.splitlines()) == 1
    return done.stderr
