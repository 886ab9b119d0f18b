"""Many rigs through one broker and one logger into journal and mirror: is everything there, and how late?

python -m tests.benchmarks.bench_rigs [--rigs 50] [--channels 16] [--rate-hz 10] [--seconds 600] [--influxdb2]

Debian's mosquitto and victoria-metrics (or the InfluxDB 2 named by STOKEWATCH_TEST_INFLUXD2), `stokewatch
log` and `stokewatch mirror`, each in its own process. The rigs are one MQTT client that keeps an absolute
schedule; every value identifies its frame and channel.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import tempfile
import threading
import time
import urllib.parse
from pathlib import Path
from typing import Any

import numpy as np
import paho.mqtt.client as paho
import psutil

from logger.journal.reader import JournalReader
from logger.reading import Status
from tests.broker import Mosquitto
from tests.mirror.servers import InfluxDB2, VictoriaMetrics, running
from tests.processes import STOKEWATCH, process, stokewatch, until
from tests.trial_rig import load_line, load_value

SETTINGS = ("max_queued_messages 0", "max_queued_bytes 500000000", "autosave_interval 5")


def play(url: str, rigs: int, channels: int, hz: float, seconds: float) -> int:
    """Send every rig's frames when they are due; return once the broker has all of them."""
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, client_id="rigs", protocol=paho.MQTTv5)
    client.max_inflight_messages_set(2000)
    client.connect("127.0.0.1", int(url.rpartition(":")[2]))
    client.loop_start()
    until(client.is_connected, "the broker")
    begun_s = time.monotonic()
    frames = round(seconds * hz)
    last: Any = None
    behind_s = 0.0
    for n in range(frames):
        for rig in range(rigs):
            due_s = begun_s + (n + rig / rigs) / hz
            if (left_s := due_s - time.monotonic()) > 0.002:
                time.sleep(left_s)
            behind_s = max(behind_s, -left_s)
            ms = round(1000 * (n + rig / rigs) / hz)
            name = f"r{rig:03d}"
            line = load_line(name, n, ms, channels).rstrip()
            last = client.publish(f"stokewatch/{name}/frame", line, qos=1)
    last.wait_for_publish(60)
    client.disconnect()
    client.loop_stop()
    print(f"the rigs themselves were at most {behind_s:.2f} s behind their schedule")
    return frames * rigs


class Victoria(VictoriaMetrics):
    def latest_s(self) -> float | None:
        query = urllib.parse.urlencode(
            {"query": "max(tlast_over_time(reading_temperature_c[30s]))", "nocache": "1"}
        )
        self.ask("/internal/force_flush")
        found = json.loads(self.ask(f"/api/v1/query?{query}")[1])["data"]["result"]
        return float(found[0]["value"][1]) if found else None

    def count(self) -> int:
        return sum(len(t) for _, t, _ in self.export("reading_temperature_c"))


class Influx(InfluxDB2):
    def latest_s(self) -> float | None:
        found = self.select("SELECT last(temperature_c) FROM reading WHERE time > now() - 60s")
        return found[0]["values"][0][0] / 1e9 if found else None

    def count(self) -> int:
        found = self.select("SELECT count(temperature_c) FROM reading")
        return int(found[0]["values"][0][1]) if found else 0


class Watch(threading.Thread):
    """Checks every few seconds how late the server is and what the processes take."""

    def __init__(self, server: Victoria | Influx, home: Path, processes: dict[str, psutil.Process]) -> None:
        super().__init__(daemon=True)
        self.server, self.home, self.processes = server, home, processes
        self.late_s: list[float] = []
        self.waiting: list[int] = []
        self.resident: dict[str, list[float]] = {name: [] for name in processes}
        self.begun_s = time.monotonic()
        self.cpu = {name: sum(p.cpu_times()[:2]) for name, p in processes.items()}
        self.ended = threading.Event()

    def run(self) -> None:
        while not self.ended.wait(3):
            latest_s = self.server.latest_s()
            looked_s = time.time()
            beat = stokewatch("status", home=self.home)
            self.waiting.append(beat["logger"]["waiting"])
            if latest_s is not None:
                self.late_s.append(looked_s - latest_s)
            for name, p in self.processes.items():
                self.resident[name].append(p.memory_info().rss / 2**20)

    def shares(self) -> dict[str, float]:
        took = time.monotonic() - self.begun_s
        return {n: (sum(p.cpu_times()[:2]) - self.cpu[n]) / took for n, p in self.processes.items()}


