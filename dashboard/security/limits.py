"""Limit the size, form and number of requests, so that nobody can hog the page."""

import asyncio
import time
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any, Final

import anyio
import orjson
from fastapi import HTTPException
from starlette.datastructures import Headers
from starlette.requests import HTTPConnection
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from starlette.websockets import WebSocketClose

from dashboard.context import Share, asker
from dashboard.security import connections
from dashboard.security.connections import Places
from dashboard.security.door import Door

MAX_BODY: Final = 512 << 10
"""Bytes; a plan with every alarm's settings is 10 kB."""
SAFE: Final = frozenset({"GET", "HEAD", "OPTIONS"})
MAX_ADDRESSES: Final = 1000
MAX_DEPTH: Final = 64
"""How deep a request may be nested; the description of a chart has about fifteen levels."""
MAX_PATH: Final = 4096
"""The longest path with its query [bytes]."""
BODY_S: Final = 30.0
"""Some part of a body must arrive within this [s]."""
SLOWEST: Final = 20_000.0
"""The slowest a body may arrive on average, after the first `BODY_S` [bytes/s]."""
MAX_TABLETS: Final = 64
"""How many websockets there may be."""
TABLETS_EACH: Final = 16
"""How many of them from one watcher's address."""
TABLETS_RESERVE: Final = 16
"""How many are kept for operators and this machine."""

SLOW: Final = (
    "the upload was too slow; get a better signal, or use `stokewatch import` on the logger's computer"
)


LOOKS: Final = 400.0, 40.0
"""How many at once, and how many a second in the long run. Opening the page takes about ten requests."""
ACTS: Final = 60.0, 6.0
WORDS: Final = 200.0, 20.0
"""Messages from one websocket."""


class Buckets:
    """A token bucket for each address. Pure: the caller supplies the time."""

    def __init__(self, burst: float, per_s: float) -> None:
        self._burst, self._per_s = burst, per_s
        self._left: dict[str, tuple[float, float]] = {}

    def take(self, address: str, now_s: float) -> bool:
        """Take a token, if there is one."""
        left, at = self._left.pop(address, (self._burst, now_s))
        left = min(self._burst, left + (now_s - at) * self._per_s)
        enough = left >= 1.0
        self._left[address] = (left - 1.0 if enough else left, now_s)
        if len(self._left) > MAX_ADDRESSES:  # the one that has been quiet longest has the fullest bucket
            del self._left[next(iter(self._left))]
        return enough


