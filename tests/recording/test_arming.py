"""Arming a plan: what ends, what begins, what a restarted logger knows of it."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from msgspec.structs import replace

from logger.journal.reader import JournalReader
from logger.journal.rows import FiringInfo, add_request
from logger.plan import Plan, Probe, default_alarms
from tests.processes import until
from tests.recording.made_recorder import hear, made_recorder

PLAN = Plan(
    title="Six jars, invented",
    target_c=700.0,
    probes=(Probe("coals", "k0", height_cm=0, reads="coals", zone="under"), Probe("top", "k1", zone="upper")),
)
OTHER = replace(PLAN, title="Four bowls, invented", target_c=720.0)


class Logger:
    """The journal's thread, with a rig that sends on command."""

    def __init__(self, path: Path, plan: Plan | None = None) -> None:
        self.path = path
        self.recorder, self.intake = made_recorder(path, plan)
        self.recorder.start()

    async def hear(self, first: int, frames: int = 5) -> None:
        before = self.dealt_with()
        for seq in range(first, first + frames):
            await hear(self.intake, seq, k0=20.0, k1=21.0)
        until(lambda: self.dealt_with() == before + 2 * frames, "the frames' commit")

    def dealt_with(self) -> int:
        """Readings in the journal, and those that arrived while it held."""
        return sum(f.readings for f in self.firings()) + int(self.beat().get("not_recorded", 0))

    def beat(self) -> dict[str, Any]:
        with contextlib.closing(JournalReader(self.path)) as reader:
            return reader.heartbeat() or {}

    def ask(self, kind: str, **data: Any) -> dict[str, Any]:
        number = add_request(self.path, kind, data, "tablet")
        with contextlib.closing(JournalReader(self.path)) as reader:

            def answer() -> dict[str, Any] | None:
                request = reader.request(number)
                return None if request is None else request.result

            return until(answer, f"an answer to {kind}") or {}

    def firings(self) -> list[FiringInfo]:
        with contextlib.closing(JournalReader(self.path)) as reader:
            return reader.firings()[::-1]

    def stop(self) -> None:
        self.intake.stop()
        self.recorder.ended.result()


@pytest.fixture
def loggers(tmp_path: Path) -> Iterator[Any]:
    made: list[Logger] = []

    def make(plan: Plan | None = None) -> Logger:
        made.append(Logger(tmp_path / "journal.sqlite", plan))
        return made[-1]

    yield make
    for running in made:
        if not running.recorder.ended.done():
            running.stop()


async def test_what_ran_without_a_plan_ends_and_the_next_reading_opens_the_firing(loggers: Any) -> None:
    running = loggers()
    await running.hear(0)
    [setting_up] = running.firings()
    answer = running.ask("arm", plan_toml=PLAN.dumps())
    assert answer == {"ok": True, "ended": setting_up.id}
    [ended] = running.firings()
    assert not ended.running
    assert ended.title.startswith("Setting up on ")
    await running.hear(5)
    _, firing = running.firings()
    assert firing.running
    assert (firing.title, firing.plan, firing.readings) == (PLAN.title, PLAN, 10)
    with contextlib.closing(JournalReader(running.path)) as reader:
        assert [c.probe.name for c in reader.columns(firing.id)] == ["coals", "top"]
        said = [e.data["what"] for e in reader.events(ended.id) if e.kind == "system"]
    assert said == ["ended_by_arming"]
    until(lambda: running.beat()["verdict"], "a verdict")
    assert {z["zone"] for z in running.beat()["verdict"]["zones"]} == {"under", "upper"}


async def test_a_firing_with_a_plan_is_replaced_only_where_it_is_named(loggers: Any) -> None:
    running = loggers(PLAN)
    await running.hear(0)
    [first] = running.firings()
    for data in ({}, {"replace": "another"}, {"replace": True}):
        answer = running.ask("arm", plan_toml=OTHER.dumps(), **data)
        assert not answer["ok"]
    assert running.firings()[0].running
    assert running.ask("arm", plan_toml=OTHER.dumps(), replace=first.id)["ok"]
    await running.hear(5)
    first, second = running.firings()
    assert (first.running, first.title, first.plan) == (False, PLAN.title, PLAN)
    assert (second.running, second.plan) == (True, OTHER)


async def test_a_logger_that_holds_after_the_end_records_again_once_armed(loggers: Any) -> None:
    running = loggers()
    await running.hear(0)
    assert running.ask("finish")["ok"]
    await running.hear(5)
    assert running.beat()["holding"]
    assert len(running.firings()) == 1
    assert running.ask("arm", plan_toml=PLAN.dumps()) == {"ok": True, "ended": None}
    assert not running.beat()["holding"]
    await running.hear(10)
    assert [f.plan == PLAN for f in running.firings()] == [False, True]


@pytest.mark.parametrize(
    ("toml", "why"),
    [
        ("", "no plan"),
        ("target_c = 'hot'", "line 1: target_c"),
        ("x = 1", "unknown key"),
        (7, "not text"),
        ("#" * 200_001, "longer"),
    ],
)
async def test_a_wrong_plan_changes_nothing(loggers: Any, toml: object, why: str) -> None:
    running = loggers()
    await running.hear(0)
    answer = running.ask("arm", plan_toml=toml)
    assert not answer["ok"]
    assert why in answer["error"]
    await running.hear(5)
    [firing] = running.firings()
    assert firing.running
    assert firing.readings == 20


async def test_what_was_armed_holds_over_a_restart_before_the_first_reading(loggers: Any) -> None:
    running = loggers()
    await running.hear(0)
    running.ask("arm", plan_toml=PLAN.dumps())
    running.stop()
    again = loggers()
    await again.hear(5)
    assert again.firings()[-1].plan == PLAN


async def test_what_was_armed_goes_before_the_command_lines_plan_until_it_ends(loggers: Any) -> None:
    changed = replace(
        PLAN,
        alarms={**default_alarms(), "coal_collapse": {**default_alarms()["coal_collapse"], "drop_c": 90.0}},
    )
    running = loggers(OTHER)
    await running.hear(0)
    running.ask("arm", plan_toml=changed.dumps(), replace=running.firings()[0].id)
    await running.hear(5)
    running.stop()
    again = loggers(OTHER)  # started again with the same arguments
    await again.hear(10)
    assert len(again.firings()) == 2
    assert again.firings()[-1].plan == changed
    assert again.ask("finish")["ok"]
    assert again.ask("begin")["ok"]
    await again.hear(15)
    assert again.firings()[-1].plan == OTHER
    again.stop()
    once_more = loggers(OTHER)
    await once_more.hear(20)
    assert once_more.firings()[-1].plan == OTHER
    assert len(once_more.firings()) == 3
