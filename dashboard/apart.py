"""Long work for the page, in a process of its own: the feed to the tablets must not wait for it.

``python -m dashboard.apart JOB`` reads its arguments as JSON and writes its answer as JSON. How far it has
come it tells by lines on standard error, ``progress 0.25``.
"""

from __future__ import annotations

import asyncio
import contextlib
import importlib
import logging
import os
import sys
from collections.abc import Callable
from typing import Any, Final

import orjson

from logger.errors import StokewatchError, UserError

JOBS: Final = {
    "preview": "dashboard.jobs:preview",
    "import": "dashboard.jobs:import_files",
    "export": "dashboard.jobs:export",
    "judge": "dashboard.jobs:judge",
    "rehearse": "dashboard.jobs:rehearse",
}
PROGRESS: Final = b"progress "
WAITING: Final = 6
"""More than so many jobs at once are turned away."""
NICE: Final = 10
"""The logger comes first."""

log = logging.getLogger(__name__)


class BusyError(StokewatchError):
    """Too much is asked at once."""


class Apart:
    """Runs jobs one after another, each in a process of its own.

    A job that nobody waits for any more is ended.
    """

    def __init__(self) -> None:
        self._turn = asyncio.Semaphore(1)
        self._asked = 0

    async def run(self, job: str, *, progress: Callable[[float], None] | None = None, **given: Any) -> Any:
        """Run a job.

        Parameters
        ----------
        job : str
            One of `JOBS`.
        progress : callable, optional
            Takes how far it has come, 0 to 1.
        **given
            Its arguments, as JSON takes them.

        Returns
        -------
        object
            Its answer, through JSON.

        Raises
        ------
        UserError
            What was given is wrong.
        StokewatchError
            It failed, or there is too much to do.
        """
        if self._asked >= WAITING:
            raise BusyError("this computer is busy with what was asked before; try again in a minute")
        self._asked += 1
        try:
            async with self._turn:
                return await _run(job, orjson.dumps(given), progress)
        finally:
            self._asked -= 1


async def _run(job: str, given: bytes, progress: Callable[[float], None] | None) -> Any:
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        *("-m", "dashboard.apart", job),
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)},
    )
    try:
        said, complained = await asyncio.gather(_asked(process, given), _complaints(process, progress))
        await process.wait()
    except BaseException:
        with contextlib.suppress(ProcessLookupError):
            process.kill()
        await process.wait()
        raise
    try:
        answer = orjson.loads(said)
    except orjson.JSONDecodeError:
        log.error("the job %r failed (%s): %s", job, process.returncode, complained.decode(errors="replace"))
        raise StokewatchError(f"that failed ({job}); the page's log says why") from None
    if "error" in answer:
        kind = UserError if answer["user"] else StokewatchError
        raise kind(answer["error"])
    return answer["answer"]


async def _asked(process: asyncio.subprocess.Process, given: bytes) -> bytes:
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.write(given)
    process.stdin.close()
    return await process.stdout.read()


async def _complaints(process: asyncio.subprocess.Process, progress: Callable[[float], None] | None) -> bytes:
    """Take what the job says beside its answer: how far it has come, and what went wrong."""
    assert process.stderr is not None
    rest = []
    async for line in process.stderr:
        if line.startswith(PROGRESS):
            if progress is not None:
                progress(float(line[len(PROGRESS) :]))
        else:
            rest.append(line)
    return b"".join(rest)


def tell_progress(share: float) -> None:
    """Tell how far a job has come; within the job's own process.

    Parameters
    ----------
    share : float
        0 to 1.
    """
    sys.stderr.write(f"{PROGRESS.decode()}{share:.3f}\n")
    sys.stderr.flush()


def main(job: str) -> None:
    """Do a job in this process."""
    os.nice(NICE)
    module, _, name = JOBS[job].partition(":")
    work = getattr(importlib.import_module(module), name)
    try:
        said = {"answer": work(**orjson.loads(sys.stdin.buffer.read()))}
    except StokewatchError as exc:
        said = {"error": str(exc), "user": isinstance(exc, UserError)}
    sys.stdout.buffer.write(orjson.dumps(said, option=orjson.OPT_SERIALIZE_NUMPY | orjson.OPT_NON_STR_KEYS))


if __name__ == "__main__":
    main(sys.argv[1])
