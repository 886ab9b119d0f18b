"""Results worked out for a firing are kept; where they can't be, that costs time and nothing else."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

import pytest
from firing_fixture import SmallFire

from dashboard.work import gathering as module
from dashboard.work.gathering import FOLDER, Gathering, _keep
from dashboard.work.works import Work


def test_what_cannot_be_kept_is_logged_and_leaves_nothing(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    (tmp_path / FOLDER / "f1.json").mkdir(parents=True)  # in the way of the file
    _keep(tmp_path, ("f1", 1), {"zones": []})
    assert "the rehearsal of f1 could not be kept" in caplog.text
    assert [path.name for path in (tmp_path / FOLDER).iterdir()] == ["f1.json"]


async def test_of_a_burning_fire_one_answer_is_worked_out_at_a_time(
    path: Path, fire: SmallFire, monkeypatch: pytest.MonkeyPatch
) -> None:
    done = asyncio.Event()

    async def wait(*_: Any, **__: Any) -> dict[str, Any]:
        await done.wait()
        return {}

    monkeypatch.setattr(module, "run_apart", wait)
    fire.light()
    gathered = Gathering(path)

    async def ask() -> Work:
        fire.burn(10)
        return await gathered.judgement(await gathered.firing("last"))

    first = await ask()
    assert await ask() is first, "it is still being worked out, and readings come meanwhile"
    assert await gathered.rehearsal(await gathered.firing("last")) is not first
    done.set()
    await first.wait()
    assert await ask() is first, "the page asks once more for the answer"
    monkeypatch.setattr(module, "FRESH_S", 0.0)
    second = await ask()
    assert second is not first, "an old answer is worked out again"
    monkeypatch.setattr(module, "FRESH_S", 30.0)
    fire.writer.finish_firing(fire.id, 4_000_000_000_000_000)
    assert await ask() not in (first, second), "what has ended is judged to its end"
