"""Serve the page: port, certificate, shutdown, and how to open it from another device."""

import asyncio
import errno
import io
import ipaddress
import logging
import socket
import ssl
import threading
import webbrowser
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import Final

import ifaddr
import segno
import uvicorn
from fastapi import FastAPI

from dashboard.app import create_app
from dashboard.security.access import EVERYWHERE, is_loopback
from dashboard.security.connections import MAX_HEAD, HttpConnection, Listener, SocketConnection
from dashboard.security.door import Door
from dashboard.security.operators import Operators
from logger.errors import UserError

CLOSING_S: Final = 1
"""How long open connections get to close at the end [s]."""


def listen(host: str, port: int) -> Listener:
    """Take the port (0: any free one) before anything else starts, so that a mistake is one line of error.

    UserError: the port is in use, or there is no such address.
    """
    taken = None
    try:
        family, kind, proto, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        taken = Listener(family, kind, proto)
        taken.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        taken.bind(address)
        taken.listen(64)
    except OSError as exc:
        if taken is not None:
            taken.close()
        if exc.errno == errno.EADDRINUSE:
            fix = "is in use, perhaps by another page; stop it, or give --port another number"
            raise UserError(f"port {port} on {host} {fix}") from exc
        fix = f"({exc.strerror or exc}); give --host an address of this machine"
        raise UserError(f"the page can't listen on {host} {fix}") from exc
    return taken


class _Server(uvicorn.Server):
    """Ends quietly; uvicorn's own handling would raise the signal again once everything is done."""

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        self.should_exit = True


def serve(
    journal_path: Path,
    host: str,
    port: int,
    *,
    open_browser: bool,
    tls: tuple[Path, Path] | None = None,
    door: Door | None = None,
    say: Callable[[str], None] = print,
) -> int:
    """Serve the page until a signal ends it.

    On any address but loopback, acting takes the operator PIN, unless a `door` decides. `tls` is certificate
    and key, in PEM; `say` shows things to the person at the terminal. UserError: the port is in use, the
    address isn't this machine's, or the certificate can't be used.
    """
    if tls is not None:
        _check_certificate(*tls)
    with listen(host, port) as bound:
        scheme = "http" if tls is None else "https"
        if door is None and is_loopback(host):
            door = Door()
        elif door is None:
            operators = Operators(journal_path.parent)
            pin = operators.first_pin()
            door = Door(operators, secure=tls is not None)
            names = own_addresses() if host in EVERYWHERE else [host]
            urls = [f"{scheme}://{_bracketed(name)}:{bound.getsockname()[1]}" for name in names]
            say(greeting(urls, pin, tls=tls is not None))
        app = create_app(journal_path, host, door, bound.places)
        if open_browser:
            shown = "127.0.0.1" if host in EVERYWHERE else _bracketed(host)
            url = f"{scheme}://{shown}:{bound.getsockname()[1]}"
            threading.Thread(target=webbrowser.open, args=(url,), daemon=True).start()
        server = _Server(settings(app.server, tls))
        asyncio.run(server.serve(sockets=[bound]))
    return 0


def settings(server: FastAPI, tls: tuple[Path, Path] | None = None) -> uvicorn.Config:
    """Make the server's settings."""
    return uvicorn.Config(
        server,
        log_level=logging.ERROR,  # a line for each odd request would fill the log
        access_log=False,
        http=HttpConnection,
        h11_max_incomplete_event_size=MAX_HEAD,
        ws=SocketConnection,
        ws_max_size=4096,  # a tablet only sends wishes
        timeout_graceful_shutdown=CLOSING_S,
        timeout_keep_alive=5,
        ssl_certfile=None if tls is None else str(tls[0]),
        ssl_keyfile=None if tls is None else str(tls[1]),
        server_header=False,
    )


def own_addresses() -> list[str]:
    """List the IPv4 addresses others can reach this machine at: private first, virtual bridges last."""
    found: list[tuple[bool, bool, str]] = []
    for adapter in ifaddr.get_adapters():
        bridge = adapter.nice_name.startswith(("docker", "br-", "veth", "virbr"))
        for ip in (each.ip for each in adapter.ips if isinstance(each.ip, str)):
            address = ipaddress.ip_address(ip)
            if not address.is_loopback and not address.is_link_local:
                found.append((bridge, not address.is_private, ip))
    return [ip for _, _, ip in sorted(found)]


def qr_code(url: str) -> str:
    """Draw a QR code for a terminal, in half blocks."""
    out = io.StringIO()
    segno.make(url, error="m").terminal(out, compact=True, border=2)
    return out.getvalue().rstrip("\n")


def greeting(urls: list[str], pin: str | None, *, tls: bool) -> str:
    """Say how to open the page from another device, and the PIN if it is new."""
    lines = ["This machine isn't on a network yet; join one, and start this again."]
    if urls:
        lines = [f"On this network, the page is at {' or '.join(urls)}", qr_code(urls[0])]
    if pin is not None:
        once = "write it down: it is shown only once; `stokewatch pin` makes another"
        lines.append(f"Operator PIN: {pin}   ({once})")
    lines.append("Anyone on the network can watch; anyone who knows the operator PIN can act.")
    if not tls:
        heard = "Without --tls, anyone listening on this network can read everything, the PIN included"
        lines.append(f"{heard}: use a network of your own.")
    return "\n".join(lines)


def _check_certificate(certificate: Path, key: Path) -> None:
    try:
        ssl.create_default_context(ssl.Purpose.CLIENT_AUTH).load_cert_chain(certificate, key, password="")
    except OSError as exc:
        why = exc.strerror or str(exc)
        if isinstance(exc, ssl.SSLError):
            why = exc.reason or "not a certificate and its key"
        asked = "give a PEM file with the certificate, and one with its key"
        raise UserError(f"--tls {certificate} {key}: {why}; {asked}") from exc


def _bracketed(host: str) -> str:
    return f"[{host}]" if ":" in host else host
