"""How a zone's state moves between readings: rates, their slopes, and what is left to chance [1]_.

References
----------
.. [1] F. P. Incropera and D. P. DeWitt, Fundamentals of Heat and Mass Transfer, Wiley (finite differences for
   a plane wall; radiation between grey surfaces).
"""

from __future__ import annotations

from typing import Final

import numpy as np

from logger.judgement.credibility import AMBIENT_C
from logger.judgement.zone_model import (
    CORE,
    EMBER,
    FILM,
    FLAME,
    GAS,
    GLOW,
    HEAT,
    INNER,
    MIDDLE,
    OUTER,
    PLACE,
    THICKNESS,
    THROUGH,
    Model,
)
from logger.physics.infrared import KELVIN, STEFAN_BOLTZMANN
from logger.reading import Floats

LATENT_J_KG: Final = 2.26e6
CLAY_J_KGK: Final = 1.0e3
DRY_C: Final = 112.0
"""A point of the wall that has been hotter has no pore water left. [°C]"""
GLOW_C: Final = (-50.0, 1500.0)
"""Surroundings are taken to glow no colder and no hotter. [°C]"""


def slopes(
    x: Floats, model: Model, around_c: Floats, wet: Floats, forget_s: float | None
) -> tuple[Floats, Floats]:
    """Rates of a zone's own states, and how they depend on all states; probes' rows are left at zero.

    Parameters
    ----------
    x : array, shape (z, m)
        States.
    model : Model
    around_c : array, shape (z,)
        Gas of the neighbours. [°C]
    wet : array, shape (z, 3)
        1 where the wall's point has not boiled dry yet.
    forget_s : float or None
        See `ZoneFilter`. [s]

    Returns
    -------
    rate : array, shape (z, m)
        Per second.
    a : array, shape (z, m, m)
        Its slopes. Water that boils off is an apparent heat capacity near 100 °C.
    """
    boiling = 1 + np.where(
        (wet > 0) & (np.abs(x[:, :CORE] - 101.0) < 5.0),
        model.water_share * LATENT_J_KG / (10.0 * CLAY_J_KGK),
        0.0,
    )
    m = model
    outer, middle, inner, core, gas, glow, film, flame, ember, place = x[:, : PLACE + 1].T
    wall = m.wall
    # Where thickness and heat are only considered, both stay at zero here.
    thicker = np.exp(x[:, THICKNESS])
    cell = wall.areal_capacity_j_m2k * THROUGH * thicker[:, None] * boiling
    link = wall.conductivity_w_mk / (wall.thickness_mm / 2e3) / thicker
    shine = wall.emissivity * STEFAN_BOLTZMANN
    seen = outer + glow
    outer_k, glow_k = outer + KELVIN, np.clip(seen, *GLOW_C) + KELVIN
    with_glow = 4 * shine * np.where((seen > GLOW_C[0]) & (seen < GLOW_C[1]), glow_k, 0.0) ** 3
    inner_k, core_k = inner + KELVIN, core + KELVIN

    h = m.film_w_m2k * np.exp(film)
    convected = h * (gas - outer)
    more = np.exp(x[:, HEAT])
    taken = more * (convected + shine * (glow_k**4 - outer_k**4))
    within = shine * m.core_view * (core_k**4 - inner_k**4)
    within_inner, within_core = -4 * shine * m.core_view * inner_k**3, 4 * shine * m.core_view * core_k**3
    core_cell = m.core_walls * wall.areal_capacity_j_m2k
    first, second = link * (outer - middle), link * (middle - inner)

    rate = np.zeros(x.shape)
    a = np.zeros((*x.shape, x.shape[1]))
    c0, c1, c2 = cell.T
    rate[:, OUTER] = (taken - first) / c0
    a[:, OUTER, OUTER] = (more * (with_glow - 4 * shine * outer_k**3 - h) - link) / c0
    a[:, OUTER, MIDDLE] = link / c0
    a[:, OUTER, GAS] = more * h / c0
    a[:, OUTER, GLOW] = more * with_glow / c0
    a[:, OUTER, FILM] = more * convected / c0
    # A thicker wall holds more and conducts less: cells with the logarithm, links against it.
    a[:, OUTER, THICKNESS] = (2 * first - taken) / c0
    a[:, OUTER, HEAT] = taken / c0
    rate[:, MIDDLE] = (first - second) / c1
    a[:, MIDDLE, OUTER] = a[:, MIDDLE, INNER] = link / c1
    a[:, MIDDLE, MIDDLE] = -2 * link / c1
    a[:, MIDDLE, THICKNESS] = -2 * rate[:, MIDDLE]
    rate[:, INNER] = (second + within) / c2
    a[:, INNER, MIDDLE] = link / c2
    a[:, INNER, INNER] = (within_inner - link) / c2
    a[:, INNER, CORE] = within_core / c2
    a[:, INNER, THICKNESS] = -(2 * second + within) / c2
    rate[:, CORE] = -within / core_cell
    a[:, CORE, CORE] = -within_core / core_cell
    a[:, CORE, INNER] = -within_inner / core_cell

    hot = np.maximum(outer - AMBIENT_C, 0.0)
    rate[:, GAS] = (around_c - gas) / m.gas_s
    a[:, GAS, GAS] = -1 / m.gas_s
    hotter_gas = gas > outer
    share = np.where(hotter_gas, m.glow_per_gas_hot + flame, m.glow_per_gas_cold + ember)
    a[:, GLOW, FLAME] = np.where(hotter_gas, gas - outer, 0.0) / m.glow_s
    a[:, GLOW, EMBER] = np.where(hotter_gas, 0.0, gas - outer) / m.glow_s
    rate[:, GLOW] = (share * (gas - outer) + (place - m.glow_sky_c) * hot / 800 - glow) / m.glow_s
    a[:, GLOW, GLOW] = -1 / m.glow_s
    a[:, GLOW, GAS] = share / m.glow_s
    a[:, GLOW, OUTER] = (-share + np.where(hot > 0, place - m.glow_sky_c, 0.0) / 800) / m.glow_s
    a[:, GLOW, PLACE] = hot / 800 / m.glow_s
    rate[:, FILM] = -film / m.film_s
    a[:, FILM, FILM] = -1 / m.film_s
    if forget_s is not None:
        for at in (THICKNESS, HEAT):
            rate[:, at] = -x[:, at] / forget_s
            a[:, at, at] = -1 / forget_s
    return rate, a


