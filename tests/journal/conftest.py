from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from journal_batches import START_US

from logger.journal.reader import JournalReader
from logger.journal.writer import JournalWriter


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
