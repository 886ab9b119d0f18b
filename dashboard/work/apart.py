"""Run long work, and anything strangers send, in separate processes that have limits and can be stopped.

``python -m dashboard.work.apart`` reads JSON, and writes lines of JSON: progress, then the answer.
"""

import asyncio
import contextlib
import logging
import os
import signal
import sys
import time
import weakref
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import orjson

from dashboard.context import Share
from dashboard.work import jobs
from dashboard.work.jobs import Tell
from dashboard.work.limits import limit
from logger.errors import StokewatchError, UserError


@dataclass(frozen=True, slots=True)
class Job:
    """What a separate process does, and the limits it has."""

    work: Callable[..., Any]
    time_s: float  # of the processor; on a busy machine it may take `PATIENCE` times as long [s]
    memory_mb: int  # besides the programs themselves [MB]
    file_mb: int = 1  # the largest file it may write [MB]
    quick: bool = False  # whether somebody is standing there waiting, so it doesn't queue behind long work


JOBS: Final = {
    "read_plan": Job(jobs.read_plan, 10.0, 512, quick=True),
    "preview": Job(jobs.preview, 60.0, 2048),
    # The files it writes include the journal.
    "import": Job(jobs.import_files, 200.0, 4096, 65536),
    "delete": Job(jobs.delete, 200.0, 1024, 65536),
    "export": Job(jobs.export, 100.0, 1024, 2048),
    "judge": Job(jobs.judge, 100.0, 1024),
    "rehearse": Job(jobs.rehearse, 100.0, 1024),
}
PATIENCE: Final = 6.0
WAITING: Final = 6
"""How many jobs may wait; any more are turned away."""
EACH: Final = 3
"""How many of them for one watcher's address."""
RESERVE: Final = 2
"""Places among `WAITING` kept for operators and this machine."""
MAX_ANSWER: Final = 64 << 20
"""The largest answer [bytes]."""
NICE: Final = 10
"""The logger comes first."""
CRASHES: Final = (-signal.SIGSEGV, -signal.SIGABRT, -signal.SIGKILL)
"""How a job ends when a library ran out of memory and didn't check."""
TELL_S: Final = 0.25
"""How often a job reports its progress [s]."""

SLOW: Final = (
    "that took too long and was stopped; use a shorter firing or a smaller file, or the command `stokewatch` "
    "on the logger's computer"
)

log = logging.getLogger(__name__)


class BusyError(StokewatchError):
    """Too much was asked at once."""


class TooMuchError(UserError):
    """A job needs more than it may have: says more of what, and what to do."""


_Lane = tuple[asyncio.Lock, Share]
_lanes: weakref.WeakKeyDictionary[asyncio.AbstractEventLoop, dict[bool, _Lane]] = weakref.WeakKeyDictionary()
"""For quick and for long jobs: one at a time, because this computer is also recording a fire."""


async def run_apart(job: str, *, tell: Tell | None = None, file_mb: int | None = None, **given: Any) -> Any:
    """Run one of `JOBS` in a separate process when its turn comes, and return its answer, passed as JSON.

    To stop a job, cancel the task that awaits this. `tell` is called now and then with how much is done, by
    jobs that know. `file_mb` lowers the job's own limit. UserError: what was given is wrong or asks for too
    much; StokewatchError: the job failed, or too many are waiting.
    """
    lanes = _lanes.setdefault(asyncio.get_running_loop(), {})
    turn, waiting = lanes.setdefault(JOBS[job].quick, (asyncio.Lock(), Share(WAITING, EACH, RESERVE)))
    if (place := waiting.take()) is None:
        raise BusyError("the logger's computer is still busy with earlier requests; try again in a minute")
    with place:
        async with turn:
            return await _run(job, given, tell, file_mb)


async def spawn(*args: str, limit: int) -> asyncio.subprocess.Process:
    """Start a module of ours with pipes to and from it; `limit` is the longest line [bytes]."""
    pipe = asyncio.subprocess.PIPE
    one_thread = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}  # each takes memory of its own
    path = {"PYTHONPATH": os.pathsep.join(p for p in sys.path if p)}
    return await asyncio.create_subprocess_exec(
        *(sys.executable, "-P", "-m", *args),
        stdin=pipe,
        stdout=pipe,
        stderr=pipe,
        limit=limit,
        env={**os.environ, **path, **one_thread},
    )


