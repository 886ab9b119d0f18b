"""Sequence numbers: what is new, late, here before, or a rig that has started again; and the counts."""

from __future__ import annotations

import random

from hypothesis import given
from hypothesis import strategies as st

from logger.sequence import WINDOW, Arrived, SequenceTracker
from logger.wire import Counters


def tracked(frames: list[tuple[int, int]]) -> tuple[list[Arrived], Counters]:
    counters = Counters()
    tracker = SequenceTracker(counters)
    return [tracker.classify(seq % 2**32, ms % 2**32) for seq, ms in frames], counters


def test_a_hole_is_missing_until_its_frame_comes_late() -> None:
    arrived, counters = tracked([(1, 100_100), (2, 100_200), (5, 100_500), (3, 100_300)])
    assert arrived == [Arrived.NEW, Arrived.NEW, Arrived.NEW, Arrived.LATE]
    assert (counters.frames, counters.missing, counters.out_of_order) == (4, 1, 1)


def test_redelivery_is_a_duplicate() -> None:
    arrived, counters = tracked([(1, 100_100), (2, 100_200), (1, 100_100), (2, 100_200)])
    assert arrived[2:] == [Arrived.DUPLICATE] * 2
    assert (counters.frames, counters.duplicates) == (2, 2)


def test_seq_and_clock_wrap() -> None:
    arrived, counters = tracked([(2**32 - 2 + i, 2**32 - 150 + 100 * i) for i in range(5)])
    assert arrived == [Arrived.NEW] * 5
    assert counters.missing == 0


def test_a_restart_is_seen_whether_seq_goes_on_or_back() -> None:
    before = [(i, 500 + 100 * i) for i in range(2000)]
    for seq in (0, 7, 1000, 1999, 2000, 123_456_789, 3_000_000_000):
        arrived, counters = tracked([*before, (seq, 613), (seq + 1, 713), (seq + 2, 813)])
        assert arrived[-3:] == [Arrived.REBOOT, Arrived.NEW, Arrived.NEW], seq
        assert counters.missing == 0


def test_frames_kept_since_soon_after_power_up_are_late_and_no_restart() -> None:
    frames = [(i, 500 + 100 * i) for i in range(3000)]
    arrived, counters = tracked([*frames[:50], *frames[2000:2010], *frames[50:2000], *frames[2010:]])
    assert Arrived.REBOOT not in arrived
    assert counters.missing == 0
    assert counters.frames == 3000
    assert arrived.count(Arrived.LATE) == 1950


def test_primed_from_the_journal_it_knows_what_was_there() -> None:
    counters = Counters()
    tracker = SequenceTracker(counters)
    tracker.prime([(i, 50_000 + 100 * i) for i in range(100)])
    assert counters == Counters()
    assert tracker.classify(99, 59_900) is Arrived.DUPLICATE
    assert tracker.classify(100, 60_000) is Arrived.NEW


def test_frames_older_than_all_that_is_remembered_are_kept() -> None:
    arrived, _ = tracked([(10 * WINDOW, 10**9), (3, 10**9 - 10**8)])
    assert arrived == [Arrived.NEW, Arrived.LATE]


@given(st.integers(0, 2**32 - 1), st.integers(0, 2**32 - 1), st.data())
def test_whatever_the_order_each_frame_counts_once(seq0: int, ms0: int, data: st.DataObject) -> None:
    n = data.draw(st.integers(1, 60))
    frames = [((seq0 + i) % 2**32, (ms0 + 100 * i) % 2**32) for i in range(n)]
    lost = data.draw(st.sets(st.integers(1, max(1, n - 2)), max_size=n // 3)) if n > 2 else set()
    sent = [f for i, f in enumerate(frames) if i not in lost]
    order = sent[:1] + sent[1:] * 2
    rest = order[1:]
    random.Random(data.draw(st.integers(0, 99))).shuffle(rest)
    arrived, counters = tracked([order[0], *rest])
    if Arrived.REBOOT in arrived:  # a clock that has just begun, out of order: told apart only by its beat
        assert ms0 < 30_000 or ms0 > 2**32 - 10_000
        return
    assert counters.frames == len(sent)
    assert counters.duplicates == len(sent) - 1
    assert counters.missing == len([i for i in lost if i < max(frames.index(f) for f in sent)])


@given(st.lists(st.tuples(st.integers(0, 2**32 - 1), st.integers(0, 2**32 - 1)), max_size=60))
def test_any_numbers_at_all_are_counted_and_never_negative(frames: list[tuple[int, int]]) -> None:
    arrived, counters = tracked(frames)
    assert counters.missing >= 0
    assert counters.frames + counters.duplicates == len(arrived)
