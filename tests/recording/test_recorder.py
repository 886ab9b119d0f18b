"""The journal's thread: a bug in the judgement costs the fire no reading."""

from __future__ import annotations

import asyncio
import contextlib
import threading
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from logger.journal.reader import JournalReader
from logger.journal.schema import JournalError
from logger.journal.writer import JournalWriter
from logger.recording import judged
from logger.recording.backlog import Token
from logger.recording.journal_file import JournalFile
from logger.replay.judging import Judging
from tests.processes import until
from tests.recording.made_recorder import Nobody, hear, made_recorder


def fail(*_: Any) -> None:
    raise ZeroDivisionError("made up")


class BrokenAtTheStart(Judging):
    def __init__(self, *args: Any, **kwargs: Any) -> None:
        raise ZeroDivisionError("made up")


class BrokenLater(Judging):
    def take(self, batches: Any) -> Any:
        raise ZeroDivisionError("made up")


async def record(path: Path, first: int, frames: int) -> None:
    """Run a recorder over frames that arrive now."""
    recorder, intake = made_recorder(path, title="Invented")
    recorder.start()
    for seq in range(first, first + frames):
        await hear(intake, seq, 100 * seq, k0=20.0 + seq)
    intake.stop()
    recorder.ended.result()


@pytest.mark.parametrize("broken", [BrokenAtTheStart, BrokenLater])
async def test_readings_go_on_when_the_judgement_fails(
    broken: type[Judging], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "journal.sqlite"
    await record(path, 0, 5)
    monkeypatch.setattr(judged, "Judging", broken)
    await record(path, 5, 5)  # resumed
    new = tmp_path / "new" / "journal.sqlite"
    new.parent.mkdir()
    await record(new, 0, 5)  # begun
    for journal, readings in ((path, 10), (new, 5)):
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


class Sender(Nobody):
    """What a rig is told about its frames, by `seq`."""

    def __init__(self) -> None:
        self.on_disk: list[Any] = []
        self.asked_for: list[Any] = []

    def tell(self, what: str, tokens: Sequence[Token]) -> None:
        heard = {"acknowledge": self.on_disk, "ask_again": self.asked_for}.get(what, [])
        heard += [seq for _, seq in tokens]


async def test_what_memory_could_not_hold_is_never_acknowledged_and_recorded_when_it_comes_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The disk takes nothing for so long that memory is full: the oldest readings are dropped."""
    monkeypatch.setattr("logger.recording.backlog.BACKLOG_READINGS", 5)
    path, rig = tmp_path / "journal.sqlite", Sender()
    recorder, intake = made_recorder(path, title="Invented", rigs=rig)
    sent: dict[int, int] = {}

    async def send(seq: int) -> None:
        sent.setdefault(seq, round(time.monotonic() * 1000) % 2**32)
        await hear(intake, seq, sent[seq], k0=20.0 + seq)

    recorder.start()
    await send(0)
    await asyncio.to_thread(until, lambda: rig.on_disk == [0], "the first frame on disk")
    takes = JournalWriter.transaction

    def full(_: JournalWriter) -> Any:
        raise JournalError("the disk is full; make room", "full")

    monkeypatch.setattr(JournalWriter, "transaction", full)
    while not rig.asked_for:
        await send(len(sent))
        await asyncio.sleep(0.05)  # twenty a second, like a rig
        assert len(sent) < 400
    monkeypatch.setattr(JournalWriter, "transaction", takes)
    await send(len(sent))
    await asyncio.to_thread(until, lambda: len(sent) - 1 in rig.on_disk, "the newest frame on disk")
    lost = set(rig.asked_for)
    assert lost.isdisjoint(rig.on_disk)
    assert lost | set(rig.on_disk) == set(sent)
    with contextlib.closing(JournalReader(path)) as reader:
        assert (reader.heartbeat() or {})["lost"] == len(lost)
    for seq in sorted(lost):
        await send(seq)
    await asyncio.to_thread(until, lambda: lost <= set(rig.on_disk), "what was lost, on disk")
    intake.stop()
    recorder.ended.result()
    with contextlib.closing(JournalReader(path)) as reader:
        kept = [s for batch in reader.batches(reader.firing("last").id) for s in batch.seq.tolist()]
    assert sorted(kept) == sorted(sent)


def test_what_it_fails_at_first_is_raised_where_it_was_started(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(JournalFile, "open", fail)
    recorder, _ = made_recorder(tmp_path / "journal.sqlite")
    with pytest.raises(ZeroDivisionError):
        recorder.start()


async def test_what_it_fails_at_later_is_raised_at_its_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    recorder, intake = made_recorder(tmp_path / "journal.sqlite")
    recorder.start()
    monkeypatch.setattr(JournalFile, "check", fail)
    await hear(intake, 0, k0=20.0)
    with pytest.raises(ZeroDivisionError):
        recorder.ended.result(30)


async def test_it_is_stuck_only_in_what_should_take_a_moment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    enter, leave = threading.Event(), threading.Event()

    def convert(*_: Any) -> Any:
        enter.set()
        leave.wait()
        return [], []

    recorder, intake = made_recorder(tmp_path / "journal.sqlite")
    recorder.start()
    monkeypatch.setattr(recorder.state, "convert", convert)
    await asyncio.to_thread(enter.wait)
    until(lambda: recorder.stuck_s > 0.0, "the work")
    monkeypatch.undo()
    leave.set()
    until(lambda: recorder.stuck_s == 0.0, "its end")
    intake.stop()
    recorder.ended.result()
