"""Finds the weights by which a coal collapse is told from what looks like it, and writes them down.

Run by hand: `python -m tests.benchmarks.fit_collapse` (extra `fit`). It judges firings of four kinds, the
simulator's (some more with a collapse in each), its varied ones and crude ones of two kinds (`varied_fires`),
takes down the signs of every second that is looked at, and fits small networks to whether a collapse began within
the last 8 to 100 s. Seeds from 10,000 on are for this; none of them is for scoring.
"""

from __future__ import annotations

import argparse
import base64
import multiprocessing
import time
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple
from unittest.mock import patch

import numpy as np
from sklearn.neural_network import MLPClassifier

from logger.judgement import collapse_weights
from logger.judgement.judge import Judge
from logger.judgement.rules_collapse import Collapse
from logger.reading import Floats
from logger.sources.simulated import simulate
from tests.benchmarks.bench_judgement import collapses
from tests.benchmarks.varied_fires import crude, plain, varied

FIRST = {"own": 10_000, "slumping": 50_000, "varied": 20_000, "crude": 31_000, "plain": 40_000}
KINDS: tuple[Any, ...] = ("any", {"coal_collapse"}, {"coal_collapse"}, "none")
SOONEST_S, LATEST_S = 8, 100
HIDDEN = (64, 32)
NETWORKS = 4
"""Fitted from different beginnings; their mean errs less than each."""
KEPT_FOR, KEPT_AGAINST = 0.5, 0.15
"""Neighbouring seconds say much the same: so many are enough."""


def signs_of(family: str, seed: int) -> list[tuple[str, Floats, Floats]]:
    """Zones, seconds and signs of what is looked at in a firing, and labels: 1, 0 or -1 for neither."""
    if family in ("crude", "plain"):
        firing: Any = crude(seed) if family == "crude" else plain(seed)
        cases = firing.collapses
    else:
        mishaps = {"coal_collapse"} if family == "slumping" else KINDS[seed % 4]
        firing = varied(seed, mishaps) if family == "varied" else simulate(seed, mishaps=mishaps)
        cases = collapses(firing.truth)
    found: list[tuple[str, Floats, Floats]] = []

    def note(self: Collapse, z: int, at: Any, seen: Floats) -> Floats:
        found.append((self._places.zones[z], at + self.seconds, seen.astype(np.float32)))
        return np.full(len(at), -np.inf)

    with patch.object(Collapse, "_weight", note):
        judge = Judge(firing.plan)
        events = judge.push(firing.t_s, firing.temperature_c, firing.status)
    stage = np.zeros(int(firing.t_s[-1]) + 2, bool)
    for event in events:
        if event.kind == "stage":
            stage[int(event.t_s) :] = event.data["stage"] not in ("drying", "cooling")
    rows = []
    for zone, at, seen in found:
        label = np.zeros(len(at), np.int8)
        for case in (c for c in cases if c["zone"] == zone):
            since = at - case["start_s"]
            label[(since >= -30) & (at <= case["end_s"] + 120)] = -1
            if case["counts"]:
                label[(since >= SOONEST_S) & (since <= LATEST_S)] = 1
        label[~stage[at]] = -1
        rows.append((zone, seen, label))
    return rows


def drawn(job: tuple[str, int]) -> tuple[Floats, Any]:
    """Some of a firing's seconds."""
    rng = np.random.default_rng(job[1])
    parts = []
    for _, seen, label in signs_of(*job):
        keep = rng.random(len(label)) < np.where(label == 1, KEPT_FOR, KEPT_AGAINST)
        keep &= label >= 0
        parts.append((seen[keep], label[keep]))
    if not parts:
        return np.zeros((0, 0), np.float32), np.zeros(0, np.int8)
    return np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts])


class Rows(NamedTuple):
    """Seconds to fit to: signs as so many of their `spread` from their `middle`, and labels."""

    scaled: Floats
    y: Any
    middle: Floats
    spread: Floats


