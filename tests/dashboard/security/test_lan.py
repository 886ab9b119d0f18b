"""Each attack that the contributor's guide names, tried on the page as `--lan` serves it."""

from __future__ import annotations

import contextlib
import json
import logging
import re
import stat
import time
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient
from firing_fixture import SmallFire
from starlette.websockets import WebSocketDisconnect

from dashboard import acts
from dashboard.app import create_app
from dashboard.security.door import COOKIE, Door
from dashboard.security.limits import ACTS, MAX_BODY, Buckets
from dashboard.security.operators import (
    SESSION_S,
    WINDOW_S,
    WRONG_IN_ALL,
    WRONG_PER_ADDRESS,
    Attempts,
    Operators,
    PinError,
    check_pin,
    drawn_pin,
)
from logger.journal.writer import JournalWriter
from tests.page_calls import CALLBACKS, ending

pytestmark = pytest.mark.slow  # a page with its PIN for each test

PIN = "274913"
BASE = "http://192.168.4.1:8050"
SAFE_POSTS = {"/api/operator", "/api/operator/leave"}
"""The door itself."""


class Lan:
    """The page as served on a network, and people on it."""

    def __init__(self, path: Path, *, secure: bool = False) -> None:
        self.operators = Operators(path.parent)
        self.operators.set_pin(PIN)
        self.path = path
        self.app = create_app(path, "0.0.0.0", Door(self.operators, secure=secure))
        self.server = self.app.server

    @property
    def ending(self) -> dict[str, Any]:
        """What a browser sends to end the firing."""
        return ending(self.app.callback_map)

    def person(self, address: str = "192.168.4.20", base: str = BASE) -> TestClient:
        return TestClient(self.server, base_url=base, client=(address, 50000))


@pytest.fixture
def lan(path: Path, fire: SmallFire) -> Lan:
    fire.light()
    fire.burn(20)
    return Lan(path)


def enter(person: TestClient, pin: str = PIN, **more: str) -> Any:
    return person.post("/api/operator", json={"pin": pin, **more})


@pytest.fixture
def operator(lan: Lan) -> TestClient:
    """Somebody who has entered the PIN."""
    person = lan.person()
    enter(person)
    return person


# --- watchers look, operators act ------------------------------------------------------------------------------


def endpoints(server: Any) -> list[tuple[str, str]]:
    """Method and path of every endpoint, found on the server, so that a new one can't be forgotten."""
    routes = [r for outer in server.routes for r in getattr(outer, "original_router", server).routes]
    routes += server.routes
    found = {(m, r.path) for r in routes for m in getattr(r, "methods", None) or ()}
    return sorted(found)


def changing(server: Any) -> list[tuple[str, str]]:
    safe = ("GET", "HEAD", "OPTIONS")
    return [(m, path) for m, path in endpoints(server) if m not in safe and path.startswith("/api/")]


def asked_of_the_logger(lan: Lan) -> list[str]:
    with contextlib.closing(JournalWriter(lan.path)) as writer:
        return [request.kind for request in writer.take_requests()]


def is_asked_for_the_pin(answer: Any) -> bool:
    return answer.status_code == 200 and answer.json()["sideUpdate"] == {"pin-dialog": {"opened": True}}


def test_a_watcher_can_call_nothing_that_changes_anything(lan: Lan) -> None:
    """Callbacks: test_guards tries each by name; here is one of them as a browser sends it."""
    watcher = lan.person()
    assert is_asked_for_the_pin(watcher.post(CALLBACKS, json=lan.ending))
    assert asked_of_the_logger(lan) == []
    for method, path in changing(lan.server):
        answer = watcher.request(method, re.sub(r"\{\w+\}", "x", path), json={"kind": "finish"})
        if path in SAFE_POSTS:
            assert answer.status_code != 401
        else:
            assert answer.status_code == 401, f"{method} {path} is open to everybody"
    assert {path for _, path in changing(lan.server)} >= SAFE_POSTS, (
        "an exception that nothing needs any more"
    )


