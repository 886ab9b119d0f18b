"""The state-space model behind the estimate: gas, glow, wall, mass behind it, and the probes that look on.

For each zone the state is

====================  ==================================================================================
outer, middle, inner  Temperatures through the pot's wall, three points of a plane wall. [°C]
core                  What the wall faces inside: the pot's other side, pots and sherds behind. [°C]
gas                   Gas around the wall. [°C]
glow                  How far the glow around the wall is above (or below) the wall's own. [°C]
film                  Logarithm of the convection coefficient over its nominal value.
flame, ember          How much more than nominally the glow follows the gas where that is hotter, or colder.
place                 How much hotter than nominally the glow stays where this zone lies, at 800 °C. [°C]
thickness, heat       Logarithms of the wall's thickness and of the heat it takes up, over their nominal
                      values. Both are *considered* only [1]_: what is not known of them widens the band, but
                      readings never move them, since the model could mistake its other faults for them.
                      An air probe's readings move film, flame, ember and place as little, for that reason.
gun                   What all spot readings of the zone have in common, in standard uncertainties.
reading, bias         Of each probe: what it would say without noise, and its own offset at 800 °C. [°C]
====================  ==================================================================================

References
----------
.. [1] S. F. Schmidt, "Application of state-space methods to navigation problems", Advances in Control
   Systems 3 (1966), 293-340 (parameters that are considered, not estimated). From memory.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np

from logger.physics.wall import Wall

Looks = Literal["air", "wall", "surface", ""]
"""What a probe reads; nothing where a zone has fewer probes than another."""

OUTER, MIDDLE, INNER, CORE, GAS, GLOW, FILM, FLAME, EMBER, PLACE, THICKNESS, HEAT, GUN = range(13)
COMMON: Final = 13
THROUGH: Final = np.array([0.25, 0.5, 0.25])
"""Weights of the three points in the mean through the wall."""


@dataclass(frozen=True, slots=True)
class Model:
    """The model's numbers. Those without a source were set on simulated firings that no test uses.

    Attributes
    ----------
    wall : Wall
        Of the pots.
    wall_share_u : float
        Standard uncertainty of the wall's thickness, as a share of it.
    heat_share_u : float
        Of the heat that it takes up.
    film_w_m2k, film_share_u, film_s : float
        Convection coefficient, how much it varies (as a share), and over what time. [W/(m² K)], [s]
    core_view, core_walls : float
        How much of what the inner face sees is the core, and how many walls' heat the core holds.
    glow_per_gas_hot, glow_per_gas_cold : float
        Where the glow settles, as a share of gas less wall, when the gas is hotter and when it is colder.
    flame_u, ember_u : float
        Standard uncertainty of these two shares.
    glow_sky_c : float
        How much the open sky takes from the glow of an 800 °C wall. [°C]
    place_u_c : float
        Standard uncertainty of what stays different about a zone's place, at 800 °C. [°C]
    glow_s, glow_u_c, glow_u_at_800_c : float
        The glow's time constant and spread, cold and at 800 °C. [s], [°C]
    gas_step_c, gas_step_at_800_c : float
        Random walk of the gas, per root of a second, cold and at 800 °C. [°C/√s]
    gas_s, gas_spread : float
        Time in which a zone's gas is drawn to its neighbours', and by what share of its temperature zones
        differ. [s]
    wall_step_c : float
        Random walk of the wall at 800 °C, for all that the model leaves out. [°C/√s]
    water_share : float
        Water boiling off near 100 °C the first time, as a share of the clay's mass.
    bead_glow : float
        Share of glow in what a bead in the gap reads, the rest is gas.
    wall_probe_gas : float
        Share of gas in what a probe touching the wall reads.
    lag_s : dict
        Time constant by what a probe reads. [s]
    noise_c, noise_at_800_c : dict
        Standard deviation of a reading, cold and what comes to it at 800 °C: flicker, and what its place
        differs from the zone's. [°C]
    spot_common : float
        Share of a spot reading's uncertainty that stays the same from shot to shot: instrument, emissivity.
    bias_u_c : dict
        Standard deviation of a probe's offset at 800 °C (class 2 of IEC 60584-1 is ± 6, √3 standard
        deviations). [°C]
    """

    wall: Wall = field(default_factory=Wall)
    wall_share_u: float = 0.28
    heat_share_u: float = 0.15
    film_w_m2k: float = 15.0
    film_share_u: float = 0.30
    film_s: float = 1800.0
    core_view: float = 0.45
    core_walls: float = 1.4
    glow_per_gas_hot: float = 0.46
    glow_per_gas_cold: float = 0.0
    flame_u: float = 0.14
    ember_u: float = 0.08
    glow_sky_c: float = 4.0
    place_u_c: float = 15.0
    glow_s: float = 36.0
    glow_u_c: float = 2.0
    glow_u_at_800_c: float = 25.0
    gas_step_c: float = 2.0
    gas_step_at_800_c: float = 8.0
    gas_s: float = 700.0
    gas_spread: float = 0.22
    wall_step_c: float = 0.45
    water_share: float = 0.015
    bead_glow: float = 0.5
    wall_probe_gas: float = 0.08
    lag_s: dict[str, float] = field(default_factory=lambda: {"air": 9.0, "wall": 6.0, "surface": 1.0})
    noise_c: dict[str, float] = field(default_factory=lambda: {"air": 3.0, "wall": 2.0, "surface": 15.0})
    noise_at_800_c: dict[str, float] = field(
        default_factory=lambda: {"air": 60.0, "wall": 4.0, "surface": 0.0}
    )
    spot_common: float = 0.8
    bias_u_c: dict[str, float] = field(default_factory=lambda: {"air": 3.5, "wall": 3.5, "surface": 10.0})

    @classmethod
    def of_wall(cls, thickness_mm: float) -> Model:
        """The model for pots whose wall has been measured.

        Parameters
        ----------
        thickness_mm : float
            Measured or made to; taken as good to a tenth. [mm]

        Returns
        -------
        Model

        Raises
        ------
        ValueError
            The thickness is not above 0.
        """
        return cls(wall=Wall(thickness_mm=thickness_mm), wall_share_u=0.10)
