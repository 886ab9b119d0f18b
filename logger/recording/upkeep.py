"""Have the journal checked and damaged ones joined, without getting in the recording's way."""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from logger.journal.schema import unjoined
from logger.recording.supervisor import end_with_parent, python_module

if TYPE_CHECKING:
    from logger.recording.journal_file import JournalFile

FIRST_S: Final = 20.0
"""From the start to the check: the fire comes first. [s]"""
LOOK_S: Final = 1.0
"""How often to look for journals set aside. [s]"""
AGAIN_S: Final = 600.0
"""Until a journal that couldn't be joined is tried again. [s]"""

log = logging.getLogger(__name__)


async def look_after(path: Path, journal: JournalFile) -> None:
    """Check the journal once, and join what is set aside, until cancelled."""
    loop = asyncio.get_running_loop()
    check_at_s = loop.time() + FIRST_S
    again_s: dict[Path, float] = {}
    while True:
        await asyncio.sleep(LOOK_S)
        if not _is_there(path):
            continue
        for aside in unjoined(path):
            if loop.time() >= again_s.get(aside, 0.0):
                again_s[aside] = loop.time() + AGAIN_S
                await _join(path, aside, journal)
        if loop.time() >= check_at_s:
            check_at_s = float("inf")
            await _check(path, journal)


def _is_there(path: Path) -> bool:
    return path.exists()


async def _check(path: Path, journal: JournalFile) -> None:
    told = await _run("check", str(path))
    for text in told.get("repaired", ()):
        log.warning("%s: %s", path, text)
        journal.tell("journal_repaired", text)
    if structure := told.get("structure"):
        journal.damage = "; ".join(structure[:3])
    elif rows := told.get("rows"):
        text = f"{'; '.join(rows)}: these are gaps now, everything else is sound"
        log.error("%s: %s", path, text)
        journal.tell("journal_rows_damaged", text)


async def _join(path: Path, aside: Path, journal: JournalFile) -> None:
    journal.upkeep = (
        f"a damaged journal was set aside ({aside.name}); its readable part is being joined to this one"
    )
    told = await _run("join", str(path), str(aside))
    if "error" in told:
        journal.upkeep = f"a damaged journal couldn't be joined: {told['error']}"
        log.error("%s", journal.upkeep)
        return
    journal.upkeep = ""
    journal.joined = True
    lost = "; ".join(told["lost"]) or "nothing, as far as is known"
    text = (
        f"saved {told['firings']} firings, {told['readings']} readings and {told['events']} events; "
        f"lost: {lost}; the damaged file is kept as {told['aside']}"
    )
    journal.tell("journal_joined", text)


async def _run(*arguments: str) -> dict[str, Any]:
    process = await asyncio.create_subprocess_exec(
        *python_module("logger.journal.salvage", *arguments),
        stdin=asyncio.subprocess.DEVNULL,
        stdout=asyncio.subprocess.PIPE,
        start_new_session=True,
        preexec_fn=end_with_parent,
    )
    try:
        said, _ = await process.communicate()
    finally:
        if process.returncode is None:
            with contextlib.suppress(ProcessLookupError):
                process.kill()
            await process.wait()
    try:
        return dict(json.loads(said))
    except ValueError:
        return {"error": f"{arguments[0]} ended with status {process.returncode}; see the logger's log"}
