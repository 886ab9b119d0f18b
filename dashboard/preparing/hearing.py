"""What a rig says while it is set up: ``stokewatch hear``, a process apart, opens the port and prints it.

The page itself never opens a port: it only reads the newest line.
"""

import asyncio
import json
from typing import Any, Final

from dashboard.work.apart import end, give, spawn
from logger.errors import UserError

SECONDS: Final = 60.0
"""The longest hearing; whoever wants more asks again. [s]"""
LONGEST: Final = 1 << 18
"""Bytes of a line of what is told."""

Told = dict[str, Any]
NOTHING: Final[Told] = {"said": [], "found": [], "trouble": ""}


class Hearing:
    """One process at a time, whoever asks: a port is read by one."""

    def __init__(self) -> None:
        self._task: asyncio.Task[None] | None = None
        self._told: Told = NOTHING
        self._failed = ""

    @property
    def goes_on(self) -> bool:
        """Whether it still hears."""
        return self._task is not None and not self._task.done()

    def told(self) -> Told:
        """Give what has been heard: `said`, `found`, `trouble`; UserError: it can't be heard."""
        if self._failed:
            raise UserError(self._failed)
        return self._told

    async def begin(self, table: dict[str, Any], seconds: float = SECONDS) -> None:
        """Begin to hear a source, as `logger.diagnosis.hear.hear` takes it, in place of the one before."""
        await self.end()
        self._told, self._failed = NOTHING, ""
        process = await spawn("logger.cli", "hear", "--seconds", str(seconds), limit=LONGEST)
        self._task = asyncio.create_task(self._follow(process, json.dumps(table).encode(), seconds))

    async def end(self) -> None:
        """Hear no more, and let go of the port."""
        if self._task is not None:
            self._task.cancel()
            await asyncio.wait([self._task])
            self._task = None

    async def _follow(self, process: asyncio.subprocess.Process, given: bytes, seconds: float) -> None:
        assert process.stdout is not None
        assert process.stderr is not None
        try:
            async with asyncio.timeout(seconds + 30.0):
                await give(process, given)
                while line := await process.stdout.readline():
                    self._told = json.loads(line)
                complaint = (await process.stderr.read(4000)).decode(errors="replace").strip()
                if await process.wait():
                    last = complaint.splitlines()[-1] if complaint else "it ended without a word"
                    self._failed = last.removeprefix("stokewatch: ")[:400]
        except (TimeoutError, ValueError):
            self._failed = "that could not be heard to its end; try again"
        finally:
            await end(process)


hearing: Final = Hearing()
"""The page's only one."""
