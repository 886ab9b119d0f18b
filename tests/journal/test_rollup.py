"""Rollups against plain numpy on the raw readings."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.journal.reader import JournalReader
from logger.journal.rollup import EMPTY, LEVELS_S, dump_buckets, load_buckets, roll_minute
from logger.journal.writer import JournalWriter
from logger.reading import Batch, Status
from tests.journal.journal_batches import START_US, make_batch

STATUSES = [Status.OK, Status.OK, Status.OK, Status.OPEN, Status.RANGE, Status.ABSENT]


def plainly(
    t_us: np.ndarray, values: np.ndarray, status: np.ndarray, level_s: int
) -> dict[int, tuple[float, float, float, float, int, int]]:
    """One column, bucket by bucket, in the plainest way."""
    out = {}
    for bucket in np.unique(t_us // (level_s * 1_000_000)):
        here = (t_us // (level_s * 1_000_000) == bucket) & (status != Status.ABSENT)
        if not here.any():
            continue
        ok = values[here & (status == Status.OK)]
        numbers = (ok.min(), ok.max(), ok.mean(), ok[-1]) if len(ok) else (np.nan,) * 4
        out[int(bucket) * level_s * 1_000_000] = (*numbers, len(ok), int(status[here].max()))
    return out


def agree(
    found: tuple[np.ndarray, np.ndarray], t_us: np.ndarray, values: np.ndarray, status: np.ndarray, level: int
) -> None:
    times, buckets = found
    expected = plainly(t_us, values, status, level)
    assert times.tolist() == list(expected)
    for bucket, (low, high, mean, last, count, worst) in zip(buckets, expected.values(), strict=True):
        got = [float(bucket[name]) for name in ("min", "max", "mean", "last")]
        np.testing.assert_array_equal(
            np.array(got)[[0, 1, 3]], np.array([low, high, last], np.float32).astype(float)
        )
        np.testing.assert_allclose(got[2], mean, rtol=3e-7, atol=1e-6)
        assert (int(bucket["count"]), int(bucket["status"])) == (count, worst)


@st.composite
def firings(draw: st.DrawFn) -> tuple[list[Batch], list[bool]]:
    """Frames of up to six minutes in any order, cut into batches anywhere, some of them minutes late."""
    n = draw(st.integers(1, 40))
    k = draw(st.integers(1, 3))
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    # No two at one time: which of those comes last would be anyone's guess.
    t_us = START_US + np.sort(rng.choice(6 * 60_000, n, replace=False)) * 1000
    values = rng.uniform(-50, 1300, (n, k))
    status = rng.choice(STATUSES, (n, k)).astype(np.uint8)
    late = np.array(draw(st.lists(st.booleans(), min_size=n, max_size=n)), bool)
    order = np.concatenate((np.flatnonzero(~late), np.flatnonzero(late)))
    cuts = sorted({0, n, *draw(st.lists(st.integers(0, n), max_size=8))})
    names = [f"k{j}" for j in range(k)]
    batches = [
        make_batch(t_us[order[a:b]], values[order[a:b]], names=names, status=status[order[a:b]])
        for a, b in itertools.pairwise(cuts)
    ]
    return batches, draw(st.lists(st.booleans(), min_size=len(batches), max_size=len(batches)))


@given(made=firings(), level_s=st.sampled_from(LEVELS_S))
@settings(max_examples=60, deadline=None)
def test_rollups_are_right_whatever_came_late(
    made: tuple[list[Batch], list[bool]], level_s: int, shared: tuple[JournalWriter, JournalReader]
) -> None:
    batches, packs = made
    writer, reader = shared
    firing = writer.open_firing("", None, START_US, ended_us=START_US).id
    for batch, pack in zip(batches, packs, strict=True):
        writer.append(firing, batch)
        if pack:
            writer.pack(firing)
    t_us = np.concatenate([b.t_us for b in batches])
    order = np.argsort(t_us, kind="stable")
    values = np.concatenate([b.temperature_c for b in batches])[order]
    status = np.concatenate([b.status for b in batches])[order]
    rollups = reader.rollups(firing, level_s)
    traces = reader.readings(firing)
    assert reader.firing(firing).readings == np.count_nonzero(status != Status.ABSENT)
    for j, column in enumerate(traces.columns):
        i = int(column.channel[1:])
        there = status[:, i] != Status.ABSENT
        np.testing.assert_array_equal(traces.t_us[j], t_us[order][there])
        np.testing.assert_array_equal(traces.temperature_c[j], values[there, i])
        np.testing.assert_array_equal(traces.status[j], status[there, i])
        agree(rollups["a1", column.channel], t_us[order], values[:, i], status[:, i], level_s)


def test_a_channel_that_changes_its_kind_stays_one_column(
    writer: JournalWriter, reader: JournalReader, firing: str
) -> None:
    """A second layout in the same minute and bucket: one line, one bucket."""
    t_us = START_US + np.array([1, 2, 3, 4]) * 1_000_000
    first = make_batch(t_us[:2], [[10.0], [30.0]], names=["k0"])
    second = make_batch(t_us[2:], [[20.0, 5.0], [15.0, 6.0]], names=["k0", "k1"])
    for packed in (False, True):
        if not packed:
            writer.append(firing, first)
            writer.append(firing, second)
        else:
            writer.pack(firing)
        times, buckets = reader.rollups(firing, 10)["a1", "k0"]
        assert times.tolist() == [START_US]
        assert [float(buckets[0][name]) for name in ("min", "max", "mean", "last", "count")] == [
            10,
            30,
            18.75,
            15,
            4,
        ]
        traces = reader.readings(firing)
        assert [c.channel for c in traces.columns] == ["k0", "k1"]
        assert [t.tolist() for t in traces.temperature_c] == [[10.0, 30.0, 20.0, 15.0], [5.0, 6.0]]


@pytest.mark.parametrize("level_s", LEVELS_S)
def test_buckets_come_back_from_their_bytes(level_s: int) -> None:
    rng = np.random.default_rng(2)
    t_us = np.sort(rng.integers(0, 60_000_000, 300))
    status = rng.choice(STATUSES, (300, 5)).astype(np.uint8)
    buckets = roll_minute(t_us, rng.uniform(0, 900, (300, 5)), status)[level_s]
    assert buckets.shape == (60 // level_s, 5)
    key = (level_s, 1, 29_926_680, 2)
    data = dump_buckets(buckets, key)
    assert load_buckets(data, 5, key) == buckets.tobytes()
    with pytest.raises(ValueError, match="damaged"):
        load_buckets(data[:40] + bytes([data[40] ^ 4]) + data[41:], 5, key)
    with pytest.raises(ValueError, match="damaged"):
        load_buckets(data, 5, (level_s, 1, 29_926_681, 2))


def test_a_minute_of_nothing() -> None:
    rolled = roll_minute(np.zeros(0, np.int64), np.zeros((0, 2)), np.zeros((0, 2), np.uint8))
    for level_s, buckets in rolled.items():
        assert buckets.tobytes() == np.full((60 // level_s, 2), EMPTY).tobytes()
