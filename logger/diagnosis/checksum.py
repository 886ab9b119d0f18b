"""What may be behind a wrong checksum."""

from __future__ import annotations

from zlib import adler32, crc32


def explain_checksum(line: bytes) -> str:
    """Say what is wrong with a checksum that `wire.decode` refuses; empty if nothing fits."""
    line = line.rstrip(b"\r\n")
    body, star, given = line.rpartition(b"*")
    if not star:
        return "there is no * and no checksum at the end"
    right = crc32(body)
    text = given.decode("ascii", "replace").strip()
    if text.lower().removeprefix("0x").zfill(8) == f"{right:08x}":
        return "the right number, but it must be exactly eight lower-case hex digits, nothing else"
    if text == str(right):
        return "the right number, but in decimal; send it in hex"
    try:
        value = int(text, 16)
    except ValueError:
        return "what follows the * is not a hex number"
    swapped = int.from_bytes(value.to_bytes(8, "big")[-4:], "little")
    candidates = {
        crc32(body + b"*"): "it includes the *; stop before it",
        crc32(body + b"\n"): "it includes a newline; stop before the *",
        crc32(body + b"\r\n"): "it includes the line's end; stop before the *",
        right ^ 0xFFFFFFFF: "the last step, inverting all bits, is missing",
        adler32(body): "it is Adler-32, not CRC-32",
        _castagnoli(body): "it is CRC-32C (Castagnoli), not the CRC-32 of zlib",
        _bzip2(body): "it is CRC-32/BZIP2, most significant bit first; zlib's is least significant first",
        ~_bzip2(body) % 2**32: (
            "it is CRC-32/MPEG-2, most significant bit first; zlib's is least significant first"
        ),
    }
    if value in candidates:
        return candidates[value]
    if swapped == right:
        return "its bytes are in the wrong order; send the most significant byte first"
    if len(text) <= 4:
        return "it has sixteen bits; a CRC-32 has thirty-two"
    return ""


def _castagnoli(data: bytes) -> int:
    crc = 0xFFFFFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0x82F63B78 if crc & 1 else 0)
    return crc ^ 0xFFFFFFFF


def _bzip2(data: bytes) -> int:
    """CRC-32, most significant bit first: zlib's with each byte, and the result, bit-reversed."""
    return _turned(crc32(bytes(_turned(byte, 8) for byte in data)), 32)


def _turned(number: int, bits: int) -> int:
    return int(f"{number:0{bits}b}"[::-1], 2)
