"""Decide whose frames are recorded: limits on rigs and channels, known ones first. Pure."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from typing import Final

from logger.reading import MAX_CHANNELS
from logger.rig_line.came import Begin

MAX_RIGS: Final = 128
"""Rigs recorded at one time."""
MAX_COLUMNS: Final = 1024
"""Channels of a firing, over all its rigs: 50 rigs with 16 each, with room to spare."""
COLUMNS_A_RIG: Final = 2 * MAX_CHANNELS
"""Channels of one rig, over a whole firing."""
FREE: Final = 8
"""How many rigs are recorded from their first frame on; any more only once they are steady."""
RESERVED: Final = 8
"""Seats for rigs at a serial port, and for those with a channel of the plan."""
RESERVED_COLUMNS: Final = RESERVED * MAX_CHANNELS // 4
GONE_S: Final = 60.0
"""After this silence a rig gives up its seat if another needs it. [s]"""


class Admission:
    """Keeps the seats; `planned` are the plan's channels."""

    def __init__(self) -> None:
        self.planned: frozenset[str] = frozenset()
        self._columns: dict[str, set[str]] = {}
        self._heard_s: dict[str, float] = {}

    def known(self, rig: str, channels: Iterable[str]) -> None:
        """Seat a rig that the firing already has."""
        self._columns.setdefault(rig, set()).update(channels)

    def begin(self, rig: str, channels: Collection[str], now_s: float, *, wired: bool) -> Begin:
        """How the line of a rig with these channels may begin; `wired`: it is at a serial port."""
        if rig in self._columns:
            return Begin.AT_ONCE
        planned = not self.planned.isdisjoint(channels)
        preferred = wired or planned
        if self._count() + len(channels) > MAX_COLUMNS - (0 if preferred else RESERVED_COLUMNS):
            return Begin.NEVER
        seats = sum(now_s - heard_s < GONE_S for heard_s in self._heard_s.values())
        if seats >= MAX_RIGS - (0 if preferred else RESERVED):
            return Begin.NEVER
        return Begin.AT_ONCE if planned or len(self._columns) < FREE else Begin.WHEN_STEADY

    def allow(self, rig: str, channels: Collection[str], now_s: float) -> Collection[str]:
        """Seat a rig, and return which of its channels are recorded: nearly always all of them."""
        self._heard_s[rig] = max(now_s, self._heard_s.get(rig, now_s))
        columns = self._columns.setdefault(rig, set())
        if columns.issuperset(channels):
            return channels
        room = min(MAX_COLUMNS - self._count(), COLUMNS_A_RIG - len(columns))
        fresh = [name for name in channels if name not in columns][: max(0, room)]
        columns.update(fresh)
        return [name for name in channels if name in columns]

    def begin_afresh(self, now_s: float) -> None:
        """Start over for another firing: rigs heard now keep their seats, without their channels."""
        self._heard_s = {rig: s for rig, s in self._heard_s.items() if now_s - s < GONE_S}
        self._columns = {rig: set() for rig in self._heard_s}

    def _count(self) -> int:
        return sum(map(len, self._columns.values()))
