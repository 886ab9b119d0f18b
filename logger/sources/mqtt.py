"""Rigs that send by MQTT: a frame is acknowledged once it is in the journal, and not before."""

from __future__ import annotations

import asyncio
import os
import random
import re
import ssl
import struct
import time
from collections.abc import Iterable, Sequence
from typing import Any, Final, cast
from urllib.parse import unquote, urlsplit

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from logger.rig_line.beacon import answer_topic, ask_topic
from logger.rig_line.wire import MAX_LINE, is_name
from logger.sources import Answer, Arrival, Backoff, Put, Report, Source, SourceError, told_once

FRAMES: Final = "stokewatch/+/frame"
STATUSES: Final = "stokewatch/+/status"
SESSION_S: Final = 7 * 24 * 3600
"""How long a broker keeps frames for a logger that is away. [s]"""
IN_FLIGHT: Final = 2000
"""Frames a broker may send ahead of our acknowledgements: 4 s of 50 rigs at 10 Hz."""
_CONNECT_S: Final = 2.0
"""paho connects in a thread that nothing can interrupt, so shutting down may also take this long. [s]"""
_ANSWER_S: Final = 5.0
_KEEPALIVE_S: Final = 10
_FIRST_WAIT_S: Final = 0.5
_LONGEST_WAIT_S: Final = 10.0
_BAD_PASSWORD: Final = (134, 135)  # MQTT 5.0, table 2-6: bad user name or password; not authorized
_REFUSED: Final = 128  # from here on a reason code is a refusal

STRANGERS: Final = 64
"""Most rigs reported that only ever said `online` or `offline` and sent no frame."""
_STATUS_BURST: Final = 8.0
_STATUS_EVERY_S: Final = 10.0
_ALL_BURST: Final = 64.0
_ALL_EVERY_S: Final = 1.0
_QUOTA_EXCEEDED: Final = 151  # MQTT 5.0, table 3-4: reason codes of PUBACK
_PUBACK: Final = 0x40

Message = tuple[aiomqtt.Message, float]


class _Inbox(asyncio.Queue[Message]):
    """Notes when each message came in.

    `IN_FLIGHT` limits its length: at the broker for QoS 1, here for QoS 0, which comes without promises.
    """

    def _put(self, item: Any) -> None:
        if item.qos or self.qsize() < IN_FLIGHT:
            super()._put((item, time.monotonic()))


class Statuses:
    """Rigs' status topics: reports changes, of real rigs, and only so many."""

    def __init__(self) -> None:
        self._rigs: dict[str, None] = {}  # those that have sent frames
        self._told: dict[str, bool] = {}
        # by rig, "" for all: how many more may be reported, and since when
        self._allowance: dict[str, tuple[float, float]] = {}

    def sent_a_frame(self, rig: str) -> None:
        """Remember that this rig sends frames."""
        if rig not in self._rigs:
            self._rigs[rig] = None
            if len(self._rigs) > 16 * STRANGERS:
                del self._rigs[next(iter(self._rigs))]

    def is_news(self, rig: str, online: bool, now_s: float) -> bool:
        """Whether to report that a rig came or went; `now_s` is monotonic time."""
        if self._told.get(rig) is online or not is_name(rig):
            return False
        strange = rig not in self._rigs and rig not in self._told
        if strange and sum(name not in self._rigs for name in self._told) >= STRANGERS:
            return False
        if not (self._may(rig, now_s) and self._may("", now_s)):
            return False
        self._told[rig] = online
        return True

    def _may(self, whose: str, now_s: float) -> bool:
        burst, every_s = (_STATUS_BURST, _STATUS_EVERY_S) if whose else (_ALL_BURST, _ALL_EVERY_S)
        left, since_s = self._allowance.get(whose, (burst, now_s))
        left = min(burst, left + (now_s - since_s) / every_s)
        self._allowance[whose] = (left - 1 if left >= 1 else left, now_s)
        if len(self._allowance) > 32 * STRANGERS:
            del self._allowance[next(iter(self._allowance))]
        return left >= 1


