"""Whoever sent a frame learns what became of it, in its own loop; and says how it is doing."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

from logger.home import Home
from logger.recording import rigs
from logger.recording.hosttime import HostTime
from logger.recording.intake import Intake
from logger.recording.rigs import Fed, Rigs, Settings


class Invented:
    """A source that notes what it is told."""

    proof = "crc"

    def __init__(self, name: str) -> None:
        self.name = name
        self.heard: list[tuple[str, list[object]]] = []

    async def run(self, put: Any, report: Any) -> None:
        report("connected", {"detail": f"at {self.name}"})
        report("rig", {"rig": "a1", "online": True})
        await asyncio.Event().wait()

    def acknowledge(self, tokens: Any) -> None:
        self.heard.append(("acknowledge", list(tokens)))

    def refuse(self, tokens: Any) -> None:
        self.heard.append(("refuse", list(tokens)))

    def ask_again(self, tokens: Any) -> None:
        self.heard.append(("again", list(tokens)))

    def say(self, rig: str, line: bytes) -> None:
        self.heard.append((rig, [line]))


async def test_each_source_hears_of_its_own_frames_in_their_order(
    tmp_path: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    one, other = Invented("one"), Invented("other")
    monkeypatch.setattr(rigs, "given_sources", lambda *_: [Fed(one), Fed(other)])
    intake = Intake(HostTime())
    made = Rigs(Settings(home=Home(tmp_path)), intake, ())
    made.start()
    # As the journal's thread does.
    await asyncio.to_thread(made.tell, "acknowledge", [("one", 1), ("other", 7), ("one", 2), ("gone", 9)])
    await asyncio.to_thread(made.tell, "refuse", [("other", 8)])
    await asyncio.to_thread(made.tell, "ask_again", [("one", 3)])
    for _ in range(10):  # turns of the loop; nothing here waits for a time
        await asyncio.sleep(0)
    reports = [(event.data["source"], event.data["what"]) for event in intake.take(0, 0).events]
    assert reports == [(name, kind) for name in ("one", "other") for kind in ("connected", "rig")]
    assert one.heard == [("acknowledge", [1, 2]), ("again", [3])]
    assert other.heard == [("acknowledge", [7]), ("refuse", [8])]
    assert made.sources()[0] == {"name": "one", "state": "connected", "detail": "at one", "proof": "crc"}
    await made.stop()
