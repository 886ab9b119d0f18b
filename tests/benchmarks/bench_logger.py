"""The logger with 16 channels at 10 Hz over a pseudo-terminal: is every frame there, and what does it cost?

python -m tests.benchmarks.bench_logger [MINUTES]
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import psutil

from logger.journal.reader import JournalReader
from tests.processes import RIG, STOKEWATCH, process, stokewatch, until
from tests.trial_rig import load_value

CHANNELS, RATE_HZ = 16, 10


def main(minutes: float) -> None:
    frames = round(minutes * 60 * RATE_HZ)
    with tempfile.TemporaryDirectory() as folder:
        link, home = Path(folder) / "rig", Path(folder) / "home"
        load = ["--beat-load", "--channels", str(CHANNELS), "--rate-hz", str(RATE_HZ)]
        load += ["--frames", str(frames), "--first-seq", "1"]
        with process([*STOKEWATCH, "log", "--serial", str(link)], home) as logger:
            until(lambda: stokewatch("status", home=home)["logger"]["running"], "the logger")
            own = psutil.Process(logger.pid)
            with process([*RIG, "--pty", str(link), *load]):
                began, cpu = time.monotonic(), sum(own.cpu_times()[:2])
                early = 0
                while (seen := stokewatch("status", home=home)["logger"]["frames"]) < frames:
                    time.sleep(5)
                    if not early and time.monotonic() - began > 60:
                        early = own.memory_info().rss
                took, cpu = time.monotonic() - began, sum(own.cpu_times()[:2]) - cpu
                resident = own.memory_info().rss
                until(lambda: stokewatch("status", home=home)["logger"]["waiting"] == 0, "the last commit")
                time.sleep(1)
        size = sum(f.stat().st_size for f in home.iterdir())
        right = 0
        reader = JournalReader(home / "journal.sqlite")
        for batch in reader.batches(reader.firing("last").id):
            for seq, values in zip(batch.seq.tolist(), batch.temperature_c.tolist(), strict=True):
                right += values == [load_value(seq, channel) for channel in range(CHANNELS)]
        reader.close()
    print(f"sent {frames} frames of {CHANNELS} channels, {RATE_HZ} a second; counted {seen}")
    print(f"in the journal with every value right: {right}")
    print(
        f"logger: {100 * cpu / took:.1f} % of a core, {resident / 2**20:.0f} MB resident ({early / 2**20:.0f} after a minute)"
    )
    print(
        f"journal: {size / 2**20:.1f} MB, {size / (frames * CHANNELS):.1f} bytes a reading (plain °C, with rollups)"
    )


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 10.0)