def noise(x: Floats, model: Model, wet: Floats, forget_s: float | None) -> Floats:
    """How fast the variance of each state grows by itself.

    Parameters
    ----------
    x, model, wet, forget_s
        As for `slopes`.

    Returns
    -------
    array, shape (z, m)
        Per second.
    """
    m = model
    outer, gas = x[:, OUTER], x[:, GAS]
    hot = np.maximum(outer - AMBIENT_C, 0.0)
    hotter = np.maximum(np.maximum(gas, outer) - AMBIENT_C, 0.0)
    grows = np.zeros(x.shape)
    grows[:, : CORE + 1] = ((0.03 + hot / 800 * m.wall_step_c) ** 2)[:, None]
    grows[:, :CORE] += np.where((wet > 0) & (np.abs(x[:, :CORE] - 100.0) < 15.0), 0.5**2, 0.0)
    walk = m.gas_step_c + m.gas_step_at_800_c * hotter / 800
    spread = 10 + m.gas_spread * hotter
    grows[:, GAS] = np.maximum(walk**2, 2 * spread**2 / m.gas_s)
    grows[:, GLOW] = 2 * (m.glow_u_c + m.glow_u_at_800_c * hot / 800) ** 2 / m.glow_s
    grows[:, FILM] = 2 * m.film_share_u**2 / m.film_s
    if forget_s is not None:
        grows[:, THICKNESS] = 2 * m.wall_share_u**2 / forget_s
        grows[:, HEAT] = 2 * m.heat_share_u**2 / forget_s
    return grows
