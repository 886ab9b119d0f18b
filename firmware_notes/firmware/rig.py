"""The rig: reads its chips on the beat, sends frames, keeps what nobody takes, answers, shows alarms."""

import gc
import json
import struct
import time

import machine
from beacon import Beacon
from chips import open_chips
from frame import ABSENT, Layout, opened, sealed
from keep import Keep
from usb import Usb

PROGRAM = "stokewatch-rig 1"
RESETS = {"PWRON": "power", "WDT": "watchdog", "HARD": "pin", "SOFT": "soft", "DEEPSLEEP": "sleep"}
MARGIN_MS = 10  # kept frames leave the line free this long before the next beat


class Rig:
    def __init__(self, config):
        self._config = config
        self._chips = open_chips(config)
        self._rests = [None] * len(self._chips)
        self._layout = Layout(config.RIG, self._chips)
        self._record = bytearray(self._layout.size)
        self._words = []
        at = 8
        for chip in self._chips:
            self._words.append((at, memoryview(self._record)[at + 1 : at + 1 + chip.size]))
            at += 1 + chip.size
        self._keep = Keep(self._layout.size, config.KEEP_RAM_BYTES, config.KEEP_DIR, config.KEEP_FILE_BYTES)
        self._beacon = Beacon(config.LAMP_PIN, config.BUZZER_PIN)
        self._usb = Usb()
        self._radio = None
        if config.LINK == "mqtt":
            from mqtt import Mqtt

            self._radio = Mqtt(config.RIG, config.WIFI, config.BROKER)
        self._link = self._radio or self._usb
        self._listened = False
        # Nothing else is urgent: the host's lines wait on the board, and a beacon blinks in steps of 50 ms.
        self._nap_ms = 25 if self._radio or self._beacon.parts else 500
        self._seq = 0
        self._missed = 0  # beats skipped because it was late
        self._due = self._ticks = time.ticks_ms()
        self._ms = self._ticks
        self._usb.send_now(self._about())

    def step(self):
        """Do whatever is due; return how many milliseconds may be slept."""
        self._usb.poll(self._take)
        if self._radio:
            self._radio.poll(self._take, self._keep.acknowledged, self._greet)
        listening = self._link.listening()
        if self._listened and not listening:
            self._keep.again()
        self._listened = listening
        self._beacon.tick()
        if time.ticks_diff(self._due, time.ticks_ms()) <= 0:
            self._sample()
            gc.collect()  # at a known moment; left to itself it could interrupt a read
        self._send_kept()
        return min(max(time.ticks_diff(self._due, time.ticks_ms()), 0), self._nap_ms)

    def _sample(self):
        now = time.ticks_ms()
        while True:
            self._due = time.ticks_add(self._due, self._config.PERIOD_MS)
            if time.ticks_diff(self._due, now) > 0:
                break
            self._missed += 1
        # The board's ticks wrap sooner than the 32 bits of the line.
        self._ms = (self._ms + time.ticks_diff(now, self._ticks)) & 0xFFFFFFFF
        self._ticks = now
        struct.pack_into("<II", self._record, 0, self._seq, self._ms)
        anything = False
        for i, chip in enumerate(self._chips):
            at, word = self._words[i]
            tag = ABSENT
            if self._rests[i] is None or time.ticks_diff(now, self._rests[i]) >= chip.rest_ms:
                tag = chip.read(word)
                self._rests[i] = now if chip.rest_ms else None
            self._record[at] = tag
            anything = anything or tag != ABSENT
        if not anything:
            return
        slot = self._keep.put(self._record)
        if self._keep.room(live=True):
            tag = self._link.send(self._layout.line(self._record), self._seq)
            if tag is not None:
                self._keep.sent(slot, tag)
        self._seq = (self._seq + 1) & 0xFFFFFFFF

    def _send_kept(self):
        """Send frames that nobody has taken yet, in the time that is left."""
        cost_ms = 0
        while self._link.listening() and self._keep.room(live=False):
            start = time.ticks_ms()
            if time.ticks_diff(self._due, start) < MARGIN_MS + cost_ms:
                return
            found = self._keep.next()
            if not found:
                return
            record, slot = found
            tag = self._link.send(self._layout.line(record), struct.unpack_from("<I", record, 0)[0])
            if tag is None:
                return
            self._keep.sent(slot, tag)
            cost_ms = max(cost_ms, time.ticks_diff(time.ticks_ms(), start))

    def _take(self, line, reply):
        """Act on a line from the host; return whether it was one."""
        if line == b"?":
            reply(self._about())
            return True
        body = opened(line)
        if body is None:
            return False
        try:
            if body == b"r":
                self._keep.again()
            elif body[:1] == b"a":
                self._keep.acknowledged(int(body[1:]))
            elif body[:1] == b"b":
                number, show = body[1:].decode().split(" ")
                said = {"rig": self._config.RIG, "beacon": int(number), "show": self._beacon.tell(show)}
                reply(sealed(b"#" + json.dumps(said).encode()))
            else:
                return False
        except (ValueError, UnicodeError):
            return False
        return True

    def _greet(self):
        self._radio.answer(self._about())

    def _about(self):
        """The answer to `?`: who this is, how it is set up, how it is doing."""
        config = self._config
        return sealed(
            b"#"
            + json.dumps(
                {
                    "rig": config.RIG,
                    "program": PROGRAM,
                    "period_ms": config.PERIOD_MS,
                    "link": config.LINK,
                    "reset": why_it_started(),
                    "ch": {spec["name"]: spec["chip"] for spec in config.CHANNELS},
                    "beacon": self._beacon.parts,
                    "kept": self._keep.waiting(),
                    "lost": self._keep.lost(),
                    "missed": self._missed,
                }
            ).encode()
        )


def why_it_started():
    """What started the board, as far as it knows: most report a brown-out as `power`."""
    for name, words in RESETS.items():
        if getattr(machine, name + "_RESET", None) == machine.reset_cause():
            return words
    return "unknown"
