"""The serial line over USB: frames out, the host's lines in.

A rig can't tell that nobody is listening. Some boards know whether the port is open, others don't, and an
open port may belong to a program that has died. So the host says every few seconds that it is there.
"""

import select
import sys
import time

SILENCE_MS = 5000  # after this long without a line the host counts as gone
STUCK_MS = 200  # a write that takes longer means that nobody empties the port
LONGEST = 256  # bytes in a line from the host


class Usb:
    def __init__(self):
        self._in = select.poll()
        self._in.register(sys.stdin, select.POLLIN)
        self._out = select.poll()
        self._out.register(sys.stdout, select.POLLOUT)
        self._line = bytearray()
        self._heard = None
        self._stuck = None
        self._pause_ms = SILENCE_MS
        self._torn = False

    def listening(self):
        """Whether the host has spoken lately."""
        return self._heard is not None and time.ticks_diff(time.ticks_ms(), self._heard) < SILENCE_MS

    def poll(self, take):
        """Read what is there, and pass each whole line to `take`."""
        for _ in range(LONGEST):
            if not self._in.poll(0):
                return
            byte = sys.stdin.buffer.read(1)
            if byte in (b"\n", b"\r"):
                line = bytes(self._line)
                self._line = bytearray()
                if line and take(line, self.send_now):
                    self._heard = time.ticks_ms()
                    self._stuck = None
            elif len(self._line) < LONGEST:
                self._line.extend(byte)

    def send(self, line, seq):
        """Send a frame; return the tag it will be acknowledged by, or None if nobody will."""
        return seq if self.send_now(line) and self.listening() else None

    def send_now(self, line):
        """Send a line; return whether it went out."""
        now = time.ticks_ms()
        if self._stuck is not None and time.ticks_diff(now, self._stuck) < self._pause_ms:
            return False
        if not self._out.poll(0):
            return False
        if self._torn:
            line = b"\n" + line  # the half line before it ends here
        sent = sys.stdout.buffer.write(line)
        took_ms = time.ticks_diff(time.ticks_ms(), now)
        self._torn = sent is not None and sent < len(line)
        if self._torn or took_ms > STUCK_MS:
            self._pause_ms = min(self._pause_ms * 2, 60_000) if self._stuck is not None else SILENCE_MS
            self._stuck = time.ticks_ms()
            return not self._torn
        self._stuck = None
        return True
