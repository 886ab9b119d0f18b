"""For all tests: hypothesis without a deadline (the machine may be busy), and real programs to start."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings
from xdist.remote import Producer
from xdist.scheduler import LoadScopeScheduling
from xdist.workermanage import WorkerController

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
    """A broker for this test alone."""
    require_mosquitto()
    broker = Mosquitto(tmp_path_factory.mktemp("mosquitto"))
    broker.start()
    yield broker
    broker.stop()


BEGUN_FIRST = ("simulator", "chaos", "firmware", "mirror", "sources", "replay", "dashboard")
"""The slowest rooms, in order, so that no process is left alone with one at the end."""

TOGETHER = ("tests/chaos/", "tests/simulator/")
"""Each in one process: faults made on purpose, so that they don't disturb each other, and tests that share invented
fires, which take a minute to burn."""


BROWSERS = 2
"""How many processes drive a browser: one starts with that while the others run tests that mostly wait."""


class WholeFiles(LoadScopeScheduling):
    """Hands whole files, whose tests share fixtures, to the processes of `-n`.

    A process that has driven a browser runs nothing else afterwards: the driver's event loop stays in its thread.
    """

    def _split_scope(self, nodeid: str) -> str:
        file = nodeid.partition("::")[0]
        return next((room for room in TOGETHER if file.startswith(room)), file)

    def _next_for(self, node: WorkerController) -> str | None:
        """Choose the next file for a process, if there is one."""
        browsers = [scope for scope in self.workqueue if scope.startswith("tests/browser/")]
        others = [scope for scope in self.workqueue if not scope.startswith("tests/browser/")]
        working = [each for each in self.nodes if not each.shutting_down]
        alone, place = len(working) == 1, working.index(node)
        if any(scope.startswith("tests/browser/") for scope in self.assigned_work.get(node, ())):
            choice = browsers or (others if alone else [])  # better that it fails than that it is left out
        elif place == 0 and not alone:
            choice = browsers or others
        else:
            choice = others or (browsers if place < BROWSERS else [])
        return choice[0] if choice else None

    def _assign_work_unit(self, node: WorkerController) -> None:
        if (scope := self._next_for(node)) is not None:
            self.workqueue.move_to_end(scope, last=False)
            super()._assign_work_unit(node)

    def _reschedule(self, node: WorkerController) -> None:
        if not node.shutting_down and self.workqueue and self._next_for(node) is None:
            node.shutdown()  # once it has finished its work
        else:
            super()._reschedule(node)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Producer) -> WholeFiles:
    return WholeFiles(config, log)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Put the tests in order.

    Browser tests come last: the browser's driver keeps an event loop running in its thread, which other tests can't have.
    With `--reruns` browser tests get one more try, since a browser needs much processor time.
    """
    if again := config.getoption("reruns", None):
        for item in items:
            if "browser" in item.path.parts:
                item.add_marker(pytest.mark.flaky(reruns=again + 1))
    rank = {name: place for place, name in enumerate(BEGUN_FIRST, -len(BEGUN_FIRST))} | {"browser": 1}
    items.sort(key=lambda item: rank.get(item.path.relative_to(Path(__file__).parent).parts[0], 0))
