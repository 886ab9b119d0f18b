"""Make the recorded lines in `lines/`: some right, the others each wrong in one way.

    python3 make_lines.py

Every reading is invented. For each file `index.json` has `right`, whether the lines are right, and `says`,
words that its diagnosis should contain.
"""

from __future__ import annotations

import json
from pathlib import Path
from zlib import adler32, crc32

HERE = Path(__file__).parent / "lines"


def sealed(body: str) -> str:
    return f"{body}*{crc32(body.encode()):08x}"


def word(step: int) -> int:
    """A MAX31855's word: cold junction at 25 °C, the probe climbing a quarter of a degree per step."""
    return (4 * 120 + step) << 18 | 0x190 << 4


def body(seq: int, ms: int | None = None, ch: str | None = None, rig: str = "a1") -> str:
    if ms is None:
        ms = 500 * seq
    if ch is None:
        raw = f"{word(seq % 200):08x}"
        uv = f"{4000 + 10 * (seq % 200)}.5"
        ch = f'"k0":{{"amp":"max31855","raw":"{raw}"}},"k1":{{"uv":{uv},"cj":25.5}}'
        ch += f',"k2":{{"c":{100 + seq % 50}.25}}'
    return f'{{"rig":"{rig}","seq":{seq},"ms":{ms},"ch":{{{ch}}}}}'


def lines(count: int = 60) -> list[str]:
    return [sealed(body(seq)) for seq in range(count)]


def resealed(make: object, count: int = 60) -> list[str]:
    return [make(body(seq)) for seq in range(count)]  # type: ignore[operator]


def words(convert: object) -> list[str]:
    return [
        sealed(body(seq, ch=f'"k0":{{"amp":"max31855","raw":"{convert(word(seq))}"}}'))  # type: ignore[operator]
        for seq in range(60)
    ]


def swapped_hex(number: int) -> str:
    return number.to_bytes(4, "little").hex()


def late() -> list[str]:
    """Frames 20 to 39 were kept, and arrive after frame 45, between live ones."""
    kept = list(range(20, 40))
    order = list(range(20)) + list(range(40, 46))
    live = 46
    while kept:
        order += kept[:5]
        kept = kept[5:]
        order.append(live)
        live += 1
    return [sealed(body(seq)) for seq in order]


def same(ch: str) -> list[str]:
    return [sealed(body(seq, ch=ch)) for seq in range(60)]


FILES: dict[str, tuple[list[str], bool, list[str]]] = {
    "good": (lines(), True, []),
    "good-late": (late(), True, ["20 frames came late"]),
    "good-sent-twice": (lines(40) + lines(60)[35:], True, ["5 frames came twice"]),
    "good-wrap": (
        [sealed(body((2**32 - 30 + i) % 2**32, (2**32 - 10_000 + 500 * i) % 2**32)) for i in range(60)],
        True,
        [],
    ),
    "good-fault": (
        same('"k0":{"fault":"open"},"k1":{"amp":"max31855","raw":"00011901"}'),
        True,
        ["is", "open"],
    ),
    "good-unknown-key": (same('"k0":{"c":20.5,"battery_v":3.9}'), True, ["20.5 °C"]),
    "bad-crc-missing": (resealed(lambda b: b), False, ["no *"]),
    "bad-crc-upper-case": (resealed(lambda b: f"{b}*{crc32(b.encode()):08X}"), False, ["lower-case"]),
    "bad-crc-short": (resealed(lambda b: f"{b}*{crc32(b.encode()):x}", 160), False, ["eight"]),
    "bad-crc-decimal": (resealed(lambda b: f"{b}*{crc32(b.encode())}"), False, ["decimal"]),
    "bad-crc-counts-star": (
        resealed(lambda b: f"{b}*{crc32((b + '*').encode()):08x}"),
        False,
        ["includes the *"],
    ),
    "bad-crc-not-inverted": (
        resealed(lambda b: f"{b}*{crc32(b.encode()) ^ 0xFFFFFFFF:08x}"),
        False,
        ["inverting"],
    ),
    "bad-crc-byte-order": (
        resealed(lambda b: f"{b}*{swapped_hex(crc32(b.encode()))}"),
        False,
        ["wrong order"],
    ),
    "bad-crc-adler": (resealed(lambda b: f"{b}*{adler32(b.encode()):08x}"), False, ["Adler-32"]),
    "bad-line-traceback": (
        [
            *lines(5),
            "Traceback (most recent call last):",
            '  File "main.py", line 9',
            "OSError: [Errno 5] EIO",
        ],
        False,
        ["has failed", "OSError"],
    ),
    "bad-line-nan": (same('"k0":{"c":NaN}'), False, ["break the rules"]),
    "bad-line-two-values": (same('"k0":{"c":20.5,"uv":100.5}'), False, ["more than one way"]),
    "bad-line-no-amp": (same('"k0":{"raw":"01901900"}'), False, ["no 'amp'"]),
    "bad-line-name": ([sealed(body(s, rig="a/1")) for s in range(60)], False, ["can't be a rig"]),
    "bad-seq-stands": ([sealed(body(7, 500 * i)) for i in range(60)], False, ["it is always 7"]),
    "bad-seq-steps": ([sealed(body(2 * i, 500 * i)) for i in range(60)], False, ["steps of 2"]),
    "bad-seq-holes": ([sealed(body(s)) for s in range(90) if s % 7], False, ["are missing"]),
    "bad-ms-stands": ([sealed(body(s, 1234)) for s in range(60)], False, ["never changes"]),
    "bad-ms-seconds": ([sealed(body(s, s // 4)) for s in range(60)], False, ["seconds"]),
    "bad-ms-microseconds": ([sealed(body(s, 500_000 * s)) for s in range(60)], False, ["microseconds"]),
    "bad-ms-backwards": ([sealed(body(s, 500 * (s % 10))) for s in range(60)], False, ["backwards"]),
    "bad-ms-wraps": (
        [sealed(body(s, (2**30 - 10_000 + 500 * s) % 2**30)) for s in range(60)],
        False,
        ["wraps at 2**30"],
    ),
    "bad-raw-byte-order": (words(swapped_hex), False, ["bytes of 'raw'", "wrong order"]),
    "bad-raw-decimal": (words(str), False, ["decimal"]),
    "bad-raw-too-long": (same('"k0":{"amp":"max6675","raw":"01901900"}'), False, ["too long"]),
    "bad-amp-unknown": (same('"k0":{"amp":"max31850","raw":"01901900"}'), False, ["max31850"]),
    "bad-uv-nanovolts": (same('"k0":{"uv":4096000.0,"cj":25.0}'), False, ["microvolts"]),
    "bad-cj-kelvin": (same('"k0":{"uv":4096.0,"cj":298.15}'), False, ["kelvin"]),
}


def main() -> None:
    HERE.mkdir(exist_ok=True)
    index = {}
    for name, (recorded, right, says) in FILES.items():
        (HERE / f"{name}.txt").write_bytes("".join(f"{line}\n" for line in recorded).encode())
        index[f"{name}.txt"] = {"right": right, "says": says}
    (HERE / "index.json").write_text(json.dumps(index, indent=1) + "\n")


if __name__ == "__main__":
    main()
