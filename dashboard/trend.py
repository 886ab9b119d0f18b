"""How fast a reading changes. Pure."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

LEAST_S = 15.0
"""Over less than this a rate is mostly noise. [s]"""


def rate_c_min(recent: Iterable[tuple[int, float]], now_us: int, *, over_s: float = 60.0) -> float | None:
    """Rate of change over the last minute: slope of the straight line of least squares.

    Parameters
    ----------
    recent : iterable of (t_us, temperature_c)
        Ascending; only readings that are OK. [µs, °C]
    now_us : int
        Time of the newest. [µs]
    over_s : float, default 60
        [s]

    Returns
    -------
    float or None
        None where the readings span less than 15 s or are fewer than three. [°C/min]
    """
    points = [(t, c) for t, c in recent if t >= now_us - over_s * 1e6]
    if len(points) < 3 or points[-1][0] - points[0][0] < LEAST_S * 1e6:
        return None
    t, c = np.array(points, np.float64).T
    minutes = (t - t.mean()) / 60e6
    return float((minutes * (c - c.mean())).sum() / (minutes**2).sum())
