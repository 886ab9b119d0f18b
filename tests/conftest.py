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


SLOWEST = ("chaos", "firmware", "mirror", "sources")
"""Rooms whose tests wait most: begun first, so that no process is left alone with one at the end."""


@pytest.hookimpl(tryfirst=True)  # before xdist's own, which reads the groups
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put tests into groups and in order.

    Where several processes share the tests (`-n`), a file stays in one of them, with what its tests share; all faults
    made on purpose stay in one, so that they don't disturb each other, and so does what looks at the same fifty firings,
    which take a minute to burn. Browser tests come last: the browser's driver
    keeps an event loop running in this thread, which others can't have.
    """
    tests = Path(__file__).parent

    def room(item: pytest.Item) -> str:
        return item.path.relative_to(tests).parts[0]

    for item in items:
        burns = "clean_firings" in getattr(item, "fixturenames", ())
        group = (
            "chaos" if room(item) == "chaos" else "fifty firings" if burns else item.path.relative_to(tests)
        )
        item.add_marker(pytest.mark.xdist_group(str(group)))
    rank = {name: place for place, name in enumerate(SLOWEST, -len(SLOWEST))} | {"browser": 1}
    items.sort(key=lambda item: rank.get(room(item), 0))
