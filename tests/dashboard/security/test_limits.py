"""What is turned away before the rest of the page sees it, for endpoints and Dash's callbacks alike."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from fastapi import HTTPException
from fastapi.testclient import TestClient
from starlette.requests import Request
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from starlette.websockets import WebSocket, WebSocketDisconnect

from dashboard.app import create_app
from dashboard.security import limits
from dashboard.security.access import Access, host_name
from dashboard.security.connections import Places
from dashboard.security.door import Door
from dashboard.security.limits import MAX_DEPTH, TABLETS_EACH, Limits, check_json
from dashboard.security.operators import Operators
from logger.journal.writer import JournalWriter

ORIGIN = {"host": "127.0.0.1:8050", "origin": "http://127.0.0.1:8050"}


@pytest.fixture
def client(path: Path) -> Iterator[TestClient]:
    JournalWriter(path).close()
    with TestClient(create_app(path).server, base_url="http://127.0.0.1:8050") as made:
        yield made


UNSOUND = {
    "NaN": b'{"kind":"note","data":{"kind":"text","text":NaN}}',
    "infinity": b'{"kind":"spot","data":{"zone":"a","temperature_c":-Infinity}}',
    "10^400": b'{"kind":"spot","data":{"zone":"a","temperature_c":1' + b"0" * 400 + b"}}",
    "5000 digits": b'{"kind":"retract","data":{"event":' + b"7" * 5000 + b"}}",
    "half a character": b'{"kind":"note","data":{"kind":"text","text":"\\ud800"}}',
    "broken UTF-8": b'{"kind":"note","data":{"kind":"text","text":"\xff"}}',
    "lists in lists": b'{"kind":"note","data":{"x":' + b"[" * 200 + b"]" * 200 + b"}}",
    "very many lists": b"[" * 100_000,
    "no JSON": b"{",
}


@pytest.mark.parametrize("what", UNSOUND)
@pytest.mark.parametrize("at", ["/api/operator", "/_dash-update-component"])
def test_unsound_bodies(client: TestClient, at: str, what: str) -> None:
    """A note with NaN or half a character was answered with 500."""
    answer = client.post(at, content=UNSOUND[what], headers={"content-type": "application/json"})
    assert answer.status_code == 422, (at, what)
    assert answer.json()["error"]


def test_sound_bodies() -> None:
    check_json(json.dumps({"text": "क्‍ष 👩‍👩‍👧 火", "n": [1, -0.5, None, True, 2**63]}).encode())
    check_json(b"[" * MAX_DEPTH + b"]" * MAX_DEPTH)
    with pytest.raises(HTTPException, match="nested deeper"):
        check_json(b"[" * (MAX_DEPTH + 2) + b"]" * (MAX_DEPTH + 2))


@pytest.mark.parametrize("length", ["-1", "1e3", "９", "99999999999999999999", "0x10"])
def test_lengths_that_are_none(client: TestClient, length: str) -> None:
    headers = {"content-type": "application/json", "content-length": length.encode()}
    assert client.post("/_dash-update-component", content=b"{}", headers=headers).status_code == 413  # type: ignore[arg-type]


def test_an_address_as_long_as_a_book(client: TestClient) -> None:
    assert client.get(f"/api/report/x/page?zone={'x' * 5000}").status_code == 414


@pytest.mark.parametrize(
    "at",
    [
        "dash/../x",
        "dash/./x",
        "../dash/x",
        "./x",
        "dash/.",
        "dash/..",
        "dash/",
        "os/path.py",
        "dash/x.v1m1.js",
    ],
)
def test_dots_in_a_components_path(client: TestClient, at: str) -> None:
    dotted = at.replace("..", "%2e%2e").replace("/.", "/%2e")
    assert client.get(f"/_dash-component-suites/{dotted}").status_code == 404
    assert client.get(f"/_dash-component-suites/{at}").status_code in (
        200,
        404,
    )  # the client removes the dots


@pytest.mark.parametrize(
    "host",
    [
        "x; script-src *@127.0.0.1",
        "127.0.0.1:8050; script-src *",
        "127.0.0.1 ",
        "127.0.0.1:",
        "127.0.0.1:123456",
        "127.0.0.1/x",
        "127.0.0.1\t",
        "[::1]x",
        "localhost,evil.example",
    ],
)
def test_a_host_that_is_more_than_a_name(host: str) -> None:
    """What the policy repeats of the Host header is a name and a port, or nothing."""
    access = Access(lambda *_: None, "127.0.0.1", ())  # type: ignore[arg-type, return-value]
    assert host_name(host) == ""
    assert not access.allows(host)


# --- who is slow, and who goes away
# ---------------------------------------------------------------------------------


def http(method: str, path: str, client: str = "192.0.2.1", **headers: str) -> Scope:
    pairs = [(name.replace("_", "-").encode(), value.encode()) for name, value in headers.items()]
    return {"type": "http", "method": method, "path": path, "headers": pairs, "client": (client, 1),
            "query_string": b"", "raw_path": path.encode()}  # fmt: skip


def limited(app: ASGIApp, door: Door | None = None, **large: int) -> Limits:
    """Limits for watchers; `large` names paths that take files."""
    paths = {f"/{name}": size for name, size in large.items()}
    return Limits(app, paths, door or Door(refusal="only to watch"), Places(), lambda *_: True)


async def answered(app: Limits, scope: Scope, receive: Receive) -> int:
    sent: list[Message] = []

    async def send(message: Message) -> None:
        sent.append(message)

    await app(scope, receive, send)
    return int(sent[0]["status"]) if sent else 0


async def echo(scope: Scope, receive: Receive, send: Send) -> None:
    body = await Request(scope, receive).body()
    await PlainTextResponse(body)(scope, receive, send)


async def never() -> Message:
    await asyncio.Event().wait()
    raise AssertionError


async def test_a_body_that_never_comes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(limits, "BODY_S", 0.05)
    assert await answered(limited(echo), http("POST", "/x", content_length="10"), never) == 408
    pieces = iter(range(10**9))

    async def trickle() -> Message:
        await asyncio.sleep(0.001)
        next(pieces)
        return {"type": "http.request", "body": b"x", "more_body": True}

    assert await answered(limited(echo), http("POST", "/x"), trickle) == 408
    with pytest.raises(Exception, match="the upload was too slow"):
        await answered(limited(echo, file=1 << 20), http("POST", "/file"), trickle)


async def test_whoever_goes_away_takes_their_work_with_them() -> None:
    began, cancelled, gone = asyncio.Event(), asyncio.Event(), asyncio.Event()

    async def long(scope: Scope, receive: Receive, send: Send) -> None:
        began.set()
        try:
            await asyncio.Event().wait()
        except asyncio.CancelledError:
            cancelled.set()
            raise

    messages = iter([{"type": "http.request", "body": b"", "more_body": False}])

    async def receive() -> Message:
        for message in messages:
            return message
        await gone.wait()
        return {"type": "http.disconnect"}

    work = asyncio.create_task(answered(limited(long), http("GET", "/x"), receive))
    await began.wait()
    gone.set()
    assert await asyncio.wait_for(work, 10) == 0
    assert cancelled.is_set()


async def test_one_address_takes_no_more_tablets_than_its_share(tmp_path: Path) -> None:
    open_ones, done = [], asyncio.Event()

    async def stays(scope: Scope, receive: Receive, send: Send) -> None:
        open_ones.append(scope)
        await done.wait()

    operators = Operators(tmp_path)
    operators.set_pin("274913")
    token = operators.open_session("Ama")
    app = limited(stays, Door(operators))

    async def open_one(client: str, cookie: str = "") -> list[Message]:
        sent: list[Message] = []

        async def receive() -> Message:
            return {"type": "websocket.connect"}

        async def send(message: Message) -> None:
            sent.append(message)

        scope = {"type": "websocket", "path": "/live", "client": (client, 1), "query_string": b"",
                 "headers": [(b"cookie", cookie.encode())] if cookie else []}  # fmt: skip
        await app(scope, receive, send)
        return sent

    async def tried(client: str, cookie: str = "") -> asyncio.Task[list[Message]]:
        task = asyncio.create_task(open_one(client, cookie))
        await asyncio.sleep(0)
        await asyncio.sleep(0)
        return task

    tasks = [await tried("192.0.2.1") for _ in range(TABLETS_EACH + 5)]
    assert len(open_ones) == TABLETS_EACH
    tasks += [await tried(f"192.0.2.{n}") for n in range(2, 80)]
    strangers = limits.MAX_TABLETS - limits.TABLETS_RESERVE
    assert len(open_ones) == strangers
    tasks += [await tried("192.0.2.200", f"stokewatch_operator={token}"), await tried("127.0.0.1")]
    assert len(open_ones) == strangers + 2
    done.set()
    refused = [sent for sent in await asyncio.gather(*tasks) if sent]
    assert {sent[0]["code"] for sent in refused} == {1013}
    assert len(tasks) - len(refused) == strangers + 2
    assert app._tablets.held == []


def test_a_tablet_that_talks_too_much() -> None:
    heard: list[str] = []

    async def listens(scope: Scope, receive: Receive, send: Send) -> None:
        socket = WebSocket(scope, receive, send)
        await socket.accept()
        try:
            while True:
                heard.append(await socket.receive_text())
        except WebSocketDisconnect:
            pass

    app: Any = limited(listens)

    def ended(*words: str) -> bool:
        with TestClient(app).websocket_connect("/live") as tablet:
            for said in words:
                tablet.send_text(said)
            try:
                tablet.receive_text()
            except WebSocketDisconnect as exc:
                return exc.code == 1008
        return False

    assert ended(*["{}"] * 1000)
    assert len(heard) < 500
