"""Frames that were kept as they came, since nobody could tell where they belong; what came lately."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import msgspec

MIGRATION: Final = (
    # Kept as they came; firing is NULL before one has begun.
    """CREATE TABLE set_apart (
        id INTEGER PRIMARY KEY, firing INTEGER, t_us INTEGER NOT NULL, rig TEXT NOT NULL,
        source TEXT NOT NULL, why TEXT NOT NULL, line BLOB NOT NULL)""",
    "CREATE INDEX set_apart_of_firing ON set_apart (firing)",
    # seq, ms and checksum of the last minutes' frames, commit by commit: what comes again is known by them.
    "CREATE TABLE lately (id INTEGER PRIMARY KEY, t_us INTEGER NOT NULL, data BLOB NOT NULL)",
)

LATELY_US: Final = 20 * 60 * 1_000_000
"""How long it is remembered which frames came. [µs]"""

Key = tuple[int, int, int]
"""`seq`, `ms` and checksum of a frame."""

keys: Final = msgspec.msgpack.Decoder(dict[str, list[Key]])


@dataclass(frozen=True, slots=True)
class Apart:
    """A frame that was set apart."""

    id: int
    t_us: int  # when it came in, UTC. [µs]
    rig: str
    source: str
    why: str  # `unplaced`, `rig`, `topic` or `channels`: see `WHY`
    line: bytes  # as it came, without its newline


WHY: Final = {
    "unplaced": "its counter and clock fit nothing else that this rig sent",
    "rig": "more rigs send than one firing takes",
    "topic": "it came under another rig's topic",
    "channels": "it has more channels than one firing takes",
}
