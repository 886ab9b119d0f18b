"""One line of bytes from a rig, to and from a `Frame`. No I/O, no clock.

A line is a JSON object, `*`, the CRC-32 of the bytes before the `*` as eight lower-case hex digits, and a
newline. The CRC is checked before anything else; a line that fails is dropped, never guessed at.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final
from zlib import crc32

import msgspec

from logger.errors import StokewatchError, shortened
from logger.reading import MAX_CHANNELS, MAX_NAME, Frame, Sample

MAX_LINE = 16 * 1024
"""Longest line accepted, without its newline; 64 channels need at most half of it. [bytes]"""

BACKSLASH, DELETE = 0x5C, 0x7F

_decoder = msgspec.json.Decoder(Frame)
_encoder = msgspec.json.Encoder()
_all_hex = re.compile("[0-9a-fA-F]*").fullmatch
# A rig's name becomes part of MQTT topics and of file names, a channel's name part of a header line.
is_name = re.compile(rf"[A-Za-z0-9][A-Za-z0-9_.-]{{0,{MAX_NAME - 1}}}").fullmatch
_known_names: set[tuple[str, ...]] = set()

_SEALED: Final = re.compile(rb"\*[0-9a-fA-F]{1,8}$")


class WireError(StokewatchError):
    """A line that isn't a true frame."""


class BadCrc(WireError):
    """The line was damaged on its way, or never had a checksum."""

    def __init__(self) -> None:
        super().__init__("the line's CRC is wrong or missing")


class Malformed(WireError):
    """The line arrived intact, but its content breaks the wire format's rules."""

    def __init__(self, reason: str) -> None:
        super().__init__(f"malformed frame: {reason}")
        self.reason = reason


@dataclass(slots=True)
class Counters:
    """What became of the lines that came in."""

    frames: int = 0  # accepted, late ones included
    bad_crc: int = 0  # dropped
    malformed: int = 0  # dropped
    out_of_order: int = 0  # accepted after frames with a higher `seq`
    missing: int = 0  # gaps in `seq` at present; a late frame reduces it
    duplicates: int = 0  # dropped, since the same frame was accepted before
    chatter: int = 0  # other words from a board, at start-up for instance; dropped


class LineSplitter:
    """Cuts a stream of bytes into lines, however the bytes come in.

    Holds at most `MAX_LINE` bytes between calls. Of a longer line the first `MAX_LINE` + 1 bytes are passed
    on, which `decode` refuses, so that it counts once; the rest, up to the next newline, is discarded.
    """

    def __init__(self) -> None:
        self.tail = b""
        """Everything after the last newline."""
        self._skipping = False

    def feed(self, data: bytes) -> list[bytes]:
        """Take what was read and return the lines it completes, without newlines and empty lines."""
        *lines, tail = (self.tail + data).split(b"\n")
        if self._skipping:
            if not lines:
                return []
            del lines[0]
            self._skipping = False
        lines = [line[: MAX_LINE + 1] for line in lines if line]
        if len(tail) > MAX_LINE:
            lines.append(tail[: MAX_LINE + 1])
            self._skipping = True
            tail = b""
        self.tail = tail
        return lines


def decode(line: bytes) -> Frame:
    """Decode the frame in a line, with or without its newline.

    BadCrc: the checksum is missing, isn't eight lower-case hex digits, or doesn't match the bytes before it.
    Malformed: anything else that isn't exactly a frame.
    """
    line = line.rstrip(b"\r\n")
    if len(line) > MAX_LINE:
        raise Malformed(f"longer than {MAX_LINE} bytes")
    body = line[:-9]
    if line[-9:] != b"*%08x" % crc32(body):
        raise BadCrc
    try:
        frame = _decoder.decode(body)
        _check(frame, body)
    except RecursionError:
        raise Malformed("nested too deeply") from None
    except ValueError as error:  # msgspec's errors, and UTF-8's
        raise Malformed(str(error).partition(" (byte ")[0][:300]) from None
    return frame


def is_chatter(line: bytes) -> bool:
    """Whether a line is a board's other output: at start-up, at its prompt, for debugging.

    The line has no newline, but may end in a carriage return. False if it could be a frame, whole or damaged.
    """
    line = line.rstrip(b"\r")
    return not line.startswith(b"{") and line.isascii() and _SEALED.search(line) is None


def checksum(line: bytes) -> int:
    """Return the CRC at the end of a line that `decode` has accepted."""
    return int(line.rstrip(b"\r\n")[-8:], 16)


def encode(frame: Frame) -> bytes:
    """Encode a frame as a line, newline included; Malformed: `decode` would refuse it."""
    body = _encoder.encode(frame)
    line = b"%b*%08x\n" % (body, crc32(body))
    decode(line)
    return line


def _check(frame: Frame, body: bytes) -> None:
    """Check what types can't express; lines with nothing unusual take a short cut, by counting.

    Each key of a JSON object brings at least one colon. So if the values found account for every colon in
    the line, there was no other key: none unknown, none given twice, no null.
    """
    names = (frame.rig, *frame.ch)
    if names not in _known_names:
        _check_names(names)
    samples = frame.ch.values()
    colons = 4 + len(samples)
    words = []
    for sample in samples:
        if (word := sample.raw) is not None and sample.amp is not None:
            colons += 2
            words.append(word)
        elif sample.uv is not None:
            colons += 1 if sample.cj is None else 2
        elif sample.c is not None or sample.fault is not None:
            colons += 1
        else:
            _check_sample(sample)
    if words and not _all_hex("".join(words)):
        raise Malformed("a register word isn't in hex")
    if body.count(b":") != colons or not body.isascii() or BACKSLASH in body or DELETE in body:
        for sample in samples:
            _check_sample(sample)
        json.loads(body, object_pairs_hook=_unique)


def _check_names(names: tuple[str, ...]) -> None:
    """Check the names of a rig and its channels, and remember them, since every frame has the same."""
    if not 1 < len(names) <= 1 + MAX_CHANNELS:
        raise Malformed(f"{len(names) - 1} channels; there must be 1 to {MAX_CHANNELS}")
    for name in names:
        if not is_name(name):
            raise Malformed(
                f"{shortened(name)} can't be a rig or a channel: a name has up to {MAX_NAME} letters, digits,"
                " '_', '-' and '.', a letter or digit first"
            )
    if len(_known_names) >= 256:
        _known_names.clear()
    _known_names.add(names)


def _check_sample(sample: Sample) -> None:
    """Check that a sample has exactly one value, and has it complete."""
    values = [value is not None for value in (sample.raw, sample.uv, sample.c)]
    if sum(values) > 1:
        raise Malformed("a channel is given in more than one way")
    if not any(values) and sample.fault is None:
        raise Malformed("a channel has neither a value nor a fault")
    if sample.raw is not None and sample.amp is None:
        raise Malformed("a channel has a register word but no 'amp'")
    if sample.amp is not None and (sample.uv is not None or sample.c is not None):
        raise Malformed("a channel names an 'amp' but gives no register word")
    if sample.cj is not None and (sample.raw is not None or sample.c is not None):
        raise Malformed("a channel has a cold junction but no 'uv'")
    if sample.amp is not None and not (sample.amp.isascii() and sample.amp.isprintable()):
        raise Malformed("'amp' isn't a chip's name")


def _unique(pairs: list[tuple[str, Any]]) -> Mapping[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise Malformed("a name is given twice")
    return found
