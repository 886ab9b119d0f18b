"""The wire: any bytes may come in, only true frames come out."""

import contextlib
import json
import zlib
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.reading import FAULTS, MAX_CHANNELS, Frame, Sample
from logger.rig_line.wire import (
    MAX_LINE,
    BadCrc,
    LineSplitter,
    Malformed,
    WireError,
    checksum,
    decode,
    encode,
)


def line(body: bytes | str | dict[str, Any]) -> bytes:
    """Give the bytes a correct CRC, whatever they are."""
    if isinstance(body, dict):
        body = json.dumps(body)
    if isinstance(body, str):
        body = body.encode()
    return body + f"*{zlib.crc32(body):08x}".encode()


def one_channel(sample: str, name: str = "k0") -> bytes:
    return line(f'{{"rig":"a1","seq":1,"ms":50,"ch":{{"{name}":{sample}}}}}')


names = st.from_regex(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,31}", fullmatch=True)
numbers = st.floats(-1e9, 1e9)
words = st.text("0123456789abcdefABCDEF", min_size=1, max_size=13)
chips = st.text(st.characters(min_codepoint=0x20, max_codepoint=0x7E), min_size=1, max_size=32)
faults = st.sampled_from(sorted(FAULTS))
maybe_fault = st.none() | faults
samples = st.one_of(
    st.builds(Sample, amp=chips, raw=words, fault=maybe_fault),
    st.builds(Sample, uv=numbers, cj=st.none() | numbers, fault=maybe_fault),
    st.builds(Sample, c=numbers, fault=maybe_fault),
    st.builds(Sample, fault=faults, amp=st.none() | chips, cj=st.none() | numbers),
)
counters = st.integers(0, 2**32 - 1)
frames = st.builds(
    Frame, rig=names, seq=counters, ms=counters, ch=st.dictionaries(names, samples, min_size=1, max_size=8)
)


def test_interface_example_is_read() -> None:
    # The line of interfaces.md, with a correct CRC: the value is zlib.crc32's, written down here so that
    # encoder and decoder can't both be wrong in the same way.
    body = (
        b'{"rig":"a1","seq":18233,"ms":911650,"ch":{"k0":{"amp":"max31855","raw":"2f10190"},'
        b'"k1":{"uv":31214.0,"cj":27.4},"k2":{"c":512.3},"ir0":{"amp":"mlx90614","raw":"a41f"}}}'
    )
    frame = decode(body + b"*" + INTERFACE_CRC)
    assert frame == Frame(
        rig="a1",
        seq=18233,
        ms=911650,
        ch={
            "k0": Sample(amp="max31855", raw="2f10190"),
            "k1": Sample(uv=31214.0, cj=27.4),
            "k2": Sample(c=512.3),
            "ir0": Sample(amp="mlx90614", raw="a41f"),
        },
    )
    assert encode(frame) == body + b"*" + INTERFACE_CRC + b"\n"
    assert checksum(encode(frame)) == int(INTERFACE_CRC, 16)


INTERFACE_CRC = b"652cc8a4"


def test_checksum_is_iso_hdlc() -> None:
    # Check value of CRC-32/ISO-HDLC for the nine ASCII digits: catalogues of CRC algorithms print cbf43926
    # (from memory). The body is no frame, so once past the CRC it counts as Malformed.
    with pytest.raises(Malformed):
        decode(b"123456789*cbf43926")
    with pytest.raises(BadCrc):
        decode(b"123456789*cbf43927")


@given(frames)
def test_round_trip(frame: Frame) -> None:
    assert decode(encode(frame)) == frame
    assert encode(frame).endswith(b"\n")


@given(st.binary(max_size=300))
def test_any_bytes_are_refused_not_fatal(data: bytes) -> None:
    with pytest.raises(WireError):
        decode(data)


@given(st.binary(max_size=300))
def test_any_bytes_with_a_true_crc_are_refused_not_fatal(data: bytes) -> None:
    with pytest.raises(Malformed):
        decode(line(data))


json_like = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.sampled_from(["rig", "seq", "ms", "ch", "k0", "c", "uv", "raw", "amp"]), inner)
    ),
    max_leaves=12,
)


@given(json_like)
def test_any_json_is_a_true_frame_or_refused(document: Any) -> None:
    data = line(json.dumps(document))
    try:
        frame = decode(data)
    except WireError:
        return
    # What is accepted means the same to a second, independent reader of JSON.
    assert document["rig"] == frame.rig
    assert (document["seq"], document["ms"]) == (frame.seq, frame.ms)
    for name, sample in document["ch"].items():
        given_keys = {key: value for key, value in sample.items() if value is not None}
        for key in ("raw", "amp", "uv", "cj", "c", "fault"):
            assert getattr(frame.ch[name], key) == given_keys.get(key)


