"""Frames to batches: layouts, statuses, cold junctions, corrections, and converting stored batches again."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.conversion.amplifiers import AMPLIFIERS, encode_word
from logger.conversion.assembler import Assembler
from logger.conversion.columns import CELSIUS_RANGE_C, COLD_JUNCTION_RANGE_C, convert, reconvert
from logger.physics.thermocouple import compensated_temperature_c, emf_uv
from logger.plan import Plan, Probe
from logger.reading import FAULTS, MAX_CHANNELS, Batch, Channel, Frame, Sample, Status

SECOND_US = 1_000_000


def word(amp: str, temperature_c: float, cold_junction_c: float = 25.0, letter: str = "K") -> Sample:
    return Sample(amp=amp, raw=f"{encode_word(amp, temperature_c, cold_junction_c, letter):x}")


def frames(*chs: dict[str, Sample], rig: str = "a1") -> list[tuple[Frame, int]]:
    return [(Frame(rig, i, 100 * i, ch), i * SECOND_US) for i, ch in enumerate(chs)]


def convert_one(ch: dict[str, Sample], plan: Plan | None = None) -> Batch:
    (batch,) = Assembler(plan).take(frames(ch))
    return batch


def status_of(sample: Sample, plan: Plan | None = None) -> Status:
    batch = convert_one({"k0": sample}, plan)
    assert np.isnan(batch.temperature_c[0, 0]) == (batch.status[0, 0] != Status.OK)
    return Status(batch.status[0, 0])


# --- what each way of sending gives ---


def test_every_way_of_delivering() -> None:
    """The same 800 °C with a junction at 25 °C, as each chip and each kind of channel sends it."""
    batch = convert_one(
        {
            "line": word("max31855", 800.0),
            "own": word("max31856", 800.0),
            "i2c": word("mcp9600", 800.0),
            "old": word("max6675", 800.0),
            # NIST Monograph 175, type K: 33.275 mV at 800 °C, 1.000 mV at 25 °C
            "uv": Sample(uv=33275.0 - 1000.0, cj=25.0),
            "c": Sample(c=800.0),
            "ir0": Sample(amp="mlx90614", raw="3af7"),
        }
    )
    assert (batch.status == Status.OK).all()
    half_count_c = 0.25 / 2 * 41.276 / 41.0 + 1e-3  # of the straight line, in true degrees
    expected = [(800, half_count_c), (800, 1e-9), (800, 1e-9), (800, half_count_c), (800, 0.02), (800, 0)]
    for got, (truth, error) in zip(batch.temperature_c[0], [*expected, (28.75, 1e-9)], strict=True):
        assert got == pytest.approx(truth, rel=0, abs=error)
    np.testing.assert_array_equal(
        batch.cold_junction_c[0], [25, 25, 25, np.nan, 25, np.nan, np.nan], "assumed is not measured"
    )
    assert [c.kind for c in batch.channels] == ["word"] * 4 + ["emf", "celsius", "word"]
    assert [c.letter for c in batch.channels] == ["K"] * 5 + [None, None]


def test_raw_is_kept_as_sent() -> None:
    batch = convert_one({"k0": Sample(amp="max31856", raw="FFEC064f0000"), "k1": Sample(uv=7.5, cj=-3.25)})
    assert batch.raw[0].tolist() == [float(0xFFEC_064F_0000), 7.5]
    assert batch.raw_cj[0].tolist()[1] == -3.25
    assert np.isnan(batch.raw_cj[0, 0])


def test_times_and_counters() -> None:
    (batch,) = Assembler().take(frames(*[{"k0": Sample(c=float(i))} for i in range(5)]))
    assert batch.rig == "a1"
    assert batch.t_us.tolist() == [i * SECOND_US for i in range(5)]
    assert batch.seq.tolist() == list(range(5))
    assert batch.ms.tolist() == [100 * i for i in range(5)]
    assert batch.temperature_c[:, 0].tolist() == [0, 1, 2, 3, 4]
    assert {a.dtype for a in (batch.t_us, batch.seq, batch.ms)} == {np.dtype(np.int64)}
    assert batch.status.dtype == np.uint8
    assert Assembler().take([]) == []


def test_letters_come_from_the_plan() -> None:
    plan = Plan(
        probes=(
            Probe("windward", channel="k0", letter="N"),
            Probe("top", channel="k1", rig="b2", letter="S"),
            Probe("lid", channel="ir0", reads="surface", letter=None),
        )
    )
    batch = convert_one(
        {
            "k0": Sample(uv=emf_uv("N", 700.0), cj=0.0),
            "k1": Sample(uv=emf_uv("K", 650.0), cj=0.0),  # this rig is not b2
            "ir0": word("mlx90614", 120.0),
        },
        plan,
    )
    assert [c.letter for c in batch.channels] == ["N", "K", None]
    np.testing.assert_allclose(batch.temperature_c[0], [700, 650, 120], atol=0.011)
    (other,) = Assembler(plan).take(frames({"k1": Sample(uv=emf_uv("S", 650.0), cj=0.0)}, rig="b2"))
    assert other.temperature_c[0, 0] == pytest.approx(650, abs=1e-3)


@given(
    st.sampled_from("EJKNRST"),
    st.sampled_from([a for a, chip in AMPLIFIERS.items() if chip.junction is not None]),
    st.floats(100, 390),
    st.floats(1, 60),
)
def test_chips_and_emf_agree(letter: str, amp: str, temperature_c: float, junction_c: float) -> None:
    plan = Plan(probes=(Probe("a", channel="a", letter=letter), Probe("b", channel="b", letter=letter)))
    uv = emf_uv(letter, temperature_c) - emf_uv(letter, junction_c)
    batch = convert_one(
        {"a": word(amp, temperature_c, junction_c, letter), "b": Sample(uv=uv, cj=junction_c)}, plan
    )
    # A count of the line is most degrees where the type's slope is smallest relative to it: R and S at 100 °C.
    assert batch.temperature_c[0, 0] == pytest.approx(batch.temperature_c[0, 1], rel=0, abs=0.32)
    assert batch.cold_junction_c[0, 0] == pytest.approx(junction_c, rel=0, abs=0.032)


# --- faults and nonsense ---


@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_stands_whatever_else_is_given(fault: str) -> None:
    for sample in (Sample(), Sample(c=20.0), Sample(uv=1.0, cj=20.0), word("max31855", 500.0)):
        batch = convert_one({"k0": replace_fault(sample, fault), "k1": Sample(c=20.0)})
        assert batch.status[0].tolist() == [FAULTS[fault], Status.OK]
        assert np.isnan(batch.temperature_c[0, 0])
        assert np.isnan(batch.raw[0, 0])


def replace_fault(sample: Sample, fault: str) -> Sample:
    return Sample(amp=sample.amp, raw=sample.raw, uv=sample.uv, cj=sample.cj, c=sample.c, fault=fault)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("sample", "status"),
    [
        (Sample(amp="max31855", raw="00011901"), Status.OPEN),
        (Sample(amp="max31855", raw="ffffffff"), Status.CORRUPT),
        (Sample(amp="max31855", raw="2f10190"), Status.CORRUPT),  # fault bit without a reason
        (Sample(amp="mlx90614", raw="7fff"), Status.RANGE),
        (Sample(amp="mlx90614", raw="a41f"), Status.CORRUPT),  # the chip's error flag
        # not a register word
        (Sample(amp="max31855", raw="xyz"), Status.CORRUPT),
        (Sample(amp="max31855", raw=""), Status.CORRUPT),
        (Sample(amp="max31855", raw="0x640190"), Status.CORRUPT),
        (Sample(amp="max31855", raw="6_40190"), Status.CORRUPT),
        (Sample(amp="max31855", raw=" 640190"), Status.CORRUPT),
        (Sample(amp="max31855", raw="-640190"), Status.CORRUPT),
        (Sample(amp="max31855", raw="1" * 400), Status.CORRUPT),
        (Sample(amp="max31855"), Status.CORRUPT),
        (Sample(amp="max31855", raw="106401900"), Status.CORRUPT),  # 33 bits
        (Sample(amp="abc1", raw="6401900"), Status.CORRUPT),
        (Sample(raw="6401900"), Status.CORRUPT),
        (Sample(uv=1000.0), Status.NO_COLD_JUNCTION),
        (Sample(cj=20.0), Status.CORRUPT),
        (Sample(), Status.CORRUPT),
        # out of range
        (Sample(c=-273.16), Status.RANGE),
        (Sample(c=2500.1), Status.RANGE),
        (Sample(c=math.inf), Status.RANGE),
        (Sample(c=math.nan), Status.CORRUPT),
        (Sample(uv=1e9, cj=20.0), Status.RANGE),
        (Sample(uv=-math.inf, cj=20.0), Status.RANGE),
        (Sample(uv=math.nan, cj=20.0), Status.CORRUPT),
        (Sample(uv=54887.0, cj=0.0), Status.RANGE),  # type K ends at 54886.4 µV
        (Sample(uv=20000.0, cj=150.1), Status.RANGE),
        (Sample(uv=20000.0, cj=-55.1), Status.RANGE),
        (Sample(uv=20000.0, cj=math.inf), Status.RANGE),
        (Sample(uv=20000.0, cj=math.nan), Status.NO_COLD_JUNCTION),
        (Sample(uv=20000.0, cj=1e9), Status.RANGE),
    ],
    ids=str,
)
def test_what_is_no_reading(sample: Sample, status: Status) -> None:
    assert status_of(sample) == status


def test_ends_of_what_is_believed() -> None:
    for c in CELSIUS_RANGE_C:
        assert status_of(Sample(c=c)) == Status.OK
    for cj in COLD_JUNCTION_RANGE_C:
        assert status_of(Sample(uv=20000.0, cj=cj)) == Status.OK


def test_a_bad_word_among_good_ones() -> None:
    """The slow path gives the same as the fast one."""
    good = [word("max31855", 100.0 + i) for i in range(6)]
    bad = good.copy()
    bad[3] = Sample(amp="max31855", raw="nonsense")
    (a,) = Assembler().take(frames(*[{"k0": s} for s in good]))
    (b,) = Assembler().take(frames(*[{"k0": s} for s in bad]))
    assert b.status[:, 0].tolist() == [0, 0, 0, Status.CORRUPT, 0, 0]
    keep = [0, 1, 2, 4, 5]
    np.testing.assert_array_equal(a.temperature_c[keep], b.temperature_c[keep])
    np.testing.assert_array_equal(a.raw[keep], b.raw[keep])


def test_troubles_are_told_once_with_their_mend() -> None:
    plan = Plan(
        probes=(
            Probe("a", channel="b_type", letter="B"),
            Probe("b", channel="nothing", letter=None, reads="wall"),
        )
    )
    assembler = Assembler(plan)
    ch = {
        "unknown": Sample(amp="abc1", raw="1f"),
        "b_type": word("max31855", 500.0),
        "garbled": Sample(amp="max31855", raw="hello"),
        "wide": Sample(amp="max6675", raw="12345"),
        "lonely": Sample(uv=1000.0),
        "nothing": Sample(uv=1000.0, cj=20.0),
        "fine": word("max31855", 500.0),
    }
    assembler.take(frames(ch, ch))
    troubles = {t.channel: t for t in assembler.new_troubles()}
    assert set(troubles) == set(ch) - {"fine"}
    assert all(t.rig == "a1" for t in troubles.values())
    assert "no amplifier is called 'abc1'" in troubles["unknown"].text
    assert "correct 'type' in the plan" in troubles["b_type"].text
    assert "isn't a register word in hex; fix the firmware" in troubles["garbled"].text
    assert "too long for a max6675's word" in troubles["wide"].text
    assert "in the plan name a channel that has one as 'cold_junction'" in troubles["lonely"].text
    assert "taken for K; add 'type'" in troubles["nothing"].text
    assembler.take(frames(ch))
    assert assembler.new_troubles() == []


# --- layouts ---


def test_a_channel_that_stays_away_keeps_its_column() -> None:
    assembler = Assembler()
    (first,) = assembler.take(frames({"k0": Sample(c=1.0), "ir0": word("mlx90614", 30.0)}))
    (batch,) = assembler.take(
        frames({"k0": Sample(c=1.0)}, {"ir0": word("mlx90614", 30.0)}, {"k0": Sample(fault="open")})
    )
    assert batch.channels is first.channels
    a, o = Status.ABSENT, Status.OK
    assert batch.status.tolist() == [[o, a], [a, o], [Status.OPEN, a]]
    assert np.isnan(batch.raw).tolist() == [[False, True], [True, False], [True, True]]
    assert np.isnan(batch.temperature_c).tolist() == [[False, True], [True, False], [True, True]]


def test_a_new_channel_begins_a_new_layout() -> None:
    assembler = Assembler()
    first, second = assembler.take(
        frames(
            {"k0": Sample(c=1.0)},
            {"k0": Sample(c=2.0)},
            {"k0": Sample(c=3.0), "k1": Sample(c=4.0)},
            {"k1": Sample(c=5.0)},
        )
    )
    assert [c.name for c in first.channels] == ["k0"]
    assert [c.name for c in second.channels] == ["k0", "k1"]
    assert first.temperature_c[:, 0].tolist() == [1, 2]
    assert second.seq.tolist() == [2, 3]
    assert second.status.tolist() == [[0, 0], [Status.ABSENT, 0]]


def test_a_channel_that_delivers_otherwise_begins_a_new_layout() -> None:
    assembler = Assembler()
    chs = [
        {"k0": word("max31855", 300.0), "k1": Sample(c=1.0)},
        {"k0": Sample(uv=9000.0, cj=20.0), "k1": Sample(c=1.0)},
        {"k0": word("max31856", 300.0), "k1": Sample(c=1.0)},
    ]
    batches = assembler.take(frames(*chs, *chs))
    assert [b.channels[0].amp or b.channels[0].kind for b in batches] == ["max31855", "emf", "max31856"] * 2
    assert [[c.name for c in b.channels] for b in batches] == [["k0", "k1"]] * 6
    assert all((b.status == Status.OK).all() for b in batches)


def test_a_fault_before_the_first_reading() -> None:
    """Nobody knows yet how the channel will be sent; its chip tells, if it is named."""
    unknown, emf = Assembler().take(frames({"k0": Sample(fault="open")}, {"k0": Sample(uv=1.0, cj=20.0)}))
    assert unknown.status[0, 0] == Status.OPEN
    assert (unknown.channels[0].kind, emf.channels[0].kind) == ("celsius", "emf")
    (known,) = Assembler().take(
        frames({"k0": Sample(amp="max31855", fault="open")}, {"k0": word("max31855", 30.0)})
    )
    assert known.status[:, 0].tolist() == [Status.OPEN, Status.OK]


def test_rigs_are_kept_apart() -> None:
    a = frames(*[{"k0": Sample(c=1.0)}] * 3, rig="a1")
    b = frames(*[{"k0": word("max31855", 300.0), "k9": Sample(c=5.0)}] * 3, rig="b2")
    mixed = [pair for both in zip(a, b, strict=True) for pair in both]
    batches = Assembler().take(mixed)
    assert [(x.rig, len(x.t_us), len(x.channels)) for x in batches] == [("a1", 3, 1), ("b2", 3, 2)]


@pytest.mark.slow
def test_memory_stays_bounded() -> None:
    """A rig that keeps inventing new names, and an endless supply of new rigs."""
    assembler = Assembler(Plan(probes=(Probe("x", channel="k0"),)))
    for start in range(0, 2000, 50):
        chs = [{f"k{start + i}": Sample(amp=f"chip{start + i}", raw="1")} for i in range(50)]
        for batch in assembler.take(frames(*chs)):
            assert len(batch.channels) <= MAX_CHANNELS
    for i in range(600):
        (batch,) = assembler.take(frames({"k0": Sample(c=1.0)}, rig=f"r{i}"))
        assert batch.temperature_c[0, 0] == 1.0
    assert len(assembler._probes) == 1
    assert len(assembler._layouts) <= 256
    assert len(assembler._told) == 1024


samples = st.one_of(
    st.builds(Sample, c=st.floats(-300, 2600)),
    st.builds(Sample, uv=st.floats(-1e4, 8e4), cj=st.one_of(st.none(), st.floats(-60, 160))),
    st.builds(
        Sample, amp=st.sampled_from(["max31855", "mlx90614"]), raw=st.integers(0, 2**33).map("{:x}".format)
    ),
    st.builds(Sample, fault=st.sampled_from(list(FAULTS))),
    st.builds(Sample, amp=st.just("max6675"), raw=st.sampled_from(["c80", "0", "4", "zz", "fffff"])),
)
streams = st.lists(
    st.tuples(
        st.sampled_from(["a1", "b2"]),
        st.dictionaries(st.sampled_from(["k0", "k1", "k2"]), samples, min_size=1, max_size=3),
    ),
    max_size=12,
)


def by_frame(batches: Sequence[Batch]) -> dict[tuple[str, int], dict[str, tuple[float, ...]]]:
    """The value of each frame's channels, in whatever batch and column they are."""
    return {
        (b.rig, int(b.seq[i])): {
            c.name: (
                b.raw[i, j],
                b.raw_cj[i, j],
                b.temperature_c[i, j],
                b.cold_junction_c[i, j],
                b.status[i, j],
            )
            for j, c in enumerate(b.channels)
            if b.status[i, j] != Status.ABSENT
        }
        for b in batches
        for i in range(len(b.seq))
    }


