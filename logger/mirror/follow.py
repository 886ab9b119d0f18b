"""Follow a firing that is being written to an InfluxDB elsewhere, into a journal for the page to read."""

from __future__ import annotations

import contextlib
import logging
import random
import tempfile
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Final

from logger.errors import StokewatchError
from logger.journal.schema import JournalError
from logger.journal.writer import JournalWriter
from logger.mirror.archive import Archive, StoredFiring, copy_events
from logger.mirror.influx import Influx, InfluxError
from logger.mirror.target import Target
from logger.sources import Backoff

LOOK_S: Final = 0.5
LIST_S: Final = 2.0
"""How often to list the firings [s]."""
TAIL_US: Final = 60_000_000
"""How much of the newest readings is fetched first [µs]."""
FULL_US: Final = 15 * 60 * 1_000_000
"""How much before that is fetched whole; anything older is thinned by the server [µs]."""
THIN_S: Final = 10
THIN_PIECE_US: Final = 6 * 3600 * 1_000_000
FULL_PIECE_US: Final = 60_000_000
_SLACK_US: Final = 5_000_000
"""Rigs aren't in step: a reading may arrive this much later than newer ones from another rig [µs]."""
_LONGEST_WAIT_S: Final = 10.0

log = logging.getLogger(__name__)


class Follower:
    """Keeps a journal, empty at first and used by nothing else, in step with a firing elsewhere.

    `site` limits it to one site; `ref` is a firing's ID, otherwise it is the running firing, or the last.
    """

    def __init__(
        self,
        archive: Archive,
        path: Path,
        site: str = "",
        ref: str | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._archive = archive
        self._writer = JournalWriter(path)
        self._site, self._ref = site, ref
        self._clock = clock
        self._waits = Backoff(LOOK_S, _LONGEST_WAIT_S, random.random)
        self._firing: StoredFiring | None = None
        self._shown: set[str] = set()
        self._newest: dict[str, int] = {}
        self._event = 0
        self._numbers: dict[int, int] = {}
        self._beat: dict[str, Any] | None = None
        self._listed_s = float("-inf")
        self._before: deque[tuple[int, int, bool]] = deque()
        self._trouble = ""

    def close(self) -> None:
        """Close the journal."""
        self._writer.close()

    def step(self) -> float:
        """Copy what is new and a piece of what was before; return how long to wait after that [s]."""
        try:
            if self._clock() - self._listed_s >= LIST_S:
                self._listed_s = self._clock()
                self._choose()
            more = self._firing is not None and self._take(self._firing)
        except (InfluxError, JournalError) as exc:
            if str(exc) != self._trouble:
                self._trouble = str(exc)
                log.warning("%s", exc)
            return LOOK_S + self._waits.next_s()
        if self._trouble:
            log.info("InfluxDB answers again")
            self._trouble = ""
        self._waits.succeeded()
        return 0.0 if more else LOOK_S

    def _choose(self) -> None:
        found = [f for f in self._archive.firings(self._site) if self._ref in (None, f.id)]
        now = self._firing
        if now is not None:
            known = next((f for f in found if (f.id, f.site) == (now.id, now.site)), now)
            if known != now:
                self._change(now, known)
            if known.ended_us is None:
                return
        running = [f for f in found if f.ended_us is None and f.id not in self._shown]
        if running or (now is None and found):
            self._begin((running or found)[0])

    def _change(self, was: StoredFiring, firing: StoredFiring) -> None:
        self._writer.change_firing(
            firing.id, title=firing.title, plan_toml=firing.plan_toml, facts=firing.facts
        )
        if was.ended_us is None and firing.ended_us is not None:
            self._take(firing)
            self._writer.finish_firing(firing.id, firing.ended_us)
        self._firing = firing  # last, so that if the server fails before this, all of it is done again

    def _begin(self, firing: StoredFiring) -> None:
        extent = self._archive.extent(firing)
        self._writer.open_copy(firing, firing.ended_us)
        self._firing = firing
        self._shown.add(firing.id)
        self._event, self._beat, self._numbers = 0, None, {}
        first, last = extent or (firing.started_us, firing.started_us)
        begin_us = max(first, last - TAIL_US)
        self._newest = {"": begin_us - 1 + _SLACK_US}
        self._before = deque(_pieces(first, begin_us))

    def _take(self, firing: StoredFiring) -> bool:
        """Copy what is new, and a piece of what was before; tell whether there is more of that."""
        since_us = max(self._newest.values()) - _SLACK_US + 1
        batches = self._archive.readings(firing, since_us)
        events = self._archive.events(firing, self._event)
        beat = self._archive.beat(firing)
        newest = dict(self._newest)
        with self._writer.transaction():
            for batch in batches:
                before = newest.get(batch.rig, newest[""] - _SLACK_US)
                newest[batch.rig] = max(before, int(batch.t_us[-1]))
                self._writer.append(firing.id, batch.rows(batch.t_us > before))
            copy_events(self._writer, firing.id, events, self._numbers)
            if beat is not None and beat != self._beat:
                self._writer.heartbeat(beat)
        self._newest, self._beat = newest, beat
        self._event = max((event.id for event in events), default=self._event)
        if not self._before:
            return False
        begin_us, end_us, whole = self._before[0]
        if whole:
            piece = self._archive.readings(firing, begin_us, end_us)
        else:
            piece = self._archive.thinned(firing, begin_us, end_us, THIN_S)
        with self._writer.transaction():
            for batch in piece:
                self._writer.append(firing.id, batch)
        self._before.popleft()
        return bool(self._before)


def _pieces(first_us: int, until_us: int) -> Iterator[tuple[int, int, bool]]:
    """Cut what was before into pieces, newest first: what is fetched whole, then what is thinned."""
    whole_us = max(first_us, until_us - FULL_US)
    for least_us, piece_us in ((whole_us, FULL_PIECE_US), (first_us, THIN_PIECE_US)):
        while until_us > least_us:
            begin_us = max(least_us, until_us - piece_us)
            yield begin_us, until_us, least_us == whole_us
            until_us = begin_us


@contextlib.contextmanager
def followed(target: Target, ref: str | None = None) -> Iterator[Path]:
    """Follow a firing in a thread while the context is open, into a temporary journal."""
    stop = threading.Event()
    with tempfile.TemporaryDirectory(prefix="stokewatch-") as folder:
        path = Path(folder) / "journal.sqlite"
        influx = Influx(target)
        follower = Follower(Archive(influx), path, target.site, ref)

        def run() -> None:
            try:
                while not stop.is_set():
                    stop.wait(follower.step())
            except StokewatchError as exc:
                log.error("%s", exc)
            finally:
                follower.close()
                influx.close()

        thread = threading.Thread(target=run, name="follow", daemon=True)
        thread.start()
        try:
            yield path
        finally:
            stop.set()
            thread.join(5)
