"""Memory of a logger, and of a page, that are fed nonsense as fast as they take it.

`python -m tests.benchmarks.bench_abuse [--seconds 3600] [--page]`. The logger reads a pseudo-terminal:
disturbed streams (`tests/rig_line/disturbed.py`), garbage, made-up names, damaged lines, answers that nobody
asked for. The page gets mutated requests (`tests/chaos/test_fuzz.py`) from one client.
"""

from __future__ import annotations

import argparse
import contextlib
import http.client
import os
import random
import signal
import subprocess
import sys
import tempfile
import threading
import time
import tty
from collections import Counter
from pathlib import Path

import psutil

from logger.reading import Frame, Sample
from logger.rig_line.dialogue import sealed
from logger.rig_line.wire import encode
from tests.processes import free_port
from tests.rig_line.disturbed import Sent, disturbed

COMMAND = [sys.executable, "-m", "logger.cli"]
sys.path.insert(0, str(Path(__file__).parent.parent / "chaos"))


def nonsense(rng: random.Random, one: Sent, made: Counter[str]) -> bytes:
    """A frame, nine times in ten; otherwise something that no rig should say."""
    line = encode(
        Frame("a1", one.seq, one.ms, {f"k{k}": Sample(c=20 + one.checksum % 1999 / 4) for k in range(4)})
    )
    kind = rng.choices(["frames", "garbage", "made-up names", "answers", "damaged"], [90, 3, 3, 2, 2])[0]
    made[kind] += 1
    match kind:
        case "garbage":
            return rng.randbytes(rng.randrange(1, 2000)) + b"\n"
        case "made-up names":
            return encode(Frame(f"m{rng.randrange(10**6)}", one.seq, one.ms, {"k0": Sample(c=20)}))
        case "answers":
            return sealed(b'#{"rig":"m%d","reset":"power"}' % rng.randrange(10**6))
        case "damaged":
            at = rng.randrange(len(line) - 1)
            return line[:at] + bytes([line[at] ^ 1]) + line[at + 1 :]
    return line


def feed(port: int, over: threading.Event, made: Counter[str]) -> None:
    """Write endlessly, as fast as it is read."""
    rng = random.Random(5)
    for number in range(10**9):
        for one in disturbed(random.Random(number)).in_order():
            if over.is_set():
                return
            os.write(port, nonsense(rng, one, made))


def drain(port: int, over: threading.Event) -> None:
    while not over.is_set():
        with contextlib.suppress(OSError):
            os.read(port, 65_536)


def ask(port: int, over: threading.Event, answers: Counter[int]) -> None:
    """Send odd requests to the page, one after another."""
    from test_fuzz import ENDPOINTS, mutated

    rng = random.Random(15)
    headers = {"origin": f"http://127.0.0.1:{port}", "content-type": "application/json"}
    while not over.is_set():
        method, place = rng.choice(ENDPOINTS)
        name = "".join(f"%{byte:02x}" for byte in mutated(rng, [b"last", b"../x"])[:200])
        with contextlib.suppress(OSError, http.client.HTTPException):
            client = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
            client.request(method, place.format(name), mutated(rng, [b"{}", b'{"kind":"ack"}']), headers)
            answers[client.getresponse().status] += 1
            client.close()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=3600.0)
    parser.add_argument("--page", action="store_true", help="the page too")
    given = parser.parse_args()
    home = Path(tempfile.mkdtemp())
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    over = threading.Event()
    made: Counter[str] = Counter()
    answers: Counter[int] = Counter()
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    log = [*COMMAND, "log", "--home", str(home), "--serial", os.ttyname(theirs)]
    running = {"logger": subprocess.Popen(log, **quiet)}
    threads = [(drain, (ours, over)), (feed, (ours, over, made))]
    if given.page:
        port = free_port()
        page = [*COMMAND, "page", "--home", str(home), "--no-browser", "--port", str(port)]
        running["page"] = subprocess.Popen(page, **quiet)
        threads.append((ask, (port, over, answers)))
    for target, arguments in threads:
        threading.Thread(target=target, args=arguments, daemon=True).start()
    begun_s = time.monotonic()
    memory: dict[str, list[float]] = {name: [] for name in running}
    try:
        while time.monotonic() - begun_s < given.seconds:
            time.sleep(min(5.0, given.seconds / 20))
            for name, process in running.items():
                memory[name].append(psutil.Process(process.pid).memory_info().rss / 1e6)
        for name, process in running.items():
            used = psutil.Process(process.pid).cpu_times()
            some = memory[name][:: max(1, len(memory[name]) // 10)]
            print(
                f"{name}: {' '.join(f'{mb:.0f}' for mb in some)} MB at equal steps, "
                f"{max(memory[name]):.0f} at most; {used.user + used.system:.0f} s of a processor"
            )
    finally:
        over.set()
        for process in running.values():
            process.send_signal(signal.SIGTERM)
            process.wait(120)  # write what is still waiting first
    print(f"{given.seconds:g} s; lines: {dict(made)}; answers: {dict(answers)}")
    print(f"journal: {sum(path.stat().st_size for path in home.iterdir()) / 1e6:.1f} MB")


if __name__ == "__main__":
    main()
