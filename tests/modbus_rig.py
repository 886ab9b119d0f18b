"""Invented Modbus modules, run by pymodbus's own servers, and a serial line to reach one."""

from __future__ import annotations

import asyncio
import os
import tty
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from typing import Any

from pymodbus.simulator import DataType, SimData, SimDevice


def device(unit: int) -> SimDevice:
    """An invented module: input registers in tenths, a float in holding registers."""
    bits = [SimData(0, values=[False], datatype=DataType.BITS)]
    tenths = [SimData(0, values=[215, 6125, 32767, 65531], datatype=DataType.REGISTERS)]
    words = [
        SimData(10, values=[612.5], datatype=DataType.FLOAT32),
        SimData(30, values=[1472], datatype=DataType.INT16),
    ]
    return SimDevice(unit, simdata=(bits, bits, words, tenths))


@asynccontextmanager
async def serving(server: Any) -> AsyncIterator[None]:
    task = asyncio.create_task(server.serve_forever())
    try:
        await asyncio.sleep(0)
        yield
    finally:
        await server.shutdown()
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


@asynccontextmanager
async def serial_line() -> AsyncIterator[tuple[str, str]]:
    """Two pseudo-terminals joined at their far ends."""
    loop = asyncio.get_running_loop()
    pairs = [os.openpty() for _ in range(2)]
    for ours, theirs in pairs:
        tty.setraw(theirs)
        os.set_blocking(ours, False)
    (a, _), (b, _) = pairs
    loop.add_reader(a, lambda: os.write(b, os.read(a, 4096)))
    loop.add_reader(b, lambda: os.write(a, os.read(b, 4096)))
    try:
        yield os.ttyname(pairs[0][1]), os.ttyname(pairs[1][1])
    finally:
        for ours, theirs in pairs:
            loop.remove_reader(ours)
            os.close(ours)
            os.close(theirs)
