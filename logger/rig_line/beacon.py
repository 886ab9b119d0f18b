"""Lamps and buzzers at the fire: what each is told, and whether it has answered. No I/O, no clock.

The logger says every few seconds what to show, changed or not; the rig answers each time with what it shows.
A beacon that doesn't answer, or shows something else, has failed. That is an alarm in itself, since a dark
lamp must never be taken to mean that the fire is well. The rig has a pattern of its own for when it has heard
nothing for half a minute.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from enum import StrEnum
from typing import Final, Literal

from logger.rig_line.dialogue import BeaconAnswer, sealed

REPEAT_S: Final = 5.0
"""How often the line is repeated. [s]"""

FAILED_AFTER_S: Final = 12.0
"""From the first line without a correct answer to the alarm: two repetitions may be lost. [s]"""


TEST_S: Final = 3.0
"""How long a test lasts; nothing else is shown during it. [s]"""

RIG_GONE_S: Final = 6.0
"""After this long without frames the whole rig is silent, which is for another alarm. [s]"""

Say = Callable[[str, str, bytes], None]
"""Called with a source's name, a rig's, and a line for it."""


class Show(StrEnum):
    """What a beacon shows."""

    OFF = "off"
    """No firing."""
    QUIET = "quiet"
    """A short flash every five seconds: all is well, and somebody is watching."""
    GOOD = "good"
    """A target was reached: three short flashes and beeps, every ten seconds."""
    STANDING = "standing"
    """An alarm that is acknowledged but still active: the lamp is steady."""
    ALARM = "alarm"
    """An alarm that nobody has acknowledged: flashing and sounding."""
    TEST = "test"
    """Lamp and buzzer for three seconds, then quiet: for the check before lighting."""


def show_for(*, firing: bool, unacknowledged: bool, standing: bool, good: bool) -> Show:
    """Choose what to show.

    `unacknowledged`: a warning, active or cleared, that nobody has acknowledged; silenced ones don't count.
    `standing`: one that is acknowledged but still active. `good`: good news (`target_reached`, `soak_done`)
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
    """MQTT topic on which a rig takes the host's lines, each a message without its newline, QoS 1."""
    return f"stokewatch/{rig}/ask"


def answer_topic(rig: str) -> str:
    """MQTT topic on which a rig answers; the message is the line, without its newline."""
    return f"stokewatch/{rig}/answer"


def beacon_line(number: int, show: Show) -> bytes:
    """Make the line, newline included, that tells a beacon what to show; the answer repeats `number`."""
    return sealed(f"b{number} {show}".encode())


class Beacon:
    """One rig's beacon, as the logger sees it.

    `number` draws a different one for each line. Being unguessable, it proves that whoever repeats it has
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
        """Change what should be shown; the next `due` sends it at once."""
        if show != self.show:
            self.show = show
            self._said_s = None

    def due(self, now_s: float) -> bytes | None:
        """Return the line to send now (by serial port, or on `ask_topic`), or None.

        It doesn't matter whether the sending works: only the answer counts.
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
        """Take an answer; it counts only if it is to the last line, and shows just that."""
        if answer.rig != self.rig:
            return
        asked = self._asked.pop(answer.beacon, None)  # counts once: a repetition may be a recording
        if asked is None:
            return
        self.shown = answer.show
        if asked is self.show and answer.show == self.show:
            self._unanswered_since_s = None
            if self.show is Show.TEST:
                self.show = Show.QUIET

    def state(self, now_s: float) -> Literal["untold", "waiting", "shown", "failed", "none"]:
        """Return its state.

        `untold`: nothing sent yet; `waiting`: an answer is still due; `shown`: it shows what it should;
        `failed`: no correct answer for `FAILED_AFTER_S`, which is an alarm; `none`: the rig has neither lamp
        nor buzzer.
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

    Only its answers show whether a rig has a lamp or a buzzer: one that has never answered still gets the
    line, in case it can show something, but isn't missed. One that has answered is missed; so is one that is
    `known` from when this firing was last watched.
    """

    def __init__(self, say: Say, number: Callable[[], int], known: Iterable[str] = ()) -> None:
        self._say = say
        self._number = number
        self._known = set(known)
        self._beacons: dict[str, Beacon] = {}
        self._sources: dict[str, str] = {}  # by rig: the source it was told through
        self._test_until_s = float("-inf")

    def tick(self, now_s: float, show: Show, heard: Mapping[str, tuple[str, float]]) -> None:
        """Send what is due; `heard` gives, by rig, the source and time (monotonic) of its last frame."""
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
        """Test every lamp and buzzer."""
        self._test_until_s = now_s + TEST_S
        for beacon in self._beacons.values():
            beacon.want(Show.TEST)

    def answered(self, answer: BeaconAnswer, source: str) -> None:
        """Take an answer; one to no question, or not from the source that was asked, doesn't count."""
        beacon = self._beacons.get(answer.rig)
        if beacon is None or self._sources.get(answer.rig) != source:
            return
        beacon.answered(answer)
        if beacon.shown == "none":
            self._known.discard(answer.rig)
        elif beacon.shown is not None:
            self._known.add(answer.rig)

    def states(self, now_s: float) -> dict[str, str]:
        """Each beacon's state: `waiting`, `shown`, `failed` or, if its rig is silent, `unreachable`."""
        return {
            rig: self._beacons[rig].state(now_s) if rig in self._beacons else "unreachable"
            for rig in sorted(self._known)
        }
