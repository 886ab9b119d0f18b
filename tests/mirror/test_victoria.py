"""The mirror against Debian's victoria-metrics, which is killed: it takes what influxdb-client writes.

It keeps milliseconds, and no texts: what is compared is what it can hold.
"""

from __future__ import annotations

import signal
import threading
import time

import numpy as np
import pytest

from logger.home import Home
from logger.journal.reader import JournalReader
from logger.journal.writer import JournalWriter
from logger.mirror.mirror import Mirror
from logger.mirror.target import Target
from tests.journal.journal_batches import START_US, firing_batch
from tests.mirror.servers import VictoriaMetrics
from tests.mirror.test_mirror import settle

pytestmark = pytest.mark.real
CHANNELS = 16


def feed(writer: JournalWriter, firing: str, seconds: int, first_s: int) -> None:
    """16 channels at 10 Hz, a second at a time."""
    for s in range(first_s, first_s + seconds):
        writer.append(firing, firing_batch(10, CHANNELS, first=10 * s))


def check_all_there_once(victoria: VictoriaMetrics, writer: JournalWriter, firing: str) -> None:
    reader = JournalReader(writer.path)
    kept = reader.readings(firing)
    reader.close()
    found = {labels["channel"]: (t, v) for labels, t, v in victoria.export("reading_temperature_c")}
    assert len(found) == CHANNELS
    for column, t_us, values in zip(kept.columns, kept.t_us, kept.temperature_c, strict=True):
        t_ms, v = found[column.channel]
        order = np.argsort(t_ms)
        np.testing.assert_array_equal(np.array(t_ms)[order], t_us // 1000)
        np.testing.assert_allclose(np.array(v)[order], values, rtol=1e-11)  # it keeps decimal digits


@pytest.mark.timeout(180)
def test_killed_in_the_middle_and_down_for_ten_minutes_of_fire(
    home: Home, writer: JournalWriter, victoria: VictoriaMetrics
) -> None:
    firing = writer.open_firing("Jars, invented", None, START_US, invented=True).id
    mirror = Mirror(home, Target(victoria.url, site="meadow"))
    feed(writer, firing, 60, 0)
    settle(mirror)
    feed(writer, firing, 60, 60)
    killer = threading.Timer(0.05, victoria.stop, (signal.SIGKILL,))
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
    victoria.start()
    settle(mirror)
    mirror.close()
    check_all_there_once(victoria, writer, firing)


def writer_seconds(writer: JournalWriter, firing: str) -> float:
    last_us = writer.firing(firing).last_us
    assert last_us is not None
    return (last_us - START_US) / 1e6 + 0.1


@pytest.mark.timeout(120)
def test_killed_and_back_before_anyone_looked(
    home: Home, writer: JournalWriter, victoria: VictoriaMetrics
) -> None:
    """What it had acknowledged and lost is sent again, although no request ever failed."""
    firing = writer.open_firing("Jars, invented", None, START_US, invented=True).id
    mirror = Mirror(home, Target(victoria.url))
    feed(writer, firing, 30, 0)
    settle(mirror)
    victoria.stop(signal.SIGKILL)
    victoria.start()
    lost = sum(len(t) for _, t, _ in victoria.export("reading_temperature_c"))
    assert lost < 300 * CHANNELS  # else this test shows nothing
    feed(writer, firing, 1, 30)
    settle(mirror)
    settle(mirror)
    mirror.close()
    check_all_there_once(victoria, writer, firing)
