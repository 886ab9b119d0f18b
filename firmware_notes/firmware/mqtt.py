"""Frames over Wi-Fi to an MQTT 3.1.1 broker, QoS 1. Nothing here waits: every call does what can be done now.

A message has arrived once the broker has acknowledged it. Brokers acknowledge in the order of arrival
(MQTT 3.1.1, 4.6), so one acknowledgement covers all before it.
"""

import select
import socket
import struct
import time

import network

WAIT_MS = 10_000  # for Wi-Fi, for a connection, for an answer
PING_MS = 10_000
OUT_BYTES = 4096  # most bytes waiting to leave

OFF, JOINING, CONNECTING, GREETING, UP = range(5)


def text(value):
    data = value.encode()
    return struct.pack(">H", len(data)) + data


def packet(kind, body):
    length = len(body)
    head = bytearray((kind,))
    while True:
        head.append(length & 0x7F | (0x80 if length > 127 else 0))
        length >>= 7
        if not length:
            return bytes(head) + body


class Mqtt:
    def __init__(self, rig, wifi, broker):
        self._topic = "stokewatch/" + rig
        self._rig = rig
        self._wifi = wifi
        self._broker = broker
        self._wlan = network.WLAN(network.STA_IF)
        self._state = OFF
        self._socket = None
        self._poll = None
        self._since = time.ticks_ms()
        self._pause_ms = 0
        self._out = bytearray()
        self._in = bytearray()
        self._id = 0
        self._spoken = self._heard = self._since

    def listening(self):
        """Whether the broker takes frames."""
        return self._state == UP

    def send(self, line, seq):
        """Publish a frame; return the tag it will be acknowledged by, or None if it can't leave now."""
        if self._state != UP or len(self._out) > OUT_BYTES:
            return None
        return self._publish("/frame", line, 0x32)

    def answer(self, line):
        """Publish an answer."""
        if self._state == UP:
            self._publish("/answer", line, 0x32)

    def _publish(self, topic, payload, kind):
        self._id = self._id % 0xFFFF + 1
        body = text(self._topic + topic) + struct.pack(">H", self._id) + payload.rstrip(b"\n")
        self._put(packet(kind, body))
        return self._id

    def _put(self, data):
        self._out.extend(data)
        self._spoken = time.ticks_ms()
        self._flush()

    def poll(self, take, acknowledged, greet):
        """Take the next step: join, connect, send, receive.

        `take` gets each line from the host, `acknowledged` each tag; `greet` is called once connected.
        """
        now = time.ticks_ms()
        try:
            if self._state == UP:
                self._read(take, acknowledged)
                self._keep_alive(now)
            elif time.ticks_diff(now, self._since) >= self._pause_ms:
                self._advance(now, greet)
            self._flush()
        except OSError:
            self._drop(now)

    def _advance(self, now, greet):
        if self._state == OFF:
            self._wlan.active(True)
            if not self._wlan.isconnected():
                self._wlan.connect(self._wifi["ssid"], self._wifi["password"])
            self._go(JOINING, now)
        elif self._state == JOINING and self._wlan.isconnected():
            self._connect()
            self._go(CONNECTING, now)
        elif self._state == CONNECTING and self._poll.poll(0):
            self._hello()
            self._go(GREETING, now)
        elif self._state == GREETING and self._welcomed():
            self._go(UP, now)
            self._heard = now
            self._put(packet(0x82, b"\x00\x01" + text(self._topic + "/ask") + b"\x00"))
            self._publish("/status", b"online", 0x33)  # retained
            greet()
        elif time.ticks_diff(now, self._since) > WAIT_MS:
            raise OSError("nobody there")

    def _go(self, state, now):
        self._state = state
        self._since = now
        self._pause_ms = 0

    def _connect(self):
        address = socket.getaddrinfo(self._broker["host"], self._broker["port"])[0][-1]
        self._socket = socket.socket()
        self._socket.setblocking(False)
        self._poll = select.poll()
        self._poll.register(self._socket, select.POLLOUT)
        try:
            self._socket.connect(address)
        except OSError as error:
            if error.errno not in (115, 119):  # EINPROGRESS, by port
                raise

    def _hello(self):
        # Clean session, a will (QoS 1, retained), and who we are.
        flags = 0x02 | 0x04 | 0x08 | 0x20
        name, password = self._broker.get("user"), self._broker.get("password")
        if name:
            flags |= 0x80 | (0x40 if password else 0)
        body = b"\x00\x04MQTT\x04" + struct.pack(">BH", flags, 3 * PING_MS // 1000)
        body += text("rig-" + self._rig) + text(self._topic + "/status") + text("offline")
        if name:
            body += text(name) + (text(password) if password else b"")
        self._put(packet(0x10, body))

    def _welcomed(self):
        self._receive()
        if len(self._in) < 4:
            return False
        if self._in[0] != 0x20 or self._in[3] != 0:
            raise OSError("refused")
        self._in = self._in[4:]
        return True

    def _receive(self):
        try:
            data = self._socket.recv(512)
        except OSError as error:
            if error.errno in (11, 35):  # EAGAIN: nothing there
                return
            raise
        if not data:
            raise OSError("closed")
        self._in.extend(data)
        self._heard = time.ticks_ms()

    def _read(self, take, acknowledged):
        self._receive()
        while len(self._in) >= 2:
            length = shift = 0
            at = 1
            while True:
                if at >= len(self._in):
                    return
                byte = self._in[at]
                length |= (byte & 0x7F) << shift
                shift += 7
                at += 1
                if not byte & 0x80:
                    break
            if length > 1024:
                raise OSError("too long")
            if len(self._in) < at + length:
                return
            kind = self._in[0] & 0xF0
            body = bytes(self._in[at : at + length])
            self._in = self._in[at + length :]
            if kind == 0x40:  # PUBACK
                acknowledged(struct.unpack(">H", body)[0])
            elif kind == 0x30:  # PUBLISH, QoS 0 as subscribed
                size = struct.unpack(">H", body[:2])[0]
                take(body[2 + size :].rstrip(b"\r\n"), self.answer)

    def _keep_alive(self, now):
        if time.ticks_diff(now, self._heard) > PING_MS + WAIT_MS:
            raise OSError("silent")
        quiet_ms = max(time.ticks_diff(now, self._spoken), time.ticks_diff(now, self._heard))
        if quiet_ms > PING_MS and time.ticks_diff(now, self._since) > PING_MS:
            self._since = now  # one ping every ten seconds will do
            self._put(b"\xc0\x00")

    def _flush(self):
        if not self._out or self._socket is None:
            return
        try:
            sent = self._socket.send(self._out)
        except OSError as error:
            if error.errno in (11, 35):
                return
            raise
        self._out = self._out[sent:]

    def _drop(self, now):
        if self._socket is not None:
            self._socket.close()
        self._socket = self._poll = None
        self._out = bytearray()
        self._in = bytearray()
        self._state = OFF
        self._since = now
        self._pause_ms = 2000
