from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.home import Home
from logger.journal.writer import JournalWriter
from tests.mirror.servers import INFLUXDB2, INFLUXDBS, Gate, InfluxDB1, InfluxDB2, running

collect_ignore = [] if INFLUXDB2 else ["test_influxdb2.py"]


@pytest.fixture
def home(tmp_path: Path) -> Home:
    made = Home(tmp_path / "home")
    made.create()
    return made


@pytest.fixture
def writer(home: Home) -> Iterator[JournalWriter]:
    made = JournalWriter(home.journal)
    made._db.execute("PRAGMA synchronous = OFF")  # no power cut here
    yield made
    made.close()


@pytest.fixture(params=INFLUXDBS)
def influx(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[InfluxDB1 | InfluxDB2]:
    folder = tmp_path / "influx"
    folder.mkdir()
    with running(request.param(folder)) as server:
        yield server


@pytest.fixture
def gate() -> Iterator[Gate]:
    """A server that accepts everything."""
    with Gate() as made:
        yield made
