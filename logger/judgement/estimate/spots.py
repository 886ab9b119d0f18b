"""Gun readings: what a reading says about a pot in the fire, and how far it moves its zone's estimate."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.physics.infrared import corrected_c, radiance, temperature_c
from logger.physics.uncertainty import combined_c, infrared_budget

CLAY_EMISSIVITY: Final = 0.92
"""Of fired clay, 8-14 µm; 0.90 to 0.95 (from memory)."""
FIRE_SHARE: Final = 0.75
"""How much of what a pot's face reflects is fire, coals and other pots; the rest is the open air that the gun
is pointed through (common practice, no source)."""
U_SURROUNDINGS: Final = 0.2
"""Uncertainty of the reflected surroundings' temperature, as a share of it, in kelvin."""
OPEN_AIR_C: Final = 20.0
FADES_S: Final = 600.0
"""How long a gun reading takes to lose its weight. [s]"""
COUNTS_S: Final = 1800.0
"""After this it is forgotten. [s]"""
LIKELY: Final = 2.6
"""A gun reading more standard deviations from the estimate than this doesn't fit it."""


@dataclass(frozen=True, slots=True)
class Spot:
    """A corrected gun reading, and what the probes alone said at the time."""

    t_s: float
    zone: str
    surface_c: float
    u_c: float  # standard uncertainty of `surface_c`
    expected_c: float  # the face by the zone's probes at the time
    expected_u_c: float

    @property
    def fits(self) -> bool:
        """Whether it agrees with the estimate."""
        return abs(self.surface_c - self.expected_c) < LIKELY * float(np.hypot(self.u_c, self.expected_u_c))


def surface_of_spot(
    reading_c: float, set_emissivity: float, fire_c: float | None = None
) -> tuple[float, float]:
    """Correct a gun reading of a pot in the fire; return the surface and its standard uncertainty [°C].

    NaN where no surface could give that reading. A pot in a fire reflects the fire, not the open air: with
    cold surroundings assumed, a pot at 700 °C would seem some 40 °C hotter than it is. `FIRE_SHARE` of what
    it reflects is taken as black glow at `fire_c` (default: as hot as the pot itself), the rest as open air.
    """
    surface = float(corrected_c(reading_c, emissivity=CLAY_EMISSIVITY, set_emissivity=set_emissivity))
    if not np.isfinite(surface):
        return surface, float("nan")
    around = OPEN_AIR_C
    # With the surface itself as the fire this converges at once: little of a reading is reflection.
    for _ in range(4):
        fire = surface if fire_c is None else fire_c
        glow = FIRE_SHARE * radiance(fire) + (1 - FIRE_SHARE) * radiance(OPEN_AIR_C)
        around = float(temperature_c(glow))
        surface = float(
            corrected_c(
                reading_c,
                emissivity=CLAY_EMISSIVITY,
                set_emissivity=set_emissivity,
                surroundings_c=around,
            )
        )
        if not np.isfinite(surface):
            return surface, float("nan")
    budget = infrared_budget(
        surface,
        emissivity=CLAY_EMISSIVITY,
        surroundings_c=around,
        u_surroundings_c=U_SURROUNDINGS * (around + 273.15),
    )
    return surface, float(combined_c(budget))


def moved_by(spots: list[Spot], t_s: float, u_c: float) -> tuple[float, float]:
    """How far a zone's gun readings move its estimate at `t_s`, and what uncertainty is left.

    `u_c` is the estimate's uncertainty without them. Readings from one gun err together (its calibration, the
    clay's emissivity, what it reflects), so several count as one, the newer ones more.
    """
    weights = [float(np.exp(-(t_s - s.t_s) / FADES_S)) for s in spots]
    total = sum(weights)
    if total <= 0.0:
        return 0.0, u_c
    apart = sum(w * (s.surface_c - s.expected_c) for w, s in zip(weights, spots, strict=True)) / total
    variance = sum(w * s.u_c**2 for w, s in zip(weights, spots, strict=True)) / total / max(weights)
    gain = u_c**2 / (u_c**2 + variance)
    return gain * apart, u_c * float(np.sqrt(1 - gain))
