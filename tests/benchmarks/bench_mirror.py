"""How fast the mirror catches up with a waiting journal.

python -m tests.benchmarks.bench_mirror [MINUTES]

16 channels at 10 Hz into Debian's victoria-metrics; and how the time is spent without any server.
"""

from __future__ import annotations

import contextlib
import gzip
import sys
import tempfile
import time
from pathlib import Path

from logger.home import Home
from logger.journal.writer import JournalWriter
from logger.mirror.mirror import Mirror
from logger.mirror.outbox import Cursor, Outbox
from logger.mirror.target import Target
from tests.journal.journal_batches import START_US, firing_batch
from tests.mirror.servers import VictoriaMetrics, running


def main(minutes: int) -> None:
    with contextlib.ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        home = Home(folder / "home")
        home.create()
        (folder / "victoria").mkdir()
        writer = JournalWriter(home.journal)
        firing = writer.open_firing("Load, invented", None, START_US, invented=True).id
        for n in range(minutes):
            writer.append(firing, firing_batch(600, 16, first=600 * n))
        writer.close()
        readings = minutes * 600 * 16

        outbox = Outbox(home.journal, "")
        cursor, made = Cursor(), []
        began = time.perf_counter()
        while (taken := outbox.take(cursor, 5000))[0]:
            lines, cursor = taken
            made.append("\n".join(lines).encode())
        took = time.perf_counter() - began
        outbox.close()
        print(f"journal to lines: {readings / took:,.0f} readings/s")
        began = time.perf_counter()
        small = sum(len(gzip.compress(body)) for body in made)
        took = time.perf_counter() - began
        plain = sum(map(len, made))
        print(
            f"gzip: {readings / took:,.0f} readings/s; {plain / readings:.0f} bytes a reading, {small / readings:.1f} sent"
        )
        victoria = stack.enter_context(running(VictoriaMetrics(folder / "victoria")))
        mirror = stack.enter_context(contextlib.closing(Mirror(home, Target(victoria.url))))
        began = time.perf_counter()
        while mirror.step() == 0.0:
            pass
        took = time.perf_counter() - began
        print(f"journal to server: {readings / took:,.0f} readings/s")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 30)
