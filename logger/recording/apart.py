"""How much room frames take up that can't be placed: per rig, or per source for rigs that aren't recorded."""

from __future__ import annotations

from typing import Final

ROOM_BYTES: Final = 16_000_000
"""What may be set apart for a recorded rig, or for a source's other rigs: 80 min, 8 channels, 10 Hz."""
STREAMS: Final = 512
"""Most rigs followed at a time, recorded or not."""
FULL: Final = (
    f"{ROOM_BYTES // 1_000_000} MB of frames that can't be placed are set apart; no more are kept or "
    "acknowledged"
)
_MAY_BE_PLACED: Final = STREAMS * 100


class Room:
    """Counts and numbers the frames set apart."""

    def __init__(self) -> None:
        self.next_id = 1
        self.frames = 0
        """Set apart, without a place yet."""
        self._bytes: dict[str, int] = {}
        # Of frames that may still be placed: their account, and their size.
        self._waiting: dict[int, tuple[str, int]] = {}

    def add(self, key: str, frames: int, size: int) -> None:
        """Count frames that are already stored: their number, and their bytes."""
        self.frames += frames
        self._bytes[key] = self._bytes.get(key, 0) + size

    def keep(self, key: str, size: int, *, may_be_placed: bool = False) -> int | None:
        """Take a frame of this size [bytes]; return its number, or None if its account is full."""
        known = key in self._bytes or len(self._bytes) < STREAMS
        if not known or self._bytes.get(key, 0) + size > ROOM_BYTES:
            return None
        number, self.next_id = self.next_id, self.next_id + 1
        self.add(key, 1, size)
        if may_be_placed:
            self.may_be_placed(number, key, size)
        return number

    def may_be_placed(self, number: int, key: str, size: int) -> None:
        """Remember a frame that may still find its place."""
        self._waiting[number] = (key, size)
        if len(self._waiting) > _MAY_BE_PLACED:
            del self._waiting[next(iter(self._waiting))]

    def let_go(self, number: int) -> None:
        """Stop counting a frame: it has found its place, or is lost."""
        self.frames -= 1
        if number in self._waiting:
            key, size = self._waiting.pop(number)
            self._bytes[key] -= size
