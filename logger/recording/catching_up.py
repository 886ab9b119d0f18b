"""Judges what a firing has heard so far, beside the recording: after a restart without a sound state."""

from __future__ import annotations

import contextlib
import logging
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Final

from logger.journal.reader import JournalReader
from logger.plan import Plan
from logger.replay.judging import Judging

if TYPE_CHECKING:
    from logger.journal.rows import FiringInfo
    from logger.judgement.alarms import Event

AT_ONCE_US: Final = 60_000_000
"""So much is judged again within some milliseconds; more than that beside the recording. [µs]"""

log = logging.getLogger(__name__)


class CatchingUp:
    """A thread that judges a firing from its beginning, or from a state of the judgement, up to now.

    What was said of readings until `told_us` is in the journal already. [µs]
    """

    def __init__(
        self, path: Path, plan: Plan | None, firing: FiringInfo, state: bytes | None, told_us: int
    ) -> None:
        self.firing, self.told_us = firing, told_us
        self._path, self._state = path, state
        self._judging = Judging(plan, firing.started_us, estimating=True)
        self._events: list[Event] = []
        self._failure: Exception | None = None
        self._thread = threading.Thread(target=self._run, name="catching up", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    @property
    def done(self) -> bool:
        """Whether it has come to the end."""
        return not self._thread.is_alive()

    def finish(self) -> tuple[Judging, list[Event]]:
        """Judge the little that came meanwhile, in the thread that goes on with it; raises its failure.

        Gives what is to be written: said of readings after `told_us`.
        """
        if self._failure is not None:
            raise self._failure
        with contextlib.closing(JournalReader(self._path)) as reader:
            self._events += self._judging.go_on(reader, self.firing.id)
        new = [e for e in self._events if self._judging.micros(e.t_s) > self.told_us]
        return self._judging, new

    def _run(self) -> None:
        try:
            with contextlib.closing(JournalReader(self._path)) as reader:
                since_us = self._judging.restore(self._state, self.firing.seen)
                self._events = self._judging.replay(reader, self.firing.id, since_us)
        except Exception as exc:
            self._failure = exc
