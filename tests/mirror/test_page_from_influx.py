"""The page on another machine: it shows what an InfluxDB holds, within two seconds, and lets nobody act."""

from __future__ import annotations

import contextlib
import http.client
import json
import urllib.request
from pathlib import Path
from typing import Any

import pytest
from websockets.sync.client import connect

from tests.mirror.servers import Gate, InfluxDB1, InfluxDB2
from tests.page_calls import CALLBACKS, ending
from tests.processes import RIG, STOKEWATCH, free_port, process, refused, stokewatch, until

pytestmark = pytest.mark.real


WISH = json.dumps({"page": "fire"})


def act(web: int) -> str:
    """Try to end the firing; return what the page says."""
    with contextlib.closing(http.client.HTTPConnection("127.0.0.1", web, timeout=10)) as page:
        page.request("GET", "/_dash-dependencies")
        there = json.loads(page.getresponse().read())
        body = json.dumps(ending(callback["output"] for callback in there)).encode()
        page.request("POST", CALLBACKS, body, {"Content-Type": "application/json"})
        return page.getresponse().read().decode()


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
        with connect(f"ws://127.0.0.1:{web}/live", origin=f"http://127.0.0.1:{web}") as live:
            late: list[float] = []
            live.send(WISH)
            title = ""
            while len(late) < 40:
                message: dict[str, Any] = json.loads(live.recv(timeout=30))
                title = message.get("title", title)
                if message["is"] == "screen" and message.get("newest_age_s") is not None:
                    late.append(message["newest_age_s"])
        assert title
        late.sort()
        assert late[len(late) // 2] < 2
        assert "only shows what an InfluxDB holds" in act(web)
        assert stokewatch("status", home=home)["firing"] == firing
    assert not away.exists() or not list(away.rglob("journal.sqlite"))


def test_what_is_given_wrong(tmp_path: Path) -> None:
    assert "not the address" in refused("page", "--from-influx", "here", home=tmp_path)
    assert "--from-influx" in refused("page", "--firing", "x", home=tmp_path)