@given(frames, st.data())
def test_a_damaged_byte_never_makes_another_frame(frame: Frame, data: st.DataObject) -> None:
    whole = encode(frame).rstrip(b"\n")
    at = data.draw(st.integers(0, len(whole) - 1))
    damage = data.draw(st.sampled_from(["flip", "drop", "double", "cut"]))
    match damage:
        case "flip":
            damaged = whole[:at] + bytes([whole[at] ^ data.draw(st.integers(1, 255))]) + whole[at + 1 :]
        case "drop":
            damaged = whole[:at] + whole[at + 1 :]
        case "double":
            damaged = whole[: at + 1] + whole[at:]
        case _:
            damaged = whole[:at]
    with pytest.raises(WireError):
        decode(damaged)


@pytest.mark.parametrize(
    "crc",
    [
        b"",
        b"*",
        b"*5d1f0b7",
        b"*5D1F0B7A",
        b"*0x5d1f0b",
        b"* 5d1f0b7",
        b"*+5d1f0b7",
        b"5d1f0b7a",
        b"*5d1f0b7a ",
    ],
)
def test_checksum_must_be_eight_lower_case_digits(crc: bytes) -> None:
    with pytest.raises(BadCrc):
        decode(b'{"rig":"a1","seq":1,"ms":50,"ch":{"k0":{"c":20.5}}}' + crc)


def test_upper_case_checksum_is_refused_though_its_value_is_right() -> None:
    good = next(
        g
        for seq in range(99)
        if (g := encode(Frame("a1", seq, 5, {"k0": Sample(c=1.0)}))[-9:-1]).isalnum() and g != g.upper()
    )
    whole = next(
        w
        for seq in range(99)
        if (w := encode(Frame("a1", seq, 5, {"k0": Sample(c=1.0)}))).endswith(good + b"\n")
    )
    with pytest.raises(BadCrc):
        decode(whole[:-9] + good.upper())


REFUSED = {
    "NaN": '{"c":NaN}',
    "Infinity": '{"c":Infinity}',
    "infinite by size": '{"c":1e999}',
    "a number no sensor gives": '{"c":1e10}',
    "number as text": '{"c":"20.5"}',
    "truth as number": '{"c":true}',
    "leading zero": '{"c":020.5}',
    "no value": "{}",
    "null only": '{"c":null}',
    "not an object": "20.5",
    "a list": "[20.5]",
    "cold junction only": '{"cj":20.5}',
    "chip only": '{"amp":"max31855"}',
    "word without chip": '{"raw":"1f"}',
    "two values": '{"c":20.5,"uv":800}',
    "word and value": '{"amp":"max31855","raw":"1f","c":20.5}',
    "chip with a voltage": '{"amp":"max31855","uv":800}',
    "cold junction with a word": '{"amp":"max31855","raw":"1f","cj":20.5}',
    "cold junction with °C": '{"c":500,"cj":20.5}',
    "value twice": '{"c":20.5,"c":21.5}',
    "value twice, the same": '{"c":20.5,"c":20.5}',
    "value, then null": '{"c":20.5,"c":null}',
    "value twice, one escaped": '{"c":20.5,"\\u0063":21.5}',
    "word with a sign": '{"amp":"max31855","raw":"-1f"}',
    "word with a prefix": '{"amp":"max31855","raw":"0x1f"}',
    "word with an underscore": '{"amp":"max31855","raw":"1_f"}',
    "word with a space": '{"amp":"max31855","raw":" 1f"}',
    "word in other digits": '{"amp":"max31855","raw":"١"}',
    "empty word": '{"amp":"max31855","raw":""}',
    "word beyond 52 bits": '{"amp":"max31855","raw":"12345678901234"}',
    "word as number": '{"amp":"max31855","raw":31}',
    "empty chip": '{"amp":"","raw":"1f"}',
    "endless chip": '{"amp":"' + "m" * 33 + '","raw":"1f"}',
    "chip with a control character": '{"amp":"max\\u000731855","raw":"1f"}',
    "chip with a raw delete": '{"amp":"max\x7f31855","raw":"1f"}',
    "unknown fault": '{"fault":"tired"}',
}


@pytest.mark.parametrize("sample", REFUSED.values(), ids=REFUSED)
def test_a_sample_says_exactly_one_thing(sample: str) -> None:
    with pytest.raises(Malformed):
        decode(one_channel(sample))


