"""The user's folder: which one it is, and that only one logger writes in it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from logger.errors import UserError
from logger.home import AlreadyRunning, Home


def test_the_option_beats_the_environment_beats_the_data_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.delenv("STOKEWATCH_HOME", raising=False)
    assert Home.find(None).root == tmp_path / "data" / "stokewatch"
    assert Home.find(None, name="stokewatch-demo").root == tmp_path / "data" / "stokewatch-demo"
    monkeypatch.setenv("STOKEWATCH_HOME", str(tmp_path / "env"))
    assert Home.find(None).root == tmp_path / "env"
    assert Home.find(tmp_path / "option").root == tmp_path / "option"


def test_the_folder_is_its_owners(tmp_path: Path) -> None:
    home = Home(tmp_path / "new" / "home")
    home.create()
    assert home.root.stat().st_mode & 0o777 == 0o700


def test_a_folder_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(UserError, match=r"file/home: .*--home"):
        Home(tmp_path / "file" / "home").create()


def test_one_logger_at_a_time_even_across_processes(tmp_path: Path) -> None:
    home = Home(tmp_path)
    holder = subprocess.Popen(
        [
            sys.executable,
            "-c",
            "import sys; from pathlib import Path; from logger.home import Home\n"
            "with Home(Path(sys.argv[1])).logger_lock(): print('held', flush=True); sys.stdin.read()",
            str(tmp_path),
        ],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    with holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        assert home.logger_runs()
        with pytest.raises(AlreadyRunning), home.logger_lock():
            pass
        holder.kill()
        holder.wait()
        assert not home.logger_runs(), "the lock must end with the process, however it ends"
        with home.logger_lock():
            assert home.logger_runs()
