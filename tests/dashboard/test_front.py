"""In front of Dash: nonsense is a 400 and good calls pass; files are compressed, cached and served from here."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from answering import logger_that_answers
from starlette.testclient import TestClient

from dashboard.app import Page
from dashboard.security.limits import MAX_BODY
from logger.journal.writer import JournalWriter

CALLBACKS = "/_dash-update-component"


def end_call(clicks: Any = 1) -> dict[str, Any]:
    """What a browser sends when somebody ends the firing."""
    mark = next(iter(re.findall(r"@[0-9a-f]+", OUTPUT["name"])), "")
    first, second = f"opened{mark}", f"children{mark}"
    return {
        "output": OUTPUT["name"],
        "outputs": [{"id": "end-dialog", "property": first}, {"id": "fire-done", "property": second}],
        "inputs": [
            {"id": "end-now", "property": "n_clicks", "value": clicks},
            {"id": "end-not", "property": "n_clicks"},
        ],
        "changedPropIds": ["end-now.n_clicks"],
    }


OUTPUT = {"name": ""}


@pytest.fixture(autouse=True)
def _named(app: Page) -> None:
    OUTPUT["name"] = next(
        name for name, each in app.callback_map.items() if "end-dialog.opened" in name and "fire-done" in name
    )


def test_a_good_call_passes_and_says_who_asks(client: TestClient, path: Path) -> None:
    JournalWriter(path).close()
    with logger_that_answers(path, {"ok": True, "firing": "x"}) as seen:
        answer = client.post(CALLBACKS, json=end_call())
    assert answer.status_code == 200
    assert "The firing has ended." in answer.text
    assert seen == [("finish", {}, "page")]


NONSENSE: dict[str, Any] = {
    "no JSON": b"{",
    "a list": [],
    "nothing": {},
    "deep": b"[" * 100_000,
    "no such callback": {"output": "x.y"},
    "output is a number": {"output": 3},
    "no inputs": {"output": "END", "outputs": [], "inputs": [], "changedPropIds": []},
    "inputs are words": {"inputs": "xy"},
    "another property": {"inputs": [{"id": "a", "property": "b"}, {"id": "c", "property": "d"}]},
    "outputs of others": {"outputs": [{"id": "a", "property": "b"}]},
    "no changes": {"changedPropIds": None},
    "changes are numbers": {"changedPropIds": [1]},
}


@pytest.mark.parametrize("name", list(NONSENSE))
def test_nonsense_to_dash_is_a_bad_request(client: TestClient, name: str) -> None:
    body = NONSENSE[name]
    if isinstance(body, dict) and body and "output" not in body:
        body = end_call() | body
    raw = (
        body
        if isinstance(body, bytes)
        else json.dumps(body).replace('"END"', json.dumps(OUTPUT["name"])).encode()
    )
    answer = client.post(CALLBACKS, content=raw, headers={"content-type": "application/json"})
    assert 400 <= answer.status_code < 500


def test_too_large_a_call_that_comes_in_pieces_is_refused(client: TestClient) -> None:
    """No header says how large it will be."""
    pieces = (b" " * 65_536 for _ in range(MAX_BODY // 65_536 + 1))
    answer = client.post(CALLBACKS, content=pieces, headers={"Content-Type": "application/json"})
    assert answer.status_code == 413
    assert answer.json() == {
        "error": "the request is larger than 512 kB, the most this page accepts",
        "field": None,
    }


def test_a_form_from_elsewhere_is_no_call(client: TestClient) -> None:
    answer = client.post(CALLBACKS, content=json.dumps(end_call()), headers={"content-type": "text/plain"})
    assert answer.status_code == 400


def test_an_exception_in_a_callback_is_said_and_is_no_crash(client: TestClient) -> None:
    answer = client.post(CALLBACKS, json=end_call())  # there is no journal
    assert answer.status_code == 200
    assert "sendNotifications" in answer.text
    assert "journal" in answer.text


def scripts(client: TestClient) -> list[str]:
    linked = re.findall(r'<script src="([^"]+)"', client.get("/").text)
    (live,) = (url for url in linked if "10_live" in url)
    return [*linked, *re.findall(r'PLOTLY = "([^"]+)"', client.get(live).text)]


def test_every_file_is_from_here_compressed_and_kept_for_good(client: TestClient) -> None:
    found = scripts(client)
    assert len(found) > 5
    for url in found:
        assert url.startswith("/")
        plain = client.get(url, headers={"accept-encoding": "identity"})
        packed = client.get(url, headers={"accept-encoding": "gzip, br"})
        assert plain.status_code == packed.status_code == 200, url
        assert packed.headers["content-encoding"] == "gzip"
        assert packed.content == plain.content
        assert "immutable" in plain.headers["cache-control"]
        assert plain.headers["x-content-type-options"] == "nosniff"


def test_what_is_needed_to_see_the_fire_fits_the_goal(client: TestClient) -> None:
    """React, Dash and its components are most of it; plotly's full bundle alone would be 1.5 MB."""
    sizes = [
        int(client.get(url, headers={"accept-encoding": "gzip"}).headers["content-length"])
        for url in scripts(client)
    ]
    assert sum(sizes) < 1_200_000


def test_plotly_is_not_waited_for_and_its_address_names_its_version(client: TestClient) -> None:
    """Browsers keep what is at an address with a version for good."""
    url = scripts(client)[-1]
    assert f'"{url}"' not in client.get("/").text
    path, version = url.split("?v=")
    assert f"plotly.js (cartesian - minified) v{version}\n" in client.get(path).text[:200]


def test_a_file_without_a_version_is_asked_for_again(client: TestClient) -> None:
    assert client.get("/assets/icon.svg").headers["cache-control"] == "no-cache"
    assert client.get("/assets/none.js").status_code == 404


def test_own_scripts_stay_few() -> None:
    here = Path(__file__).parents[2] / "dashboard" / "assets"
    own = [p for p in here.glob("**/*.js") if "plotly" not in p.name]
    assert own
    assert sum(len(p.read_text().splitlines()) for p in own) <= 600


def test_the_manifest_is_there(client: TestClient) -> None:
    found = client.get("/assets/manifest.webmanifest").json()
    assert client.get(found["icons"][0]["src"]).status_code == 200
    assert found["start_url"] == "/"
