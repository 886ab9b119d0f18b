"""What the mirror remembers from one start to the next, in files beside the journal."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from logger.mirror.outbox import Cursor

PROGRESS: Final = "mirror.json"
REFUSED: Final = "mirror_refused.lp"
MOST_REFUSED_BYTES: Final = 16_000_000
"""The journal has all of it anyway: beyond this they are only counted."""
MOST_KNOWN: Final = 200_000
"""So many are known again when they come again; beyond this they are counted each time."""


@dataclass(slots=True)
class Progress:
    """How far the journal is known to be in InfluxDB, and how that is going.

    It is a file of its own, replaced as a whole: the journal has one writer of readings, who should wait for
    nobody. Losing it costs sending everything again, which overwrites what is there.
    """

    target: str  # where to; what was sent elsewhere doesn't count
    file: int  # which journal: a salvaged one is another file with other numbers
    cursor: Cursor  # what came before it has been acknowledged long enough ago
    floor: Cursor  # what came before it isn't lost even if the server was started again
    started: str  # since when the server had been running
    # for people: `state`, `detail`, `sent`, `refused`, `behind`
    health: dict[str, Any] = field(default_factory=dict)

    def save(self, home: Path) -> None:
        """Write it to disk, whole or not at all."""
        new = home / f"{PROGRESS}.new"
        with new.open("w", encoding="utf-8") as file:
            json.dump(asdict(self), file)
            file.flush()
            os.fsync(file.fileno())
        new.replace(home / PROGRESS)


def load_progress(home: Path) -> Progress | None:
    """Read what is remembered; None if there is nothing that can be read."""
    try:
        data = json.loads((home / PROGRESS).read_text(encoding="utf-8"))
        cursor, floor = (
            Cursor(int(at["arrival"]), int(at["event"])) for at in (data["cursor"], data["floor"])
        )
        return Progress(
            str(data["target"]), int(data["file"]), cursor, floor, str(data["started"]), dict(data["health"])
        )
    except (OSError, ValueError, KeyError, TypeError):
        return None


def forget_progress(home: Path) -> None:
    """Remember nothing: everything is sent again, what was refused too."""
    for name in (PROGRESS, REFUSED):
        (home / name).unlink(missing_ok=True)


class Refused:
    """Lines that InfluxDB doesn't take, put aside with the reason."""

    def __init__(self, home: Path) -> None:
        self._path = home / REFUSED
        self._known: set[bytes] = set()
        with contextlib.suppress(OSError), self._path.open("rb") as file:
            self._known = {_mark(line.rstrip(b"\n")) for line in file if not line.startswith(b"#")}
        self.count = len(self._known)

    def add(self, lines: Sequence[str], why: str) -> None:
        """Put lines aside that aren't yet."""
        new = [line for line in lines if _mark(line.encode()) not in self._known]
        if not new:
            return
        if len(self._known) < MOST_KNOWN:
            self._known.update(_mark(line.encode()) for line in new)
        self.count += len(new)
        if self._path.exists() and self._path.stat().st_size > MOST_REFUSED_BYTES:
            return
        with self._path.open("a", encoding="utf-8") as file:
            file.write(f"# {datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ} {' '.join(why.split())}\n")
            file.writelines(f"{line}\n" for line in new)


def _mark(line: bytes) -> bytes:
    return hashlib.blake2b(line, digest_size=8).digest()
