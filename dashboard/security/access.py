"""Check who is talking to the page (the headers Host and Origin), and limit what a browser may load."""

import ipaddress
import re
import socket
from collections.abc import Sequence
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from starlette.websockets import WebSocketClose

from dashboard.security.limits import SAFE

# A name or an address, and a port; anything else in a Host header must not get into a header of ours.
_HOST = re.compile(r"(?P<name>[A-Za-z0-9._-]+|\[[0-9A-Fa-f:.]+\])(?::(?P<port>[0-9]{1,5}))?")
LOOPBACK = frozenset({"localhost", "127.0.0.1", "::1"})
EVERYWHERE = ("", "0.0.0.0", "::")
"""Hosts that mean all of this machine's addresses."""


def host_name(header: str) -> str:
    """Return the name in a Host header: lower case, no port or brackets; empty if the header is malformed."""
    found = _HOST.fullmatch(header)
    return "" if found is None else found["name"].lower().strip("[]")


def is_loopback(host: str) -> bool:
    """Tell whether only this machine can reach a server on this host."""
    name = host.lower().strip("[]")
    return name == "localhost" or (is_address(name) and ipaddress.ip_address(name).is_loopback)


def is_address(name: str) -> bool:
    """Tell whether a name is an IP address."""
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


class Access:
    """Middleware that turns away requests under foreign names or from foreign pages.

    A page elsewhere can make a browser call this server under a name of its own (DNS rebinding), or open a
    websocket to it, but it can't forge the headers Host and Origin. Where `host`, the address listened on,
    means all addresses, any numeric address and this machine's own name are accepted. `script_hashes`, of the
    inline scripts, are in the form of a Content-Security-Policy.
    """

    def __init__(self, app: ASGIApp, host: str, script_hashes: Sequence[str]) -> None:
        self.app = app
        self.names = LOOPBACK | {host.lower().strip("[]")}
        self.everywhere = host in EVERYWHERE
        if self.everywhere:
            own = socket.gethostname().lower()
            self.names |= {own, f"{own}.local"}
        self.scripts = " ".join(("'self'", *script_hashes))

    def allows(self, header: str) -> bool:
        """Tell whether a Host header names this server."""
        name = host_name(header)
        return name in self.names or (self.everywhere and is_address(name))

    def policy(self, header: str) -> str:
        """Write the Content-Security-Policy: load nothing from anywhere else."""
        rules = (
            "default-src 'none'",
            f"script-src {self.scripts}",
            "style-src 'self' 'unsafe-inline'",  # Plotly writes style elements
            "img-src 'self' data: blob:",
            "font-src 'self'",
            "manifest-src 'self'",
            f"connect-src 'self' ws://{header} wss://{header}",  # some browsers don't count ws as 'self'
            "base-uri 'none'",
            "form-action 'none'",
            "frame-ancestors 'none'",
        )
        return "; ".join(rules)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or refuse it."""
        if scope["type"] not in ("http", "websocket"):
            await self.app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        host = headers.get("host", "")
        if scope["type"] == "websocket":
            if self.allows(host) and urlsplit(headers.get("origin", "")).netloc == host:
                await self.app(scope, receive, send)
                return
            await WebSocketClose(4003, "not from this page")(scope, receive, send)
            return
        if (refusal := self._refusal(scope["method"], host, headers)) is not None:
            await refusal(scope, receive, send)
            return

        more = {
            "content-security-policy": self.policy(host),
            "x-content-type-options": "nosniff",
            "referrer-policy": "no-referrer",
            "cross-origin-resource-policy": "same-origin",
        }

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                MutableHeaders(scope=message).update(more)
            await send(message)

        await self.app(scope, receive, send_with_headers)

    def _refusal(self, method: str, host: str, headers: Headers) -> Response | None:
        if not self.allows(host):
            return PlainTextResponse(
                "This page has no such name. Use the address that Stokewatch printed when it started.\n",
                status_code=421,
            )
        if method in SAFE:
            return None
        # Browsers say which page a request comes from; a program that isn't a browser has no session to
        # abuse.
        origin = headers.get("origin")
        other = origin is not None and urlsplit(origin).netloc != host
        if other or headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
            text = "that came from another site; use Stokewatch's own page"
            return JSONResponse({"error": text, "field": None}, status_code=403)
        return None
