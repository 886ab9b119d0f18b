"""The intake, without any source: what a damaged, doubled, late or forged line does, and to the counts."""

from __future__ import annotations

import asyncio
import random
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise

import pytest

from logger.reading import Frame, Sample
from logger.recording.backlog import Unit
from logger.recording.hosttime import HostTime
from logger.recording.intake import Intake
from logger.recording.placing import ROOM_BYTES
from logger.rig_line.admission import COLUMNS_A_RIG, FREE, MAX_COLUMNS, MAX_RIGS
from logger.rig_line.dialogue import About
from logger.rig_line.wire import LineSplitter, checksum, encode
from logger.sources import Arrival, Sampled

START_US = 1_900_000_000_000_000  # 2030-03-17: an invented firing


def line(seq: int, *, rig: str = "a1", ms: int | None = None) -> bytes:
    c = round(20 + 0.37 * (seq % 1999), 2)
    return encode(Frame(rig, seq % 2**32, (100 * seq if ms is None else ms) % 2**32, {"k0": Sample(c=c)}))


def checksums(stored: list[tuple[Frame, int]]) -> dict[tuple[int, int], int]:
    return {(frame.seq, frame.ms): checksum(encode(frame)) for frame, _ in stored}


class Way:
    """An intake on a made-up host, whose clock is at 0 s when the firing begins."""

    def __init__(self) -> None:
        self.time = HostTime(start_us=START_US)
        self.begin_s = self.time._start_monotonic
        self.intake = Intake(self.time)

    async def put(
        self,
        data: bytes,
        arrival_s: float,
        *,
        rig: str | None = None,
        token: object = None,
        source: str = "port",
    ) -> None:
        await self.intake.put(Arrival(data.rstrip(b"\n"), self.begin_s + arrival_s, source, rig, token))

    def take(self) -> Unit:
        return self.intake.take(0, 0)


def told_in(taken: Unit) -> list[tuple[str, dict]]:
    return [(event.kind, event.data) for event in taken.events]


@pytest.mark.parametrize("share", [0.0001, 0.001, 0.01, 0.05])
async def test_loss_is_exactly_the_damaged_frames(share: float) -> None:
    """Bytes flipped, dropped, doubled or cut off: no wrong reading, no good one lost, and the counts are right."""
    rng = random.Random(1)
    way = Way()
    splitter = LineSplitter()
    sent: dict[int, Frame] = {}
    spoilt = set()
    n = 5000
    for seq in range(1000, 1000 + n):
        data = bytearray(line(seq))
        # The first and the last stay whole, or nobody could know what is missing.
        if 1000 < seq < 999 + n and rng.random() > (1 - share) ** len(data):
            spoilt.add(seq)
            match rng.randrange(4):
                case 0:
                    data[rng.randrange(len(data) - 1)] ^= 1 << rng.randrange(8)
                case 1:
                    del data[rng.randrange(len(data) - 1)]
                case 2:
                    at = rng.randrange(len(data) - 1)
                    data.insert(at, data[at])
                case _:
                    del data[rng.randrange(1, len(data) - 1) : -1]
        sent[seq] = Frame("a1", seq, 100 * seq, {"k0": Sample(c=round(20 + 0.37 * (seq % 1999), 2))})
        for one in splitter.feed(bytes(data)):
            await way.put(one, seq / 10)
    frames = [frame for frame, _ in way.take().frames]
    assert frames == [frame for seq, frame in sent.items() if seq not in spoilt]
    counts = way.intake.counts()
    assert counts["frames"] == n - len(spoilt)
    assert counts["missing"] == len(spoilt)
    # A flipped bit can make a newline, and so two bad lines of one.
    assert counts["bad_crc"] >= len(spoilt)
    assert counts["duplicates"] == counts["malformed"] == counts["out_of_order"] == 0


