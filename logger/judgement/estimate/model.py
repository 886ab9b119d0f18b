"""The numbers behind the estimate: what a probe on a wall, and one in the air beside it, say about the clay.

A wall's mean and a probe touching it both trail the wall's skin by some tens of seconds that nobody has
measured: the probe by 20-60 s (common practice, no source), the mean by L²/(3a) where the wall is heated from
one side, 5 to 65 s for 4 to 10 mm. The two largely cancel, so the wall probe is taken as it is, and their
uncertainty widens the band. Heat also passes through the wall into what is behind it, which follows over
minutes: the mean then lags the face by some share of how far that is behind. Nobody has measured this either,
so the band is wider on that side alone. A wall with no probe on it follows the air beside it as a lumped body
does, more quickly when hot [1]_.

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
    """Numbers that hold on every family of fires in `tests.benchmarks.bench_pots`, tuned to none alone."""

    wall: Wall = field(default_factory=Wall)  # of the pots
    # how far a wall probe's level is extended along its rate: the smoothing's own lag, plus the probe's
    # assumed excess of lag over the mean's
    lead_s: float = 24.0
    # how much lower than the wall a tip reads because it loses heat to the air, as a share of its rise
    tip_share: float = 0.012
    # share of the air in the reading of a probe touching a wall, taken out where any air is known …
    gas_share: float = 0.04
    gas_u_share: float = 0.04  # … and its uncertainty
    behind_s: float = 500.0  # how long what is behind the wall takes to follow: pots, sherds and air, minutes
    # how far the mean is towards what is behind, as a share of that one's distance from the face …
    behind_share: float = 0.05
    behind_u_share: float = 0.27  # … and how much farther it may well be
    air_lead_s: float = 9.0  # as `lead_s`, for a probe in the air: the smoothing's own lag
    core_share: float = 0.3  # what warms along with the wall behind it, as a share of the wall's heat
    film_w_m2k: float = 25.0  # convection
    # bounds on how fast a wall follows what heats it, as a share of the usual: thick, wet clay warms this
    # slowly, a thin wall in a draught cools this quickly
    slow_share: float = 0.3
    quick_share: float = 3.0
    view: float = 0.6  # how much of the wall's view the fire fills
    # how far a wall goes from the air's temperature towards the coals' where these are hotter
    ember_share: float = 0.2
    # without a probe on the wall: how far the estimate is from where its air would bring it towards where
    # embers against it would; the band goes all the way and beyond, as embers in a draught are hotter than
    # a probe in the bed and than the air has been
    lain_share: float = 0.1
    lain_most_share: float = 1.3
    wall_u_c: float = 3.5  # standard uncertainty of wall probes: fixed …
    wall_u_share: float = 0.013  # … per °C above ambient …
    wall_u_s: float = 17.0  # … and per °C/s
    air_u_c: float = 16.0  # the same for air probes …
    air_u_share: float = 0.07
    air_u_gap: float = 0.5  # … per °C between the air and the wall
    # how far probed walls must be from what their air says for the others to be moved by half as much
    above_u_c: float = 250.0
    neighbour_u_c: float = 100.0  # how far one zone's wall may be from another's
    unlike_share: float = 0.4  # how much of a lasting difference between them counts as doubt of the air
    lost_u_c: float = 20.0  # what the uncertainty grows to where no probe of the zone can be believed
    lost_u_share: float = 0.2

    @classmethod
    def of_wall(cls, thickness_mm: float) -> Model:
        """The model for pots of a known wall thickness (above 0): a thicker wall trails its face longer."""
        usual, wall = cls(), Wall(thickness_mm=thickness_mm)
        behind_s = (wall.diffusion_s - usual.wall.diffusion_s) / 6  # half of a wall heated from one side only
        share = usual.behind_u_share * thickness_mm / usual.wall.thickness_mm
        return replace(usual, wall=wall, lead_s=usual.lead_s - behind_s, behind_u_share=min(share, 0.5))

    @property
    def areal_capacity_j_m2k(self) -> float:
        """Heat that warms a square metre of wall, with what follows it, by a degree [J/(m² K)]."""
        return self.wall.areal_capacity_j_m2k * (1 + self.core_share)

    def speed_per_s(self, wall_c: Any, source_c: Any) -> Any:
        """How fast a wall follows what heats it: one over its time constant [1/s]."""
        wall, source = wall_c + KELVIN, source_c + KELVIN
        glow = self.view * STEFAN_BOLTZMANN * (wall**2 + source**2) * (wall + source)
        return (self.film_w_m2k + glow) / self.areal_capacity_j_m2k
