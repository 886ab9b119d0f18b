"""Files made on the page, and what becomes of one that nobody fetches."""

from __future__ import annotations

import asyncio
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from dashboard.stored import exports as module
from dashboard.stored.exports import MOST, Exports
from logger.errors import UserError
from tests.processes import until


async def test_a_file_that_nobody_fetches_goes_and_leaves_its_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def written(job: str, *, out: str, **_: Any) -> None:
        await asyncio.to_thread(Path(out).write_bytes, b"time_s,upper\n")

    monkeypatch.setattr(module, "run_apart", written)
    monkeypatch.setattr(module, "WAITS_S", 0.0)
    made = Exports(tmp_path / "journal.sqlite")
    for _ in range(MOST + 1):  # there would be no room for the last one
        info: Any = SimpleNamespace(id="f1", title="Jars, invented")
        work = await made.begin(info, "csv").wait(10)
        file = work.answer()
        assert file.size == 13
        await asyncio.to_thread(until, lambda file=file: file.file.closed, "it goes", 10)
        with pytest.raises(UserError, match="no longer here; save it again"):
            made.take(work.key)