@given(streams, st.integers(1, 11))
def test_results_do_not_depend_on_how_frames_are_cut(
    stream: list[tuple[str, dict[str, Sample]]], cut: int
) -> None:
    timed = [(Frame(rig, i, i, ch), i) for i, (rig, ch) in enumerate(stream)]
    plan = Plan(probes=(Probe("x", channel="k0", letter="N", cold_junction="k1"),))
    whole = Assembler(plan).take(timed)
    pieces_of = Assembler(plan)
    pieces = [b for start in range(0, len(timed), cut) for b in pieces_of.take(timed[start : start + cut])]
    a, b = by_frame(whole), by_frame(pieces)
    assert a.keys() == b.keys() == {(f.rig, f.seq) for f, _ in timed}
    for key, channels in a.items():
        assert channels.keys() == b[key].keys() == timed[key[1]][0].ch.keys()
        for name, values in channels.items():
            # A sum over several readings at once may round its last bit otherwise: less than 10⁻⁷ °C.
            np.testing.assert_allclose(values, b[key][name], rtol=0, atol=1e-6)


anything = st.builds(
    Sample,
    amp=st.one_of(st.none(), st.sampled_from([*AMPLIFIERS, "MAX31855", "", "☃"])),
    raw=st.sampled_from([None, "", "0", "g", "-1", "☃", "٣", "ffffffff", "6401900", "1" * 13, "1" * 14]),
    uv=st.sampled_from([None, 0.0, 9e3, 1e300, -1e300, math.inf, math.nan]),
    cj=st.sampled_from([None, 0.0, 25.0, -1e300, math.inf, math.nan]),
    c=st.sampled_from([None, 0.0, 800.0, 1e300, -math.inf, math.nan]),
    fault=st.one_of(st.none(), st.sampled_from(list(FAULTS))),
)


