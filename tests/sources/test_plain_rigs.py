"""A board that prints numbers, from its serial port to journal, status, check and exports: nothing is proved."""

from __future__ import annotations

import contextlib
import os
import threading
import tty
from collections.abc import Iterator
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from logger.journal.rows import add_request
from tests.processes import STOKEWATCH, process, refused, stokewatch, until

pytestmark = pytest.mark.real


@pytest.fixture
def board() -> Iterator[str]:
    """An invented board that prints three temperatures ten times a second, one of them from a broken probe."""
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    os.set_blocking(ours, False)
    over = threading.Event()

    def speak() -> None:
        count = 0
        while not over.wait(0.1):
            count += 1
            with contextlib.suppress(BlockingIOError):
                os.write(ours, b"%.1f,%.1f,nan\r\n" % (20 + count % 10 / 10, 212.0))

    speaking = threading.Thread(target=speak)
    speaking.start()
    yield os.ttyname(theirs)
    over.set()
    speaking.join()
    os.close(ours)
    os.close(theirs)


def test_from_the_port_to_the_export_nothing_is_said_to_be_proved(board: str, tmp_path: Path) -> None:
    home = tmp_path / "home"
    arguments = ["log", "--home", str(home), "--serial", f"{board}@9600", "--as", "lines"]
    with process([*STOKEWATCH, *arguments]):
        until(lambda: (home / "journal.sqlite").exists(), "a journal")
        until(lambda: len(stokewatch("firings", home=home)) == 1, "a firing")
        status = until(
            lambda: (s := stokewatch("status", home=home))["logger"]["readings"] > 60 and s, "some readings"
        )
        (source,) = status["logger"]["sources"]
        assert (source["proof"], source["state"]) == ("none", "connected")
        check = stokewatch_check(home)
        assert ("proof", "warn") in {(f["what"], f["level"]) for f in check["findings"]}
        assert not {"frames", "clock"} & {f["what"] for f in check["findings"] if f["where"] == "rig"}
    shown = stokewatch("show", "last", home=home)
    assert (shown["proof"], len(shown["unproven"])) == ("none", 1)
    assert [p["channel"] for p in shown["probes"]] == ["n1", "n2", "n3"]
    assert shown["probes"][1]["peak_c"] == 212.0
    assert shown["probes"][2]["peak_c"] is None  # a broken probe is no cool pot
    done = stokewatch(
        "export", "last", "-o", str(tmp_path / "out.lp"), "--format", "line-protocol", home=home
    )
    assert done["proof"] == "none"
    lines = (tmp_path / "out.lp").read_text().splitlines()
    assert lines
    assert all(",proof=none" in line for line in lines)
    assert stokewatch("export", "last", "-o", str(tmp_path / "out.csv"), home=home)["proof"] == "none"
    stokewatch("export", "last", "-o", str(tmp_path / "out.parquet"), "--format", "parquet", home=home)
    assert pq.read_schema(tmp_path / "out.parquet").metadata[b"proof"] == b"none"
    stokewatch("export", "last", "-o", str(tmp_path / "out.html"), "--format", "html", home=home)
    assert "carried no checksum and no counter" in (tmp_path / "out.html").read_text()


def stokewatch_check(home: Path) -> dict[str, list[dict[str, str]]]:
    """The check ends with 1: a probe is broken."""
    import json
    import subprocess

    done = subprocess.run(
        [*STOKEWATCH, "check", "--json", "--home", str(home)], capture_output=True, text=True, timeout=60
    )
    assert done.returncode == 1, done.stderr
    found: dict[str, list[dict[str, str]]] = json.loads(done.stdout)
    return found


def test_a_board_that_prints_fahrenheit(board: str, tmp_path: Path) -> None:
    home = tmp_path / "home"
    arguments = ["log", "--home", str(home), "--serial", board, "--as", "lines", "--unit", "F"]
    with process([*STOKEWATCH, *arguments]):
        until(lambda: (home / "journal.sqlite").exists(), "a journal")
        until(lambda: len(stokewatch("firings", home=home)) == 1, "a firing")
        until(lambda: stokewatch("status", home=home)["logger"]["readings"] > 30, "some readings")
    assert stokewatch("show", "last", home=home)["probes"][1]["peak_c"] == 100.0


def test_a_restart_goes_on_with_the_firing(board: str, tmp_path: Path) -> None:
    home = tmp_path / "home"
    arguments = ["log", "--home", str(home), "--serial", board, "--as", "lines"]
    counts = []
    for _ in range(2):
        with process([*STOKEWATCH, *arguments]):
            until(lambda: (home / "journal.sqlite").exists(), "a journal")
            before = counts[-1] if counts else 0
            until(
                lambda least=before: any(
                    f["readings"] > least + 60 for f in stokewatch("firings", home=home)
                ),
                "more readings",
            )
        (firing,) = stokewatch("firings", home=home)
        counts.append(firing["readings"])
    assert counts[1] > counts[0] + 60


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--as", "lines"], "--as lines needs a port; add --serial PORT@BAUD"),
        (["--serial", "/dev/ttyX@fast"], "'fast' isn't a speed; write PORT@BAUD"),
        (["--serial", "/dev/ttyX@fast", "--as", "lines"], "'fast' isn't a speed"),
        (["--as", "modbus"], "--as modbus needs to know which values to read; write [[source]] tables"),
        (["--as", "mqtt"], "--as mqtt needs to know"),
    ],
)
def test_what_can_not_be_read_so_is_refused_before_anything_starts(
    arguments: list[str], says: str, tmp_path: Path
) -> None:
    assert says in refused("run", "--no-browser", *arguments, home=tmp_path / "home")


def test_arming_a_plan_with_a_source_reads_it_and_a_restart_reads_it_again(
    board: str, tmp_path: Path
) -> None:
    """As the page arms it; the logger was started without any of it."""
    home = tmp_path / "home"
    journal = home / "journal.sqlite"
    plan = f'title = "Bowls, invented"\n[[source]]\nformat = "lines"\nport = "{board}"\nbaud = 9600\n'

    def sources() -> dict[str, str]:
        found = stokewatch("status", home=home)["logger"]["sources"]
        return {source["name"]: source["state"] for source in found}

    def readings(title: str) -> int:
        found = stokewatch("firings", home=home)
        return sum(f["readings"] for f in found if f["title"] == title and f["running"])

    with process([*STOKEWATCH, "log", "--home", str(home)]):
        until(lambda: journal.exists() and stokewatch("status", home=home)["logger"]["running"], "a logger")
        add_request(journal, "arm", {"plan_toml": plan}, "tablet")
        until(lambda: readings("Bowls, invented") > 30, "readings of the board")
        assert sources()[f"{board}@9600"] == "connected"
    before = readings("Bowls, invented")
    with process([*STOKEWATCH, "log", "--home", str(home)]):
        until(lambda: readings("Bowls, invented") > before + 30, "readings after a restart")
        replace = stokewatch("status", home=home)["firing"]
        bare = {"plan_toml": 'title = "Plain, invented"\n', "replace": replace}
        add_request(journal, "arm", bare, "tablet")
        until(lambda: f"{board}@9600" not in sources(), "the source to be let go of")
