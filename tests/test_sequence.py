"""Sequence numbers: what is new, late, here before, or a rig that has started again; and the counts."""

from __future__ import annotations

import random
from itertools import count

import pytest
from hypothesis import given
from hypothesis import strategies as st
from logger.sequence import HOLES, WINDOW, Arrived, SequenceTracker

from logger.rig_line.wire import Counters

NEW, LATE, DUPLICATE, REBOOT, IMPOSSIBLE = Arrived

checksums = count()


class Rig:
    """A rig with a clock of its own that makes ten frames a second, and a host that takes them in."""

    def __init__(self, on_s: float = 1000.0, first_ms: int = 500, first_seq: int = 0) -> None:
        self.on_s, self.first_ms, self.first_seq = on_s, first_ms, first_seq
        self.salt = next(checksums) * 100_000

    def made_s(self, i: int) -> float:
        return self.on_s + self.first_ms / 1000 + 0.1 * i

    def frame(self, i: int, delay_s: float = 0.02) -> tuple[int, int, float, int]:
        seq, ms = (self.first_seq + i) % 2**32, (self.first_ms + 100 * i) % 2**32
        return seq, ms, self.made_s(i) + delay_s, self.salt + i

    def live(self, *numbers: int) -> list[tuple[int, int, float, int]]:
        return [self.frame(i) for i in numbers]

    def kept(self, since_s: float, *numbers: int) -> list[tuple[int, int, float, int]]:
        """Frames that all come in a burst, at some time after they were made."""
        return [
            (seq, ms, since_s + 0.001 * n, crc) for n, (seq, ms, _, crc) in enumerate(self.live(*numbers))
        ]


def tracked(frames: list[tuple[int, int, float, int]]) -> tuple[list[Arrived], Counters]:
    counters = Counters()
    tracker = SequenceTracker(counters)
    return [tracker.classify(*frame) for frame in frames], counters


def test_a_hole_is_missing_until_its_frame_comes_late() -> None:
    rig = Rig()
    arrived, counters = tracked([*rig.live(1, 2, 5), *rig.kept(1001.2, 3)])
    assert arrived == [NEW, NEW, NEW, LATE]
    assert (counters.frames, counters.missing, counters.out_of_order) == (4, 1, 1)


def test_redelivery_is_a_duplicate() -> None:
    rig = Rig()
    arrived, counters = tracked([*rig.live(1, 2), *rig.kept(1001.0, 1, 2), *rig.kept(5000.0, 1, 2)])
    assert arrived[2:] == [DUPLICATE] * 4
    assert (counters.frames, counters.duplicates) == (2, 4)


def test_seq_and_clock_wrap() -> None:
    rig = Rig(first_seq=2**32 - 2, first_ms=2**32 - 150)
    arrived, counters = tracked([*rig.live(0, 1, 2, 3, 4), *rig.live(6), *rig.live(5)])
    assert arrived == [NEW] * 6 + [LATE]
    assert counters.missing == 0


@pytest.mark.parametrize("up_s", [0.3, 12.0, 40.0, 211.0], ids="up {}s when heard again".format)
@pytest.mark.parametrize("out_s", [1.0, 300.0, 90_000.0], ids="out {}s".format)
@pytest.mark.parametrize("ran", [20, 100, 2000, 20_000], ids="{} frames before".format)
def test_a_rig_that_has_started_again_is_seen_whenever_it_is_heard_first(
    up_s: float, out_s: float, ran: int
) -> None:
    """Over USB a rig is heard at once; with a radio it may have been up for minutes, its clock long past 0."""
    before = Rig()
    after = Rig(on_s=before.made_s(ran) + out_s)
    first = round(up_s * 10)
    arrived, counters = tracked([*before.live(*range(ran)), *after.live(*range(first, first + 50))])
    assert arrived[ran:] == [REBOOT] + [NEW] * 49
    assert counters.frames == ran + 50
    assert (counters.missing, counters.duplicates, counters.malformed) == (0, 0, 0)


def test_a_rig_that_starts_again_to_the_same_beat_is_known_by_what_it_says() -> None:
    """Same seq, same clock, as exact as firmware can be: only the readings differ, and with them the CRC."""
    before = Rig()
    after = Rig(on_s=before.made_s(100) + 1)
    arrived, _ = tracked([*before.live(*range(100)), *after.live(*range(300))])
    assert arrived[100:] == [REBOOT] + [NEW] * 299


