"""What waits for the disk: readings, their judgement, and whom to acknowledge."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from logger.journal.rows import Apart, FiringInfo, Key
from logger.reading import Batch, Event, Frame

if TYPE_CHECKING:
    from logger.journal.writer import JournalWriter
    from logger.replay.judging import Kept

BACKLOG_READINGS: Final = 500_000
"""Kept in memory while the disk takes nothing: 52 min of 16 channels at 10 Hz."""
_EARLY: Final = 200
"""How many events before the first firing are kept for it."""


Token = tuple[str, object]
"""A source's name, and what it wants back as acknowledgement."""


@dataclass(slots=True)
class Unit:
    """What came in since the last time; it goes into the journal together with its judgement."""

    frames: list[tuple[Frame, int]] = field(default_factory=list)  # with the time of each, UTC. [µs]
    # frames that can't be placed yet, to be kept as they came
    apart: list[Apart] = field(default_factory=list)
    # numbers of those of `frames` that were set apart before
    placed: list[int] = field(default_factory=list)
    keys: dict[str, list[Key]] = field(default_factory=dict)  # of `frames`, by rig
    tokens: list[Token] = field(default_factory=list)  # to acknowledge once all this is in the journal
    # never to be acknowledged: there is no room to keep them
    refused: list[Token] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)  # from rigs, sources and the judgement
    batches: list[Batch] = field(default_factory=list)  # the `frames`, converted
    estimates: list[tuple[int, Kept]] = field(default_factory=list)

    @property
    def readings(self) -> int:
        """Number of channel values."""
        return sum(b.status.size for b in self.batches)


class Backlog:
    """Everything that isn't on the disk yet, in order of arrival."""

    def __init__(self) -> None:
        self._units: deque[Unit] = deque()
        self._early: list[Event] = []

    def __len__(self) -> int:
        return len(self._units)

    @property
    def readings(self) -> int:
        """Number of channel values waiting."""
        return sum(unit.readings for unit in self._units)

    def happened(self, event: Event) -> None:
        """Keep an event that belongs to no reading, for this firing or the next; callable from any thread."""
        self._early.append(event)

    def add(self, unit: Unit) -> list[Unit]:
        """Add what came in; return the oldest units, dropped if memory is full."""
        self._units.append(unit)
        gone: list[Unit] = []
        while self.readings > BACKLOG_READINGS and len(self._units) > 1:
            gone.append(self._units.popleft())
        return gone

    def write(self, writer: JournalWriter, firing: FiringInfo | None, now_us: int) -> int:
        """Write everything, within a transaction; it stays in the backlog until `written`.

        Without a firing, only what can't be placed is kept.
        """
        early = len(self._early)
        self._keep_apart(writer, firing, now_us)
        if firing is None:
            return early
        for unit in self._units:
            for batch in unit.batches:
                writer.append(firing.id, batch)
            for t_us, zones in unit.estimates:
                writer.add_estimate(firing.id, t_us, zones)
        for event in [*self._early[:early], *(event for unit in self._units for event in unit.events)]:
            t_us = max(event.t_us, firing.started_us)
            writer.add_event(firing.id, t_us, event.kind, event.data, event.who)
        return early

    def written(self, firing: FiringInfo | None, early: int) -> tuple[list[Token], list[Token]]:
        """Drop what was written; return whom to acknowledge, and whom to tell that it wasn't kept.

        Events that belong to no reading wait for a firing.
        """
        if firing is not None:
            del self._early[:early]
        else:
            self._early = [*self._early, *(event for unit in self._units for event in unit.events)][-_EARLY:]
        tokens = [token for unit in self._units for token in unit.tokens]
        refused = [token for unit in self._units for token in unit.refused]
        self._units.clear()
        return tokens, refused

    def _keep_apart(self, writer: JournalWriter, firing: FiringInfo | None, now_us: int) -> None:
        """Record what can't be placed, and what was placed, as that may arrive again after a restart."""
        rows = [row for unit in self._units for row in unit.apart]
        placed = [number for unit in self._units for number in unit.placed]
        if rows or placed:
            writer.set_apart(None if firing is None else firing.id, rows, placed)
        keys: dict[str, list[Key]] = {}
        for unit in self._units:
            for rig, of_rig in unit.keys.items():
                keys.setdefault(rig, []).extend(of_rig)
        if keys:
            writer.note_lately(now_us, keys)
