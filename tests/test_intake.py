"""The way in, without any source: what a damaged, doubled, late or forged line does, and to the counts."""

from __future__ import annotations

import random
from itertools import pairwise

import pytest

from logger.hosttime import HostTime
from logger.intake import MAX_RIGS, Intake, Taken
from logger.reading import Frame, Sample
from logger.rig_line.wire import LineSplitter, encode
from logger.sources import Arrival

START_US = 1_900_000_000_000_000  # 2030-03-17: an invented firing


def line(seq: int, *, rig: str = "a1", ms: int | None = None) -> bytes:
    c = round(20 + 0.37 * (seq % 1999), 2)
    return encode(Frame(rig, seq % 2**32, (100 * seq if ms is None else ms) % 2**32, {"k0": Sample(c=c)}))


class Way:
    """An intake on a made-up host, whose clock is at 0 s when the firing begins."""

    def __init__(self) -> None:
        self.time = HostTime(start_us=START_US)
        self.begin_s = self.time._start_monotonic
        self.intake = Intake(self.time)

    async def put(
        self, data: bytes, arrival_s: float, *, rig: str | None = None, token: object = None
    ) -> None:
        await self.intake.put(Arrival(data.rstrip(b"\n"), self.begin_s + arrival_s, "port", rig, token))

    def take(self) -> Taken:
        return self.intake.take(0, 0)


@pytest.mark.parametrize("share", [0.0001, 0.001, 0.01, 0.05])
async def test_loss_is_exactly_the_damaged_frames(share: float) -> None:
    """Bytes flipped, dropped, doubled or cut off: no wrong reading, no good one lost, and the counts say so."""
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
    # A flipped bit can make a newline, and two bad lines of one.
    assert counts["bad_crc"] >= len(spoilt)
    assert counts["duplicates"] == counts["malformed"] == counts["out_of_order"] == 0


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


async def test_a_restart_of_the_logger_goes_on_where_it_was_and_takes_nothing_twice() -> None:
    before, after = Way(), Way()
    for seq in range(300):
        await before.put(line(seq, ms=5_000_000 + 100 * seq), seq / 10 + 0.05)
    stored = before.take().frames
    clock = before.intake.clocks()["a1"]
    rows = [(frame.seq, frame.ms, t_us) for frame, t_us in stored]
    after.intake.prime("a1", rows, stored[-1][1], clock)
    for seq in range(290, 400):  # ten come again; those in between had waited at the broker
        await after.put(line(seq, ms=5_000_000 + 100 * seq), 60.0)
    for seq in range(600, 700):
        await after.put(line(seq, ms=5_000_000 + 100 * seq), seq / 10 + 0.05)
    again = after.take().frames
    assert [frame.seq for frame, _ in again] == [*range(300, 400), *range(600, 700)]
    assert after.intake.counts()["duplicates"] == 10
    assert after.intake.counts()["missing"] == 200
    # Both hosts' clocks begin at START_US, so that is what their times may be compared by.
    assert all(abs((t_us - START_US) / 1e6 - frame.seq / 10) < 0.1 for frame, t_us in again)


async def test_every_line_is_answered_whatever_becomes_of_it() -> None:
    way = Way()
    lines = [line(1), line(1), b"junk", line(2)[:-4], line(5), line(3), line(6, rig="b2")]
    for token, data in enumerate(lines):
        await way.put(data, 0.1 * token, rig="a1", token=token)
    taken = way.take()
    assert [token for _, token in taken.tokens] == list(range(7))
    assert [frame.seq for frame, _ in taken.frames] == [1, 5, 3]
    counts = way.intake.counts()
    assert (counts["bad_crc"], counts["malformed"], counts["duplicates"], counts["missing"]) == (2, 1, 1, 2)


async def test_names_without_number_are_not_taken_in() -> None:
    way = Way()
    for i in range(MAX_RIGS + 50):
        await way.put(line(1, rig=f"r{i}"), 0.1)
    await way.put(line(2, rig="r0"), 0.2)
    assert len(way.take().frames) == MAX_RIGS + 1
    assert way.intake.counts()["malformed"] == 50
