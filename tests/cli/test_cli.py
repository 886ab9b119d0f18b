"""The command as people and programs meet it: JSON, exit statuses, one-line refusals (interfaces, 'The command')."""

from __future__ import annotations

import contextlib
import csv
import json
import os
import signal
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner

from logger.cli import cli, main
from logger.exchange.export import export_csv, export_line_protocol, export_parquet
from logger.journal.reader import JournalReader
from logger.journal.writer import JournalWriter
from tests.journal.journal_batches import START_US, firing_batch
from tests.processes import RIG, STOKEWATCH, free_port, process, refused, stokewatch, until

INVENTED = "time_s,coals,upper air\n0,20.5,21\n1,22.25,\n2.5,23.125,24.0625\n"


@pytest.fixture
def home(tmp_path: Path) -> Path:
    return tmp_path / "home"


@pytest.fixture
def csv_file(tmp_path: Path) -> Path:
    path = tmp_path / "invented.csv"
    path.write_text(INVENTED)
    return path


def test_import_list_show_export_and_import_again(home: Path, csv_file: Path, tmp_path: Path) -> None:
    done = stokewatch("import", str(csv_file), "--title", "Invented", home=home)
    [listed] = stokewatch("firings", home=home)
    assert listed["firing"] == done["firing"]
    assert (listed["title"], listed["readings"], listed["running"]) == ("Invented", 5, False)
    assert "T" in listed["started"]
    shown = stokewatch("show", done["firing"], home=home)
    assert [(p["name"], p["reads"], p["peak_c"], p["peak_s"]) for p in shown["probes"]] == [
        ("coals", "coals", 23.125, 2.5),
        ("upper air", "air", 24.0625, 2.5),
    ]
    assert all(2.0 < p["peak_band_c"] < 6.0 for p in shown["probes"]), (
        "a couple of class 2, near its cold junction"
    )
    out = tmp_path / "out.csv"
    stokewatch("export", "last", "--format", "csv", "-o", str(out), home=home)
    with out.open() as f:
        rows = [[float(x) if x else None for x in row] for row in list(csv.reader(f))[1:]]
    assert rows == [[0.0, 20.5, 21.0], [1.0, 22.25, None], [2.5, 23.125, 24.0625]]
    again = stokewatch("import", str(out), home=home)
    assert again["readings"] == done["readings"]
    assert len(stokewatch("firings", home=home)) == 2


def test_alone_it_lists_its_commands(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main([])
    printed = capsys.readouterr()
    assert (ended.value.code, printed.err) == (0, "")
    assert set(cli.commands) - {"hear"} <= {
        line.split()[0] for line in printed.out.splitlines() if line.strip()
    }


def test_a_file_that_comes_again_in_a_later_command_is_said_with_a_way_on(
    home: Path, csv_file: Path, tmp_path: Path
) -> None:
    first = stokewatch("import", str(csv_file), "--title", "Invented", home=home)
    assert first["here_already"] == []
    copy = tmp_path / "copy.csv"
    copy.write_bytes(csv_file.read_bytes())
    here = [{"file": "copy.csv", "firing": first["firing"]}]
    once = stokewatch("import", str(copy), "--once", home=home)
    assert (once["firing"], once["readings"], once["here_already"]) == (first["firing"], 0, here)
    assert len(stokewatch("firings", home=home)) == 1
    again = stokewatch("import", str(copy), home=home)
    assert (again["readings"], again["here_already"]) == (first["readings"], here)
    assert again["firing"] != first["firing"]
    said = CliRunner().invoke(cli, ["import", str(csv_file), "--home", str(home)]).output
    where = f"was already imported as firing {again['firing']}"
    assert where in said
    assert "now it is here twice; --once would have skipped it" in said
    said = CliRunner().invoke(cli, ["import", str(csv_file), "--once", "--home", str(home)]).output
    assert "was already imported as firing" in said
    assert ": skipped" in said


def test_a_plan_places_the_columns_of_a_file(home: Path, csv_file: Path, tmp_path: Path) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text(
        'title = "Invented plan"\n[[probe]]\nname = "upper air"\nheight_cm = 40\nzone = "upper"\n'
    )
    done = stokewatch("import", str(csv_file), "--plan", str(plan), home=home)
    assert done["title"] == "Invented plan"
    shown = stokewatch("show", "last", home=home)
    assert {p["name"]: p["zone"] for p in shown["probes"]} == {"upper air": "upper", "coals": "coals"}


def test_what_cannot_be_read_is_refused_by_row_and_column_and_nothing_stays(
    home: Path, tmp_path: Path
) -> None:
    path = tmp_path / "bad.csv"
    path.write_text("time_s,coals\n0,20\n1,7x2\n")
    text = refused("import", str(path), home=home)
    assert "row 3" in text
    assert "'coals'" in text
    assert "7x2" in text
    assert stokewatch("firings", home=home) == []


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("show", "last"), "no journal here yet"),
        (("export", "last", "-o", "x.csv"), "no journal here yet"),
        (("import", "gone.csv"), "gone.csv"),
        (("run", "--plan", "gone.toml"), "gone.toml: No such file"),
        (("log", "--mqtt", "http://somewhere"), "not a broker"),
        (("simulate", "--seed", "x", "-o", "y"), "not a valid integer"),
        (("nonsense",), "No such command"),
        (("simulate", "--seed", "1", "-o", "no/such/folder/x.csv"), "x.csv"),
    ],
)
def test_mistakes_are_one_line_on_standard_error_and_status_2(
    arguments: tuple[str, ...], words: str, home: Path
) -> None:
    assert words in refused(*arguments, home=home)