def test_faults_cannot_hide_behind_each_other() -> None:
    # One key too few in one channel and one too many in another must not cancel out in the count.
    for pair in ('{"c":1,"c":2}', '{"c":1,"x":2}'), ('{"fault":"open","c":1,"c":2}', "{}"):
        for k0, k1 in (pair, pair[::-1]):
            for odd in ('{"raw":"1f"}', "{}", '{"cj":1}', '{"amp":"x"}', k1):
                both = f'{{"rig":"a1","seq":1,"ms":50,"ch":{{"k0":{k0},"k1":{odd}}}}}'
                if (k0, odd) == ('{"c":1,"x":2}', '{"c":1,"x":2}'):
                    continue
                with pytest.raises(Malformed):
                    decode(line(both))


@pytest.mark.parametrize(
    "name",
    [
        "",
        "a/b",
        "a+",
        "a#",
        "a b",
        "ä",
        "-a",
        ".a",
        "_a",
        "a\\u0000",
        "a\\n",
        "a:b",
        "=1+1",
        "n" * 33,
        "\\u0061/",
    ],
)
def test_names_that_would_hurt_elsewhere_are_refused(name: str) -> None:
    with pytest.raises(Malformed, match=r"can't be a rig or a channel|expected|Expected|must be"):
        decode(one_channel('{"c":20.5}', name))
    with pytest.raises(Malformed):
        decode(line(f'{{"rig":"{name}","seq":1,"ms":50,"ch":{{"k0":{{"c":20.5}}}}}}'))


@pytest.mark.parametrize(
    "body",
    [
        '{"rig":"a1","seq":-1,"ms":50,"ch":{"k0":{"c":1}}}',
        '{"rig":"a1","seq":4294967296,"ms":50,"ch":{"k0":{"c":1}}}',
        '{"rig":"a1","seq":1,"ms":4294967296,"ch":{"k0":{"c":1}}}',
        '{"rig":"a1","seq":1.5,"ms":50,"ch":{"k0":{"c":1}}}',
        '{"rig":"a1","seq":"1","ms":50,"ch":{"k0":{"c":1}}}',
        '{"rig":"a1","ms":50,"ch":{"k0":{"c":1}}}',
        '{"seq":1,"ms":50,"ch":{"k0":{"c":1}}}',
        '{"rig":"a1","seq":1,"ms":50}',
        '{"rig":"a1","seq":1,"ms":50,"ch":{}}',
        '{"rig":"a1","seq":1,"ms":50,"ch":null}',
        '{"rig":"a1","seq":1,"seq":2,"ms":50,"ch":{"k0":{"c":1}}}',
        '{"rig":"a1","seq":1,"ms":50,"ch":{"k0":{"c":1},"k0":{"c":2}}}',
        '{"rig":"a1","seq":1,"ms":50,"ch":{"k0":{"c":1}}}{"rig":"a1"}',
        b'{"rig":"a1","seq":1,"ms":50,"ch":{"k0":{"c":1}},"x":"\xff"}',
        b'\xef\xbb\xbf{"rig":"a1","seq":1,"ms":50,"ch":{"k0":{"c":1}}}',
        "null",
        "",
    ],
)
def test_broken_frames_are_refused(body: bytes | str) -> None:
    with pytest.raises(Malformed):
        decode(line(body))


def test_brackets_without_end_are_no_trouble() -> None:
    """How deep a reader of JSON goes depends on Python's version; what it doesn't read, it refuses."""
    deep = "[" * 8000 + "]" * 8000
    with contextlib.suppress(Malformed):
        frame = decode(line(f'{{"rig":"a1","seq":1,"ms":50,"ch":{{"k0":{{"c":1}}}},"x":{deep}}}'))
        assert frame == Frame(rig="a1", seq=1, ms=50, ch={"k0": Sample(c=1.0)})
    with pytest.raises(Malformed):
        decode(line(f'{{"rig":"a1","seq":1,"ms":50,"ch":{deep}}}'))


def test_unknown_keys_are_left_to_the_future() -> None:
    body = '{"rig":"a1","seq":1,"ms":50,"fw":{"version":"2: ü"},"ch":{"k0":{"c":20.5,"note":"a:b"},"k1":{"uv":0}}}'
    assert decode(line(body)) == Frame("a1", 1, 50, {"k0": Sample(c=20.5), "k1": Sample(uv=0.0)})


