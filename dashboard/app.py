"""The page: a Dash application on a FastAPI server, and what stands before it."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import hashlib
import logging
import signal
import socket
import ssl
import webbrowser
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, Final

import uvicorn
from dash import Dash, register_page
from dash._callback import GLOBAL_CALLBACK_LIST, GLOBAL_CALLBACK_MAP
from dash._pages import PAGE_REGISTRY
from dash.fingerprint import check_fingerprint
from fastapi import FastAPI
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.requests import Request
from starlette.websockets import WebSocket

from dashboard.access import Access, is_loopback
from dashboard.connections import MAX_HEAD, HttpConnection, Listener, Places, SocketConnection
from dashboard.context import Context
from dashboard.door import Door, OpenDoor, PinDoor
from dashboard.first_look import first_look, opening_now
from dashboard.front import Front
from dashboard.guard import on_error
from dashboard.limits import Limits
from dashboard.live.hub import Hub
from dashboard.live.screens import draw
from dashboard.network import greeting, own_addresses
from dashboard.operators import Operators
from dashboard.pages import PAGES
from dashboard.pages.firings import UPLOAD
from dashboard.pages.report import PHOTOS
from dashboard.shell import INDEX, shell
from dashboard.spool import MAX_BYTES
from logger.errors import StokewatchError, UserError
from logger.home import Home
from logger.journal.reader import JournalReader
from logger.recording.health import look
from logger.report.photos import MAX_BYTES as MAX_PHOTO

LARGE: Final = {UPLOAD: MAX_BYTES + (1 << 20), PHOTOS: MAX_PHOTO + (1 << 16)}
"""What may be larger than a request usually is: files. The room itself says more kindly what is too much."""
SUITES: Final = "/_dash-component-suites/"
CLOSING_S: Final = 1
"""Open connections get so long to close at the end. [s]"""


MANIFEST: Final = {
    "name": "Stokewatch",
    "short_name": "Stokewatch",
    "start_url": "/",
    "display": "standalone",
    "background_color": "#f7f5f0",
    "theme_color": "#f7f5f0",
    "icons": [{"src": "/assets/icon.svg", "sizes": "any", "type": "image/svg+xml"}],
}


def _version() -> str:
    """Tell this code from any other: a tablet with another version's document loads it again."""
    digest = hashlib.sha256()
    for path in sorted(Path(__file__).parent.rglob("*")):
        if path.suffix in (".py", ".js", ".css"):
            digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


VERSION: Final = _version()


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


class Page(Dash):
    """The Dash application, with the live link beside it."""

    hub: Hub

    def interpolate_index(self, **kwargs: Any) -> str:
        """Fill the document, with a first look at the fire in it."""
        return opening_now.get().write(str(super().interpolate_index(**kwargs)))


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
    door = door or OpenDoor()
    context = Context(journal_path, door.operator)
    hub = Hub(journal_path, draw, VERSION, first_look)
    server.include_router(door.routes())
    for entry in PAGES:
        if (routes := getattr(entry.load(), "routes", None)) is not None:
            server.include_router(routes(context))
    server.add_exception_handler(UserError, _refuse)
    server.add_exception_handler(StokewatchError, _fail)
    server.add_exception_handler(RequestValidationError, _refuse_form)

    @server.get("/healthz")
    def healthz() -> JSONResponse:
        return health(journal_path)

    @server.get("/manifest.webmanifest")
    def manifest() -> JSONResponse:
        return JSONResponse(MANIFEST, media_type="application/manifest+json")

    @server.websocket("/live")
    async def live(websocket: WebSocket) -> None:
        await hub.serve(websocket)

    app = Page(
        __name__,
        server=server,
        backend="fastapi",
        title="Stokewatch",
        update_title=None,  # type: ignore[arg-type]
        index_string=INDEX.replace("@version@", VERSION),
        assets_folder=str(Path(__file__).parent / "assets"),
        use_pages=True,
        include_pages_meta=False,
        pages_folder="",
        serve_locally=True,
        suppress_callback_exceptions=True,  # else every page's layout goes into the first document
        on_error=on_error,
        add_log_handler=False,
    )
    app.hub = hub
    # The page has a link of its own, which comes back after anything (README): Dash's is one for all tabs.
    app.backend.websocket_capability = False
    app.layout = shell
    app.enable_dev_tools(debug=False, dev_tools_disable_version_check=True)
    _register(app)
    _warm_up(server)
    server.middleware_stack = None  # built by the warm-up; what follows goes around it
    server.add_middleware(Front, context=context, known=app.callback_map, look=hub.first_look)
    server.add_middleware(
        Limits, large=LARGE, knows=door.knows, places=places, is_there=lambda path: _is_there(app, path)
    )
    server.add_middleware(Access, host=host, script_hashes=app.csp_hashes())
    server.state.hub = hub
    return app


_registered: tuple[list[Any], dict[str, Any]] = ([], {})


def _register(app: Page) -> None:
    """Register pages and callbacks, which are global in Dash and go to the first application that asks.

    Every further one of this process (tests make many) gets the same again.
    """
    PAGE_REGISTRY.clear()
    for entry in PAGES:
        register_page(**entry.registering())
    if not _registered[0]:
        _registered[0].extend(GLOBAL_CALLBACK_LIST)
        _registered[1].update(GLOBAL_CALLBACK_MAP)
    GLOBAL_CALLBACK_LIST[:] = [dict(each) for each in _registered[0]]
    GLOBAL_CALLBACK_MAP.clear()
    GLOBAL_CALLBACK_MAP.update({name: dict(each) for name, each in _registered[1].items()})


def _warm_up(server: FastAPI) -> None:
    """Let Dash set itself up now: it knows its callbacks and inline scripts only after a first request."""

    async def ask() -> None:
        scope = {
            "type": "http",
            "asgi": {"version": "3.0"},
            "http_version": "1.1",
            "method": "GET",
            "scheme": "http",
            "path": "/",
            "raw_path": b"/",
            "root_path": "",
            "query_string": b"",
            "headers": [(b"host", b"127.0.0.1")],
            "client": ("127.0.0.1", 1),
            "server": ("127.0.0.1", 80),
        }

        async def receive() -> dict[str, Any]:
            return {"type": "http.request", "body": b"", "more_body": False}

        async def send(message: Any) -> None:
            if message["type"] == "http.response.start" and message["status"] != 200:
                raise RuntimeError(f"Dash answered its first request with {message['status']}")

        await server(scope, receive, send)  # type: ignore[arg-type]

    with ThreadPoolExecutor(1) as pool:  # whoever calls may have a running loop
        pool.submit(asyncio.run, ask()).result()


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
    port : int
        0: any that is free.

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
    tls : (Path, Path), optional
        Certificate and key, in PEM.
    door : Door, optional
        Who may act; else everybody on the loopback address, and beyond it who knows the operator PIN.
    say : callable
        Takes what the person at the terminal should know.

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
