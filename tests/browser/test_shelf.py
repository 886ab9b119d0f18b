"""Tablets that share a renderer are as new each time."""

from __future__ import annotations

import pytest
from tablets import Shelf

pytestmark = [pytest.mark.real, pytest.mark.timeout(300)]

WRITES = (
    "() => { localStorage.theme = 'night'; sessionStorage.older = 'here'; document.cookie = 'look=Fnight'; }"
)
READS = "() => [localStorage.length, sessionStorage.length, document.cookie]"


def test_a_tablet_is_as_new_when_it_is_taken_again(shelf: Shelf) -> None:
    ports = [8701, 8702]  # nothing listens there: the test answers

    def visit(port: int, script: str) -> object:
        tablet = shelf.take(390, 844)
        tablet.route("**/*", lambda route: route.fulfill(body="<title>Invented</title>"))
        tablet.goto(f"http://127.0.0.1:{port}/")
        return tablet.evaluate(script)

    for port in ports:
        visit(port, WRITES)
    assert visit(ports[0], READS) == [1, 0, "look=Fnight"]
    shelf.put_back()
    assert len(shelf.context.pages) == 1
    for port in ports:
        assert visit(port, READS) == [0, 0, ""]
