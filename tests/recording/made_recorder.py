"""A recorder without a process around it, and a rig's frames for it."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from logger.home import Home
from logger.plan import Plan
from logger.reading import Frame, Sample
from logger.recording.backlog import Token
from logger.recording.hosttime import HostTime
from logger.recording.intake import Intake
from logger.recording.recorder import Recorder
from logger.recording.rigs import Rigs, Settings
from logger.rig_line.wire import encode
from logger.sources import Arrival


class Nobody(Rigs):
    """No source and no beacon."""

    def __init__(self) -> None: ...
    def tell(self, what: str, tokens: Sequence[Token]) -> None: ...
    def armed(self, plan: Plan) -> None: ...
    def test_beacons(self) -> None: ...

    def sources(self) -> list[dict[str, Any]]:
        return []

    def beacons(self) -> dict[str, str]:
        return {}


def made_recorder(
    path: Path,
    plan: Plan | None = None,
    title: str = "",
    rigs: Rigs | None = None,
    time_line: HostTime | None = None,
) -> tuple[Recorder, Intake]:
    time_line = time_line or HostTime()
    intake = Intake(time_line)
    settings = Settings(home=Home(path.parent), plan=plan, title=title, invented=True)
    assert settings.home.journal == path
    return Recorder(settings, intake, time_line, rigs or Nobody()), intake


async def hear(intake: Intake, seq: int, ms: int | None = None, **c: float) -> None:
    """One frame that has just arrived; without `ms` the rig's clock runs with ours."""
    if ms is None:
        await asyncio.sleep(0.002)  # otherwise two frames would have the same time
        ms = round(time.monotonic() * 1000) % 2**32
    line = encode(Frame("a1", seq, ms, {channel: Sample(c=value) for channel, value in c.items()}))
    await intake.put(Arrival(line.rstrip(b"\n"), time.monotonic(), "port", token=seq))
