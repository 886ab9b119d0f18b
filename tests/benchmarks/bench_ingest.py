"""Line bytes → committed, with and without the judgement, beside a client that sends to a time-series server.

python -m tests.benchmarks.bench_ingest [--rounds 5] [--minutes 10]

16 channels at 10 Hz, MAX31855 words, an hour into an invented firing. Ours: decoded, checked, converted,
stored with raw words and rollups, synchronous=FULL; the judgement has every rule on and estimates the pots,
as in the logger. Peer: influxdb-client in its batching mode, with line-protocol strings of readings already
decoded and converted, into Debian's VictoriaMetrics on loopback, until it has answered for all of them; by
then they are in its memory, not on its disk. The peer's server may use the other core; everything else is
held to one.
"""

from __future__ import annotations

import argparse
import os
import statistics
import tempfile
from pathlib import Path
from time import perf_counter, process_time

import numpy as np
from influxdb_client import InfluxDBClient, WriteOptions

from logger.conversion.assembler import Assembler
from logger.journal.layout import as_stored
from logger.journal.writer import JournalWriter
from logger.plan import Plan
from logger.reading import Floats, Frame, Sample
from logger.replay.judging import Judging
from logger.rig_line.wire import decode, encode
from tests.benchmarks.live import PROBES, heat, plan_of
from tests.mirror.servers import VictoriaMetrics, running

RATE_HZ = 10.0
START_US = 1_795_600_800_000_000
PLAN = plan_of()


def word_lines(values: Floats, first: int, rate_hz: float = RATE_HZ) -> list[bytes]:
    """What a rig with MAX31855 amplifiers sends."""
    words = (np.rint(values / 0.25).astype(np.int64) << 18) | (320 << 4)
    return [
        encode(
            Frame(
                "a1",
                first + n,
                round((first + n) * 1000 / rate_hz),
                {f"k{j}": Sample(amp="max31855", raw=f"{w:x}") for j, w in enumerate(row)},
            )
        )
        for n, row in enumerate(words.tolist())
    ]


def judging(plan: Plan, *, estimating: bool) -> Judging:
    """The judgement, with the channels that the rig sends."""
    made = Judging(plan, START_US, estimating=estimating)
    made.rebuild([("a1", f"k{j}") for j in range(len(plan.probes))])
    return made


class Ours:
    """One firing of the journal."""

    def __init__(
        self,
        folder: Path,
        name: str,
        judging: Judging | None,
        frames: int,
        *,
        plan: Plan = PLAN,
        rate_hz: float = RATE_HZ,
    ) -> None:
        self.writer = JournalWriter(folder / f"{name}.sqlite")
        self.firing = self.writer.open_firing(plan.title, plan.dumps(), START_US, invented=True).id
        self.assembler, self.rate_hz = Assembler(plan), rate_hz
        self.judging = judging
        self.cpu_s = 0.0
        self.frames, self.placed, self.alarms, self.estimates = frames, 0, 0, 0

    def __call__(self, values: Floats) -> float:
        """Readings per second."""
        lines = word_lines(values, self.placed, self.rate_hz)
        begin, cpu_s = perf_counter(), process_time()
        for a in range(0, len(lines), self.frames):
            decoded = [decode(line) for line in lines[a : a + self.frames]]
            first = self.placed + a
            times = [START_US + round((first + i) * 1e6 / self.rate_hz) for i in range(len(decoded))]
            batches = [as_stored(b) for b in self.assembler.take(list(zip(decoded, times, strict=True)))]
            events, estimates = [], []
            if self.judging is not None:
                events = self.judging.take(batches)
                estimates = self.judging.take_estimates()
            with self.writer.transaction():
                for batch in batches:
                    self.writer.append(self.firing, batch)
                for t_us, kept in estimates:
                    self.writer.add_estimate(self.firing, t_us, kept)
                for event in events:
                    assert self.judging is not None
                    t_us = self.judging.micros(event.t_s)
                    self.writer.add_event(self.firing, t_us, event.kind, event.data)
            self.estimates += len(estimates)
            self.alarms += sum(event.kind == "alarm" for event in events)
        took_s, self.cpu_s = perf_counter() - begin, process_time() - cpu_s
        self.placed += len(lines)
        return values.size / took_s


class Peer:
    """influxdb-client into VictoriaMetrics."""

    def __init__(self, url: str) -> None:
        self.url, self.placed, self.sent = url, 0, 0

    def __call__(self, values: Floats) -> float:
        """Readings per second."""
        names = [f"reading,rig=a1,channel=k{j} temperature_c=" for j in range(PROBES)]
        rows = values.tolist()
        begin = perf_counter()
        with (
            InfluxDBClient(self.url, token="none", org="none") as client,
            client.write_api(WriteOptions(batch_size=5000, flush_interval=250)) as api,
        ):
            for n, row in enumerate(rows):
                t_ns = START_US * 1000 + (self.placed + n) * 100_000_000
                lines = [f"{name}{value} {t_ns}" for name, value in zip(names, row, strict=True)]
                api.write(bucket="none", record=lines)
            # Closing the API waits until the server has answered for everything.
        took_s = perf_counter() - begin
        self.placed += len(rows)
        self.sent += values.size
        return values.size / took_s


def main(rounds: int, minutes: float) -> None:
    whole = heat(rounds * minutes * 60, RATE_HZ, PROBES, from_s=3600.0)
    parts = np.array_split(whole, rounds)
    with tempfile.TemporaryDirectory() as name, running(VictoriaMetrics(_made(Path(name) / "vm"))) as server:
        os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
        folder = Path(name)
        contenders: dict[str, Ours | Peer] = {
            "peer: influxdb-client, batching": Peer(server.url),
            "committed": Ours(folder, "plain", None, 100),
            "with every rule on": Ours(folder, "rules", judging(PLAN, estimating=False), 100),
            "and estimating the pots": Ours(folder, "estimate", judging(PLAN, estimating=True), 100),
        }
        found: dict[str, list[float]] = {name: [] for name in contenders}
        for part in parts:
            for name_, run in contenders.items():
                found[name_].append(run(part))
        peer = contenders["peer: influxdb-client, batching"]
        assert isinstance(peer, Peer)
        arrived = sum(len(t) for _, t, _ in server.export("reading_temperature_c"))
        print(
            f"\n{PROBES} channels, {minutes:g} min at {RATE_HZ:g} Hz a round, {rounds} rounds, 100 frames a commit"
        )
        print(f"  the server has {arrived} of {peer.sent} readings that were sent")
        for name_, run in contenders.items():
            told = (
                f"; {run.alarms} alarm events, {run.estimates} estimates"
                if isinstance(run, Ours) and run.judging
                else ""
            )
            print(f"  {name_:<34}{statistics.median(found[name_]) / 1e3:>7,.0f} k readings/s"
                  f"   × peer {_ratio(found, name_, 'peer: influxdb-client, batching')}"
                  f"   × committed {_ratio(found, name_, 'committed')}{told}")  # fmt: skip


def _made(folder: Path) -> Path:
    folder.mkdir()
    return folder


def _ratio(found: dict[str, list[float]], name: str, base: str) -> str:
    ratios = [a / b for a, b in zip(found[name], found[base], strict=True)]
    return f"{statistics.median(ratios):.2f} [{min(ratios):.2f}–{max(ratios):.2f}]"


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--minutes", type=float, default=10.0)
    given = parser.parse_args()
    main(given.rounds, given.minutes)
