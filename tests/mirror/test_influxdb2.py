"""What only InfluxDB 2 does: limited tokens, buckets that forget, partial writes, its mapping of buckets to
databases. Collected if STOKEWATCH_TEST_INFLUXD2 names the program; what it shares with other servers is tested with
them.
"""

from __future__ import annotations

import contextlib
import dataclasses
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from logger.home import Home
from logger.journal.writer import JournalWriter
from logger.mirror.archive import Archive
from logger.mirror.influx import Influx, InfluxError
from logger.mirror.mirror import PING_S, Mirror
from logger.mirror.progress import REFUSED
from logger.mirror.target import Target
from logger.reading import Batch
from tests.journal.journal_batches import START_US, firing_batch, make_batch
from tests.mirror.servers import InfluxDB2, running
from tests.mirror.test_mirror import Clock, send, settle
from tests.processes import STOKEWATCH, process, until

pytestmark = pytest.mark.real


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[InfluxDB2]:
    with running(InfluxDB2(tmp_path_factory.mktemp("influxdb2"))) as made:
        yield made


@pytest.fixture
def target(server: InfluxDB2, request: pytest.FixtureRequest) -> Target:
    """A bucket for this test alone."""
    server.make_bucket(request.node.name)
    return dataclasses.replace(server.target, bucket=request.node.name)


@pytest.fixture
def firing(writer: JournalWriter) -> str:
    made = writer.open_firing("Jars, invented", None, START_US, invented=True).id
    writer.append(made, firing_batch(100, 2))
    return made


def sent_once(home: Home, target: Target) -> str:
    """One step of a mirror; how it finds the server."""
    with contextlib.closing(Mirror(home, target)) as mirror:
        mirror.step()
        return f"{mirror._state} {mirror._detail}"


def stored(target: Target, firing: str) -> list[Batch]:
    with contextlib.closing(Influx(target)) as influx:
        archive = Archive(influx)
        return archive.readings(archive.firing(firing), 0)


