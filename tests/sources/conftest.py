"""Shared by the sources' tests."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from rig_cables import Cable


@pytest.fixture
def cable(tmp_path: Path) -> Iterator[Cable]:
    made = Cable(tmp_path / "ttyRIG")
    yield made
    made.unplug()