async def test_what_a_board_says_while_it_starts_is_no_damage() -> None:
    """Nine lines of a common board's start, from memory; then a torn frame, which is damage."""
    way = Way()
    boot = b"""ets Jul 29 2019 12:21:46
rst:0x1 (POWERON_RESET),boot:0x13 (SPI_FAST_FLASH_BOOT)
configsip: 0, SPIWP:0xee
clk_drv:0x00,q_drv:0x00,d_drv:0x00,cs0_drv:0x00,hd_drv:0x00,wp_drv:0x00
mode:DIO, clock div:1
load:0x3fff0018,len:4
entry 0x400806a8
MicroPython v1.27 on 2026-01-01; some board
>>>"""
    for i, one in enumerate(boot.splitlines()):
        await way.put(one, 0.01 * i)
    for seq in range(10):
        await way.put(line(seq), 1 + seq / 10)
    way.take()
    counts = way.intake.counts()
    assert (counts["frames"], counts["bad_crc"], counts["malformed"], counts["chatter"]) == (10, 0, 0, 9)
    await way.put(line(10)[9:], 2.0)
    assert way.intake.counts()["bad_crc"] == 1


async def test_one_line_of_time_through_restart_late_frames_and_wrap() -> None:
    way = Way()
    rng = random.Random(2)
    times: list[int] = []
    expected: list[float] = []

    async def boot(on_s: float, first_ms: int, numbers: list[int], late: set[int]) -> None:
        for i in [i for i in numbers if i not in late] + sorted(late):
            made_s = on_s + i / 10
            came_s = made_s + rng.uniform(0.0, 0.4) if i not in late else on_s + numbers[-1] / 10 + 0.5
            await way.put(line(i, ms=first_ms + 100 * i), came_s)
            expected.append(made_s)
        times.extend(t_us for _, t_us in way.take().frames)

    await boot(10.0, 2**32 - 20_000, list(range(600)), set(range(200, 300)))
    await boot(100.0, 400, list(range(600)), set())
    errors_s = [abs((t_us - START_US) / 1e6 - made_s) for t_us, made_s in zip(times, expected, strict=True)]
    assert max(errors_s) < 0.5
    by_time = sorted(zip(expected, times, strict=True))
    assert all(a < b for (_, a), (_, b) in pairwise(by_time))
    assert way.intake.counts()["missing"] == 0
    assert way.intake.counts()["out_of_order"] == 100


@pytest.mark.parametrize(
    ("reset", "said"),
    [("watchdog", {"reset": "watchdog"}), ("unknown", {}), ("", {}), ("<b>two words</b>", {})],
)
async def test_what_started_a_rig_stands_in_the_event_of_its_reboot(reset: str, said: dict[str, str]) -> None:
    way = Way()
    for seq in range(50):
        await way.put(line(seq), seq / 10)
    way.intake.about(About("a1", reset=reset), way.begin_s + 10.0)
    way.intake.about(About("b2", reset="power"), way.begin_s + 10.0)
    for seq in range(50):
        await way.put(line(seq, ms=300 + 100 * seq), 10.3 + seq / 10)
    events = [(kind, data) for kind, data in told_in(way.take()) if kind == "rig"]
    assert events == [("rig", {"rig": "a1", "what": "reboot", **said})]


async def test_an_answer_of_long_ago_says_nothing_of_a_reboot() -> None:
    way = Way()
    way.intake.about(About("a1", reset="watchdog"), way.begin_s)
    for seq in range(600):
        await way.put(line(seq), seq / 10)
    for seq in range(50):
        await way.put(line(seq, ms=300 + 100 * seq), 70.3 + seq / 10)
    events = [data for kind, data in told_in(way.take()) if kind == "rig"]
    assert events == [{"rig": "a1", "what": "reboot"}]


