"""When the hub looks at the journal, and when it sends what it found."""

from __future__ import annotations

import asyncio
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from dashboard.live import hub as hubs
from dashboard.live.board import Board, Value
from dashboard.live.hub import Hub
from tests.processes import until


@dataclass
class Journal:
    """Replaces the watcher: `mark` changes when something is written, `found` is what a look then finds."""

    mark: int = 0
    found: str = "same"
    newest_s: float = 0.0
    looks: int = 0
    fresh_wall_s: float | None = None
    told: list[float | None] = field(default_factory=list)

    def written(self) -> tuple[int, ...]:
        return (self.mark,)

    def look(self, _wall_s: float, board: Board) -> str:
        self.looks += 1
        board.values = [Value(20.0, None, 0, self.newest_s, self.newest_s, None)]
        return self.found


@pytest.fixture
def journal(monkeypatch: pytest.MonkeyPatch) -> Journal:
    monkeypatch.setattr(hubs, "EARLY_S", 1e6)  # no moment is too early, and none too late
    monkeypatch.setattr(hubs, "LATE_S", 1e6)
    return Journal()


@pytest.fixture
def hub(journal: Journal, monkeypatch: pytest.MonkeyPatch) -> Hub:
    made = Hub(Path("none.sqlite"), "1", lambda *_: "")
    made.watcher = journal  # type: ignore[assignment]
    made.board.values = [Value(20.0, None, 0, 0.0, 0.0, None)]
    made._due_s, made._written = time.monotonic(), journal.written()

    async def tell() -> Any:
        journal.told.append(made.board.newest_s)

    monkeypatch.setattr(made, "_tell", tell)
    return made


async def test_nothing_is_asked_of_the_journal_before_something_is_written(
    hub: Hub, journal: Journal
) -> None:
    await hub._look_when_due()
    assert journal.looks == 0


async def test_readings_are_told_at_once(hub: Hub, journal: Journal) -> None:
    journal.mark, journal.found, journal.newest_s = 1, "update", 3.0
    await hub._look_when_due()
    assert journal.told == [3.0]


async def test_a_commit_on_its_way_is_looked_for_until_it_is_there(hub: Hub, journal: Journal) -> None:
    journal.mark = 1
    await hub._look_when_due()
    assert (journal.looks, journal.told) == (1, [])
    journal.found, journal.newest_s = "update", 3.0
    await hub._look_when_due()
    assert journal.told == [3.0]


async def test_a_sign_of_life_without_readings_waits_for_them(
    hub: Hub, journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    journal.mark, journal.found = 1, "update"
    await hub._look_when_due()
    await hub._look_when_due()
    assert (journal.looks, journal.told) == (1, []), "looked at once, and not told"
    monkeypatch.setattr(hubs, "LATE_S", -1.0)
    await hub._look_when_due()
    assert journal.told == [0.0], "in the end whatever there is"


async def test_a_fault_in_one_look_is_logged_and_the_next_look_tells(
    hub: Hub, journal: Journal, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Otherwise one odd row would leave every tablet without readings until the page is restarted."""
    closed: list[int] = []
    look = journal.look

    def breaks_once(wall_s: float, board: Board) -> str:
        if not closed:
            raise RuntimeError("an odd row")
        return look(wall_s, board)

    monkeypatch.setattr(hubs, "TELL_S", 0.0)
    journal.look = breaks_once  # type: ignore[method-assign]
    hub.watcher.close = lambda: closed.append(1)  # type: ignore[method-assign]
    journal.mark, journal.found, journal.newest_s = 1, "update", 3.0
    looking = asyncio.create_task(hub._look_loop())
    await asyncio.to_thread(until, lambda: journal.told, "what the next look found", 20)
    looking.cancel()
    assert journal.told[0] == 3.0
    assert closed == [1]
    assert "looking at the journal failed" in caplog.text
    assert "an odd row" in caplog.text


class Socket:
    """A tablet that says one thing."""

    def __init__(self, says: str = "") -> None:
        self.says, self.closed = says, (0, "")

    async def accept(self) -> None: ...

    async def receive_text(self) -> str:
        return self.says

    async def send_text(self, text: str) -> None: ...

    async def close(self, code: int, reason: str) -> None:
        self.closed = code, reason


@pytest.mark.parametrize(
    "says", ["everything, please", '{"window_s":NaN}', '{"page":"\\ud800"}', "[" * 900, "[" * 3000]
)
async def test_a_tablet_that_says_nonsense_is_told_and_let_go(hub: Hub, says: str) -> None:
    hub.watcher.close = lambda: None  # type: ignore[method-assign]
    odd = Socket(says)
    await hub.serve(odd)  # type: ignore[arg-type]
    assert odd.closed == (1008, "not a wish: this socket takes only what the page wants to see")
    assert not hub.tablets


async def test_too_early_nothing_is_looked_at(
    hub: Hub, journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(hubs, "EARLY_S", 0.0)
    hub._due_s += 1e6
    journal.mark, journal.found = 1, "update"
    await hub._look_when_due()
    assert journal.looks == 0