@given(
    st.lists(st.dictionaries(st.sampled_from(["k0", "k1", "ir0"]), anything), max_size=8),
    st.sampled_from(["K", "B", "R", None]),
)
def test_anything_at_all_is_a_temperature_or_a_status(
    chs: list[dict[str, Sample]], letter: str | None
) -> None:
    plan = Plan(
        probes=(
            Probe("x", channel="k0", letter=letter, cold_junction="k1"),
            Probe("y", channel="k1", cold_junction="k0"),
        )
    )
    for batch in Assembler(plan).take(frames(*chs)):
        ok = batch.status == Status.OK
        np.testing.assert_array_equal(np.isfinite(batch.temperature_c), ok)
        assert set(batch.status.ravel().tolist()) <= {int(s) for s in Status}
        assert (batch.temperature_c[ok] >= -273.15).all()
        assert (batch.temperature_c[ok] <= 2500).all()


# --- cold junctions ---


def plan_with_junction(source: str) -> Plan:
    return Plan(
        probes=(
            Probe("a", channel="k0", cold_junction=source),
            Probe("b", channel=source if source != "k0" else "k1"),
        )
    )


@pytest.mark.parametrize(
    "source",
    [word("max31855", 300.0, 40.0), word("mcp9600", 300.0, 40.0), Sample(uv=9e3, cj=40.0), Sample(c=40.0)],
    ids=["max31855", "mcp9600", "emf", "thermometer"],
)
def test_a_named_channel_lends_its_cold_junction(source: Sample) -> None:
    uv = emf_uv("K", 700.0) - emf_uv("K", 40.0)
    batch = convert_one({"k0": Sample(uv=uv), "k1": source, "k2": Sample(uv=uv)}, plan_with_junction("k1"))
    assert batch.channels[0].cold_junction == "k1"
    assert batch.temperature_c[0, 0] == pytest.approx(700, rel=0, abs=1e-3)
    assert batch.cold_junction_c[0, 0] == 40.0
    assert np.isnan(batch.raw_cj[0, 0])  # borrowed, not sent
    assert batch.status[0, 2] == Status.NO_COLD_JUNCTION  # nobody lends to k2


