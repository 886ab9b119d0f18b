"""The endpoints of the compare room and of the report room."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from fastapi import HTTPException
from fastapi.testclient import TestClient
from starlette.requests import Request

from dashboard.app import create_app
from dashboard.context import Context
from dashboard.gathering import LINE_POINTS, gathering
from dashboard.pages import report
from logger.journal.reader import JournalReader
from logger.judging import rehearse
from tests.invented_firings import DESCRIBED, invented_firing, open_journal


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("home")
    with contextlib.closing(open_journal(folder)) as writer:
        invented_firing(writer, 5, described=DESCRIBED)
        invented_firing(writer, 7, day=3, probes=3)
    return folder


@pytest.fixture(scope="module")
def client(home: Path) -> Iterator[TestClient]:
    with TestClient(create_app(home / "journal.sqlite").server, base_url="http://127.0.0.1") as made:
        yield made


@pytest.fixture(scope="module")
def ids(home: Path) -> list[str]:
    with contextlib.closing(JournalReader(home / "journal.sqlite")) as reader:
        return [info.id for info in reversed(reader.firings())]


def told(client: TestClient, firing: str) -> dict[str, Any]:
    answer = client.get(f"/api/compare/{firing}")
    assert answer.status_code == 200, answer.text
    return dict(answer.json())


def test_compare_tells_lines_and_facts(client: TestClient, home: Path, ids: list[str]) -> None:
    found = told(client, ids[0])
    assert found["firing"]["title"] == "Invented firing, seed 5"
    assert found["firing"]["invented"] is True
    assert set(found["lines"]["zones"]) == {z["zone"] for z in found["zones"]}
    for line in (*found["lines"]["zones"].values(), found["lines"]["coldest"], found["lines"]["hottest"]):
        assert len(line["t"]) == len(line["c"]) <= LINE_POINTS
        assert line["t"] == sorted(line["t"])
    with contextlib.closing(JournalReader(home / "journal.sqlite")) as reader:
        judged = rehearse(reader, reader.firing(ids[0]))
    peaks = {f["zone"]: f["value"] for f in found["facts"] if f["key"] == "peak_c"}
    assert peaks == {z["zone"]: z["peak_c"] for z in judged["zones"]}


def test_lines_keep_their_peaks(client: TestClient, ids: list[str]) -> None:
    """A line is a mean over half a minute: within a few degrees of the judgement's peak, and below no plateau."""
    found = told(client, ids[0])
    for fact in (f for f in found["facts"] if f["key"] == "peak_c"):
        highest = max(c for c in found["lines"]["zones"][fact["zone"]]["c"] if c is not None)
        assert highest == pytest.approx(fact["value"], abs=12.0)


def test_the_rehearsal_is_made_once(client: TestClient, home: Path, ids: list[str]) -> None:
    told(client, ids[1])
    kept = gathering(home / "journal.sqlite")._rehearsals
    before = dict(kept)
    told(client, ids[1])
    client.get(f"/api/report/{ids[1]}")
    assert dict(kept) == before
    assert len([key for key in kept if key[0] == ids[1]]) == 1


@pytest.mark.parametrize("path", ["/api/compare/nope", "/api/report/nope", "/api/report/nope/page"])
def test_a_firing_that_is_none(client: TestClient, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code == 422
    assert "nope: no such firing" in answer.json()["error"]


def test_report_tells_verdicts_and_what_was_written(client: TestClient, ids: list[str]) -> None:
    found = client.get(f"/api/report/{ids[0]}").json()
    assert found["texts"] == {"title": "Invented firing, seed 5", **DESCRIBED}
    assert found["fields"][0]["name"] == "title"
    assert {z["zone"] for z in found["verdicts"]} == {z["zone"] for z in found["zones"]}
    assert all(z["verdict"] for z in found["verdicts"])


def test_the_page_and_the_file(client: TestClient, ids: list[str]) -> None:
    page = client.get(f"/api/report/{ids[0]}/page", params={"zone": "Europe/Vienna", "unit": "F"})
    assert page.headers["content-type"] == "text/html; charset=utf-8"
    assert "11:00 (Europe/Vienna)" in page.text
    assert "script-src 'self'" in page.headers["content-security-policy"]
    kept = client.get(f"/api/report/{ids[0]}/page", params={"keep": True})
    assert kept.headers["content-disposition"].startswith('attachment; filename="Invented firing, seed 5')
    assert client.get(f"/api/report/{ids[0]}/page", params={"zone": "Moon"}).json()["field"] == "zone"


def test_the_picture(client: TestClient, ids: list[str]) -> None:
    picture = client.get(f"/api/report/{ids[0]}/traces.svg", params={"width": 400})
    assert picture.headers["content-type"] == "image/svg+xml"
    assert 'viewBox="0 0 400 340"' in picture.text
    assert client.get(f"/api/report/{ids[0]}/traces.svg", params={"width": 10**7}).status_code == 422


def test_what_is_written_down_is_in_the_report(client: TestClient, ids: list[str]) -> None:
    path = f"/api/report/{ids[1]}"
    answer = client.post(
        f"{path}/describe", json={"texts": {"clay": "<b>red</b>", "title": "Trial, invented"}}
    )
    assert answer.status_code == 200, answer.text
    assert answer.json()["texts"] == {"title": "Trial, invented", "clay": "<b>red</b>"}
    assert client.get(path).json()["texts"]["clay"] == "<b>red</b>"
    page = client.get(f"{path}/page").text
    assert "&lt;b&gt;red&lt;/b&gt;" in page
    assert "<b>red" not in page


@pytest.mark.parametrize(
    ("texts", "field"), [({"clay": "x" * 1001}, "clay"), ({"title": ""}, "title"), ({"nothing": "x"}, None)]
)
def test_what_is_refused_names_its_field(
    client: TestClient, ids: list[str], texts: dict[str, str], field: str | None
) -> None:
    before = client.get(f"/api/report/{ids[1]}").json()["texts"]
    answer = client.post(f"/api/report/{ids[1]}/describe", json={"texts": texts})
    assert answer.status_code == 422
    assert answer.json()["field"] == field
    assert client.get(f"/api/report/{ids[1]}").json()["texts"] == before


def test_who_may_not_act_may_not_write(home: Path, ids: list[str]) -> None:
    from fastapi import FastAPI

    async def nobody(request: Request) -> str:
        raise HTTPException(401, "enter the PIN")

    server = FastAPI()
    server.include_router(report.routes(Context(home / "journal.sqlite", nobody)))
    with TestClient(server) as watcher:
        answer = watcher.post(f"/api/report/{ids[0]}/describe", json={"texts": {"clay": "none"}})
    assert answer.status_code == 401
    with contextlib.closing(JournalReader(home / "journal.sqlite")) as reader:
        assert reader.firing(ids[0]).facts["clay"] == DESCRIBED["clay"]
