"""The mirror against servers that are killed: InfluxDB 2, and Debian's victoria-metrics, which accepts the same writes.

The latter stores milliseconds, decimal digits and no texts: the comparison covers what it can hold.
"""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from logger.home import Home
from logger.journal.reader import JournalReader
from logger.journal.writer import JournalWriter
from logger.mirror.mirror import Mirror
from logger.mirror.target import Target
from tests.journal.journal_batches import START_US, firing_batch
from tests.mirror.servers import INFLUXDB2, InfluxDB2, VictoriaMetrics, running
from tests.mirror.test_mirror import settle

pytestmark = pytest.mark.real
CHANNELS = 16


def feed(writer: JournalWriter, firing: str, seconds: int, first_s: int) -> None:
    """16 channels at 10 Hz, a second at a time."""
    for s in range(first_s, first_s + seconds):
        writer.append(firing, firing_batch(10, CHANNELS, first=10 * s))


@pytest.fixture(params=[VictoriaMetrics, *INFLUXDB2])
def server(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[VictoriaMetrics | InfluxDB2]:
    folder = tmp_path / "server"
    folder.mkdir()
    with running(request.param(folder)) as made:
        yield made


def check_all_there_once(server: VictoriaMetrics | InfluxDB2, writer: JournalWriter, firing: str) -> None:
    reader = JournalReader(writer.path)
    kept = reader.readings(firing)
    reader.close()
    exact = isinstance(server, InfluxDB2)
    if isinstance(server, InfluxDB2):
        series = server.select("SELECT temperature_c FROM reading GROUP BY channel")
        found = {s["tags"]["channel"]: tuple(zip(*s["values"], strict=True)) for s in series}
    else:
        found = {tags["channel"]: (t, c) for tags, t, c in server.export("reading_temperature_c")}
    assert len(found) == CHANNELS
    for column, t_us, values in zip(kept.columns, kept.t_us, kept.temperature_c, strict=True):
        times, got = (np.array(part) for part in found[column.channel])
        order = np.argsort(times)
        np.testing.assert_array_equal(times[order], t_us * 1000 if exact else t_us // 1000)
        np.testing.assert_allclose(got[order], values, rtol=0 if exact else 1e-11)


@pytest.mark.timeout(180)
def test_killed_in_the_middle_and_down_for_ten_minutes_of_fire(
    home: Home, writer: JournalWriter, server: VictoriaMetrics | InfluxDB2
) -> None:
    firing = writer.open_firing("Jars, invented", None, START_US, invented=True).id
    mirror = Mirror(home, Target(server.url, site="meadow", token=server.token))
    feed(writer, firing, 60, 0)
    settle(mirror)
    feed(writer, firing, 60, 60)
    killer = threading.Timer(0.05, server.stop, (signal.SIGKILL,))
    killer.start()
    while mirror._state == "running":
        mirror.step()
        feed(writer, firing, 1, int(writer_seconds(writer, firing)))
    killer.join()
    begun_s = int(writer_seconds(writer, firing))
    for minute in range(10):
        feed(writer, firing, 60, begun_s + 60 * minute)
        took_s = -time.monotonic()
        mirror.step()
        took_s += time.monotonic()
        assert mirror._state == "waiting"
        assert took_s < 5
    server.start()
    settle(mirror)
    mirror.close()
    check_all_there_once(server, writer, firing)


def writer_seconds(writer: JournalWriter, firing: str) -> float:
    last_us = writer.firing(firing).last_us
    assert last_us is not None
    return (last_us - START_US) / 1e6 + 0.1


@pytest.mark.timeout(120)
def test_killed_and_back_before_anyone_looked(
    home: Home, writer: JournalWriter, server: VictoriaMetrics | InfluxDB2
) -> None:
    """What it had acknowledged and lost is sent again, although no request ever failed."""
    firing = writer.open_firing("Jars, invented", None, START_US, invented=True).id
    mirror = Mirror(home, Target(server.url, token=server.token))
    feed(writer, firing, 30, 0)
    settle(mirror)
    server.stop(signal.SIGKILL)
    server.start()
    if isinstance(server, VictoriaMetrics):
        kept = sum(len(t) for _, t, _ in server.export("reading_temperature_c"))
        assert kept < 300 * CHANNELS  # otherwise this test shows nothing
    feed(writer, firing, 1, 30)
    settle(mirror)
    settle(mirror)
    mirror.close()
    check_all_there_once(server, writer, firing)
