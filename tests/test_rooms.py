"""The walls between rooms (DEVELOPERS.md): who may import whom, and what the logger's process never loads."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterable, Iterator
from graphlib import TopologicalSorter
from pathlib import Path
from typing import Final

import pytest

ROOT = Path(__file__).parent.parent
MODULES = sorted([*(ROOT / "logger").rglob("*.py"), *(ROOT / "dashboard").rglob("*.py")])

ROOMS = (
    *(
        "errors",
        "home",
        "reading",
        "refusals",
        "words",
        "plan",
        "requests",
        "physics",
        "rig_line",
        "conversion",
        "judgement",
    ),
    *("journal", "sources", "exchange", "replay", "diagnosis", "recording", "cold_check", "report", "mirror"),
    *("simulator", "cli"),
)
"""A room may import from those before it only: no arrow points up, and there is no circle."""
LOOSE = {"__init__", "errors", "home", "reading", "refusals", "requests"}
"""Modules that every room shares; everything else is in a room."""

PAGE_ROOMS = (
    *("words", "context", "acts", "figures", "tables", "work", "preparing", "parts"),
    *("security", "stored", "live", "shell", "pages", "standing", "front", "app", "serving"),
)
"""The page's rooms, in the same order."""

PURE = (
    *("logger.physics", "logger.rig_line", "logger.conversion", "logger.judgement"),
    *("logger.words", "logger.report.levels", "logger.report.facts"),
)
OUTSIDE = {  # what touches the outside world or the time of day
    *("asyncio", "socket", "serial", "sqlite3", "subprocess", "threading", "time", "datetime", "os"),
    *("pathlib", "io", "aiomqtt", "urllib", "http", "logging", "random"),
}
PURE_MAY_NOT = ("logger.sources", "logger.journal", "logger.recording", "dashboard")

DRAWN = ("dashboard.figures", "dashboard.parts")
"""Data in, figures and components out."""
DRAWN_MAY_NOT = (
    *("logger.journal", "logger.sources", "logger.recording", "dashboard.app", "dashboard.serving"),
    *("dashboard.context", "dashboard.work", "dashboard.stored", "dashboard.live", "dashboard.pages"),
    "dashboard.tables",
)


def name_of(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imports(path: Path) -> Iterator[str]:
    """Names a module imports, except under TYPE_CHECKING, which never runs."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    typing_only = {
        id(node)
        for block in ast.walk(tree)
        if isinstance(block, ast.If) and ast.unparse(block.test) == "TYPE_CHECKING"
        for node in ast.walk(block)
    }
    for node in ast.walk(tree):
        if id(node) in typing_only:
            continue
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def inside(name: str, rooms: tuple[str, ...]) -> bool:
    return any(name == room or name.startswith(room + ".") for room in rooms)


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_walls(path: Path) -> None:
    name = name_of(path)
    found = set(imports(path))
    if inside(name, PURE):
        outside = {i for i in found if i.split(".")[0] in OUTSIDE}
        assert not outside, f"{name} is pure, yet imports {outside}"
        assert not {i for i in found if inside(i, PURE_MAY_NOT)}
    if inside(name, ("logger",)) and not inside(name, ("logger.cli",)):
        assert not {i for i in found if inside(i, ("dashboard", "dash", "plotly"))}
    if inside(name, DRAWN):
        assert not {i for i in found if i.split(".")[0] in OUTSIDE and not inside(i, ("urllib.parse",))}
        assert not {i for i in found if inside(i, DRAWN_MAY_NOT)}
    if inside(name, ("dashboard",)):
        may_not = {i for i in found if inside(i, ("logger.sources", "logger.recording"))}
        assert not {i for i in may_not if not inside(i, ("logger.recording.health",))}
    if inside(name, ("logger.journal", "logger.exchange")):
        assert not {i for i in found if inside(i, ("logger.sources", "logger.judgement.judge"))}
    if inside(name, ("logger.recording", "logger.sources", "logger.journal", "logger.judgement")):
        assert not {i for i in found if inside(i, ("logger.mirror",))}, "never in a reading's path"
    for house, order in (("logger.", ROOMS), ("dashboard.", PAGE_ROOMS)):
        if name.startswith(house):
            mine = order.index(name.split(".")[1])
            rooms = {i.split(".")[1] for i in found if i.startswith(house)} & set(order)
            assert not {room for room in rooms if order.index(room) > mine}


def test_every_module_has_a_room() -> None:
    loose = {path.stem for path in (ROOT / "logger").glob("*.py")}
    assert loose == LOOSE
    rooms = {path.parent.name for path in (ROOT / "logger").glob("*/__init__.py")}
    assert rooms | LOOSE - {"__init__"} == set(ROOMS)
    page = {path.parent.name for path in (ROOT / "dashboard").glob("*/__init__.py")}
    assert page | {path.stem for path in (ROOT / "dashboard").glob("*.py")} - {"__init__"} == set(PAGE_ROOMS)


def test_no_two_modules_need_each_other() -> None:
    names = {name_of(path): path for path in MODULES if path.name != "__init__.py" and "logger" in path.parts}
    needs = {name: _modules(imports(path), names) for name, path in names.items()}
    TopologicalSorter(needs).prepare()  # raises CycleError


def _modules(found: Iterator[str], names: Iterable[str]) -> set[str]:
    return {name for i in found for name in (i, i.rpartition(".")[0]) if name in names}


LONGEST: Final = 60
"""Lines of a function's body, without its docstring."""


MOST_LINES: Final = 400
"""Lines of a module."""


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_no_module_is_too_long_to_be_found_ones_way_in(path: Path) -> None:
    lines = len(path.read_text(encoding="utf-8").splitlines())
    assert lines <= MOST_LINES, f"{path} has {lines} lines; part it"


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_no_body_is_too_long_to_be_read_at_once(path: Path) -> None:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            said = ast.get_docstring(node) is not None and len(node.body) > 1
            first, last = node.body[said], node.body[-1]
            lines = (last.end_lineno or 0) - first.lineno + 1
            assert lines <= LONGEST, f"{path}:{node.lineno}: {node.name} has {lines} lines; part it"


def test_the_loggers_process_never_loads_the_heavy_libraries() -> None:
    code = (
        "import sys, logger.recording.daemon; "
        "print([m for m in ('dash', 'plotly', 'pandas', 'scipy', 'flask', 'fastapi', 'influxdb_client')"
        " if m in sys.modules])"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    assert out.stdout.strip() == "[]"


def test_help_loads_nothing_heavy() -> None:
    code = (
        "import sys, logger.cli\n"
        "try: logger.cli.main(['--help'])\n"
        "except SystemExit: pass\n"
        "print([m for m in ('numpy', 'dash', 'pandas', 'sqlite3', 'serial', 'aiomqtt') if m in sys.modules])"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    assert out.stdout.splitlines()[-1] == "[]"