def test_a_watcher_sees_the_fire(lan: Lan) -> None:
    watcher = lan.person()
    assert watcher.get("/").status_code == 200
    assert watcher.get("/api/operator").json() == {"needed": True, "operator": False, "who": ""}
    headers = {"host": "192.168.4.1:8050", "origin": BASE}
    with watcher.websocket_connect("/live", headers=headers) as tablet:
        tablet.send_json({"page": "fire"})
        while not (message := tablet.receive_json()).get("whole"):
            pass
        drawn = message["props"]["traces"]["figure"]["data"]
        assert sum("probe" in trace.get("meta", {}) for trace in drawn) == 16


def test_with_the_pin_one_acts_under_ones_name(lan: Lan, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(acts, "PATIENCE_S", 0.1)
    person = lan.person()
    answer = enter(person, who="  Ama ")
    assert answer.status_code == 200
    cookie = answer.headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=strict" in cookie
    assert "Secure" not in cookie  # it would never come back over http
    assert person.get("/api/operator").json()["operator"] is True
    assert "answer" in person.post(CALLBACKS, json=lan.ending).text  # no logger does, here
    with contextlib.closing(JournalWriter(lan.path)) as writer:
        assert [(r.kind, r.who) for r in writer.take_requests()] == [("finish", "Ama")]
    person.post("/api/operator/leave")
    assert is_asked_for_the_pin(person.post(CALLBACKS, json=lan.ending))


def test_under_tls_the_cookie_stays_there(path: Path) -> None:
    lan = Lan(path, secure=True)
    answer = enter(lan.person(base="https://192.168.4.1:8050"))
    assert "Secure" in answer.headers["set-cookie"]


@pytest.mark.parametrize("cookie", ["", "x", "null", "a" * 5000, "../../operators"])
def test_a_made_up_session_is_none(lan: Lan, cookie: str) -> None:
    answer = lan.person().post(CALLBACKS, json=lan.ending, headers={"cookie": f"{COOKIE}={cookie}"})
    assert is_asked_for_the_pin(answer)
    assert asked_of_the_logger(lan) == []


def test_what_the_file_holds_opens_no_door(lan: Lan, operator: TestClient) -> None:
    kept = json.loads(lan.operators.path.read_text())
    assert stat.S_IMODE(lan.operators.path.stat().st_mode) == 0o600
    assert PIN not in lan.operators.path.read_text()
    assert kept["pin"].startswith("$argon2id$")
    [digest] = kept["sessions"]
    answer = lan.person().post(CALLBACKS, json=lan.ending, headers={"cookie": f"{COOKIE}={digest}"})
    assert is_asked_for_the_pin(answer)
    assert enter(lan.person(), kept["pin"][:20]).status_code == 403


def test_a_new_pin_ends_every_session_and_a_restart_none(operator: TestClient, path: Path) -> None:
    again = create_app(path, "0.0.0.0", Door(Operators(path.parent), secure=False)).server
    restarted = TestClient(again, base_url=BASE, cookies=dict(operator.cookies))
    assert restarted.get("/api/operator").json()["operator"] is True
    Operators(path.parent).set_pin("908172")
    assert restarted.get("/api/operator").json()["operator"] is False


def test_sessions_end_by_themselves(lan: Lan, monkeypatch: pytest.MonkeyPatch) -> None:
    token = lan.operators.open_session("")
    assert lan.operators.who(token) == ""
    import time

    now = time.time()
    monkeypatch.setattr("dashboard.security.operators.time.time", lambda: now + SESSION_S + 1)
    assert lan.operators.who(token) is None


# --- guessing ---------------------------------------------------------------------------------------------------


def test_guessing_is_stopped_and_logged(lan: Lan, caplog: pytest.LogCaptureFixture) -> None:
    guesser = lan.person("192.168.4.66")
    with caplog.at_level(logging.WARNING):
        answers = [enter(guesser, f"{n:06d}").status_code for n in range(WRONG_PER_ADDRESS + 3)]
    assert answers == [403] * WRONG_PER_ADDRESS + [429] * 3
    assert caplog.text.count("a wrong operator PIN from 192.168.4.66") == WRONG_PER_ADDRESS
    assert enter(guesser).status_code == 429, "even the right PIN, once so many were wrong"
    assert enter(lan.person("192.168.4.21")).status_code == 200, "others aren't shut out by it"
    for text in (r.getMessage() for r in caplog.records):
        assert "000001" not in text
        assert PIN not in text


def test_many_addresses_are_no_help() -> None:
    attempts = Attempts()
    for n in range(WRONG_IN_ALL):
        assert attempts.wait_s(f"fd00::{n:x}", float(n)) == 0
        attempts.wrong(f"fd00::{n:x}", float(n))
    assert attempts.wait_s("fd00::ffff", float(WRONG_IN_ALL)) == pytest.approx(WINDOW_S - WRONG_IN_ALL)
    assert attempts.wait_s("fd00::ffff", WINDOW_S + 0.5) == 0


def test_guesses_a_night_are_few() -> None:
    """Twelve hours of guessing from anywhere, as fast as it is allowed; the guide gives the chance."""
    attempts, now, tries = Attempts(), 0.0, 0
    while now < 12 * 3600:
        wait = attempts.wait_s("192.168.4.66" if tries % 2 else "192.168.4.67", now)
        if wait:
            now += wait
            continue
        attempts.wrong("192.168.4.66" if tries % 2 else "192.168.4.67", now)
        tries += 1
        now += 0.05
    assert tries <= 12 * 3600 / WINDOW_S * WRONG_IN_ALL + WRONG_IN_ALL


@pytest.mark.parametrize(
    "pin", ["", "12345", "1234567890123", "abcdef", "000000", "123456", "987654", "12 456", "١٢٣٤٥٦"]
)
def test_pins_that_are_none(pin: str) -> None:
    with pytest.raises(PinError, match="choose another"):
        check_pin(pin)


def test_a_drawn_pin_is_good_and_never_the_same(path: Path) -> None:
    drawn = {drawn_pin() for _ in range(50)}
    assert len(drawn) > 45
    for pin in drawn:
        assert check_pin(pin) == pin
    operators = Operators(path.parent)
    first = operators.first_pin()
    assert first is not None
    assert operators.is_pin(first)
    assert operators.first_pin() is None


def test_a_damaged_file_lets_nobody_in(lan: Lan) -> None:
    lan.operators.path.write_text("{}")
    person = lan.person()
    assert enter(person).status_code == 422
    assert "stokewatch pin" in enter(person).json()["error"]
    acted = person.post(CALLBACKS, json=lan.ending, headers={"cookie": f"{COOKIE}=x"})
    assert "stokewatch pin" in acted.text
    assert asked_of_the_logger(lan) == []


# --- other pages, other names ------------------------------------------------------------------------------------


@pytest.mark.parametrize("host", ["evil.example:8050", "192.168.4.1.evil.example", "evil.example."])
def test_dns_rebinding(operator: TestClient, host: str) -> None:
    for method, path in (("GET", "/"), ("GET", "/api/operator"), ("POST", CALLBACKS)):
        answer = operator.request(method, path, headers={"host": host, "origin": f"http://{host}"})
        assert answer.status_code == 421


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"origin": "http://192.168.4.1:9999"},
        {"origin": "http://192.168.4.1"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
    ],
    ids=str,
)
def test_another_page_posts_with_the_operators_cookie(
    lan: Lan, operator: TestClient, headers: dict[str, str]
) -> None:
    assert operator.post(CALLBACKS, json=lan.ending, headers=headers).status_code == 403
    form = {"content-type": "text/plain", **headers}  # what a form can send without asking first
    assert operator.post(CALLBACKS, content=json.dumps(lan.ending), headers=form).status_code == 403
    assert asked_of_the_logger(lan) == []