def test_an_open_couple_still_lends_its_chips_junction() -> None:
    uv = emf_uv("K", 700.0) - emf_uv("K", 25.0)
    batch = convert_one(
        {"k0": Sample(uv=uv), "k1": Sample(amp="max31855", raw="11901")}, plan_with_junction("k1")
    )
    assert batch.status[0].tolist() == [Status.OK, Status.OPEN]
    assert batch.temperature_c[0, 0] == pytest.approx(700, rel=0, abs=1e-3)


@pytest.mark.parametrize(
    "source",
    [
        Sample(fault="open"),
        Sample(uv=9e3),
        Sample(c=800.0),
        Sample(c=-300.0),
        word("mlx90614", 30.0),
        Sample(amp="max31855", raw="ffffffff"),
        word("max6675", 300.0),
    ],
    ids=str,
)
def test_a_named_channel_with_nothing_to_lend(source: Sample) -> None:
    """Least of all from what it would have to borrow or assume itself."""
    batch = convert_one({"k0": Sample(uv=9e3), "k1": source}, plan_with_junction("k1"))
    assert batch.status[0, 0] == Status.NO_COLD_JUNCTION


@pytest.mark.parametrize("order", [("k0", "k1", "k2"), ("k2", "k1", "k0")])
def test_what_is_lent_is_never_lent_on(order: tuple[str, ...]) -> None:
    plan = Plan(
        probes=(Probe("a", channel="k0", cold_junction="k1"), Probe("b", channel="k1", cold_junction="k2"))
    )
    ch = {"k0": Sample(uv=9e3), "k1": Sample(uv=9e3), "k2": Sample(c=30.0)}
    batch = convert_one({name: ch[name] for name in order}, plan)
    by_name = dict(zip(order, batch.status[0].tolist(), strict=True))
    assert by_name == {"k0": Status.NO_COLD_JUNCTION, "k1": Status.OK, "k2": Status.OK}


