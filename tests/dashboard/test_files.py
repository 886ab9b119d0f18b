"""The page's scripts and styles: few requests, compressed, kept for good, and nothing that the page doesn't need."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from dash.development.base_component import Component
from starlette.testclient import TestClient

import dashboard
from dashboard.app import create_app
from dashboard.files import File, Page

ASSETS = Path(dashboard.__file__).parent / "assets"


@pytest.fixture
def app(tmp_path: Path) -> Page:
    return create_app(tmp_path / "journal.sqlite")


@pytest.fixture
def client(app: Page) -> Iterator[TestClient]:
    with TestClient(app.server, base_url="http://127.0.0.1:8050") as made:
        yield made


def linked(client: TestClient) -> dict[str, list[str]]:
    index = client.get("/").text
    return {
        "script": re.findall(r'<script src="([^"]+)"', index),
        "style": re.findall(r'<link rel="stylesheet" href="([^"]+)"', index),
        "meta": re.findall(r'<meta name="plotly" content="([^"]+)"', index),
    }


def test_the_document_asks_for_two_scripts_and_one_style(client: TestClient) -> None:
    found = linked(client)
    assert [len(found[kind]) for kind in ("script", "style", "meta")] == [2, 1, 1]
    assert "dash-renderer" in found["script"][1]  # after the page's own


def test_each_is_compressed_and_kept_for_good(client: TestClient) -> None:
    for url in (url for urls in linked(client).values() for url in urls):
        plain = client.get(url, headers={"accept-encoding": "identity"})
        packed = client.get(url, headers={"accept-encoding": "gzip, br"})
        assert plain.status_code == packed.status_code == 200
        assert "content-encoding" not in plain.headers
        assert packed.headers["content-encoding"] == "gzip"
        assert packed.content == plain.content
        assert int(packed.headers["content-length"]) < 0.4 * int(plain.headers["content-length"])
        for answer in (plain, packed):
            assert "immutable" in answer.headers["cache-control"]
            assert answer.headers["vary"] == "accept-encoding"
            assert answer.headers["x-content-type-options"] == "nosniff"


def test_what_is_needed_to_see_the_fire_is_small(client: TestClient) -> None:
    """As it comes over a network in a field: less than 300 kB, and without Plotly, which is five times as much."""
    found = linked(client)
    urls = [*found["script"], *found["style"]]
    sizes = [
        int(client.get(url, headers={"accept-encoding": "gzip"}).headers["content-length"]) for url in urls
    ]
    assert sum(sizes) < 300_000
    assert not any(b"plotly.js v" in client.get(url).content for url in urls)
    assert b"plotly.js v" in client.get(found["meta"][0]).content


def test_the_pages_own_scripts_and_styles_are_all_in_by_order_of_name(client: TestClient) -> None:
    found = linked(client)
    for url, which in ((found["script"][0], "*.js"), (found["style"][0], "*.css")):
        text = client.get(url).text
        at = [text.find(path.read_text()) for path in sorted(ASSETS.glob(which))]
        assert at[0] == 0
        assert at == sorted(at)


def test_a_name_tells_its_content() -> None:
    a, b = File("page.js", b"one"), File("page.js", b"two")
    assert a.url != b.url
    assert a.url == File("page.js", b"one").url


def test_another_name_is_not_found(client: TestClient) -> None:
    for name in ("page.js", "page.0000000000000000.js"):
        assert client.get(f"/files/{name}").status_code == 404


def test_the_layout_needs_no_library_that_is_left_out(app: Page) -> None:
    used = {c._namespace for c in [app.layout, *app.layout._traverse()] if isinstance(c, Component)}
    assert used == {"dash_html_components"}
