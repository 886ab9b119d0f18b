"""What is fixed before an invented firing is lit: the load, how it is fed, and what goes wrong.

A scenario says what will be tried; the physics (`fire`) works out the result. Times are relative to what
happens (wood lit, feeding ended), because the simulated potter goes by temperatures, not by the clock.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, get_args

from logger.plan import Plan, Probe

Pace = Literal["bonfire", "stoked"]
Anchor = Literal["start", "lit", "fed"]
FaultKind = Literal["open", "intermittent", "stuck", "fallen_out", "short_ground", "cold_junction_hot"]

FAULT_KINDS: Final[tuple[FaultKind, ...]] = get_args(FaultKind)


@dataclass(frozen=True, slots=True)
class ZoneSpec:
    """A part of the load."""

    name: str
    height_cm: float  # middle of its pots above the coal bed. [cm]
    side: str
    exposure: float  # 0 sheltered to 1 fully in the wind
    sky: float  # share of the walls' view that is open air when no wood and no flame covers them
    share: float  # share of the first wood, relative to an even spread


@dataclass(frozen=True, slots=True)
class ProbeSpec:
    """A probe as built: where it is and how well it reads."""

    probe: Probe  # as in the plan
    lag_s: float  # time constant. [s]
    bias_c: float  # offset at 800 °C, in proportion below. [°C]
    noise_c: float  # standard deviation of the amplifier's noise. [°C]
    glow: float  # share of radiation in what a bead in the gap reads
    emissivity: float  # true emissivity divided by the infrared sensor's setting


@dataclass(frozen=True, slots=True)
class Gust:
    """A gust; it starts `after_s` after `anchor`, `strength` is 0 to 1."""

    anchor: Anchor
    after_s: float
    strength: float
    decay_s: float


@dataclass(frozen=True, slots=True)
class Collapse:
    """Coals slump away from one zone's side; `mend_s` later they are raked back (None: never)."""

    zone: str
    anchor: Anchor
    after_s: float
    severity: float
    slump_s: float
    mend_s: float | None


@dataclass(frozen=True, slots=True)
class Stall:
    """A zone held `short_c` below target by ash and damp wood, until `mend_s` after lighting."""

    zone: str
    short_c: float
    mend_s: float | None


@dataclass(frozen=True, slots=True)
class Rain:
    """Rain at a rate in mm/h, for a while."""

    anchor: Anchor
    after_s: float
    duration_s: float
    rate_mm_h: float


@dataclass(frozen=True, slots=True)
class Fault:
    """A probe that reads wrong or falls silent; `duration_s` None: to the end."""

    probe: str
    kind: FaultKind
    anchor: Anchor
    after_s: float
    duration_s: float | None


@dataclass(frozen=True, slots=True)
class Scenario:
    """Everything fixed before a simulated firing is lit."""

    seed: int  # for noise and small changes in the weather
    title: str  # says that it is invented
    pace: Pace  # 'bonfire' | 'stoked'; all wood at once, or little by little
    target_c: float
    ambient_c: float
    diameter_m: float  # of the fire. [m]
    wind_m_s: float
    # wall_mm, diffusivity_mm2_s: the pots' walls. [mm, mm²/s]
    wall_mm: float
    diffusivity_mm2_s: float
    water: float  # left in the walls after days of drying, as a share of their weight
    first_coals: float  # strength of the small fire that warms the pots; 1 is usual
    # dry_until_c, dry_min_s: the wood is lit once the coldest wall is this hot, and no earlier. [°C, s]
    dry_until_c: float
    dry_min_s: float
    # wood_kg_m2, wood_tau_s, spread_s: the first wood on each m² of ground, how fast it burns, and how fast
    # fire spreads through the pile. [kg/m², s, s]
    wood_kg_m2: float
    wood_tau_s: float
    spread_s: float
    char: float  # share of the wood that falls to the coals
    # armload_kg_m2, armload_tau_s, armload_gap_s: as for the first wood; least time between two armloads
    armload_kg_m2: float
    armload_tau_s: float
    armload_gap_s: float
    soak_s: float  # how long the potter keeps all zones at the target. [s]
    rake_after_s: float | None  # from the end of feeding to raking out; None: never. [s]
    rake_hot: bool  # all at once, instead of little by little
    burn_s: float  # how long the firing is watched after feeding ends. [s]
    # coal_life_s, coals_rise_c: how fast char burns, how far a deep bed is above the ambient. [s, °C]
    coal_life_s: float
    coals_rise_c: float
    zones: tuple[ZoneSpec, ...]
    probes: tuple[ProbeSpec, ...]
    gusts: tuple[Gust, ...] = ()
    collapses: tuple[Collapse, ...] = ()
    stalls: tuple[Stall, ...] = ()
    rains: tuple[Rain, ...] = ()
    faults: tuple[Fault, ...] = ()
    # armload_shade, armload_shade_beside: how far an armload's cold wood hides its own zone, and the others,
    # from the fire; 0 to 1
    armload_shade: float = 0.30
    armload_shade_beside: float = 0.08
    armload_dip_s: float = 30.0  # time until it hides most. [s]
    # standard deviation of a bare bead's flicker in full flame. [°C]
    flicker_c: float = 17.0  # nearly all of it is within ±30 °C

    def plan(self, target_c: float | None = None) -> Plan:
        """Make its plan, plainly marked as invented; with another target [°C] if given."""
        return Plan(
            title=self.title,
            target_c=self.target_c if target_c is None else target_c,
            burnout_c=650.0,
            soak_min=round(self.soak_s / 60),
            probes=tuple(spec.probe for spec in self.probes),
        )

    def zone_at(self, name: str) -> int:
        """Find the place of a zone with pots among `zones`."""
        return [zone.name for zone in self.zones].index(name)
