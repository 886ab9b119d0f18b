"""Frames over MQTT to a real broker: acknowledged, kept while the radio is away, status and last will."""

from __future__ import annotations

import json
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from rigbench import KIT, config, require_kit, steady

from logger import wire
from logger.dialogue import About, BeaconAnswer, decode_answer
from logger.notices.beacon import Show, answer_topic, ask_topic, beacon_line

pytestmark = pytest.mark.real


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def broker(port: int, folder: Path) -> Iterator[None]:
    mosquitto = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
    settings = folder / "mosquitto.conf"
    settings.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\n")
    process = subprocess.Popen([mosquitto, "-c", str(settings)], stderr=subprocess.DEVNULL)
    try:
        deadline = time.monotonic() + 10
        while True:
            try:
                socket.create_connection(("127.0.0.1", port), 0.2).close()
                break
            except OSError:
                assert time.monotonic() < deadline, "the broker doesn't come up"
                time.sleep(0.05)
        yield
    finally:
        process.terminate()
        process.wait()


class Watcher:
    """Takes everything that a rig publishes."""

    def __init__(self, port: int) -> None:
        self.messages: list[tuple[str, bytes, bool]] = []
        self.client = paho.Client(paho.CallbackAPIVersion.VERSION2)
        self.client.on_message = self._take
        self.client.connect("127.0.0.1", port)
        self.client.subscribe("stokewatch/#", qos=1)
        self.client.loop_start()

    def _take(self, client: Any, userdata: Any, message: Any) -> None:
        self.messages.append((message.topic, message.payload, message.retain))

    def seqs(self) -> list[int]:
        return [wire.decode(p).seq for t, p, _ in list(self.messages) if t == "stokewatch/a1/frame"]

    def answers(self) -> list[Any]:
        return [decode_answer(p) for t, p, _ in list(self.messages) if t == answer_topic("a1")]

    def status(self) -> list[bytes]:
        return [p for t, p, _ in list(self.messages) if t == "stokewatch/a1/status"]

    def close(self) -> None:
        self.client.loop_stop()
        self.client.disconnect()


@contextmanager
def live_rig(tmp_path: Path, port: int, **scenario: Any) -> Iterator[subprocess.Popen[bytes]]:
    require_kit()
    path = tmp_path / "radio.json"
    settings = config(PERIOD_MS=100, LINK="mqtt", BROKER={"host": "127.0.0.1", "port": port}, LAMP_PIN=14)
    path.write_text(json.dumps({"config": settings, "chips": steady()} | scenario))
    process = subprocess.Popen(
        ["node", str(KIT / "run.mjs"), str(path), "--live"],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        yield process
    finally:
        process.kill()
        process.wait()


def until(condition: Any, seconds: float) -> bool:
    deadline = time.monotonic() + seconds
    while not condition():
        if time.monotonic() > deadline:
            return False
        time.sleep(0.05)
    return True


def test_frames_status_answers_and_the_last_will(tmp_path: Path) -> None:
    port = free_port()
    with broker(port, tmp_path):
        watcher = Watcher(port)
        with live_rig(tmp_path, port):
            assert until(lambda: len(watcher.seqs()) >= 20, 20)
            assert watcher.status() == [b"online"]
            assert isinstance(watcher.answers()[0], About)  # a greeting
            assert watcher.answers()[0].link == "mqtt"
            watcher.client.publish(ask_topic("a1"), b"?", qos=1)
            watcher.client.publish(ask_topic("a1"), beacon_line(3, Show.ALARM).strip(), qos=1)
            assert until(lambda: len(watcher.answers()) >= 3, 5)
            assert isinstance(watcher.answers()[1], About)
            assert watcher.answers()[2] == BeaconAnswer("a1", 3, "alarm")
        assert until(lambda: watcher.status() == [b"online", b"offline"], 40)  # killed: the will
        watcher.close()
    seqs = watcher.seqs()
    assert seqs == list(range(seqs[0], seqs[0] + len(seqs)))
    assert seqs[0] <= 10


def test_what_the_radio_missed_comes_afterwards(tmp_path: Path) -> None:
    """Out of reach for four seconds, and the broker restarted with everything it knew forgotten."""
    port = free_port()
    with broker(port, tmp_path):
        watcher = Watcher(port)
        with live_rig(tmp_path, port, radio=[[0, 4000], [8000, None]]):
            assert until(lambda: 100 in watcher.seqs(), 30)
            first = watcher.seqs()[0]
            assert until(lambda: set(range(first, 100)) <= set(watcher.seqs()), 10)
        watcher.close()
    seqs = watcher.seqs()
    assert (
        len(seqs) - len(set(seqs)) <= 20
    )  # receipts that were on their way: the logger drops those twice sent


def test_a_broker_that_goes_and_comes_back(tmp_path: Path) -> None:
    port = free_port()
    with live_rig(tmp_path, port):
        with broker(port, tmp_path):
            watcher = Watcher(port)
            assert until(lambda: len(watcher.seqs()) >= 10, 20)
        # What the broker has acknowledged it has also handed on: the watcher stays until the broker is gone.
        gone_at = max(watcher.seqs())
        watcher.close()
        time.sleep(2)
        with broker(port, tmp_path):
            again = Watcher(port)
            wanted = set(range(gone_at + 1, gone_at + 60))
            assert until(lambda: wanted <= set(again.seqs()), 20), sorted(wanted - set(again.seqs()))
            again.close()
