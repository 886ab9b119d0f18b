"""Speed of the thermocouple inverse and of frames to batches; run by hand, prints a table.

    python tests/benchmarks/bench_conversion.py [--rounds 9]

Each round runs all contenders of a row in turn, and the ratio is taken within the round. Peers: the library
`thermocouple-its90`, one reading at a time, and NIST's inverse polynomials of type K (Monograph 175) by
Horner's scheme in numpy, in the faster of two ways to handle their ranges.
"""

from __future__ import annotations

import argparse
import os
from collections.abc import Callable
from statistics import median
from time import perf_counter

import numpy as np
import thermocouple_its90

from logger.conversion.amplifiers import encode_word
from logger.conversion.assembler import Assembler
from logger.physics.thermocouple import compensated_temperature_c, emf_uv, temperature_c
from logger.reading import Floats, Frame, Sample

# From °C at mV, -200 to 0, 0 to 500 and 500 to 1372 °C; the ranges meet at 0 and 20.644 mV.
NIST_INVERSE_K = (
    (
        *(0.0, 2.5173462e1, -1.1662878, -1.0833638, -8.977354e-1, -3.7342377e-1, -8.6632643e-2),
        *(-1.0450598e-2, -5.1920577e-4),
    ),
    (
        *(0.0, 2.508355e1, 7.860106e-2, -2.503131e-1, 8.31527e-2, -1.228034e-2, 9.804036e-4),
        *(-4.41303e-5, 1.057734e-6, -1.052755e-8),
    ),
    (-1.318058e2, 4.830222e1, -1.646031, 5.464731e-2, -9.650715e-4, 8.802193e-6, -3.11081e-8),
)
EDGES_MV = np.array([0.0, 20.644])
TABLE = np.zeros((10, 3))
for _j, _c in enumerate(NIST_INVERSE_K):
    TABLE[: len(_c), _j] = _c


def horner_by_gathering(mv: Floats) -> Floats:
    """Each reading with its own coefficients, in one pass."""
    piece = np.searchsorted(EDGES_MV, mv, side="right")
    t = TABLE[9][piece]
    for row in TABLE[8::-1]:
        t = t * mv + row[piece]
    return t


def horner_by_masks(mv: Floats) -> Floats:
    """Range by range."""
    out = np.empty_like(mv)
    piece = np.searchsorted(EDGES_MV, mv, side="right")
    for j, coefficients in enumerate(NIST_INVERSE_K):
        mask = piece == j
        x = mv[mask]
        t = np.full_like(x, coefficients[-1])
        for c in coefficients[-2::-1]:
            t *= x
            t += c
        out[mask] = t
    return out


def seconds(work: Callable[[], object], at_least_s: float = 0.02) -> float:
    """Time of one call, from as many as fill `at_least_s`."""
    calls = 1
    while True:
        start = perf_counter()
        for _ in range(calls):
            work()
        took = perf_counter() - start
        if took >= at_least_s:
            return took / calls
        calls = max(2 * calls, int(1.2 * calls * at_least_s / max(took, 1e-9)))


def race(rounds: int, contenders: dict[str, Callable[[], object]]) -> dict[str, list[float]]:
    """Seconds of each contender, round by round."""
    times: dict[str, list[float]] = {name: [] for name in contenders}
    for _ in range(rounds):
        for name, work in contenders.items():
            times[name].append(seconds(work))
    return times


def row(
    what: str, readings: int, ours: list[float], peer: list[float] | None = None, goal: float = 0
) -> None:
    """Print a line of the table."""
    text = f"{what:<52} {readings / median(ours) / 1e6:9.2f}"
    if peer is not None:
        ratios = [p / o for o, p in zip(ours, peer, strict=True)]
        text += f" {readings / median(peer) / 1e6:9.2f}"
        text += f"   x{median(ratios):.1f} [{min(ratios):.1f}-{max(ratios):.1f}]"
        text += f"  goal x{goal:g}: {'met' if median(ratios) >= goal else 'MISSED'}"
    print(text)


def frames(n: int, kind: str, rng: np.random.Generator) -> list[tuple[Frame, int]]:
    """Frames of 16 channels, each string a separate object, as a decoder makes them."""
    out = []
    for i in range(n):
        ch = {}
        for j in range(16):
            if kind == "max31855":
                amp = "".join(("max", "31855"))
                ch[f"k{j}"] = Sample(
                    amp=amp, raw=f"{encode_word(amp, rng.uniform(20, 900), rng.uniform(10, 40)):x}"
                )
            else:
                ch[f"k{j}"] = Sample(uv=rng.uniform(500, 36000), cj=rng.uniform(10, 40))
        out.append((Frame("a1", i, 100 * i, ch), 100_000 * i))
    return out


def main() -> None:
    """Run all and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=9)
    rounds = parser.parse_args().rounds
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    rng = np.random.default_rng(1)

    print(f"{'million readings a second, type K':<52} {'ours':>9} {'peer':>9}   ratio")
    e = rng.uniform(300, 52000, 16)
    mv = (e / 1e3).tolist()
    peer = thermocouple_its90.get("K").temperature
    t = race(
        rounds,
        {"ours": lambda: temperature_c("K", e), "peer": lambda: [peer(x) for x in mv]},
    )
    row("16 readings a call; thermocouple-its90", 16, t["ours"], t["peer"], 50)
    for n in (1_000, 1_000_000):
        e_n = rng.uniform(300, 52000, n)
        mv_n = e_n / 1e3
        t = race(
            rounds,
            {
                "ours": lambda e_n=e_n: temperature_c("K", e_n),  # type: ignore[misc]
                "gather": lambda mv_n=mv_n: horner_by_gathering(mv_n),  # type: ignore[misc]
                "masks": lambda mv_n=mv_n: horner_by_masks(mv_n),  # type: ignore[misc]
            },
        )
        row(
            f"array of {n:,}; NIST inverse polynomials",
            n,
            t["ours"],
            min(t["gather"], t["masks"], key=median),
            1.5,
        )
    for n in (16, 1_000, 1_000_000):
        e_n, cj = rng.uniform(300, 36000, n), rng.uniform(10, 40, n)
        t = race(rounds, {"ours": lambda e_n=e_n, cj=cj: compensated_temperature_c("K", e_n, cj)})  # type: ignore[misc]
        row(f"array of {n:,}, with cold junctions", n, t["ours"])
    for kind in ("max31855", "emf"):
        for n in (1, 10, 1_000):
            assembler = Assembler()
            timed = frames(n, kind, rng)
            assembler.take(timed)
            t = race(rounds, {"ours": lambda a=assembler, timed=timed: a.take(timed)})  # type: ignore[misc]
            row(f"frames to batches, 16 x {kind}, {n:,} frames a call", 16 * n, t["ours"])

    truth = np.linspace(-269, 1372, 400_001)
    exact_e = emf_uv("K", truth)
    ours = np.abs(temperature_c("K", exact_e) - truth).max()
    nist = truth >= -200
    theirs = np.abs(horner_by_gathering(exact_e[nist] / 1e3) - truth[nist]).max()
    print(
        f"\nworst error, type K: ours {ours:.5f} °C from -269 °C, NIST inverse {theirs:.3f} °C from -200 °C"
    )


if __name__ == "__main__":
    main()