async def test_a_restart_of_the_logger_goes_on_where_it_was_and_takes_nothing_twice() -> None:
    before, after = Way(), Way()
    for seq in range(300):
        await before.put(line(seq, ms=5_000_000 + 100 * seq), seq / 10 + 0.05)
    stored = before.take().frames
    taken_again = before.intake.placing.clocks()["a1"]
    rows = [(frame.seq, frame.ms, t_us) for frame, t_us in stored]
    after.intake.placing.prime("a1", rows, ["k0"], checksums(stored), taken_again)
    for seq in range(290, 400):  # ten come again; those in between had waited at the broker
        await after.put(line(seq, ms=5_000_000 + 100 * seq), 60.0)
    for seq in range(600, 700):
        await after.put(line(seq, ms=5_000_000 + 100 * seq), seq / 10 + 0.05)
    again = after.take().frames
    assert [frame.seq for frame, _ in again] == [*range(300, 400), *range(600, 700)]
    assert after.intake.counts()["duplicates"] == 10
    assert after.intake.counts()["missing"] == 200
    # Both hosts' clocks begin at START_US, so their times can be compared.
    assert all(abs((t_us - START_US) / 1e6 - frame.seq / 10) < 0.1 for frame, t_us in again)


async def test_every_line_is_answered_whatever_becomes_of_it() -> None:
    """A sound line is never dropped: under another rig's topic it is kept as it came."""
    way = Way()
    lines = [line(1), line(1), b"junk", line(2)[:-4], line(5), line(3), line(6, rig="b2")]
    for token, data in enumerate(lines):
        await way.put(data, 0.1 * token, rig="a1", token=token)
    taken = way.take()
    assert sorted(token for _, token in taken.tokens) == list(range(7))
    assert [frame.seq for frame, _ in taken.frames] == [1, 5, 3]
    assert [(row.rig, row.why, row.line) for row in taken.apart] == [("b2", "topic", line(6, rig="b2")[:-1])]
    counts = way.intake.counts()
    assert (counts["bad_crc"], counts["malformed"], counts["duplicates"], counts["missing"]) == (2, 0, 1, 2)
    assert counts["set_apart"] == 1


async def test_made_up_names_do_not_shut_the_true_rig_out() -> None:
    """256 names, then the rig: it is still recorded, from its first frame, and after a restart too."""
    way = Way()
    for i in range(256):
        await way.put(line(1, rig=f"r{i}"), 0.1, source="mqtt://broker", token=i)
    for seq in range(100):
        await way.put(line(seq), 1 + seq / 10, source="mqtt://broker", token=seq)
    taken = way.take()
    assert [frame.seq for frame, _ in taken.frames if frame.rig == "a1"] == list(range(100))
    assert len(taken.tokens) == 356
    kept = {frame.rig for frame, _ in taken.frames} | {row.rig for row in taken.apart}
    assert kept == {"a1", *(f"r{i}" for i in range(256))}, "what is acknowledged is kept"
    again = Way()
    stored = [(frame, t_us) for frame, t_us in taken.frames if frame.rig == "a1"]
    for rig in {frame.rig for frame, _ in taken.frames}:
        rows = [(frame.seq, frame.ms, t_us) for frame, t_us in taken.frames if frame.rig == rig]
        again.intake.placing.prime(rig, rows, ["k0"], checksums(stored) if rig == "a1" else {}, {})
    for i in range(256, 512):
        await again.put(line(1, rig=f"r{i}"), 12.0, source="mqtt://broker")
    for seq in range(130, 200):
        await again.put(line(seq), 1 + seq / 10, source="mqtt://broker")
    assert [frame.seq for frame, _ in again.take().frames if frame.rig == "a1"] == list(range(130, 200))


