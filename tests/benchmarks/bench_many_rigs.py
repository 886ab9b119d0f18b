"""Very many rigs at once, 256 of 64 channels: how long their frames wait for the disk, and how much memory
they take.

`python -m tests.benchmarks.bench_many_rigs [--rigs 256] [--channels 64] [--seconds 30]`: a frame a second
from each, into intake and recorder in this process. Frames of more rigs and channels than a firing records
(`rig_line/admission.py`) are set apart as they came.
"""

from __future__ import annotations

import argparse
import asyncio
import statistics
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

import psutil

from logger.home import Home
from logger.reading import Frame, Sample
from logger.recording.backlog import Token
from logger.recording.hosttime import HostTime
from logger.recording.intake import Intake
from logger.recording.recorder import Recorder
from logger.recording.rigs import Settings
from logger.rig_line.wire import encode
from logger.sources import Arrival
from tests.recording.made_recorder import Nobody


async def run(rigs: int, channels: int, seconds: int) -> None:
    process = psutil.Process()
    time_line = HostTime()
    intake = Intake(time_line)
    sent_s: list[float] = []
    waits_s: list[float] = []
    refused: list[Token] = []

    class Told(Nobody):
        def tell(self, what: str, tokens: Sequence[Token]) -> None:
            if what == "refuse":
                refused.extend(tokens)
                return
            now_s = time.monotonic()
            waits_s.extend(now_s - sent_s[number] for _, number in tokens if isinstance(number, int))

    settings = Settings(home=Home(Path(tempfile.mkdtemp())), title="Invented", invented=True)
    recorder = Recorder(settings, intake, time_line, Told())
    recorder.start()
    before_mb = most_mb = process.memory_info().rss / 1e6
    begun_s = time.monotonic()
    for second in range(seconds):
        for rig in range(rigs):
            ms = round(time.monotonic() * 1000) % 2**32
            samples = {f"k{k}": Sample(c=20.0 + k) for k in range(channels)}
            line = encode(Frame(f"r{rig}", second, ms, samples)).rstrip(b"\n")
            sent_s.append(time.monotonic())
            await intake.put(Arrival(line, time.monotonic(), "broker", f"r{rig}", len(sent_s) - 1))
        most_mb = max(most_mb, process.memory_info().rss / 1e6)
        await asyncio.sleep(max(0.0, begun_s + second + 1 - time.monotonic()))
    last_s = time.monotonic()
    while len(waits_s) + len(refused) < len(sent_s) and time.monotonic() - last_s < 120:
        await asyncio.sleep(0.1)
        most_mb = max(most_mb, process.memory_info().rss / 1e6)
    used = process.cpu_times()
    print(f"{len(sent_s)} frames, {len(waits_s)} kept and acknowledged, {len(refused)} refused")
    print(
        f"waited for the disk {statistics.median(waits_s):.2f} s in the median, {max(waits_s):.2f} s at most; "
        f"memory {before_mb:.0f} MB before, {most_mb:.0f} MB at most; {used.user + used.system:.1f} s of a processor"
    )
    intake.stop()
    await asyncio.to_thread(recorder.ended.result)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rigs", type=int, default=256)
    parser.add_argument("--channels", type=int, default=64)
    parser.add_argument("--seconds", type=int, default=30)
    given = parser.parse_args()
    asyncio.run(run(given.rigs, given.channels, given.seconds))
