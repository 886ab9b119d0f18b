"""The rig as a program: what comes out of a real pseudo-terminal and a real broker."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import aiomqtt
import pytest
import serial

from logger.reading import Frame
from logger.rig_line import wire
from logger.simulator.rig import KEPT_LINES, Outlet
from tests.broker import Mosquitto
from tests.processes import RIG, ROOT, until
from tests.trial_rig import load_value


@contextlib.contextmanager
def rig(*arguments: str) -> Iterator[subprocess.Popen[str]]:
    process = subprocess.Popen([*RIG, *arguments], stderr=subprocess.PIPE, text=True)
    try:
        yield process
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGTERM)
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(5)
        if process.poll() is None:
            process.kill()
            process.wait()
        assert process.stderr is not None
        process.stderr.close()


def wait_for(path: Path) -> None:
    until(path.is_symlink, f"{path.name}", 15)


def read_frames(link: Path, count: int, seconds: float = 15.0) -> list[Frame]:
    """Complete frames; the first line may have been cut when the port was opened."""
    splitter = wire.LineSplitter()
    lines: list[bytes] = []
    deadline = time.monotonic() + seconds
    with serial.Serial(str(link), timeout=0.1) as port:
        while len(lines) < count + 1:
            assert time.monotonic() < deadline, f"{len(lines)} of {count} lines in {seconds} s"
            lines += splitter.feed(port.read(4096))
    frames = []
    for position, line in enumerate(lines):
        try:
            frames.append(wire.decode(line))
        except wire.BadCrc:
            assert position == 0, "only the first line may be cut"
    return frames[:count]


def test_load_frames_come_out_whole_in_order_and_on_the_beat(tmp_path: Path) -> None:
    link = tmp_path / "rig"
    with rig("--pty", str(link), "--beat-load", "--channels", "16", "--rate-hz", "50", "--first-seq", "7"):
        wait_for(link)
        frames = read_frames(link, 100)
    first = frames[0].seq
    assert [f.seq for f in frames] == list(range(first, first + 100))
    assert {f.ms - frames[0].ms for f in frames} == {20 * i for i in range(100)}
    for frame in frames:
        assert {n: s.c for n, s in frame.ch.items()} == {f"k{j}": load_value(frame.seq, j) for j in range(16)}


def test_beat_does_not_drift(tmp_path: Path) -> None:
    """Frames are due on an absolute schedule: after 3 s at 40 Hz there are 120, late or not."""
    link = tmp_path / "rig"
    with rig("--pty", str(link), "--beat-load", "--channels", "1", "--rate-hz", "40") as process:
        wait_for(link)
        start = time.monotonic()
        time.sleep(3)
        process.send_signal(signal.SIGTERM)
        _, said = process.communicate(timeout=5)
        elapsed = time.monotonic() - start
    sent = int(said.split("sent ")[1].split()[0])
    assert 3 * 40 - 4 <= sent <= (elapsed + 0.5) * 40


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_signal_ends_it_cleanly_and_takes_the_link_away(tmp_path: Path, number: signal.Signals) -> None:
    link = tmp_path / "rig"
    with rig("--pty", str(link), "--beat-load") as process:
        wait_for(link)
        process.send_signal(number)
        _, said = process.communicate(timeout=5)
    assert process.returncode == 0
    assert said.startswith("sim1: sent ")
    assert not link.is_symlink()


def test_link_left_behind_is_replaced_and_another_rigs_link_is_left_alone(tmp_path: Path) -> None:
    link = tmp_path / "rig"
    link.symlink_to("/dev/pts/nowhere")
    with rig("--pty", str(link), "--beat-load"):
        until(lambda: str(link.readlink()) != "/dev/pts/nowhere", "the rig's own link")
        link.unlink()
        link.symlink_to("/dev/pts/other")
    assert str(link.readlink()) == "/dev/pts/other"


def test_fire_runs_faster_at_speed(tmp_path: Path) -> None:
    link = tmp_path / "rig"
    with rig("--pty", str(link), "--speed", "60", "--rate-hz", "1", "--rig", "a1"):
        wait_for(link)
        start = time.monotonic()
        frames = read_frames(link, 120)
        elapsed = time.monotonic() - start
    assert elapsed < 60  # of two minutes of fire, in about two seconds; a busy machine is slower
    assert frames[-1].ms - frames[0].ms == 119_000
    assert frames[0].rig == "a1"
    assert {s.amp for s in frames[0].ch.values()} >= {"max31855", "max31856", "mcp9600", "mlx90614"}


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ([], "either --pty or --mqtt"),
        (["--pty", "x", "--mqtt", "mqtt://h"], "either --pty or --mqtt"),
        (["--mqtt", "http://h"], "not a broker"),
        (["--mqtt", "mqtt://h:port"], "not a broker"),
        (["--pty", "/does-not-exist/rig"], "choose another path"),
        (["--pty", "x", "--channels", "13"], "3 to 12"),
    ],
)
def test_mistake_is_said_in_one_line(tmp_path: Path, arguments: list[str], said: str) -> None:
    done = subprocess.run(
        [*RIG, *arguments],
        capture_output=True,
        text=True,
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        check=False,
    )
    assert done.returncode == 2
    assert said in done.stderr
    assert done.stderr.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_path_that_is_no_link_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "plan.toml").write_text("title = 'mine'")
    done = subprocess.run(
        [*RIG, "--pty", str(tmp_path / "plan.toml"), "--beat-load"], capture_output=True, check=False
    )
    assert done.returncode == 2
    assert (tmp_path / "plan.toml").read_text() == "title = 'mine'"


async def test_oldest_lines_go_when_nobody_reads_and_whole_lines_come_after() -> None:
    """A full pipe: only whole lines are lost, oldest first, so every line read is a true one."""
    out, into = os.pipe()
    try:
        outlet = Outlet(into)
        count = 4000
        for index in range(count):
            outlet.send(b"%06d" % index + b"." * 93 + b"\n")
        assert outlet.dropped > 0
        os.set_blocking(out, False)
        got = b""
        for _ in range(200):
            await asyncio.sleep(0)
            with contextlib.suppress(BlockingIOError):
                got += os.read(out, 65536)
        await outlet.drain(1.0)
        with contextlib.suppress(BlockingIOError):
            got += os.read(out, 65536)
        lines = got.splitlines()
        assert {len(line) for line in lines} == {99}
        numbers = [int(line[:6]) for line in lines]
        assert numbers == sorted(numbers)
        assert numbers[0] == 0
        assert numbers[-KEPT_LINES:] == list(range(count - KEPT_LINES, count))
        assert len(numbers) == count - outlet.dropped
    finally:
        os.close(out)
        os.close(into)


# -- a real broker -------------------------------------------------------------------------------


async def listen(
    port: int, rig_name: str, until: str, count: int, session: str | None = None
) -> list[tuple[str, bytes, bool]]:
    """Messages until `count` of the kind `until` (frame or status) have arrived; `session`: one that is kept."""
    got: list[tuple[str, bytes, bool]] = []
    client = aiomqtt.Client("127.0.0.1", port, identifier=session, clean_session=session is None)
    async with asyncio.timeout(20), client:
        await client.subscribe(f"stokewatch/{rig_name}/#", qos=1)
        if count == 0:
            return got
        async for message in client.messages:
            assert isinstance(message.payload, bytes)
            got.append((message.topic.value.rsplit("/", 1)[1], message.payload, bool(message.retain)))
            if sum(kind == until for kind, _, _ in got) >= count:
                break
    return got


@pytest.mark.real
async def test_frames_and_status_over_a_real_broker(tmp_path: Path) -> None:
    with Mosquitto(tmp_path) as broker:
        port = broker.port
        arguments = ["--mqtt", f"mqtt://127.0.0.1:{port}", "--rig", "b2", "--beat-load", "--rate-hz", "50"]
        with rig(*arguments) as process:
            got = await listen(port, "b2", "frame", 40)
            seqs = [wire.decode(payload).seq for kind, payload, _ in got if kind == "frame"]
            assert seqs == [(seqs[0] + i) % 2**32 for i in range(40)]
            assert ("status", b"online") in [(kind, payload) for kind, payload, _ in got]
            process.send_signal(signal.SIGTERM)
            assert process.wait(5) == 0
        assert await listen(port, "b2", "status", 1) == [("status", b"offline", True)]


@pytest.mark.real
async def test_last_will_speaks_for_a_killed_rig(tmp_path: Path) -> None:
    with Mosquitto(tmp_path) as broker:
        port = broker.port
        with rig("--mqtt", f"mqtt://127.0.0.1:{port}", "--rig", "b3", "--beat-load") as process:
            await listen(port, "b3", "frame", 3)
            process.kill()
            process.wait(5)
        async with asyncio.timeout(5):
            while (await listen(port, "b3", "status", 1))[0][1] != b"offline":
                pass


@pytest.mark.real
async def test_frames_kept_while_the_broker_is_away(tmp_path: Path) -> None:
    """The broker restarts seconds after the rig began: not a frame is missing."""
    broker = Mosquitto(tmp_path)
    port = broker.port
    with broker:
        await listen(port, "b4", "frame", 0, session="listener")
    arguments = ["--mqtt", f"mqtt://127.0.0.1:{port}", "--rig", "b4", "--beat-load", "--rate-hz", "20"]
    with rig(*arguments, "--first-seq", "0"):
        await asyncio.sleep(2.5)
        with broker:
            got = await listen(port, "b4", "frame", 60, session="listener")
    seqs = [wire.decode(payload).seq for kind, payload, _ in got if kind == "frame"]
    assert seqs == list(range(60))