@pytest.mark.parametrize("where", ["/live", "/_dash-ws-callback"])
@pytest.mark.parametrize("origin", [None, "http://evil.example", "null"])
def test_another_page_opens_a_websocket(lan: Lan, origin: str | None, where: str) -> None:
    headers = {"host": "192.168.4.1:8050"} | ({} if origin is None else {"origin": origin})
    with pytest.raises(WebSocketDisconnect), lan.person().websocket_connect(where, headers=headers):
        pass


def test_no_other_page_may_frame_or_read_it(lan: Lan) -> None:
    headers = lan.person().get("/api/operator").headers
    assert "frame-ancestors 'none'" in headers["content-security-policy"]
    assert headers["cross-origin-resource-policy"] == "same-origin"
    assert "access-control-allow-origin" not in headers


# --- too large, too much -------------------------------------------------------------------------------------------


def test_a_body_too_large_is_refused_before_it_is_read(operator: TestClient) -> None:
    large = json.dumps({"kind": "note", "data": {"text": "x" * MAX_BODY}})
    assert operator.post(CALLBACKS, content=large).status_code == 413


def test_nor_can_it_come_in_pieces(operator: TestClient) -> None:
    pieces = 0

    def body() -> Any:
        nonlocal pieces
        for _ in range(1000):
            pieces += 1
            yield b"x" * 65536

    answer = operator.post(CALLBACKS, content=body(), headers={"content-type": "application/json"})
    assert answer.status_code == 413


