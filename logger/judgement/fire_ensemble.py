"""Thousands of small made-up fires: what may come, given what a zone has shown.

Each is one zone of a stack as a lumped body before a source. The source is flame, coals and warm ground; wood
burns as t² exp(-t / τ): a t-squared fire [1]_ that runs out of fuel. Flames have a temperature, however much
burns [2]_: more wood fills the zone with flame, it doesn't make it hotter. Part of the wood becomes char and
glows while it is consumed. The body takes up heat by convection and radiation, so it follows faster when hot
[3]_. At some moment the potter stops: what follows is what comes if nothing is added.

What is drawn for each fire (how much wood, how fast it burns, how heavy the body is, when the potter stops)
is spread wide, about what is said of open firings: 20-100 °C a minute, peaks of 700-900 °C held for minutes,
coals that last half an hour and longer (common practice, no source). The widths were settled on simulated
firings with seeds below 1000.

References
----------
.. [1] NFPA 92, Standard for Smoke Control Systems: heat release of a growing fire in proportion to t². From
   memory.
.. [2] B. J. McCaffrey, "Purely buoyant diffusion flames: some experimental results", NBSIR 79-1910, National
   Bureau of Standards, 1979: about 900 °C above ambient in the flame. From memory.
.. [3] F. P. Incropera and D. P. DeWitt, Fundamentals of Heat and Mass Transfer, Wiley: lumped capacitance;
   the radiation heat transfer coefficient ε σ (T + Ts)(T² + Ts²).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any, Final

import numpy as np

from logger.reading import Floats

STEP_S: Final = 10
LAGS_S: Final = (0, 15, 30, 45, 60, 90, 120, 180, 240, 300, 420, 540)
"""How long ago a zone's past is looked at. [s]"""
AHEAD_S: Final = (
    *range(0, 181, 30),
    *range(240, 601, 60),
    *range(720, 1201, 120),
    1500,
    1800,
    2400,
    3000,
    3600,
)
"""How far ahead a fire is known. [s]"""

FIRES: Final = 4000
KINDLING_S: Final = 400.0
KELVIN: Final = 273.15
# Wood burning as x² exp(-x) / 2, x in time constants, is at its strongest there.
_STRONGEST: Final = 2.0 * np.exp(-2.0)


@dataclass(frozen=True, slots=True)
class Ensemble:
    """Past and future of m fires.

    Attributes
    ----------
    past_c : array (m, lags)
        Level at `LAGS_S` before the moment when the potter stopped. [°C]
    future_c : array (m, ahead)
        Level at `AHEAD_S` after it. [°C]
    """

    past_c: Floats
    future_c: Floats


def film_w_m2k(temperature_c: Any) -> Any:
    """How strongly a body exchanges heat with surroundings of nearly its own temperature.

    Parameters
    ----------
    temperature_c : float or array
        [°C]

    Returns
    -------
    float or array
        Convection, 12 W/m²K (free convection and a light wind), and radiation, 4 ε σ T³ with ε = 0.9.
    """
    kelvin = temperature_c + KELVIN
    return 12.0 + 4.0 * 0.9 * 5.670374419e-8 * kelvin**3


@cache
def ensemble(fires: int = FIRES, seed: int = 1) -> Ensemble:
    """Let the fires burn.

    Parameters
    ----------
    fires : int, default 4000
    seed : int, default 1

    Returns
    -------
    Ensemble
        The same for the same arguments; about half a second of work, once.
    """
    return _Fires(fires, np.random.default_rng(seed)).burn()


