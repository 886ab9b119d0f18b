"""Read the sources named on the command line and in the armed plan."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from logger.errors import UserError
from logger.plan.sources import PlanSource
from logger.sources import Put, Source

Make = Callable[[PlanSource], Source]
Note = Callable[[str, str, dict[str, Any]], None]
"""Called with a source's name, a kind and facts; the last two as in `Report`."""


@dataclass(slots=True, eq=False)
class Fed:
    """A source, and its state."""

    source: Source | None  # None if it can't be created
    port: str = ""  # the serial port that it reads; empty for any, and for none
    table: PlanSource | None = None  # its table in a plan, or from `--as`
    state: str = "starting"
    detail: str = ""
    task: asyncio.Task[None] | None = None

    @property
    def name(self) -> str:
        """Its name for people."""
        if self.source is not None:
            return self.source.name
        return self.table.rig_name if self.table is not None else ""


class Feeding:
    """Reads sources, in the event loop, and changes them when another plan is armed.

    The command line's are always read, except for a port that the armed plan reads in another way. The plan's
    are read until another plan is armed, even after the firing has finished.
    """

    def __init__(self, put: Put, note: Note, make: Make, given: Sequence[Fed]) -> None:
        self._put, self._note, self._make, self._given = put, note, make, given
        self._fed: list[Fed] = []
        self._changing = asyncio.Lock()
        self._changes: set[asyncio.Task[None]] = set()
        self.ended: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        """Done when a source has ended by itself, which it never should."""
        self.reserved: set[str] = set()
        """Ports that the armed plan names: no search for a rig there."""

    def start(self) -> None:
        """Start with the command line's."""
        for given in self._given:
            self._begin(given)

    def plan(self, wanted: Sequence[PlanSource]) -> None:
        """Read the sources of the plan just armed, and no longer those of the one before."""
        change = asyncio.create_task(self._change(list(wanted)), name="sources of the plan")
        self._changes.add(change)
        change.add_done_callback(self._changes.discard)

    def named(self, name: str) -> Source | None:
        """Return the source of this name, if it is being read."""
        return next((fed.source for fed in self._fed if fed.name == name), None)

    def states(self) -> list[dict[str, str]]:
        """Return each source's state, for the heartbeat; callable from any thread."""
        return [
            {
                "name": fed.name,
                "state": fed.state,
                "detail": fed.detail,
                "proof": "none" if fed.source is None else fed.source.proof,
            }
            for fed in tuple(self._fed)
        ]

    async def stop(self) -> None:
        """Stop all of them."""
        for change in tuple(self._changes):
            change.cancel()
        await asyncio.gather(*self._changes, return_exceptions=True)
        for fed in tuple(self._fed):
            await self._end(fed)

    async def _change(self, wanted: list[PlanSource]) -> None:
        async with self._changing:
            ports = {_place(table.port) for table in wanted if table.port}
            self.reserved.clear()
            self.reserved |= ports
            for fed in tuple(self._fed):
                # The command line's sources carry on, unless the plan reads the same port its own way.
                if fed.table not in wanted and (fed not in self._given or _place(fed.port) in ports):
                    await self._end(fed)
            there = [fed.table for fed in self._fed]
            for table in wanted:
                if table not in there:
                    self._read_planned(table)
            for given in self._given:
                if self.named(given.name) is None and _place(given.port) not in ports:
                    self._begin(given)

    def _read_planned(self, table: PlanSource) -> None:
        try:
            self._begin(Fed(self._make(table), table.port or "", table))
        except UserError as exc:
            self._fed.append(fed := Fed(None, table=table, state="lost", detail=str(exc)))
            self._note(fed.name, fed.state, {"detail": fed.detail})

    def _begin(self, fed: Fed) -> None:
        assert fed.source is not None

        def report(kind: str, data: dict[str, Any]) -> None:
            if kind != "rig":
                fed.state, fed.detail = kind, str(data.get("detail", ""))
            self._note(fed.name, kind, data)

        fed.state, fed.detail = "starting", ""
        self._fed.append(fed)
        fed.task = asyncio.create_task(fed.source.run(self._put, report), name=f"source[{fed.name}]")
        fed.task.add_done_callback(self._over)

    def _over(self, task: asyncio.Task[None]) -> None:
        if task.cancelled() or self.ended.done():
            return
        if (error := task.exception()) is not None:
            self.ended.set_exception(error)
        else:
            self.ended.set_result(None)

    async def _end(self, fed: Fed) -> None:
        if fed.task is not None:
            fed.task.cancel()
            await asyncio.gather(fed.task, return_exceptions=True)
        self._fed.remove(fed)


def _place(port: str | None) -> str:
    """Resolve links to a port's real name."""
    return os.path.realpath(port) if port else ""
