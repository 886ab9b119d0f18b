"""The user's folder: which one it is, and that only one logger writes in it."""

from __future__ import annotations

import contextlib
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.errors import UserError
from logger.home import AlreadyRunning, Home, LoggerLock


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


@contextlib.contextmanager
def another_logger(root: Path) -> Iterator[subprocess.Popen[str]]:
    """Another process that holds the folder's lock."""
    code = (
        "import sys; from pathlib import Path; from logger.home import Home\n"
        "with Home(Path(sys.argv[1])).logger_lock(): print('held', flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, str(root)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        try:
            yield holder
        finally:
            holder.kill()


def test_one_logger_at_a_time_even_across_processes(tmp_path: Path) -> None:
    home = Home(tmp_path)
    with another_logger(tmp_path) as holder:
        assert home.logger_runs()
        with pytest.raises(AlreadyRunning), home.logger_lock():
            pass
        holder.kill()
        holder.wait()
        assert not home.logger_runs(), "the lock must end with the process, however it ends"
        with home.logger_lock():
            assert home.logger_runs()


def test_a_removed_lock_file_lets_nobody_in(tmp_path: Path) -> None:
    home = Home(tmp_path)
    with another_logger(tmp_path):
        (tmp_path / "logger.lock").unlink()
        assert home.logger_runs()
        with pytest.raises(AlreadyRunning), home.logger_lock():
            pass


def test_whoever_only_looks_keeps_no_logger_out(tmp_path: Path) -> None:
    looking = LoggerLock(tmp_path)
    assert looking.take(shared=True)
    done = threading.Timer(0.2, looking.release)
    done.start()
    with Home(tmp_path).logger_lock() as lock:
        assert lock.holds()
    done.join()


def test_the_lock_file_is_made_again_or_tells_of_another_logger(tmp_path: Path) -> None:
    root = tmp_path / "home"
    with Home(root).logger_lock() as lock:
        (root / "logger.lock").unlink()
        assert lock.holds()
        assert (root / "logger.lock").exists()
        # The whole folder is moved, and another logger starts in a new one of the same name.
        root.rename(tmp_path / "away")
        assert lock.holds(), "its disk is away; that may end"
        with another_logger(root):
            assert not lock.holds()


def test_a_disk_that_is_not_mounted_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder on another disk than the user's own: without that disk, an empty folder has its name."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    disks = {"mounted": 7}
    monkeypatch.setattr(
        "logger.home._disk", lambda path: disks["mounted"] if "card" in Path(path).parts else 1
    )
    home = Home(tmp_path / "card" / "home")
    home.create()
    assert home.away() == ""
    home.remember()
    assert home.away() == ""
    disks["mounted"] = 1
    assert "its disk isn't mounted" in home.away()
    assert "remove this folder from" in home.away()
    home.remember()
    assert home.away() != "", "it is told at each start, until the disk is there"
    disks["mounted"] = 9  # its number changes when the host restarts
    assert home.away() == ""
    assert Home(tmp_path / "elsewhere").away() == ""


def test_a_folder_on_the_users_own_disk_is_not_remembered(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    Home(tmp_path).remember()
    assert not (tmp_path / "state").exists()
