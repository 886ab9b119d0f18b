"""The journal's thread says how it ended and whether it is stuck; the heartbeat counts what got onto the disk."""

from __future__ import annotations

import threading

import pytest

from logger.recording.far_end import FarEnd
from logger.recording.firing_state import Standing
from logger.recording.heartbeat import Heartbeat
from logger.recording.hosttime import HostTime
from logger.recording.intake import Intake
from logger.recording.worker import Worker
from tests.processes import until


def fail() -> None:
    raise ZeroDivisionError("made up")


def test_what_it_fails_at_first_is_raised_where_it_was_started() -> None:
    with pytest.raises(ZeroDivisionError):
        Worker(fail, "invented").start()


def test_what_it_fails_at_later_is_raised_at_its_end() -> None:
    go = threading.Event()

    def work() -> None:
        worker.ready()
        go.wait()
        fail()

    worker = Worker(work, "invented")
    worker.start()
    assert worker.alive
    go.set()
    with pytest.raises(ZeroDivisionError):
        worker.join()
    assert not worker.alive


def test_it_is_stuck_only_in_what_should_take_a_moment() -> None:
    enter, leave, left = threading.Event(), threading.Event(), threading.Event()

    def work() -> None:
        worker.ready()
        enter.wait()
        with worker.busy():
            leave.wait()
        left.set()

    worker = Worker(work, "invented")
    worker.start()
    assert worker.stuck_s == 0.0
    enter.set()
    until(lambda: worker.stuck_s > 0.0, "the work")
    leave.set()
    left.wait()
    assert worker.stuck_s == 0.0
    worker.join()


def test_the_beat_counts_what_is_on_the_disk_and_what_goes_there_with_it() -> None:
    heart = Heartbeat(time_line := HostTime(), Intake(time_line), FarEnd())
    first = heart.beat(Standing(), None, "", 1_000)
    assert (first["readings"], first["last_commit_us"], first["firing"]) == (0, None, None)
    with_it = heart.beat(Standing(holding=True), {"load": "x", "alarms": []}, "a word", 2_000, 16)
    assert (with_it["readings"], with_it["last_commit_us"], with_it["holding"]) == (16, 2_000, True)
    assert (with_it["verdict"], with_it["alarms"], with_it["trouble"]) == ("x", [], "a word")
    assert heart.beat(Standing(), None, "", 3_000)["readings"] == 0, "the commit failed"
    heart.committed(16, 2_000)
    heart.committed(0, 4_000)
    last = heart.beat(Standing(), None, "", 5_000)
    assert (last["readings"], last["last_commit_us"]) == (16, 2_000)
