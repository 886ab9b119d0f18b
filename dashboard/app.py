"""The page: a Dash application on a FastAPI server, and the middleware in front of it."""

import asyncio
import contextlib
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

from dash import Dash, register_page
from dash._callback import GLOBAL_CALLBACK_LIST, GLOBAL_CALLBACK_MAP
from dash._pages import PAGE_REGISTRY
from fastapi import FastAPI
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.requests import Request

from dashboard.context import Context
from dashboard.front import CALLBACKS, Front, is_callback
from dashboard.live.hub import Hub
from dashboard.pages import PAGES, modules
from dashboard.pages.firings import UPLOAD
from dashboard.pages.report import PHOTOS
from dashboard.security.access import Access
from dashboard.security.connections import Places
from dashboard.security.door import Door
from dashboard.security.guard import on_error
from dashboard.security.limits import Limits
from dashboard.shell import INDEX, shell
from dashboard.standing import first_look, opened
from dashboard.stored.exports import Exports
from dashboard.work.gathering import Gathering, version_of
from dashboard.work.spool import MAX_BYTES
from logger.errors import StokewatchError, UserError
from logger.home import Home
from logger.journal.reader import JournalReader
from logger.recording.health import look
from logger.report.photos import MAX_BYTES as MAX_PHOTO

LARGE: Final = {UPLOAD: MAX_BYTES + (1 << 20), PHOTOS: MAX_PHOTO + (1 << 16)}
"""Paths that take files may take larger requests; what handles the files refuses them in better words."""


VERSION: Final = version_of(Path(__file__).parent, ".py", ".js", ".css")[:16]
"""A tablet whose document is of another version reloads."""


class Page(Dash):
    """The Dash application and its live link."""

    hub: Hub

    def interpolate_index(self, **kwargs: Any) -> str:
        """Fill in the document, including a first look at the fire."""
        return opened(str(super().interpolate_index(**kwargs)))


def create_app(
    journal_path: Path,
    host: str = "127.0.0.1",
    door: Door | None = None,
    places: Places | None = None,
) -> Page:
    """Make the page; `app.server` is the FastAPI application.

    The journal need not exist yet. Without a `door` anyone may act; `places` learns the operators' addresses.
    """
    # FastAPI's own documentation pages load scripts from the internet.
    server = FastAPI(docs_url=None, redoc_url=None, openapi_url=None)
    door = door or Door()
    context = Context(journal_path, Gathering(journal_path), Exports(journal_path))
    hub = Hub(journal_path, VERSION, first_look)
    server.include_router(door.routes())
    for page in modules().values():
        if (routes := getattr(page, "routes", None)) is not None:
            server.include_router(routes(context))
    server.add_exception_handler(StokewatchError, _refuse)
    server.add_exception_handler(RequestValidationError, _refuse_form)

    @server.get("/healthz")
    def healthz() -> JSONResponse:
        return health(journal_path)

    server.add_api_websocket_route("/live", hub.serve)

    app = Page(
        __name__,
        server=server,
        backend="fastapi",
        title="Stokewatch",
        update_title=None,  # type: ignore[arg-type]
        index_string=INDEX.replace("@version@", VERSION),
        assets_folder=str(Path(__file__).parent / "assets"),
        assets_ignore="plotly",  # 10_live.js: the numbers don't wait for it
        use_pages=True,
        include_pages_meta=False,
        pages_folder="",
        serve_locally=True,
        suppress_callback_exceptions=True,  # or the first document would hold every page's layout
        on_error=on_error,
        add_log_handler=False,
    )
    app.hub = hub
    # The page has its own link, one for each tab, which recovers from anything (README); all tabs share
    # Dash's.
    app.backend.websocket_capability = False
    app.layout = shell
    app.enable_dev_tools(debug=False, dev_tools_disable_version_check=True)
    _register(app)
    _warm_up(app)
    server.add_middleware(Front, context=context, look=hub.first_look)
    server.add_middleware(
        Limits,
        large=LARGE,
        door=door,
        places=Places() if places is None else places,
        fits=lambda path, body, kind: path != CALLBACKS or is_callback(body, kind, app.callback_map),
    )
    server.add_middleware(Access, host=host, script_hashes=app.csp_hashes())
    return app


_registered: tuple[list[Any], dict[str, Any]] = ([], {})


def _register(app: Page) -> None:
    """Register pages and callbacks; Dash keeps them globally, and only for the first application to ask."""
    PAGE_REGISTRY.clear()
    for name, module in modules().items():
        title, path = PAGES[name]
        where = {"path_template" if "<" in path else "path": path}
        register_page(module.__name__, title=title, layout=module.layout, **where)
    if not _registered[0]:
        _registered[0].extend(GLOBAL_CALLBACK_LIST)
        _registered[1].update(GLOBAL_CALLBACK_MAP)
    GLOBAL_CALLBACK_LIST[:] = [dict(each) for each in _registered[0]]
    GLOBAL_CALLBACK_MAP.clear()
    GLOBAL_CALLBACK_MAP.update({name: dict(each) for name, each in _registered[1].items()})


def _warm_up(app: Page) -> None:
    """Let Dash set itself up now; otherwise it learns its callbacks and scripts only at the first request."""

    async def prepare() -> None:
        for each in app.backend._before_request_funcs:
            if (more := each()) is not None:
                await more

    with ThreadPoolExecutor(1) as pool:  # the caller may have a running loop
        pool.submit(asyncio.run, prepare()).result()


async def _refuse(request: Request, exc: Exception) -> JSONResponse:
    """Report a mistake in what was given and its field (422), or a failure that is nobody's mistake (503)."""
    told = {"error": str(exc), "field": getattr(exc, "field", None)}
    return JSONResponse(told, 422 if isinstance(exc, UserError) else 503)


async def _refuse_form(request: Request, exc: Exception) -> JSONResponse:
    assert isinstance(exc, RequestValidationError)
    first = exc.errors()[0]
    field = ".".join(str(part) for part in first["loc"][1:])
    return JSONResponse({"error": f"{field}: {first['msg']}", "field": field or None}, status_code=422)


def health(journal_path: Path) -> JSONResponse:
    """Answer 200 unless a journal is there and can't be read (503); `ok`: a running logger is recording."""
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
        "logger": asdict(health),
    }
    return JSONResponse(told if told["ok"] else {**told, "why": health.trouble})
