"""Long work for the page, in a process of its own: the feed to the tablets must not wait for it.

``python -m dashboard.apart JOB`` reads its arguments as JSON and writes its answer as JSON.
"""

from __future__ import annotations

import asyncio
import contextlib
import importlib
import logging
import os
import sys
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

    async def run(self, job: str, **given: Any) -> Any:
        """Run a job.

        Parameters
        ----------
        job : str
            One of `JOBS`.
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
                return await _run(job, orjson.dumps(given))
        finally:
            self._asked -= 1


async def _run(job: str, given: bytes) -> Any:
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        *("-m", "dashboard.apart", job),
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)},
    )
    try:
        said, complained = await process.communicate(given)
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