@pytest.mark.slow
async def test_many_rigs_that_go_on_are_recorded_and_the_one_too_many_is_named() -> None:
    way = Way()
    for seq in range(40):
        for i in range(MAX_RIGS + 20):
            await way.put(line(seq, rig=f"r{i}"), seq / 10 + i / 10_000, source="mqtt://broker")
    taken = way.take()
    recorded = {frame.rig for frame, _ in taken.frames}
    assert 100 <= len(recorded) <= MAX_RIGS
    for rig in recorded:
        assert sum(frame.rig == rig for frame, _ in taken.frames) == 40
    released = set(taken.placed)
    apart = {row.rig for row in taken.apart if row.id not in released}
    assert apart == {f"r{i}" for i in range(MAX_RIGS + 20)} - recorded
    told = [data for kind, data in told_in(taken) if kind == "fault" and "not recorded" in data["text"]]
    assert {data["rig"] for data in told} <= apart
    assert 1 <= len(told) <= 10
    # A rig at a serial port has a seat of its own once it has gone on for a while.
    for seq in range(20):
        await way.put(line(seq, rig="wired"), 5.0 + seq / 10)
    assert [frame.seq for frame, _ in way.take().frames if frame.rig == "wired"] == list(range(20))


async def test_made_up_names_at_a_serial_port_take_no_seat() -> None:
    way = Way()
    for seq in range(100):
        await way.put(line(seq), seq / 10)
        await way.put(line(seq, rig=f"m{seq}"), seq / 10 + 0.01)
    taken = way.take()
    assert [frame.seq for frame, _ in taken.frames if frame.rig == "a1"] == list(range(100))
    recorded = {frame.rig for frame, _ in taken.frames}
    assert len(recorded) <= FREE
    assert {row.rig for row in taken.apart} == {"a1", *(f"m{i}" for i in range(100))} - recorded


