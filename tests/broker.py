"""A real broker for tests: Debian's mosquitto, configured by the test, on a free local port."""

from __future__ import annotations

import asyncio
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Sequence
from pathlib import Path

from tests.processes import free_port, until

PROGRAM = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")


SAVES_AT_ONCE = ("autosave_on_changes true", "autosave_interval 1", "max_queued_messages 0")


def require_mosquitto() -> None:
    assert PROGRAM is not None, "these tests need Debian's mosquitto and mosquitto-clients"


class Mosquitto:
    """A broker that can be stopped and restarted on the same port with what it has stored.

    Parameters
    ----------
    folder : Path
        For its configuration, log and stored messages.
    user, password : str, optional
        Without them anybody may connect.
    certificate, key : Path, optional
        PEM files; with them it uses TLS.
    settings : sequence of str, optional
        How it stores messages; by default everything, saved at every change.
    more : sequence of str
        Further lines of configuration.
    """

    def __init__(
        self,
        folder: Path,
        *,
        user: str = "",
        password: str = "",
        certificate: Path | None = None,
        key: Path | None = None,
        settings: Sequence[str] = SAVES_AT_ONCE,
        more: Sequence[str] = (),
    ) -> None:
        self.folder = folder
        self.port = free_port()
        self.secure = certificate is not None
        self._process: subprocess.Popen[bytes] | None = None
        lines = [
            f"listener {self.port} 127.0.0.1",
            f"persistence_location {folder}/",
            "persistence true",
            *settings,
            *more,
        ]
        if user:
            passwords = folder / "passwords"
            passwords.touch(mode=0o600)
            subprocess.run(
                ["mosquitto_passwd", "-b", passwords, user, password], check=True, capture_output=True
            )
            lines += ["allow_anonymous false", f"password_file {passwords}"]
        else:
            lines.append("allow_anonymous true")
        if certificate is not None:
            lines += [f"certfile {certificate}", f"keyfile {key}"]
        # As root it would switch to a user of its own, who may not read a test's folder.
        lines.append("user root")
        (folder / "mosquitto.conf").write_text("\n".join(lines) + "\n")

    @property
    def url(self) -> str:
        return f"mqtt{'s' if self.secure else ''}://127.0.0.1:{self.port}"

    @property
    def log(self) -> str:
        return (self.folder / "mosquitto.log").read_text()

    def start(self) -> Mosquitto:
        require_mosquitto()
        with (self.folder / "mosquitto.log").open("ab") as log:
            self._process = subprocess.Popen(
                [str(PROGRAM), "-c", self.folder / "mosquitto.conf", "-v"], stdout=log, stderr=log
            )
        until(self._answers, "the broker")
        return self

    def _answers(self) -> bool:
        assert self._process is not None
        assert self._process.poll() is None, self.log
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", self.port)) == 0

    def stop(self, how: signal.Signals = signal.SIGTERM) -> None:
        if self._process is not None:
            self._process.send_signal(how)
            self._process.wait(10)
            self._process = None

    def restart(self, how: signal.Signals = signal.SIGTERM) -> None:
        self.stop(how)
        self.start()

    def save(self) -> None:
        """Make it write everything to disk, and wait for that."""
        assert self._process is not None
        kept = self.folder / "mosquitto.db"
        asked_ns = time.time_ns()
        self._process.send_signal(signal.SIGUSR1)
        until(lambda: kept.exists() and kept.stat().st_mtime_ns >= asked_ns, "the broker's file")

    def freeze(self) -> None:
        """Accept nothing and answer nothing, like a network that swallows everything."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)

    def __enter__(self) -> Mosquitto:
        return self.start()

    def __exit__(self, *_: object) -> None:
        if self._process is not None:
            self.thaw()
        self.stop()

    async def publish(self, topic: str, *lines: bytes, options: Sequence[str] = ("-q", "1")) -> None:
        """Publish each line as a message, with the broker's own program: our client must not test itself."""
        process = await asyncio.create_subprocess_exec(
            *("mosquitto_pub", "-p", str(self.port), "-t", topic, "-l", *options),
            stdin=asyncio.subprocess.PIPE,
        )
        await process.communicate(b"".join(line.rstrip(b"\n") + b"\n" for line in lines))
        assert process.returncode == 0
