"""The wheel has everything it refers to, and runs the demo and the page in an environment with nothing else."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
import sysconfig
import urllib.request
import venv
import zipfile
from importlib.metadata import distribution
from pathlib import Path

import pytest
from packaging.requirements import Requirement

from tests.processes import free_port, process, until

ROOT = Path(__file__).parent.parent

pytestmark = [pytest.mark.real, pytest.mark.timeout(180)]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Built from a copy of what the repository tracks, so that no stray file gets in."""
    copy, made = tmp_path_factory.mktemp("source"), tmp_path_factory.mktemp("wheel")
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, copy)
    for name in ("logger", "dashboard", "firmware_notes"):
        shutil.copytree(
            ROOT / name, copy / name, ignore=shutil.ignore_patterns("node_modules", "__pycache__")
        )
    build = "import sys; from setuptools.build_meta import build_wheel; build_wheel(sys.argv[1])"
    subprocess.run(
        [sys.executable, "-c", build, made], cwd=copy, check=True, capture_output=True, timeout=120
    )
    (built,) = made.glob("*.whl")
    return built


def needed(requirements: list[str], found: set[str]) -> set[str]:
    """Names of the distributions that requirements need, directly or through others."""
    for line in requirements:
        wanted = Requirement(line)
        if wanted.marker and not any(
            wanted.marker.evaluate({"extra": extra}) for extra in (wanted.extras or {""})
        ):
            continue
        name = wanted.name.lower()
        if name in found:
            continue
        found.add(name)
        for below in distribution(name).requires or []:
            marker = Requirement(below).marker
            if marker is None or any(marker.evaluate({"extra": extra}) for extra in ("", *wanted.extras)):
                needed([below.partition(";")[0]], found)
    return found


@pytest.fixture(scope="module")
def alone(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An environment with the wheel and the libraries it asks for, each linked from where the tests run."""
    folder = tmp_path_factory.mktemp("alone")
    venv.create(folder, with_pip=False, symlinks=True)
    site = Path(sysconfig.get_path("purelib", vars={"base": str(folder), "platbase": str(folder)}))
    with zipfile.ZipFile(wheel) as archive:
        (metadata,) = (name for name in archive.namelist() if name.endswith(".dist-info/METADATA"))
        lines = archive.read(metadata).decode().splitlines()
    requires = [line.removeprefix("Requires-Dist: ") for line in lines if line.startswith("Requires-Dist: ")]
    for name in needed(requires, set()):
        for file in distribution(name).files or []:
            top = Path(file.parts[0])
            if top.name not in ("..", "__pycache__") and not (site / top).exists():
                (site / top).symlink_to(Path(distribution(name).locate_file(top)))
    command = [sys.executable, "-m", "pip", "--python", folder / "bin" / "python", "install"]
    offline = ["--no-index", "--no-deps", "--no-cache-dir", "--disable-pip-version-check", "--quiet", wheel]
    subprocess.run([*command, *offline], check=True, timeout=120)
    return folder


def test_the_wheel_holds_what_its_words_refer_to(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        held = set(archive.namelist())
        texts = {name: archive.read(name).decode() for name in held if name.endswith((".py", ".js", ".css"))}
    named = {path for text in texts.values() for path in re.findall(r"firmware_notes/[\w./]*\w", text)}
    assert named
    assert named <= held
    tracked = {
        str(path.relative_to(ROOT))
        for room in ("logger", "dashboard")
        for path in (ROOT / room).rglob("*")
        if path.is_file() and not {"pictures", "__pycache__"} & set(path.parts)
    }
    assert tracked <= held
    for name in (n for n in held if n.startswith("firmware_notes/") and n.endswith(".md")):
        text = zipfile.ZipFile(wheel).read(name).decode()
        for link in re.findall(r"\]\((?!https?:|#)([^)#]+)", text):
            target = os.path.normpath(Path(name).parent / link)
            assert target in held or any(path.startswith(f"{target}/") for path in held), f"{name}: {link}"


def test_from_the_wheel_alone_demo_and_page_run(alone: Path, tmp_path: Path) -> None:
    home, port = tmp_path / "home", free_port()
    python = [str(alone / "bin" / "python"), "-P"]
    where = subprocess.run(
        [
            *python,
            "-c",
            "import logger, dashboard, sys; print(logger.__file__, dashboard.__file__, sys.prefix)",
        ],
        capture_output=True,
        text=True,
        check=True,
        cwd=tmp_path,
    ).stdout.split()
    assert all(path.startswith(str(alone)) for path in where)
    command = [str(alone / "bin" / "stokewatch"), "demo", "--speed", "60", "--no-browser"]
    with process([*command, "--port", str(port), "--home", str(home)], cwd=tmp_path):

        def fetched(path: str) -> bytes:
            try:
                with urllib.request.urlopen(f"http://127.0.0.1:{port}{path}", timeout=5) as answer:
                    return bytes(answer.read())
            except OSError:
                return b""

        until(lambda: fetched("/healthz"), "the page", 60)
        until(lambda: json.loads(fetched("/healthz") or b"{}").get("firing"), "a firing", 60)
        document = fetched("/").decode()
        linked = re.findall(r"(?:src|href)=\"(/[^\"]+\.(?:js|css)[^\"]*)\"", document)
        assert any("10_live" in path for path in linked)
        assert all(fetched(path) for path in [*linked, "/assets/plotly-cartesian.min.js"])
        (font,) = [p.name for p in (ROOT / "dashboard" / "assets").glob("*.woff2")]
        assert fetched(f"/assets/{font}")[:4] == b"wOF2"