def test_a_flood_is_stopped_and_others_are_served(lan: Lan) -> None:
    flood, calm = lan.person("192.168.4.66"), lan.person("192.168.4.20")
    begun_s = time.monotonic()
    codes = [flood.post(CALLBACKS, json={"kind": "x"}).status_code for _ in range(int(ACTS[0]) + 30)]
    let_by = ACTS[0] + ACTS[1] * (time.monotonic() - begun_s)
    assert 1 <= len(codes) - codes.count(429) <= let_by + 1
    assert codes[-1] == 429 or let_by >= len(codes)
    assert calm.post(CALLBACKS, json={"kind": "x"}).status_code == 400
    assert flood.get("/healthz").status_code == 200, "looking is counted apart"


def test_buckets_fill_again_and_are_bounded() -> None:
    buckets = Buckets(burst=2, per_s=1)
    assert [buckets.take("a", 0.0) for _ in range(3)] == [True, True, False]
    assert not buckets.take("a", 0.5)
    assert buckets.take("a", 1.1)
    for n in range(5000):
        buckets.take(str(n), 2.0)
    assert len(buckets._left) <= 1000


# --- the file system, and markup -----------------------------------------------------------------------------------

UP = ["..%2f..%2f..%2fetc%2fpasswd", "%2e%2e%2f%2e%2e%2fetc%2fpasswd", "....//etc/passwd", "%2fetc%2fpasswd",
      "..%5c..%5cetc%5cpasswd", "operators.json", "..%2foperators.json", "%00", "last%00.csv"]  # fmt: skip


def paths_with_names(server: Any) -> list[str]:
    return [path for method, path in endpoints(server) if method == "GET" and "{" in path]


@pytest.mark.parametrize("up", UP)
def test_no_path_leads_to_the_file_system(lan: Lan, up: str) -> None:
    person = lan.person("127.0.0.1")
    enter(person)
    secret = lan.operators.path.read_text()
    pages = ["/replay/{firing}", "/report/{firing}", "/assets/{name}", "/_dash-component-suites/dash/{name}"]
    there = [*paths_with_names(lan.server), *pages]
    for path in there:
        filled = re.sub(r"\{\w+(:path)?\}", up, path)
        answer = person.get(filled)
        assert "root:" not in answer.text, filled
        assert secret[:40] not in answer.text, filled
        if "/api/" in filled:
            assert answer.status_code in (404, 422), f"{filled}: {answer.status_code}"


def test_markup_in_a_name_stays_text(lan: Lan, fire: SmallFire) -> None:
    """The page's own scripts insert text only; nothing from outside is in the page's source."""
    script = "<script>alert(1)</script>"
    fire.writer.add_event(
        fire.id, 1_795_600_801_000_000, "note", {"kind": "text", "text": script}, who=script
    )
    assert script not in lan.person().get("/").text
    for asset in set(Path("dashboard/assets").glob("*.js")) - set(Path("dashboard/assets").glob("plotly*")):
        text = asset.read_text()
        assert not re.search(r"\.(innerHTML|outerHTML)\s*=|insertAdjacentHTML|document\.write", text), (
            asset.name
        )
        assert not re.search(r"\beval\(|new Function\(", text), asset.name
