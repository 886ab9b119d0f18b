"""When a probe that was off is believed again: it has long been near the others and moved with them."""

from __future__ import annotations

from typing import Final

import numpy as np

from logger.judgement.rows import Bools
from logger.reading import Floats

AGREES_S: Final = 300
"""How long it must have been near them, [s]"""
AGREES_C: Final = 60.0
"""and how far they must have moved with it following: a drifting probe that only passes them doesn't. [°C]"""
GLUED: Final = 0.1
"""No two places move so much alike: a probe that kept within this share of the way to another follows it."""
GLUED_SHARE: Final = 0.5
"""It must also be this much nearer to that one than to the next: several places may be alike."""


class Agreement:
    """Watches k probes, second by second."""

    def __init__(self, k: int) -> None:
        self.back_s: Floats = np.zeros(k)
        self.back_c: Floats = np.full((2, k), np.nan)
        self.apart_c: Floats = np.full((2, k, k), np.nan)

    def reached(self, asked: Bools, value_c: Floats, around_c: Floats) -> Bools:
        """Tell which are believed again; all (k,).

        `asked`: which to watch, the rest start over; each reading, and the median of the others. [°C]
        """
        near = asked & (np.abs(value_c - around_c) < 0.25 * np.maximum(np.abs(around_c), 100.0))
        if not near.any():
            self.back_s = np.zeros_like(self.back_s)
            return near
        self.back_c = np.where(self.back_s > 0.0, self.back_c, np.stack([value_c, around_c]))
        self.back_s = np.where(near, self.back_s + 1.0, 0.0)
        went_c, others_c = value_c - self.back_c[0], around_c - self.back_c[1]
        far = np.abs(others_c) >= AGREES_C
        alike = np.abs(went_c - others_c) < 0.5 * np.abs(others_c)
        # Smallest and largest distance of each from every other since then.
        apart_c = value_c[:, None] - value_c
        fresh = (self.back_s <= 1.0)[:, None]
        least, most = np.fmin(self.apart_c[0], apart_c), np.fmax(self.apart_c[1], apart_c)
        self.apart_c = np.stack([np.where(fresh, apart_c, least), np.where(fresh, apart_c, most)])
        # If they moved and it didn't, or it moved with only one of them, it starts over.
        long = self.back_s >= AGREES_S
        again = far & ~alike
        if (far & long).any():
            again |= far & long & self._glued(np.abs(others_c))
        self.back_s = np.where(again, 0.0, self.back_s)
        agrees: Bools = (self.back_s >= AGREES_S) & far & alike
        return agrees

    def _glued(self, way_c: Floats) -> Bools:
        """Tell which moved with exactly one other, more alike than two places do; (k,)."""
        span_c = np.nan_to_num(np.diff(self.apart_c, axis=0)[0], nan=np.inf)
        np.fill_diagonal(span_c, np.inf)
        span_c.sort(axis=1)
        nearest, next_ = span_c[:, 0], span_c[:, min(1, span_c.shape[1] - 1)]
        glued: Bools = (nearest < GLUED * way_c) & (nearest < GLUED_SHARE * next_) & np.isfinite(next_)
        return glued
