"""The forecast's numbers, as `python -m tests.benchmarks.bench_pots --fit` finds them on six families of
made-up fires.

Families: our simulator (seeds 5000-5019), a second model by another author (63 of its seeds from 2000 and
5000 on), `kilnless` (0-15), `embers`, `crude` and `lumps` (100-123 each); all at 1 Hz, one moment a minute
from lighting, goals burn-out and target, each family weighted the same. Fires are taken as they went, with
wood added in some and not in others, so a chance is that of a fire as people keep it. `README.md` beside this
has the scores with each family left out. Levels came from walls that could be trusted, else from air; probe
faults were judged by the rules before they compared probes with one another, so a new fit differs.
"""

from __future__ import annotations

from typing import Final

import numpy as np

CHANCE: Final = np.array([0.833, 0.12, 0.051, 0.423, 0.092, 0.123, 0.353, -0.728, -1.709, -2.434])
"""Weights of a logistic line over `arrivals.signs`: one; how far to go; how much of that the two- and
five-minute rates cover in ten minutes, and in the hour; how the rates differ; how far the zone is down from
its peak; stage. It is the mean of two lines, one without the hour and one without the ten minutes: either
alone was worse than a straight line on some family left out, and one line with all of them was no better."""

TIME: Final = (2.414, 0.562)
"""Logarithm of the time taken by zones that got there, from that of the straight line's time. [s]"""
TIME_QUANTILES: Final = (-0.919, 0.032, 0.868)
"""Its error in one, five and nine cases of ten."""
SLOWEST_C_PER_MIN: Final = 8.0
"""A slower rise is taken as this, since a fire's own pace changes by more. [°C/min]"""

CHANGE: Final = np.array(
    [
        [0.7229, 0.0306, -0.0221, 2.8004],
        [1.1263, 0.2254, -0.0531, 6.0842],
        [1.3983, 0.4525, -0.0897, 9.7682],
        [1.9312, 0.6861, -0.1676, 17.0912],
        [2.2533, 0.8483, -0.2515, 24.5786],
        [2.2189, 1.3192, -0.3726, 33.1866],
        [2.0963, 1.7405, -0.5162, 40.3467],
        [1.8167, 2.0612, -0.6882, 42.5484],
    ]
)
"""By time ahead: the change per °C/min of the last two and five minutes, per °C of level above 450, and a
constant. [min], [min], [-], [°C]"""
SPREAD: Final = np.array(
    [
        [-0.83, -0.12, 0.84],
        [-1.41, -0.16, 1.45],
        [-1.84, -0.17, 1.98],
        [-2.31, -0.11, 2.61],
        [-3.23, -0.11, 3.60],
        [-4.37, -0.10, 4.99],
        [-5.46, -0.05, 6.54],
        [-6.61, 0.00, 7.61],
    ]
)
"""By time ahead: the error in one, five and nine cases of ten, in units that grow with the rates."""
