"""How hot each zone of a stack was over time, and the moments at which firings can be aligned. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.judgement.levels import zone_levels
from logger.judgement.zones import Places
from logger.plan import Plan
from logger.reading import Floats, Ints
from logger.words.said import Degrees, Said, said

LIT_C_PER_MIN: Final = 12.0
"""Coals alone warm a stack more slowly, burning wood faster. Common practice, no source. [°C/min]"""

MAX_STEPS: Final = 200_000
"""Steps of a grid: two days at 1 s, twenty at 10 s."""
_SMOOTH_S: Final = 30.0
_SUSTAINED_S: Final = 120.0
_RISE_C: Final = 20.0

Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Line:
    """What one probe read, as means over short times."""

    probe: str  # its name in the plan
    t_s: Floats  # array, shape (n,); ascending [s]
    mean_c: Floats  # array, shape (n,); NaN where no reading was valid [°C]


@dataclass(frozen=True, slots=True)
class Levels:
    """How hot each zone was, on an even grid."""

    zones: tuple[str, ...]  # length z
    pots: tuple[bool, ...]  # length z; False for a zone that holds only coals
    t_s: Floats  # array, shape (n,); middle of each step, from the first reading [s]
    # array, shape (n, z); as the judgement takes it, from walls, else from air; NaN where there was neither
    # [°C]
    level_c: Floats
    step_s: float  # [s]

    @property
    def of_pots(self) -> Floats:
        """The columns of zones that hold pots; all columns where none does."""
        return self.level_c[:, self.pots] if any(self.pots) else self.level_c

    def coldest(self) -> Floats:
        """Return the coldest level of zones with pots, shape (n,); NaN where nothing is known [°C]."""
        return np.asarray(np.fmin.reduce(self.of_pots, axis=1, initial=np.nan), np.float64)

    def hottest(self) -> Floats:
        """Return the hottest level of zones with pots, shape (n,); NaN where nothing is known [°C]."""
        return np.asarray(np.fmax.reduce(self.of_pots, axis=1, initial=np.nan), np.float64)

    def line(self, zone: str) -> Floats:
        """Return one zone's level; ValueError: there is no such zone."""
        return self.level_c[:, self.zones.index(zone)]


@dataclass(frozen=True, slots=True)
class Moment:
    """A moment at which firings can be aligned."""

    t_s: float  # from the first reading [s]
    how: Said  # how it was found, in words
    found: bool  # False where it is only a stand-in