class Broker(Source):
    """One broker, and all rigs that send to it, or only `rigs`.

    `url` is as for `login`. `client_id` is the same at every start, so that the broker knows for whom it
    keeps frames; it does so for `session_s` while this client is away, 0 for a brief visit. `answer` gets
    what rigs say besides frames. SourceError: as for `login`, or a rig's name is invalid.
    """

    def __init__(
        self,
        url: str,
        client_id: str,
        *,
        answer: Answer | None = None,
        rigs: Sequence[str] = (),
        session_s: int = SESSION_S,
    ) -> None:
        self._login = login(url)
        self._client_id = client_id
        self._answer = answer
        self._rigs = tuple(rigs)
        for rig in self._rigs:
            if not is_name(rig):
                raise SourceError(f"{rig!r} can't be a rig's name; give it as the rig sends it")
        self._session_s = session_s
        self.name = place(self._login)
        self._paho: Any = None  # the library's client, while there is a connection
        self._connection = 0
        self._statuses = Statuses()

    async def run(self, put: Put, report: Report) -> None:
        """Receive frames until cancelled; see `Source`."""
        waits = Backoff(_FIRST_WAIT_S, _LONGEST_WAIT_S, random.random)
        report = told_once(report)
        while True:
            inbox = _Inbox()
            client = self._connect(inbox)
            try:
                async with client:
                    self._connection += 1
                    self._paho = client._client
                    await self._subscribe(client)
                    _end_if_cancelled()
                    report("connected", {"detail": self.name})
                    waits.succeeded()
                    async for first in client.messages:
                        await self._take(cast(Message, first), put, report)
                        while not inbox.empty():  # aiomqtt makes two tasks for each message it gives
                            await self._take(inbox.get_nowait(), put, report)
            except (aiomqtt.MqttError, OSError) as exc:
                _end_if_cancelled()
                report("lost", {"detail": self._why(exc)})
            finally:
                self._paho = None
                # If its greeting got no answer, aiomqtt leaves the connection open.
                client._client.disconnect()
            await asyncio.sleep(waits.next_s())

    def acknowledge(self, tokens: Iterable[object]) -> None:
        """Let the broker forget frames; it resends those of an earlier connection anyway."""
        for mid in self._here(tokens):
            self._paho.ack(mid, 1)

    def refuse(self, tokens: Iterable[object]) -> None:
        """Tell the broker that frames weren't taken, and why, so that it drops them; see `Source`."""
        for mid in self._here(tokens):
            # paho can't send a reason: fixed header, length, message's number, code, no properties.
            packet = struct.pack("!BBHBB", _PUBACK, 4, mid, _QUOTA_EXCEEDED, 0)
            self._paho._packet_queue(_PUBACK, packet, mid, 1)

    def _here(self, tokens: Iterable[object]) -> list[int]:
        """Numbers of the messages that came by this connection."""
        sent = cast(Iterable[tuple[int, int]], tokens)
        return [mid for connection, mid in sent if self._paho is not None and connection == self._connection]

    def say(self, rig: str, line: bytes) -> None:
        """Send a line to a rig; see `Source`."""
        if self._paho is not None:
            self._paho.publish(ask_topic(rig), line.rstrip(b"\n"), qos=1)

    def _connect(self, inbox: _Inbox) -> aiomqtt.Client:
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = self._session_s
        properties.ReceiveMaximum = IN_FLIGHT
        properties.MaximumPacketSize = MAX_LINE + 1024  # a longer message stays with the broker
        client = aiomqtt.Client(
            **self._login,
            identifier=self._client_id,
            protocol=aiomqtt.ProtocolVersion.V5,
            clean_start=False,
            properties=properties,
            timeout=_ANSWER_S,
            keepalive=_KEEPALIVE_S,
            queue_type=cast(Any, lambda maxsize: inbox),
        )
        # aiomqtt has no options for these. Without the first, paho acknowledges before the frame is on disk.
        client._client.manual_ack_set(True)
        client._client.connect_timeout = _CONNECT_S
        return client

    async def _subscribe(self, client: aiomqtt.Client) -> None:
        # A retained frame is an old one; a retained status is the latest.
        fresh, latest = SubscribeOptions(qos=1, retainHandling=2), SubscribeOptions(qos=1)
        wanted = []
        for rig in self._rigs or ("+",):
            wanted += [(FRAMES.replace("+", rig), fresh), (STATUSES.replace("+", rig), latest)]
            wanted.append((answer_topic(rig), fresh))
        codes = await client.subscribe(wanted)
        if self._rigs:
            # The session may remember an earlier subscription to all rigs.
            await client.unsubscribe([FRAMES, STATUSES, answer_topic("+")])
        self.check_granted(codes, FRAMES)

    @staticmethod
    def check_granted(codes: Iterable[object], topics: str) -> None:
        """Raise `aiomqtt.MqttError` if the broker has refused a subscription."""
        if any(cast(ReasonCode, code).value >= _REFUSED for code in codes):
            raise aiomqtt.MqttError(f"user may not subscribe to {topics}; change the broker's access list")

    async def _take(self, came: Message, put: Put, report: Report) -> None:
        message, read_s = came
        token = (self._connection, message.mid) if message.qos else None
        match message.topic.value.split("/"):
            case [_, rig, _] if self._rigs and rig not in self._rigs:
                pass  # subscribed to by an earlier start, kept by the broker
            case [_, rig, "frame"] if not message.retain:
                self._statuses.sent_a_frame(rig)
                await put(Arrival(message.payload.rstrip(b"\r\n"), read_s, self.name, rig=rig, token=token))
                return
            case [_, rig, "status"] if message.payload in (b"online", b"offline"):
                online = message.payload == b"online"
                if self._statuses.is_news(rig, online, read_s):
                    report("rig", {"rig": rig, "online": online})
            case [_, rig, "answer"] if self._answer is not None:
                self._answer(self.name, rig, message.payload)
        if token is not None:
            self.acknowledge([token])

    def _why(self, exc: Exception) -> str:
        if isinstance(exc, aiomqtt.MqttCodeError) and getattr(exc.rc, "value", exc.rc) in _BAD_PASSWORD:
            return f"{self.name} refuses this user and password; check both"
        if "certificate" in str(exc):
            return (
                f"{self.name} has a certificate that can't be trusted ({exc}); name its authority's PEM "
                "file in STOKEWATCH_MQTT_CA"
            )
        return f"{self.name} can't be reached ({exc}); is the broker running, and the network up?"


