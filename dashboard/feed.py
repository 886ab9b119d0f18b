"""One look at the journal for all tablets: small numbered updates to each, and a snapshot to who asks."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import orjson
from starlette.websockets import WebSocket, WebSocketDisconnect

from dashboard.watch import Message, Watcher

LOOK_S: Final = 0.1
"""A look at a journal that hasn't changed costs next to nothing. [s]"""
PULSE_S: Final = 0.75
"""Something is sent at least this often: a tablet that hears nothing for 2.5 s knows the link is gone."""
BACKLOG: Final = 32
"""Messages that wait for a slow tablet; with more it gets a new snapshot instead of each of them."""
WINDOWS_S: Final = (600, 1800)
"""Windows that may be asked for, besides the whole firing. [s]"""
MAX_WISH: Final = 1000
"""Bytes of a tablet's wish."""

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Wish:
    """A tablet wants a snapshot, of the last so many seconds or of the whole firing."""

    window_s: float | None


class Tablet:
    """One open page."""

    def __init__(self) -> None:
        self.queue: asyncio.Queue[str] = asyncio.Queue(BACKLOG)

    def put(self, text: str, afresh: str) -> None:
        """Hand over a message; where too many wait already, only the hint to begin afresh."""
        try:
            self.queue.put_nowait(text)
        except asyncio.QueueFull:
            while not self.queue.empty():
                self.queue.get_nowait()
            self.queue.put_nowait(afresh)


class Feed:
    """Looks ten times a second while somebody watches, and tells every tablet the same.

    Each update carries a number. Looks and snapshots take turns, so a snapshot with number n and the updates
    after n hold every reading once.

    Parameters
    ----------
    path : Path
        The journal; it need not exist yet.
    """

    def __init__(self, path: Path) -> None:
        self.watcher = Watcher(path)
        self.seq = 0
        self.tablets: set[Tablet] = set()
        self._turn = asyncio.Lock()
        self._looking: asyncio.Task[None] | None = None
        self._snapshots: dict[float | None, Message] = {}  # of this seq, by window
        self._pulse_s = 0.0

    async def serve(self, socket: WebSocket) -> None:
        """Serve one tablet until it leaves.

        Parameters
        ----------
        socket : WebSocket
            Not accepted yet.
        """
        await socket.accept()
        tablet = Tablet()
        self.tablets.add(tablet)
        if self._looking is None or self._looking.done():
            self._looking = asyncio.create_task(self._look_loop(), name="feed.look")
        sending = asyncio.create_task(self._send_loop(socket, tablet), name="feed.send")
        try:
            while True:
                wish = read_wish(await socket.receive_text())
                if wish is None:
                    await socket.close(1008, "this page asks for snapshots only")
                    break
                await self._give_snapshot(tablet, wish.window_s)
        except WebSocketDisconnect:
            pass
        finally:
            self.tablets.discard(tablet)
            sending.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await sending
            if not self.tablets:
                await self.stop()

    async def stop(self) -> None:
        """Stop looking; the next tablet starts it again, from the beginning."""
        looking, self._looking = self._looking, None
        if looking is not None:
            looking.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await looking
        async with self._turn:
            self.watcher.close()

    async def _send_loop(self, socket: WebSocket, tablet: Tablet) -> None:
        with contextlib.suppress(WebSocketDisconnect, RuntimeError):  # the other loop sees the end too
            while True:
                await socket.send_text(await tablet.queue.get())

    async def _look_loop(self) -> None:
        while True:
            started = time.monotonic()
            try:
                async with self._turn:
                    await self._look()
            except Exception:
                # A fault in one look must not leave every tablet without any: say it, and look again.
                log.exception("looking at the journal failed")
                self.watcher.close()  # what it had half taken in is read anew
            await asyncio.sleep(max(0.05, LOOK_S - (time.monotonic() - started)))

    async def _look(self) -> None:
        kind, update = await asyncio.to_thread(self.watcher.look, time.time())
        if kind == "same":
            if time.monotonic() - self._pulse_s >= PULSE_S:
                self._tell({"type": "pulse"})
            return
        self.seq += 1
        self._snapshots.clear()
        self._tell({"type": "afresh"} if update is None else {"type": "update", **update})

    def _tell(self, message: Message) -> None:
        self._pulse_s = time.monotonic()
        text, afresh = self._text(message), self._text({"type": "afresh"})
        for tablet in self.tablets:
            tablet.put(text, afresh)

    def _text(self, message: Message) -> str:
        return dumps({**message, "seq": self.seq, "quiet_s": self._quiet_s()})

    def _quiet_s(self) -> float | None:
        fresh = self.watcher.fresh_wall_s
        return None if fresh is None else round(max(0.0, time.time() - fresh), 2)

    async def _give_snapshot(self, tablet: Tablet, window_s: float | None) -> None:
        async with self._turn:
            await self._look()  # never older than the wish
            if window_s not in self._snapshots:
                made = await asyncio.to_thread(self.watcher.snapshot, window_s)
                self._snapshots[window_s] = {"type": "snapshot", **made}
            text = self._text(self._snapshots[window_s])
            # Nothing before the snapshot matters to this tablet any more.
            while not tablet.queue.empty():
                tablet.queue.get_nowait()
            tablet.put(text, text)


def dumps(message: Any) -> str:
    """Write JSON that every browser reads: what is not a number becomes null.

    Parameters
    ----------
    message : object

    Returns
    -------
    str
    """
    return orjson.dumps(message, option=orjson.OPT_SERIALIZE_NUMPY).decode()


def read_wish(text: str) -> Wish | None:
    """Read what a tablet asks for.

    Parameters
    ----------
    text : str
        `{"want": "snapshot", "window_s": 600}`; without a window the whole firing.

    Returns
    -------
    Wish or None
        None where it is anything else.
    """
    if len(text) > MAX_WISH:
        return None
    try:
        wish = orjson.loads(text)
    except orjson.JSONDecodeError:
        return None
    if not isinstance(wish, dict) or wish.get("want") != "snapshot":
        return None
    window_s = wish.get("window_s")
    if window_s is not None and window_s not in WINDOWS_S:
        return None
    return Wish(window_s)
