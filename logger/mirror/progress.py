"""What the mirror remembers between runs, in files next to the journal."""

from __future__ import annotations

import contextlib
import fcntl
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import msgspec

from logger.home import Home
from logger.mirror.outbox import Cursor

PROGRESS: Final = "mirror.json"
REFUSED: Final = "mirror_refused.lp"
MOST_REFUSED_BYTES: Final = 16_000_000
"""Beyond this, refused lines are only counted, each time; the journal has them anyway."""


@dataclass(slots=True)
class Progress:
    """How far the journal is known to be in InfluxDB, and how that is going.

    It has a file of its own, replaced as a whole: the journal has one writer of readings, which mustn't wait
    for anyone. Losing the file means sending everything again, which overwrites what is there.
    """

    target: str  # where to; what was sent elsewhere doesn't count
    file: int = 0  # which journal: a salvaged one is another file with other numbers
    # everything before it was acknowledged long enough ago
    cursor: Cursor = field(default_factory=Cursor)
    # everything before it is safe even if the server was restarted
    floor: Cursor = field(default_factory=Cursor)
    started: str = ""  # when the server had started
    # for people: `state`, `detail`, `sent`, `refused`, `behind`
    health: dict[str, Any] = field(default_factory=dict)


def load_progress(home: Path) -> Progress | None:
    """Read what is remembered; None where nothing can be read."""
    try:
        return msgspec.json.decode((home / PROGRESS).read_bytes(), type=Progress)
    except (OSError, msgspec.DecodeError, UnicodeDecodeError):
        return None


def mirror_runs(home: Home) -> bool:
    """Tell whether a mirror of this folder is running."""
    try:
        with (home.root / "mirror.lock").open("r") as lock:
            fcntl.flock(lock, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:
        return False
    return False


def mirror_health(home: Home) -> dict[str, Any] | None:
    """Return the mirror's health; None where there has never been one.

    `state` (`running`, `waiting`, `stopped`), `detail`, `target`, `sent` (lines since it started), `refused`
    (lines put aside), `behind` (batches to go) and `at_s`.
    """
    known = load_progress(home.root)
    if known is None:
        return None
    health = {"detail": "", "sent": 0, "refused": 0, "behind": 0, "at_s": 0.0, **known.health}
    health["state"] = health.get("state", "") if mirror_runs(home) else "stopped"
    return {**health, "target": known.target.strip()}


class Refused:
    """Lines that InfluxDB refuses, put aside with the reason."""

    def __init__(self, home: Path) -> None:
        self._path = home / REFUSED
        self._known: set[str] = set()
        with contextlib.suppress(OSError), self._path.open(encoding="utf-8", errors="replace") as file:
            self._known = {line.rstrip("\n") for line in file if not line.startswith("#")}
        self.count = len(self._known)

    def add(self, lines: Sequence[str], why: str) -> None:
        """Put lines aside, unless they already are."""
        new = [line for line in lines if line not in self._known]
        self.count += len(new)
        if not new or (self._path.exists() and self._path.stat().st_size > MOST_REFUSED_BYTES):
            return
        self._known.update(new)
        with self._path.open("a", encoding="utf-8") as file:
            file.write(f"# {datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ} {' '.join(why.split())}\n")
            file.writelines(f"{line}\n" for line in new)
