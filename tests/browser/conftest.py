"""For tests with a real browser: the browser, a page server of its own process, and something to write."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, sync_playwright
from tablets import ARGUMENTS, CHROMIUM, Fire, PageServer

from tests.processes import free_port


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        made = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield made
        made.close()


@pytest.fixture(autouse=True)
def none_stays_open(request: pytest.FixtureRequest) -> Iterator[None]:
    """Close what a test left open, also one that failed: each open page keeps the processor busy."""
    yield
    if "browser" in request.fixturenames:
        for context in request.getfixturevalue("browser").contexts:
            context.close()


@pytest.fixture
def tablet(browser: Browser) -> Iterator[Page]:
    """A tablet lying flat, in daylight."""
    context = browser.new_context(viewport={"width": 1180, "height": 820}, color_scheme="light")
    yield context.new_page()
    context.close()


@pytest.fixture
def home(tmp_path: Path) -> Path:
    return tmp_path


@pytest.fixture
def page_server(home: Path) -> Iterator[PageServer]:
    made = PageServer(home, free_port())
    yield made
    if made.process is not None:
        made.stop(signal.SIGKILL)


@pytest.fixture
def fire(home: Path) -> Iterator[Fire]:
    made = Fire(home)
    yield made
    made.writer.close()