def levels_of(plan: Plan, lines: Sequence[Line], distrusted: Mapping[str, Sequence[Span]]) -> Levels:
    """Put probes on one grid, and take each zone's level as the judgement does.

    Probes the plan doesn't name are left out, and so are readings in `distrusted` spans [s].

    A step is the slowest probe's usual interval, from 1 to 60 s, or longer where `MAX_STEPS` of them don't
    reach the end.
    """
    places = Places(plan)
    index = {probe.name: j for j, probe in enumerate(plan.probes)}
    known = [line for line in lines if line.probe in index and len(line.t_s)]
    pots = tuple(z in places.pots for z in range(len(places.zones)))
    if not known:
        return Levels(places.zones, pots, np.empty(0), np.empty((0, len(pots))), 1.0)
    usual = [float(np.median(np.diff(line.t_s))) for line in known if len(line.t_s) > 2]
    step = min(60.0, max(1.0, math.ceil(max(usual, default=1.0) - 0.01)))
    last_s = float(max(line.t_s[-1] for line in known))
    # Or a clock that leapt by years would make a grid of gigabytes.
    step = max(step, math.ceil(last_s / MAX_STEPS))
    n = int(last_s // step) + 1
    grid = np.full((n, len(plan.probes)), np.nan)
    for line in known:
        good = np.isfinite(line.mean_c) & ~within(line.t_s, distrusted.get(line.probe, ()))
        cell = (line.t_s[good] // step).astype(np.int64)
        grid[:, index[line.probe]] = means_in(cell, line.mean_c[good], n)
    level = zone_levels(places, grid, step)
    middle: Floats = (np.arange(n, dtype=np.float64) + 0.5) * step
    return Levels(places.zones, pots, middle, level, step)


def means_in(cell: Ints, values: Floats, n: int) -> Floats:
    """Average the values in each of n cells, which are numbered; NaN in one without."""
    with np.errstate(invalid="ignore"):
        means: Floats = np.bincount(cell, values, n) / np.bincount(cell, minlength=n)
    return means


def within(t_s: Floats, spans: Sequence[Span]) -> NDArray[np.bool_]:
    """Tell which moments are within any of the spans."""
    found = np.zeros(len(t_s), bool)
    for begin, end in spans:
        found |= (t_s >= begin) & (t_s < end)
    return found


def lighting(levels: Levels) -> Moment:
    """Find when the fire was lit: when the pots began to warm as fast as only burning wood warms them.

    Where nothing rose that fast, it is the first lasting rise, otherwise the first reading.
    """
    smooth = smoothed(levels.of_pots, levels.step_s)
    ahead = max(1, round(_SUSTAINED_S / levels.step_s))
    if len(smooth) > ahead:
        rise = smooth[ahead:] - smooth[:-ahead]
        with np.errstate(invalid="ignore"):
            fast = (rise >= LIT_C_PER_MIN * ahead * levels.step_s / 60.0).any(axis=1)
            first = smooth[np.isfinite(smooth).argmax(axis=0), np.arange(smooth.shape[1])]
            warm = (smooth - first >= _RISE_C).any(axis=1)
        for when, words, c in (
            (fast, "a zone rose by {} a minute or more for two minutes", LIT_C_PER_MIN),
            (warm, "a zone had risen by {}; none rose as fast as with burning wood", _RISE_C),
        ):
            if when.any():
                return Moment(float(levels.t_s[when.argmax()]), said(words, Degrees("by", c)), found=True)
    return Moment(0.0, said("the first reading: no rise was seen"), found=False)


def crossing(levels: Levels, zone: str, temperature_c: float) -> Moment | None:
    """Find when a zone's half-minute mean first reached a temperature; None where it didn't."""
    if zone not in levels.zones:
        return None
    smooth = smoothed(levels.line(zone), levels.step_s)
    with np.errstate(invalid="ignore"):
        above = smooth >= temperature_c
    if not above.any():
        return None
    k = int(above.argmax())
    t = float(levels.t_s[k])
    if k and np.isfinite(smooth[k - 1]):
        t -= levels.step_s * (smooth[k] - temperature_c) / max(smooth[k] - smooth[k - 1], 1e-9)
    how = said("{} passes {} for the first time", zone, Degrees("at", temperature_c, "g"))
    return Moment(t, how, found=True)


def decimate(t_s: Floats, value_c: Floats, points: int) -> tuple[Floats, Floats]:
    """Thin a line to about so many points, keeping its peaks and dips.

    Each stretch keeps its lowest and highest, in order, or one NaN where it has no readings.
    """
    if len(t_s) <= points:
        return t_s, value_c
    keep: list[int] = []
    for part in np.array_split(np.arange(len(t_s)), max(1, points // 2)):
        known = part[np.isfinite(value_c[part])]
        if not len(known):
            keep.append(int(part[0]))
            continue
        low, high = int(known[value_c[known].argmin()]), int(known[value_c[known].argmax()])
        keep += sorted({low, high})
    return t_s[keep], value_c[keep]


def smoothed(values: Floats, step_s: float) -> Floats:
    """Average (n,) or (n, z) values over the half minute around each moment; NaN if under half is known."""
    n = max(1, round(_SMOOTH_S / step_s)) | 1
    if n == 1 or not len(values):
        return values
    known = np.isfinite(values)
    edge = np.zeros((1, *values.shape[1:]))
    total = np.concatenate((edge, np.where(known, values, 0.0).cumsum(axis=0)))
    count = np.concatenate((edge, known.cumsum(axis=0)))
    at = np.arange(len(values))
    high, low = np.minimum(at + n // 2 + 1, len(values)), np.maximum(at - n // 2, 0)
    some, whole = count[high] - count[low], (high - low).reshape(-1, *[1] * (values.ndim - 1))
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(some * 2 >= whole, (total[high] - total[low]) / some, np.nan)
