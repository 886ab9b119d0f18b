"""A separate journal for each test, as in the journal's tests; and a clock far from Greenwich."""

from __future__ import annotations

import time
from collections.abc import Iterator

import pytest

from tests.journal.conftest import firing, path, reader, shared, writer

__all__ = ["firing", "path", "reader", "shared", "writer"]


@pytest.fixture(autouse=True)
def far_from_greenwich(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """So that a test which forgets about time zones fails everywhere."""
    monkeypatch.setenv("TZ", "Asia/Kathmandu")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()
