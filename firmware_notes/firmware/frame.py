"""Records and lines. A record is a frame as kept, in a fixed number of bytes; a line is a frame as sent."""

import binascii
import struct

HEAD = 8  # seq and ms, 32 bits each
ABSENT, VALUE = 0, 1  # a channel's tag in a record; a fault is 2 + its place in FAULTS
FAULTS = ("open", "short_ground", "short_supply", "range")


def fault(name):
    return 2 + FAULTS.index(name)


def sealed(body):
    """Make a line: the body (bytes), `*`, its CRC-32 in hex, a newline."""
    return b"%s*%08x\n" % (body, binascii.crc32(body))


def opened(line):
    """Return the body of a line received, or None if its CRC is wrong or missing."""
    if len(line) < 10 or line[-9] != 42:  # '*'
        return None
    body = line[:-9]
    return body if line[-8:] == b"%08x" % binascii.crc32(body) else None


class Layout:
    """Where each channel is in a record, and how it is written in a line."""

    def __init__(self, rig, chips):
        self._head = '{"rig":"%s","seq":%%d,"ms":%%d,"ch":{' % rig
        self._parts = []
        at = HEAD
        for chip in chips:
            if chip.amp:
                value = '"%s":{"amp":"%s","raw":"%%s"}' % (chip.name, chip.amp)
            else:
                value = '"%s":{"c":%%.2f}' % chip.name
            broken = '"%s":{"fault":"%%s"}' % chip.name
            self._parts.append((at, chip.size, chip.amp, value, broken))
            at += 1 + chip.size
        self.size = at

    def line(self, record):
        """Return a record's line, or None if it has no channel in it."""
        seq, ms = struct.unpack_from("<II", record, 0)
        found = []
        for at, size, amp, value, broken in self._parts:
            tag = record[at]
            if tag == VALUE:
                if amp:
                    word = binascii.hexlify(memoryview(record)[at + 1 : at + 1 + size])
                    found.append(value % word.decode())
                else:
                    found.append(value % struct.unpack_from("<f", record, at + 1)[0])
            elif tag:
                found.append(broken % FAULTS[tag - 2])
        if not found:
            return None
        return sealed((self._head % (seq, ms) + ",".join(found) + "}}").encode())
