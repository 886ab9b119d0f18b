"""Listen to a rig for a while and say whether its lines are right, as `stokewatch listen` does."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import json
import os
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

from logger.diagnosis.report import Diagnosis, Report
from logger.errors import UserError
from logger.rig_line.beacon import answer_topic, ask_topic
from logger.rig_line.dialogue import WHO_ARE_YOU
from logger.rig_line.wire import LineSplitter

DEFAULT_SECONDS: Final = 15.0
ASK_EVERY_S: Final = 2.0
MOST_TOPICS: Final = 64


class ListenError(UserError):
    """No rig can be listened to there."""


class PortTaken(ListenError):
    """Another program is reading the port; two readers would take lines from each other."""


def listen(
    target: str,
    *,
    seconds: float = DEFAULT_SECONDS,
    as_json: bool = False,
    echo: Callable[[str], None] = print,
) -> bool:
    """Listen, print what was found, and return whether the lines are right.

    `target` is a serial port (`/dev/ttyACM0`, or with its speed `/dev/ttyUSB0@9600`), a broker (`mqtt://host`)
    or a file of recorded lines; ListenError if there is nothing to listen to. Nothing is acknowledged, so the
    rig keeps its frames for the logger. It is asked `?`, which a rig may answer but need not.
    """
    shown = target
    if broker := target.startswith(("mqtt://", "mqtts://")):
        from logger.sources.mqtt import without_password

        shown = without_password(target)
    if Path(target).is_file():
        diagnosis = Diagnosis()
        for line in LineSplitter().feed(Path(target).read_bytes() + b"\n"):
            diagnosis.take(line)
        report = diagnosis.report()
    else:
        if not as_json:
            echo(f"Listening to {shown} for {seconds:g} s ...")
        report = asyncio.run((_listen_to_broker if broker else _listen_to_port)(target, seconds))
    if as_json:
        echo(json.dumps({"target": shown} | report.as_dict(), ensure_ascii=False))
    else:
        echo(report.text())
    return report.right


def ports_beside(target: str) -> list[str]:
    """List the other serial ports that a rig could be on."""
    from logger.sources.serial_line import candidates, port_and_baud

    if target.startswith(("mqtt://", "mqtts://")) or Path(target).is_file():
        return []
    ours = os.path.realpath(port_and_baud(target)[0])
    return [port for port, _ in candidates() if os.path.realpath(port) != ours]


async def _listen_to_port(target: str, seconds: float) -> Report:
    from logger.conversion.printed import seven_bits
    from logger.sources.serial_line import SerialLine, port_and_baud, why

    device, baud = port_and_baud(target)
    try:
        port = SerialLine(device, baud, returns=True, afresh=True)
    except (OSError, ValueError) as exc:
        words = why(exc, device) if isinstance(exc, OSError) else str(exc)
        kind = PortTaken if getattr(exc, "errno", None) in (errno.EAGAIN, errno.EBUSY) else ListenError
        raise kind(f"{device} {words}; `stokewatch ports` lists the ports there are") from exc
    diagnosis = Diagnosis()
    first = True
    asking = asyncio.create_task(_ask(port.say), name=f"ask[{device}]")
    try:
        async with asyncio.timeout(seconds):
            while (came := await port.next()) is not None:
                line, read_s = came
                # The first line may be the rest of one that began before we listened.
                if not first or line.startswith((b"{", b"#")):
                    diagnosis.take(seven_bits(line), read_s)
                first = False
        raise ListenError(f"{device}: was unplugged while listening; check the lead")
    except TimeoutError:
        return diagnosis.report(port.unfinished)
    finally:
        asking.cancel()
        port.close()


async def _ask(say: Callable[[bytes], None]) -> None:
    await asyncio.sleep(0.5)  # a board that restarts when its port is opened needs a moment
    while True:
        say(WHO_ARE_YOU)
        await asyncio.sleep(ASK_EVERY_S)


def counted(journal: Path, target: str, *, as_json: bool, echo: Callable[[str], None]) -> bool:
    """Print the counts of the running logger, which holds the port; return whether no line was damaged."""
    from logger.journal.reader import JournalReader
    from logger.sources.serial_line import port_and_baud

    with contextlib.closing(JournalReader(journal)) as reader:
        beat = reader.heartbeat() or {}
    counts = {name: int(beat.get(name, 0)) for name in ("frames", "bad_crc", "malformed", "missing")}
    port = port_and_baud(target)[0]
    plain = [s for s in beat.get("sources", []) if s["proof"] == "none" and s["name"].startswith(f"{port}@")]
    if plain:  # its lines are not frames and can't be verified
        right = plain[0]["state"] == "connected"
        facts: dict[str, Any] = {"proof": "none", "readings": int(beat.get("readings", 0))}
        words = (
            f"The logger reads {target}: {plain[0]['detail']}. "
            f"Readings since it started: {facts['readings']}."
        )
    else:
        right = counts["frames"] > 0 and counts["bad_crc"] == counts["malformed"] == 0
        facts = counts
        words = (
            f"The logger is reading {target}, so these are its counts since it started: "
            f"{counts['frames']} frames, {counts['bad_crc']} damaged lines, {counts['malformed']} that break "
            f"the rules, {counts['missing']} frames missing."
        )
    echo(json.dumps({"target": target, "read_by": "logger", "right": right} | facts) if as_json else words)
    return bool(right)


async def _listen_to_broker(target: str, seconds: float) -> Report:
    import aiomqtt

    from logger.sources.mqtt import login, without_password

    broker = login(target)
    diagnosis = Diagnosis()
    asked: set[str] = set()
    ours = [f"stokewatch/+/{topic}" for topic in ("frame", "status")] + [answer_topic("+")]
    try:
        async with aiomqtt.Client(**broker) as client:
            await client.subscribe([(topic, 1) for topic in ours])
            await _take_messages(client, diagnosis, asked, seconds / 2)
            if not asked:  # no rig: does anything else here send numbers?
                await client.unsubscribe(ours)
                await client.subscribe("#")
            await _take_messages(client, diagnosis, asked, seconds / 2)
    except aiomqtt.MqttError as exc:
        right = "is the broker running? Are its address, user and password right?"
        raise ListenError(f"{without_password(target)}: {exc}; {right}") from exc
    return diagnosis.report()


async def _take_messages(client: Any, diagnosis: Diagnosis, asked: set[str], seconds: float) -> None:
    from logger.sources.plain.topics import numbers_of

    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(seconds):
            async for message in client.messages:
                topic, payload = str(message.topic), bytes(message.payload)
                match topic.split("/"):
                    case ["stokewatch", rig, what]:
                        if what != "status":
                            diagnosis.take(payload, time.monotonic())
                        if rig not in asked:
                            asked.add(rig)
                            await client.publish(ask_topic(rig), WHO_ARE_YOU.strip(), qos=1)
                    case _:
                        for field in numbers_of(payload):
                            if field.value is not None and len(diagnosis.topics) < MOST_TOPICS:
                                named = topic if field.key == "1" else f"{topic} {field.key}"
                                diagnosis.topics[named] = field.value
