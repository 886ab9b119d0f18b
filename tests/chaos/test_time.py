"""Clocks that jump, wrap and restart; a day and a night; kept frames that come late."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import json
import random
import socket
import time
from pathlib import Path
from typing import Any

import numpy as np
import psutil
import pytest
import websockets
from steady import SteadyRig, Tell, beat, integrity, line, stored

from logger.journal.reader import JournalReader
from logger.recording.hosttime import HostTime
from logger.recording.intake import Intake
from logger.sources import Arrival
from tests.long_form import LONG, times
from tests.processes import STOKEWATCH, free_port, process, until


async def test_reboots_wraps_and_a_host_clock_that_jumps(tell: Tell, monkeypatch: pytest.MonkeyPatch) -> None:
    """One time line through all of it, and the rate of a steady climb right within 1 %."""
    rng = random.Random(13)
    rounds = times(10, 50)
    real = time.time
    jumped_s = 0.0
    monkeypatch.setattr(time, "time", lambda: real() + jumped_s)
    time_line = HostTime(start_us=1_900_000_000_000_000)
    intake = Intake(time_line)
    begin_s = time_line._start_monotonic
    ms, fire_s, seq = 2**32 - 300_000, 0.0, 2**32 - 500  # both wrap soon
    taken: list[tuple[float, int]] = []
    got_us: list[int] = []
    said: list[Any] = []
    told = reboots = 0
    for number in range(rounds):
        match number % 5:
            case 1 | 3:
                # Identical frames would be taken for frames sent twice.
                ms, seq, fire_s = 1000 + number, 0, fire_s + rng.uniform(2, 9)
                reboots += 1
            case 2:
                jumped_s += rng.choice((-86_400, -3600, 3600, 86_400))
                told += 1
        for _ in range(600):
            arrival_s = begin_s + fire_s + abs(rng.gauss(0, 0.03))
            await intake.put(Arrival(line(seq, 1, ms=ms).rstrip(b"\n"), arrival_s, "port"))
            ms, seq, fire_s = ms + 100, seq + 1, fire_s + 0.1
            taken.append((fire_s, seq))
        intake.check_host_clock()
        batch = intake.take(0, 0)
        got_us += [t_us for _, t_us in batch.frames]
        said += [event.data for event in batch.events if event.kind == "clock"]
    t_s = np.array(got_us) / 1e6
    true_s = np.array([at for at, _ in taken])
    assert len(t_s) == len(true_s)
    assert (np.diff(t_s) > 0).all()
    over = 300  # 30 s within one stretch between two reboots
    worst = 0.0
    for start in range(0, len(t_s), 600):
        part, truth = t_s[start + 200 : start + 600], true_s[start + 200 : start + 600]
        rate = (truth[over:] - truth[:-over]) / (part[over:] - part[:-over])
        worst = max(worst, float(np.abs(rate - 1).max()))
    assert worst < 0.01
    assert len(said) == told
    tell(
        f"{reboots} reboots, {told} jumps of the host's clock, both counters wrapped",
        f"one line of time, {len(t_s)} frames, rates over 30 s within {worst:.2%}",
    )


async def _tablets(port: int, stop: asyncio.Event) -> int:
    """Read three tablets' links until told to stop; return the number of messages."""
    counts = itertools.count()

    async def one() -> None:
        url = f"ws://127.0.0.1:{port}/live"
        async with websockets.connect(url, origin=f"http://127.0.0.1:{port}", max_size=None) as live:
            await live.send(json.dumps({"page": "fire", "window_s": 600}))
            async for _ in live:
                next(counts)

    watching = [asyncio.create_task(one()) for _ in range(3)]
    await stop.wait()
    for task in watching:
        task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await asyncio.gather(*watching)
    return next(counts)


