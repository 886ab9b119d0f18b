"""A recorder without a process around it, and a rig's frames for it."""

from __future__ import annotations

import asyncio
import time
from pathlib import Path

from logger.plan import Plan
from logger.reading import Frame, Sample
from logger.recording.far_end import FarEnd
from logger.recording.hosttime import HostTime
from logger.recording.intake import Intake
from logger.recording.recorder import Recorder
from logger.rig_line.wire import encode
from logger.sources import Arrival


def made_recorder(
    path: Path, plan: Plan | None = None, title: str = "", far_end: FarEnd | None = None
) -> tuple[Recorder, Intake]:
    time_line = HostTime()
    intake = Intake(time_line)
    return Recorder(
        path, intake, time_line, far_end or FarEnd(), plan=plan, title=title, invented=True
    ), intake


async def hear(intake: Intake, seq: int, ms: int | None = None, **c: float) -> None:
    """One frame, come now; without `ms` the rig's clock runs with ours."""
    if ms is None:
        await asyncio.sleep(0.002)  # or two frames would be of one moment
        ms = round(time.monotonic() * 1000) % 2**32
    line = encode(Frame("a1", seq, ms, {channel: Sample(c=value) for channel, value in c.items()}))
    await intake.put(Arrival(line.rstrip(b"\n"), time.monotonic(), "port", token=seq))
