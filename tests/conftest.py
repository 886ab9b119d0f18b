"""For all tests: hypothesis without a clock (the machine may be busy), and real parts to start."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

from tests.broker import Mosquitto, require_mosquitto

settings.register_profile("steady", deadline=None, derandomize=True, print_blob=False)
settings.load_profile("steady")


@pytest.fixture
def mosquitto(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Mosquitto]:
    """A broker of the test's own."""
    require_mosquitto()
    broker = Mosquitto(tmp_path_factory.mktemp("mosquitto"))
    broker.start()
    yield broker
    broker.stop()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Browser tests last: the browser's driver keeps an event loop running in this thread, which others can't have."""
    items.sort(key=lambda item: "browser" in Path(item.path).parts)
