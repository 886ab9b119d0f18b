"""Speed from a 16-channel line to a checked frame; run by hand, prints a table.

    python tests/benchmarks/bench_wire.py [--rounds 15]

Each round runs all contenders in turn, and the ratio is taken within the round. Peer: `json.loads` and
`zlib.crc32`, which check neither types nor names, nor that a channel gives one value only. The floor is
msgspec's typed decoding with the CRC and nothing else, which our own checks add to.
"""

from __future__ import annotations

import argparse
import json
import random
from collections.abc import Callable
from statistics import median
from time import process_time
from zlib import crc32

import msgspec

from logger.reading import Frame, Sample
from logger.rig_line.wire import decode, encode

_typed = msgspec.json.Decoder(Frame)


def peer(line: bytes) -> object:
    body, _, crc = line.rpartition(b"*")
    if crc32(body) != int(crc, 16):
        raise ValueError
    return json.loads(body)


def floor(line: bytes) -> object:
    body, _, crc = line.rpartition(b"*")
    if crc32(body) != int(crc, 16):
        raise ValueError
    return _typed.decode(body)


def lines(kind: str, channels: int = 16, count: int = 100) -> list[bytes]:
    rng = random.Random(1)

    def sample(i: int) -> Sample:
        match kind if kind != "mixed" else ("word", "emf", "celsius", "word")[i % 4]:
            case "word":
                return Sample(amp="max31855", raw=f"{rng.getrandbits(28):x}")
            case "emf":
                return Sample(uv=round(rng.uniform(0, 40_000), 1), cj=round(rng.uniform(0, 40), 2))
            case _:
                return Sample(c=round(rng.uniform(0, 900), 2))

    return [
        encode(Frame("a1", seq, 100 * seq, {f"k{i}": sample(i) for i in range(channels)})).rstrip(b"\n")
        for seq in range(18_000, 18_000 + count)
    ]


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--rounds", type=int, default=15)
    rounds = parser.parse_args().rounds
    contenders: dict[str, Callable[[bytes], object]] = {"peer": peer, "floor": floor, "decode": decode}
    print(f"{'line':>8} {'bytes':>6} {'peer µs':>8} {'floor':>14} {'decode':>14}")
    for kind in ("word", "emf", "celsius", "mixed"):
        sent = lines(kind)
        took: dict[str, list[float]] = {name: [] for name in contenders}
        for _ in range(rounds):
            for name, run in contenders.items():
                begun = process_time()
                for _ in range(20):
                    for line in sent:
                        run(line)
                took[name].append((process_time() - begun) / (20 * len(sent)) * 1e6)
        shown = [
            f"{median(took[name]):6.2f} ×{median(p / t for p, t in zip(took['peer'], took[name], strict=True)):.2f}"
            for name in ("floor", "decode")
        ]
        print(f"{kind:>8} {len(sent[0]):>6} {median(took['peer']):8.2f} {shown[0]:>14} {shown[1]:>14}")


if __name__ == "__main__":
    main()
