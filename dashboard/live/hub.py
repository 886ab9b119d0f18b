"""Look at the journal once for all tablets, and send each one what it asked for."""

import asyncio
import contextlib
import logging
import time
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any, Final

import msgspec
from dash._utils import to_json
from starlette.websockets import WebSocket, WebSocketDisconnect

from dashboard.live.board import Board
from dashboard.live.messages import Hello, Pulse, Screen, Wish, read_wish, write
from dashboard.live.screens import draw
from dashboard.live.watch import MAX_POINTS, Look, Watcher

TELL_S: Final = 0.5
"""Values on screen change twice a second; nobody can read them any faster [s]."""
EARLY_S: Final = 0.12
"""An update may go out this much sooner, right behind a commit [s]."""
LATE_S: Final = 0.4
"""After waiting this much longer for readings, send whatever else is new [s]."""
BEAT_S: Final = 0.02
"""How often to check in the meantime whether anything was written [s]."""
PULSE_S: Final = 0.75
"""Something is sent at least this often: a tablet that hears nothing for 2.5 s knows the link is gone [s]."""
BACKLOG: Final = 32
"""How many messages may wait for a slow tablet; beyond that, a whole screen replaces them all."""
PICTURE_S: Final = {"traces": 30.0, "heat": 8.0}
"""How often a picture is redrawn, for whatever isn't added to it point by point [s]."""
AGAIN_S: Final = 3.0
"""When what can be trusted changes, the stack alone is redrawn, but no more often than this [s]."""
SLOW_S: Final = 5.0
"""How often to send what can wait [s]."""
PIXELS: Final = 900
"""Roughly how many pixels wide a trace is; points are sent once they would fill one pixel."""
POINTS_S: Final = (2.0, 6.0)
"""But no more and no less often than this: each time keeps a slow tablet busy for a while [s]."""

log = logging.getLogger(__name__)

FirstLook = Callable[[Board, float | None, str, Wish], str]
"""Renders as HTML, from a board, the seconds since the logger was heard, the time of day, and a wish."""


class Tablet:
    """One open page."""

    def __init__(self) -> None:
        self.queue: asyncio.Queue[str] = asyncio.Queue(BACKLOG)
        self.wish: Wish | None = None
        self.behind = False
        self.told_s = -1e9
        self.seq = 0
        """Of the last screen it was sent."""

    def put(self, text: str, seq: int | None = None) -> None:
        """Queue a message; if too many are waiting, drop them all, and a whole screen will follow."""
        self.told_s = time.monotonic()
        self.seq = self.seq if seq is None else seq
        if self.queue.full():
            self.clear(behind=True)
        else:
            self.queue.put_nowait(text)

    def clear(self, *, behind: bool = False) -> None:
        """Drop the messages that are waiting."""
        self.behind = behind
        while not self.queue.empty():
            self.queue.get_nowait()


class Glass:
    """What all tablets with the same wish show, rendered once."""

    def __init__(self, wish: Wish) -> None:
        self.wish = wish
        self.seq = 0
        self.told: dict[tuple[str, str], Any] = {}
        self.slow_s = -1e9
        self.drawn_s = time.monotonic()

    def screen(self, board: Board, quiet_s: float | None, *, whole: bool) -> Screen | None:
        """Make a screen of what changed, or of everything; None where nothing changed."""
        drawn, now_s = draw(board, self.wish, quiet_s, whole), time.monotonic()
        if whole:
            self.told, self.drawn_s = {}, now_s
        if whole or now_s - self.slow_s >= SLOW_S:
            self.slow_s = now_s
            drawn.props |= {name: {"children": make()} for name, make in drawn.slow.items()}
        changed: dict[str, dict[str, msgspec.Raw]] = {}
        for name, props in drawn.props.items():
            for prop, value in props.items():
                before, text = self.told.get((name, prop), (None, b""))
                if before is not None and before == value:
                    continue
                now = str(to_json(value)).encode()
                if prop not in ("extendData", "figure"):  # nothing to compare: these are sent whenever drawn
                    self.told[name, prop] = (value, now)
                if now != text:
                    changed.setdefault(name, {})[prop] = msgspec.Raw(now)
        texts = self._new("text", drawn.texts)
        said = {"title": tab_title(board), "state": board.state(quiet_s), "tone": tone(board)}
        new = self._new("screen", said)
        if not (changed or texts or new or whole):
            return None
        self.seq += 1
        newest_s = board.newest_s if board.running else None
        return Screen(
            self.seq,
            whole,
            msgspec.Raw(msgspec.json.encode(changed)),
            texts,
            newest_age_s=None if newest_s is None else round(board.age_s(newest_s, quiet_s or 0.0), 2),
            **new,
        )

    def _new(self, kind: str, said: Mapping[str, Any]) -> dict[str, Any]:
        new = {name: told for name, told in said.items() if self.told.get((kind, name)) != told}
        self.told |= {(kind, name): told for name, told in new.items()}
        return new


