"""Offsets from UTC: as a CSV file writes them, and as a place's clock has them."""

from __future__ import annotations

import re
from datetime import datetime, timedelta, tzinfo
from typing import Final

import numpy as np

from logger.reading import Ints

_OFFSET: Final = re.compile(r"(?:(?:GMT|UTC)\s?)?([+\-−])(\d{1,2})(?::?(\d{2}))?", re.I)


def offset_us(zone: str) -> int | None:
    """Read an offset from UTC; None where that is a place or a word. [µs]."""
    if zone.upper() in ("Z", "UTC", "GMT"):
        return 0
    match = _OFFSET.fullmatch(zone.strip())
    if match is None or int(match[2]) > 15 or int(match[3] or 0) > 59:
        return None
    minutes = int(match[2]) * 60 + int(match[3] or 0)
    return (minutes if match[1] == "+" else -minutes) * 60_000_000


def offset_in(text: str) -> int | None:
    """Find an offset from UTC among other words; None where there is none. [µs]."""
    found = re.search(
        r"(?:GMT|UTC)\s?[+\-−]\d{1,2}(?::?\d{2})?|(?<![A-Za-z])(?:GMT|UTC)(?![A-Za-z])", text, re.I
    )
    return None if found is None else offset_us(found[0])


def offset_words(offset: int) -> str:
    """Write an offset [µs] that a header told."""
    minutes = abs(offset) // 60_000_000
    return f"UTC{'-' if offset < 0 else '+'}{minutes // 60:02}:{minutes % 60:02}, as the header says"


def zone_offsets_us(local_us: Ints, zone: tzinfo | None) -> Ints:
    """Give the offsets from UTC of a wall's clock, the hour that comes twice by where the clock goes back.

    Without a zone it is the computer's own.
    """
    # Zones change at full quarters of an hour: ask once for each, not for each row.
    quarters, inverse = np.unique(local_us // 900_000_000, return_inverse=True)
    first, second = (
        np.array([_zone_offset_us(int(q) * 900_000_000, zone, fold) for q in quarters], np.int64)[inverse]
        for fold in (0, 1)
    )
    ambiguous = first != second
    if not ambiguous.any():
        return first
    # An hour that comes twice, in autumn: the second time has begun when the clock has gone back.
    back = np.concatenate(([0], np.cumsum(np.diff(local_us) < -1_800_000_000)))
    return np.where(ambiguous & (back > 0), second, first).astype(np.int64)


def _zone_offset_us(local_us: int, zone: tzinfo | None, fold: int) -> int:
    naive = datetime(1970, 1, 1) + timedelta(microseconds=local_us)  # noqa: DTZ001
    aware = naive.replace(tzinfo=zone, fold=fold) if zone else naive.replace(fold=fold).astimezone()
    offset = aware.utcoffset()
    assert offset is not None
    return offset // timedelta(microseconds=1)
