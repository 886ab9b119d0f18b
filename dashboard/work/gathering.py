"""Work out what pages need to know about stored firings, in a separate process, and keep the results."""

import asyncio
import contextlib
import hashlib
import json
import logging
from collections import OrderedDict
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any, Final, TypeVar

import logger
from dashboard.work.apart import run_apart
from dashboard.work.works import Work, Works
from logger.errors import UserError
from logger.home import write_whole
from logger.journal.reader import FiringInfo, JournalReader, NoFiringError
from logger.plan import Plan
from logger.report.gather import Gathered, gather

KEPT: Final = 24
"""Answers kept in memory; not more, because a judgement of every moment is large."""
KEPT_KNOWN: Final = 8
"""Gathered firings kept in memory: enough for all those on the Compare page while its settings change."""
FRESH_S: Final = 30.0
"""How long an answer about a burning fire is given again, though readings came meanwhile. [s]"""
FOLDER: Final = "worked-out"
"""In the user's folder: one file per firing with its rehearsal. May be deleted at any time."""

log = logging.getLogger(__name__)

T = TypeVar("T")


class Gathering:
    """What is known about a journal's firings."""

    def __init__(self, journal_path: Path) -> None:
        self._path = journal_path
        self._works = Works(KEPT)
        self._lately: OrderedDict[tuple[Any, ...], Work] = OrderedDict()
        self._known: OrderedDict[tuple[Any, ...], Gathered] = OrderedDict()

    async def firing(self, firing: str) -> FiringInfo:
        """Find a firing; UserError: there is no such firing."""
        try:
            return await asyncio.to_thread(self._read, lambda reader: reader.firing(firing))
        except NoFiringError:
            none = f"{firing}: no such firing; it may have been deleted"
            raise UserError("there is no firing yet" if firing == "last" else none) from None

    async def rehearsal(self, info: FiringInfo, plan: Plan | None = None) -> Work:
        """Start a rehearsal or find it started; one by the firing's own plan is kept on the disk."""
        return await self._work("rehearse", "Working it out", info, plan)

    async def judgement(self, info: FiringInfo, plan: Plan | None = None) -> Work:
        """Start a judgement of every moment (`logger.replay.moments.judged`), or find it already started."""
        return await self._work("judge", "Working out the verdicts", info, plan)

    async def known(self, firing: str) -> Gathered:
        """Gather what is known about a firing; UserError: there is no such firing."""
        info = await self.firing(firing)
        work = await (await self.rehearsal(info)).wait()
        return await asyncio.to_thread(self._gather, info.id, work.answer())

    async def _work(self, job: str, words: str, info: FiringInfo, plan: Plan | None) -> Work:
        state = await asyncio.to_thread(self._read, lambda reader: state_of(reader, info))
        toml = None if plan is None else plan.dumps()
        key = (job, *state, toml)
        work = self._works.find(key)
        lately = (job, *still(state), toml)
        if work is None and info.ended_us is None and (recent := self._lately.get(lately)) is not None:
            work = recent if recent.age_s < FRESH_S else None
        if work is None or work.failed:
            work = self._works.begin(lambda new: self._run(job, state, toml, new), words, key)
            if info.ended_us is None:
                self._lately[lately] = work
            while len(self._lately) > KEPT:
                self._lately.popitem(last=False)
        return work

    async def _run(self, job: str, state: tuple[Any, ...], plan: str | None, work: Work) -> dict[str, Any]:
        home, firing = self._path.parent, state[0]
        own = job == "rehearse" and plan is None
        if own and (kept := await asyncio.to_thread(_kept, home, state)) is not None:
            return kept
        answer = await run_apart(job, tell=work.come, journal=str(self._path), firing=firing, plan=plan)
        if own:
            await asyncio.to_thread(_keep, home, state, answer)
        return dict(answer)

    def _read(self, what: Callable[[JournalReader], T]) -> T:
        with contextlib.closing(JournalReader(self._path)) as reader:
            return what(reader)

    def _gather(self, firing: str, rehearsal: dict[str, Any]) -> Gathered:
        with contextlib.closing(JournalReader(self._path)) as reader:
            info = reader.firing(firing)
            events = reader.events(info.id)
            key = (*state_of(reader, info), info.title, repr(info.facts), info.ended_us, len(events))
            known = self._known.get(key)
            if known is None:
                known = self._known[key] = gather(reader, info, rehearsal)
                while len(self._known) > KEPT_KNOWN:
                    self._known.popitem(last=False)
            return known


def state_of(reader: JournalReader, info: FiringInfo) -> tuple[Any, ...]:
    """Collect what a rehearsal depends on: readings, plan, and gun readings, which may be noted later."""
    spots = tuple((e.t_us, json.dumps(e.data)) for e in reader.events(info.id) if e.kind == "spot")
    return (info.id, info.last_us, info.readings, info.late, info.plan_toml, spots)


def still(state: tuple[Any, ...]) -> tuple[Any, ...]:
    """Leave out what changes with every reading."""
    firing, _last_us, _readings, _late, *others = state
    return (firing, *others)


def kept_rehearsal(reader: JournalReader, info: FiringInfo) -> dict[str, Any] | None:
    """Find a firing's kept rehearsal (`judging.rehearse`), if this version of the program made it.

    Its peaks and verdicts then agree with the report and the command to the degree.
    """
    return _kept(reader.path.parent, state_of(reader, info))


def forget(home: Path, firing: str) -> None:
    """Delete a firing's kept rehearsal."""
    (home / FOLDER / f"{firing}.json").unlink(missing_ok=True)


def _kept(home: Path, state: tuple[Any, ...]) -> dict[str, Any] | None:
    try:
        kept = json.loads((home / FOLDER / f"{state[0]}.json").read_text(encoding="utf-8"))
        return dict(kept["answer"]) if kept["of"] == _fingerprint(state) else None
    except (OSError, ValueError, KeyError, TypeError):
        return None  # to be made again


def _keep(home: Path, state: tuple[Any, ...], answer: dict[str, Any]) -> None:
    folder = home / FOLDER
    try:
        folder.mkdir(mode=0o700, exist_ok=True)
        kept = {"of": _fingerprint(state), "answer": answer}
        write_whole(folder / f"{state[0]}.json", json.dumps(kept).encode())
    except OSError as exc:  # with the disk full it is only worked out again next time
        log.warning("the rehearsal of %s could not be kept: %s", state[0], exc)


def _fingerprint(state: tuple[Any, ...]) -> str:
    """Hash what a rehearsal depends on, the judgement of this version of the program included."""
    program = version_of(Path(logger.__path__[0]), ".py")
    return hashlib.sha256(repr((state, program)).encode()).hexdigest()


@cache
def version_of(folder: Path, *kinds: str) -> str:
    """Hash a folder's files of these kinds."""
    digest = hashlib.sha256()
    for path in sorted(path for path in folder.rglob("*") if path.suffix in kinds):
        digest.update(path.read_bytes())
    return digest.hexdigest()
