"""Which sources are read: the command line's, and those of the armed plan."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable
from typing import Any

import pytest

from logger.plan.sources import PlanSource
from logger.recording.rigs import Fed, Feeding
from logger.sources import Arrival, Put, Report, Sampled, SourceError


class Fake:
    """A source that notes when it starts being read, and when it stops."""

    proof = "none"

    def __init__(self, name: str, log: list[str]) -> None:
        self.name, self.log = name, log

    async def run(self, put: Put, report: Report) -> None:
        self.log.append(f"+{self.name}")
        report("connected", {"detail": "here"})
        try:
            if self.name == "fails":
                raise RuntimeError("a fault of ours")
            await asyncio.Event().wait()
        finally:
            self.log.append(f"-{self.name}")

    def acknowledge(self, tokens: Iterable[object]) -> None: ...
    def refuse(self, tokens: Iterable[object]) -> None: ...
    def ask_again(self, tokens: Iterable[object]) -> None: ...
    def say(self, rig: str, line: bytes) -> None: ...


def table(port: str, **more: Any) -> PlanSource:
    return PlanSource("lines", port=port, **more)


class Followed:
    """A `Feeding` over fakes, and what they did."""

    def __init__(self, *given: Fed) -> None:
        self.log: list[str] = []
        self.notes: list[tuple[str, str, str]] = []

        async def put(came: Arrival | Sampled) -> None: ...

        def make(wanted: PlanSource) -> Fake:
            if wanted.port == "/dev/bad":
                raise SourceError("can't be read; name another port")
            return Fake(f"{wanted.port}@{wanted.baud}", self.log)

        def note(name: str, kind: str, data: dict[str, Any]) -> None:
            self.notes.append((name, kind, data.get("detail", "")))

        for one in given:
            one.source.log = self.log  # type: ignore[attr-defined]
        self.feeding = Feeding(put, note, make, given)
        self.feeding.start()

    async def plan(self, *wanted: PlanSource) -> list[str]:
        self.feeding.plan(wanted)
        await asyncio.gather(*self.feeding._changes)
        await asyncio.sleep(0)  # the sources' own start
        said, self.log[:] = list(self.log), []
        return said


async def test_an_armed_plans_sources_are_read_until_another_is_armed() -> None:
    fed = Followed(Fed(Fake("any serial port", [])))
    one, two = table("/dev/tty1"), table("/dev/tty2")
    assert await fed.plan(one, two) == ["+any serial port", "+/dev/tty1@115200", "+/dev/tty2@115200"]
    assert fed.feeding.reserved == {"/dev/tty1", "/dev/tty2"}
    assert await fed.plan(two) == ["-/dev/tty1@115200"]
    assert await fed.plan(two) == []
    assert await fed.plan() == ["-/dev/tty2@115200"]
    assert fed.feeding.reserved == set()
    assert [state["name"] for state in fed.feeding.sources()] == ["any serial port"]
    await fed.feeding.stop()
    assert fed.log == ["-any serial port"]
    assert not fed.feeding.ended.done()


async def test_other_fields_or_another_speed_are_another_source() -> None:
    fed = Followed()
    assert await fed.plan(table("/dev/tty1")) == ["+/dev/tty1@115200"]
    assert await fed.plan(table("/dev/tty1", baud=9600)) == ["-/dev/tty1@115200", "+/dev/tty1@9600"]
    assert await fed.plan(table("/dev/tty1", baud=9600, unit="F")) == ["-/dev/tty1@9600", "+/dev/tty1@9600"]
    await fed.feeding.stop()


async def test_what_the_command_line_reads_at_a_port_gives_way_to_the_plans_way_and_comes_back() -> None:
    fed = Followed(Fed(Fake("/dev/tty1", []), "/dev/tty1"), Fed(Fake("/dev/tty3", []), "/dev/tty3"))
    await asyncio.sleep(0)
    fed.log.clear()
    assert await fed.plan(table("/dev/tty1")) == ["-/dev/tty1", "+/dev/tty1@115200"]
    assert await fed.plan() == ["-/dev/tty1@115200", "+/dev/tty1"]
    await fed.feeding.stop()


async def test_the_plan_of_the_command_line_armed_again_changes_nothing() -> None:
    same = table("/dev/tty1")
    fed = Followed(Fed(Fake("/dev/tty1@115200", []), "/dev/tty1", same))
    await asyncio.sleep(0)
    fed.log.clear()
    assert await fed.plan(table("/dev/tty1")) == []
    assert await fed.plan() == []
    await fed.feeding.stop()


async def test_a_source_that_can_not_be_made_is_said_and_costs_no_other() -> None:
    fed = Followed()
    assert await fed.plan(table("/dev/bad"), table("/dev/tty1")) == ["+/dev/tty1@115200"]
    states = {state["name"]: (state["state"], state["detail"]) for state in fed.feeding.sources()}
    assert states["bad"] == ("lost", "can't be read; name another port")
    assert ("bad", "lost", "can't be read; name another port") in fed.notes
    await fed.feeding.stop()


async def test_a_fault_in_a_source_ends_the_logger() -> None:
    fed = Followed(Fed(Fake("fails", [])))
    with pytest.raises(RuntimeError, match="a fault of ours"):
        await fed.feeding.ended
    await fed.feeding.stop()
