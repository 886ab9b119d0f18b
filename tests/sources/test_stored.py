"""A stored firing as a source: its readings come again, as they were, when they are due."""

from __future__ import annotations

import asyncio
import contextlib
import time

import numpy as np
import pytest

from logger.rig_line.wire import decode
from logger.sources import Arrival, SourceError
from logger.sources.stored import RIG, StoredFiring

T_US = np.array([0, 1_000_000, 2_500_000, 4_000_000])
VALUES = np.array([[20.5, 21.0], [np.nan, 22.25], [np.nan, np.nan], [23.125, 24.0]])


async def shown(source: StoredFiring) -> tuple[list[Arrival], list[tuple[str, dict]]]:
    """What a source delivers until its end."""
    came: list[Arrival] = []
    told: list[tuple[str, dict]] = []
    ended = asyncio.Event()

    async def put(arrival: Arrival) -> None:
        came.append(arrival)

    def report(kind: str, data: dict) -> None:
        told.append((kind, data))
        if kind == "lost":
            ended.set()

    task = asyncio.create_task(source.run(put, report))
    async with asyncio.timeout(10):
        await ended.wait()
    task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await task
    return came, told


async def test_readings_come_again_as_true_lines() -> None:
    came, told = await shown(StoredFiring("invented.csv", T_US, VALUES, speed=100))
    frames = [decode(arrival.line) for arrival in came]
    assert [f.rig for f in frames] == [RIG] * 3
    assert [{name: s.c for name, s in f.ch.items()} for f in frames] == [
        {"k0": 20.5, "k1": 21.0},
        {"k1": 22.25},
        {"k0": 23.125, "k1": 24.0},
    ], "a channel without a reading is left out, a line without any isn't sent"
    assert np.diff([f.ms for f in frames]).tolist() == [1000, 3000]
    assert [kind for kind, _ in told] == ["connected", "lost"]


async def test_no_line_comes_before_it_is_due() -> None:
    begun = time.monotonic()
    came, _ = await shown(StoredFiring("invented.csv", T_US, VALUES, speed=8))
    due = [0.0, 1.0 / 8, 4.0 / 8]
    assert all(a.monotonic_s - begun >= d for a, d in zip(came, due, strict=True))


def test_nothing_to_show_is_refused() -> None:
    with pytest.raises(SourceError, match=r"empty\.csv: can't be shown again; it needs readings"):
        StoredFiring("empty.csv", T_US[:0], VALUES[:0])
