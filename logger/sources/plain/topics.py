"""Numbers on other MQTT topics, plain or in JSON."""

from __future__ import annotations

import asyncio
import re
from typing import Final

import aiomqtt
from paho.mqtt.subscribeoptions import SubscribeOptions

from logger.conversion.printed import Field, Printed, channel_names, fields, from_json, is_json
from logger.plan.sources import PlanSource, SourceChannel
from logger.reading import MAX_CHANNELS, Sample
from logger.sources import Put, Report, Sampled
from logger.sources.mqtt import Broker, Message
from logger.sources.plain.ambiguity import Takers, says_who

_DECIMAL_COMMA: Final = re.compile(rb"[-+]?\d+,\d+")


QUIET_S: Final = 20.0
"""A topic on which nothing has come for so long is told. [s]"""


class Topics(Broker):
    """A broker whose messages (format `mqtt`) hold numbers, each a reading of one channel."""

    proof = "none"

    def __init__(self, source: PlanSource, client_id: str) -> None:
        assert source.url is not None
        super().__init__(source.url, client_id)
        self.name += f" ({source.rig_name})"  # rigs with the rig's line may use the same broker
        self._source = source
        self._names: dict[tuple[int, str], str] = {}
        self._told: set[str] = set()
        self._quiet = {channel.topic or "" for channel in source.channels}
        self._takers: dict[str, Takers] = {}
        self._printed = Printed(source.unit)

    async def run(self, put: Put, report: Report) -> None:
        """Receive numbers until cancelled; see `Source`."""
        watch = asyncio.create_task(self._watch(report), name=f"watch[{self.name}]")
        try:
            await super().run(put, report)
        finally:
            watch.cancel()

    async def _watch(self, report: Report) -> None:
        """Tell once of topics on which nothing comes."""
        while self._quiet:
            await asyncio.sleep(QUIET_S)
            if self._quiet and self._paho is not None:
                topics = ", ".join(sorted(self._quiet))
                said = f"but nothing has come on {topics} yet; `stokewatch listen` says where numbers come"
                report("connected", {"detail": said})
                return

    async def _subscribe(self, client: aiomqtt.Client) -> None:
        fresh = SubscribeOptions(qos=1, retainHandling=2)  # a retained number is old
        topics = dict.fromkeys(channel.topic or "" for channel in self._source.channels)
        self.check_granted(await client.subscribe([(topic, fresh) for topic in topics]), ", ".join(topics))

    async def _take(self, came: Message, put: Put, report: Report) -> None:
        message, read_s = came
        token = (self._connection, message.mid) if message.qos else None
        topic = message.topic.value
        payload = message.payload if isinstance(message.payload, bytes) else b""
        samples: dict[str, Sample] = {}
        if not message.retain:
            samples = self._samples(topic, payload)
            if samples:
                self._told.add(topic)  # no need to report its other messages
            elif why := self._unread(topic, payload):
                report("connected", {"detail": f"but {why}"})
        if samples:
            await put(Sampled(self._source.rig_name, samples, read_s, self.name, token))
        elif token is not None:
            self.acknowledge([token])

    def _samples(self, topic: str, payload: bytes) -> dict[str, Sample]:
        found: dict[str, Sample] = {}
        name_of = aiomqtt.Topic(topic)
        self._quiet = {wanted for wanted in self._quiet if not name_of.matches(wanted)}
        several = self._is_of_several(topic, payload)
        for i, channel in enumerate(self._source.channels):
            if not name_of.matches(channel.topic or "") or (
                several and not (channel.path or "").startswith("#")
            ):
                continue
            field = field_of(payload, channel.path)
            name = self._name(i, channel, topic)
            if field is not None and field.value is not None and name is not None:
                found[name] = self._printed.reading(name, channel, field.value, field.unit)
        return found

    def _is_of_several(self, topic: str, payload: bytes) -> bool:
        """Say whether {"ch": 1, "temp": 21.5} and {"ch": 2, "temp": 22.0} come on one topic, or may."""
        who = whose(payload)
        if who is None or len(self._takers) >= MAX_CHANNELS:
            return False
        takers = self._takers.setdefault(topic, Takers())
        takers.take(who)
        return takers.sure or (takers.waits and takers.came.most_common(2)[-1][1] < 2)

    def _unread(self, topic: str, payload: bytes) -> str:
        """Why nothing in a topic's messages is recorded, once for each topic."""
        if topic in self._told or len(self._told) >= MAX_CHANNELS:
            return ""
        takers = self._takers.get(topic, Takers())
        if takers.came and takers.waits:
            return ""
        self._told.add(topic)
        if takers.sure:
            one, two, *_ = sorted(takers.came)
            return (
                f"{topic} tells of {one}, {two}, … by turns; begin each 'path' with '#{one}.', '#{two}.', …"
            )
        numbers = [field.key for field in fields(payload) if field.value is not None]
        shown = payload[:60].decode("utf-8", "replace")
        if len(numbers) > 1:
            some = ", ".join(numbers[:6])
            return f"{topic} has several numbers ({some}) in {shown!r}; choose one with 'path' in the plan"
        return f"{topic} says {shown!r}, without a number where the plan looks for it"

    def _name(self, i: int, channel: SourceChannel, topic: str) -> str | None:
        """Name a channel: as the plan does, or after the part matched by the topic's `+`."""
        if channel.name is not None:
            return channel.name
        if (i, topic) not in self._names and len(self._names) < MAX_CHANNELS:
            parts = zip((channel.topic or "").split("/"), topic.split("/"), strict=False)
            wild = "_".join(theirs for ours, theirs in parts if ours == "+")
            self._names[i, topic] = channel_names([*self._names.values(), wild])[-1]
        return self._names.get((i, topic))


def whose(payload: bytes) -> str | None:
    """Read which probe a JSON message says that it is about, if it says one."""
    who = [field for field in from_json(payload) if says_who(field)] if is_json(payload) else []
    return who[0].text if len(who) == 1 else None


def numbers_of(payload: bytes) -> list[Field]:
    """Find all numbers in a message; a number with a decimal comma counts as one."""
    if _DECIMAL_COMMA.fullmatch(payload.strip()):
        return [Field("1", float(payload.replace(b",", b".")))]
    document = from_json(payload) if is_json(payload) else []
    return document or fields(payload)


def field_of(payload: bytes, path: str | None) -> Field | None:
    """Find the number in a message: NaN if it says that the input is open, None if there is no such number.

    `path` is its path in a JSON document ("stack.0"), or its place, from "1", or its name in a line of
    several numbers; without one the message is the number. '#1.temp' is the path in messages of probe 1.
    """
    if path is None:
        numbers = [field for field in numbers_of(payload) if field.value is not None]
        return numbers[0] if len(numbers) == 1 else None
    if path.startswith("#"):
        who = whose(payload)
        if who is None or not path.startswith(f"#{who}."):
            return None
        path = path[len(who) + 2 :]
    found = from_json(payload) if is_json(payload) else fields(payload)  # half a document has no places
    return next((field for field in found if field.key == path), None)
