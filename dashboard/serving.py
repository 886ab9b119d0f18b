"""The page served: its port, its certificate, and its end."""

import asyncio
import contextlib
import errno
import logging
import signal
import socket
import ssl
import webbrowser
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Final

import uvicorn
from fastapi import FastAPI

from dashboard.app import create_app
from dashboard.security.access import is_loopback
from dashboard.security.connections import MAX_HEAD, HttpConnection, Listener, SocketConnection
from dashboard.security.door import Door, OpenDoor, PinDoor
from dashboard.security.network import greeting, own_addresses
from dashboard.security.operators import Operators
from logger.errors import UserError

CLOSING_S: Final = 1
"""How long open connections get to close at the end. [s]"""


class PortTakenError(UserError):
    """Something else listens where the page should."""

    def __init__(self, host: str, port: int) -> None:
        super().__init__(
            f"port {port} on {host} is taken, perhaps by another page; end it, or give --port another number"
        )
        self.host, self.port = host, port


class HostUnknownError(UserError):
    """The page can't listen at this address."""

    def __init__(self, host: str, why: str) -> None:
        super().__init__(f"the page can't listen on {host} ({why}); give --host an address of this machine")
        self.host = host


class CertificateError(UserError):
    """A certificate, or its key, that can't be served with."""

    def __init__(self, certificate: Path, key: Path, why: str) -> None:
        super().__init__(
            f"--tls {certificate} {key}: {why}; give a PEM file with the certificate, and one with its key"
        )


def listen(host: str, port: int) -> Listener:
    """Take the port (0: any free) before anything else starts, so that a mistake is said in one line.

    UserError: it is taken, or there is no such address.
    """
    try:
        family, kind, proto, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        taken = Listener(family, kind, proto)
    except OSError as exc:
        raise HostUnknownError(host, exc.strerror or str(exc)) from exc
    try:
        taken.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        taken.bind(address)
        taken.listen(64)
    except OSError as exc:
        taken.close()
        if exc.errno == errno.EADDRINUSE:
            raise PortTakenError(host, port) from exc
        raise HostUnknownError(host, exc.strerror or str(exc)) from exc
    return taken


class _Server(uvicorn.Server):
    """Ends quietly: uvicorn's own handling sends the signal to the process once more when all is done."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        loop = asyncio.get_running_loop()
        for name in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(name, self.end)
        try:
            yield
        finally:
            for name in (signal.SIGINT, signal.SIGTERM):
                loop.remove_signal_handler(name)

    def end(self) -> None:
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

    Beyond this machine's loopback address, acting takes the operator PIN, unless a `door` decides. `tls` is
    certificate and key, in PEM; `say` takes what the person at the terminal should know. UserError: the port
    is taken, the address isn't this machine's, or the certificate can't be used.
    """
    if tls is not None:
        _check_certificate(*tls)
    with listen(host, port) as bound:
        scheme = "http" if tls is None else "https"
        if door is None and is_loopback(host):
            door = OpenDoor()
        elif door is None:
            operators = Operators(journal_path.parent)
            pin = operators.first_pin()
            door = PinDoor(operators, secure=tls is not None)
            names = own_addresses() if host in ("", "0.0.0.0", "::") else [host]
            urls = [f"{scheme}://{_bracketed(name)}:{bound.getsockname()[1]}" for name in names]
            say(greeting(urls, pin, tls=tls is not None))
        app = create_app(journal_path, host, door, bound.places)
        server = _Server(settings(app.server, tls))
        asyncio.run(_serve(server, bound, scheme if open_browser else None))
    return 0


def settings(server: FastAPI, tls: tuple[Path, Path] | None = None) -> uvicorn.Config:
    """Say how the page is served."""
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


def _check_certificate(certificate: Path, key: Path) -> None:
    try:
        ssl.create_default_context(ssl.Purpose.CLIENT_AUTH).load_cert_chain(certificate, key, password="")
    except ssl.SSLError as exc:
        raise CertificateError(certificate, key, exc.reason or "not a certificate and its key") from exc
    except OSError as exc:
        raise CertificateError(certificate, key, exc.strerror or str(exc)) from exc


def _bracketed(host: str) -> str:
    return f"[{host}]" if ":" in host else host


async def _serve(server: _Server, bound: socket.socket, scheme: str | None) -> None:
    opening: asyncio.Task[Any] | None = None
    if scheme is not None:
        host, port = bound.getsockname()[:2]
        shown = "127.0.0.1" if host in ("0.0.0.0", "::") else _bracketed(host)
        opening = asyncio.create_task(asyncio.to_thread(webbrowser.open, f"{scheme}://{shown}:{port}"))
    await server.serve(sockets=[bound])
    if opening is not None:
        opening.cancel()
