"""The numbers behind the estimate: what a probe on a wall, and one in the air beside it, say of the clay.

A wall's mean and a probe that touches it both trail the wall's skin, each by some tens of seconds that nobody
has measured: a probe of 20-60 s (common practice, no source), the mean by L²/(3a) where the wall is heated
from one side, 5 to 65 s for 4 to 10 mm. They cancel for the most part, so the wall probe is taken as it is,
and what is not known of the two widens the band. Heat also goes on through the wall into what stands behind
it, which follows over minutes: then the mean lies on that side of the face by some share of what it is
behind, which nobody has measured either, so the band is wider on that side alone. A wall with no probe on it
follows the air beside it as a lumped body does, more quickly when hot [1]_.

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
    """Numbers that hold on every family of fires in `tests.benchmarks.bench_pots`, settled on none alone."""

    wall: Wall = field(default_factory=Wall)  # of the pots
    # how far a wall probe's level is carried on along its rate: the smoothing's own lag, and what its lag is
    # thought to be more than the mean's
    lead_s: float = 24.0
    # how much lower than the wall a tip reads that loses heat to the air, as a share of its rise
    tip_share: float = 0.012
    # share of the air in what a probe that touches a wall reads, taken out where any air is known …
    gas_share: float = 0.04
    gas_u_share: float = 0.04  # … and how uncertain it is
    behind_s: float = 500.0  # until what stands behind the wall follows it: pots, sherds and air, minutes
    # how far the mean lies towards what is behind, as a share of what that is behind the face …
    behind_share: float = 0.05
    behind_u_share: float = 0.27  # … and how much farther it may well lie
    air_lead_s: float = 9.0  # as `lead_s`, for a probe in the air: the smoothing's own lag
    core_share: float = 0.3  # what warms with the wall behind it, as a share of the wall's heat
    film_w_m2k: float = 25.0  # convection
    # bounds of how fast a wall follows what heats it, as a share of what is usual: thick, wet clay warms as
    # slowly, a thin wall in a draught cools as quickly
    slow_share: float = 0.3
    quick_share: float = 3.0
    view: float = 0.6  # how much of the wall's view the fire fills
    # how far a wall goes from the air's temperature to the coals' where these are hotter
    ember_share: float = 0.2
    # without a probe on the wall: how far what is told lies from where its air has brought it towards where
    # embers against it would have; the band reaches all of the way and farther, as embers in a draught are
    # hotter than a bed's probe and than the air has been
    lain_share: float = 0.1
    lain_most_share: float = 1.3
    wall_u_c: float = 3.5  # standard uncertainty of what a wall's probes say: fixed …
    wall_u_share: float = 0.013  # … per °C above ambient …
    wall_u_s: float = 17.0  # … and per °C/s
    air_u_c: float = 16.0  # the same of what the air says …
    air_u_share: float = 0.07
    air_u_gap: float = 0.5  # … for each °C between the air and the wall
    # how far walls with a probe must stand off what their air says for others to be taken half so
    above_u_c: float = 250.0
    neighbour_u_c: float = 100.0  # how far one zone's wall may be from another's
    unlike_share: float = 0.4  # how much of what they have long differed by is doubt of the air
    lost_u_c: float = 20.0  # what it grows to where no probe of the zone can be believed
    lost_u_share: float = 0.2

    @classmethod
    def of_wall(cls, thickness_mm: float) -> Model:
        """The model for pots whose wall (above 0) has been measured: a thicker one trails its face longer."""
        usual, wall = cls(), Wall(thickness_mm=thickness_mm)
        behind_s = (wall.diffusion_s - usual.wall.diffusion_s) / 6  # half of a wall heated from one side only
        share = usual.behind_u_share * thickness_mm / usual.wall.thickness_mm
        return replace(usual, wall=wall, lead_s=usual.lead_s - behind_s, behind_u_share=min(share, 0.5))

    @property
    def areal_capacity_j_m2k(self) -> float:
        """Heat that warms a square metre of wall, and what follows it, by a degree. [J/(m² K)]."""
        return self.wall.areal_capacity_j_m2k * (1 + self.core_share)

    def speed_per_s(self, wall_c: Any, source_c: Any) -> Any:
        """How fast a wall follows what heats it: one over its time constant [1/s]."""
        wall, source = wall_c + KELVIN, source_c + KELVIN
        glow = self.view * STEFAN_BOLTZMANN * (wall**2 + source**2) * (wall + source)
        return (self.film_w_m2k + glow) / self.areal_capacity_j_m2k
