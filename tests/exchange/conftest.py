"""A journal of its own for each test, as the journal's tests have it; and a clock far from Greenwich."""

from __future__ import annotations

import time
from collections.abc import Iterator

import pytest

from tests.journal.conftest import firing, path, reader, shared, writer

__all__ = ["firing", "path", "reader", "shared", "writer"]


@pytest.fixture(autouse=True)
def far_from_greenwich(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """So that a test which forgets about zones fails everywhere."""
    monkeypatch.setenv("TZ", "Asia/Kathmandu")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()
