"""From frames to what goes into the journal: converted, judged, and counted."""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING

from logger.reading import Event
from logger.recording.backlog import Unit

if TYPE_CHECKING:
    from logger.recording.firing_state import FiringState
    from logger.recording.heartbeat import Heartbeat
    from logger.recording.hosttime import HostTime
    from logger.recording.judged import Judged
    from logger.recording.taken import Taken

log = logging.getLogger(__name__)


class Collector:
    """Makes a unit of what came in since the last time."""

    def __init__(self, time_line: HostTime, state: FiringState, judged: Judged, heart: Heartbeat) -> None:
        self._time, self._state, self._judged, self._heart = time_line, state, judged, heart
        self._rigs: set[str] = set()

    def collect(self, taken: Taken) -> Unit | None:
        """Convert and judge it; None where there is nothing to write."""
        batches, troubles = self._state.convert(taken.frames)
        events = list(taken.events)
        for trouble in troubles:
            log.warning("rig %s, channel %s: %s", trouble.rig, trouble.channel, trouble.text)
            data = {"rig": trouble.rig, "channel": trouble.channel, "text": trouble.text}
            events.append(Event(self._time.utc_us(), "fault", data))
        holding = self._state.now.holding
        if holding:
            self._heart.not_recorded += sum(batch.status.size for batch in batches)
            batches = []
        begun_us = self._state.begins(batches)
        if not (rigs := {batch.rig for batch in batches}) <= self._rigs:
            self._rigs |= rigs
            self._judged.keep_at_once = True  # a new rig's clock too: a restart goes on from it
        said, estimates = self._judged.judge(batches, begun_us, self._state.now.firing, self._state.plan)
        unit = Unit(batches, events + said, estimates, taken.tokens, taken.refused, taken.apart)
        if not holding:  # what isn't recorded stays set apart
            unit.placed, unit.keys = taken.placed, taken.keys
        return unit if taken or batches or unit.events or estimates else None