async def test_channels_without_end_are_not_recorded_and_kept_as_they_came() -> None:
    way = Way()
    names = [f"c{i}" for i in range(COLUMNS_A_RIG + 64)]
    for seq in range(len(names) // 8):
        channels = {name: Sample(c=20.5) for name in ("k0", *names[8 * seq : 8 * seq + 8])}
        await way.put(encode(Frame("a1", seq, 100 * seq, channels)), seq / 10, token=seq)
    taken = way.take()
    assert len({name for frame, _ in taken.frames for name in frame.ch}) == COLUMNS_A_RIG
    assert [frame.seq for frame, _ in taken.frames] == list(range(len(names) // 8)), "what is known goes on"
    cut = [frame.seq for frame, _ in taken.frames if len(frame.ch) < 9]
    assert [row.line for row in taken.apart] == [
        encode(
            Frame("a1", seq, 100 * seq, {n: Sample(c=20.5) for n in ("k0", *names[8 * seq : 8 * seq + 8])})
        )[:-1]
        for seq in cut
    ]
    assert len(taken.tokens) == len(names) // 8
    [said] = [data["text"] for kind, data in told_in(taken) if kind == "fault"]
    assert "too many channels" in said


async def test_256_rigs_of_64_channels_take_bounded_room() -> None:
    way = Way()
    channels = {f"k{i}": Sample(c=20.5) for i in range(64)}
    for seq in range(5):
        for i in range(256):
            frame = encode(Frame(f"r{i}", seq, 1000 * seq, channels))
            await way.put(frame, seq + i / 1000, source="mqtt://broker", token=(seq, i))
    taken = way.take()
    columns = {(frame.rig, name) for frame, _ in taken.frames for name in frame.ch}
    assert len(columns) <= MAX_COLUMNS
    assert len(taken.tokens) + len(taken.refused) == 5 * 256
    on_disk = {(frame.rig, frame.seq) for frame, _ in taken.frames} | {
        (row.rig, int(row.line.split(b'"seq":')[1].split(b",")[0])) for row in taken.apart
    }
    assert {(f"r{i}", seq) for _, (seq, i) in taken.tokens} <= on_disk


async def test_what_has_no_room_is_not_acknowledged(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("logger.recording.placing.ROOM_BYTES", 2000)
    assert ROOM_BYTES > 10**6
    way = Way()
    for seq in range(50):
        await way.put(line(seq, ms=100 * seq), seq / 10, token=("true", seq))
        # A second board of this name, far from the first.
        await way.put(line(10**6 + seq, ms=10**8 + 100 * seq), seq / 10 + 0.05, token=("other", seq))
    taken = way.take()
    assert [frame.seq for frame, _ in taken.frames] == list(range(50))
    kept = {int(row.line.split(b'"seq":')[1].split(b",")[0]) - 10**6 for row in taken.apart}
    acknowledged = {seq for _, (whose, seq) in taken.tokens if whose == "other"}
    refused = {seq for _, (_, seq) in taken.refused}
    assert acknowledged == kept
    assert acknowledged | refused == set(range(50))
    assert 0 < len(kept) < 50
    assert way.intake.counts()["refused"] == len(refused)
    assert any("no more are kept" in data["text"] for kind, data in told_in(taken) if kind == "fault")


async def test_one_stray_frame_moves_nothing() -> None:
    """A second board of that name says one thing, 5000 frames and 10 s ahead: the rig's own go on."""
    way = Way()
    for seq in range(400):
        await way.put(line(seq), seq / 10 + 0.02, token=seq)
        if seq == 100:
            await way.put(line(seq + 5000, ms=100 * seq + 10_000), seq / 10 + 0.05, token="stray")
    taken = way.take()
    assert [frame.seq for frame, _ in taken.frames] == list(range(400))
    assert [row.why for row in taken.apart] == ["unplaced"]
    assert len(taken.tokens) == 401


async def test_what_is_set_apart_finds_its_place_after_a_restart_of_the_logger() -> None:
    """The rig has restarted with a clock that says nothing, and the logger is restarted in the middle."""
    before = Way()
    for seq in range(100):
        await before.put(line(seq), seq / 10)
    stored = before.take()
    for i in range(12):
        await before.put(line(10**7 + i, ms=3 * 10**9 + 100 * i), 20 + i / 10)
    held = before.take()
    assert not held.frames
    assert len(held.apart) == 12
    after = Way()
    after.time.start_us += 27_000_000  # the time line goes on: this long has passed
    rows = [(frame.seq, frame.ms, t_us) for frame, t_us in stored.frames]
    after.intake.placing.prime(
        "a1", rows, ["k0"], checksums(stored.frames), before.intake.placing.clocks()["a1"]
    )
    after.intake.placing.prime_apart(13, {("a1", "port"): (12, 1200)}, held.apart)
    for i in range(80, 150):
        await after.put(line(10**7 + i, ms=3 * 10**9 + 100 * i), i / 10 - 7)
    taken = after.take()
    assert [frame.seq for frame, _ in taken.frames] == [10**7 + i for i in (*range(12), *range(80, 150))]
    assert sorted(taken.placed)[:12] == [row.id for row in held.apart]
    gone_s = [(t_us - START_US) / 1e6 for _, t_us in taken.frames]
    assert gone_s[0] == pytest.approx(20, abs=0.2)
    assert gone_s[-1] == pytest.approx(34.9, abs=0.2)


async def test_a_clock_set_back_over_a_start_of_the_host_stores_nothing_twice() -> None:
    """Without a battery for its clock the host is a day behind; the broker sends its last frames again."""
    before, after = Way(), Way()
    for seq in range(300):
        await before.put(line(seq, ms=5_000_000 + 100 * seq), seq / 10 + 0.05)
    stored = before.take().frames
    rows = [(frame.seq, frame.ms, t_us + 86_400_000_000) for frame, t_us in stored]
    after.intake.placing.prime("a1", rows, ["k0"], checksums(stored), {})
    for seq in (600, 601, 602):  # live ones come before the old
        await after.put(line(seq, ms=5_000_000 + 100 * seq), seq / 10 + 0.05)
    for seq in range(285, 320):
        await after.put(line(seq, ms=5_000_000 + 100 * seq), 60.3 + seq / 1000)
    for seq in range(604, 760):
        await after.put(line(seq, ms=5_000_000 + 100 * seq), seq / 10 + 0.05)
    taken = after.take()
    seqs = sorted(frame.seq for frame, _ in taken.frames)
    assert len(set(seqs)) == len(seqs)
    assert not set(seqs) & set(range(300)), "these are in the journal"
    apart = {row.id: row for row in taken.apart if row.id not in taken.placed}
    assert len(seqs) + len(apart) == 3 + 20 + 156
    assert set(range(720, 760)) <= set(seqs), "ten seconds later all is as before"
    times = [t_us for frame, t_us in sorted(taken.frames, key=lambda pair: pair[0].seq)]
    assert all(a < b for a, b in pairwise(times))
    assert min(times) > rows[-1][2]


async def test_a_source_waits_where_the_journals_thread_has_enough(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is dropped on the way: the port or the broker keeps what isn't taken yet."""
    monkeypatch.setattr("logger.recording.intake.PENDING_FRAMES", 10)
    way = Way()
    for seq in range(10):
        await way.put(line(seq), seq / 10)
    with pytest.raises(TimeoutError):
        async with asyncio.timeout(0.2):
            await way.put(line(10), 1.0)
    await way.put(line(1, rig="b2"), 1.0, source="another port")
    assert len(way.take().frames) == 11
    await way.put(line(10), 1.0)
    assert [frame.seq for frame, _ in way.take().frames] == [10]


async def test_what_memory_had_to_let_go_of_is_welcome_when_it_comes_again() -> None:
    way = Way()
    for seq in range(1000, 1050):
        await way.put(line(seq), (seq - 1000) / 10)
    taken = way.take()
    way.intake.placing.forget(Unit(keys={"a1": taken.keys["a1"][20:30]}))
    for seq in range(1000, 1050):
        await way.put(line(seq), 5 + seq / 100_000)
    assert [frame.seq for frame, _ in way.take().frames] == list(range(1020, 1030))


def test_what_a_source_says_is_told_at_the_terminal_in_words(caplog: pytest.LogCaptureFixture) -> None:
    way = Way()
    with caplog.at_level("INFO"):
        way.intake.report("/dev/ttyX", "lost", {"detail": "/dev/ttyX was unplugged; plug the rig in again"})
        way.intake.report("/dev/ttyX", "connected", {"detail": "/dev/ttyX"})
        way.intake.report("mqtt", "rig", {"rig": "a1", "online": True})
    assert [record.getMessage() for record in caplog.records] == [
        "/dev/ttyX: lost: /dev/ttyX was unplugged; plug the rig in again",
        "/dev/ttyX: connected",
        "mqtt: rig: rig a1, online True",
    ]


async def test_a_frame_after_a_pause_is_taken_at_once_and_the_next_waits() -> None:
    way, hours = Way(), 3600.0
    with ThreadPoolExecutor(1) as thread:
        await way.put(line(1), 0.1)
        first = thread.submit(way.intake.take, hours, hours)
        await asyncio.wait_for(asyncio.wrap_future(first), 30)
        await way.put(line(2), 0.2)
        second = thread.submit(way.intake.take, hours, hours)
        await asyncio.sleep(0.1)
        assert not second.done(), "one commit for what comes soon after"
        way.intake.stop()
        assert [frame.seq for frame, _ in [*first.result().frames, *second.result(30).frames]] == [1, 2]


async def test_plain_lines_read_together_are_readings_at_different_times() -> None:
    way = Way()
    for n, channel in enumerate(("n1", "n2", "n1", "n1")):
        await way.intake.put(Sampled("board", {channel: Sample(c=20.0 + n)}, way.begin_s + 5.0, "port"))
    times = [(t_us - START_US, *frame.ch) for frame, t_us in way.take().frames]
    assert times == [(5_000_000, "n1"), (5_000_000, "n2"), (5_000_001, "n1"), (5_000_002, "n1")]
