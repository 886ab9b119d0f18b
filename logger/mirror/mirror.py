"""The mirror's process: send the journal to an InfluxDB, and keep trying until it is there."""

from __future__ import annotations

import contextlib
import fcntl
import logging
import os
import random
import signal
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from typing import Final

import msgspec

from logger.errors import StokewatchError, UserError
from logger.home import Home, write_whole
from logger.journal.rows import add_request
from logger.journal.schema import JournalError, NoJournalError
from logger.mirror.influx import Influx, InfluxError
from logger.mirror.outbox import Cursor, Outbox
from logger.mirror.progress import PROGRESS, REFUSED, Progress, Refused, load_progress
from logger.mirror.target import Target
from logger.sources import Backoff

OVERLAP_S: Final = 30.0
"""After any doubt, whatever was acknowledged within this time before the last good answer is sent again. A
server killed in between was seen to lose the last 8 to 12 s of what it had acknowledged. [s]"""
FORGETS_LINES: Final = 1_600_000
"""How many lines are sent again when the server has been restarted. An InfluxDB 2.9 that died during a write
was seen to lose, at its next start but one, all it had acknowledged since the last: its log of writes can't
be read past that point. It keeps up to 25 MB of values, 16 bytes each, in that log alone."""
_MARK_LINES: Final = FORGETS_LINES // 100
LOOK_S: Final = 0.25
PING_S: Final = 5.0
"""With nothing to send, how often to ask the server whether it has been restarted [s]."""
SAVE_S: Final = 5.0
TELL_S: Final = 600.0
"""How often, at most, the journal notes refused lines; the status always shows them [s]."""
_FIRST_WAIT_S: Final = 1.0
_LONGEST_WAIT_S: Final = 60.0

log = logging.getLogger(__name__)


