"""The page: a Dash page on a FastAPI server, with a few endpoints for each of its rooms."""

from __future__ import annotations

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
from types import ModuleType
from typing import Any, Final

import uvicorn
from dash.fingerprint import check_fingerprint
from fastapi import FastAPI
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.requests import Request
from starlette.websockets import WebSocket

from dashboard import acts
from dashboard.access import Access, is_loopback
from dashboard.connections import MAX_HEAD, HttpConnection, Listener, Places, SocketConnection
from dashboard.context import Context
from dashboard.door import Door, OpenDoor, PinDoor
from dashboard.feed import Feed
from dashboard.files import Page
from dashboard.layout import INDEX, page
from dashboard.limits import Limits
from dashboard.network import greeting, own_addresses
from dashboard.operators import Operators
from dashboard.pages import archive, compare, prepare, replay, report
from dashboard.spool import MAX_BYTES
from logger.errors import StokewatchError, UserError
from logger.health import look
from logger.home import Home
from logger.journal.reader import JournalReader

ROOMS: Final[tuple[ModuleType, ...]] = (prepare, archive, replay, compare, report)
"""The modules of `dashboard.pages`, in the order of the page; the fire itself is in `dashboard.layout`."""
LARGE: Final = {"/api/archive/upload": MAX_BYTES + (1 << 20)}
"""What may be larger than a request usually is: files. The room itself says more kindly what is too much."""
SUITES: Final = "/_dash-component-suites/"
CLOSING_S: Final = 1
"""Open connections get so long to close at the end. [s]"""


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


def create_app(
    journal_path: Path,
    host: str = "127.0.0.1",
    door: Door | None = None,
    places: Places | None = None,
) -> Page:
    """Make the page.

    Parameters
    ----------
    journal_path : Path
        The journal; it need not exist yet.
    host : str, default '127.0.0.1'
        The address that it will listen on.
    door : Door, optional
        Who may act; everybody if left out.
    places : Places, optional
        Of the server's connections: learns operators' addresses.

    Returns
    -------
    Page
        `app.server` is the FastAPI application.
    """
    # FastAPI's own documentation pages load scripts from the internet.
    server = FastAPI(docs_url=None, redoc_url=None, openapi_url=None)
    feed = Feed(journal_path)
    door = door or OpenDoor()
    context = Context(journal_path, door.operator)
    server.include_router(door.routes())
    server.include_router(acts.routes(context))
    for room in ROOMS:
        server.include_router(room.routes(context))
    server.add_exception_handler(UserError, _refuse)
    server.add_exception_handler(StokewatchError, _fail)
    server.add_exception_handler(RequestValidationError, _refuse_form)

    @server.get("/healthz")
    def healthz() -> JSONResponse:
        return health(journal_path)

    @server.post("/_dash-update-component", status_code=404)
    def no_callbacks() -> None:
        """Keep Dash's own endpoint closed: no room has a callback, and it answers nonsense with a crash."""

    @server.websocket("/feed")
    async def serve_feed(websocket: WebSocket) -> None:
        await feed.serve(websocket)

    app = Page(
        __name__,
        server=server,
        backend="fastapi",
        title="Stokewatch",
        update_title=None,  # type: ignore[arg-type]
        index_string=INDEX,
        assets_folder=str(Path(__file__).parent / "assets"),
        include_assets_files=False,  # they are in `app.files`
        serve_locally=True,
        add_log_handler=False,
    )
    # The page has a feed of its own: without this, each tablet keeps a second, idle socket.
    app.backend.websocket_capability = False
    app.layout = page([room.layout() for room in ROOMS])
    app.enable_dev_tools(debug=False, dev_tools_disable_version_check=True)
    server.include_router(app.files())
    server.add_middleware(
        Limits, large=LARGE, knows=door.knows, places=places, is_there=lambda path: _is_there(app, path)
    )
    server.add_middleware(Access, host=host, script_hashes=app.csp_hashes())
    server.state.feed = feed
    return app


def _is_there(app: Page, path: str) -> bool:
    """Tell whether Dash knows a file of a component library; it fails at what it doesn't know."""
    if not path.startswith(SUITES):
        return True
    package, _, rest = path.removeprefix(SUITES).partition("/")
    try:
        return check_fingerprint(rest)[0] in app.registered_paths.get(package, ())
    except (IndexError, ValueError):  # dots where it expects a name
        return False


async def _refuse(request: Request, exc: Exception) -> JSONResponse:
    """Say a mistake in what was given, and beside which field it belongs."""
    return JSONResponse({"error": str(exc), "field": getattr(exc, "field", None)}, status_code=422)


async def _fail(request: Request, exc: Exception) -> JSONResponse:
    """Say a failure that is nobody's mistake: no journal yet, a disk that takes nothing."""
    return JSONResponse({"error": str(exc), "field": None}, status_code=503)


async def _refuse_form(request: Request, exc: Exception) -> JSONResponse:
    assert isinstance(exc, RequestValidationError)
    first = exc.errors()[0]
    field = ".".join(str(part) for part in first["loc"][1:])
    return JSONResponse({"error": f"{field}: {first['msg']}", "field": field or None}, status_code=422)


def health(journal_path: Path) -> JSONResponse:
    """Say whether the journal can be read.

    Parameters
    ----------
    journal_path : Path

    Returns
    -------
    JSONResponse
        200 while the journal can be read, though `ok` is false where the logger can't record; else 503. A
        journal that isn't there yet is no fault.
    """
    running, beat = None, None
    there = journal_path.exists()
    try:
        if there:
            with contextlib.closing(JournalReader(journal_path)) as reader:
                running, beat = reader.running(), reader.heartbeat()
    except (StokewatchError, OSError) as exc:
        return JSONResponse({"ok": False, "why": str(exc)}, status_code=503)
    health = look(Home(journal_path.parent), str((beat or {}).get("trouble", "")))
    told = {
        "ok": health.recording or not health.running,
        "journal": "read" if there else "none yet",
        "firing": running.id if running else None,
        "logger": {
            "running": health.running,
            "recording": health.recording,
            "trouble": health.trouble,
            "disk_free_mb": health.disk_free_mb,
        },
    }
    return JSONResponse(told if told["ok"] else {**told, "why": health.trouble})


def listen(host: str, port: int) -> Listener:
    """Take the port before anything else starts, so that a mistake is said in one line.

    Parameters
    ----------
    host : str
    port : int
        0: any that is free.

    Returns
    -------
    Listener

    Raises
    ------
    UserError
        It is taken, or there is no such address.
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

    Beyond this machine's loopback address, who wants to act needs the operator PIN.

    Parameters
    ----------
    journal_path : Path
    host : str
    port : int
    open_browser : bool
    tls : (Path, Path), optional
        Certificate and key, in PEM.
    door : Door, optional
        Who may act; else everybody on the loopback address, and beyond it who knows the operator PIN.
    say : callable
        Takes what the person at the terminal should know.

    Returns
    -------
    int
        0.

    Raises
    ------
    UserError
        The port is taken, the address isn't this machine's, or the certificate can't be used.
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
    """Say how the page is served.

    Parameters
    ----------
    server : FastAPI
    tls : (Path, Path), optional
        Certificate and key.

    Returns
    -------
    uvicorn.Config
    """
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
