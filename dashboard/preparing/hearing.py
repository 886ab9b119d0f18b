"""Listen to a rig while it is being set up: ``stokewatch hear``, a separate process, opens the port.

The page never opens a port itself; it only reads the newest line that process prints.
"""

import asyncio
import json
from typing import Any, Final

from dashboard.work.apart import end, give, spawn
from logger.errors import UserError

SECONDS: Final = 60.0
"""How long to listen at most; for longer, ask again [s]."""
LONGEST: Final = 1 << 18
"""The longest line that process may print [bytes]."""

NOTHING: Final[dict[str, Any]] = {"said": [], "found": [], "trouble": ""}


class Hearing:
    """Listens in one process at a time, whoever asks: two can't read the same port."""

    def __init__(self) -> None:
        self._task: asyncio.Task[None] | None = None
        self._told = NOTHING
        self._failed = ""

    @property
    def goes_on(self) -> bool:
        """Whether it is still listening."""
        return self._task is not None and not self._task.done()

    def told(self) -> dict[str, Any]:
        """Return what has been heard: `said`, `found`, `trouble`; UserError: listening failed."""
        if self._failed:
            raise UserError(self._failed)
        return self._told

    async def begin(self, table: dict[str, Any], seconds: float = SECONDS) -> None:
        """Start listening to a source (as `logger.diagnosis.hear.hear` takes it) instead of the last one."""
        await self.end()
        self._told, self._failed = NOTHING, ""
        process = await spawn("logger.cli", "hear", "--seconds", str(seconds), limit=LONGEST)
        self._task = asyncio.create_task(self._follow(process, json.dumps(table).encode(), seconds))

    async def end(self) -> None:
        """Stop listening and release the port."""
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
                    last = complaint.splitlines()[-1] if complaint else "listening ended without saying why"
                    self._failed = last.removeprefix("stokewatch: ")[:400]
        except (TimeoutError, ValueError):
            self._failed = "listening broke off; try again"
        finally:
            await end(process)


hearing: Final = Hearing()
"""The page's only instance."""