def _answers(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


@pytest.mark.parametrize(("scale", "hours"), [(200, 24), (1, 1)] if LONG else [(200, 1)])
async def test_a_day_and_a_night(scale: int, hours: int, tmp_path: Path, tell: Tell) -> None:
    """16 channels at 10 Hz and three tablets: a day at 200 times real time, and an hour in real time."""
    home, link = tmp_path / "home", tmp_path / "rig"
    port = free_port()
    log = [*STOKEWATCH, "log", "--serial", str(link), "--time-scale", str(scale), "--invented"]
    page = [*STOKEWATCH, "page", "--home", str(home), "--no-browser", "--port", str(port)]
    stop = asyncio.Event()
    memory: list[float] = []
    size: list[int] = []
    with SteadyRig(link, rate_hz=10 * scale), process(log, home) as logger, process(page):
        await asyncio.to_thread(until, lambda: beat(home).get("frames", 0) > 100, "frames", 60)
        started = time.monotonic()
        await asyncio.to_thread(until, lambda: _answers(port), "the page", 60)
        tablets = asyncio.create_task(_tablets(port, stop))
        for hour in range(1, hours + 1):
            for part in range(1, 5):
                due_s = started + (hour - 1 + part / 4) * 3600 / scale
                await asyncio.sleep(max(0.0, due_s - time.monotonic()))
                memory.append(psutil.Process(logger.pid).memory_info().rss / 1e6)
                size.append(sum(p.stat().st_size for p in home.glob("journal.sqlite")))
        assert not tablets.done()
        stop.set()
        messages = await tablets
        counted = beat(home)
    assert integrity(home) == "ok"
    with contextlib.closing(JournalReader(home / "journal.sqlite")) as reader:
        readings = reader.firing("last").readings
    assert readings >= counted["frames"] * 16
    assert counted["missing"] == counted["refused"] == counted["lost"] == counted["bad_crc"] == 0
    grown = max(memory[len(memory) // 2 :]) - memory[len(memory) // 4]
    if LONG:
        assert grown < 5, memory
    if hours > 1:
        growth = np.diff(size)[4:]
        assert growth.max() < 2.5 * np.median(growth)  # in a straight line, but for the log's restarts
    tell(
        f"{hours} h at {scale} times life, 16 channels x 10 Hz, three tablets",
        f"{counted['frames']} frames, none missing; logger {memory[0]:.0f} MB after a quarter of an hour, "
        f"{memory[-1]:.0f} MB at the end; {size[-1] / readings:.2f} bytes a reading; {messages} messages to tablets",
    )


def test_what_the_rig_kept_comes_late(tmp_path: Path, tell: Tell) -> None:
    """Minutes of outage, sent afterwards: in their places, without an alarm about the past."""
    home, link = tmp_path / "home", tmp_path / "rig"
    outage_s = times(8, 600)
    with SteadyRig(link, channels=4) as rig, process([*STOKEWATCH, "log", "--serial", str(link)], home):
        until(lambda: beat(home).get("frames", 0) > 20, "frames", 60)
        rig.keep()
        rig.go_on(10 * outage_s)
        gap = rig.send_kept()
        until(lambda: set(gap) <= set(stored(home)), "what was kept", 90)
    kept = len(gap)
    rows = stored(home)
    ordered = [rows[seq][0] for seq in sorted(rows)]
    steps_s = np.diff(ordered) / 1e6
    assert (steps_s > 0).all()
    assert np.allclose(steps_s, 0.1, atol=0.09)
    with contextlib.closing(JournalReader(home / "journal.sqlite")) as reader:
        firing = reader.firing("last")
        history = reader.history(firing.id, 500)
        events = reader.events(firing.id)
    assert max(np.diff(history.t_us[0])) / 1e6 < outage_s / 2, "the rollups have no hole"
    alarms = [e.data["rule"] for e in events if e.kind == "alarm" and e.data["transition"] == "raised"]
    assert alarms in ([], ["rig_silent"]), "an alarm about the past"
    tell(
        f"{kept} frames kept by the rig for {outage_s} s and sent late",
        "all in their places, rollups right, no alarm but the silence itself",
    )
