"""What a service manager such as systemd is told: that the logger is ready, and that it lives.

References
----------
.. [1] sd_notify(3): datagrams to the socket that the environment names in NOTIFY_SOCKET.
"""

from __future__ import annotations

import contextlib
import os
import socket


def tell(state: str) -> None:
    """Tell the service manager, if there is one.

    Parameters
    ----------
    state : str
        `READY=1`, `WATCHDOG=1`, `STOPPING=1`. A manager that doesn't listen costs nothing.
    """
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address:
        return
    if address.startswith("@"):  # an abstract name
        address = "\0" + address[1:]
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as outlet:
        outlet.setblocking(False)
        outlet.connect(address)
        outlet.send(state.encode())
