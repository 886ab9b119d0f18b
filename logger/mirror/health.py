"""How the mirror is, as seen from another process."""

from __future__ import annotations

import fcntl
from typing import Any

from logger.home import Home
from logger.mirror.progress import load_progress


def mirror_runs(home: Home) -> bool:
    """Tell whether a mirror of this folder runs."""
    try:
        with (home.root / "mirror.lock").open("r") as lock:
            fcntl.flock(lock, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:
        return False
    return False


def mirror_health(home: Home) -> dict[str, Any] | None:
    """Say how the mirror is; None where there never was one.

    `state` (`running`, `waiting`, `stopped`), `detail`, `target`, `sent` (lines since its start), `refused`
    (lines put aside), `behind` (batches to go) and `at_s`.
    """
    known = load_progress(home.root)
    if known is None:
        return None
    health = {"detail": "", "sent": 0, "refused": 0, "behind": 0, "at_s": 0.0, **known.health}
    health["state"] = health.get("state", "") if mirror_runs(home) else "stopped"
    return {**health, "target": known.target.strip()}
