from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from firing_fixture import SmallFire


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "journal.sqlite"


@pytest.fixture
def fire(path: Path) -> Iterator[SmallFire]:
    made = SmallFire(path)
    yield made
    made.writer.close()
