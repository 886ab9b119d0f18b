"""Lamp and buzzer at the fire: they show what the logger says, and when it has gone silent."""

import time

from machine import Pin

LOST_MS = 30_000  # without a word from the logger for this long, the beacon shows `lost`
TEST_MS = 3000

# (lamp, buzzer, milliseconds), repeated.
PATTERNS = {
    "off": ((0, 0, 1000),),
    "quiet": ((1, 0, 50), (0, 0, 4950)),  # all is well, and somebody is watching
    "good": ((1, 1, 100), (0, 0, 100), (1, 1, 100), (0, 0, 100), (1, 1, 100), (0, 0, 9500)),
    "standing": ((1, 0, 1000),),  # an alarm that somebody has acknowledged
    "alarm": ((1, 1, 250), (0, 0, 250)),
    "lost": ((1, 0, 100), (0, 0, 200), (1, 0, 100), (0, 0, 2600)),
    "test": ((1, 1, 250), (0, 1, 250)),
}


class Beacon:
    def __init__(self, lamp_pin, buzzer_pin):
        self._lamp = None if lamp_pin is None else Pin(lamp_pin, Pin.OUT, value=0)
        self._buzzer = None if buzzer_pin is None else Pin(buzzer_pin, Pin.OUT, value=0)
        self.parts = [n for n, p in (("lamp", lamp_pin), ("buzzer", buzzer_pin)) if p is not None]
        self.shown = "off"
        self._told = None
        self._since = time.ticks_ms()

    def tell(self, show):
        """Show this from now on, if it is known; return what is shown, `none` without lamp and buzzer."""
        if not self.parts:
            return "none"
        if show in PATTERNS and show != "lost":
            self._told = time.ticks_ms()
            self._change(show)
        return self.shown

    def _change(self, show):
        if show != self.shown:
            self.shown = show
            self._since = time.ticks_ms()

    def tick(self):
        """Set lamp and buzzer to where the pattern is now."""
        if not self.parts:
            return
        now = time.ticks_ms()
        if self._told is not None:
            silent_ms = time.ticks_diff(now, self._told)
            if self.shown == "test" and silent_ms > TEST_MS:
                self._change("quiet")
            if silent_ms > LOST_MS:
                self._told = None
                if self.shown != "off":
                    self._change("lost")
        pattern = PATTERNS[self.shown]
        length = sum(step[2] for step in pattern)
        at = time.ticks_diff(now, self._since)
        if at >= length:
            self._since = time.ticks_add(self._since, at // length * length)
            at %= length
        for lamp, buzzer, ms in pattern:
            if at < ms:
                self._set(lamp, buzzer)
                return
            at -= ms

    def _set(self, lamp, buzzer):
        if self._lamp:
            self._lamp(lamp)
        if self._buzzer:
            self._buzzer(buzzer)
