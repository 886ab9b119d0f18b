"""The journal's thread: a fault in the judgement costs the fire no reading."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import Any

import pytest

from logger.journal.reader import JournalReader
from logger.recording import judged
from logger.replay.judging import Judging
from tests.recording.made_recorder import hear, made_recorder


class BrokenAtTheStart(Judging):
    def __init__(self, *args: Any, **kwargs: Any) -> None:
        raise ZeroDivisionError("made up")


class BrokenLater(Judging):
    def take(self, batches: Any) -> Any:
        raise ZeroDivisionError("made up")


async def record(path: Path, first: int, frames: int) -> None:
    """Run a recorder over frames that come in now."""
    recorder, intake = made_recorder(path, title="Invented")
    recorder.worker.start()
    for seq in range(first, first + frames):
        await hear(intake, seq, 100 * seq, k0=20.0 + seq)
    intake.stop()
    recorder.worker.join()


@pytest.mark.parametrize("broken", [BrokenAtTheStart, BrokenLater])
async def test_readings_go_on_when_the_judgement_fails(
    broken: type[Judging], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "journal.sqlite"
    await record(path, 0, 5)
    monkeypatch.setattr(judged, "Judging", broken)
    await record(path, 5, 5)  # taken up again
    await record(tmp_path / "new.sqlite", 0, 5)  # begun
    for journal, readings in ((path, 10), (tmp_path / "new.sqlite", 5)):
        with contextlib.closing(JournalReader(journal)) as reader:
            firing = reader.firing("last")
            assert firing.readings == readings
            said = [event.data for event in reader.events(firing.id) if event.kind == "system"]
            assert [data["detail"] for data in said if data["what"] == "judgement_failed"] == [
                "ZeroDivisionError('made up')"
            ]
            beat = reader.heartbeat()
        assert beat is not None
        assert beat["trouble"] == "the judgement failed and is off; readings are still recorded"
        assert beat["verdict"] is None
