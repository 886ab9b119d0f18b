"""Long work has limits, reports its progress, and is ended without a trace if nobody waits for it."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import psutil
import pytest
from page_journal import make_batch, open_firing

from dashboard.context import Asker, asker
from dashboard.work import apart
from dashboard.work.apart import EACH, JOBS, WAITING, BusyError, TooMuchError, run_apart
from logger.errors import StokewatchError, UserError
from logger.journal.writer import JournalWriter
from tests.processes import until

pytestmark = pytest.mark.slow  # a process for each job


@pytest.fixture
def given(tmp_path: Path) -> dict[str, Any]:
    """An export of a firing of 60,000 rows."""
    path = tmp_path / "journal.sqlite"
    rows = 60_000
    with contextlib.closing(JournalWriter(path)) as writer:
        firing = open_firing(writer, None)
        t_us = [1_795_600_800_000_000 + 100_000 * n for n in range(rows)]
        writer.append(firing, make_batch(t_us, [[n / 7, n / 3] for n in range(rows)]))
    return {"journal": str(path), "firing": firing, "kind": "csv", "out": str(tmp_path / "out.csv")}


def bound(monkeypatch: pytest.MonkeyPatch, job: str, **limits: Any) -> None:
    monkeypatch.setitem(JOBS, job, replace(JOBS[job], **limits))


async def test_a_plan_is_read_apart(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "dashboard.py").write_text("raise SystemExit('not of this project')")
    monkeypatch.chdir(tmp_path)
    text = await run_apart("read_plan", toml="title = 'Six jars'")
    assert 'title = "Six jars"' in text
    with pytest.raises(UserError, match="file line 1: target_c"):
        await run_apart("read_plan", toml="target_c = 1e400")


async def test_it_says_how_far_it_is(given: dict[str, Any], monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[float] = []
    bound(monkeypatch, "export", quick=True)
    assert await run_apart("export", tell=told.append, **given) == 60_000
    assert told == sorted(told)
    assert all(0 <= done <= 1 for done in told)


@pytest.mark.parametrize(
    ("limits", "why"),
    [
        ({"memory_mb": 1}, "more than 1 MB of memory"),
        ({"time_s": 0.001}, "took too long"),
        ({"file_mb": 1}, "File too large"),
    ],
    ids=["memory", "time", "size"],
)
async def test_what_asks_for_too_much_is_ended_and_leaves_nothing(
    given: dict[str, Any], limits: dict[str, Any], why: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    bound(monkeypatch, "export", **limits)
    with pytest.raises(UserError, match=why):
        await run_apart("export", **given)
    # Killed, or crashed for lack of memory, it leaves its folder in the spool to whoever asked.
    left = [p.name for p in Path(given["out"]).parent.iterdir() if "journal" not in p.name]
    assert left == [] or ("file_mb" not in limits and all(name.endswith(".part") for name in left))
    assert psutil.Process().children() == []


async def test_a_fault_of_ours_is_said_and_the_log_says_which(caplog: pytest.LogCaptureFixture) -> None:
    with pytest.raises(StokewatchError, match=r"that failed \(read_plan\); the page's log says why"):
        await run_apart("read_plan", no_such="thing")
    assert "no_such" in caplog.text
    assert psutil.Process().children() == []


async def test_an_answer_that_no_page_could_hold_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(apart, "MAX_ANSWER", 1000)
    probes = "".join(f'[[probe]]\nname = "probe {n}"\n' for n in range(40))
    with pytest.raises(TooMuchError, match="the answer is too large for a page; use the command"):
        await run_apart("read_plan", toml=probes)
    assert psutil.Process().children() == []


async def test_cancelled_it_leaves_nothing(given: dict[str, Any]) -> None:
    work = asyncio.create_task(run_apart("rehearse", journal=given["journal"], firing=given["firing"]))
    await asyncio.to_thread(until, psutil.Process().children, "the job")
    work.cancel()
    with pytest.raises(asyncio.CancelledError):
        await work
    assert psutil.Process().children() == []


async def test_places_are_shared_out(monkeypatch: pytest.MonkeyPatch) -> None:
    going = asyncio.Event()

    async def waits(*_: Any) -> None:
        await going.wait()

    monkeypatch.setattr(apart, "_run", waits)
    asker.set(Asker(address="192.0.2.1", trusted=False))
    works = [asyncio.create_task(run_apart("judge")) for _ in range(EACH)]
    await asyncio.sleep(0)
    with pytest.raises(BusyError):
        await run_apart("judge")
    asker.set(Asker(address="192.0.2.2", trusted=False))
    works += [asyncio.create_task(run_apart("judge"))]
    await asyncio.sleep(0)
    with pytest.raises(BusyError):
        await run_apart("judge")
    asker.set(Asker(address="192.0.2.3", trusted=True))
    works += [asyncio.create_task(run_apart("judge")) for _ in range(WAITING - EACH - 1)]
    await asyncio.sleep(0)
    with pytest.raises(BusyError):
        await run_apart("judge")
    quick = asyncio.create_task(run_apart("read_plan"))  # isn't queued behind long work
    going.set()
    await asyncio.gather(*works, quick)
    assert issubclass(TooMuchError, UserError)


async def test_who_listens_for_the_page_has_memory_on_top_of_the_programs_own() -> None:
    """Half a gigabyte in all would leave little on a machine whose libraries take most of it."""
    board, port = os.openpty()
    table = {"format": "lines", "port": os.ttyname(port)}
    process = await apart.spawn("logger.cli", "hear", "--seconds", "30", limit=1 << 18)
    try:
        await apart.give(process, json.dumps(table).encode())
        assert process.stdout is not None
        assert "nothing from" in json.loads(await process.stdout.readline())["trouble"]
        most, _ = psutil.Process(process.pid).rlimit(psutil.RLIMIT_DATA)
        assert most > 520 << 20
    finally:
        await apart.end(process)
        os.close(board)
        os.close(port)