def test_an_unknown_firing_is_named(home: Path, csv_file: Path) -> None:
    stokewatch("import", str(csv_file), home=home)
    assert "nope: no such firing" in refused("show", "nope", home=home)


def test_status_before_anything_has_run(home: Path) -> None:
    status = stokewatch("status", home=home)
    assert status["firing"] is None
    assert status["logger"]["running"] is False
    for key in ("frames", "readings", "bad_crc", "malformed", "missing"):
        assert status["logger"][key] == 0
    assert status["logger"]["last_commit_age_s"] is None


@pytest.mark.slow
def test_simulate_writes_the_same_firing_for_the_same_seed(tmp_path: Path, home: Path) -> None:
    def simulated(name: str, seed: str) -> tuple[bytes, dict[str, object]]:
        out, truth = tmp_path / f"{name}.csv", tmp_path / f"{name}.json"
        subprocess.run(
            [*STOKEWATCH, "simulate", "--seed", seed, "-o", str(out), "--truth", str(truth)], check=True
        )
        return out.read_bytes(), json.loads(truth.read_text())

    first, truth = simulated("a", "7")
    assert simulated("b", "7") == (first, truth)
    assert simulated("c", "8")[0] != first
    assert truth["seed"] == 7
    done = stokewatch("import", str(tmp_path / "a.csv"), home=home)
    assert done["duration_s"] > 1800


def test_home_is_the_option_on_either_side_of_the_command(csv_file: Path, tmp_path: Path) -> None:
    env = {**os.environ, "STOKEWATCH_HOME": str(tmp_path / "elsewhere")}
    for i, arguments in enumerate(
        (
            ["--home", str(tmp_path / "h0"), "import", str(csv_file)],
            ["import", "--home", str(tmp_path / "h1"), str(csv_file)],
        )
    ):
        subprocess.run([*STOKEWATCH, *arguments], check=True, env=env, stdout=subprocess.DEVNULL)
        assert (tmp_path / f"h{i}" / "journal.sqlite").exists()
    assert not (tmp_path / "elsewhere").exists()


@pytest.mark.real
def test_ports_says_which_port_carries_a_rig(tmp_path: Path) -> None:
    link = tmp_path / "rig"
    rig = [*RIG, "--pty", str(link), "--beat-load"]
    with process([*rig, "--channels", "2", "--rig", "invented"]):
        until(link.exists, "the rig")
        done = subprocess.run(
            [*STOKEWATCH, "ports", "--json", str(link), str(tmp_path / "none")],
            capture_output=True,
            text=True,
            check=True,
        )
    there, gone = json.loads(done.stdout)["ports"]
    assert (there["rig"], there["channels"]) == ("invented", ["k0", "k1"])
    assert gone["rig"] is None
    assert "isn't there" in gone["trouble"]


@pytest.mark.real
def test_demo_refuses_a_folder_where_a_real_firing_runs(home: Path, tmp_path: Path) -> None:
    link = tmp_path / "rig"
    rig = [*RIG, "--pty", str(link), "--beat-load"]
    with process([*rig, "--channels", "2", "--rate-hz", "20"]):
        until(link.exists, "the rig")
        with process([*STOKEWATCH, "log", "--serial", str(link)], home):
            until(lambda: stokewatch("status", home=home)["firing"], "a firing")
            assert "already running" in refused("demo", "--no-browser", home=home)
        assert "isn't a demonstration" in refused("demo", "--no-browser", home=home)


