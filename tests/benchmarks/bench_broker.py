"""How many acknowledged frames a killed (-9) broker loses while no logger is connected.

python -m tests.benchmarks.bench_broker [SECONDS]

50 rigs of 16 channels at 10 Hz, QoS 1, and the persistent session of a logger that is away. The broker is
killed and restarted, then the logger comes back. In the last row the logger is connected all the time. Each
row is one way to configure Debian's mosquitto.
"""

from __future__ import annotations

import signal
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import psutil
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from tests.broker import Mosquitto

RIGS, RATE_HZ, BYTES = 50, 10, 1100
SETTINGS = {
    "as it comes (1,000 queued, saves every 30 min)": ("max_queued_messages 1000", "autosave_interval 1800"),
    "saves every 30 min": ("max_queued_messages 0", "autosave_interval 1800"),
    "saves every 5 s": ("max_queued_messages 0", "autosave_interval 5"),
    "saves every second": ("max_queued_messages 0", "autosave_interval 1"),
    "saves at every change": ("max_queued_messages 0", "autosave_interval 1", "autosave_on_changes true"),
}


def client(name: str, port: int, *, keep: bool, heard: Any = None) -> Any:
    """A client that is connected; with `heard` for each message, it acknowledges them itself."""
    made = paho.Client(
        paho.CallbackAPIVersion.VERSION2, client_id=name, protocol=paho.MQTTv5, manual_ack=heard is None
    )
    made.on_message = heard
    made.max_inflight_messages_set(1000)
    properties = Properties(PacketTypes.CONNECT)
    properties.SessionExpiryInterval = 3600 if keep else 0
    joined = threading.Event()
    made.on_connect = lambda *_: joined.set()
    made.connect("127.0.0.1", port, clean_start=not keep, properties=properties)
    made.loop_start()
    assert joined.wait(10)
    return made


def measure(name: str, lines: tuple[str, ...], seconds: float, *, there: bool = False) -> None:
    with tempfile.TemporaryDirectory() as folder, Mosquitto(Path(folder), more=(), settings=lines) as broker:
        logger = client("logger", broker.port, keep=True)
        logger.subscribe("stokewatch/+/frame", qos=1)
        time.sleep(0.5)
        back: set[int] = set()
        if there:
            logger.on_message = lambda made, _d, message: (
                back.add(int(message.payload)),
                made.ack(message.mid, message.qos),
            )
        else:
            logger.disconnect()
            logger.loop_stop()
        rigs = client("rigs", broker.port, keep=False)
        numbers: dict[int, tuple[int, float]] = {}
        acknowledged: set[int] = set()
        waits: list[float] = []

        def taken(_client: Any, _data: Any, mid: int, *_: Any) -> None:
            number, sent = numbers.get(mid, (-1, 0.0))
            acknowledged.add(number)
            waits.append(time.monotonic() - sent)

        def again(_client: Any, _data: Any, message: Any) -> None:
            back.add(int(message.payload))

        rigs.on_publish = taken
        process = psutil.Process(broker._process.pid)  # type: ignore[union-attr]
        cpu, began = sum(process.cpu_times()[:2]), time.monotonic()
        number = 0
        while (now := time.monotonic()) < began + seconds:
            while number < (now - began) * RIGS * RATE_HZ:
                payload = f"{number}".encode().ljust(BYTES)
                sent_at = time.monotonic()
                info = rigs.publish(f"stokewatch/r{number % RIGS}/frame", payload, qos=1)
                numbers[info.mid] = (number, sent_at)
                number += 1
            time.sleep(0.01)
        load = (sum(process.cpu_times()[:2]) - cpu) / (time.monotonic() - began)
        held = process.memory_info().rss / 2**20
        broker.stop(signal.SIGKILL)
        rigs.loop_stop()
        logger.loop_stop()
        kept = set(acknowledged) - {-1}
        broker.start()
        logger = client("logger", broker.port, keep=True, heard=again)
        last = -1
        while len(back) != last:
            last = len(back)
            time.sleep(2)
        logger.loop_stop()
        lost = len(kept - back)
        waits.sort()
        print(
            f"{name:48} {number:7} sent {len(kept):7} acknowledged {lost:7} lost ({lost / RIGS / RATE_HZ:5.1f} s)"
            f"  {100 * load:4.0f} % of a core, {held:4.0f} MB, slowest 1 %: {1000 * waits[int(0.99 * len(waits))]:6.0f} ms",
            flush=True,
        )


if __name__ == "__main__":
    length_s = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
    for title, settings in SETTINGS.items():
        measure(title, settings, length_s)
    title = "saves every 5 s"
    measure(f"{title}, the logger is there", SETTINGS[title], length_s, there=True)
