"""All rigs' beacons: what each is told, and what the heartbeat says of each. No I/O, no clock."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Final

from logger.rig_line.beacon import Beacon, Show
from logger.rig_line.dialogue import BeaconAnswer

TEST_S: Final = 3.0
"""A test lasts so long; nothing else is shown meanwhile. [s]"""

RIG_GONE_S: Final = 6.0
"""A rig that sends no frames for so long is silent as a whole, which is another alarm's affair. [s]"""

Say = Callable[[str, str, bytes], None]
"""Is given a source's name, a rig's, and a line for it."""


class Beacons:
    """Tells each rig what to show; for `number` see `Beacon`.

    Whether a rig has a lamp or a buzzer shows by its answers alone: one that never answered is told, in case
    it can show something, but is not missed. One that has answered once is; so is one that is `known` from
    when this firing was last watched.
    """

    def __init__(self, say: Say, number: Callable[[], int], known: Iterable[str] = ()) -> None:
        self._say = say
        self._number = number
        self._known = set(known)
        self._beacons: dict[str, Beacon] = {}
        self._sources: dict[str, str] = {}  # by rig: where it was told
        self._test_until_s = float("-inf")

    def tick(self, now_s: float, show: Show, heard: Mapping[str, tuple[str, float]]) -> None:
        """Send what is due; `heard` has by rig the source of its last frame, and when (monotonic)."""
        for rig, (source, last_s) in list(heard.items()):
            if now_s - last_s > RIG_GONE_S:
                self._beacons.pop(rig, None)
                self._sources.pop(rig, None)
                continue
            beacon = self._beacons.get(rig)
            if beacon is None:
                beacon = self._beacons[rig] = Beacon(rig, self._number)
            if now_s >= self._test_until_s:
                beacon.want(show)
            self._sources[rig] = source
            if (line := beacon.due(now_s)) is not None:
                self._say(source, rig, line)

    def test(self, now_s: float) -> None:
        """Have every lamp and buzzer tried."""
        self._test_until_s = now_s + TEST_S
        for beacon in self._beacons.values():
            beacon.want(Show.TEST)

    def answered(self, answer: BeaconAnswer, source: str) -> None:
        """Take an answer; one to nothing that was said, or not from where the rig was told, is none."""
        beacon = self._beacons.get(answer.rig)
        if beacon is None or self._sources.get(answer.rig) != source:
            return
        beacon.answered(answer)
        if beacon.shown == "none":
            self._known.discard(answer.rig)
        elif beacon.shown is not None:
            self._known.add(answer.rig)

    def states(self, now_s: float) -> dict[str, str]:
        """Say how each beacon stands: `waiting`, `shown`, `failed` or, its rig silent, `unreachable`."""
        return {
            rig: self._beacons[rig].state(now_s) if rig in self._beacons else "unreachable"
            for rig in sorted(self._known)
        }
