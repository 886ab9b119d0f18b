"""How large a request may be, and how many may come: one tablet must not take the page from the others."""

from __future__ import annotations

import ipaddress
import time
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from fastapi import HTTPException
from starlette.datastructures import Headers
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

MAX_BODY: Final = 512 << 10
"""Bytes; a plan with every alarm's settings is 10 kB."""
SAFE: Final = frozenset({"GET", "HEAD", "OPTIONS"})
MAX_ADDRESSES: Final = 1000


@dataclass(frozen=True, slots=True)
class Rate:
    """So many at once, and so many a second for long."""

    burst: float
    per_s: float


LOOKS: Final = Rate(burst=400, per_s=40)
"""Opening the page asks for some ten things; many tablets may stand behind one address."""
ACTS: Final = Rate(burst=60, per_s=6)


class Buckets:
    """A bucket of tokens for each address. Pure: the caller says what time it is.

    Parameters
    ----------
    rate : Rate
    """

    def __init__(self, rate: Rate) -> None:
        self._rate = rate
        self._left: dict[str, tuple[float, float]] = {}

    def take(self, address: str, now_s: float) -> bool:
        """Take a token.

        Parameters
        ----------
        address : str
        now_s : float
            Of a monotonic clock. [s]

        Returns
        -------
        bool
            False where there is none left.
        """
        left, at = self._left.pop(address, (self._rate.burst, now_s))
        left = min(self._rate.burst, left + (now_s - at) * self._rate.per_s)
        enough = left >= 1.0
        self._left[address] = (left - 1.0 if enough else left, now_s)
        if len(self._left) > MAX_ADDRESSES:  # the one that was quiet for longest has a full bucket by now
            del self._left[next(iter(self._left))]
        return enough


class Limits:
    """Middleware that turns away what is too large or too much.

    This machine's own requests aren't counted: who sits at it needs no page to slow it down.

    Parameters
    ----------
    app : ASGIApp
    large : mapping of str to int
        Paths that may take more bytes than others.
    """

    def __init__(self, app: ASGIApp, large: Mapping[str, int]) -> None:
        self.app = app
        self._large = large
        self._looks, self._acts = Buckets(LOOKS), Buckets(ACTS)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or not."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        if not self._may(scope):
            await _answer(429, "too many requests from this address; wait a moment")(scope, receive, send)
            return
        room = self._large.get(scope["path"], MAX_BODY)
        length = Headers(scope=scope).get("content-length", "0")
        if not length.isdigit() or int(length) > room:
            await _answer(413, f"more than {room >> 10} kB; that is no request of this page")(
                scope, receive, send
            )
            return
        taken = 0

        async def receive_within() -> Message:
            nonlocal taken
            message = await receive()
            taken += len(message.get("body", b""))
            if taken > room:  # sent in pieces, without its length
                raise HTTPException(413, _too_large(room))
            return message

        await self.app(scope, receive_within, send)

    def _may(self, scope: Scope) -> bool:
        address = (scope.get("client") or ("",))[0]
        if not _elsewhere(address):
            return True
        buckets = self._looks if scope["method"] in SAFE else self._acts
        return buckets.take(address, time.monotonic())


def _elsewhere(address: str) -> bool:
    try:
        return not ipaddress.ip_address(address).is_loopback
    except ValueError:
        return False


def _too_large(room: int) -> str:
    return f"more than {room >> 10} kB; that is no request of this page"


def _answer(status: int, text: str) -> JSONResponse:
    return JSONResponse({"error": text, "field": None}, status_code=status)
