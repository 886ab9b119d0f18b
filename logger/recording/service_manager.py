"""Tell a service manager such as systemd, and our own supervisor, that the logger is ready and alive.

References
----------
.. [1] sd_notify(3): datagrams to the socket that the environment names in NOTIFY_SOCKET.
"""

from __future__ import annotations

import contextlib
import os
import socket
from typing import Final

PIPE: Final = "STOKEWATCH_SIGNS"
"""In a supervised child's environment: the number of the open pipe that takes its signs of life."""


def tell(state: str) -> None:
    """Tell whoever listens: `READY=1`, `WATCHDOG=1`, `STOPPING=1`."""
    with contextlib.suppress(OSError):
        os.write(int(os.environ.get(PIPE, "-1")), b".")
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address:
        return
    if address.startswith("@"):  # an abstract name
        address = "\0" + address[1:]
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as outlet:
        outlet.setblocking(False)
        outlet.connect(address)
        outlet.send(state.encode())
