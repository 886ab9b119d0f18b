"""The recorder's journal: the existing one, or a new one at once if that is damaged."""

from __future__ import annotations

import contextlib
import logging
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

from logger.errors import StokewatchError
from logger.journal.reader import JournalReader
from logger.journal.rows import FiringInfo
from logger.journal.salvage import begin_instead, going_on_from, start_over
from logger.journal.schema import JournalError, beside, finish_setting_aside
from logger.journal.writer import JournalWriter

MOST_AN_HOUR: Final = 3
"""If one journal after another is damaged, the fault is in the disk or memory: more would be pointless."""
_AGAIN_S: Final = 0.5
_PATIENCE: Final = 3
"""How often in a row it may refuse good data for no known reason before it counts as damaged."""

log = logging.getLogger(__name__)


class JournalFile:
    """Opens the journal, and starts another in its place if it is damaged. Usable from any thread.

    `tell` takes what happened, for the firing's events: a word, and a sentence.
    """

    def __init__(self, path: Path, tell: Callable[[str, str], None]) -> None:
        self._path = path
        self.tell = tell
        self._afresh_s: list[float] = []
        self.refusing = ""
        """Why no readings can be written; empty while they can."""
        self._refusals = 0
        self.damage = ""
        """Set by whoever finds it damaged: another is started in its place."""
        self.joined = False
        """Set by whoever has joined an older journal: the firing is judged again."""
        self.upkeep = ""
        """What is being done about a damaged journal, in words."""
        self.asides: list[Path] = []
        """Journals set aside since the start."""

    def open(
        self, resume: Callable[[JournalWriter], None], stopped: Callable[[], bool]
    ) -> JournalWriter | None:
        """Open the journal and carry on from it; wait while the disk takes nothing; None once `stopped`.

        `resume` carries on from its contents; if it fails, it is called again with another journal.
        JournalError: it was written by a newer version, or isn't a journal.
        """
        while True:
            writer = None
            try:
                finish_setting_aside(self._path)
                if not self._path.exists() and beside(self._path, "-wal").exists():
                    raise JournalError(f"journal {self._path}: only its log is left", "damaged")
                writer = JournalWriter(self._path)
                for text in writer.repair():
                    log.warning("%s", text)
                    self.tell("journal_repaired", text)
                resume(writer)
                self.refusing = ""
                return writer
            except JournalError as exc:
                why: Exception = exc
                reason = exc.reason
            except Exception as exc:  # its contents are unusable, for whatever reason
                log.exception("this journal can't be continued")
                why, reason = exc, "damaged"
            if writer is not None:
                writer.close()
            if reason in ("newer", "misuse"):
                raise why
            if reason in ("damaged", "read_only") and self._may_begin():
                try:
                    self._afresh(begin_instead(self._path, *going_on_from(self._path)), why)
                    continue
                except JournalError as exc:
                    why = exc
            if not self.refusing:
                log.error("%s; readings wait in memory", why)
            self.refusing = f"the disk isn't taking readings: {why}"
            if stopped():
                return None
            time.sleep(_AGAIN_S)

    def check(self) -> None:
        """Raise JournalError if somebody has found it damaged."""
        if self.damage:
            damage, self.damage = self.damage, ""
            raise JournalError(f"journal {self._path}: it is damaged ({damage})", "damaged")

    def refused(
        self, exc: JournalError, writer: JournalWriter, firing: FiringInfo | None, clocks: dict[str, Any]
    ) -> bool:
        """Report that it doesn't take readings, and try to fix it; True if the writer has another journal."""
        if not self.refusing:
            log.error("%s; readings wait in memory", exc)
        self.refusing = f"the disk isn't taking readings: {exc}"
        self._refusals += exc.reason == "misuse"
        if exc.reason == "damaged" or self._refusals >= _PATIENCE:
            with contextlib.suppress(JournalError):
                if self._may_begin():
                    self._afresh(start_over(writer, firing, {"clocks": clocks}), exc)
                    return True
        elif exc.reason in ("gone", "io", "read_only", "misuse"):
            with contextlib.suppress(JournalError, OSError):
                writer.reopen(firing.id if firing else None)
                log.warning("the journal was reopened")
        return False

    def taken(self) -> None:
        """Note that it takes readings."""
        self._refusals = 0
        if self.refusing:
            log.info("the journal takes readings again")
            self.refusing = ""

    def latest(self) -> JournalReader:
        """Open the journal with the latest frames: just after one was set aside, that one."""
        if self.asides:
            with contextlib.suppress(StokewatchError):
                return JournalReader(self.asides[-1])
        return JournalReader(self._path)

    def _may_begin(self) -> bool:
        now_s = time.monotonic()
        self._afresh_s = [s for s in self._afresh_s if now_s - s < 3600]
        return len(self._afresh_s) < MOST_AN_HOUR

    def _afresh(self, aside: Path, why: Exception) -> None:
        self._afresh_s.append(time.monotonic())
        self.asides.append(aside)
        text = f"{why}; recording continues in a new journal, and the old file is kept as {aside.name}"
        log.error("%s", text)
        self.tell("journal_set_aside", text)