def test_a_wrong_token_is_said_everywhere_and_costs_nothing(
    home: Home, firing: str, target: Target, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    wrong = dataclasses.replace(target, token="guessed")
    assert "waiting" in (said := sent_once(home, wrong))
    assert "it refuses the token; put the right one into the token's file (401)" in said
    with contextlib.closing(Influx(wrong)) as influx, pytest.raises(InfluxError, match="refuses the token"):
        Archive(influx).firings()
    monkeypatch.setenv("STOKEWATCH_INFLUX_TOKEN", "guessed")
    away = ["page", "--from-influx", target.url, "--port", "0", "--no-browser"]
    with process([*STOKEWATCH, *away], tmp_path / "away") as page:
        assert page.stdout is not None
        said = until(lambda: next((line for line in page.stdout if "token" in line), ""), "its word", 40)  # type: ignore[union-attr]
    assert "it refuses the token; put the right one into the token's file (401)" in said
    assert "guessed" not in said
    send(home, target)
    (back,) = stored(target, firing)
    np.testing.assert_array_equal(back.temperature_c, firing_batch(100, 2).temperature_c)
    assert not (home.root / REFUSED).exists()


def test_a_token_that_may_do_half(home: Home, firing: str, target: Target, server: InfluxDB2) -> None:
    reads = dataclasses.replace(target, token=server.make_token("read"))
    writes = dataclasses.replace(target, token=server.make_token("write"))
    assert "the token may not write to this bucket" in sent_once(home, reads)
    send(home, writes)
    assert len(stored(reads, firing)) == 1
    with pytest.raises(InfluxError, match="the token may not read it"):
        stored(writes, firing)


def test_a_bucket_that_is_made_later(home: Home, firing: str, server: InfluxDB2) -> None:
    """Among many: more than the server lists on one page."""
    target = dataclasses.replace(server.target, bucket="made later")
    assert "it has no such bucket" in sent_once(home, target)
    with pytest.raises(InfluxError, match="no bucket 'made later'"):
        stored(target, firing)
    for number in range(110):
        server.make_bucket(f"other {number}")
    server.make_bucket("made later")
    send(home, target)
    assert len(stored(target, firing)) == 1
    assert "organisation" in sent_once(home, dataclasses.replace(target, org="nobody"))


def test_a_bucket_named_as_database_and_retention_policy(home: Home, firing: str, server: InfluxDB2) -> None:
    server.make_bucket("school/years")
    target = dataclasses.replace(server.target, bucket="school/years")
    send(home, target)
    assert len(stored(target, firing)) == 1


def test_a_partial_write_costs_the_bad_lines_only(
    home: Home, firing: str, writer: JournalWriter, target: Target, server: InfluxDB2
) -> None:
    """A field that already has another type: the server accepts the other lines and answers 422 or 400."""
    path = f"/api/v2/write?org={target.org}&bucket={target.bucket}"
    server.ask(path, f"reading,rig=b2,channel=k9 fault=1i {START_US}000".encode())
    temperature_c = firing_batch(100, 2, first=100).temperature_c
    temperature_c[40:50, 1] = np.nan  # an open thermocouple: the only lines that show a fault
    t_us = START_US + 100_000 * np.arange(100, 200)
    writer.append(firing, make_batch(t_us, temperature_c))
    send(home, target)
    (back,) = stored(target, firing)
    assert (~np.isnan(back.temperature_c)).sum(axis=0).tolist() == [200, 190]
    aside = (home.root / REFUSED).read_text().splitlines()
    assert len([line for line in aside if line.startswith("reading,")]) == 10
    assert all("channel=k1" in line and 'fault="open"' in line for line in aside if line[0] != "#")
    assert "field type conflict" in aside[0]


def test_what_it_loses_after_a_write_that_was_cut_off_goes_out_again(
    home: Home, writer: JournalWriter, tmp_path: Path
) -> None:
    """As after a power cut or a full disk. It starts, accepts more, and at its next start all of that is gone."""
    folder = tmp_path / "cut"
    folder.mkdir()
    clock = Clock()
    with running(InfluxDB2(folder)) as cut, contextlib.closing(Mirror(home, cut.target, clock)) as mirror:
        firing = writer.open_firing("Jars, invented", None, START_US, invented=True).id
        writer.append(firing, firing_batch(100, 2))
        settle(mirror)
        cut.stop(signal.SIGKILL)
        (log,) = folder.glob("engine/wal/*/autogen/*/*.wal")
        with log.open("ab") as file:
            file.write(b"\x01\x00\x00\x10\x00a part")  # a write's kind, its length, not all of it
        cut.start()
        for n in range(1, 11):  # longer ago than the overlap after any doubt
            writer.append(firing, firing_batch(100, 2, first=100 * n))
            clock.s += 20
            settle(mirror)
        assert stored(cut.target, firing)[0].t_us.tolist() == firing_batch(1100, 2).t_us.tolist()
        cut.stop()
        cut.start()
        assert len(stored(cut.target, firing)[0].t_us) == 100  # otherwise this test shows nothing
        clock.s += PING_S
        mirror.step()
        settle(mirror)
        (back,) = stored(cut.target, firing)
        np.testing.assert_array_equal(back.t_us, firing_batch(1100, 2).t_us)
        np.testing.assert_array_equal(back.temperature_c, firing_batch(1100, 2).temperature_c)


def test_a_bucket_that_forgets_takes_what_is_young_enough(
    home: Home, writer: JournalWriter, server: InfluxDB2
) -> None:
    server.make_bucket("short", keep_s=3600)
    target = dataclasses.replace(server.target, bucket="short")
    begun_us = (time.time_ns() // 60_000_000_000 - 150) * 60_000_000
    firing = writer.open_firing("Jars, invented", None, begun_us, invented=True).id
    for first in range(0, 9000, 100):
        seconds = np.arange(first, first + 100, 2)
        writer.append(firing, make_batch(begun_us + 1_000_000 * seconds, 20.0 + seconds / 10, names=["k0"]))
    send(home, target)
    aside = (home.root / REFUSED).read_text().splitlines()
    assert aside[0].startswith("# 2")
    assert "retention policy" in aside[0]
    old = {int(line.rsplit(" ", 1)[1]) for line in aside if line.startswith("reading,")}
    (series,) = server.select("SELECT temperature_c FROM reading", "short")
    there = {t_ns for t_ns, _ in series["values"]}
    assert len(old) > 850  # half an hour at least: it takes what a young reading's hour has room for
    assert there | old == {1000 * begun_us + s * 10**9 for s in range(0, 9000, 2)}
    # Whether a reading is too old is told by the clock, which went on meanwhile.
    assert max(old) < time.time_ns() - 3600 * 10**9