class _Fires:
    """State and constants of all fires at once; arrays (m,)."""

    def __init__(self, fires: int, rng: np.random.Generator) -> None:
        self.rng, self.m = rng, fires
        self.ambient_c = self._between(0.0, 30.0)
        quick = rng.random(fires) < 0.5
        self.wood_s = np.where(quick, self._between(110.0, 240.0), self._between(200.0, 450.0))
        self.armload_s = self._between(90.0, 270.0)
        # Kindling takes a while to set the wood on fire.
        self.catches = np.round(self._between(0.0, KINDLING_S) / STEP_S).astype(np.int64)
        # How much burns at the strongest, in units that fill 63 % of the zone with flame.
        self.wood = self._spread(1.0, 12.0)
        self.armload = self._spread(0.6, 6.0)
        self.gap_s = self._between(150.0, 500.0)
        self.flame_c = self._between(600.0, 930.0)
        self.coals_c = self._between(250.0, 800.0)
        self.coals_s = self._spread(800.0, 4500.0)
        self.bed_s = self._spread(300.0, 2000.0)
        self.body_s = self._spread(25.0, 220.0)
        # What a bead sees of the source itself, beside the body.
        self.bare = np.where(rng.random(fires) < 0.7, self._between(0.0, 0.7), 0.0)
        self.bead_s = self._between(3.0, 30.0) + 12.0  # and the smoothing of the level
        self.shade = self._between(0.0, 0.4)
        self.start_c = self._between(60.0, 260.0)
        self.warming_c_s = self._between(0.0, 4.0) / 60.0
        self.flicker_c = self._between(3.0, 14.0)
        self.stops_s = self._between(300.0, 4200.0)
        # Looked at between lighting and some time after the last wood; a third of them later, in the coals.
        late = rng.random(fires) < 0.2
        when_s = np.where(
            late, self.stops_s + self._between(0.0, 5400.0), self._between(30.0, self.stops_s + 600.0)
        )
        self.now = np.round(when_s / STEP_S).astype(np.int64)
        # Half of the late ones have had their coals pulled away since.
        raked = late & (rng.random(fires) < 0.5)
        self.rake_s = np.where(raked, self.stops_s + rng.random(fires) * (when_s - self.stops_s), np.inf)
        self.raking_s = self._between(60.0, 400.0)
        self.hearth_s = self._between(1500.0, 9000.0)
        self.hearth_share = self._between(0.15, 0.5)
        self.first, self.later = (
            np.zeros((3, fires)),
            np.zeros((3, fires)),
        )  # wood not caught, catching, burning
        self.char = np.zeros(fires)
        self.body, self.hearth = self.start_c.copy(), self.start_c - self.ambient_c
        # Ash and damp wood may lie on a zone and keep the fire from it.
        self.most_c = np.where(rng.random(fires) < 0.1, self._between(450.0, 780.0), np.inf)

    def _between(self, low: float, high: Any) -> Floats:
        drawn: Floats = self.rng.uniform(low, high, self.m)
        return drawn

    def _spread(self, low: float, high: float) -> Floats:
        return np.exp(self._between(np.log(low), np.log(high)))

    def burn(self) -> Ensemble:
        """Burn them all, and look at each at its own moment."""
        m, before, after = self.m, max(LAGS_S) // STEP_S, max(AHEAD_S) // STEP_S
        level = np.empty((m, before + after + 1), np.float32)
        shown, dip, flicker = self.start_c.copy(), np.zeros(m), np.zeros(m)
        load_s = 1.8 * self.wood_s + self.gap_s * self.rng.uniform(0.2, 1.5, m)
        last_s = np.minimum(self.now * STEP_S, self.stops_s)
        keep_flicker = np.exp(-STEP_S / 25.0)
        for k in range(-before - 6, int(self.now.max()) + after + 1):
            t = k * STEP_S
            if t >= 0:
                caught = self.catches == k
                self.first[0] += np.where(caught, self.wood * self.wood_s / _STRONGEST, 0.0)
            due = (load_s <= t) & (load_s <= last_s)
            if due.any():
                mass = self.armload * self.rng.uniform(0.7, 1.3, m) * self.armload_s / _STRONGEST
                self.later[0] += np.where(due, mass, 0.0)
                dip = np.where(due, self.shade, dip)
                load_s = np.where(due, t + self.gap_s * self.rng.uniform(0.7, 1.6, m), load_s)
            engulfed, source = self._step(t, dip)
            dip *= np.exp(-STEP_S / 40.0)
            noise = self.rng.normal(0.0, 1.0, m) * np.sqrt(1.0 - keep_flicker**2)
            flicker = flicker * keep_flicker + self.flicker_c * noise
            seen = self.bare * source + (1.0 - self.bare) * self.body
            seen += flicker * (0.15 + 0.85 * np.sqrt(engulfed))
            shown += (seen - shown) * (1.0 - np.exp(-STEP_S / self.bead_s))
            at = k - self.now + before
            here = np.flatnonzero((at >= 0) & (at < level.shape[1]))
            level[here, at[here]] = shown[here]
        return Ensemble(
            _at(level, before * STEP_S - np.array(LAGS_S)), _at(level, before * STEP_S + np.array(AHEAD_S))
        )

    def _step(self, t: float, dip: Floats) -> tuple[Floats, Floats]:
        """Burn and warm for a step; how far flame fills the zone, and the source's temperature. In °C."""
        burning = _burn(self.first, self.wood_s) + _burn(self.later, self.armload_s)
        raked = np.where(t >= self.rake_s, np.exp(-STEP_S / self.raking_s), 1.0)
        self.char = (self.char + burning * STEP_S) * np.exp(-STEP_S / self.coals_s) * raked
        engulfed = (1.0 - np.exp(-burning)) * (1.0 - dip)
        coals = self.coals_c * (1.0 - np.exp(-self.char / self.bed_s))
        if t < 0:
            self.hearth = self.start_c - self.ambient_c + self.warming_c_s * t
        else:
            warms = self.hearth_share * coals - self.hearth
            self.hearth = self.hearth + warms * (1.0 - np.exp(-STEP_S / self.hearth_s))
        rise = np.cbrt((engulfed * self.flame_c) ** 3 + coals**3 + np.maximum(self.hearth, 0.0) ** 3)
        source = np.minimum(self.ambient_c + rise, self.most_c)
        speed = film_w_m2k(self.body) / film_w_m2k(600.0) / self.body_s
        self.body = self.body + (source - self.body) * (1.0 - np.exp(-STEP_S * speed))
        return engulfed, source


def _burn(chain: Floats, tau_s: Floats) -> Floats:
    """Burn for a step: three reservoirs, one into the next, give t² exp(-t / τ)."""
    out = chain * (1.0 - np.exp(-STEP_S / tau_s))
    chain -= out
    chain[1:] += out[:-1]
    burning: Floats = out[2] / STEP_S
    return burning


def _at(level: Any, seconds: Any) -> Floats:
    """Values between the steps, on straight lines."""
    place = seconds / STEP_S
    low = np.minimum(np.floor(place).astype(np.int64), level.shape[1] - 2)
    share = place - low
    values: Floats = level[:, low] * (1.0 - share) + level[:, low + 1] * share
    return values
