"""The logger as a program: real bytes through a real pseudo-terminal or broker, into a real database file."""

from __future__ import annotations

import contextlib
import os
import signal
import sqlite3
import time
from pathlib import Path

import numpy as np
import paho.mqtt.client as paho
import pytest

from logger.journal.reader import JournalReader
from logger.reading import Frame, Sample, Status
from logger.rig_line.wire import decode, encode
from tests.broker import Mosquitto
from tests.processes import RIG, STOKEWATCH, process, refused, stokewatch, until
from tests.trial_rig import load_value

pytestmark = [pytest.mark.real, pytest.mark.timeout(120)]


def frames(home: Path) -> int:
    return int(stokewatch("status", home=home)["logger"]["frames"])


def stored(home: Path, channels: int) -> dict[int, list[float]]:
    """Everything in the journal, by `seq`; fails if a `seq` is there twice."""
    reader = JournalReader(home / "journal.sqlite")
    try:
        rows: dict[int, list[float]] = {}
        for firing in reader.firings():
            for batch in reader.batches(firing.id):
                assert batch.status.shape[1] == channels
                assert (batch.status == Status.OK).all()
                for seq, values in zip(batch.seq.tolist(), batch.temperature_c.tolist(), strict=True):
                    assert seq not in rows, f"frame {seq} twice"
                    rows[seq] = values
        return rows
    finally:
        reader.close()


def check_values(rows: dict[int, list[float]], channels: int) -> None:
    for seq, values in rows.items():
        assert values == [load_value(seq, channel) for channel in range(channels)], seq


def integrity(home: Path) -> str:
    db = sqlite3.connect(home / "journal.sqlite")
    try:
        return str(db.execute("PRAGMA integrity_check").fetchone()[0])
    finally:
        db.close()


def test_every_frame_sent_is_in_the_journal_by_count_and_by_value(tmp_path: Path) -> None:
    """16 channels at 100 Hz for ten seconds over a pseudo-terminal: the load of 100 s at 10 Hz."""
    link, home = tmp_path / "rig", tmp_path / "home"
    load = [
        "--beat-load",
        "--channels",
        "16",
        "--rate-hz",
        "100",
        "--frames",
        "1000",
        "--first-seq",
        "41",
    ]
    with process([*STOKEWATCH, "log", "--serial", str(link)], home):
        until(lambda: stokewatch("status", home=home)["logger"]["running"], "the logger")
        with process([*RIG, "--pty", str(link), *load]):
            until(lambda: frames(home) == 1000, "1000 frames", 40)
            until(lambda: len(stored(home, 16)) == 1000, "their commit")
    rows = stored(home, 16)
    check_values(rows, 16)
    assert sorted(rows) == sorted(41 + i for i in range(1000))
    assert integrity(home) == "ok"


def test_killed_and_started_again_it_goes_on_with_the_same_firing(tmp_path: Path) -> None:
    link, home = tmp_path / "rig", tmp_path / "home"
    log = [*STOKEWATCH, "log", "--serial", str(link)]
    with process([*RIG, "--pty", str(link), "--beat-load", "--channels", "4", "--rate-hz", "20"]):
        until(link.exists, "the rig")
        with process(log, home) as first:
            until(lambda: frames(home) > 40, "frames")
            committed = set(stored(home, 4))
            os.kill(first.pid, signal.SIGKILL)
            first.wait()
        assert committed <= set(stored(home, 4)), "what was committed must be there after a kill"
        with process(log, home):
            until(lambda: len(stored(home, 4)) > len(committed) + 40, "more frames")
            [firing] = stokewatch("firings", home=home)
            assert firing["running"]
    rows = stored(home, 4)
    check_values(rows, 4)
    assert integrity(home) == "ok"
    reader = JournalReader(home / "journal.sqlite")
    try:
        t_us = reader.readings(reader.firing("last").id).t_us[0]
    finally:
        reader.close()
    steps_s = np.diff(t_us) / 1e6
    assert (steps_s > 0).all(), "one line of time"
    seqs = np.array(sorted(rows))
    assert np.allclose(steps_s, np.diff(seqs) * 0.05, atol=0.03), "the rig's clock goes on over the restart"


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_ends_it_with_everything_committed(tmp_path: Path, number: int) -> None:
    link, home = tmp_path / "rig", tmp_path / "home"
    rig = [*RIG, "--pty", str(link), "--beat-load", "--channels", "2", "--rate-hz", "50"]
    with process([*STOKEWATCH, "log", "--serial", str(link)], home) as logger, process(rig):
        until(lambda: frames(home) > 50, "frames")
        logger.send_signal(number)
        assert logger.wait(timeout=10) == 0
    assert len(stored(home, 2)) >= 50
    assert not stokewatch("status", home=home)["logger"]["running"]


