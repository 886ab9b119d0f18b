"""How often each fault is made: a few times in continuous integration, as often as promised when run by hand.

`STOKEWATCH_CHAOS=long` selects the long form; both print a table of what was done and what came of it.
"""

from __future__ import annotations

import pytest
from steady import Tell

from tests.long_form import LONG

ROWS: list[tuple[str, str]] = []


@pytest.fixture
def tell() -> Tell:
    """Add a row to the table: the fault, and what was counted."""
    return lambda fault, counted: ROWS.append((fault, counted))


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    if not ROWS:
        return
    terminalreporter.section("faults made" + ("" if LONG else " (short form)"))
    for fault, counted in ROWS:
        terminalreporter.write_line(f"{fault}: {counted}")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if "chaos" in item.path.parts:
            item.add_marker(pytest.mark.real)
            item.add_marker(pytest.mark.timeout(7200 if LONG else 300))