_to_fit: list[Rows] = []
"""What forked processes share."""


def rows_of(x: Floats, y: Any) -> Rows:
    """Scale signs, in place."""
    middle, spread = x.mean(axis=0, dtype=float), x.std(axis=0, dtype=float) + 1e-3
    x -= middle.astype(np.float32)
    x /= spread.astype(np.float32)
    return Rows(x, y, middle, spread)


def fit(seed: int, epochs: int) -> list[Floats]:
    """Fit a network; its layers, first the one that takes signs as they are."""
    scaled, y, middle, spread = _to_fit[-1]
    net = MLPClassifier(
        HIDDEN,
        batch_size=2000,
        max_iter=epochs,
        alpha=3e-5,
        learning_rate_init=2e-3,
        random_state=seed,
        warm_start=True,
        n_iter_no_change=epochs,
        tol=0.0,
    )
    net.fit(scaled, y)
    for rate in (6e-4, 1.5e-4):
        net.set_params(learning_rate_init=rate, max_iter=max(epochs // 3, 1), batch_size=8000)
        net.fit(scaled, y)
    layers = []
    for i, (matrix, bias) in enumerate(zip(net.coefs_, net.intercepts_, strict=True)):
        if i == 0:
            matrix = matrix / spread[:, None]
            bias = bias - middle @ matrix
        layers += [matrix, bias]
    return layers


def written(networks: list[list[Floats]]) -> str:
    """The networks' layers as text for `collapse_weights`."""
    first = networks[0]
    shapes = [len(first[0]), *(len(bias) for bias in first[1::2])]
    flat = np.concatenate([layer.ravel() for layers in networks for layer in layers]).astype("<f2")
    text = base64.b85encode(flat.tobytes()).decode()
    lines = "\n".join(f'    "{text[i : i + 100]}"' for i in range(0, len(text), 100))
    return f"WIDTHS: Final = {tuple(shapes)}\n_LAYERS: Final = (\n{lines}\n)\n"


def gathered(given: argparse.Namespace) -> tuple[Floats, Any]:
    """Signs and labels from all firings asked for."""
    jobs = [(f, first + i) for f, first in FIRST.items() for i in range(getattr(given, f))]
    with multiprocessing.Pool(given.processes) as pool:
        parts = [part for part in pool.imap(drawn, jobs, chunksize=8) if len(part[1])]
    return np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts])


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--own", type=int, default=5000)
    parser.add_argument("--slumping", type=int, default=2000)
    parser.add_argument("--varied", type=int, default=1500)
    parser.add_argument("--crude", type=int, default=1900)
    parser.add_argument("--plain", type=int, default=1650)
    parser.add_argument("--epochs", type=int, default=12)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--signs", type=Path, help="where to keep the signs, or find those kept before")
    given = parser.parse_args()
    begin = time.monotonic()
    if given.signs and given.signs.exists():
        kept = np.load(given.signs)
        x, y = kept["x"], kept["y"]
    else:
        x, y = gathered(given)
        if given.signs:
            np.savez(given.signs, x=x, y=y)
    print(f"{len(y)} seconds, {y.mean():.3f} for; {time.monotonic() - begin:.0f} s", flush=True)
    _to_fit.append(rows_of(x, y))
    with multiprocessing.get_context("fork").Pool(given.processes) as pool:
        networks = pool.map(partial(fit, epochs=given.epochs), range(NETWORKS), chunksize=1)
    path = Path(collapse_weights.__file__)
    head = path.read_text(encoding="utf-8").split("WIDTHS: Final")[0]
    tail = "\n\ndef weight" + path.read_text(encoding="utf-8").split("\n\ndef weight")[1]
    path.write_text(head + written(networks) + tail, encoding="utf-8")
    print(f"{path.name} written; {time.monotonic() - begin:.0f} s")


if __name__ == "__main__":
    main()
