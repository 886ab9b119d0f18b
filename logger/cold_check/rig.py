"""The cold check of a rig, heard directly or through the journal of a running logger."""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Callable, Sequence
from typing import Any
from uuid import uuid4

from logger.cold_check.look import Report, check_journal, check_rig, hands_of
from logger.conversion.assembler import Assembler
from logger.diagnosis.finding import Finding
from logger.errors import UserError
from logger.home import Home
from logger.plan import Plan
from logger.plan.sources import PlanSource
from logger.reading import Batch
from logger.recording.hosttime import HostTime
from logger.recording.intake import Intake
from logger.sources import Arrival, Sampled, Source
from logger.sources.mqtt import Broker
from logger.sources.plain import plain_source
from logger.sources.serial_port import SerialPort


def check(
    home: Home,
    plan: Plan | None,
    *,
    serial_ports: Sequence[str],
    mqtt_urls: Sequence[str],
    plain: Sequence[PlanSource] = (),
    seconds: float,
    begun: Callable[[], None],
) -> Report:
    """Judge the rig from the journal if a logger is running, else by listening to it.

    With no source named, the serial ports are searched for a rig. UserError: the logger has no firing
    open to look at.
    """
    if home.logger_runs():
        return _check_running(home, plan, named=bool(serial_ports or mqtt_urls))
    taken: set[str] = set()
    name = f"stokewatch-check-{uuid4().hex[:12]}"
    sources: list[Source] = [
        *(SerialPort(port, taken) for port in serial_ports),
        *(Broker(url, name, session_s=0) for url in mqtt_urls),
        *(plain_source(table, taken, name) for table in plain),
    ]
    begun()
    batches, counts, said = asyncio.run(_listen(sources or [SerialPort(None, taken)], plan, seconds))
    unproven = {source.rig_name for source in plain}
    found = check_rig(plan, batches, hands_of(batches), unproven, counts, home.root)
    if not batches:
        found += [Finding("fail", "source", name, text) for name, text in said.items() if text]
    return Report(found)


def _check_running(home: Home, plan: Plan | None, *, named: bool) -> Report:
    """Judge the running logger's rig; `named`: sources were named as well."""
    if named:
        raise UserError(
            f"{home.root}: a logger is running here and reads the rig itself; leave out --serial and "
            "--mqtt, or give this check another --home"
        )
    from logger.journal.reader import JournalReader

    with contextlib.closing(JournalReader(home.journal)) as reader:
        firing = reader.running()
        if firing is None:
            raise UserError(
                f"{home.root}: the logger has no firing open; wait for the rig's first reading, or wake the "
                "rig on the page, under Prepare"
            )
        return check_journal(reader, firing, plan, home.root)


async def _listen(
    sources: Sequence[Source], plan: Plan | None, seconds: float
) -> tuple[list[Batch], dict[str, int], dict[str, str]]:
    """Return what came in, `Intake.counts`, and what each source last reported."""
    intake = Intake(HostTime())
    assembler = Assembler(plan)
    batches: list[Batch] = []
    said: dict[str, str] = {}

    async def feed(source: Source) -> None:
        async def put(arrival: Arrival | Sampled) -> None:
            await intake.put(arrival)
            # Without an answer a broker stops sending. A rig on a serial port just keeps its frames.
            if isinstance(source, Broker) and arrival.token is not None:
                source.acknowledge([arrival.token])

        def report(kind: str, data: dict[str, Any]) -> None:
            said[source.name] = "" if kind == "connected" else str(data.get("detail", ""))

        await source.run(put, report)

    feeding = [asyncio.create_task(feed(s), name=f"source[{s.name}]") for s in sources]
    end = time.monotonic() + seconds
    try:
        while (left_s := end - time.monotonic()) > 0:
            ended, _ = await asyncio.wait(feeding, timeout=min(left_s, 1.0))
            for task in ended:
                task.result()
            batches += assembler.take(intake.take(0.0, 0.0).frames)
    finally:
        for task in feeding:
            task.cancel()
        await asyncio.gather(*feeding, return_exceptions=True)
    batches += assembler.take(intake.take(0.0, 0.0).frames)
    return batches, intake.counts(), said
