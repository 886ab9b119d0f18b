"""What stands between a probe's reading and its place: lag, and a bead's balance between gas and glow.

References
----------
.. [1] F. P. Incropera and D. P. DeWitt, Fundamentals of Heat and Mass Transfer, Wiley (lumped capacitance,
   chapter 5; sphere in a stream after Whitaker, chapter 7; air, table A.4).
.. [2] S. Whitaker, "Forced convection heat transfer correlations", AIChE Journal 18 (1972), 361-371.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from logger.physics.infrared import KELVIN, STEFAN_BOLTZMANN
from logger.reading import Floats

BEAD_EMISSIVITY: Final = (0.6, 0.95)
"""A bead that has been in a fire: oxidised to sooty (from memory)."""


def undo_lag(t_s: ArrayLike, reading_c: ArrayLike, lag_s: float, *, noise_gain: float = 3.0) -> Floats:
    """Put back what a first-order lag took away, with no more than a stated gain of noise.

    Parameters
    ----------
    t_s : array-like, shape (n,)
        Ascending. [s]
    reading_c : array-like, shape (n,)
        NaN where there is none. [°C]
    lag_s : float
        The probe's time constant, 0 or more. [s]
    noise_gain : float, default 3
        1 or more. White noise comes out at most this many times as strong; what is left of the lag is
        `lag_s` divided by it. [-]

    Returns
    -------
    array, shape (n,)
        NaN where the reading is NaN. Only earlier readings are used, so it can be done live. [°C]

    Raises
    ------
    ValueError
        The lag is below 0 or the gain below 1.

    Notes
    -----
    ``(1 + τ s) / (1 + (τ / g) s) = g + (1 - g) / (1 + (τ / g) s)``: g times the reading less (g - 1) times
    its running mean, which is worked out as for readings joined by straight lines. A single odd reading comes
    out g times as tall at most; the sum of squares of the whole answer to it stays below g².
    """
    if not (lag_s >= 0 and noise_gain >= 1):
        raise ValueError(f"lag {lag_s!r} s, noise gain {noise_gain!r}: give 0 or more and 1 or more")
    t = np.asarray(t_s, dtype=np.float64)
    value = np.asarray(reading_c, dtype=np.float64)
    out = np.full(value.shape, np.nan)
    short_s = max(lag_s / noise_gain, 1e-9)
    mean = np.nan
    before = before_t = 0.0
    for i in np.flatnonzero(np.isfinite(value)):
        x = float(value[i])
        if np.isnan(mean):
            mean = x
        else:
            # Exact for a reading that moves along a straight line between two samples, so that a steady climb
            # is not left behind at coarse sampling.
            dt = float(t[i]) - before_t
            slope = (x - before) / dt
            trail = slope * short_s
            mean = x - trail + (mean - before + trail) * np.exp(-dt / short_s)
        before, before_t = x, float(t[i])
        out[i] = mean + noise_gain * (x - mean)
    return out


@dataclass(frozen=True, slots=True)
class StepLag:
    """A probe's time constant from its answer to a step.

    Attributes
    ----------
    lag_s : float
        NaN where the step is too small against the noise, or the record is too short, to tell. [s]
    u_s : float
        Standard uncertainty from the scatter about the fit. [s]
    step_c : float
        Size of the step. [°C]
    residual_c : float
        Scatter about the fit. [°C]
    """

    lag_s: float
    u_s: float
    step_c: float
    residual_c: float


def lag_from_step(t_s: ArrayLike, reading_c: ArrayLike, step_s: float) -> StepLag:
    """Find a probe's time constant from its answer to a sudden change around it.

    Parameters
    ----------
    t_s : array-like, shape (n,)
        Ascending. [s]
    reading_c : array-like, shape (n,)
        NaN where there is none. [°C]
    step_s : float
        When the change came; only readings from there on are used. [s]

    Returns
    -------
    StepLag

    Notes
    -----
    Least squares of ``a + b exp(-t / τ)``, for each τ of a fine ladder and then between the best. A probe
    dipped into warm water at the cold check, or a hand around it, is a step. A stoking dip is not quite: the
    fire itself takes seconds, so τ from it is an upper bound. In still air a probe is slower than in a
    fire's draught, so τ from the cold check is one too, but in water it is faster.
    """
    t = np.asarray(t_s, dtype=np.float64) - step_s
    value = np.asarray(reading_c, dtype=np.float64)
    use = np.isfinite(value) & (t >= 0)
    t, value = t[use], value[use]
    unknown = StepLag(np.nan, np.nan, np.nan, np.nan)
    if len(t) < 6 or t[-1] <= t[0]:
        return unknown
    spacing = float(np.median(np.diff(t)))
    ladder = np.geomspace(max(spacing / 3, 1e-3), 3 * (t[-1] - t[0]), 120)
    costs = np.array([_fit(t, value, tau)[0] for tau in ladder])
    best = int(costs.argmin())
    if best in (0, len(ladder) - 1):
        return unknown
    fine = np.geomspace(ladder[best - 1], ladder[best + 1], 200)
    costs = np.array([_fit(t, value, tau)[0] for tau in fine])
    tau = float(fine[costs.argmin()])
    cost, _, size = _fit(t, value, tau)
    freedom = max(len(t) - 3, 1)
    residual = float(np.sqrt(cost / freedom))
    # Slope of the fitted curve with τ, cleared of what offset and size can make up for.
    decay = np.exp(-t / tau)
    slope = size * decay * t / tau**2
    design = np.stack([np.ones_like(t), decay], axis=1)
    slope -= design @ np.linalg.lstsq(design, slope, rcond=None)[0]
    strength = float(np.sqrt((slope**2).sum()))
    u = residual / strength if strength > 0 else np.inf
    if not u < tau / 2 or abs(size) < 4 * residual:
        return unknown
    return StepLag(tau, u, -size, residual)


def _fit(t: Floats, value: Floats, tau: float) -> tuple[float, float, float]:
    """Sum of squares, offset and size of the best `a + b exp(-t / τ)`."""
    decay = np.exp(-t / tau)
    x, y = decay - decay.mean(), value - value.mean()
    spread = float((x * x).sum())
    size = float((x * y).sum()) / spread if spread > 0 else 0.0
    rest = y - size * x
    return float((rest * rest).sum()), float(value.mean() - size * decay.mean()), size


def bead_film_w_m2k(diameter_mm: ArrayLike, speed_m_s: ArrayLike, temperature_c: ArrayLike) -> Floats:
    """Convection coefficient between a bead and the gas that passes it.

    Parameters
    ----------
    diameter_mm : array-like
        [mm]
    speed_m_s : array-like
        0 or more; a bonfire's draught is some 0.5 to 5 (common practice, no source). [m/s]
    temperature_c : array-like
        Of the gas, taken as air. [°C]

    Returns
    -------
    array
        [W/(m² K)]

    Notes
    -----
    ``Nu = 2 + (0.4 Re^½ + 0.06 Re^⅔) Pr^0.4`` [2]_, without its small factor for viscosity at the surface.
    Air by Sutherland's formulas, Pr = 0.70.
    """
    kelvin = np.asarray(temperature_c, dtype=np.float64) + KELVIN
    viscosity = 1.716e-5 * (kelvin / 273.15) ** 1.5 * (273.15 + 110.4) / (kelvin + 110.4)  # Pa s
    conductivity = 0.02414 * (kelvin / 273.15) ** 1.5 * (273.15 + 194.4) / (kelvin + 194.4)  # W/(m K)
    density = 101325.0 / (287.05 * kelvin)
    diameter = np.asarray(diameter_mm, dtype=np.float64) / 1e3
    reynolds = density * np.asarray(speed_m_s) * diameter / viscosity
    nusselt = 2 + (0.4 * np.sqrt(reynolds) + 0.06 * reynolds ** (2 / 3)) * 0.70**0.4
    film: Floats = nusselt * conductivity / diameter
    return film


def bead_c(gas_c: ArrayLike, glow_c: ArrayLike, *, film_w_m2k: ArrayLike, emissivity: ArrayLike) -> Floats:
    """Where a bead settles between the gas and the glow around it.

    Parameters
    ----------
    gas_c, glow_c : array-like
        Glow: the temperature of black surroundings that shine as strongly. [°C]
    film_w_m2k : array-like
        Above 0. [W/(m² K)]
    emissivity : array-like
        Of the bead.

    Returns
    -------
    array
        Between the two. [°C]

    Notes
    -----
    ``h (gas - bead) = ε σ (bead⁴ - glow⁴)`` in kelvin, by Newton's method from the hotter side, from where it
    only ever comes down. Heat along the wires is left out.
    """
    gas = np.asarray(gas_c, dtype=np.float64) + KELVIN
    glow = np.asarray(glow_c, dtype=np.float64) + KELVIN
    film = np.asarray(film_w_m2k, dtype=np.float64)
    shine = np.asarray(emissivity, dtype=np.float64) * STEFAN_BOLTZMANN
    bead = np.maximum(gas, glow) + np.zeros(np.broadcast_shapes(film.shape, shine.shape))
    for _ in range(8):
        excess = film * (bead - gas) + shine * (bead**4 - glow**4)
        bead = bead - excess / (film + 4 * shine * bead**3)
    return bead - KELVIN


def gas_range_c(
    bead_c: ArrayLike,
    *,
    glow_c: tuple[ArrayLike, ArrayLike],
    film_w_m2k: tuple[float, float],
    emissivity: tuple[float, float] = BEAD_EMISSIVITY,
) -> tuple[Floats, Floats]:
    """Between which temperatures the gas lies, given a bead and what is known of the glow around it.

    Parameters
    ----------
    bead_c : array-like
        Of the bead, lag undone. [°C]
    glow_c : (array-like, array-like)
        Lowest and highest the surroundings may shine. [°C]
    film_w_m2k : (float, float)
        Lowest and highest convection coefficient, above 0. [W/(m² K)]
    emissivity : (float, float), default (0.6, 0.95)
        Of the bead.

    Returns
    -------
    low, high : array
        A range, not a value with an uncertainty: nothing says where in it the gas is. [°C]

    Notes
    -----
    ``gas = bead + ε σ / h (bead⁴ - glow⁴)``. It falls with the glow and is monotonic in ε/h, so the ends lie
    where these have theirs.
    """
    bead = np.asarray(bead_c, dtype=np.float64) + KELVIN
    ratios = (
        emissivity[0] * STEFAN_BOLTZMANN / film_w_m2k[1],
        emissivity[1] * STEFAN_BOLTZMANN / film_w_m2k[0],
    )
    ends = [
        bead + ratio * (bead**4 - (np.asarray(glow, dtype=np.float64) + KELVIN) ** 4) - KELVIN
        for ratio in ratios
        for glow in glow_c
    ]
    return np.minimum.reduce(ends), np.maximum.reduce(ends)
