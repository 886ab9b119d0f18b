from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.journal.reader import JournalReader
from logger.journal.writer import JournalWriter
from tests.journal.journal_batches import START_US


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[JournalWriter, JournalReader]]:
    """One journal for the many firings of a property test; it need not survive a power cut."""
    writer = JournalWriter(tmp_path_factory.mktemp("shared") / "journal.sqlite")
    writer._db.execute("PRAGMA synchronous = OFF")
    reader = JournalReader(writer.path)
    yield writer, reader
    reader.close()
    writer.close()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "journal.sqlite"


@pytest.fixture
def writer(path: Path) -> Iterator[JournalWriter]:
    made = JournalWriter(path)
    yield made
    made.close()


@pytest.fixture
def reader(writer: JournalWriter) -> Iterator[JournalReader]:
    made = JournalReader(writer.path)
    yield made
    made.close()


@pytest.fixture
def firing(writer: JournalWriter) -> str:
    return writer.open_firing("Jars, invented", None, START_US, invented=True).id