def tone(board: Board) -> tuple[bool, list[str]]:
    """Return what to sound: whether there is an unacknowledged alarm, and the keys of good news."""
    good = [f"{a.get('key')} {a.get('raised_s')}" for a in board.alarms if a.get("warning") is False]
    return bool(board.unseen()) and board.running, good


def tab_title(board: Board) -> str:
    """Name the browser tab: an alarm first, to be seen while the tab is in the background."""
    name = "Stokewatch" if board.firing is None else f"{board.firing['title'] or 'Firing'} · Stokewatch"
    unseen = board.unseen() if board.running else []
    return f"ALARM: {unseen[0].get('title') or unseen[0].get('rule')} · {name}" if unseen else name


class Hub:
    """Looks at the journal twice a second, right behind a commit, and sends each tablet what it asked for.

    It looks only while somebody watches. Looks and whole screens take turns, so that a whole screen and those
    after it hold every reading once.
    """

    def __init__(self, path: Path, version: str, first_look: FirstLook) -> None:
        self.watcher = Watcher(path)
        self.tablets: set[Tablet] = set()
        self.version = version
        self.board = Board()
        self._first_look = first_look
        self._glasses: dict[Wish, Glass] = {}
        self._turn = asyncio.Lock()
        self._looking: asyncio.Task[None] | None = None
        self._told_s = self._due_s = self._points_s = self._drawn_s = -1e9
        self._written: tuple[int, ...] | None = None
        self._turned = "", -1e9
        """The last state sent, and when it changed [s]."""

    async def serve(self, socket: WebSocket) -> None:
        """Serve one tablet until it leaves."""
        await socket.accept()
        tablet = Tablet()
        tablet.put(write(Hello(self.version)))
        self.tablets.add(tablet)
        if self._looking is None or self._looking.done():
            self._looking = asyncio.create_task(self._follow(), name="live.look")
        sending = asyncio.create_task(self._send_loop(socket, tablet), name="live.send")
        try:
            while True:
                wish = read_wish(await socket.receive_text())
                if wish is None:
                    await socket.close(1008, "not a wish: this socket takes only what the page wants to see")
                    break
                async with self._turn:
                    await self._look()  # never older than the wish
                    tablet.wish = wish
                    await self._whole([tablet])
        except (WebSocketDisconnect, RuntimeError, KeyError):
            pass  # it has gone, or sent bytes where Starlette expects text
        finally:
            self.tablets.discard(tablet)
            sending.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await sending
            if not self.tablets:
                await self.stop()

    async def first_look(self, wish: Wish) -> str:
        """Render as HTML what a tablet shows while its page is loading; empty where there is nothing."""
        async with self._turn:
            try:
                await self._look()
                if time.monotonic() - self._drawn_s > PICTURE_S["traces"]:
                    self._keep_lines(await asyncio.to_thread(self.watcher.board))
                return self._first_look(self.board, self.quiet_s(), time.strftime("%H:%M:%S"), wish)
            except Exception:
                log.exception("a first look failed")  # the page itself will say why
                return ""
            finally:
                if not self.tablets:
                    self.watcher.close()

    async def stop(self) -> None:
        """Stop looking; the next tablet starts it afresh."""
        task, self._looking = self._looking, None
        if task is not None:
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task
        async with self._turn:
            self.watcher.close()

    async def _send_loop(self, socket: WebSocket, tablet: Tablet) -> None:
        with contextlib.suppress(WebSocketDisconnect, RuntimeError):  # the other loop sees the end too
            while True:
                await socket.send_text(await tablet.queue.get())

    async def _follow(self) -> None:
        async with asyncio.TaskGroup() as both:
            both.create_task(self._look_loop())
            both.create_task(self._pulse_loop())

    async def _look_loop(self) -> None:
        while True:
            if (rest_s := self._due_s - EARLY_S - time.monotonic()) > 0.0:
                await asyncio.sleep(rest_s)
                self._written = self.watcher.written()  # anything written after this is new
            await asyncio.sleep(BEAT_S)
            try:
                async with self._turn:
                    await self._look_when_due()
            except Exception:
                # One failed look must not leave every tablet without any: log it, and look again.
                log.exception("looking at the journal failed")
                self.watcher.close()  # whatever it had half read is read again
                self._due_s = time.monotonic() + TELL_S

    async def _look_when_due(self) -> None:
        """Look once something is written; send readings at once, anything else after `LATE_S`."""
        waited_s, written = time.monotonic() - self._due_s, self.watcher.written()
        if waited_s < -EARLY_S or (waited_s < LATE_S and written == self._written):
            return
        before_s = self.board.newest_s
        found = await self._look()
        if waited_s >= LATE_S or self.board.newest_s != before_s:
            await self._tell()
        elif found == "update":  # "same" means that the commit isn't there yet
            self._written = written

    async def _look(self) -> Look:
        found = await asyncio.to_thread(self.watcher.look, time.time(), self.board)
        if found == "afresh":
            self.board = await asyncio.to_thread(self.watcher.board)
            self._keep_lines(self.board)
            await self._whole(self.tablets)
        return found

    def _keep_lines(self, board: Board) -> None:
        """Keep the newest lines of the whole firing for the next tablet to open the page."""
        self.board.lines, self._drawn_s = board.lines, time.monotonic()

    def quiet_s(self) -> float | None:
        """Return how long ago the logger gave a sign of life [s]; None where that isn't known."""
        fresh = self.watcher.fresh_wall_s
        return None if fresh is None else max(0.0, time.time() - fresh)

    async def _whole(self, tablets: Iterable[Tablet]) -> None:
        """Send whole screens to these tablets, and to all that share their wishes."""
        wishes = {t.wish for t in tablets if t.wish is not None}
        if wishes:
            self._say(all_points=True)  # waiting points go out first, or they would be sent twice
        for wish in wishes:
            board = self.board
            if wish.page == "fire":
                board = await asyncio.to_thread(self.watcher.board, wish.window_s)
                if wish.window_s is None:
                    self._keep_lines(board)
            glass = self._glasses.setdefault(wish, Glass(wish))
            # Off the event loop, since on a busy machine the pictures take a second.
            self._send(wish, await asyncio.to_thread(glass.screen, board, self.quiet_s(), whole=True))

    async def _pulse_loop(self) -> None:
        """Keep tablets from taking the link for lost while a look or a picture is slow."""
        while True:
            await asyncio.sleep(PULSE_S / 3)
            for tablet in self.tablets:
                if time.monotonic() - tablet.told_s >= PULSE_S and tablet.queue.empty():
                    tablet.put(write(Pulse(tablet.seq)))

    async def _tell(self) -> None:
        """Send what is new, and whole screens where that isn't enough."""
        self._say()
        thin = self.board.grown > MAX_POINTS  # the lines have doubled in length
        if thin:
            self.board.grown = 0
        await self._whole([t for t in self.tablets if t.behind or self._is_due(t.wish, thin)])

    def _say(self, *, all_points: bool = False) -> None:
        now_s = time.monotonic()
        self._told_s = now_s
        self._due_s = min(max(self._due_s + TELL_S, now_s), now_s + TELL_S + EARLY_S)
        board, quiet_s = self.board, self.quiet_s()
        state = board.state(quiet_s)
        board.turned = state != self._turned[0] and now_s - self._turned[1] >= AGAIN_S
        if board.turned:
            self._turned = state, now_s
        wished = {t.wish for t in self.tablets if t.wish is not None}
        self._glasses = {wish: glass for wish, glass in self._glasses.items() if wish in wished}
        held: list[Any] = []
        pixel_s = (board.newest_s or 0.0) / PIXELS / board.scale
        if all_points or now_s - self._points_s >= min(POINTS_S[1], max(POINTS_S[0], pixel_s)):
            self._points_s = now_s
        else:
            held, board.points = board.points, []
        for wish, glass in self._glasses.items():
            self._send(wish, glass.screen(board, quiet_s, whole=False))
        board.points = held or [([], []) for _ in board.places]

    def _is_due(self, wish: Wish | None, thin: bool) -> bool:
        """Whether this wish's picture is due to be redrawn: it has grown old, or lines are to be thinned."""
        if wish is None or wish.page != "fire":
            return False
        old = wish in self._glasses and self._told_s - self._glasses[wish].drawn_s > PICTURE_S[wish.view]
        return thin or (self.board.running and old)

    def _send(self, wish: Wish, screen: Screen | None) -> None:
        if screen is None:
            return
        text = write(screen)
        for tablet in self.tablets:
            if tablet.wish == wish:
                if screen.whole:
                    tablet.clear()
                tablet.put(text, screen.seq)
