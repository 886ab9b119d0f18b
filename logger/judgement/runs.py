"""How long something has held without a break, over blocks of seconds."""

from __future__ import annotations

import numpy as np

from logger.judgement.trend import Bools
from logger.reading import Ints


def run_lengths(holds: Bools, before: Ints) -> Ints:
    """Count how many rows each column of `holds` (n, m) has held for, starting from `before` (m,)."""
    at = np.arange(1, len(holds) + 1)[:, None]
    broken = np.maximum.accumulate(np.where(holds, 0, at), axis=0)
    return np.where(broken > 0, at - broken, before + at)
