"""What goes from the way in to the journal's thread, and what becomes of it there."""

from __future__ import annotations

from dataclasses import dataclass, field

from logger.journal.rows import Apart, Key
from logger.reading import Event, Frame
from logger.recording.far_end import Token


@dataclass(slots=True)
class Taken:
    """What has come in since the last time."""

    frames: list[tuple[Frame, int]] = field(default_factory=list)  # with the time of each, UTC. [µs]
    # frames that nobody can place yet, to be kept as they came
    apart: list[Apart] = field(default_factory=list)
    # numbers of frames set apart earlier that are among `frames` now
    placed: list[int] = field(default_factory=list)
    keys: dict[str, list[Key]] = field(default_factory=dict)  # of `frames`, by rig
    tokens: list[Token] = field(default_factory=list)  # to acknowledge once all this is in the journal
    # never to be acknowledged: there is no room to keep them
    refused: list[Token] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)  # what happened to rigs and sources

    def __bool__(self) -> bool:
        return bool(self.frames or self.apart or self.placed or self.tokens or self.refused or self.events)


@dataclass(slots=True)
class Line:
    """A sound frame on its way to the journal's thread."""

    frame: Frame
    arrival_s: float
    checksum: int
    source: str
    token: object | None
    bytes: bytes
    stray: bool = False
    """It came under another rig's topic."""
    kept_before: bool = False
    """It is on disk, set apart by an earlier start."""
    proven: bool = True
    """It has a checksum, a counter and a clock of its own."""
