"""For all tests: hypothesis without a clock (the machine may be busy), and real parts to start."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings
from xdist.remote import Producer
from xdist.scheduler import LoadScopeScheduling

from tests.broker import Mosquitto, require_mosquitto
from tests.burnt import burnt

settings.register_profile("steady", deadline=None, derandomize=True, print_blob=False)
settings.load_profile("steady")


@pytest.fixture(scope="session", autouse=True)
def each_fire_burns_once() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("logger.simulator.burn", burnt)
        yield


@pytest.fixture
def mosquitto(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Mosquitto]:
    """A broker of the test's own."""
    require_mosquitto()
    broker = Mosquitto(tmp_path_factory.mktemp("mosquitto"))
    broker.start()
    yield broker
    broker.stop()


BEGUN_FIRST = ("simulator", "chaos", "firmware", "mirror", "sources", "replay", "dashboard")
"""Rooms that take longest, in order: no process is left alone with one at the end."""

TOGETHER = ("tests/chaos/", "tests/simulator/")
"""Faults made on purpose, so that they don't disturb each other, and what looks at the same invented fires, which take
a minute to burn: each in one process."""


class WholeFiles(LoadScopeScheduling):
    """Gives whole files to the processes that share the tests (`-n`), with what a file's tests share."""

    def _split_scope(self, nodeid: str) -> str:
        file = nodeid.partition("::")[0]
        return next((room for room in TOGETHER if file.startswith(room)), file)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Producer) -> WholeFiles:
    return WholeFiles(config, log)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put tests in order.

    Browser tests come last: the browser's driver keeps an event loop running in this thread, which others can't have.
    """
    rank = {name: place for place, name in enumerate(BEGUN_FIRST, -len(BEGUN_FIRST))} | {"browser": 1}
    items.sort(key=lambda item: rank.get(item.path.relative_to(Path(__file__).parent).parts[0], 0))