def main(rigs: int, channels: int, hz: float, seconds: float, influxdb2: bool) -> None:
    with contextlib.ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        for name in ("broker", "server"):
            (folder / name).mkdir()
        home = folder / "home"
        broker = stack.enter_context(Mosquitto(folder / "broker", settings=SETTINGS))
        server = stack.enter_context(running((Influx if influxdb2 else Victoria)(folder / "server")))
        os.environ["STOKEWATCH_INFLUX_TOKEN"] = server.token
        logger = stack.enter_context(process([*STOKEWATCH, "log", "--mqtt", broker.url], home))
        until(
            lambda: "connected" in str(stokewatch("status", home=home)["logger"]["sources"]), "the logger", 60
        )
        mirror = stack.enter_context(process([*STOKEWATCH, "mirror", "--influx", server.url], home))
        watch = Watch(
            server,
            home,
            {
                "logger": psutil.Process(logger.pid),
                "mirror": psutil.Process(mirror.pid),
                "broker": psutil.Process(broker._process.pid),  # type: ignore[union-attr]
                "server": psutil.Process(server._process.pid),
            },
        )
        watch.start()
        sent = play(broker.url, rigs, channels, hz, seconds)
        done_s = time.monotonic()
        shares = watch.shares()
        watch.ended.set()
        until(lambda: stokewatch("status", home=home)["logger"]["frames"] >= sent, "the last frame", 120)
        count = sent * channels
        arrived = 0
        while arrived < count and time.monotonic() < done_s + 120:
            arrived = server.count()
        caught_s = time.monotonic() - done_s
        status = stokewatch("status", home=home)
        with contextlib.closing(JournalReader(home / "journal.sqlite")) as reader:
            firing = reader.firing("last")
            right = 0
            for batch in reader.batches(firing.id):
                at = [int(c.name[1:]) for c in batch.channels]
                truth = np.array([[load_value(int(seq), j) for j in at] for seq in batch.seq])
                right += int(((batch.temperature_c == truth) & (batch.status == Status.OK)).sum())
        journal = sum(f.stat().st_size for f in home.iterdir() if f.name.startswith("journal"))
        stored = sum(f.stat().st_size for f in (folder / "server").rglob("*") if f.is_file())
    late = sorted(watch.late_s)
    print(f"{rigs} rigs x {channels} channels x {hz:g} Hz for {seconds:g} s: {sent} frames, {count} readings")
    counts = {key: status["logger"][key] for key in ("missing", "refused", "lost", "malformed", "bad_crc")}
    print(f"journal: {right} right; counted {counts}; {journal / count:.1f} bytes a reading")
    print(
        f"mirror: {arrived} there, the last {caught_s:.1f} s after the end; {status['mirror']['refused']} refused"
    )
    print(f"server: {stored / count:.2f} bytes a reading on disk (with whatever it hasn't merged yet)")
    print(
        f"late in the server: median {late[len(late) // 2]:.2f} s, most {late[-1]:.2f} s, of {len(late)} looks"
    )
    print("late, look by look [s]:", *(f"{s:.1f}" for s in watch.late_s))
    print(f"frames that waited for the journal's thread: at most {max(watch.waiting)}")
    for name, values in watch.resident.items():
        quarter = values[len(values) // 4]
        print(
            f"{name}: {100 * shares[name]:.0f} % of a core, {values[-1]:.0f} MB resident at the end, "
            f"{quarter:.0f} MB after a quarter, {max(values):.0f} MB at most"
        )


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--rigs", type=int, default=50)
    parser.add_argument("--channels", type=int, default=16)
    parser.add_argument("--rate-hz", type=float, default=10.0)
    parser.add_argument("--seconds", type=float, default=600.0)
    parser.add_argument("--influxdb2", action="store_true")
    given = parser.parse_args()
    main(given.rigs, given.channels, given.rate_hz, given.seconds, given.influxdb2)