def test_unplugged_and_plugged_in_again(tmp_path: Path) -> None:
    link, home = tmp_path / "rig", tmp_path / "home"
    load = ["--beat-load", "--channels", "3", "--rate-hz", "20"]
    with process([*STOKEWATCH, "log", "--serial", str(link)], home):
        with process([*RIG, "--pty", str(link), *load, "--first-seq", "100", "--first-ms", "500000"]):
            until(lambda: frames(home) > 30, "frames")
        before = frames(home)
        with process([*RIG, "--pty", str(link), *load, "--first-seq", "100000", "--first-ms", "1000"]):
            until(lambda: frames(home) > before + 30, "frames after the replug")
    check_values(stored(home, 3), 3)
    [firing] = stokewatch("firings", home=home)
    events = stokewatch("show", firing["firing"], home=home)["events"]
    said = [event["data"].get("what") for event in events]
    assert "lost" in said
    assert said.count("connected") == 2
    assert "reboot" in said


def test_over_mqtt_through_a_restart_of_the_broker_nothing_is_lost_or_twice(
    tmp_path: Path, mosquitto: Mosquitto
) -> None:
    home = tmp_path / "home"
    load = ["--beat-load", "--channels", "4", "--rate-hz", "40", "--frames", "600", "--first-seq", "7"]
    with process([*STOKEWATCH, "log", "--mqtt", mosquitto.url], home):
        until(
            lambda: [
                s for s in stokewatch("status", home=home)["logger"]["sources"] if s["state"] == "connected"
            ],
            "the broker",
        )
        with process([*RIG, "--mqtt", mosquitto.url, *load]):
            until(lambda: frames(home) > 100, "frames")
            mosquitto.restart()
            until(lambda: len(stored(home, 4)) == 600, "all frames", 60)
    rows = stored(home, 4)
    assert sorted(rows) == list(range(7, 607))
    check_values(rows, 4)


def test_a_logger_that_is_killed_gets_its_unacknowledged_frames_again(
    tmp_path: Path, mosquitto: Mosquitto
) -> None:
    home = tmp_path / "home"
    log = [*STOKEWATCH, "log", "--mqtt", mosquitto.url]
    load = ["--beat-load", "--channels", "2", "--rate-hz", "50", "--frames", "400", "--first-seq", "1"]
    with process(log, home) as first:
        until(lambda: stokewatch("status", home=home)["logger"]["sources"], "the logger")
        with process([*RIG, "--mqtt", mosquitto.url, *load]):
            until(lambda: frames(home) > 60, "frames")
            os.kill(first.pid, signal.SIGKILL)
            first.wait()
            gathered = mosquitto.log.count("Received PUBLISH")
            until(lambda: mosquitto.log.count("Received PUBLISH") > gathered + 50, "frames at the broker")
            with process(log, home):
                until(lambda: len(stored(home, 2)) == 400, "all frames", 40)
    assert sorted(stored(home, 2)) == list(range(1, 401))


def test_finish_ends_the_firing_and_holds_until_asked_for_another(tmp_path: Path) -> None:
    link, home = tmp_path / "rig", tmp_path / "home"
    assert "no journal here yet" in refused("finish", home=home)
    with process([*RIG, "--pty", str(link), "--beat-load", "--channels", "2", "--rate-hz", "20"]):
        until(link.exists, "the rig")
        with process([*STOKEWATCH, "log", "--serial", str(link), "--title", "Invented"], home):
            until(lambda: frames(home) > 20, "frames")
            assert "already running" in refused("log", "--serial", str(link), home=home)
            firing = stokewatch("finish", home=home)["firing"]
            assert stokewatch("status", home=home)["firing"] is None
            [listed] = stokewatch("firings", home=home)
            assert (listed["firing"], listed["title"], listed["running"]) == (firing, "Invented", False)
            count = listed["readings"]
            until(lambda: stokewatch("status", home=home)["logger"]["not_recorded"] > 0, "held readings")
            assert stokewatch("firings", home=home)[0]["readings"] == count
            assert "no firing is running" in refused("finish", home=home)


