"""For tests with a real browser: the browser, a page server in its own process, and something to write."""

from __future__ import annotations

import signal
import socket
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, sync_playwright
from tablets import ARGUMENTS, CHROMIUM, SIZES, Fire, PageServer, Shelf


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        made = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield made
        made.close()


@pytest.fixture(scope="session")
def shelf(browser: Browser) -> Shelf:
    return Shelf(browser)


@pytest.fixture(autouse=True)
def none_stays_open(request: pytest.FixtureRequest) -> Iterator[None]:
    """Close what a test left open, even a failed one: each open page keeps the processor busy."""
    if "browser" not in request.fixturenames:
        yield
        return
    shelf: Shelf = request.getfixturevalue("shelf")
    yield
    for context in request.getfixturevalue("browser").contexts:
        if context is not shelf.context:
            context.close()
    shelf.put_back()


@pytest.fixture
def take(shelf: Shelf) -> Callable[[str], Page]:
    """A new tablet of some size, in daylight."""
    return lambda size: shelf.take(*SIZES[size])


@pytest.fixture
def tablet(take: Callable[[str], Page]) -> Page:
    """A tablet lying flat, in daylight."""
    return take("flat")


@pytest.fixture
def home(tmp_path: Path) -> Path:
    return tmp_path


@pytest.fixture(scope="session")
def port() -> Iterator[int]:
    """Shared by all page servers in turn, so that the browser knows the scripts; readable by nobody else."""
    with socket.socket() as kept:
        kept.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        kept.bind(("127.0.0.1", 0))
        yield int(kept.getsockname()[1])


@pytest.fixture
def page_server(home: Path, port: int) -> Iterator[PageServer]:
    made = PageServer(home, port)
    yield made
    if made.process is not None:
        made.stop(signal.SIGKILL)


@pytest.fixture
def fire(home: Path) -> Iterator[Fire]:
    made = Fire(home)
    yield made
    made.writer.close()
