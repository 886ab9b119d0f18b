"""How sure each reading is: the band that holds what its own place is at, nine times in ten.

Put together from its causes as in the GUM (`logger.physics.uncertainty`): tolerance class, ageing, amplifier,
cold junction, lag. What the place has to do with the pots is no part of it: that is the estimate's business.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Final

import numpy as np

from logger.journal.traces import Traces
from logger.physics.uncertainty import COVERAGE, infrared_budget, thermocouple_budget
from logger.plan import Probe, Reads
from logger.reading import Floats

LEVEL: Final = 0.90
LAG_S: Final[dict[Reads, float]] = {"air": 9.0, "coals": 9.0, "wall": 6.0, "surface": 1.0}
"""A sheathed probe's time constant where nobody has measured it (common practice, no source). [s]"""
RATE_OVER_S: Final = 20.0

_COLDEST_C: Final = -100.0
_STEP_C: Final = 10.0
_GRID_C: Final = np.arange(_COLDEST_C, 1801.0, _STEP_C)
_K: Final = COVERAGE[LEVEL]


class ReadingBand:
    """How sure one probe's readings are.

    Parameters
    ----------
    probe : Probe
    """

    def __init__(self, probe: Probe) -> None:
        self._still_c = _still_c(probe.letter, probe.tolerance_class, probe.reads == "surface")
        self._steps_c: list[float] = self._still_c.tolist()
        # A lag that isn't undone is an error of known size, and goes in as a limit: a rectangle's √3.
        self._lag_s = LAG_S[probe.reads] / math.sqrt(3.0)

    def half_width_c(self, temperature_c: float | Floats, rate_c_s: float | Floats) -> Floats:
        """Give half the band's width, at 90 %.

        Parameters
        ----------
        temperature_c : float or array
            [°C]
        rate_c_s : float or array
            How fast the reading moves; NaN counts as still. [°C/s]

        Returns
        -------
        array
            NaN where the temperature is. [°C]
        """
        still = np.interp(temperature_c, _GRID_C, self._still_c)
        lag = np.nan_to_num(np.abs(rate_c_s)) * self._lag_s
        return np.asarray(_K * np.hypot(still, lag), dtype=np.float64)

    def at(self, temperature_c: float, rate_c_s: float) -> float:
        """Give the same for one reading, at a hundredth of the cost: the page asks ten times a second.

        Parameters
        ----------
        temperature_c : float
            [°C]
        rate_c_s : float
            [°C/s]

        Returns
        -------
        float
            [°C]
        """
        steps = self._steps_c
        place = min(max((temperature_c - _COLDEST_C) / _STEP_C, 0.0), len(steps) - 1.001)
        below = int(place)
        still = steps[below] + (place - below) * (steps[below + 1] - steps[below])
        return _K * math.hypot(still, rate_c_s * self._lag_s)


def reading_bands(traces: Traces) -> list[Floats]:
    """Give half the width of the band around each reading, at 90 %.

    Parameters
    ----------
    traces : Traces

    Returns
    -------
    list of arrays
        One a column, as long as its readings; NaN where there is none. [°C]
    """
    return [
        ReadingBand(column.probe).half_width_c(values, _rate_c_s(t_us / 1e6, values))
        for column, t_us, values in zip(traces.columns, traces.t_us, traces.temperature_c, strict=True)
    ]


@lru_cache(maxsize=64)
def _still_c(letter: str | None, tolerance_class: int, surface: bool) -> Floats:
    """Standard uncertainty of a reading that doesn't move, over the grid. [°C]."""
    if surface and letter is None:
        return infrared_budget(_GRID_C).combined_c
    u: Floats = thermocouple_budget(_GRID_C, letter=letter, tolerance_class=tolerance_class).combined_c
    known = np.isfinite(u)  # beyond the letter's range: as at its end
    return np.asarray(np.interp(_GRID_C, _GRID_C[known], u[known]), dtype=np.float64)


def _rate_c_s(t_s: Floats, value_c: Floats) -> Floats:
    """Rate over some twenty seconds around each reading; flicker is no lag. NaN where there is no telling."""
    rate = np.full(len(t_s), np.nan)
    known = np.isfinite(value_c)
    t, c = t_s[known], value_c[known]
    if len(t) > 1:
        first = np.searchsorted(t, t - RATE_OVER_S / 2)
        last = np.searchsorted(t, t + RATE_OVER_S / 2, side="right") - 1
        # Readings that are further apart: from one to the next.
        first = np.where(first == last, np.maximum(first - 1, 0), first)
        last = np.where(first == last, np.minimum(last + 1, len(t) - 1), last)
        with np.errstate(invalid="ignore", divide="ignore"):
            rate[known] = (c[last] - c[first]) / (t[last] - t[first])
    return rate
