"""What is said on a rig's line besides frames: the host's lines, and the rig's answers. No I/O, no clock.

The host's lines are ``?`` alone, and ``a<seq>``, ``r`` and ``b<number> <show>``, each with `*` and its CRC-32
like a frame. Answers are JSON objects behind a `#`, with a CRC too. All of it stands in
``firmware_notes/wire_format.md``.
"""

from __future__ import annotations

from typing import Final
from zlib import crc32

import msgspec

WHO_ARE_YOU: Final = b"?\n"
"""Asks for the answer that `About` is."""

ACKNOWLEDGE_EVERY_S: Final = 1.0
"""How often a host acknowledges while frames come in; five silent seconds are nobody to a rig. [s]"""


def sealed(body: bytes) -> bytes:
    """Give a line: the body, `*`, its CRC-32 as eight hex digits, a newline."""
    return b"%b*%08x\n" % (body, crc32(body))


AGAIN: Final = sealed(b"r")
"""Asks for all that hasn't been acknowledged: the first thing that is said on a line that was just opened,
and after a line that came in damaged."""


def acknowledgement(seq: int) -> bytes:
    """Give the line, newline included, that says: this frame, and all that you sent before it, is on disk.

    `seq` is that of the last frame to come in of those on disk, not the highest.
    """
    return sealed(b"a%d" % seq)


class About(msgspec.Struct, frozen=True):
    """The answer to `?`: who a rig is, how it is set up, how it fares."""

    rig: str
    program: str = ""
    period_ms: int = 0  # between frames
    link: str = "serial"  # `serial` or `mqtt`: where its frames go
    reset: str = ""  # what started it (power, watchdog, pin, soft), if it knows
    ch: dict[str, str] = {}  # the chip of each channel
    beacon: tuple[str, ...] = ()  # `lamp`, `buzzer`; empty without
    kept: int = 0  # frames still to be sent
    lost: int = 0  # frames given up for want of room
    missed: int = 0  # beats that it was late for


class BeaconAnswer(msgspec.Struct, frozen=True):
    """A rig's answer to a beacon line."""

    rig: str
    beacon: int  # the number of the line that is answered
    show: str  # what the beacon shows now; `none` on a rig that has neither lamp nor buzzer


_about = msgspec.json.Decoder(About)
_beacon = msgspec.json.Decoder(BeaconAnswer)


def is_answer(line: bytes) -> bool:
    """Tell whether a line is meant as an answer, not as a frame; `wire.decode` would call it malformed."""
    return line.startswith(b"#")


def decode_answer(line: bytes) -> About | BeaconAnswer | None:
    """Give what an answer, with or without its newline, says; None if it is neither, or was damaged."""
    body, _, crc = line.rstrip(b"\r\n").rpartition(b"*")
    if not is_answer(body) or crc != b"%08x" % crc32(body):
        return None
    for decode in (_beacon.decode, _about.decode):
        try:
            return decode(body[1:])
        except (ValueError, RecursionError):
            continue
    return None
