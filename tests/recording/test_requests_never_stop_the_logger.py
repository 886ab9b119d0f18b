"""One well-formed request that says something absurd: it is refused with its reason, once, and the fire goes on."""

from __future__ import annotations

import asyncio
import contextlib
import json
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from logger.journal.reader import JournalReader
from logger.journal.rows import MAX_WAITING
from logger.journal.sealed import load_dict
from tests.processes import until
from tests.recording.made_recorder import hear, made_recorder


class Fire:
    """A recorder with a firing that has begun; requests go into the journal past every check."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.seq = 0
        self.begin()

    def begin(self) -> None:
        self.recorder, self.intake = made_recorder(self.path, title="Invented")
        self.recorder.start()

    def end(self) -> None:
        self.intake.stop()
        self.recorder.ended.result()

    async def hear(self, frames: int = 3) -> None:
        for _ in range(frames):
            await hear(self.intake, self.seq, k0=20.0 + self.seq % 50)
            self.seq += 1
        await self.until(lambda reader: (found := reader.running()) and found.readings >= self.seq)

    async def until(self, condition: Any) -> None:
        def so() -> bool:
            assert not self.recorder.ended.done(), "the logger has died of it"
            with contextlib.suppress(Exception), contextlib.closing(JournalReader(self.path)) as reader:
                return bool(condition(reader))
            return False

        await asyncio.to_thread(until, so, "the journal")

    def put(self, kind: str, data: str) -> int:
        """A request's row, as any program can write it."""
        with contextlib.closing(sqlite3.connect(self.path, timeout=10, isolation_level=None)) as db:
            row = "INSERT INTO request (made_us, kind, data, who) VALUES (1, ?, ?, 'odd')"
            return int(db.execute(row, (kind, data)).lastrowid or 0)

    async def answer(self, number: int) -> dict[str, Any]:
        """The answer, read without the program too."""

        def said() -> str | None:
            assert not self.recorder.ended.done(), "the logger has died of it"
            with contextlib.closing(sqlite3.connect(self.path, timeout=10, isolation_level=None)) as db:
                (text,) = db.execute("SELECT result FROM request WHERE id = ?", (number,)).fetchone()
            return text

        return load_dict(await asyncio.to_thread(until, said, "the logger's answer"), number)


@pytest.fixture
def fire(tmp_path: Path) -> Iterator[Fire]:
    made = Fire(tmp_path / "journal.sqlite")
    yield made
    with contextlib.suppress(Exception):
        made.end()


HUGE = "1" + "0" * 400
DIGITS = "7" * 5000
ODD = {
    "a spot reading of 10^400": ("spot", '{"zone":"upper","temperature_c":' + HUGE + "}"),
    "an emissivity of 10^400": ("spot", '{"zone":"upper","temperature_c":700,"emissivity":' + HUGE + "}"),
    "a spot reading of 5000 digits": ("spot", '{"zone":"upper","temperature_c":' + DIGITS + "}"),
    "NaN": ("spot", '{"zone":"upper","temperature_c":NaN}'),
    "silence for 10^400 min": ("shelve", '{"key":"x","minutes":' + HUGE + "}"),
    "silence for ever": ("shelve", '{"key":"x","minutes":Infinity}'),
    "silence for 5000 digits": ("shelve", '{"key":"x","minutes":' + DIGITS + "}"),
    "a plan with 5000 digits": ("arm", json.dumps({"plan_toml": f"target_c = {DIGITS}"})),
    "a plan with 5000 hex digits": ("arm", json.dumps({"plan_toml": f"target_c = 0x{'f' * 5000}"})),
    "a plan of dotted keys": ("arm", json.dumps({"plan_toml": "a" + ".a" * 20_000 + " = 1"})),
    "a plan in half a character": ("arm", '{"plan_toml":"title = \\"\\ud800\\""}'),
    "a plan with a title in half a character": ("arm", '{"plan_toml":"title = \\"\\\\ud800\\""}'),
    "an event of 5000 digits": ("retract", '{"event":' + DIGITS + "}"),
    "an event of 10^400": ("retract", '{"event":' + HUGE + "}"),
    "half a character": ("note", '{"kind":"text","text":"\\ud800"}'),
    "no JSON": ("note", "{"),
    "no object": ("note", "[1]"),
    "nothing": ("note", ""),
    "lists in lists": ("note", '{"kind":' + "[" * 5000 + "]" * 5000 + "}"),
    "a blob's worth": ("note", json.dumps({"kind": "text", "text": "x" * 480_000})),
    "no such kind": ("x" * 100_000, "{}"),
    "no such field": ("finish", json.dumps({"y" * 1000: 1})),
    "numbers for words": ("ack", '{"key":7}'),
}