def test_a_named_channel_that_is_not_there() -> None:
    assert status_of(Sample(uv=9e3), plan_with_junction("k7")) == Status.NO_COLD_JUNCTION
    assert status_of(Sample(uv=9e3), plan_with_junction("k0")) == Status.NO_COLD_JUNCTION


def test_own_cold_junction_goes_before_a_lent_one() -> None:
    chs = [
        {"k0": Sample(uv=9e3, cj=20.0), "k1": Sample(c=40.0)},
        {"k0": Sample(uv=9e3), "k1": Sample(c=40.0)},
    ]
    (batch,) = Assembler(plan_with_junction("k1")).take(frames(*chs))
    assert batch.cold_junction_c[:, 0].tolist() == [20, 40]
    for got, junction_c in zip(batch.temperature_c[:, 0], (20.0, 40.0), strict=True):
        assert got == pytest.approx(compensated_temperature_c("K", 9e3, junction_c), rel=0, abs=1e-9)


def test_max6675_with_a_lent_cold_junction() -> None:
    chs = [
        {"k0": word("max6675", 800.0, -20.0), "k1": Sample(c=-20.0)},
        {"k0": word("max6675", 800.0, -20.0)},
        {"k0": Sample(amp="max6675", raw="4"), "k1": Sample(c=-20.0)},
    ]
    (batch,) = Assembler(plan_with_junction("k1")).take(frames(*chs))
    assert batch.channels[0].cold_junction == "k1"
    assert batch.status[:, 0].tolist() == [Status.OK, Status.OK, Status.OPEN]
    assert batch.temperature_c[0, 0] == pytest.approx(800, rel=0, abs=0.13)
    assert 798 < batch.temperature_c[1, 0] < 799  # 25 °C assumed
    np.testing.assert_array_equal(batch.cold_junction_c[:, 0], [-20, np.nan, -20])


