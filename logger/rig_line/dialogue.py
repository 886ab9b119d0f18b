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
    """Give the line that says: this frame, and all that you sent before it, is on disk.

    Parameters
    ----------
    seq : int
        Of the frame that came in last, of those that are on disk; not the highest.

    Returns
    -------
    bytes
        With its newline.
    """
    return sealed(b"a%d" % seq)


class About(msgspec.Struct, frozen=True):
    """The answer to `?`: who a rig is, how it is set up, how it fares.

    Attributes
    ----------
    rig : str
    program : str
    period_ms : int
        Between frames. [ms]
    link : str
        `serial` or `mqtt`: where its frames go.
    ch : dict of str to str
        The chip of each channel.
    reset : str
        What started it (`power`, `watchdog`, `pin`, `soft`), if it knows.
    beacon : tuple of str
        `lamp`, `buzzer`; empty without.
    kept, lost, missed : int
        Frames still to be sent, frames given up for want of room, beats that it was late for.
    """

    rig: str
    program: str = ""
    period_ms: int = 0
    link: str = "serial"
    reset: str = ""
    ch: dict[str, str] = {}
    beacon: tuple[str, ...] = ()
    kept: int = 0
    lost: int = 0
    missed: int = 0


class BeaconAnswer(msgspec.Struct, frozen=True):
    """A rig's answer to a beacon line.

    Attributes
    ----------
    rig : str
    beacon : int
        The number of the line that is answered.
    show : str
        What the beacon shows now; `none` on a rig that has neither lamp nor buzzer.
    """

    rig: str
    beacon: int
    show: str


_about = msgspec.json.Decoder(About)
_beacon = msgspec.json.Decoder(BeaconAnswer)


def is_answer(line: bytes) -> bool:
    """Tell whether a line is meant as an answer, not as a frame; `wire.decode` would call it malformed."""
    return line.startswith(b"#")


def decode_answer(line: bytes) -> About | BeaconAnswer | None:
    """Give what an answer says.

    Parameters
    ----------
    line : bytes
        With or without its newline.

    Returns
    -------
    About, BeaconAnswer or None
        None if it is neither, or was damaged.
    """
    body, _, crc = line.rstrip(b"\r\n").rpartition(b"*")
    if not is_answer(body) or crc != b"%08x" % crc32(body):
        return None
    for decode in (_beacon.decode, _about.decode):
        try:
            return decode(body[1:])
        except (ValueError, RecursionError):
            continue
    return None
