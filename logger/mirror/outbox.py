"""Read from the journal what is still to be sent."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from logger.exchange.line_protocol import event_line, firing_line, lines_of, logger_line
from logger.journal.reader import JournalReader
from logger.journal.rows import JOINED, FiringInfo
from logger.journal.schema import JournalError
from logger.plan import Probe

FIRINGS_S: Final = 1.0
"""How often to check whether a firing was started, ended or renamed [s]."""
BEAT_S: Final = 0.5
"""How often the logger's health is sent while a firing is running [s]."""
_BATCHES: Final = 16  # a batch may be a whole minute of a rig
_EVENTS: Final = 1000


@dataclass(frozen=True, slots=True)
class Cursor:
    """How far the journal has been sent."""

    arrival: int = 0  # of readings; see `JournalReader.arrived`
    event: int = 0


class Outbox:
    """Reads the journal for the mirror; NoJournalError: there is none yet."""

    def __init__(self, path: Path, site: str, clock: Callable[[], float] = time.monotonic) -> None:
        self._reader = JournalReader(path)
        self.newest = self._reader.newest_arrival
        self._path = path
        self._inode = path.stat().st_ino
        self.file = self._which()
        self._site = site
        self._clock = clock
        self._running: FiringInfo | None = None
        self._sent: dict[str, str] = {}  # by firing's ID; the health by an empty one
        self._probes: dict[str, dict[tuple[str, str], Probe]] = {}
        self._firings_s = self._beat_s = float("-inf")

    def close(self) -> None:
        """Close the journal."""
        self._reader.close()

    def same_file(self) -> bool:
        """Tell whether the journal is still the one that was opened.

        A damaged one is replaced, and what is saved of it is added later, with lower numbers than those
        already sent.
        """
        try:
            # Compare inodes first: a file that has been replaced mustn't be read any more.
            return self._path.stat().st_ino == self._inode and self._which() == self.file
        except OSError:
            return False

    def _which(self) -> int:
        joined: dict[str, Any] = {}
        with contextlib.suppress(JournalError):  # the next read will report it
            joined = self._reader.meta(JOINED)
        return self._inode + (int(joined.get("count", 0)) << 64)

    def repeat(self) -> None:
        """Send again what is otherwise sent only when it changes: firings, and the logger's health."""
        self._sent.clear()
        self._firings_s = self._beat_s = float("-inf")

    def take(self, cursor: Cursor, room: int) -> tuple[list[str], Cursor]:
        """Return the next lines, about `room` of them or none, and the cursor after them.

        Readings that arrived together stay together.
        """
        lines = self._take_firings()
        event_id = cursor.event
        for firing, event in self._reader.happened(cursor.event, _EVENTS):
            lines.append(event_line(firing, event, site=self._site))
            event_id = event.id
        arrival = cursor.arrival
        while len(lines) < room:
            batches = self._reader.arrived(arrival, _BATCHES)
            for number, firing, batch in batches:
                probes = [self._probe(firing, batch.rig, c.name) for c in batch.channels]
                lines += lines_of(batch, probes, firing=firing, site=self._site)
                arrival = number
                if len(lines) >= room:
                    break
            if len(batches) < _BATCHES:
                break
        lines += self._take_beat()
        return lines, Cursor(arrival, event_id)

    def _take_firings(self) -> list[str]:
        if self._clock() - self._firings_s < FIRINGS_S:
            return []
        self._firings_s = self._clock()
        firings = self._reader.firings(binned=None)
        self._running = next((info for info in firings if info.running), None)
        return [line for info in firings for line in self._news(info.id, firing_line(info, site=self._site))]

    def _news(self, what: str, line: str) -> list[str]:
        """Return a line unless it is the one that was sent last."""
        if self._sent.get(what) == line:
            return []
        self._sent[what] = line
        self._probes.pop(what, None)  # the plan may be another
        return [line]

    def _probe(self, firing: str, rig: str, channel: str) -> Probe:
        known = self._probes.setdefault(firing, {})
        if (rig, channel) not in known:
            known.update(((c.rig, c.channel), c.probe) for c in self._reader.columns(firing))
        return known[rig, channel]

    def _take_beat(self) -> list[str]:
        if self._clock() - self._beat_s < BEAT_S:
            return []
        self._beat_s = self._clock()
        beat = self._reader.heartbeat() if self._running else None
        line = logger_line(self._running, beat, site=self._site) if self._running and beat else None
        return [] if line is None else self._news("", line)