# --- corrections ---


def test_corrections_from_a_calibration() -> None:
    plan = Plan(
        probes=(
            Probe("none", channel="k0"),
            Probe("offset", channel="k1", correction=((1.5, 0.0),)),
            Probe("line", channel="k2", correction=((11.0, 10.0), (112.0, 110.0))),
        )
    )
    (batch,) = Assembler(plan).take(
        frames(
            {f"k{i}": Sample(c=51.5) for i in range(3)},
            {f"k{i}": Sample(fault="open") for i in range(3)},
        )
    )
    np.testing.assert_allclose(
        batch.temperature_c[0], [51.5, 50.0, 10 + 40.5 * 100 / 101], rtol=0, atol=1e-12
    )
    assert batch.raw[0].tolist() == [51.5] * 3
    assert np.isnan(batch.temperature_c[1]).all()


# --- stored batches ---


def test_a_stored_batch_converts_to_the_same() -> None:
    """Statuses that came from the rig stay; all others are worked out again from the raw values."""
    chs = [
        {
            "k0": word("max31855", 500.0),
            "k1": Sample(uv=9e3),
            "k2": Sample(fault="short_ground"),
            "ir0": word("mlx90614", 900.0),
        },
        {"k0": Sample(amp="max31855", raw="bad!"), "k1": Sample(uv=9e3, cj=20.0), "k2": Sample(c=3.0)},
    ]
    assembler = Assembler()
    for batch in assembler.take(frames(*chs)) + assembler.take(frames(*chs[::-1])):
        got = convert(batch.channels, batch.raw, batch.raw_cj, batch.status)
        np.testing.assert_array_equal(got.temperature_c, batch.temperature_c)
        np.testing.assert_array_equal(got.cold_junction_c, batch.cold_junction_c)
        np.testing.assert_array_equal(got.status, batch.status)


