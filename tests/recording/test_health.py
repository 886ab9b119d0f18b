"""The logger's state can be told without its journal too: a full disk, a logger that hangs, little room."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from logger.home import Home
from logger.recording import health
from logger.recording.health import SIZE, give_sign, look

FULL = "the disk isn't taking readings: journal: the disk is full; make room"


@pytest.fixture
def home(tmp_path: Path) -> Home:
    return Home(tmp_path)


def test_no_logger_no_trouble(home: Home) -> None:
    found = look(home, "of long ago")
    assert (found.running, found.recording, found.trouble) == (False, False, "")


def test_a_full_disk_is_told_though_the_heartbeat_stands_still(home: Home) -> None:
    with home.logger_lock():
        give_sign(home, recording=False, trouble=FULL)
        found = look(home, "")
        assert (found.running, found.recording, found.trouble) == (True, False, FULL)
        assert home.sign.stat().st_size == SIZE
        give_sign(home, recording=True, trouble="")
        assert look(home, "").recording


def test_a_logger_without_a_sign_is_judged_by_its_heartbeat(home: Home) -> None:
    """It started on a disk that was already full: there was no room for the heartbeat either."""
    with home.logger_lock():
        assert look(home, FULL).recording is False
        assert look(home, "").recording is True


def test_a_logger_that_hangs_is_told(home: Home, monkeypatch: pytest.MonkeyPatch) -> None:
    with home.logger_lock():
        give_sign(home, recording=True, trouble="")
        monkeypatch.setattr(health, "STALE_S", -1.0)
        found = look(home, "")
    assert not found.recording
    assert "has hung" in found.trouble
    assert "end that process and start it again" in found.trouble


def test_little_room_is_told_before_there_is_none(home: Home, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(health, "LITTLE", 10**18)
    with home.logger_lock():
        give_sign(home, recording=True, trouble="")
        found = look(home, "")
    assert found.recording
    assert "make room before it is full" in found.trouble


def test_the_sign_never_grows(home: Home) -> None:
    for text in ("", "é" * 5000, "x" * 100_000):
        give_sign(home, recording=True, trouble=text)
        assert home.sign.stat().st_size == SIZE
        assert json.loads(home.sign.read_bytes())["recording"] is True


def test_a_garbled_sign_is_no_trouble(home: Home) -> None:
    with home.logger_lock():
        home.sign.write_bytes(b"\xff" * 10)
        assert look(home, "").recording


def test_a_sign_whose_file_was_away_is_there_again(home: Home) -> None:
    with home.logger_lock():
        give_sign(home, recording=True, trouble="")
        home.sign.unlink()
        give_sign(home, recording=False, trouble=FULL)
        assert look(home, "").trouble == FULL
