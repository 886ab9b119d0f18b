"""Tell a service manager such as systemd that the logger is ready, and alive.

`stokewatch run` listens to its own logger in the same way, and passes on what it hears.

References
----------
.. [1] sd_notify(3): datagrams to the socket that the environment names in NOTIFY_SOCKET.
"""

from __future__ import annotations

import contextlib
import os
import secrets
import socket
import tempfile
import time
from pathlib import Path
from typing import Final

ADDRESS: Final = "NOTIFY_SOCKET"


def tell(state: str) -> None:
    """Tell the service manager, if there is one: `READY=1`, `WATCHDOG=1`, `STOPPING=1`."""
    address = os.environ.get(ADDRESS, "")
    if not address:
        return
    if address.startswith("@"):  # an abstract name
        address = "\0" + address[1:]
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as outlet:
        outlet.setblocking(False)
        outlet.connect(address)
        outlet.send(state.encode())


class Listener:
    """Hears what one child reports, and passes it on to whoever listens to us.

    `address` is for the child's environment; `ready`: whether the child has said so since `begin`.
    """

    def __init__(self) -> None:
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.setblocking(False)
        name = f"stokewatch-{secrets.token_hex(8)}"
        try:
            self.socket.bind(f"\0{name}")  # an abstract name: nothing is left on the disk
            self.address = f"@{name}"
        except OSError:  # not on Linux
            self._folder = tempfile.TemporaryDirectory(prefix="stokewatch-")
            self.address = str(Path(self._folder.name) / "notify")
            self.socket.bind(self.address)
        self.begin()

    def begin(self) -> None:
        """Start waiting for a child that has just been started."""
        self.ready = False
        self._heard_s = time.monotonic()

    @property
    def silent_s(self) -> float:
        """How long the child has been silent. [s]."""
        return time.monotonic() - self._heard_s

    def hear(self) -> None:
        """Take in everything said so far."""
        with contextlib.suppress(OSError):
            while True:
                said = self.socket.recv(4096).decode("utf-8", "replace")
                self.ready = self.ready or "READY=1" in said or "WATCHDOG=1" in said
                self._heard_s = time.monotonic()
                tell(said)

    def close(self) -> None:
        """Stop listening."""
        self.socket.close()
        if self._folder is not None:
            self._folder.cleanup()
