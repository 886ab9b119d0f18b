"""README and guide are right: every command works, every list equals the code's, every name exists."""

from __future__ import annotations

import importlib.util
import re
import shlex
import tomllib
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from logger import plan
from logger.cli import cli
from logger.plan.alarm_rules import RULES

ROOT = Path(__file__).parent.parent
GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
README = (ROOT / "README.md").read_text(encoding="utf-8")
ROOMS = ("logger", "dashboard", "tests", "firmware_notes")
PAGES = sorted(
    path
    for path in (
        ROOT / "DEVELOPERS.md",
        ROOT / "README.md",
        *(p for r in ROOMS for p in (ROOT / r).rglob("*.md")),
    )
    if "node_modules" not in path.parts
)
PYTHON = [path for room in ROOMS for path in (ROOT / room).rglob("*.py")]


def commands() -> list[str]:
    """Every command line in a shell block or between backticks."""
    found: list[str] = []
    for path in PAGES:
        text = path.read_text(encoding="utf-8")
        for block in re.findall(r"^ *```sh\n(.*?)^ *```", text, re.DOTALL | re.MULTILINE):
            lines = block.replace("\\\n", " ").splitlines()
            found += [line.partition("  #")[0].partition(" # ")[0].strip() for line in lines]
        text = re.sub(r"^ *```.*?^ *```", "", text, flags=re.DOTALL | re.MULTILINE)
        found += [" ".join(said.split()) for said in re.findall(r"(?<!`)`([^`]+)`(?!`)", text)]
    starts = ("stokewatch ", ".venv/bin/", "bash ", "python -m ", "STOKEWATCH_")
    return sorted({line for line in found if line.startswith(starts) and " " in line})


@pytest.mark.parametrize("line", commands())
def test_every_command_is_one(line: str) -> None:
    words = [word for word in shlex.split(line.replace("…", " "), comments=True) if word != "--"]
    while re.match(r"[A-Z_0-9]+=", words[0]):
        words.pop(0)
    words = words[: next((i for i, word in enumerate(words) if word in ("&&", "|", ">", ">>")), None)]
    program = words.pop(0).removeprefix(".venv/bin/")
    if program == "bash":
        assert (ROOT / words[0]).is_file()
    elif program == "stokewatch":
        said = CliRunner().invoke(cli, [*words, "--help"])
        assert said.exit_code == 0, said.output
    elif program == "python" and words[0] == "-m":
        module = words[1]
        assert importlib.util.find_spec(module) is not None
        if module in ("pytest", "pip"):
            program, words = module, words[2:]
    else:
        assert program in ("pip", "ruff", "mypy", "python"), f"who knows {program}?"
    if program == "pytest":
        assert all((ROOT / word.partition("::")[0]).exists() for word in words if word.startswith("tests/"))


def listed(after: str) -> set[str]:
    """Names between backticks from these words to the end of the sentence."""
    return set(re.findall(r"`([\w-]+)`", GUIDE.partition(after)[2].partition(".\n")[0]))


def test_lists_are_those_of_the_code() -> None:
    assert listed("\nCommands: ") == set(cli.commands)
    assert listed("\nRules: ") == set(RULES)
    (form,) = (p for p in cli.commands["log"].params if "--as" in p.opts)
    assert isinstance(form.type, click.Choice)
    assert listed("\nFormats of `--as`: ") == set(form.type.choices)


def test_the_map_has_every_room_and_no_other() -> None:
    """A room is a folder of code, or a single module of that name."""
    table = GUIDE.partition("## The map")[2].partition("\n\n**")[0]
    named = set(re.findall(r"`((?:logger|dashboard)/\w+)`", table))
    there = {
        f"{top}/{p.parent.name}"
        for top in ("logger", "dashboard")
        for p in (ROOT / top).glob("*/__init__.py")
    }
    assert there <= named
    assert all((ROOT / room).is_dir() or (ROOT / f"{room}.py").is_file() for room in named)


@pytest.mark.parametrize(("file", "name"), re.findall(r"`([\w/]+\.py)::(\w+)`", GUIDE))
def test_a_name_in_the_guide_is_found_in_its_file(file: str, name: str) -> None:
    texts = [path.read_text(encoding="utf-8") for path in PYTHON if path.as_posix().endswith(f"/{file}")]
    assert any(
        re.search(rf"^(?:async )?(?:def|class) {name}\b|^{name}\b.*=", text, re.MULTILINE) for text in texts
    )


def test_a_file_in_the_guide_is_there() -> None:
    everything = [path.relative_to(ROOT).as_posix() for room in ROOMS for path in (ROOT / room).rglob("*.*")]
    for named in re.findall(r"`([\w/]+\.(?:py|md|json|toml))`", GUIDE):
        assert (ROOT / named).is_file() or any(f"/{path}".endswith(f"/{named}") for path in everything), named


@pytest.mark.parametrize("page", PAGES, ids=lambda path: str(path.relative_to(ROOT)))
def test_links_lead_somewhere(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    for link in re.findall(r"\]\((?!https?:|mailto:)([^)\s]+)\)", text):
        path, _, anchor = link.partition("#")
        target = (page.parent / path).resolve() if path else page
        assert target.exists(), link
        if anchor and target.suffix == ".md":
            headings = re.findall(r"^#+ (.+)$", target.read_text(encoding="utf-8"), re.MULTILINE)
            assert anchor in {
                re.sub(r"[^\w -]", "", heading).lower().replace(" ", "-") for heading in headings
            }, link


def test_the_guide_can_be_read_in_one_go() -> None:
    assert len(GUIDE.encode()) <= 12_000


def test_the_plan_in_the_readme_is_one(tmp_path: Path) -> None:
    (block,) = re.findall(r"```toml\n(.*?)```", README, re.DOTALL)
    path = tmp_path / "plan.toml"
    path.write_text("\n".join(line.removeprefix("   ") for line in block.splitlines()), encoding="utf-8")
    assert [probe.name for probe in plan.load(path).probes] == ["coals", "top"]


def test_the_changes_begin_with_this_version() -> None:
    version = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["version"]
    newest = re.findall(r"^### (.+)$", README.partition("## Changes")[2], re.MULTILINE)
    assert newest[0] == "Unreleased" or newest[0].startswith(f"{version},")
    assert any(heading.startswith(f"{version},") for heading in newest)
