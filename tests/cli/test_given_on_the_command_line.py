"""What a shell can pass that is no text, no plan or no file: one line, status 2, nothing overwritten."""

from __future__ import annotations

import contextlib
import os
import stat
import subprocess
from pathlib import Path

import numpy as np
import pytest

from logger.exchange.export import export_csv, whole_file
from logger.journal.reader import JournalReader
from logger.journal.writer import JournalWriter
from logger.plan import MAX_TOML, PlanError, load, loads
from tests.journal.journal_batches import START_US, make_batch
from tests.processes import refused

DAY_US = 86_400_000_000


@pytest.fixture
def leapt(tmp_path: Path) -> Path:
    """A firing whose clock jumped from 1970 to now in the middle."""
    path = tmp_path / "journal.sqlite"
    with contextlib.closing(JournalWriter(path)) as writer:
        firing = writer.open_firing("Invented", None, DAY_US, invented=True).id
        for start_us in (DAY_US, START_US):
            t_us = start_us + np.arange(600) * 1_000_000
            writer.append(firing, make_batch(t_us, 20.0 + np.arange(600) / 3, names=["k0"]))
        writer.finish_firing(firing, START_US + 600_000_000)
    return path


def test_a_title_of_broken_bytes(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("time_s,k0\n0,20\n1,21\n")
    broken = os.fsdecode(b"J\xffrs")
    assert "--title" in refused("import", str(tmp_path / "a.csv"), "--title", broken, home=tmp_path)
    assert not (tmp_path / "journal.sqlite").exists()


def test_a_plan_without_end(tmp_path: Path) -> None:
    said = refused("run", "--plan", "/dev/zero", "--no-browser", home=tmp_path)
    assert "/dev/zero" in said
    assert f"longer than {MAX_TOML} characters" in said


@pytest.mark.parametrize(
    "text",
    [
        "a" + ".a" * 20_000 + " = 1",
        '"a"' + '."a"' * 20_000 + " = 1",
        "1 . 1" + " . 1.1" * 6000 + " = 1",
        "[" + "a." * 40_000 + "a]",
        "target_c = " + "9" * 5000,
        "target_c = 0x" + "f" * 5000,
        "a = " + "[" * 100_000,
        "x" * (MAX_TOML + 1),
        "[" + " " * 190_000,
        '"' + '\\".' * 60_000,
    ],
    ids=["dotted", "quoted", "digits", "table", "digits", "hex", "lists", "long", "blanks", "quotes"],
)
def test_plans_that_are_costly_to_read(text: str) -> None:
    """40 kB of dotted keys took 1.8 GB; what they take now is bounded by `tracemalloc`'s count."""
    import tracemalloc

    tracemalloc.start()
    try:
        with pytest.raises(PlanError):
            loads(text)
        assert tracemalloc.get_traced_memory()[1] < 64 << 20
    finally:
        tracemalloc.stop()


def test_plans_that_are_only_unusual() -> None:
    probes = ",".join(
        f'{{name="p{n}",height_cm={n}.5,correction=[[1.5,0.0],[101.0,99.2]]}}' for n in range(64)
    )
    assert len(loads(f"probe = [{probes}]").probes) == 64
    assert loads(f'title = "{"." * 150}" # {"." * 150}').title == "." * 150


def test_a_plan_of_another_encoding_is_said_so(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_bytes(b'title = "J\xffrs"')
    with pytest.raises(PlanError, match="byte 10 is not UTF-8"):
        load(path)


@pytest.mark.skipif(os.geteuid() == 0 and not Path("/dev/full").is_char_device(), reason="no /dev/full")
def test_an_export_to_a_device_replaces_no_device(leapt: Path, tmp_path: Path) -> None:
    # A device made here: /dev/full itself must not be at risk.
    pipe = tmp_path / "device"
    os.mkfifo(pipe)
    reader = subprocess.Popen(["cat", str(pipe)], stdout=subprocess.PIPE)
    with contextlib.closing(JournalReader(leapt)) as journal:
        rows = export_csv(journal, journal.firing("last").id, pipe)
    out, _ = reader.communicate(timeout=20)
    assert rows == 1200
    assert out.count(b"\n") == 1201
    assert stat.S_ISFIFO(pipe.stat().st_mode), "it is still a pipe"
    assert [p.name for p in tmp_path.iterdir() if p.name.endswith(".part")] == []


def test_a_device_that_takes_nothing(tmp_path: Path) -> None:
    link = tmp_path / "full"
    link.symlink_to("/dev/full")
    with pytest.raises(Exception, match="No space left"), whole_file(link) as file:
        file.write(b"x" * 100_000)
    assert link.is_symlink()


def test_a_clock_that_leapt_by_decades_costs_nothing(leapt: Path, tmp_path: Path) -> None:
    """The export took over 120 s, and the report asked for 21 GiB."""
    from logger.report.gather import gather

    with contextlib.closing(JournalReader(leapt)) as journal:
        info = journal.firing("last")
        assert len(journal.stretches(info.id, 600_000_000)) <= 4
        assert export_csv(journal, info.id, tmp_path / "out.csv") == 1200
        known = gather(journal, info)
    assert len(known.levels.t_s) <= 200_001
    assert np.nanmax(known.levels.level_c) > 100


@pytest.mark.slow
def test_its_picture_and_its_replay_are_small_too(leapt: Path) -> None:
    from dashboard.stored.replayed import MAX_STEPS, replayed
    from dashboard.stored.shelf import glimpse

    with contextlib.closing(JournalReader(leapt)) as journal:
        info = journal.firing("last")
        assert len(glimpse(journal, info)["low"]) <= 240
        told = replayed(journal, info)
    assert told["steps"] <= MAX_STEPS + 2
    assert told["step_s"] * told["steps"] >= (START_US - DAY_US) / 1e6
