"""What people do to the running firing, carried out by the journal's thread: notes, gun readings, and undoing them."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from logger.journal.reader import JournalReader
from logger.journal.rows import add_request
from logger.reading import Event
from logger.recording import requests_carried_out
from logger.requests import UNDO_S
from tests.processes import until
from tests.recording.made_recorder import Nobody, hear, made_recorder


class Running:
    """A recorder with a firing that has begun."""

    def __init__(self, path: Path, rigs: Nobody | None = None) -> None:
        self.path = path
        self.recorder, self.intake = made_recorder(path, title="Invented", rigs=rigs)

    async def light(self) -> None:
        self.recorder.start()
        for seq in range(3):
            await hear(self.intake, seq, 100 * seq, k0=20.0 + seq)
        await asyncio.to_thread(until, lambda: self.reader().running() is not None, "a firing")

    def reader(self) -> JournalReader:
        self._reader = getattr(self, "_reader", None) or JournalReader(self.path)
        return self._reader

    def ask(self, request: str, /, who: str = "page", **data: Any) -> dict[str, Any]:
        number = add_request(self.path, request, data, who)

        def answer() -> dict[str, Any] | None:
            found = self.reader().request(number)
            return None if found is None else found.result

        return dict(until(answer, "the logger's answer"))

    def close(self) -> None:
        self.intake.stop()
        with contextlib.closing(self.reader()):
            self.recorder.ended.result()

    def events(self, *kinds: str) -> list[Event]:
        return [e for e in self.reader().events(self.reader().firing("last").id) if e.kind in kinds]


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Running]:
    made = Running(tmp_path / "journal.sqlite")
    yield made
    made.close()


async def test_a_note_is_taken_back_and_stays_known(running: Running) -> None:
    await running.light()
    noted = running.ask("note", kind="wood", amount="an armful", who="Ama")
    assert running.events("note")[0].data["amount"] == "an armful"
    assert running.ask("retract", who="Ben", event=noted["event"]) == {"ok": True}
    assert running.events("note") == []
    [kept] = running.events("retracted")
    assert kept.data == {"kind": "wood", "text": "", "amount": "an armful", "was": "note"}
    [told] = running.events("retract")
    assert (told.data, told.who) == ({"event": noted["event"], "was": "note"}, "Ben")
    again = running.ask("retract", event=noted["event"])
    assert not again["ok"], "what is taken back can't be taken back again"


async def test_a_spot_reading_too(running: Running) -> None:
    await running.light()
    noted = running.ask("spot", zone="k0", temperature_c=742.0, emissivity=0.9)
    assert running.ask("retract", event=noted["event"])["ok"]
    assert running.events("spot") == []


async def test_that_coals_are_raked_out_reaches_the_judgement_beside_the_fire(running: Running) -> None:
    """As when the firing is rehearsed: noted, corrected, taken back."""
    await running.light()
    judging = running.recorder.judged.judging
    assert judging is not None
    noted = running.ask("note", kind="raked")
    assert len(judging.judge._raked_s) == 1
    noted = running.ask("amend", event=noted["event"], text="to the windward side")
    assert len(judging.judge._raked_s) == 1
    assert running.ask("retract", event=noted["event"])["ok"]
    assert judging.judge._raked_s == []
    running.ask("note", kind="wood")
    assert judging.judge._raked_s == []


async def test_a_note_is_put_right_however_old_and_what_it_said_stays_known(running: Running) -> None:
    await running.light()
    noted = running.ask("note", kind="wood", amount="an armful", zone="k0", who="Ama")
    [before] = running.events("note")
    amended = running.ask("amend", event=noted["event"], text="oak, half of it wet", who="Ben")
    [after] = running.events("note")
    assert (after.id, after.t_us, after.who) == (amended["event"], before.t_us, "Ben")
    assert after.data == before.data | {"text": "oak, half of it wet"}
    assert [e.data["was"] for e in running.events("retracted")] == ["note"]
    # At another time, but never before the firing.
    running.ask("amend", event=after.id, text="oak", ago_min=600)
    [earliest] = running.events("note")
    assert earliest.t_us < before.t_us
    refused = running.ask("amend", event=after.id, text="again")
    assert "isn't a note" in refused["error"], "what has been put right already is no note any more"
    free = running.ask("note", kind="text", text="smoke turns clear")
    assert "a word or two" in running.ask("amend", event=free["event"])["error"]
    spot = running.ask("spot", zone="k0", temperature_c=742.0)
    assert "isn't a note" in running.ask("amend", event=spot["event"], text="x")["error"]
    assert len(running.events("spot")) == 1
    assert {e.data["text"] for e in running.events("note")} == {"oak", "smoke turns clear"}


async def test_after_a_minute_it_stands(running: Running, monkeypatch: pytest.MonkeyPatch) -> None:
    await running.light()
    noted = running.ask("note", kind="gust")
    monkeypatch.setattr(requests_carried_out, "UNDO_S", -requests_carried_out.UNDO_GRACE_S - 1.0)
    refused = running.ask("retract", event=noted["event"])
    assert "too late to take that back" in refused["error"]
    assert len(running.events("note")) == 1
    assert UNDO_S == 60.0


@pytest.mark.parametrize("event", [0, -1, None, "1", True, 1 << 63, 10**9])
async def test_nothing_else_can_be_taken_back(running: Running, event: Any) -> None:
    await running.light()
    assert not running.ask("retract", event=event)["ok"]


async def test_what_the_judgement_said_is_no_note(running: Running) -> None:
    await running.light()
    firing = running.reader().firing("last")
    number = running.ask("note", kind="rain")["event"]
    for event in running.events("system", "stage", "alarm", "retract"):
        assert not running.ask("retract", event=event.id)["ok"]
    assert running.ask("retract", event=number)["ok"]
    assert running.reader().firing("last").id == firing.id


class Lamps(Nobody):
    """Rigs with a lamp or a buzzer, if `there` are any."""

    def __init__(self, there: dict[str, str]) -> None:
        self.there, self.tried = there, 0

    def beacons(self) -> dict[str, str]:
        return self.there

    def test_beacons(self) -> None:
        self.tried += 1


@pytest.mark.parametrize("there", [{}, {"a1": "ok"}])
async def test_lamps_and_buzzers_are_tried_where_there_are_any(tmp_path: Path, there: dict[str, str]) -> None:
    lamps = Lamps(there)
    running = Running(tmp_path / "journal.sqlite", lamps)
    try:
        await running.light()
        answer = running.ask("beacon_test")
    finally:
        running.close()
    if there:
        assert (answer["ok"], answer["beacons"], lamps.tried) == (True, there, 1)
    else:
        assert not answer["ok"]
        assert "no rig has reported a lamp or a buzzer" in answer["error"]
        assert lamps.tried == 0