def test_a_plan_names_the_probes_and_stays_with_the_firing(tmp_path: Path) -> None:
    link, home, plan = tmp_path / "rig", tmp_path / "home", tmp_path / "plan.toml"
    plan.write_text(
        'title = "Invented jars"\n[[probe]]\nname = "top"\nchannel = "k1"\nheight_cm = 40\nreads = "air"\n'
    )
    with process([*RIG, "--pty", str(link), "--beat-load", "--channels", "2", "--rate-hz", "20"]):
        until(link.exists, "the rig")
        with process([*STOKEWATCH, "log", "--serial", str(link), "--plan", str(plan)], home):
            until(lambda: frames(home) > 20, "frames")
    shown = stokewatch("show", "last", home=home)
    assert shown["title"] == "Invented jars"
    assert [(p["name"], p["channel"], p["height_cm"]) for p in shown["probes"]] == [
        ("top", "k1", 40.0),
        ("k0", "k0", None),
    ]


def test_what_is_acknowledged_can_be_exported_whatever_else_speaks_under_the_rigs_name(
    tmp_path: Path, mosquitto: Mosquitto
) -> None:
    """A stray frame, a second board of the same name, a restart with seq and ms anywhere, and a killed logger."""
    home, out = tmp_path / "home", tmp_path / "apart.tsv"
    log = [*STOKEWATCH, "log", "--mqtt", mosquitto.url]
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, client_id="rigs", protocol=paho.MQTTv5)
    client.connect("127.0.0.1", int(mosquitto.url.rpartition(":")[2]))
    client.loop_start()
    sent: set[tuple[int, int]] = set()
    begun_s = time.monotonic()

    def send(seq: int, ms: int, c: float) -> None:
        sent.add((seq, ms))
        frame = encode(Frame("a1", seq, ms, {"k0": Sample(c=c)})).rstrip()
        client.publish("stokewatch/a1/frame", frame, qos=1).wait_for_publish(20)

    def play(count: int, seq: int, ms: int, *, other: bool = False) -> None:
        first_s = time.monotonic()
        for i in range(count):
            since_ms = round(1000 * (time.monotonic() - first_s))
            send(seq + i, ms + since_ms, 20.0)
            if other:
                send(77 + i, 5_000 + round(1000 * (time.monotonic() - begun_s)), 900.0)
            time.sleep(0.1)

    def readings() -> dict[tuple[int, int], float]:
        with contextlib.closing(JournalReader(home / "journal.sqlite")) as reader:
            rows = {}
            for batch in reader.batches(reader.firing("last").id):
                columns = (batch.seq.tolist(), batch.ms.tolist(), batch.temperature_c[:, 0].tolist())
                for seq, ms, c in zip(*columns, strict=True):
                    assert (seq, ms) not in rows, "twice"
                    rows[seq, ms] = c
            return rows

    def apart() -> set[tuple[int, int]]:
        with contextlib.closing(JournalReader(home / "journal.sqlite")) as reader:
            return {(f.seq, f.ms) for f in (decode(row.line) for row in reader.set_apart(None))}

    with process(log, home) as first:
        until(
            lambda: "connected" in str(stokewatch("status", home=home)["logger"]["sources"]), "the broker", 40
        )
        play(20, 1000, 900_000)
        send(6020, 912_000, 333.0)  # a stray, 5000 frames and 10 s ahead
        play(30, 1020, 902_300, other=True)
        until(lambda: set(readings()) | apart() == sent, "every frame on disk")
        os.kill(first.pid, signal.SIGKILL)
        first.wait()
    with process(log, home):
        play(140, 3_000_000_000, 2_000_000_000)
        until(lambda: set(readings()) | apart() == sent, "every frame on disk")
        counted = stokewatch("status", home=home)["logger"]
    client.loop_stop()
    rows = readings()
    assert set(rows.values()) == {20.0}
    assert set(rows) == {(seq, ms) for seq, ms in sent if seq >= 1000 and seq != 6020}
    assert counted["malformed"] == counted["refused"] == 0
    assert counted["set_apart"] == len(apart()) == 31
    assert not set(rows) & apart()
    stokewatch("export", "last", "--format", "set-apart", "-o", str(out), home=home)
    head, *lines = out.read_bytes().splitlines()
    assert head.split(b"\t") == [b"came_utc", b"source", b"rig", b"why", b"line"]
    exported = [decode(line.split(b"\t")[-1]) for line in lines]
    assert {(frame.seq, frame.ms) for frame in exported} == apart()
    assert stokewatch("show", "last", home=home)["set_apart"] == [
        {"rig": "a1", "why": "unplaced", "frames": 31}
    ]