def test_seq_may_go_on_over_a_restart() -> None:
    before = Rig()
    after = Rig(on_s=1020.0, first_seq=150)
    arrived, _ = tracked([*before.live(*range(100)), *after.live(*range(50))])
    assert arrived[100:] == [REBOOT] + [NEW] * 49


def test_a_clock_that_leaps_is_another_beginning() -> None:
    before = Rig()
    after = Rig(on_s=-5000.0, first_seq=100, first_ms=6_020_000)
    arrived, _ = tracked([*before.live(*range(90)), *after.live(*range(50))])
    assert arrived[90:] == [REBOOT] + [NEW] * 49


@pytest.mark.parametrize("beginning", [50, 1990])
def test_frames_kept_during_an_outage_are_late_and_no_restart(beginning: int) -> None:
    rig = Rig()
    frames = [*rig.live(*range(beginning)), *rig.live(*range(2000, 2010))]
    frames += [*rig.kept(rig.made_s(2010), *range(beginning, 2000)), *rig.live(*range(2020, 2040))]
    arrived, counters = tracked(frames)
    assert arrived == [NEW] * (beginning + 10) + [LATE] * (2000 - beginning) + [NEW] * 20
    assert (counters.missing, counters.frames) == (10, 2030)


def test_frames_kept_during_an_outage_may_come_before_the_live_ones_and_lack_some() -> None:
    """A rig with little room keeps the newest: after the outage comes a hole, then frames that are hours old."""
    rig = Rig()
    kept = rig.kept(rig.made_s(50_000), *range(46_000, 50_000))
    arrived, counters = tracked([*rig.live(*range(20_000)), *kept, *rig.live(*range(50_000, 50_010))])
    assert set(arrived) == {NEW}
    assert counters.missing == 26_000


def test_a_broker_that_kept_the_oldest_leaves_a_hole_before_the_live_ones() -> None:
    rig = Rig()
    kept = rig.kept(rig.made_s(50_000), *range(20_000, 21_000))
    arrived, counters = tracked([*rig.live(*range(20_000)), *kept, *rig.live(*range(50_000, 50_010))])
    assert set(arrived) == {NEW}
    assert counters.missing == 29_000


def test_primed_from_the_journal_it_knows_what_was_there() -> None:
    rig = Rig()
    counters = Counters()
    tracker = SequenceTracker(counters)
    tracker.prime([(seq, ms, t_s) for seq, ms, t_s, _ in (rig.frame(i, delay_s=0) for i in range(500))])
    assert counters == Counters()
    later_s = rig.made_s(2000)
    for i in range(480, 500):
        assert tracker.classify(*rig.kept(later_s, i)[0]) is DUPLICATE
    for i in range(500, 700):  # the broker kept these meanwhile
        assert tracker.classify(*rig.kept(later_s, i)[0]) is NEW
    assert tracker.classify(*rig.frame(2000)) is NEW
    assert (counters.missing, counters.duplicates) == (1300, 20)


def test_primed_it_sees_a_restart_that_happened_meanwhile() -> None:
    rig = Rig()
    tracker = SequenceTracker(Counters())
    tracker.prime([(seq, ms, t_s) for seq, ms, t_s, _ in (rig.frame(i, delay_s=0) for i in range(5000))])
    again = Rig(on_s=rig.made_s(5000) + 60)
    assert tracker.classify(*again.frame(300)) is REBOOT
    assert tracker.classify(*again.frame(301)) is NEW


@pytest.mark.parametrize(("later_ms", "checksum"), [(0, 7), (-30, 8), (250, 8)])
def test_what_no_single_rig_can_have_sent_is_not_taken(later_ms: int, checksum: int) -> None:
    rig = Rig()
    seq, ms, _, _ = rig.frame(400)
    arrived, counters = tracked([*rig.live(*range(500)), (seq, ms + later_ms, rig.made_s(500), checksum)])
    assert arrived[-1] is IMPOSSIBLE
    assert (counters.frames, counters.malformed) == (500, 1)


def test_a_late_frame_has_its_clock_between_its_neighbours() -> None:
    rig = Rig()
    seq, ms, _, _ = rig.frame(400)
    frames = [*rig.live(*range(400)), *rig.live(*range(401, 500))]
    for later_ms, expected in ((-100, IMPOSSIBLE), (100, IMPOSSIBLE), (0, LATE), (99, LATE)):
        assert tracked([*frames, (seq, ms + later_ms, rig.made_s(500), 0)])[0][-1] is expected


def test_the_first_frames_may_be_swapped() -> None:
    rig = Rig()
    arrived, counters = tracked([rig.frame(2), rig.frame(0), rig.frame(1), rig.frame(3)])
    assert arrived == [NEW, LATE, LATE, NEW]
    assert counters.missing == 0