@pytest.mark.parametrize(
    ("count", "accepted"), [(1, True), (MAX_CHANNELS, True), (MAX_CHANNELS + 1, False), (400, False)]
)
def test_number_of_channels(count: int, accepted: bool) -> None:
    body = line({"rig": "a1", "seq": 1, "ms": 50, "ch": {f"k{i}": {"c": i + 0.5} for i in range(count)}})
    if accepted:
        assert [s.c for s in decode(body).ch.values()] == [i + 0.5 for i in range(count)]
    else:
        with pytest.raises(Malformed, match="there must be 1 to 64"):
            decode(body)


def test_longest_frame_fits_the_line() -> None:
    longest = Sample(amp="m" * 32, raw="f" * 13, fault="short_supply")
    frame = Frame(
        "r" * 32, 2**32 - 1, 2**32 - 1, {f"{i:_>2}".replace("_", "0") + "n" * 30: longest for i in range(64)}
    )
    assert len(encode(frame)) < MAX_LINE
    assert decode(encode(frame)) == frame


def test_over_long_line_is_refused_though_its_crc_is_right() -> None:
    body = '{"rig":"a1","seq":1,"ms":50,"ch":{"k0":{"c":1}},"x":"' + "x" * MAX_LINE + '"}'
    with pytest.raises(Malformed, match="longer than"):
        decode(line(body))


@pytest.mark.parametrize(
    "sample", [Sample(c=float("nan")), Sample(c=float("inf")), Sample(), Sample(raw="1f")]
)
def test_encode_gives_nothing_that_decode_refuses(sample: Sample) -> None:
    with pytest.raises(Malformed):
        encode(Frame("a1", 1, 50, {"k0": sample}))


@given(
    st.lists(st.binary(max_size=40).map(lambda b: b.replace(b"\n", b"")), max_size=12),
    st.binary(max_size=40).map(lambda b: b.replace(b"\n", b"")),
    st.data(),
)
def test_lines_are_the_same_however_the_bytes_come(
    lines: list[bytes], tail: bytes, data: st.DataObject
) -> None:
    stream = b"".join(one + b"\n" for one in lines) + tail
    splitter = LineSplitter()
    found = []
    while stream:
        n = data.draw(st.integers(1, len(stream)))
        found += splitter.feed(stream[:n])
        stream = stream[n:]
    assert found == [one for one in lines if one]
    # The half line is complete once its end arrives.
    assert splitter.feed(b"end\n") == [tail + b"end"]


@given(st.lists(st.integers(1, 3 * MAX_LINE), min_size=1, max_size=6), st.integers(1, MAX_LINE * 2))
def test_over_long_lines_cost_one_refusal_each_and_no_memory(lengths: list[int], chunk: int) -> None:
    good = encode(Frame("a1", 1, 50, {"k0": Sample(c=20.5)}))
    stream = b"".join(b"x" * length + b"\n" + good for length in lengths)
    splitter = LineSplitter()
    found = []
    for i in range(0, len(stream), chunk):
        found += splitter.feed(stream[i : i + chunk])
        assert len(splitter.tail) <= MAX_LINE
    assert len(found) == 2 * len(lengths)
    assert found[1::2] == [good[:-1]] * len(lengths)
    for length, refused in zip(lengths, found[::2], strict=True):
        assert len(refused) == min(length, MAX_LINE + 1)
        with pytest.raises(WireError):
            decode(refused)


def test_bytes_without_end_keep_nothing() -> None:
    splitter = LineSplitter()
    found = [one for _ in range(1000) for one in splitter.feed(b"\x00" * 4096)]
    assert len(found) == 1
    assert len(splitter.tail) <= MAX_LINE


def test_half_line_after_a_replug_does_not_spoil_the_next() -> None:
    good = encode(Frame("a1", 1, 50, {"k0": Sample(c=20.5)}))
    # The port comes back in the middle of a line. That line is lost, the next is complete.
    first, second = LineSplitter().feed(good[30:] + good)
    with pytest.raises(BadCrc):
        decode(first)
    assert decode(second).seq == 1


def test_carriage_returns_of_simple_firmware_do_no_harm() -> None:
    good = encode(Frame("a1", 1, 50, {"k0": Sample(c=20.5)}))
    (one,) = LineSplitter().feed(good[:-1] + b"\r\n")
    assert decode(one) == decode(good)


def test_names_remembered_stay_bounded() -> None:
    from logger.rig_line import wire

    for i in range(2000):
        decode(encode(Frame(f"rig{i}", 1, 50, {"k0": Sample(c=20.5)})))
    assert len(wire._known_names) <= 256
