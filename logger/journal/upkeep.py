"""Looks after a journal beside the logger, in a process of its own: checks it, and joins what was set aside.

`python -m logger.journal.upkeep check JOURNAL` and `… join JOURNAL ASIDE` print one JSON document.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import sys
from pathlib import Path
from typing import Any

from logger.errors import StokewatchError
from logger.journal.salvage import check, join
from logger.journal.writer import JournalWriter

_KINDNESS = 15
"""Whoever records and judges goes first."""


def main(argv: list[str]) -> int:
    """Do one of both: `check JOURNAL` or `join JOURNAL ASIDE`; 1 where it couldn't be done."""
    os.nice(_KINDNESS)
    what, journal, *rest = argv
    path = Path(journal)
    try:
        told = _check(path) if what == "check" else _join(path, Path(rest[0]))
    except StokewatchError as exc:
        told = {"error": str(exc)}
    print(json.dumps(told))
    return 1 if "error" in told else 0


def _check(path: Path) -> dict[str, Any]:
    faults = check(path)
    repaired: list[str] = []
    if not any(fault.structure for fault in faults):
        with contextlib.closing(JournalWriter(path)) as writer:
            repaired = writer.repair(every=True)
    return {
        "repaired": repaired,
        "structure": [str(fault) for fault in faults if fault.structure],
        "rows": [str(fault) for fault in faults if not fault.structure],
    }


def _join(path: Path, aside: Path) -> dict[str, Any]:
    found = join(path, aside, room=lambda: shutil.disk_usage(path.parent).free)
    return {
        "aside": found.aside.name,
        "firings": found.firings,
        "readings": found.readings,
        "events": found.events,
        "lost": found.lost,
    }


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
