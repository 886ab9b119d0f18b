"""Spread readings over the heights each probe stands for. Pure.

Also the colours of heat, the same on the page, in the report and on paper.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

import numpy as np

from logger.reading import Floats

REACH_CM: Final = 10.0
"""How far up and down a probe stands for its height: about half a jar. Common practice, no source [cm]."""
STEP_CM: Final = 2.5
BED_CM: Final = 5.0
"""How much of the bed of coals is drawn [cm]."""
LEAST_TOP_CM: Final = 40.0

# The colours the eye sees: clay, soot, then the glow: dull red from about 520 °C, cherry, orange, yellow.
HEAT: Final = (
    (20.0, (196, 178, 152)),
    (250.0, (139, 122, 104)),
    (450.0, (84, 64, 54)),
    (560.0, (104, 28, 16)),
    (680.0, (168, 40, 14)),
    (760.0, (214, 74, 14)),
    (840.0, (243, 134, 30)),
    (940.0, (255, 201, 92)),
)


def heat(temperature_c: float) -> str:
    """Return the colour of a temperature: `rgb(…)`."""
    at, colours = zip(*HEAT, strict=True)
    parts = (np.interp(temperature_c, at, part) for part in zip(*colours, strict=True))
    return f"rgb({','.join(str(round(float(part))) for part in parts)})"


def downwards(heights_cm: Sequence[float | None]) -> list[int]:
    """Order probes from the top of the stack down, those without a height last."""
    down = [1e9 if height is None else -height for height in heights_cm]
    return sorted(range(len(down)), key=down.__getitem__)


def rows_cm(heights_cm: Sequence[float | None]) -> Floats:
    """Return the heights of a picture's rows, `STEP_CM` apart, from the bottom up [cm]."""
    known = [height for height in heights_cm if height is not None]
    bottom = min([0.0, *known]) - BED_CM
    top = max([LEAST_TOP_CM, *(height + REACH_CM for height in known)])
    return np.arange(np.floor(bottom / STEP_CM), np.ceil(top / STEP_CM) + 1) * STEP_CM


def numbers_beside(probes: Iterable[tuple[float, int]], apart_cm: float) -> list[tuple[float, str]]:
    """Place the numbers of probes (height [cm], number); those too close together share a line."""
    lines: list[list[tuple[float, int]]] = []
    for probe in sorted(probes):
        lines.append([probe])
        while len(lines) > 1 and _middle(lines[-1]) - _middle(lines[-2]) < apart_cm:
            lines[-2:] = [lines[-2] + lines[-1]]
    return [(_middle(line), _counted(sorted(number for _, number in line))) for line in lines]


def _middle(line: Sequence[tuple[float, int]]) -> float:
    return sum(height for height, _ in line) / len(line)


def _counted(numbers: Sequence[int]) -> str:
    """Write numbers, with runs of three or more as `3–7`."""
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return ", ".join(f"{run[0]}–{run[-1]}" if len(run) > 2 else ", ".join(map(str, run)) for run in runs)


def spread(heights_cm: Sequence[float | None], temperature_c: Floats, rows: Floats) -> Floats:
    """Spread what k probes read at n moments over h rows of heights: shape (n, h) [°C].

    NaN in the input means no reading, or none to trust. Between two probes that reach each other the
    temperature is interpolated; probes at one height are averaged; the result is NaN where no probe is within
    `REACH_CM`.
    """
    out = np.full((len(temperature_c), len(rows)), np.nan)
    levels = sorted({height for height in heights_cm if height is not None})
    if not levels or not len(out):
        return out
    own = [[k for k, height in enumerate(heights_cm) if height == level] for level in levels]
    means = np.column_stack([_mean(temperature_c[:, some]) for some in own])
    heights = np.array(levels, np.float64)
    for n, found in enumerate(means):
        there = np.isfinite(found)
        if there.any():
            out[n] = _column(rows, heights[there], found[there])
    return out


def _mean(values: Floats) -> Floats:
    some = np.isfinite(values)
    with np.errstate(invalid="ignore", divide="ignore"):
        found: Floats = np.where(some, values, 0.0).sum(axis=1) / some.sum(axis=1)
    return found


def _column(rows: Floats, at: Floats, found: Floats) -> Floats:
    """Spread what probes at ascending heights read over the rows near enough."""
    apart = np.abs(rows[:, None] - at)
    upper = np.clip(np.searchsorted(at, rows), 1, len(at) - 1)
    reach_each_other = at[upper] - at[upper - 1] <= 2 * REACH_CM
    known = np.where(reach_each_other, np.interp(rows, at, found), found[apart.argmin(axis=1)])
    return np.where(apart.min(axis=1) <= REACH_CM, known, np.nan)
