from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from calling import Browser
from firing_fixture import SmallFire
from starlette.testclient import TestClient

from dashboard.app import Page, create_app


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "journal.sqlite"


@pytest.fixture
def fire(path: Path) -> Iterator[SmallFire]:
    made = SmallFire(path)
    yield made
    made.writer.close()


@pytest.fixture
def app(path: Path) -> Page:
    return create_app(path)


@pytest.fixture
def client(app: Page) -> Iterator[TestClient]:
    with TestClient(app.server, base_url="http://127.0.0.1:8050") as made:
        yield made


@pytest.fixture
def browser(client: TestClient, app: Page) -> Browser:
    return Browser(client, app)
