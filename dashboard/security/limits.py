"""Limit the size, form and number of requests, so that nobody can hog the page."""

import asyncio
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

import anyio
import orjson
from fastapi import HTTPException
from starlette.datastructures import Headers
from starlette.requests import HTTPConnection
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from dashboard.asker import Asker, Share, asker
from dashboard.security import connections
from dashboard.security.connections import Places

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


@dataclass(frozen=True, slots=True)
class Rate:
    """How many at once, and how many a second in the long run."""

    burst: float
    per_s: float


LOOKS: Final = Rate(burst=400, per_s=40)
"""Opening the page takes about ten requests, and many tablets may share one address."""
ACTS: Final = Rate(burst=60, per_s=6)
WORDS: Final = Rate(burst=200, per_s=20)
"""Messages from one websocket."""


class Buckets:
    """A token bucket for each address. Pure: the caller supplies the time."""

    def __init__(self, rate: Rate) -> None:
        self._rate = rate
        self._left: dict[str, tuple[float, float]] = {}

    def take(self, address: str, now_s: float) -> bool:
        """Take a token, if there is one."""
        left, at = self._left.pop(address, (self._rate.burst, now_s))
        left = min(self._rate.burst, left + (now_s - at) * self._rate.per_s)
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
    arrive. `knows` tells whether a connection is an operator's, `places` learns their addresses, and `fits`
    tells whether a body of a content type can be meant for a path.
    """

    def __init__(
        self,
        app: ASGIApp,
        large: Mapping[str, int],
        knows: Callable[[HTTPConnection], bool] = lambda connection: False,
        places: Places | None = None,
        fits: Callable[[str, bytes, str], bool] = lambda path, body, kind: True,
    ) -> None:
        self.app = app
        self._large = large
        self._knows = knows
        self._places = Places() if places is None else places
        self._fits = fits
        self._looks, self._acts = Buckets(LOOKS), Buckets(ACTS)
        self._tablets = Share(MAX_TABLETS, TABLETS_EACH, TABLETS_RESERVE)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or refuse it."""
        if scope["type"] not in ("http", "websocket"):
            await self.app(scope, receive, send)
            return
        address = (scope.get("client") or ("",))[0]
        known = self._places.knows(address)
        if not known and "cookie" in Headers(scope=scope) and self._knows(HTTPConnection(scope)):
            self._places.welcome(address)
            known = True
        asker.set(Asker(connections.who_is(address), known))
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
        who, buckets = asker.get().who, self._looks if scope["method"] in SAFE else self._acts
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
        given = iter([{"type": "http.request", "body": body, "more_body": False}])

        async def receive_again() -> Message:
            for message in given:
                return message
            return (
                await asyncio.get_running_loop().create_future()
            )  # nothing more will come; waiting for it ends when cancelled

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
            await receive()
            await send({"type": "websocket.close", "code": 1013, "reason": "too many tablets"})
            return
        words = Buckets(WORDS)

        async def receive_some() -> Message:
            message = await receive()
            if message["type"] == "websocket.receive":
                text = message.get("text")
                if not words.take("", time.monotonic()) or (text is not None and not is_sound(text.encode())):
                    await send(
                        {
                            "type": "websocket.close",
                            "code": 1008,
                            "reason": "too many messages, or malformed JSON",
                        }
                    )
                    return {"type": "websocket.disconnect", "code": 1008}
            return message

        with place:
            await self.app(scope, receive_some, send)


def is_sound(text: bytes) -> bool:
    """Tell whether bytes are JSON that can trip nothing up further in.

    Not so are NaN, infinity (also numbers too large for a double), half characters, broken UTF-8, and nesting
    deeper than `MAX_DEPTH`.
    """
    try:
        check_json(text)
    except HTTPException:
        return False
    return True


def check_json(text: bytes) -> None:
    """Refuse what isn't sound (see `is_sound`): HTTPException 422 says what is wrong, and where."""
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