@pytest.mark.slow
async def test_odd_requests(fire: Fire) -> None:
    await fire.hear()
    answers = {}
    for what, (kind, data) in ODD.items():
        number = fire.put(kind, data)
        refused = answers[number] = await fire.answer(number)
        assert refused["ok"] is False, what
        assert 5 < len(refused["error"]) < 600, what
        await fire.hear(2)
        noted = await fire.answer(fire.put("note", '{"kind":"wood"}'))
        assert noted["ok"], f"the next request is carried out after {what}"
    fire.end()
    fire.begin()  # after a restart, none of them is taken again
    await fire.hear(5)
    for number, refused in answers.items():
        assert await fire.answer(number) == refused
    assert (await fire.answer(fire.put("finish", "{}")))["ok"]


async def test_a_fault_of_ours_costs_the_request_alone(fire: Fire, monkeypatch: pytest.MonkeyPatch) -> None:
    await fire.hear()

    def broken(*args: Any, **kwargs: Any) -> Any:
        raise ZeroDivisionError("made up")

    monkeypatch.setattr("logger.replay.judging.Judging.heed", broken)
    number = fire.put("spot", '{"zone":"k0","temperature_c":700}')
    refused = await fire.answer(number)
    assert refused == {"ok": False, "error": "a fault in the logger (ZeroDivisionError); see its log"}
    with contextlib.closing(JournalReader(fire.path)) as reader:
        events = reader.events(reader.firing("last").id)
    assert [event for event in events if event.kind == "spot"] == [], "half of it was carried out"
    monkeypatch.undo()
    assert (await fire.answer(fire.put("spot", '{"zone":"k0","temperature_c":700}')))["ok"]
    await fire.hear()


@pytest.mark.slow
async def test_refused_requests_dont_stay_at_full_length(fire: Fire) -> None:
    """Sixty notes of 480 kB, refused, left 34 MB in the journal."""
    await fire.hear()
    before = fire.path.stat().st_size
    text = json.dumps({"kind": "text", "text": "x" * 480_000})
    for _ in range(60):
        assert not (await fire.answer(fire.put("note", text)))["ok"]
    with contextlib.closing(sqlite3.connect(fire.path)) as db:
        (longest, kept) = db.execute("SELECT max(length(data)), sum(length(data)) FROM request").fetchone()
    assert longest == len("{}")
    assert kept == 60 * len("{}")
    with contextlib.closing(sqlite3.connect(fire.path)) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    assert fire.path.stat().st_size - before < 2_000_000


async def test_a_heap_of_requests_keeps_no_reading_waiting(fire: Fire) -> None:
    await fire.hear()
    with contextlib.closing(sqlite3.connect(fire.path, timeout=10)) as db, db:
        row = "INSERT INTO request (made_us, kind, data, who) VALUES (1, 'note', '{\"kind\":\"wood\"}', '')"
        for _ in range(MAX_WAITING):
            db.execute(row)
    await fire.hear(20)
    last = fire.put("note", '{"kind":"gust"}')
    await fire.until(lambda reader: (asked := reader.request(last)) and asked.result)
    assert (await fire.answer(last))["ok"]


async def test_requests_come_after_readings_and_apart_from_them(
    fire: Fire, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A request that the disk wouldn't take leaves the readings where they are, and is tried again."""
    from logger.journal.schema import JournalError
    from logger.journal.writer import JournalWriter

    await fire.hear()
    real, failed = JournalWriter.finish_request, []

    def full(self: JournalWriter, number: int, result: dict[str, Any]) -> None:
        if len(failed) < 3:
            failed.append(number)
            raise JournalError("the disk is full", "full")
        real(self, number, result)

    monkeypatch.setattr(JournalWriter, "finish_request", full)
    number = fire.put("note", '{"kind":"wood"}')
    await fire.hear(10)
    assert (await fire.answer(number))["ok"]
    assert failed == [number] * 3
    with contextlib.closing(JournalReader(fire.path)) as reader:
        events = reader.events(reader.firing("last").id)
    assert len([event for event in events if event.kind == "note"]) == 1
