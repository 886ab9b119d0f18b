"""Timing, memory, and what becomes of frames while nobody listens."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest
from rigbench import EIGHT, run

from tests.long_form import times

FEW = EIGHT[:2]
"""Enough if a whole frame is what counts, and not how long it takes to read."""
LITTLE = {"KEEP_RAM_BYTES": 440, "KEEP_FILE_BYTES": 1}
"""Next to no room for frames that nobody has acknowledged."""


def test_eight_channels_at_ten_a_second_keep_their_beat(tmp_path: Path) -> None:
    """Counting bus times (1 MHz, 100 kHz) and USB writes: no frame is missed, none is a millisecond off."""
    outcome = run(tmp_path, 120, PERIOD_MS=100)
    assert [f.ms for f in outcome.frames] == list(range(0, 120_000, 100))
    assert [f.seq for f in outcome.frames] == list(range(1200))
    assert {len(f.ch) for f in outcome.frames[3:]} == {7, 8}  # the MAX6675 is in every third


@pytest.mark.parametrize("us_per_byte", [1.5, 87], ids=["usb", "uart-115200"])
def test_the_beat_holds_while_kept_frames_are_sent(tmp_path: Path, us_per_byte: float) -> None:
    """After a minute of silence at 10 Hz; a line of 330 bytes takes 29 ms at 115200 Bd."""
    host = {"listening": [[0, 20_000], [80_000, None]], "us_per_byte": us_per_byte, "ack_ms": 250}
    outcome = run(tmp_path, 240, more={"host": host}, PERIOD_MS=100)
    by_seq = {f.seq: f for f in outcome.frames}
    assert sorted(by_seq) == list(range(2400))
    assert by_seq[0].ms <= 30  # the greeting comes before it
    assert [by_seq[seq].ms for seq in range(1, 2400)] == list(range(100, 240_000, 100))


@pytest.mark.parametrize("away", ["closed", "stuck"])
@pytest.mark.parametrize("keep_dir", ["/kept", None], ids=["files", "ram"])
def test_ten_minutes_nobody_listened_are_filled_afterwards(
    tmp_path: Path, away: str, keep_dir: str | None
) -> None:
    """The port closed, or open and read by nobody; with little RAM and files, or RAM alone."""
    host = {"listening": [[0, 60_000], [660_000, None]], "away": away}
    ram = 4400 if keep_dir else 35_000
    outcome = run(tmp_path, 800, FEW, more={"host": host}, KEEP_DIR=keep_dir, KEEP_RAM_BYTES=ram)
    frames = {f.seq: f for f in outcome.frames}
    last = max(frames)
    assert sorted(frames) == list(range(last + 1))
    assert all(f.ms == frames[f.seq].ms for f in outcome.frames)
    late = [ms for ms, f in outcome.arrived if 62_000 < f.ms < 658_000]
    assert len(set(late)) > 0
    assert min(late) >= 660_000
    assert max(late) < 690_000  # all in place half a minute later
    if away == "closed":  # a board that finds its port stuck loses half a second, once in a while
        assert [frames[seq].ms for seq in range(last + 1)] == list(range(0, 800_000, 500))
    gaps = [b.ms - a.ms for a, b in itertools.pairwise(frames[seq] for seq in range(last + 1))]
    assert sum(gaps) / 500 - len(gaps) <= 20
    # Live frames come first: none of them waits for those of the past.
    assert all(ms - f.ms < 1000 for ms, f in outcome.arrived if f.ms > 661_000)


def test_a_logger_that_starts_again_at_once_loses_nothing(tmp_path: Path) -> None:
    """Two seconds: the rig hasn't noticed. What it sent is lost, so the host begins with `r`."""
    host = {"listening": [[0, 30_300], [32_400, 60_200], [61_900, None]]}
    outcome = run(tmp_path, 90, more={"host": host})
    assert {f.seq for f in outcome.frames} == set(range(180))


def test_a_host_that_does_not_say_r_hears_what_is_live_at_once(tmp_path: Path) -> None:
    """Five seconds without a host, and the rig sends what it missed again by itself."""
    host = {"listening": [[0, 20_000], [200_000, None]], "begins_with_r": False}
    outcome = run(tmp_path, 260, more={"host": host})
    assert {f.seq for f in outcome.frames} == set(range(520))
    assert next(f.ms for ms, f in outcome.arrived if ms >= 200_000) >= 199_900


def test_a_file_that_had_to_go_takes_no_other_frames_receipts(tmp_path: Path) -> None:
    """The oldest file is given up while some of its frames are under way, and their receipts still come."""
    ends = set()
    for outage_s in (109, 111, 113):
        host = {"listening": [[0, 10_000], [10_000 + outage_s * 1000, None]], "asks": [[139_000, "?"]]}
        outcome = run(tmp_path, 140, FEW, more={"host": host}, PERIOD_MS=100, **LITTLE)
        missing = sorted(set(range(1400)) - {f.seq for f in outcome.frames})
        assert 0 < len(missing) <= outcome.answers[-1]["lost"]
        assert missing == list(range(missing[0], missing[-1] + 1))
        ends.add(missing[-1])
    assert len(ends) == 1  # the loss ends where the file ended, however much of it had been sent