@pytest.mark.real
@pytest.mark.timeout(120)
def test_run_keeps_logger_and_page_alive_and_ends_both(
    home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import urllib.request

    for name in ("logger", "dashboard"):  # the user's own modules, in the folder where it is started
        (tmp_path / f"{name}.py").write_text("raise SystemExit('not of this project')")
    monkeypatch.chdir(tmp_path)
    link, port = tmp_path / "rig", free_port()

    def healthy() -> bool:
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/healthz", timeout=2) as answer:
                return answer.status == 200 and isinstance(json.load(answer), dict)
        except OSError:
            return False

    rig = [*RIG, "--pty", str(link), "--beat-load"]
    run = [*STOKEWATCH, "run", "--serial", str(link), "--port", str(port), "--no-browser"]
    with process([*rig, "--channels", "2", "--rate-hz", "20"]):
        until(link.exists, "the rig")
        with process(run, home) as running:
            until(healthy, "the page", 30)
            status = until(lambda: _running(home), "the logger")
            os.kill(status["logger"]["pid"], signal.SIGKILL)
            again = until(lambda: _other_pid(home, status["logger"]["pid"]), "the logger again")
            assert again["firing"] == status["firing"], "the same firing goes on"
            assert healthy(), "the page outlives its logger"
            running.send_signal(signal.SIGINT)
            assert running.wait(10) == 0
    assert not stokewatch("status", home=home)["logger"]["running"]


def _running(home: Path) -> dict | None:
    status = stokewatch("status", home=home)
    return status if status["logger"]["running"] and status["firing"] else None


def _other_pid(home: Path, pid: int) -> dict | None:
    status = _running(home)
    return status if status and status["logger"]["pid"] not in (None, pid) else None


@pytest.mark.slow
def test_rehearse_says_in_json_what_the_alarms_would_have_said(home: Path, tmp_path: Path) -> None:
    out, plan = tmp_path / "made.csv", tmp_path / "plan.toml"
    subprocess.run([*STOKEWATCH, "simulate", "--seed", "3", "-o", str(out)], check=True)
    done = stokewatch("import", str(out), "--title", "Invented", home=home)
    result = stokewatch("rehearse", "last", home=home)
    assert result["firing"] == done["firing"]
    assert result["duration_s"] == pytest.approx(done["duration_s"])
    assert {z["zone"] for z in result["zones"]} <= set(done["probes"])
    assert {"stage", "from_s"} == set(result["stages"][0])
    for alarm in result["alarms"]:
        assert set(alarm) >= {"rule", "zone", "probe", "raised_s", "cleared_s", "message"}
        assert alarm["cleared_s"] is None or alarm["cleared_s"] >= alarm["raised_s"]
    assert stokewatch("rehearse", "last", home=home) == result, "the same readings say the same"
    plan.write_text("target_c = 300\nburnout_c = 200\n")
    lower = stokewatch("rehearse", "last", "--plan", str(plan), home=home)
    assert sum(a["rule"] == "target_reached" for a in lower["alarms"]) >= sum(
        a["rule"] == "target_reached" for a in result["alarms"]
    )
    assert "name one firing" in refused("rehearse", home=home)


@pytest.mark.real
def test_demo_shows_a_stored_firing_again(home: Path, tmp_path: Path) -> None:
    rows = "".join(f"{i},{20 + i},{30 + i}\n" for i in range(60))
    stored = tmp_path / "earlier.csv"
    stored.write_text("time_s,coals,upper air\n" + rows)
    demo = [*STOKEWATCH, "demo", "--stored", str(stored), "--speed", "30", "--no-browser"]
    with process([*demo, "--port", str(free_port())], home):
        until(
            lambda: (found := stokewatch("firings", home=home)) and found[0]["readings"] == 120,
            "all of it",
            40,
        )
    out = tmp_path / "again.csv"
    stokewatch("export", "last", "-o", str(out), home=home)
    with out.open() as f:
        header, *again = csv.reader(f)
    assert header == ["time_s", "coals", "upper air"]
    assert [[float(x) for x in row[1:]] for row in again] == [[20.0 + i, 30.0 + i] for i in range(60)]
    assert [float(row[0]) for row in again] == pytest.approx(list(range(60)), abs=0.05)
    assert "gone.csv" in refused("demo", "--stored", str(tmp_path / "gone.csv"), home=home)


def test_an_import_says_what_was_left_out_and_why(home: Path, tmp_path: Path) -> None:
    path = tmp_path / "invented.csv"
    path.write_text("Time,Upper,Heat\ns,C,kW\n0,20,1\n1,21,2\n# wood added\n2,22,3\n")
    done = stokewatch("import", str(path), home=home)
    assert (done["probes"], done["readings"]) == (["Upper"], 3)
    assert done["left_out"] == [{"column": "Heat", "why": "kW is not a unit of temperature"}]
    assert done["notes"] == ["1 row has a remark: left out"]
    assert done["guesses"] == ["no dates: times count from the first row"]
    kept = stokewatch("import", str(path), "--keep", "H*", "--unit", "c", "--skip-rows", "3", home=home)
    assert (kept["probes"], kept["readings"]) == (["Heat"], 2)
    plan = tmp_path / "plan.toml"
    plan.write_text('title = "Invented"\n[[probe]]\nname = "north"\n')
    assert "none of the plan's probes is a column" in refused(
        "import", str(path), "--plan", str(plan), home=home
    )


def test_on_windows_it_says_so_in_a_sentence(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("logger.cli.SYSTEM", "nt")
    with pytest.raises(SystemExit) as ended:
        main(["firings"])
    assert ended.value.code == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "not on Windows" in said


# --- long work, stopped -------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def long_firing(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with an hour of 16 invented channels at 10 Hz: more than a second's export."""
    home = tmp_path_factory.mktemp("long")
    with contextlib.closing(JournalWriter(home / "journal.sqlite")) as writer:
        firing = writer.open_firing("Invented, long", None, START_US, ended_us=START_US + 3_600_000_000).id
        for first in range(0, 36_000, 600):
            writer.append(firing, firing_batch(600, 16, first=first))
        writer.pack(firing)
    return home


def _heeds() -> None:
    """Obey Ctrl-C, even where these tests run behind a shell that makes its children ignore it."""
    signal.signal(signal.SIGINT, signal.default_int_handler)


def stopped(command: list[str], begun: Callable[[int], object], number: int) -> str:
    """What a command says that gets a signal once it, by its pid, has begun."""
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True, preexec_fn=_heeds) as running:
        until(lambda: begun(running.pid), "the work to begin")
        running.send_signal(number)
        _, said = running.communicate(timeout=30)
    assert running.returncode == 130
    return said


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM], ids=["Ctrl-C", "told to end"])
@pytest.mark.parametrize("kind", ["csv", "parquet", "line-protocol"])
def test_an_export_that_is_stopped_leaves_nothing_and_says_so(
    long_firing: Path, tmp_path: Path, kind: str, number: int
) -> None:
    out = tmp_path / "out"
    out.write_text("what was there before")
    command = [*STOKEWATCH, "export", "last", "--home", str(long_firing), "--format", kind, "-o", str(out)]
    said = stopped(command, lambda pid: list(tmp_path.glob(".*.part")), number)
    assert f"stopped; nothing was written to {out}" in said
    assert [path.name for path in tmp_path.iterdir()] == ["out"]
    assert out.read_text() == "what was there before"


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM], ids=["Ctrl-C", "told to end"])
def test_an_import_that_is_stopped_leaves_nothing_and_says_so(
    home: Path, tmp_path: Path, number: int
) -> None:
    stokewatch("import", str(_small(tmp_path)), home=home)
    command = [*STOKEWATCH, "import", "--home", str(home), str(_large(tmp_path))]
    said = stopped(command, lambda pid: _reads(pid, "large.csv"), number)
    assert "stopped; nothing was imported" in said
    assert len(stokewatch("firings", home=home)) == 1


@pytest.mark.slow
def test_a_long_export_says_how_far_it_is(long_firing: Path, tmp_path: Path) -> None:
    with contextlib.closing(JournalReader(long_firing / "journal.sqlite")) as reader:
        firing = reader.firing("last").id
        for write in (export_csv, export_parquet, export_line_protocol):
            said: list[float] = []
            write(
                reader, firing, tmp_path / "out", progress=lambda done, of, said=said: said.append(done / of)
            )
            assert len(said) > 3
            assert said == sorted(said)
            assert 0 <= said[0] < said[-1] <= 1


def _small(tmp_path: Path) -> Path:
    path = tmp_path / "small.csv"
    path.write_text(INVENTED)
    return path


def _large(tmp_path: Path) -> Path:
    path = tmp_path / "large.csv"
    path.write_text("time_s,a,b\n" + "".join(f"{i / 10},{20 + i % 700},21\n" for i in range(600_000)))
    return path


def _reads(pid: int, name: str) -> bool:
    with contextlib.suppress(OSError):
        return any(name in str(link.readlink()) for link in Path(f"/proc/{pid}/fd").iterdir())
    return False
