"""How many odd values were tried, and what came of them."""

from __future__ import annotations

import collections
from collections.abc import Callable

import pytest

COUNTED: dict[str, collections.Counter[str]] = {}


@pytest.fixture
def count(request: pytest.FixtureRequest) -> Callable[[str, str], None]:
    """Count one odd value: what it was for, and what came of it."""

    def one(of: str, became: str) -> None:
        COUNTED.setdefault(of, collections.Counter())[became] += 1

    return one


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    if COUNTED:
        terminalreporter.section("odd values")
    for of, became in COUNTED.items():
        said = ", ".join(f"{n} {what}" for what, n in sorted(became.items()))
        terminalreporter.write_line(f"{of}: {became.total()} tried; {said}")