def test_when_there_is_no_room_the_oldest_go_and_the_rig_says_how_many(tmp_path: Path) -> None:
    host = {"listening": [[0, 10_000], [610_000, None]], "asks": [[700_000, "?"]]}
    outcome = run(tmp_path, 720, FEW, more={"host": host}, **LITTLE)
    seqs = {f.seq for f in outcome.frames}
    missing = sorted(set(range(max(seqs) + 1)) - seqs)
    lost = outcome.answers[-1]["lost"]
    assert lost > 0
    # A file of 512 records is the unit; it may include frames that had arrived but whose receipts hadn't.
    assert len(missing) <= lost <= len(missing) + 10
    assert missing == list(range(missing[0], missing[0] + len(missing)))
    assert missing[0] >= 18  # the outage began at frame 20


def test_a_rig_that_nobody_acknowledges_streams_and_keeps_nothing(tmp_path: Path) -> None:
    """A plain terminal, or somebody else's program: nothing is kept, nothing is sent twice."""
    host = {"listening": [[0, 30_000], [60_000, None]], "ack_ms": 0, "asks": [[59_000, "?"]]}
    outcome = run(tmp_path, 90, more={"host": host})
    seqs = [f.seq for f in outcome.frames]
    assert seqs == [*range(60), *range(120, 180)]
    assert outcome.answers[-1]["kept"] == 0


def test_a_damaged_line_is_sent_again_when_the_host_asks(tmp_path: Path) -> None:
    """Every fortieth line is damaged on its way; the host answers with `r`."""
    for again in (True, False):
        outcome = run(tmp_path, 120, more={"host": {"damage_every": 40, "asks_again": again}})
        lines = [line for _, line in outcome.lines if b'"seq"' in line]
        whole = {int(line.split(b'"seq":')[1].split(b",")[0]) for line in lines}
        assert (whole == set(range(240))) is again


def test_an_acknowledgement_that_was_damaged_lets_nothing_go(tmp_path: Path) -> None:
    """`a5` with a wrong CRC, and nonsense, are no host: five seconds later nobody is listening."""
    host = {
        "listening": [[0, 10_000], [40_000, None]],
        "asks": [[t, "x?*b1"] for t in range(11_000, 40_000, 500)],
    }
    outcome = run(tmp_path, 80, more={"host": host})
    assert {f.seq for f in outcome.frames} == set(range(160))


def test_the_clock_goes_on_where_the_boards_ticks_wrap(tmp_path: Path) -> None:
    """Ticks wrap at 2**30 ms, after 12.4 days; the line's clock doesn't."""
    outcome = run(tmp_path, 60, more={"first_tick": 2**30 - 20_250})
    assert [f.ms for f in outcome.frames] == list(range(2**30 - 20_250, 2**30 + 39_750, 500))


def test_seq_and_ms_wrap_at_32_bits(tmp_path: Path) -> None:
    patch = "started[0]._ms = 2**32 - 2000\nstarted[0]._seq = 2**32 - 5"
    host = {"listening": [[0, 5000], [30_000, None]]}
    outcome = run(tmp_path, 60, more={"host": host, "patch": patch})
    frames = {f.seq: f.ms for f in outcome.frames}
    assert frames == {(2**32 - 5 + i) % 2**32: (2**32 - 2000 + 500 * i) % 2**32 for i in range(120)}


@pytest.mark.timeout(300)
def test_hours_leak_no_memory(tmp_path: Path) -> None:
    """Six hours (a day and a night in the long form), a frame every four seconds; every hour five minutes unheard."""
    hours = range(times(6, 24))
    listening = [[h * 3_600_000, h * 3_600_000 + 3_300_000] for h in hours]
    more = {"host": {"listening": listening}, "keep_lines": False, "memory_every_ms": 600_000}
    length_s = 3600 * len(hours)
    outcome = run(tmp_path, length_s, more=more, timeout_s=280, PERIOD_MS=4000, KEEP_RAM_BYTES=2000)
    assert outcome.frames_seen >= 900 * len(hours) - 75 - 2  # there is no time to fill in the last outage
    # Two hours to warm up, outages included.
    in_use = [held for ms, held in outcome.memory if ms >= 7_200_000]
    assert len(in_use) >= 6 * (len(hours) - 2) - 2
    first, last = in_use[: len(in_use) // 2], in_use[len(in_use) // 2 :]
    assert max(last) <= max(first) + 256
    assert max(in_use) < 150_000  # simulated chips included; an RP2040 has some 190 kB for MicroPython
    assert outcome.missing_feeds == 0


def test_the_watchdog_is_fed_well_within_its_time(tmp_path: Path) -> None:
    host = {"listening": [[0, 10_000], [60_000, None]], "away": "stuck"}
    outcome = run(tmp_path, 120, more={"host": host})
    assert outcome.watchdog_ms == 8000  # an RP2040's goes to 8388 ms
    assert outcome.missing_feeds == 0
    without = run(tmp_path, 10, WATCHDOG=False)
    assert without.watchdog_ms is None


def test_all_eight_are_in_the_test() -> None:
    assert len(EIGHT) == 8
    assert {s["chip"] for s in EIGHT} == {"max6675", "max31855", "max31856", "mcp9600", "mlx90614"}
