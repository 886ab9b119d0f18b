"""The reference firmware and the real logger, with a pseudo-terminal between them."""

from __future__ import annotations

import contextlib
import itertools
import time
from pathlib import Path

import numpy as np
import pytest
from rigbench import EIGHT, LiveRig, hex_word, run

from logger.journal.reader import JournalReader
from logger.reading import Batch, Status
from logger.recording.hosttime import HostTime
from logger.recording.intake import Intake
from logger.sources import Arrival
from tests.processes import STOKEWATCH, process, stokewatch, until

pytestmark = [pytest.mark.real, pytest.mark.timeout(180)]

FOUR = EIGHT[:3] + EIGHT[7:]  # a MAX31855, a MAX31856, an MCP9600, an MLX90614


def batches(home: Path) -> list[Batch]:
    if not (home / "journal.sqlite").exists():
        return []
    with contextlib.closing(JournalReader(home / "journal.sqlite")) as reader:
        return [batch for firing in reader.firings() for batch in reader.batches(firing.id)]


def seqs(home: Path) -> list[int]:
    return [int(seq) for batch in batches(home) for seq in batch.seq]


def test_temperatures_faults_and_an_outage_reach_the_journal(tmp_path: Path) -> None:
    """The logger is away for nine seconds of a climb with a fault in it; nothing is missing in its journal.

    The rig keeps frames from the fifth second on; what it sent before that is lost.
    """
    home = tmp_path / "home"
    chips = {
        spec["name"]: [
            [500 * i - 250, hex_word(spec["chip"], 50.0 + 2 * i, 25.0, spec.get("type", "K"))]
            for i in range(140)
        ]
        for spec in FOUR
    }
    broken = hex_word("max31855", 0.0, status=Status.OPEN)
    chips["k0"] = [[ms, broken if 10_000 <= ms < 14_000 else word] for ms, word in chips["k0"]]
    log = [*STOKEWATCH, "log", "--serial"]
    with LiveRig(tmp_path, FOUR, chips=chips, PERIOD_MS=100) as rig:
        with process([*log, rig.path], home):
            until(lambda: len(seqs(home)) > 40, "forty frames", 40)
        before = max(seqs(home))
        time.sleep(9)
        with process([*log, rig.path], home):
            until(lambda: max(seqs(home)) > before + 120, "the rig's present", 30)
            until(lambda: set(range(before + 100)) <= set(seqs(home)), "what was kept", 30)
            # Between the kept frames and the live ones some may be on their way.
            until(lambda: stokewatch("status", home=home)["logger"]["missing"] == 0, "all between", 30)
            counters = stokewatch("status", home=home)["logger"]
    assert counters["malformed"] == 0
    assert counters["bad_crc"] <= 1  # the line that was cut when the port filled up
    stored = sorted(seqs(home))
    assert stored == list(range(stored[0], stored[-1] + 1))  # each once, none missing
    assert stored[0] <= 3

    columns = {channel.name: j for j, channel in enumerate(batches(home)[-1].channels)}
    rows = {
        int(seq): (int(ms), int(t), batch.temperature_c[i], batch.status[i])
        for batch in batches(home)
        for i, (seq, ms, t) in enumerate(zip(batch.seq, batch.ms, batch.t_us, strict=True))
    }
    in_order = [rows[seq] for seq in sorted(rows)]
    for (ms, t_us, *_), (next_ms, next_us, *_) in itertools.pairwise(in_order):
        assert next_us > t_us
        assert abs((next_us - t_us) / 1000 - (next_ms - ms)) < 60  # each in its place in time
    faults = 0
    for seq, (ms, _, temperature_c, status) in rows.items():
        if seq < 5:
            continue  # the MAX31856's first reading
        # The chips are read a little after the frame's own time; on a busy machine, more than a little.
        possible_c = [50.0 + 2 * ((ms + late_ms + 250) // 500) for late_ms in (0, 100, 500)]
        for spec in FOUR:
            j = columns[spec["name"]]
            if spec["name"] == "k0" and 10_250 <= ms < 13_700:
                assert status[j] == Status.OPEN, ms
                assert np.isnan(temperature_c[j])
                faults += 1
            elif spec["name"] != "k0" or not 9700 <= ms < 14_250:
                assert status[j] == Status.OK, (seq, spec["name"])
                assert min(abs(temperature_c[j] - c) for c in possible_c) < 0.2, (ms, spec["name"])
    assert faults > 30


async def test_ten_minutes_kept_by_the_rig_are_taken_in_their_places(tmp_path: Path) -> None:
    """Simulated time for the rig, the real intake for its lines: each frame once, at the time it was made."""
    host = {"listening": [[0, 60_000], [660_000, None]]}
    outcome = run(tmp_path, 760, FOUR, more={"host": host})
    intake = Intake(HostTime())
    start_s = time.monotonic()
    for ms, line in outcome.lines:
        if line.startswith(b"{"):
            await intake.put(Arrival(line, start_s + ms / 1000, "rig"))
    taken = intake.take(0.0, 1.0)
    times = {frame.seq: t_us for frame, t_us in taken.frames}
    assert len(times) == len(taken.frames) == 1520
    steps_ms = np.diff([times[seq] for seq in range(1520)]) / 1000
    np.testing.assert_allclose(steps_ms, 500, rtol=0, atol=20)
    counts = intake.counts()
    assert counts["frames"] == 1520
    assert counts["out_of_order"] >= 1190
    assert not any(counts[key] for key in ("missing", "bad_crc", "malformed", "set_apart", "refused"))
