"""Connections as an attacker makes them: silent, endless, unread, too many; on the server as it really runs."""

from __future__ import annotations

import contextlib
import http.client
import resource
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest
from processes import STOKEWATCH, free_port, process, until

from dashboard import connections
from dashboard.connections import EACH, MAX_HEAD, MOST, RESERVE, Places, who_is


class Served:
    """A page in a process of its own."""

    def __init__(self, port: int, pid: int) -> None:
        self.port, self.process = port, psutil.Process(pid)

    def dial(self, address: str = "127.0.0.1") -> socket.socket:
        made = socket.create_connection(("127.0.0.1", self.port), timeout=30, source_address=(address, 0))
        made.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        return made

    def ask(self, path: str = "/healthz") -> int:
        asked = http.client.HTTPConnection("127.0.0.1", self.port, timeout=10)
        with contextlib.closing(asked):
            asked.request("GET", path)
            return asked.getresponse().status


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    port = free_port()
    argv = [*STOKEWATCH, "page", "--home", str(tmp_path), "--port", str(port), "--no-browser"]
    with process(argv) as running:

        def listens() -> bool:
            with contextlib.suppress(OSError):
                socket.create_connection(("127.0.0.1", port), timeout=1).close()
                return True
            return False

        until(listens, "the page", 60)
        yield Served(port, running.pid)
