"""What goes into the journal's bytes comes out again, to the bit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.journal.layout import Layout, as_stored, seal, squeeze, unsqueeze, widths_for
from logger.reading import Batch, Channel, Status
from tests.journal.journal_batches import EVERY_KIND, START_US, firing_batch, make_batch, same_batch

KEY = (1, 29926680, 3)


def layout_of(batch: Batch) -> Layout:
    return Layout(1, batch.rig, batch.channels, widths_for(batch.channels, batch.raw))


@st.composite
def batches(draw: st.DrawFn) -> Batch:
    channels = tuple(
        Channel(f"{c.name}_{i}", c.kind, c.amp, c.letter)
        for i, c in enumerate(draw(st.lists(st.sampled_from(EVERY_KIND), min_size=1, max_size=6)))
    )
    n, k = draw(st.integers(1, 5)), len(channels)
    raw, raw_cj, temperature = (np.full((n, k), np.nan) for _ in range(3))
    status = np.zeros((n, k), np.uint8)
    for i in range(n):
        for j, c in enumerate(channels):
            status[i, j] = draw(st.sampled_from(list(Status)))
            if draw(st.booleans()):
                raw[i, j] = draw(st.integers(0, 2**52 - 1) if c.kind == "word" else st.floats(-1e9, 1e9))
            if c.kind == "emf":
                raw_cj[i, j] = draw(st.floats(-1e3, 1e3) | st.just(np.nan))
            if status[i, j] == Status.OK:
                temperature[i, j] = draw(st.floats(-273.15, 2500))
    offsets = draw(st.lists(st.integers(0, 200_000_000), min_size=n, max_size=n))
    return Batch(
        rig=draw(st.sampled_from(["a1", "b2"])),
        channels=channels,
        t_us=START_US + np.array(offsets, np.int64),
        seq=np.array(draw(st.lists(st.integers(0, 2**32 - 1), min_size=n, max_size=n)), np.int64),
        ms=np.array(draw(st.lists(st.integers(0, 2**32 - 1), min_size=n, max_size=n)), np.int64),
        raw=raw,
        raw_cj=raw_cj,
        temperature_c=temperature,
        cold_junction_c=np.full((n, k), np.nan),
        status=status,
    )


@given(batches())
def test_every_kind_of_channel_comes_back_to_the_bit(batch: Batch) -> None:
    batch = as_stored(batch)
    layout = layout_of(batch)
    assert layout.fits(batch.raw)
    records, minute = layout.encode(batch)
    again = Layout.loads(1, layout.rig, layout.dumps())
    assert again == layout
    assert same_batch(
        again.decode(again.load(seal(records.tobytes(), KEY), KEY, packed=False), minute), batch
    )
    packed = unsqueeze(squeeze(records, KEY), layout.dtype, KEY)
    assert same_batch(layout.decode(packed, minute), batch)


def test_chips_of_two_widths_in_turn_keep_their_own_readings() -> None:
    channels = tuple(Channel(f"k{j}", "word", ("max6675", "max31855")[j % 2], "K") for j in range(4))
    made = make_batch([START_US], [[1.0, 2.0, 3.0, 4.0]], names=["k0", "k1", "k2", "k3"])
    batch = replace(made, channels=channels)
    layout = layout_of(batch)
    assert layout.widths == (2, 4, 2, 4)
    records, minute = layout.encode(batch)
    # As it is in every journal: the narrow ones first.
    assert records["tw"].tolist() == [[10_000, 30_000, 20_000, 40_000]]
    assert same_batch(layout.decode(records, minute), batch)


def test_a_word_too_long_for_its_chip_is_not_cut_down_to_a_plausible_one() -> None:
    channels = (Channel("k0", "word", "max31855", "K"),)
    raw = np.array([[float(0x1_02F1_0190)]])
    narrow = Layout(1, "a1", channels, widths_for(channels))
    assert narrow.widths == (4,)
    assert not narrow.fits(raw)
    assert widths_for(channels, raw) == (8,)


def test_words_take_no_more_bytes_than_their_chip_sends() -> None:
    assert widths_for(EVERY_KIND) == (4, 2, 8, 8, 0, 0, 2, 0)


def test_rounding_is_what_the_journal_does_and_small() -> None:
    channels = (Channel("k0", "word", "max31855", "K"), Channel("c0", "celsius"))
    values = np.array([[1199.98766, 1199.98766]])
    zeros = np.zeros((1, 2))
    one = np.array([1], np.int64)
    batch = Batch("a1", channels, one, one, one, zeros, zeros, values, zeros, zeros.astype(np.uint8))
    rounded = as_stored(batch).temperature_c
    assert rounded[0, 1] == values[0, 1]
    assert rounded[0, 0] != values[0, 0]
    assert rounded[0, 0] == 1199.9877
    assert batch.temperature_c is values


def test_damage_in_packed_data_is_noticed() -> None:
    """A checksum of our own: without it a flipped bit would be a temperature."""
    layout = layout_of(firing_batch(600))
    records = layout.encode(firing_batch(600))[0]
    data = bytearray(squeeze(records, KEY))
    rng = np.random.default_rng(5)
    for at in rng.integers(0, len(data), 200):
        bad = data.copy()
        bad[at] ^= 1 << int(rng.integers(8))
        with pytest.raises(ValueError, match="damaged"):
            unsqueeze(bytes(bad), layout.dtype, KEY)
    with pytest.raises(ValueError, match="damaged"):
        unsqueeze(bytes(data[:-9]), layout.dtype, KEY)
