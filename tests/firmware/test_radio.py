"""Frames over MQTT to a real broker: acknowledged, kept while the radio is away, status and last will."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from rigbench import LiveRig

from logger.rig_line import wire
from logger.rig_line.beacon import Show, answer_topic, ask_topic, beacon_line
from logger.rig_line.dialogue import About, BeaconAnswer, decode_answer
from tests.broker import Mosquitto
from tests.processes import until

pytestmark = pytest.mark.real


class Watcher:
    """Receives everything that a rig publishes."""

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


def live_rig(tmp_path: Path, port: int, **more: Any) -> LiveRig:
    broker = {"host": "127.0.0.1", "port": port}
    return LiveRig(tmp_path, more=more, PERIOD_MS=100, LINK="mqtt", BROKER=broker, LAMP_PIN=14)


def test_frames_status_answers_and_the_last_will(tmp_path: Path) -> None:
    with Mosquitto(tmp_path) as broker:
        port = broker.port
        watcher = Watcher(port)
        with live_rig(tmp_path, port):
            until(lambda: len(watcher.seqs()) >= 20, "twenty frames", 20)
            assert watcher.status() == [b"online"]
            assert isinstance(watcher.answers()[0], About)  # a greeting
            assert watcher.answers()[0].link == "mqtt"
            watcher.client.publish(ask_topic("a1"), b"?", qos=1)
            watcher.client.publish(ask_topic("a1"), beacon_line(3, Show.ALARM).strip(), qos=1)
            until(lambda: len(watcher.answers()) >= 3, "three answers", 5)
            assert isinstance(watcher.answers()[1], About)
            assert watcher.answers()[2] == BeaconAnswer("a1", 3, "alarm")
        until(lambda: watcher.status() == [b"online", b"offline"], "the last will", 40)  # killed: the will
        watcher.close()
    seqs = watcher.seqs()
    assert seqs == list(range(seqs[0], seqs[0] + len(seqs)))
    assert seqs[0] <= 10


def test_what_the_radio_missed_comes_afterwards(tmp_path: Path) -> None:
    """Out of reach for four seconds."""
    with Mosquitto(tmp_path) as broker:
        port = broker.port
        watcher = Watcher(port)
        with live_rig(tmp_path, port, radio=[[0, 4000], [8000, None]]):
            until(lambda: 100 in watcher.seqs(), "frame 100", 30)
            first = watcher.seqs()[0]
            until(lambda: set(range(first, 100)) <= set(watcher.seqs()), "what was kept", 10)
        watcher.close()
    seqs = watcher.seqs()
    # Those whose receipts were under way come twice: the logger drops them.
    assert len(seqs) - len(set(seqs)) <= 20


def test_a_broker_that_goes_and_comes_back(tmp_path: Path) -> None:
    broker = Mosquitto(tmp_path)
    with live_rig(tmp_path, broker.port), broker:
        watcher = Watcher(broker.port)
        until(lambda: len(watcher.seqs()) >= 10, "ten frames", 20)
        broker.stop()
        # What the broker has acknowledged it has also passed on: the watcher stays until the broker is gone.
        gone_at = max(watcher.seqs())
        watcher.close()
        time.sleep(2)
        broker.start()
        again = Watcher(broker.port)
        wanted = set(range(gone_at + 1, gone_at + 60))
        until(lambda: wanted <= set(again.seqs()), "what was sent meanwhile", 20)
        again.close()