def _end_if_cancelled() -> None:
    """Raise a cancellation that was lost on the way.

    Before Python 3.12 `asyncio.wait_for` forgets it if what it waits for finishes at the same moment, and an
    error while aiomqtt disconnects replaces it.
    """
    task = asyncio.current_task()
    if task is not None and task.cancelling():
        raise asyncio.CancelledError


def without_password(url: str) -> str:
    """Make a URL, or anything meant as one, fit to be shown."""
    return re.sub("^([a-z]*://|(?![a-z]*://))([^:@]*):.*@", r"\1\2:…@", url)


def login(url: str) -> dict[str, Any]:
    """Read ``mqtt[s]://[user[:password]@]host[:port]``; return `aiomqtt.Client`'s arguments.

    The password may also be in STOKEWATCH_MQTT_PASSWORD, which keeps it out of the list of processes; for
    ``mqtts`` with a certificate of one's own, STOKEWATCH_MQTT_CA names its authority's. SourceError: the
    address isn't a broker's, or the certificate can't be read.
    """
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError:  # the port isn't a number
        parts, port = urlsplit(""), None
    if parts.scheme not in ("mqtt", "mqtts") or not parts.hostname or parts.path not in ("", "/"):
        shown = without_password(url)
        raise SourceError(f"{shown}: not a broker; write mqtt://host or mqtts://user@host:port")
    secure = parts.scheme == "mqtts"
    user = unquote(parts.username) if parts.username else None
    password = unquote(parts.password) if parts.password else os.environ.get("STOKEWATCH_MQTT_PASSWORD")
    ca_file = os.environ.get("STOKEWATCH_MQTT_CA")
    try:
        tls = ssl.create_default_context(cafile=ca_file) if secure else None
    except OSError as exc:
        raise SourceError(
            f"{ca_file}: can't read a certificate from it ({exc}); name a PEM file in STOKEWATCH_MQTT_CA"
        ) from exc
    return {
        "hostname": parts.hostname,
        "port": port or (8883 if secure else 1883),
        "username": user,
        "password": password if user else None,
        "tls_context": tls,
    }


def place(broker: dict[str, Any]) -> str:
    """Write a broker's address (from `login`) without its password."""
    return f"mqtt{'s' * bool(broker['tls_context'])}://{broker['hostname']}:{broker['port']}"
