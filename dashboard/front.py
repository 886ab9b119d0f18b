"""In front of Dash: which page is asked for, which bodies are calls, and static files that browsers keep."""

import gzip
import json
from collections.abc import Awaitable, Callable, Mapping
from typing import Any, Final

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from dashboard.context import Context, current
from dashboard.live.messages import Wish
from dashboard.standing import for_both, opening_now, wish_of

CALLBACKS: Final = "/_dash-update-component"
STATIC: Final = ("/_dash-component-suites/", "/assets/")
KEEP: Final = "public, max-age=31536000, immutable"
PACKED: Final = ("javascript", "css", "json", "svg")
MAX_KEPT: Final = 200
"""How many static files are kept compressed; Dash and its components have fewer."""

Known = Mapping[str, Mapping[str, Any]]


def is_callback(raw: bytes, content_type: str, known: Known) -> bool:
    """Tell whether a body names a callback of `app.callback_map` with that callback's inputs and outputs.

    Dash trips over anything else and answers 500. The map is complete only after Dash's first request.
    Checking the values is up to each callback.
    """
    try:
        body = json.loads(raw)
        callback = known[body["output"]]
        fits = [
            isinstance(given, list) or given["property"] == wanted["property"]
            for part in ("inputs", "state")
            for given, wanted in zip(body.get(part, []), callback[part], strict=True)
        ]
        outputs, wanted = body.get("outputs", []), callback["output"]
        if not isinstance(wanted, list | tuple):  # one output, which is a list too where it is a pattern
            outputs, wanted = [outputs], [wanted]
        same = [
            isinstance(given, list) or given["property"].split("@")[0] == own.component_property
            for given, own in zip(outputs, wanted, strict=True)
        ]
        changed = all(isinstance(name, str) for name in body["changedPropIds"])
        return content_type.startswith("application/json") and all(fits) and all(same) and changed
    except (ValueError, KeyError, TypeError, IndexError, AttributeError, RecursionError):
        return False


class Front:
    """Middleware: sets which page is asked for, and keeps static files compressed."""

    def __init__(self, app: ASGIApp, context: Context, look: Callable[[Wish], Awaitable[str]]) -> None:
        self.app = app
        self._context, self._look = context, look
        self._kept: dict[tuple[str, bytes], tuple[bytes, str]] = {}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve a static file, or pass the request on."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        current.set(self._context)
        path = scope["path"]
        if path.startswith(STATIC) and scope["method"] == "GET":
            await self._file(scope, receive, send)
            return
        wish = wish_of(Request(scope).cookies.get("look", ""))
        look = await self._look(wish) if path == "/" and scope["method"] == "GET" else ""
        opening_now.set((wish, look))
        await self.app(scope, receive, send)

    async def _file(self, scope: Scope, receive: Receive, send: Send) -> None:
        # An address with a version or a modification time always means the same content.
        key, path = (scope["path"], scope["query_string"]), scope["path"]
        if key in self._kept:
            content, media_type = self._kept[key]
        else:
            status, media_type, content = await _whole(self.app, scope, receive)
            if status != 200 or "html" in media_type:
                # For a file that doesn't exist, Dash fails, or takes the path for that of a page.
                await Response("there is nothing at this address", 404)(scope, receive, send)
                return
            if path.startswith("/assets/") and "css" in media_type:
                content = for_both(content.decode()).encode()
            if any(kind in media_type for kind in PACKED):
                content = gzip.compress(content, 6, mtime=0)
            if len(self._kept) < MAX_KEPT:
                self._kept[key] = content, media_type
        named = scope["query_string"] or ".v" in path or path.endswith(".woff2")
        headers = {"cache-control": KEEP if named else "no-cache", "vary": "accept-encoding"}
        if any(kind in media_type for kind in PACKED):
            if "gzip" in Headers(scope=scope).get("accept-encoding", ""):
                headers["content-encoding"] = "gzip"
            else:
                content = gzip.decompress(content)
        await Response(content, media_type=media_type, headers=headers)(scope, receive, send)


async def _whole(app: ASGIApp, scope: Scope, receive: Receive) -> tuple[int, str, bytes]:
    """Ask for a file uncompressed; return status, media type and content."""
    plain = {**scope, "headers": [(k, v) for k, v in scope["headers"] if k != b"accept-encoding"]}
    status, media_type, parts = 500, "application/octet-stream", []

    async def take(message: Message) -> None:
        nonlocal status, media_type
        if message["type"] == "http.response.start":
            status = message["status"]
            media_type = MutableHeaders(raw=message["headers"]).get("content-type", media_type)
        elif message["type"] == "http.response.body":
            parts.append(message.get("body", b""))

    await app(plain, receive, take)
    return status, media_type, b"".join(parts)
