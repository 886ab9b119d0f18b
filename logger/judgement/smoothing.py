"""The estimate of a finished firing, each instant with what came before and after it.

References
----------
.. [1] H. E. Rauch, F. Tung and C. T. Striebel, "Maximum likelihood estimates of linear dynamic systems",
   AIAA Journal 3 (1965), 1445-1450.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, NamedTuple

import numpy as np

from logger.judgement.credibility import Bools
from logger.judgement.estimate import BAND
from logger.judgement.zone_filter import ZoneFilter, wall_mean
from logger.judgement.zone_layout import ZoneLayout, median
from logger.judgement.zone_model import OUTER, Model
from logger.plan import Plan
from logger.reading import Bytes, Floats, Status

FORGET_S: Final = 300.0
"""See `ZoneFilter`. [s]"""

Spot = tuple[float, str, float, float]
"""Time [s], zone, surface temperature [°C], its standard uncertainty [°C]."""


@dataclass(frozen=True, slots=True)
class Smoothed:
    """A whole firing's estimate, each instant with what came before and after. Estimated, not measured.

    n instants, z zones.

    Attributes
    ----------
    zones : tuple of str
    t_s : array, shape (n,)
        [s]
    wall_c, lo_c, hi_c : array, shape (n, z)
        Mean through the wall and its 90 % band. [°C]
    surface_c : array, shape (n, z)
        Outer face. [°C]
    """

    zones: tuple[str, ...]
    t_s: Floats
    wall_c: Floats
    lo_c: Floats
    hi_c: Floats
    surface_c: Floats


def smooth(
    plan: Plan,
    t_s: Floats,
    temperature_c: Floats,
    status: Bytes,
    spots: Sequence[Spot] = (),
    *,
    step_s: float = 5.0,
    model: Model | None = None,
    lag_s: Mapping[str, float] | None = None,
    extra_zones: Sequence[str] = (),
) -> Smoothed:
    """Estimate a finished firing: forwards, then backwards with what came after.

    Parameters
    ----------
    plan : Plan
    t_s : array, shape (n,)
        Ascending. [s]
    temperature_c, status : array, shape (n, k)
        In the order of the plan's probes.
    spots : sequence of (t_s, zone, temperature_c, u_c), optional
    step_s : float, default 5
        Readings are taken together over this time. [s]
    model, lag_s, extra_zones
        As for `Estimator`.

    Returns
    -------
    Smoothed
        Without zones where all probes read coals.

    Raises
    ------
    ValueError
        A spot's zone is none that can be estimated.

    Notes
    -----
    Rauch, Tung and Striebel's smoother [1]_ over the extended Kalman filter, in blocks, so that a night's
    firing needs no more memory than a short one.
    """
    model = _wider(model or Model())
    layout = ZoneLayout(plan, extra_zones, lag_s or {})
    for _, zone, _, _ in spots:
        if zone not in layout.zones:
            raise ValueError(f"no zone {zone!r} to estimate; there are {', '.join(layout.zones) or 'none'}")
    times, readings = _blocks(layout, t_s, np.where(status == Status.OK, temperature_c, np.nan), step_s)
    n = len(times)
    shape = (n, len(layout.zones))
    wall, wall_u, surface = np.empty(shape), np.empty(shape), np.empty(shape)
    if not n or not layout.zones:
        return Smoothed(layout.zones, times, wall, wall.copy(), wall.copy(), surface)
    due = [int(np.searchsorted(times, t)) for t, *_ in spots]
    at: dict[int, list[Spot]] = {}
    for index, spot in zip(due, spots, strict=True):
        at.setdefault(min(index, n - 1), []).append(spot)

    def forward(filter_: ZoneFilter, i: int) -> _Step:
        if i:
            transition = filter_.predict(float(times[i] - times[i - 1]))
            dt = float(times[i] - times[i - 1])
        else:
            filter_.start(readings[0])
            transition, dt = np.empty(0), step_s
        filter_.update(readings[i], dt, max(step_s, 1.0))
        for _, zone, value, u in at.get(i, ()):
            filter_.spot(layout.zones.index(zone), value, u)
        return _Step(transition, *filter_.prior, filter_.x, filter_.p)

    filter_ = layout.filter(model, FORGET_S)
    marks: list[tuple[int, dict[str, bytes]]] = []
    for i in range(n):
        if i % _BLOCK == 0:
            marks.append((i, filter_.save()))
        forward(filter_, i)

    x, p = filter_.x, filter_.p
    after: _Step | None = None
    for first, mark in reversed(marks):
        filter_.load(mark)
        steps = [forward(filter_, i) for i in range(first, min(first + _BLOCK, n))]
        for i in range(first + len(steps) - 1, first - 1, -1):
            if after is not None:
                x, p = _back(steps[i - first], after, x, p)
            mean, u = wall_mean(x, p)
            wall[i], wall_u[i], surface[i] = mean, u, x[:, OUTER]
            after = steps[i - first]
    return Smoothed(layout.zones, times, wall, wall - BAND * wall_u, wall + BAND * wall_u, surface)


_BLOCK: Final = 240


def _wider(model: Model) -> Model:
    """More of what the model leaves out: its faults last, and a smoother would take them for knowledge.

    The factors were set on simulated firings so that the band holds what it should.
    """
    return replace(
        model,
        wall_step_c=2.0 * model.wall_step_c,
        wall_share_u=1.4 * model.wall_share_u,
        heat_share_u=1.4 * model.heat_share_u,
        noise_at_800_c={reads: 1.3 * noise for reads, noise in model.noise_at_800_c.items()},
    )


class _Step(NamedTuple):
    """What the way forwards leaves behind of one instant."""

    transition: Floats
    prior_x: Floats
    prior_p: Floats
    anew: Bools
    x: Floats
    p: Floats


def _back(step: _Step, after: _Step, x_after: Floats, p_after: Floats) -> tuple[Floats, Floats]:
    """One step of the smoother: from the smoothed instant after to this one."""
    every = np.arange(step.x.shape[1])
    prior = np.where(after.anew[:, :, None] | after.anew[:, None, :], 0.0, after.prior_p)
    prior[:, every, every] = np.where(after.anew, 1.0, prior[:, every, every] * (1 + 1e-9) + 1e-9)
    across = np.where(after.anew[:, :, None], 0.0, after.transition @ step.p)
    gain = np.swapaxes(np.linalg.solve(prior, across), 1, 2)
    smoothed_x = step.x + (gain @ (x_after - after.prior_x)[:, :, None])[:, :, 0]
    smoothed_p = step.p + gain @ (p_after - after.prior_p) @ np.swapaxes(gain, 1, 2)
    return smoothed_x, 0.5 * (smoothed_p + np.swapaxes(smoothed_p, 1, 2))


def _blocks(layout: ZoneLayout, t_s: Floats, values_c: Floats, step_s: float) -> tuple[Floats, Floats]:
    """Medians of readings over blocks of time."""
    key = np.floor(np.asarray(t_s, dtype=np.float64) / step_s)
    edges = np.flatnonzero(np.diff(key, prepend=-np.inf))
    ends = [*edges[1:], len(key)] if len(key) else []
    times = np.array([float(np.mean(t_s[a:b])) for a, b in zip(edges, ends, strict=True)])
    readings = [layout.spread(median(values_c[a:b])) for a, b in zip(edges, ends, strict=True)]
    return times, np.stack(readings) if readings else np.empty((0, *layout.lag_s.shape))
