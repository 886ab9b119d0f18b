from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.home import Home
from logger.journal.writer import JournalWriter
from tests.mirror.servers import Gate, InfluxDB1, VictoriaMetrics, running


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


@pytest.fixture
def victoria(tmp_path: Path) -> Iterator[VictoriaMetrics]:
    folder = tmp_path / "victoria"
    folder.mkdir()
    with running(VictoriaMetrics(folder)) as server:
        yield server


@pytest.fixture
def influx(tmp_path: Path) -> Iterator[InfluxDB1]:
    folder = tmp_path / "influx"
    folder.mkdir()
    with running(InfluxDB1(folder)) as server:
        yield server


@pytest.fixture
def gate() -> Iterator[Gate]:
    """A server that takes everything."""
    with Gate() as made:
        yield made