async def give(process: asyncio.subprocess.Process, given: bytes) -> None:
    """Write a spawned program's input and close it, even if the program isn't reading."""
    assert process.stdin is not None
    with contextlib.suppress(BrokenPipeError, ConnectionResetError):
        process.stdin.write(given)
        await process.stdin.drain()
        process.stdin.close()


async def end(process: asyncio.subprocess.Process) -> None:
    """Kill a spawned program, if it hasn't ended."""
    with contextlib.suppress(ProcessLookupError):
        process.kill()
    await process.wait()


async def _run(job: str, given: dict[str, Any], tell: Tell | None, file_mb: int | None) -> Any:
    limits = JOBS[job]
    most = (limits.memory_mb, min(limits.file_mb, file_mb or limits.file_mb), limits.time_s)
    process = await spawn("dashboard.work.apart", limit=MAX_ANSWER)
    assert process.stdout is not None
    assert process.stderr is not None
    complaints = asyncio.create_task(_last(process.stderr))
    try:
        async with asyncio.timeout(PATIENCE * limits.time_s):
            await give(process, orjson.dumps((job, most, given)))
            answer = await _answer(process.stdout, tell)
            await process.wait()
    except TimeoutError:
        raise TooMuchError(SLOW) from None
    except ValueError:  # a line longer than `MAX_ANSWER`
        raise TooMuchError("the answer is too large for a page; use the command `stokewatch`") from None
    finally:
        await end(process)
        complained = await complaints
    if answer is None:
        if process.returncode == -signal.SIGXCPU:
            raise TooMuchError(SLOW)
        log.error("the job %r failed (%s): %s", job, process.returncode, complained)
        if process.returncode in CRASHES:
            raise TooMuchError(_too_large(limits.memory_mb))
        raise StokewatchError(f"that failed ({job}); the page's log says why")
    if "error" in answer:
        kind = {"user": UserError, "much": TooMuchError}.get(answer["kind"], StokewatchError)
        raise kind(answer["error"])
    return answer["answer"]


def _too_large(memory_mb: int) -> str:
    return (
        f"that needs more than {memory_mb} MB of memory, the most the page allows; use a shorter "
        "firing or a smaller file"
    )


async def _answer(lines: asyncio.StreamReader, tell: Tell | None) -> dict[str, Any] | None:
    while line := await lines.readline():
        try:
            said = orjson.loads(line)
        except orjson.JSONDecodeError:
            return None
        if "done" not in said:
            return dict(said)
        if tell is not None:
            tell(float(said["done"]))
    return None


async def _last(complaints: asyncio.StreamReader) -> str:
    """Return the end of standard error; all of it is read, or a job might block on writing."""
    kept = b""
    while part := await complaints.read(1 << 16):
        kept = (kept + part)[-8000:]
    return kept.decode(errors="replace")


def main() -> None:
    """Do a job in this process."""
    job, (memory_mb, file_mb, time_s), given = orjson.loads(sys.stdin.buffer.read())
    if not JOBS[job].quick:
        os.nice(NICE)
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # keep what libraries print out of the answer
    limit(memory_mb, file_mb, time_s)
    told_s = -TELL_S  # the first share at once

    def say(what: dict[str, Any]) -> None:
        out.write(orjson.dumps(what, option=orjson.OPT_SERIALIZE_NUMPY | orjson.OPT_NON_STR_KEYS) + b"\n")
        out.flush()

    def tell(done: float) -> None:
        nonlocal told_s
        if time.monotonic() - told_s >= TELL_S:
            told_s = time.monotonic()
            say({"done": round(min(1.0, max(0.0, done)), 4)})

    try:
        say({"answer": JOBS[job].work(tell=tell, **given)})
    except (MemoryError, RecursionError):
        say({"error": _too_large(memory_mb), "kind": "much"})
    except StokewatchError as exc:
        words = str(exc).encode("utf-8", "replace").decode()
        say({"error": words, "kind": "user" if isinstance(exc, UserError) else "ours"})


if __name__ == "__main__":
    main()