def test_memory_is_bounded() -> None:
    rig = Rig()
    counters = Counters()
    tracker = SequenceTracker(counters)
    wide = range(10, 60)
    for i in range(0, 10 * HOLES, 2):
        if i not in wide:
            tracker.classify(*rig.frame(i))
    assert len(tracker._holes) == HOLES
    late = [tracker.classify(*rig.kept(rig.made_s(20 * HOLES), i)[0]) for i in wide]
    assert late == [LATE] * 50, "the widest hole is the last to be given up"


def test_late_frames_are_welcome_however_old() -> None:
    rig = Rig()
    far = 3 * WINDOW
    frames = [*rig.live(*range(10)), *rig.live(*range(far, 2 * far))]
    late = rig.kept(rig.made_s(2 * far), *range(10, far))
    arrived, counters = tracked([*frames, *late, *late[5000:5100]])
    assert arrived[len(frames) :] == [LATE] * (far - 10) + [DUPLICATE] * 100
    assert counters.missing == 0


@given(st.integers(0, 2**32 - 1), st.integers(0, 2**32 - 1), st.data())
def test_whatever_the_order_each_frame_counts_once(seq0: int, ms0: int, data: st.DataObject) -> None:
    rig = Rig(first_seq=seq0, first_ms=ms0)
    n = data.draw(st.integers(3, 18))  # within the two seconds that can't be a restart
    lost = data.draw(st.sets(st.integers(1, n - 2), max_size=n // 3))
    sent = [i for i in range(n) if i not in lost]
    rest = sent[1:] * 2
    random.Random(data.draw(st.integers(0, 99))).shuffle(rest)
    newest_s = rig.made_s(n)
    frames = [rig.frame(0)] + [
        (*rig.frame(i)[:2], newest_s + 0.001 * k, rig.salt + i) for k, i in enumerate(rest)
    ]
    arrived, counters = tracked(frames)
    assert REBOOT not in arrived
    assert counters.frames == len(sent)
    assert counters.duplicates == len(sent) - 1
    assert counters.missing == len(lost)


numbers = st.integers(0, 2**32 - 1) | st.integers(0, 50)


@given(st.lists(st.tuples(numbers, numbers, st.floats(0, 1e6), st.integers(0, 3)), max_size=60))
def test_any_numbers_at_all_are_counted_and_never_negative(frames: list[tuple[int, int, float, int]]) -> None:
    arrived, counters = tracked(frames)
    assert counters.missing >= 0
    assert counters.frames + counters.duplicates + counters.malformed == len(arrived)
    assert counters.frames == sum(a in (NEW, LATE, REBOOT) for a in arrived)
    assert counters.out_of_order == arrived.count(LATE)


@pytest.mark.parametrize("second_ms", [7_700, 999_000, 3_000_000])
@pytest.mark.parametrize("every_s", [0.1, 1.0, 5.0])
def test_a_second_rig_of_the_same_name_is_told_within_sixteen_seconds(second_ms: int, every_s: float) -> None:
    """Two that run at once: the one that came first stays, the other is refused."""
    tracker, rng = SequenceTracker(Counters()), random.Random(3)
    first, second = [], []
    for n in range(round(60 / every_s)):
        t_s = n * every_s
        delay_s = rng.uniform(0, 0.4 * min(1, every_s))
        first.append(tracker.classify(10_000 + n, 1_000_000 + round(1000 * t_s), 500 + t_s + delay_s))
        second.append(tracker.classify(77 + n, second_ms + round(1000 * t_s), 500.02 + t_s + delay_s))
    settled = round(16 / every_s)
    assert set(first) == {Arrived.NEW}
    assert set(second[settled:]) == {Arrived.IMPOSSIBLE}


@pytest.mark.parametrize("times_life", [1.2, 2.0, 10.0])
def test_a_backlog_is_no_second_rig(times_life: float) -> None:
    """Sent between the new frames, a little faster than it was made: all of it is kept."""
    tracker = SequenceTracker(Counters())
    assert tracker.classify(0, 0, 1000.0) is Arrived.NEW
    kept_until = 600  # frames of the minute without a link
    old, n = 1, kept_until
    while old < kept_until:
        t_s = n / 10
        assert tracker.classify(n, 100 * n, 1000 + t_s) is Arrived.NEW
        while old < kept_until and old < (n - kept_until) * times_life:
            assert tracker.classify(old, 100 * old, 1000.01 + t_s) is Arrived.LATE
            old += 1
        n += 1
