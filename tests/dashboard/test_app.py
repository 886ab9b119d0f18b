from __future__ import annotations

import contextlib
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest
from firing_fixture import SmallFire
from starlette.testclient import TestClient
from starlette.websockets import WebSocketDisconnect

from dashboard.app import create_app
from dashboard.live.messages import read_wish
from dashboard.security.access import Access, host_name
from dashboard.serving import listen, serve
from logger.errors import UserError
from logger.home import Home
from logger.recording.health import give_sign

HOST = {"host": "127.0.0.1:8050"}
ORIGIN = {**HOST, "origin": "http://127.0.0.1:8050"}


@pytest.fixture
def client(path: Path) -> Iterator[TestClient]:
    with TestClient(create_app(path).server, base_url="http://127.0.0.1:8050") as made:
        yield made


def test_health(client: TestClient, path: Path) -> None:
    assert client.get("/healthz").status_code == 200
    fire = SmallFire(path, k=2)
    firing = fire.light()
    told = client.get("/healthz").json()
    assert (told["ok"], told["journal"], told["firing"]) == (True, "read", firing)
    assert told["logger"]["running"] is False
    assert told["logger"]["trouble"] == ""

    fire.writer.close()
    for file in path.parent.iterdir():
        file.unlink()
    path.write_bytes(b"no journal" * 1000)
    answer = client.get("/healthz")
    assert answer.status_code == 503
    assert str(path) in answer.json()["why"]


def test_health_tells_of_a_logger_that_cannot_record(client: TestClient, path: Path) -> None:
    """On a full disk nothing reaches the journal, so the journal can't say so."""
    fire, home = SmallFire(path, k=2), Home(path.parent)
    fire.light()
    with contextlib.closing(fire.writer), home.logger_lock():
        give_sign(
            home, recording=False, trouble="the disk isn't taking readings: the disk is full; make room"
        )
        answer = client.get("/healthz")
    assert answer.status_code == 200, "the journal can be read"
    assert answer.json()["ok"] is False
    assert "make room" in answer.json()["why"]
    assert answer.json()["logger"]["recording"] is False


def test_page_and_scripts_are_here_and_nothing_is_elsewhere(client: TestClient) -> None:
    page = client.get("/")
    assert page.status_code == 200
    assert 'src="http' not in page.text
    assert 'href="http' not in page.text
    policy = page.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe-eval" not in policy
    assert "script-src 'self' 'sha256-" in policy
    assert "cdn." not in client.get("/docs").text


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1.evil.example:8050", "", "[::1", "10.0.0.9"])
def test_strange_names_are_turned_away(client: TestClient, host: str) -> None:
    assert client.get("/", headers={"host": host}).status_code == 421


@pytest.mark.parametrize("host", ["localhost:8050", "127.0.0.1", "[::1]:8050", "LOCALHOST"])
def test_loopback_names_are_good(client: TestClient, host: str) -> None:
    assert client.get("/healthz", headers={"host": host}).status_code == 200


def test_listening_everywhere_takes_addresses_but_no_names() -> None:
    access = Access(lambda *_: None, "0.0.0.0", ())  # type: ignore[arg-type, return-value]
    assert access.allows("192.168.1.20:8050")
    assert access.allows(socket.gethostname())
    assert not access.allows("evil.example")
    assert host_name("[fe80::1]:80") == "fe80::1"


@pytest.mark.parametrize("origin", [None, "http://evil.example", "http://127.0.0.1:9999", "null"])
def test_other_pages_get_no_live_link(client: TestClient, origin: str | None) -> None:
    headers = HOST if origin is None else {**HOST, "origin": origin}
    with pytest.raises(WebSocketDisconnect), client.websocket_connect("/live", headers=headers):
        pass


def test_a_tablet_that_talks_nonsense_is_let_go(client: TestClient) -> None:
    with client.websocket_connect("/live", headers=ORIGIN) as tablet:
        tablet.send_text("{nonsense")
        with pytest.raises(WebSocketDisconnect):
            [tablet.receive_json() for _ in range(100)]


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[]",
        "null",
        '{"page": "x"}',
        '{"window_s": 7}',
        '{"unit": "K"}',
        '{"more": 1}',
        "9" * 2000,
        "[" * 900,
    ],
)
def test_wishes_that_are_none(text: str) -> None:
    assert read_wish(text) is None


def test_a_taken_port_is_said_with_the_mend(path: Path) -> None:
    with listen("127.0.0.1", 0) as taken, pytest.raises(UserError, match="--port"):
        serve(path, "127.0.0.1", taken.getsockname()[1], open_browser=False)


def test_an_address_of_another_machine_is_said(path: Path) -> None:
    with pytest.raises(UserError, match="--host"):
        serve(path, "192.0.2.1", 8050, open_browser=False)  # RFC 5737: nobody's address
