"""How much room frames take that can't be placed: by rig, or by source for those of strangers."""

from __future__ import annotations

from typing import Final

ROOM_BYTES: Final = 16_000_000
"""What may be set apart of one recorded rig, or of one source's strangers: 80 min, 8 channels, 10 Hz."""
STREAMS: Final = 512
"""Rigs that are followed at most, recorded or not."""
FULL: Final = (
    f"{ROOM_BYTES // 1_000_000} MB of frames that can't be placed are set apart; no more are kept, nor "
    "acknowledged"
)
_MAY_BE_PLACED: Final = STREAMS * 100


class Room:
    """Counts the frames that are set apart, and numbers them."""

    def __init__(self) -> None:
        self.next_id = 1
        self.frames = 0
        """That are set apart and have no place yet."""
        self._bytes: dict[str, int] = {}
        # Of frames that may be placed yet: where they count, and their size.
        self._waiting: dict[int, tuple[str, int]] = {}

    def add(self, key: str, frames: int, size: int) -> None:
        """Count frames that are there already: their number, and their bytes."""
        self.frames += frames
        self._bytes[key] = self._bytes.get(key, 0) + size

    def keep(self, key: str, size: int, *, may_be_placed: bool = False) -> int | None:
        """Take a frame of this size [bytes], and give its number; None where its account has no room."""
        known = key in self._bytes or len(self._bytes) < STREAMS
        if not known or self._bytes.get(key, 0) + size > ROOM_BYTES:
            return None
        number, self.next_id = self.next_id, self.next_id + 1
        self.add(key, 1, size)
        if may_be_placed:
            self.may_be_placed(number, key, size)
        return number

    def may_be_placed(self, number: int, key: str, size: int) -> None:
        """Remember a frame that may find its place yet."""
        self._waiting[number] = (key, size)
        if len(self._waiting) > _MAY_BE_PLACED:
            del self._waiting[next(iter(self._waiting))]

    def let_go(self, number: int) -> None:
        """Count a frame no more: it has found its place, or is lost."""
        self.frames -= 1
        if number in self._waiting:
            key, size = self._waiting.pop(number)
            self._bytes[key] -= size
