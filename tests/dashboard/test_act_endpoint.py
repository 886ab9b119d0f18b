"""`POST /api/act`: what a person does reaches the logger as a request, and its answer comes back."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from dashboard import acts
from dashboard.app import create_app
from logger.journal.writer import JournalWriter


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    path = tmp_path / "journal.sqlite"
    JournalWriter(path).close()
    return path


@pytest.fixture
def client(journal: Path) -> TestClient:
    return TestClient(create_app(journal).server, base_url="http://127.0.0.1")


@contextlib.contextmanager
def logger_that_answers(journal: Path, answer: dict[str, object]) -> Iterator[list[tuple[str, object, str]]]:
    """Answer the next request, as the logger's thread would."""
    seen: list[tuple[str, object, str]] = []
    end = threading.Event()

    def answers() -> None:
        with contextlib.closing(JournalWriter(journal)) as writer:
            while not end.wait(0.02):
                for request in writer.take_requests():
                    seen.append((request.kind, request.data, request.who))
                    writer.finish_request(request.id, answer)

    thread = threading.Thread(target=answers)
    thread.start()
    try:
        yield seen
    finally:
        end.set()
        thread.join()


def test_a_note_reaches_the_logger_and_its_answer_comes_back(client: TestClient, journal: Path) -> None:
    with logger_that_answers(journal, {"ok": True, "event": 7}) as seen:
        answer = client.post("/api/act", json={"kind": "note", "data": {"kind": "wood"}})
    assert (answer.status_code, answer.json()) == (200, {"ok": True, "event": 7})
    assert seen == [("note", {"kind": "wood", "text": "", "amount": ""}, "page")]


def test_what_the_logger_refuses_is_said(client: TestClient, journal: Path) -> None:
    with logger_that_answers(journal, {"ok": False, "error": "no firing is running"}):
        answer = client.post("/api/act", json={"kind": "finish"})
    assert (answer.status_code, answer.json()) == (422, {"error": "no firing is running", "field": None})


def test_without_a_logger_the_request_waits(
    client: TestClient, journal: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(acts, "PATIENCE_S", 0.2)
    answer = client.post("/api/act", json={"kind": "note", "data": {"kind": "gust"}})
    assert answer.json()["waiting"] is True
    with contextlib.closing(JournalWriter(journal)) as writer:
        assert [r.id for r in writer.take_requests()] == [answer.json()["request"]]


def test_without_a_journal_it_fails_with_a_reason(tmp_path: Path) -> None:
    client = TestClient(create_app(tmp_path / "none.sqlite").server, base_url="http://127.0.0.1")
    answer = client.post("/api/act", json={"kind": "finish"})
    assert answer.status_code == 503
    assert "none.sqlite" in answer.json()["error"]


@pytest.mark.parametrize("body", [{}, {"kind": 3}, {"kind": "x" * 31}, {"kind": "note", "data": [1]}])
def test_a_form_that_is_none_is_refused_by_field(client: TestClient, body: dict[str, object]) -> None:
    answer = client.post("/api/act", json=body)
    assert answer.status_code == 422
    assert answer.json()["field"] in ("kind", "data")
