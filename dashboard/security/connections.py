"""Limit connections to the page: how many, from whom, and how long one may send or read nothing."""

import asyncio
import contextlib
import ipaddress
import socket
from collections import Counter
from typing import Any, Final

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol
from uvicorn.protocols.websockets.websockets_sansio_impl import WebSocketsSansIOProtocol

MOST: Final = 256
"""How many connections there may be."""
EACH: Final = 64
"""How many of them from one address, not counting this machine. A browser keeps about six open."""
RESERVE: Final = 64
"""How many are kept for operators' addresses and this machine."""
KNOWN: Final = 64
"""How many operators' addresses are remembered."""
MAX_HEAD: Final = 32 << 10
"""The longest request line with headers [bytes]; a browser sends one or two kB."""
HEAD_S: Final = 10.0
"""How long a request's line and headers may take to arrive [s]."""
STALL_S: Final = 30.0
"""How long an answer may stay unread [s]."""


def who_is(address: str) -> str:
    """Return what an address counts as; empty for this machine itself.

    For IPv6 that is the first 64 bits: one device has all the rest to itself (RFC 4291, section 2.5.1).
    """
    try:
        found = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return ""  # not a network address: a socket on this machine
    if isinstance(found, ipaddress.IPv6Address):
        if found.ipv4_mapped is None:
            return "" if found.is_loopback else str(ipaddress.ip_network((found, 64), strict=False))
        found = found.ipv4_mapped
    return "" if found.is_loopback else str(found)


class Places:
    """Who holds how many connections. Does no I/O.

    The greediest address gives way to one with fewer, so nobody can keep others out by taking everything. In
    case very many addresses do, `reserve` places are kept free for operators.
    """

    def __init__(self, most: int = MOST, each: int = EACH, reserve: int = RESERVE) -> None:
        self._most, self._each, self._reserve = most, each, reserve
        self._held: dict[Any, str] = {}  # by connection: whose it is; oldest first
        self._known: dict[str, None] = {}  # oldest first

    def __len__(self) -> int:
        return len(self._held)

    def welcome(self, address: str) -> None:
        """Remember an address as an operator's."""
        who = who_is(address)
        self._known.pop(who, None)
        self._known[who] = None
        if len(self._known) > KNOWN:
            del self._known[next(iter(self._known))]

    def knows(self, address: str) -> bool:
        """Tell whether an address is an operator's or this machine's own."""
        who = who_is(address)
        return not who or who in self._known

    def enter(self, address: str, connection: Any) -> tuple[bool, Any]:
        """Take a place, if there is one; return whether there was, and the connection that must give way."""
        who, trusted = who_is(address), self.knows(address)
        count = Counter(self._held.values())
        if who and count[who] >= self._each:
            return False, None
        evicted = None
        if len(self) >= (self._most if trusted else self._most - self._reserve):
            strangers = [other for other in count if other and other not in self._known]
            greediest = max(strangers, key=count.__getitem__, default=None)
            if greediest is None or (count[greediest] <= count[who] + 1 and not trusted):
                return False, None
            evicted = next(held for held, owner in self._held.items() if owner == greediest)
            self.leave(evicted)
        self._held[connection] = who
        return True, evicted

    def leave(self, connection: Any) -> None:
        """Free a connection's place, if it still has one."""
        self._held.pop(connection, None)


class Accepted(socket.socket):
    """A connection that gives its place back when it is closed."""

    places: Places | None = None

    def close(self) -> None:
        """Close it."""
        if self.places is not None:
            self.places.leave(self)
        super().close()


class Listener(socket.socket):
    """A listening socket that keeps to `Places`."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.places = Places()

    def accept(self) -> tuple[socket.socket, Any]:
        """Accept the next connection there is a place for; others are closed at once."""
        while True:
            handle, address = self._accept()  # type: ignore[attr-defined]
            found = Accepted(self.family, self.type, self.proto, fileno=handle)
            has_place, evicted = self.places.enter(address[0], found)
            if not has_place:
                found.close()
                continue
            found.places = self.places
            if evicted is not None:
                with contextlib.suppress(OSError):
                    evicted.shutdown(socket.SHUT_RDWR)
            if hasattr(socket, "TCP_USER_TIMEOUT"):  # holds even for what a closed connection has yet to send
                found.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, round(STALL_S * 1000))
            return found, address


class _Ends:
    """Ends a connection whose other end is late, or reads nothing for `STALL_S`."""

    transport: asyncio.Transport
    _late: asyncio.TimerHandle | None = None
    _stalled: asyncio.TimerHandle | None = None

    def _end_after(self, seconds: float) -> asyncio.TimerHandle:
        return asyncio.get_running_loop().call_later(seconds, self.transport.abort)

    def pause_writing(self) -> None:
        super().pause_writing()  # type: ignore[misc]
        self._stalled = self._end_after(STALL_S)

    def resume_writing(self) -> None:
        if self._stalled is not None:
            self._stalled.cancel()
        super().resume_writing()  # type: ignore[misc]

    def connection_lost(self, exc: Exception | None) -> None:
        for timer in (self._late, self._stalled):
            if timer is not None:
                timer.cancel()
        super().connection_lost(exc)  # type: ignore[misc]


class HttpConnection(_Ends, H11Protocol):
    """An HTTP connection: its request must arrive in time, and its answer must be read.

    h11 itself refuses a head of more than `MAX_HEAD` bytes (uvicorn's `h11_max_incomplete_event_size`).
    """

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Wait for the first request."""
        super().connection_made(transport)
        self._wait()

    def data_received(self, data: bytes) -> None:
        """Take what arrived; a request's head has `HEAD_S` from its first byte to its last."""
        if self._late is None and self.conn.their_state is h11.IDLE:
            self._wait()
        super().data_received(data)
        if self.conn.their_state is not h11.IDLE:
            self._came()

    def on_response_complete(self) -> None:
        """End the connection if the other side is still sending a body that nobody wants."""
        super().on_response_complete()
        if self.conn.their_state is h11.SEND_BODY:
            self._wait()

    def _wait(self) -> None:
        self._came()
        self._late = self._end_after(HEAD_S)

    def _came(self) -> None:
        if self._late is not None:
            self._late.cancel()
            self._late = None


class SocketConnection(_Ends, WebSocketsSansIOProtocol):
    """A websocket: what is sent to it must be read."""
