"""Lamps and buzzers at the fire: what each is told, and whether it has answered. No I/O, no clock.

The logger says every few seconds what to show, changed or not; the rig answers each time with what it shows.
A beacon that doesn't answer, or shows something else, has failed. That is an alarm in itself, since a dark
lamp must never be taken to mean that the fire is well. The rig has a pattern of its own for when it has heard
nothing for half a minute.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

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


@dataclass(slots=True)
class _Beacon:
    """One rig's beacon, as the logger sees it."""

    source: str = ""  # through which it was told
    show: Show = Show.OFF  # what it was told last …
    said_s: float = float("-inf")  # … and when
    asked: dict[int, Show] = field(default_factory=dict)  # by number, the latest lines not answered
    unanswered_since_s: float | None = None


class Beacons:
    """Tells each rig what to show.

    `number` draws a different one for each line. Being unguessable, it proves that whoever repeats it has
    heard the line.

    Only its answers show whether a rig has a lamp or a buzzer: one that has never answered still gets the
    line, in case it can show something, but isn't missed. One that has answered is missed; so is one that is
    `known` from when this firing was last watched.
    """

    def __init__(self, say: Say, number: Callable[[], int], known: Iterable[str] = ()) -> None:
        self._say = say
        self._number = number
        self._known = set(known)
        self._beacons: dict[str, _Beacon] = {}
        self._test_until_s = float("-inf")

    def tick(self, now_s: float, show: Show, heard: Mapping[str, tuple[str, float]]) -> None:
        """Send what is due; `heard` gives, by rig, the source and time (monotonic) of its last frame."""
        if now_s < self._test_until_s:
            show = Show.TEST
        for rig, (source, last_s) in list(heard.items()):
            if now_s - last_s > RIG_GONE_S:
                self._beacons.pop(rig, None)
                continue
            beacon = self._beacons.setdefault(rig, _Beacon())
            beacon.source = source
            if show != beacon.show or now_s - beacon.said_s >= REPEAT_S:
                self._tell(rig, beacon, show, now_s)

    def _tell(self, rig: str, beacon: _Beacon, show: Show, now_s: float) -> None:
        """Say it; it doesn't matter whether the sending works: only the answer counts."""
        beacon.show, beacon.said_s = show, now_s
        if beacon.unanswered_since_s is None:
            beacon.unanswered_since_s = now_s
        number = self._number()
        beacon.asked[number] = show
        if len(beacon.asked) > 8:
            del beacon.asked[next(iter(beacon.asked))]
        self._say(beacon.source, rig, beacon_line(number, show))

    def test(self, now_s: float) -> None:
        """Test every lamp and buzzer."""
        self._test_until_s = now_s + TEST_S

    def answered(self, answer: BeaconAnswer, source: str) -> None:
        """Take an answer; it counts only if it is to the last line, by the same way, and shows just that."""
        beacon = self._beacons.get(answer.rig)
        if beacon is None or beacon.source != source:
            return
        asked = beacon.asked.pop(answer.beacon, None)  # counts once: a repetition may be a recording
        if asked is None:
            return
        if answer.show == "none":  # neither lamp nor buzzer
            self._known.discard(answer.rig)
            return
        self._known.add(answer.rig)
        if asked == beacon.show == answer.show:
            beacon.unanswered_since_s = None

    def states(self, now_s: float) -> dict[str, str]:
        """Each beacon's state.

        `shown`: it shows what it should; `waiting`: an answer is due; `failed`: no correct one for
        `FAILED_AFTER_S`, which is an alarm; `unreachable`: its rig is silent.
        """
        return {rig: self._state(self._beacons.get(rig), now_s) for rig in sorted(self._known)}

    def _state(self, beacon: _Beacon | None, now_s: float) -> str:
        if beacon is None:
            return "unreachable"
        if beacon.unanswered_since_s is None:
            return "shown"
        return "failed" if now_s - beacon.unanswered_since_s >= FAILED_AFTER_S else "waiting"
