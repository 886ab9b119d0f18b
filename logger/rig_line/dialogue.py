"""Everything on a rig's line besides frames: the host's lines, and the rig's answers. No I/O, no clock.

The host's lines are ``?`` alone, and ``a<seq>``, ``r`` and ``b<number> <show>``, each with `*` and its CRC-32
like a frame. Answers are JSON objects after a `#`, with a CRC too. ``firmware_notes/wire_format.md`` defines
them all.
"""

from __future__ import annotations

from typing import Final
from zlib import crc32

import msgspec

WHO_ARE_YOU: Final = b"?\n"
"""Asks for an `About`."""

ACKNOWLEDGE_EVERY_S: Final = 1.0
"""How often a host acknowledges while frames come in; a rig gives it up after five silent seconds. [s]"""


def sealed(body: bytes) -> bytes:
    """Make a line: the body, `*`, its CRC-32 as eight hex digits, a newline."""
    return b"%b*%08x\n" % (body, crc32(body))


AGAIN: Final = sealed(b"r")
"""Asks for everything not yet acknowledged: sent first on a newly opened line, and after a damaged one."""


def acknowledgement(seq: int) -> bytes:
    """Make the line, newline included, that says: this frame, and all that you sent before it, is on disk.

    `seq` belongs to the frame on disk that arrived last, not to the highest.
    """
    return sealed(b"a%d" % seq)


class About(msgspec.Struct, frozen=True):
    """The answer to `?`: who a rig is, how it is set up, how it is doing."""

    rig: str
    program: str = ""
    period_ms: int = 0  # between frames
    link: str = "serial"  # `serial` or `mqtt`: where its frames go
    reset: str = ""  # what started it (power, watchdog, pin, soft), if it knows
    ch: dict[str, str] = {}  # the chip of each channel
    beacon: tuple[str, ...] = ()  # `lamp`, `buzzer`; empty without
    kept: int = 0  # frames still to be sent
    lost: int = 0  # frames dropped for lack of room
    missed: int = 0  # beats that it was late for


class BeaconAnswer(msgspec.Struct, frozen=True):
    """A rig's answer to a beacon line."""

    rig: str
    beacon: int  # the number of the line being answered
    show: str  # what the beacon shows now; `none` on a rig with neither lamp nor buzzer


_about = msgspec.json.Decoder(About)
_beacon = msgspec.json.Decoder(BeaconAnswer)


def is_answer(line: bytes) -> bool:
    """Whether a line is meant as an answer, not a frame; `wire.decode` would call it malformed."""
    return line.startswith(b"#")


def decode_answer(line: bytes) -> About | BeaconAnswer | None:
    """Read an answer, with or without its newline; None if it is neither kind, or damaged."""
    body, _, crc = line.rstrip(b"\r\n").rpartition(b"*")
    if not is_answer(body) or crc != b"%08x" % crc32(body):
        return None
    for decode in (_beacon.decode, _about.decode):
        try:
            return decode(body[1:])
        except (ValueError, RecursionError):
            continue
    return None