class Mirror:
    """Sends a journal, one step at a time.

    Lines go out at least once, in effect exactly once: those with the same series and time overwrite each
    other.
    """

    def __init__(self, home: Home, target: Target, clock: Callable[[], float] = time.monotonic) -> None:
        self._home = home
        self._target = target
        self._clock = clock
        self._refused = Refused(home.root)
        self._influx = Influx(target)
        self._waits = Backoff(_FIRST_WAIT_S, _LONGEST_WAIT_S, random.random)
        self._outbox: Outbox | None = None
        self._cursor = Cursor()
        self._known = Progress(f"{target.url} {target.org}/{target.bucket} {target.site}")
        self._acknowledged: deque[tuple[float, Cursor]] = deque()
        self._marks: deque[tuple[int, Cursor]] = deque()
        self._position = 0
        self._unsure = True
        self._answer_s = self._saved_s = self._told_s = float("-inf")
        self._lines = 0
        self._state, self._detail = "starting", ""
        self._written: Progress | None = None

    def close(self) -> None:
        """Remember how far it got, and close journal and server."""
        self._save()
        self._close_outbox()
        self._influx.close()

    def step(self) -> float:
        """Send one parcel, and return how long to wait before the next step [s]."""
        wait_s = LOOK_S
        try:
            outbox = self._open()
            lines, after = outbox.take(self._cursor, room := self._influx.size)
            if lines:
                self._influx.write(lines, self._put_aside)
                self._lines += len(lines)
                self._advance(len(lines), after)
                self._answered()
                wait_s = 0.0 if len(lines) >= room else LOOK_S
            elif self._clock() - self._answer_s >= PING_S:
                self._influx.ping()
                self._answered()
            self._say("running", "")
        except InfluxError as exc:
            if exc.doubtful:
                self._doubt()
            else:
                outbox.repeat()
            self._say("waiting", str(exc))
            wait_s = max(exc.wait_s, LOOK_S + self._waits.next_s())
        except NoJournalError:
            self._say("running", "there is no journal yet")
            wait_s = 1.0
        except (StokewatchError, OSError) as exc:
            self._close_outbox()
            self._say("waiting", str(exc))
            wait_s = 1.0 + self._waits.next_s()
        if self._clock() - self._saved_s >= SAVE_S:
            self._save()
        return wait_s

    def _open(self) -> Outbox:
        if self._outbox is not None and not self._outbox.same_file():
            self._close_outbox()
        if self._outbox is None:
            self._outbox = Outbox(self._home.journal, self._target.site, self._clock)
            known = load_progress(self._home.root)
            if known is None or (known.target, known.file) != (self._known.target, self._outbox.file):
                known = Progress(self._known.target, self._outbox.file, started=self._known.started)
            self._known = known
            self._go_back(known.cursor)
            self._unsure = True
        if self._outbox.newest() < self._cursor.arrival:
            # The newest readings are gone, and their numbers will be used again: start over.
            self._known.floor = Cursor()
            self._go_back(Cursor())
        return self._outbox

    def _close_outbox(self) -> None:
        if self._outbox is not None:
            with contextlib.suppress(StokewatchError):
                self._outbox.close()
            self._outbox = None

    def _answered(self) -> None:
        """Take note of a good answer: what the server took long before is safe by now."""
        self._waits.succeeded()
        self._answer_s = now = self._clock()
        broke = self._influx.interrupted()
        if (broke or self._unsure) and self._restarted():
            log.info("InfluxDB was restarted; sending again what it may have lost")
            self._go_back(self._known.floor)
        elif broke:
            log.info("the connection to InfluxDB broke; sending the last %d s again", OVERLAP_S)
            self._doubt()
        else:
            while self._acknowledged and self._acknowledged[0][0] <= now - OVERLAP_S:
                self._known.cursor = self._acknowledged.popleft()[1]
            if not self._acknowledged or self._acknowledged[-1][1] != self._cursor:
                self._acknowledged.append((now, self._cursor))

    def _restarted(self) -> bool:
        """Ask the server whether it has been restarted."""
        started = self._influx.started()
        self._unsure = False
        known, self._known.started = self._known.started, started or self._known.started
        return bool(known and started and started != known)

    def _advance(self, lines: int, after: Cursor) -> None:
        """Remember where to go on in the journal, and what is far enough behind to be safe."""
        self._cursor = after
        self._position += lines
        if not self._marks or self._position >= self._marks[-1][0] + _MARK_LINES:
            self._marks.append((self._position, self._cursor))
        while self._marks and self._marks[0][0] <= self._position - FORGETS_LINES:
            self._known.floor = self._marks.popleft()[1]

    def _doubt(self) -> None:
        self._unsure = True
        self._go_back(self._known.cursor)

    def _go_back(self, cursor: Cursor) -> None:
        """Send everything after `cursor` again."""
        self._cursor = self._known.cursor = cursor
        self._acknowledged.clear()
        while self._marks and self._marks[-1][1].arrival > cursor.arrival:
            self._marks.pop()
        if self._marks:
            self._position = self._marks[-1][0]
        if self._outbox is not None:
            self._outbox.repeat()

    def _put_aside(self, lines: Sequence[str], why: str) -> None:
        before = self._refused.count
        self._refused.add(lines, why)
        new = self._refused.count - before
        if new:
            log.warning("InfluxDB refused %d lines, which were put aside: %s", new, why)
            self._tell(f"{new} lines put aside in {REFUSED}, and perhaps more: {why}")

    def _tell(self, detail: str) -> None:
        """Have the logger note it among the firing's events, no more often than `TELL_S`."""
        if self._clock() - self._told_s < TELL_S or not self._home.logger_runs():
            return
        self._told_s = self._clock()
        with contextlib.suppress(StokewatchError):
            add_request(self._home.journal, "mirror", {"detail": detail[:500]}, "mirror")

    def _say(self, state: str, detail: str) -> None:
        if (state, detail) == (self._state, self._detail):
            return
        if state == "waiting":
            log.warning("waiting: %s", detail)
        elif self._state == "waiting":
            log.info("InfluxDB is taking readings again")
        self._state, self._detail = state, detail
        self._save()

    def _save(self) -> None:
        self._saved_s = self._clock()
        if self._outbox is None:
            return
        try:
            self._known.health = {
                "pid": os.getpid(),
                "state": self._state,
                "detail": self._detail,
                "sent": self._lines,
                "refused": self._refused.count,
                "behind": max(0, self._outbox.newest() - self._cursor.arrival),
            }
            if self._known != self._written:
                now = replace(self._known, health={**self._known.health, "at_s": time.time()})
                write_whole(self._home.root / PROGRESS, msgspec.json.encode(now))
                self._written = replace(self._known)
        except (JournalError, OSError) as exc:
            log.warning("the mirror's progress can't be saved: %s", exc)


@contextlib.contextmanager
def mirror_lock(home: Home) -> Iterator[None]:
    """Be the only mirror of this folder; UserError: there is one already."""
    home.create()
    with (home.root / "mirror.lock").open("a+") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise UserError(f"{home.root}: a mirror is already running here; stop that one first") from None
        yield


def run_mirror(home: Home, target: Target, *, afresh: bool = False) -> int:
    """Mirror until SIGINT or SIGTERM; `afresh` sends everything again, refused lines included."""
    level = os.environ.get("STOKEWATCH_LOG", "INFO").upper()
    logging.basicConfig(
        level=level, format="%(asctime)s %(levelname)s mirror: %(message)s", datefmt="%H:%M:%S"
    )
    with mirror_lock(home), contextlib.suppress(KeyboardInterrupt):
        for number in (signal.SIGINT, signal.SIGTERM):  # abandon even a request to a slow server
            signal.signal(number, signal.default_int_handler)
        for name in (PROGRESS, REFUSED) if afresh else ():
            (home.root / name).unlink(missing_ok=True)
        with contextlib.closing(Mirror(home, target)) as mirror:
            while True:
                time.sleep(mirror.step())
    return 0
