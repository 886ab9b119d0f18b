"""The page on another machine: it shows what an InfluxDB holds, within two seconds, and lets nobody act."""

from __future__ import annotations

import contextlib
import http.client
import json
import time
import urllib.request
from pathlib import Path
from typing import Any

import pytest
from websockets.sync.client import connect

from tests.mirror.servers import Gate, InfluxDB1, InfluxDB2
from tests.processes import RIG, STOKEWATCH, free_port, process, refused, stokewatch, until

pytestmark = pytest.mark.real


WISH = json.dumps({"want": "snapshot", "window_s": None})


def act(web: int) -> int:
    body = json.dumps({"kind": "finish", "data": {}}).encode()
    with contextlib.closing(http.client.HTTPConnection("127.0.0.1", web, timeout=10)) as page:
        page.request("POST", "/api/act", body, {"Content-Type": "application/json"})
        return page.getresponse().status


@pytest.mark.timeout(120)
def test_live_on_another_machine(
    tmp_path: Path, influx: InfluxDB1 | InfluxDB2, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("STOKEWATCH_INFLUX_TOKEN", influx.token)
    home, away, rig = tmp_path / "home", tmp_path / "away", tmp_path / "rig"
    web = free_port()
    with Gate(influx.port, old=influx.old) as gate, contextlib.ExitStack() as stack:
        stack.enter_context(process([*RIG, "--pty", str(rig)]))
        stack.enter_context(process([*STOKEWATCH, "log", "--serial", str(rig)], home))
        stack.enter_context(process([*STOKEWATCH, "mirror", "--influx", gate.url, "--site", "meadow"], home))
        there = ["page", "--from-influx", gate.url, "--site", "meadow", "--port", str(web), "--no-browser"]
        stack.enter_context(process([*STOKEWATCH, *there], away))

        def answers() -> bool:
            try:
                with urllib.request.urlopen(f"http://127.0.0.1:{web}/healthz") as response:
                    return bool(response.status == 200)
            except OSError:
                return False

        until(answers, "the page", 40)
        firing = until(lambda: stokewatch("status", home=home)["firing"], "a firing", 30)
        with connect(f"ws://127.0.0.1:{web}/feed", origin=f"http://127.0.0.1:{web}") as feed:
            late: list[float] = []
            begun_s = 0.0
            feed.send(WISH)
            while len(late) < 40:
                message: dict[str, Any] = json.loads(feed.recv(timeout=30))
                match message["type"]:
                    case "afresh":
                        feed.send(WISH)
                    case "snapshot" if message["firing"]:
                        assert message["firing"]["id"] == firing
                        begun_s = message["firing"]["started_s"]
                    case "update" if begun_s:
                        newest = [row[4] for row in message["now"] if row[4] is not None]
                        late.append(time.time() - begun_s - max(newest))
        late.sort()
        assert late[len(late) // 2] < 2
        assert act(web) == 403
        assert stokewatch("status", home=home)["firing"] == firing
    assert not away.exists() or not list(away.rglob("journal.sqlite"))


def test_what_is_given_wrong(tmp_path: Path) -> None:
    assert "no address" in refused("page", "--from-influx", "here", home=tmp_path)
    assert "--from-influx" in refused("page", "--firing", "x", home=tmp_path)
