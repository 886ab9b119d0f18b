"""Lamps and buzzers at the fire: what each is told, and whether it has answered. No I/O, no clock.

The logger says what to show every few seconds, changed or not; the rig answers each time with what it shows.
A beacon that doesn't answer, or shows something else, has failed: that is an alarm itself, since a dark lamp
must never pass for a fire that is well. The rig, for its part, shows by a pattern of its own that it hasn't
been told anything for half a minute.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from enum import StrEnum
from typing import Final, Literal

from logger.rig_line.dialogue import BeaconAnswer, sealed

REPEAT_S: Final = 5.0
"""How often the same is said again. [s]"""

FAILED_AFTER_S: Final = 12.0
"""From the first word that got no right answer to the alarm: two repetitions may be lost. [s]"""


TEST_S: Final = 3.0
"""A test lasts so long; nothing else is shown meanwhile. [s]"""

RIG_GONE_S: Final = 6.0
"""A rig that sends no frames for so long is silent as a whole, which is another alarm's affair. [s]"""

Say = Callable[[str, str, bytes], None]
"""Is given a source's name, a rig's, and a line for it."""


class Show(StrEnum):
    """What a beacon shows."""

    OFF = "off"
    """No firing."""
    QUIET = "quiet"
    """A short flash every five seconds: all is well, and somebody is watching."""
    GOOD = "good"
    """A target was reached: three short flashes and beeps, every ten seconds."""
    STANDING = "standing"
    """An alarm that was acknowledged and still stands: the lamp is steady."""
    ALARM = "alarm"
    """An alarm that nobody has acknowledged: flashing and sounding."""
    TEST = "test"
    """Lamp and buzzer for three seconds, then quiet: for the check before lighting."""


def show_for(*, firing: bool, unacknowledged: bool, standing: bool, good: bool) -> Show:
    """Choose what to show.

    `unacknowledged`: a warning, standing or returned, that nobody has acknowledged; shelved ones don't count.
    `standing`: one that was acknowledged and still stands. `good`: good news (`target_reached`, `soak_done`)
    that nobody has acknowledged.
    """
    if not firing:
        return Show.OFF
    if unacknowledged:
        return Show.ALARM
    if good:
        return Show.GOOD
    return Show.STANDING if standing else Show.QUIET


def ask_topic(rig: str) -> str:
    """Give the MQTT topic on which a rig takes the host's lines, each a message without a newline, QoS 1."""
    return f"stokewatch/{rig}/ask"


def answer_topic(rig: str) -> str:
    """Give the MQTT topic on which a rig answers; the message is the line, without its newline."""
    return f"stokewatch/{rig}/answer"


def beacon_line(number: int, show: Show) -> bytes:
    """Give the line, newline included, that tells a beacon what to show; the answer repeats `number`."""
    return sealed(f"b{number} {show}".encode())


class Beacon:
    """One rig's beacon, as the logger sees it.

    `number` gives each line another one. One that nobody guesses proves that whoever comes back with it has
    heard the line.
    """

    def __init__(self, rig: str, number: Callable[[], int]) -> None:
        self.rig = rig
        self.show = Show.OFF
        self.shown: str | None = None
        """What the rig's last answer said."""
        self._draw = number
        self._told = False
        self._said_s: float | None = None
        self._unanswered_since_s: float | None = None
        self._asked: dict[int, Show] = {}

    def want(self, show: Show) -> None:
        """Change what should be shown; the next `due` says it at once."""
        if show != self.show:
            self.show = show
            self._said_s = None

    def due(self, now_s: float) -> bytes | None:
        """Give the line to be sent now (by serial port, or on `ask_topic`), or None.

        Whether that worked is of no consequence here: only the answer counts.
        """
        if self._said_s is not None and now_s - self._said_s < REPEAT_S:
            return None
        self._said_s = now_s
        self._told = True
        number = self._draw()
        self._asked[number] = self.show
        if len(self._asked) > 8:
            del self._asked[next(iter(self._asked))]
        if self._unanswered_since_s is None:
            self._unanswered_since_s = now_s
        return beacon_line(number, self.show)

    def answered(self, answer: BeaconAnswer) -> None:
        """Take an answer. It only counts if it is to the last that was said, and shows just that."""
        if answer.rig != self.rig:
            return
        asked = self._asked.pop(answer.beacon, None)  # once: what comes again was recorded
        if asked is None:
            return
        self.shown = answer.show
        if asked is self.show and answer.show == self.show:
            self._unanswered_since_s = None
            if self.show is Show.TEST:
                self.show = Show.QUIET

    def state(self, now_s: float) -> Literal["untold", "waiting", "shown", "failed", "none"]:
        """Say how it stands.

        `untold`: nothing was said yet; `waiting`: an answer is still due; `shown`: it shows what it should;
        `failed`: it has not answered rightly for `FAILED_AFTER_S`, which is an alarm; `none`: the rig has
        neither lamp nor buzzer.
        """
        if not self._told:
            return "untold"
        if self.shown == "none":
            return "none"
        if self._unanswered_since_s is None:
            return "shown"
        return "failed" if now_s - self._unanswered_since_s >= FAILED_AFTER_S else "waiting"


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