class Limits:
    """Middleware that turns away requests that are too large, too many or malformed.

    This covers every endpoint, Dash's callbacks included: before anything else sees a small body it has
    arrived whole, and JSON has been checked for NaN, half characters and endless nesting. When whoever asked
    goes away, the work is cancelled. Requests from this machine aren't counted: whoever is at it needs no
    page to slow it down.

    `large` has the paths that take more bytes than the others; those bodies are passed through as they
    arrive. `door` knows operators, `places` learns their addresses, and `fits` tells whether a body of a
    content type can be meant for a path.
    """

    def __init__(
        self,
        app: ASGIApp,
        large: Mapping[str, int],
        door: Door,
        places: Places,
        fits: Callable[[str, bytes, str], bool],
    ) -> None:
        self.app = app
        self._large, self._door, self._places, self._fits = large, door, places, fits
        self._looks, self._acts = Buckets(*LOOKS), Buckets(*ACTS)
        self._tablets = Share(MAX_TABLETS, TABLETS_EACH, TABLETS_RESERVE)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or refuse it."""
        if scope["type"] not in ("http", "websocket"):
            await self.app(scope, receive, send)
            return
        address = (scope.get("client") or ("",))[0]
        found = self._door.asks(HTTPConnection(scope))
        if found.who is not None:
            self._places.welcome(address)
        asker.set(replace(found, address=connections.who_is(address), trusted=self._places.knows(address)))
        if scope["type"] == "websocket":
            await self._socket(scope, receive, send)
            return
        try:
            given = _within(receive, self._admit(scope))
            body = None if scope["path"] in self._large else await _whole(given)
            kind = Headers(scope=scope).get("content-type", "")
            if body and "json" in kind:
                check_json(body)
            if not self._fits(scope["path"], body or b"", kind):
                raise HTTPException(400, "the page makes no such request")
        except HTTPException as exc:
            answer = JSONResponse({"error": exc.detail, "field": None}, status_code=exc.status_code)
            await answer(scope, receive, send)
            return
        if body is None:
            await self.app(scope, given, send)
        else:
            await self._while_there(scope, body, receive, send)

    def _admit(self, scope: Scope) -> int:
        """Return how many bytes a request may have, or raise HTTPException."""
        who, buckets = asker.get().address, self._looks if scope["method"] in SAFE else self._acts
        if who and not buckets.take(who, time.monotonic()):
            raise HTTPException(429, "too many requests from this address; wait a moment")
        if len(scope.get("raw_path") or b"") + len(scope.get("query_string", b"")) > MAX_PATH:
            raise HTTPException(414, "the address is longer than any on this page")
        room = self._large.get(scope["path"], MAX_BODY)
        length = Headers(scope=scope).get("content-length", "0")
        if not (length.isascii() and length.isdigit() and len(length) < 16) or int(length) > room:
            raise HTTPException(413, _too_large(room))
        return room

    async def _while_there(self, scope: Scope, body: bytes, receive: Receive, send: Send) -> None:
        """Run the application until it has answered, or nobody is waiting for the answer any more."""
        given = [{"type": "http.request", "body": body, "more_body": False}]

        async def receive_again() -> Message:
            if not given:  # nothing more will come; waiting for it ends when cancelled
                await asyncio.get_running_loop().create_future()
            return given.pop()

        async def watch() -> None:
            while (await receive())["type"] != "http.disconnect":
                pass
            there.cancel()

        with anyio.CancelScope() as there:
            watching = asyncio.create_task(watch())
            try:
                await self.app(scope, receive_again, send)
            finally:
                watching.cancel()

    async def _socket(self, scope: Scope, receive: Receive, send: Send) -> None:
        if (place := self._tablets.take()) is None:
            await WebSocketClose(1013, "too many tablets")(scope, receive, send)
            return
        words = Buckets(*WORDS)

        async def receive_some() -> Message:
            message = await receive()
            if message["type"] == "websocket.receive" and not words.take("", time.monotonic()):
                await WebSocketClose(1008, "too many messages")(scope, receive, send)
                return {"type": "websocket.disconnect", "code": 1008}
            return message

        with place:
            await self.app(scope, receive_some, send)


def check_json(text: bytes) -> None:
    """Refuse JSON that could trip something up further in: HTTPException 422 says what is wrong, and where.

    That is NaN, infinity (also numbers too large for a double), half characters, broken UTF-8, and nesting
    deeper than `MAX_DEPTH`.
    """
    try:
        found = orjson.loads(text)
    except orjson.JSONDecodeError as exc:
        raise HTTPException(422, f"that isn't valid JSON: {exc}") from exc
    level = [found]
    for _ in range(MAX_DEPTH):
        level = [part for whole in level for part in _parts(whole)]
        if not level:
            return
    raise HTTPException(422, f"nested deeper than {MAX_DEPTH}; the page makes no such request")


def _parts(whole: Any) -> list[Any]:
    parts = whole.values() if isinstance(whole, dict) else whole if isinstance(whole, list) else ()
    return [part for part in parts if isinstance(part, dict | list)]


async def _whole(receive: Receive) -> bytes:
    parts = bytearray()
    while (message := await receive())["type"] != "http.disconnect":
        parts += message.get("body", b"")
        if not message.get("more_body", False):
            break
    return bytes(parts)


def _within(receive: Receive, room: int) -> Receive:
    """Pass a body through as it arrives, refusing one that is too large or too slow."""
    taken, began_s, whole = 0, time.monotonic(), False

    async def receive_within() -> Message:
        nonlocal taken, whole
        if whole:
            return await receive()
        left_s = began_s + BODY_S + taken / SLOWEST - time.monotonic()
        try:
            async with asyncio.timeout(min(BODY_S, left_s)):
                message = await receive()
        except TimeoutError:
            raise HTTPException(408, SLOW) from None
        taken += len(message.get("body", b""))
        whole = not message.get("more_body", False)
        if taken > room:  # sent in pieces, with no length given
            raise HTTPException(413, _too_large(room))
        return message

    return receive_within


def _too_large(room: int) -> str:
    return f"the request is larger than {room >> 10} kB, the most this page accepts"
