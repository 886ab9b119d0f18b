"""The numbers behind the estimate: what a probe on a wall, and one in the air beside it, say of the clay.

A wall's mean and a probe that touches it both trail the wall's skin, each by some tens of seconds that nobody
has measured: a probe of 20-60 s (common practice, no source), the mean by L²/(3a) where the wall is heated
from one side, 5 to 65 s for 4 to 10 mm. They cancel for the most part, so the wall probe is taken as it is,
and what is not known of the two widens the band. Heat also goes on through the wall into what stands behind
it, which follows over minutes: then the mean lies on that side of the face by some share of what it is
behind, which nobody has measured either, so the band is wider on that side alone. A wall with no probe on it
follows the air beside it as a lumped body does, more quickly when hot [1]_.

References
----------
.. [1] F. P. Incropera and D. P. DeWitt, Fundamentals of Heat and Mass Transfer, Wiley: lumped capacitance,
   the radiation heat transfer coefficient ε σ (T + Ts)(T² + Ts²).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any, Final

from logger.physics.infrared import KELVIN, STEFAN_BOLTZMANN
from logger.physics.wall import Wall

AMBIENT_C: Final = 20.0


@dataclass(frozen=True, slots=True)
class Model:
    """Numbers that hold on every family of fires in `tests.benchmarks.bench_pots`, settled on none alone.

    Attributes
    ----------
    wall : Wall
        Of the pots.
    lead_s : float
        How far a wall probe's level is carried on along its rate: the smoothing's own lag, and what its lag
        is thought to be more than the mean's. [s]
    tip_share : float
        How much lower than the wall a tip reads that loses heat to the air, as a share of its rise.
    gas_share, gas_u_share : float
        Share of the air in what a probe that touches a wall reads, taken out where any air is known, and how
        uncertain it is.
    behind_s : float
        How long what stands behind the wall takes to follow it: pots, sherds and air, minutes. [s]
    behind_share, behind_u_share : float
        How far the mean lies towards what is behind, as a share of what that is behind the face: as it is
        taken, and how much farther it may well lie.
    air_lead_s : float
        The same as `lead_s` for a probe in the air: the smoothing's own lag. [s]
    core_share : float
        How much of what stands behind the wall warms with it, as a share of the wall's heat.
    film_w_m2k, view : float
        Convection, and how much of the wall's view the fire fills. [W/(m² K)]
    ember_share : float
        How far a wall goes from the air's temperature to the coals' where these are hotter.
    lain_share : float
        How far what is told without a probe on the wall lies from where its air has brought it towards where
        embers against it would have; the band reaches all of the way.
    wall_u_c, wall_u_share, wall_u_s : float
        Standard uncertainty of what a wall's probes say: fixed, per °C above ambient, and per °C/s. [°C], [s]
    air_u_c, air_u_share, air_u_gap : float
        The same of what the air says; the last for each °C between the air and the wall. [°C]
    above_u_c : float
        How far walls with a probe must stand off what their air says for others to be taken half so. [°C]
    neighbour_u_c, unlike_share : float
        How far one zone's wall may be from another's; how much of what they have long differed by is doubt of
        the air. [°C]
    lost_u_c, lost_u_share : float
        What it grows to where no probe of the zone can be believed. [°C]
    """

    wall: Wall = field(default_factory=Wall)
    lead_s: float = 24.0
    tip_share: float = 0.012
    gas_share: float = 0.04
    gas_u_share: float = 0.04
    behind_s: float = 500.0
    behind_share: float = 0.05
    behind_u_share: float = 0.27
    air_lead_s: float = 9.0
    core_share: float = 0.3
    film_w_m2k: float = 25.0
    view: float = 0.6
    ember_share: float = 0.2
    lain_share: float = 0.1
    wall_u_c: float = 3.5
    wall_u_share: float = 0.013
    wall_u_s: float = 17.0
    air_u_c: float = 16.0
    air_u_share: float = 0.07
    air_u_gap: float = 0.5
    above_u_c: float = 250.0
    neighbour_u_c: float = 100.0
    unlike_share: float = 0.4
    lost_u_c: float = 20.0
    lost_u_share: float = 0.2

    @classmethod
    def of_wall(cls, thickness_mm: float) -> Model:
        """The model for pots whose wall has been measured: a thicker one trails its face by longer.

        Parameters
        ----------
        thickness_mm : float
            Above 0. [mm]

        Returns
        -------
        Model
        """
        usual, wall = cls(), Wall(thickness_mm=thickness_mm)
        behind_s = (wall.diffusion_s - usual.wall.diffusion_s) / 6  # half of a wall heated from one side only
        share = usual.behind_u_share * thickness_mm / usual.wall.thickness_mm
        return replace(usual, wall=wall, lead_s=usual.lead_s - behind_s, behind_u_share=min(share, 0.5))

    @property
    def areal_capacity_j_m2k(self) -> float:
        """Heat that warms a square metre of wall, and what follows it, by a degree. [J/(m² K)]."""
        return self.wall.areal_capacity_j_m2k * (1 + self.core_share)

    def speed_per_s(self, wall_c: Any, source_c: Any) -> Any:
        """How fast a wall follows what heats it.

        Parameters
        ----------
        wall_c, source_c : float or array
            [°C]

        Returns
        -------
        float or array
            One over its time constant. [1/s]
        """
        wall, source = wall_c + KELVIN, source_c + KELVIN
        glow = self.view * STEFAN_BOLTZMANN * (wall**2 + source**2) * (wall + source)
        return (self.film_w_m2k + glow) / self.areal_capacity_j_m2k
