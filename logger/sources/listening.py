"""Listen to serial ports, to find out what they print."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final

from logger.conversion.printed import fields, is_text, seven_bits
from logger.sources.plain.reader import LineReader
from logger.sources.serial_line import BAUD, Port, SerialLine, why

_OTHER_BAUDS: Final = (9600, 57_600, 19_200, 38_400)
LISTEN_S: Final = 2.5
"""Two frames of a rig that sends one a second. [s]"""
_PATIENCE: Final = 1.6
"""How many times longer to listen on to a port that said next to nothing."""


@dataclass(slots=True)
class Heard:
    """What was heard on a port."""

    port: str
    description: str = ""  # the system's words for the device
    lines: int = 0
    frames: int = 0  # how many of the lines were true frames; the first one ends listening
    rig: str | None = None  # its name, if there was a frame
    channels: tuple[str, ...] = field(default=())
    trouble: str = ""  # why it couldn't be listened to
    baud: int = BAUD  # the last speed tried
    # what it prints instead of the rig's line; NaN for an open input
    numbers: dict[str, float] = field(default_factory=dict)
    unreadable: int = 0  # bytes that didn't make a line of text
    last: str = ""  # the last line of text
    left_alone: str = ""


async def listen(ports: Iterable[Port], for_s: float = LISTEN_S) -> list[Heard]:
    """Listen to all ports at once, and return what each says, in the order given.

    Listening stops once a port has sent a frame; an unreadable port is also tried at other speeds.
    """

    async def one(heard: Heard) -> Heard:
        for baud in (BAUD, *_OTHER_BAUDS):
            heard.baud = baud
            await _listen_once(heard, for_s)
            if heard.trouble or not heard.unreadable:
                break
        return heard

    return await asyncio.gather(*(one(Heard(port, description)) for port, description in ports))


async def _listen_once(heard: Heard, for_s: float) -> None:
    """Listen to a port at one speed, and note what it says."""
    try:
        line = SerialLine(heard.port, heard.baud, returns=True)
    except OSError as exc:
        heard.trouble = why(exc, heard.port)
        return
    reader = LineReader()
    said: list[bytes] = []
    frame = None
    try:
        for more in (1.0, _PATIENCE):  # a board may print only every few seconds
            came, frame = await line.until_frame(more * for_s)
            said += [one for one, _ in came]
            for one, _ in came:
                if is_text(one):
                    reader.take(one)
            if frame is not None or (len(said) > 2 and reader.settled) or (line.received and not said):
                break
    finally:
        line.close()
    text = [one for one in said if is_text(one)]
    heard.lines = len(said)
    heard.last = seven_bits(text[-1])[:60].decode("utf-8", "replace") if text else ""
    if frame is not None:
        heard.frames, heard.rig, heard.channels = 1, frame.rig, tuple(frame.ch)
        return
    heard.unreadable = line.received if len(text) * 2 <= len(said) else 0
    if 0 < len(text) < 3 and len({len(fields(t)) for t in text}) == 1:
        for line_of_text in [*text, *text]:  # one or two lines of a slow board
            reader.take(line_of_text)
    heard.numbers, heard.left_alone = reader.values, reader.lines.trouble