def test_a_stored_batch_with_another_plan() -> None:
    """The type was wrong and the cold junction forgotten: put right afterwards, from the raw values."""
    uv = emf_uv("N", 700.0) - emf_uv("N", 30.0)
    (batch,) = Assembler().take(
        frames({"k0": Sample(uv=uv), "k1": word("max31855", 200.0, 30.0)}, {"k0": Sample(fault="open")})
    )
    assert batch.status[0, 0] == Status.NO_COLD_JUNCTION
    before = replace(batch, raw=batch.raw.copy(), status=batch.status.copy())
    mended = reconvert(
        batch,
        [
            Probe("a", channel="k0", letter="N", cold_junction="k1", correction=((0.0, 2.0),)),
            Probe("b", channel="k1"),
        ],
    )
    assert mended.status.tolist() == [[Status.OK, Status.OK], [Status.OPEN, Status.ABSENT]]
    assert mended.temperature_c[0, 0] == pytest.approx(702, rel=0, abs=1e-3)
    assert (mended.channels[0].letter, mended.channels[0].cold_junction) == ("N", "k1")
    np.testing.assert_array_equal(batch.raw, before.raw)
    np.testing.assert_array_equal(batch.status, before.status)


def test_a_value_that_is_missing_without_a_reason_is_corrupt() -> None:
    got = convert(
        [Channel("k0", "celsius")], np.array([[np.nan]]), np.array([[np.nan]]), np.zeros((1, 1), np.uint8)
    )
    assert got.status[0, 0] == Status.CORRUPT


def test_going_on_after_a_restart() -> None:
    """If a probe names no rig, the rig that came first decides which of two it means, and stays so later."""
    plan = Plan(probes=(Probe("north", channel="k0", letter="N"),))
    timed = frames({"k0": Sample(uv=1e4, cj=0.0)}, rig="b2")
    (fresh,) = Assembler(plan).take(timed)
    (resumed,) = Assembler(plan, [("a1", "k0"), ("b2", "k0")]).take(timed)
    assert (fresh.channels[0].letter, resumed.channels[0].letter) == ("N", "K")


@pytest.mark.parametrize("n", [0, 1, 700])
def test_any_number_of_rows(n: int) -> None:
    channels = [
        Channel("k0", "word", "max31855", "K"),
        Channel("k1", "emf", None, "K", "k0"),
        Channel("ir0", "word", "mlx90614"),
        Channel("k2", "word", "max6675", "K", "k0"),
        Channel("c", "celsius"),
    ]
    raw = np.tile([float(0x0640_1900), 1e3, float(0x3AF7), float(0xC80), 20.0], (n, 1))
    got = convert(channels, raw, np.full((n, 5), np.nan), np.zeros((n, 5), np.uint8))
    assert got.temperature_c.shape == got.cold_junction_c.shape == got.status.shape == (n, 5)
    assert (got.status == Status.OK).all()
    empty = convert([], np.empty((n, 0)), np.empty((n, 0)), np.empty((n, 0), np.uint8))
    assert empty.status.shape == (n, 0)
