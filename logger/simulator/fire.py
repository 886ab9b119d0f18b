"""The physics of an invented open firing, second by second.

Modelled for each zone of the load: hot gas (fire plume [1]_ above a bed of finite width [2]_, air
drawn in at the foot, wind, gusts), the coal bed (char burning down under ash), pot walls (three nodes,
conduction through the wall, radiation and convection outside, radiation inside, pore water boiling off [3]_)
and the mass behind them (other pots, sherds). `course` decides what is done to the fire.

The step is 1 s. Everything but the walls is calculated a block of seconds at a time. Numbers without a source
are ours, chosen so that fifty firings stay within published figures of real ones (the tests say which).

References
----------
.. [1] B. J. McCaffrey, "Purely buoyant diffusion flames: some experimental results", NBSIR 79-1910, National
   Bureau of Standards, 1979. Coefficients from memory.
.. [2] G. Heskestad, "Fire plumes, flame height and air entrainment", in SFPE Handbook of Fire Protection
   Engineering (virtual origin z0 = 0.083 Q^(2/5) - 1.02 D, Q in kW, m). From memory.
.. [3] F. P. Incropera and D. P. DeWitt, Fundamentals of Heat and Mass Transfer, Wiley (explicit finite
   differences for a plane wall; gray surfaces in an enclosure).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np

from logger.physics.infrared import KELVIN
from logger.physics.infrared import STEFAN_BOLTZMANN as SIGMA
from logger.reading import Floats
from logger.simulator.course import LONGEST_S, LOOK_EVERY_S, Course
from logger.simulator.scenario import Scenario

# A low-fired clay: density x specific heat [J/m³K], emissivity (0.90-0.95 in the long infrared).
HEAT_CAPACITY: Final = 1.8e6
EMISSIVITY: Final = 0.92
# Flaming part of wood's heat, minus what never reaches the pots; glowing char [kJ/kg].
FLAME_KJ_KG: Final = 11_000.0
CHAR_KJ_KG: Final = 20_000.0
CONVECTED: Final = 0.7
# A burning pile keeps its glow in: hotter than the free flame in which the plume's figures were measured.
PILE: Final = 1.085


def plume_rise_c(height_m: Floats, power_kw: Floats) -> Floats:
    """Mean temperature rise over the ambient on the axis of a fire plume, after McCaffrey. [°C].

    Height [m] is above the (virtual) source, more than 0; power is the heat release. [kW]

    ``dT = (k / (0.9 sqrt(2 g)))**2 (z / Q**0.4)**(2 n - 1) T0``, with (k, n) = (6.8, 1/2) in the flame, (1.9,
    0) where it is intermittent and (1.1, -1/3) in the plume; the lowest of the three counts, with T0 = 293 K.
    """
    scaled = np.maximum(height_m, 1e-3) / np.maximum(power_kw, 1e-3) ** 0.4
    flame = (6.8 / (0.9 * np.sqrt(2 * 9.81))) ** 2 * 293.0
    sometimes = (1.9 / (0.9 * np.sqrt(2 * 9.81))) ** 2 * 293.0 / scaled
    plume = (1.1 / (0.9 * np.sqrt(2 * 9.81))) ** 2 * 293.0 * scaled ** (-5 / 3)
    return np.asarray(np.minimum(flame, np.minimum(sometimes, plume)), np.float64)


@dataclass(slots=True)
class Fire:
    """What happened, second by second: n seconds, z zones, coal patches (the middle, then one per zone)."""

    # gas_c, glow_c: array (n, z); gas, and what a small body sees by radiation. [°C]
    gas_c: Floats
    glow_c: Floats
    wall_c: Floats  # array (n, z, 3); outer face, middle, inner face. [°C]
    coals_c: Floats  # array (n, z + 1); [°C]
    flame: Floats  # array (n, z); 0 to 1: how far the zone is in flame
    flame_kw: Floats  # array (n,); power of the flames. [kW]
    ambient_c: float  # [°C]
    # lit_s, fed_s: wood lit; no more armloads, the load is done
    lit_s: float
    fed_s: float
    raked_s: float | None  # raking out begins
    # armloads, gusts, rain, raking and mishaps, in order
    events: list[dict[str, Any]] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class _Surroundings:
    """What surrounds the walls of each zone, for a block of seconds; arrays (seconds, z)."""

    gas_c: Floats
    radiant_k4: Floats  # view factor times the fourth power of the temperature, summed over coals, flame, sky
    views: Floats  # the view factors' sum
    film_w_m2k: Floats
    drain_w_m2: Floats  # rain that boils off


class _Physics:
    """The state of the fire and the load, and how it changes."""

    VIEW_OF_CORE = 0.22
    INNER_VIEW_OF_CORE = 0.35

    def __init__(self, scenario: Scenario, course: Course) -> None:
        self.scenario, self.course = scenario, course
        zones = scenario.zones
        z, n = len(zones), LONGEST_S
        self.height_m = np.array([zone.height_cm / 100 for zone in zones])
        self.exposure = np.array([zone.exposure for zone in zones])
        self.sky = np.array([zone.sky for zone in zones])
        self.view_of_coals = 0.55 * np.exp(-self.height_m / 0.30)
        self.foot = 1 - 0.5 * np.exp(-self.height_m / 0.18)  # cold air is drawn in at the foot
        self.area_m2 = np.pi * scenario.diameter_m**2 / 4

        self.gas_c = np.empty((n, z))
        self.glow_k4 = np.empty((n, z))
        self.wall_c = np.empty((n, z, 3))
        self.coals_c = np.empty((n, z + 1))
        self.flame = np.empty((n, z))
        self.flame_kw = np.empty(n)

        thickness_m = scenario.wall_mm / 1000
        conductivity = scenario.diffusivity_mm2_s * 1e-6 * HEAT_CAPACITY
        self.conductance = conductivity / (thickness_m / 2)
        self.cell = HEAT_CAPACITY * thickness_m * np.array([[0.25], [0.5], [0.25]])  # [J/m²K]
        self.core_capacity = 2.2 * HEAT_CAPACITY * thickness_m
        # Heat that each cell's water must still take up [J/m²]; at 1 kJ/kgK the clay is cell / 1000 kg/m².
        self.latent = self.cell / 1000.0 * scenario.water * 2.26e6 * np.ones((1, z))
        self.wall = np.full((3, z), scenario.ambient_c + 8.0)
        self.core = np.full(z, scenario.ambient_c + 5.0)
        self.char = np.zeros(z + 1)  # [kg/m²]
        self.coal_temp = np.full(z + 1, scenario.ambient_c + 110.0)

    def surroundings(self, a: int, b: int) -> _Surroundings:
        """Advance flames and coals from second a to second b, by what the course does to the fire."""
        course, ambient = self.course, self.scenario.ambient_c
        burning, slump = course.burning[a:b], course.slump[a:b]
        rain, raked = course.rain[a:b, None], course.raked[a:b, None]
        gust, wind = course.gust[a:b, None], course.wind[a:b, None]

        # Flames: the more wood burns on and around the zone, the deeper it is in them.
        damped = np.maximum(1 - 0.03 * rain, 0.4)
        total = burning.mean(axis=1, keepdims=True)
        power = total * self.area_m2 * FLAME_KJ_KG * damped
        engulfed = 1 - np.exp(-(0.6 * burning + 0.4 * total) * damped / 0.0055)
        engulfed *= (1 - course.shade[a:b]) * self._caught(a, b)

        # Wind, gusts and gaps let fresh air in.
        bare = 1.0 if self.scenario.rake_hot else 0.2
        fresh = self.exposure * (0.035 * wind * (1 - 0.5 * engulfed) + 0.42 * gust)
        fresh = np.minimum(fresh + 0.16 * slump + bare * 0.25 * raked * (0.4 + self.sky), 0.9)
        # A zone under ash and damp wood gets only what they let through, and is out of the wind.
        cap = course.cap_c[a:b]
        buried = np.isfinite(cap)
        fresh = np.where(buried, 0.25 * fresh, fresh)
        shade = np.where(buried, 0.2, 1.0) * course.shade[a:b]

        patch, coal_kw = self._coals(a, b, engulfed)
        origin = 0.083 * (CONVECTED * coal_kw) ** 0.4 - 1.02 * self.scenario.diameter_m * 0.5
        over_coals = plume_rise_c(self.height_m - origin, CONVECTED * coal_kw)
        over_coals = np.minimum(over_coals, 0.8 * (patch - ambient)) * (1 - 0.6 * slump)
        in_flame = plume_rise_c(self.height_m, CONVECTED * power) * self.foot * engulfed * PILE
        rise = np.cbrt(in_flame**3 + over_coals**3) * (1 - fresh) * (1 - 0.2 * shade)
        gas = np.minimum(ambient + rise, cap)

        of_coals = self.view_of_coals * (1 - 0.7 * slump)
        of_flame = (1 - of_coals - self.VIEW_OF_CORE) * 0.85 * engulfed * (1 - 0.4 * fresh)
        cover = 1 - np.exp(-course.unburnt[a:b] / 2.5)
        of_sky = self.sky * (1 - engulfed) * (1 - 0.8 * cover) * (1 + bare * 1.2 * raked) + 0.06 * slump
        of_sky = np.where(buried, 0.3 * of_sky, of_sky)
        of_sky = np.minimum(of_sky, 1 - of_coals - of_flame - self.VIEW_OF_CORE)
        radiant = (
            of_coals * (np.minimum(patch, cap) + KELVIN) ** 4
            + of_flame * (gas + KELVIN) ** 4
            + of_sky * (ambient + KELVIN) ** 4
        )
        self.gas_c[a:b], self.flame[a:b], self.flame_kw[a:b] = gas, engulfed, power[:, 0]
        return _Surroundings(
            gas_c=gas,
            radiant_k4=radiant,
            views=of_coals + of_flame + of_sky,
            film_w_m2k=9 + 14 * engulfed + 5 * wind * self.exposure + 4 * slump + 15 * gust,
            # 1 mm/h is 0.28 g/s m², and 2.6 MJ/kg to heat and boil it; little of it gets past the cover.
            drain_w_m2=rain / 3600 * 2.6e6 * (0.25 + self.sky * 2),
        )

    def _caught(self, a: int, b: int) -> Floats:
        """Share of the pile that the fire has reached since it was lit."""
        if self.course.lit is None:
            return np.zeros((b - a, 1))
        x = np.arange(a, b)[:, None] - self.course.lit
        return 1 - np.exp(-((x / self.scenario.spread_s) ** 2))

    def _coals(self, a: int, b: int, engulfed: Floats) -> tuple[Floats, Floats]:
        """Advance the coal bed; return the temperature of each zone's patch and the bed's power."""
        scenario, course, ambient = self.scenario, self.course, self.scenario.ambient_c
        t = np.arange(a, b)[:, None]
        wind, gust, raked = course.wind[a:b, None], course.gust[a:b, None], course.raked[a:b, None]

        def with_middle(zones: Floats, middle: Floats) -> Floats:
            return np.concatenate([middle, zones], axis=1)

        fallen = scenario.char * course.burning[a:b]
        fallen = with_middle(fallen, 1.15 * fallen.mean(axis=1, keepdims=True))
        draught = with_middle(wind * self.exposure, 0.3 * wind)
        flame = with_middle(engulfed, engulfed.mean(axis=1, keepdims=True))
        gone = with_middle(course.slump[a:b], np.zeros((b - a, 1)))

        loss = (0.85 + 0.12 * draught + 0.25 * gust) / scenario.coal_life_s
        if course.rake is not None:
            loss = loss + 2.4 / course.rake_tau_s * np.exp(-(t - course.rake) / course.rake_tau_s)
        char = _relax(self.char, fallen, loss)
        # The small fire that warms the pots beforehand: fed little by little, then left to itself.
        warming = scenario.first_coals * (130.0 + 130.0 * np.minimum(t / 1800, 1.8))
        if course.lit is not None:
            warming = warming * np.exp(-(t - course.lit) / 1200.0)
        char_kw_m2 = char.mean(axis=1, keepdims=True) / scenario.coal_life_s * CHAR_KJ_KG
        power = (char_kw_m2 + 0.11 * warming) * self.area_m2

        # A thin bed glows less: it loses its heat to the ground and is covered by ash.
        glowing = scenario.coals_rise_c * (1 - np.exp(-char / 2.6)) * (1 + 0.035 * np.minimum(draught, 2))
        rise = np.cbrt(glowing**3 + warming**3)
        rise = (rise + 0.12 * flame * np.maximum(820 - rise, 0)) * (1 - 0.25 * raked)
        rise *= np.maximum(1 - 0.018 * course.rain[a:b, None], 0.6) * (1 - 0.35 * gone)
        speed = 1 / 260.0 + raked / (150.0 if scenario.rake_hot else 400.0) + 0.01 * gone
        temp = _relax(self.coal_temp, (ambient + rise) * speed, speed)
        self.char, self.coal_temp = char[-1], temp[-1]
        self.coals_c[a:b] = temp
        return temp[:, 1:], power

    def walls(self, a: int, b: int, around: _Surroundings) -> None:
        """Advance by explicit finite differences: a half cell at each face and a whole one between."""
        wall, core, latent = self.wall, self.core, self.latent
        wet = bool(latent.max() > 1.0)
        heat = np.empty_like(wall)
        for i, t in enumerate(range(a, b)):
            outer4 = (wall[0] + KELVIN) ** 4
            core4 = (core + KELVIN) ** 4
            seen = around.radiant_k4[i] + self.VIEW_OF_CORE * core4
            views = around.views[i] + self.VIEW_OF_CORE
            # The rest of the view is wood, sherds and neighbours, as hot as the wall itself.
            self.glow_k4[t] = seen + (1 - views) * outer4
            outside = EMISSIVITY * SIGMA * (seen - views * outer4)
            outside += around.film_w_m2k[i] * (around.gas_c[i] - wall[0])
            outside -= np.where(wall[0] > 100, around.drain_w_m2[i], 0.0)
            inside = EMISSIVITY * SIGMA * self.INNER_VIEW_OF_CORE * (core4 - (wall[2] + KELVIN) ** 4)
            across = self.conductance * (wall[:-1] - wall[1:])
            heat[0] = outside - across[0]
            heat[1] = across[0] - across[1]
            heat[2] = across[1] + inside
            lost = EMISSIVITY * SIGMA * self.VIEW_OF_CORE * (core4 - outer4) + inside
            core = core - lost / self.core_capacity
            wall = wall + heat / self.cell
            if wet:
                boiled = np.minimum(0.8 * np.maximum(wall - 99.0, 0.0) * self.cell, latent)
                latent = latent - boiled
                wall = wall - boiled / self.cell
            self.wall_c[t] = wall.T
        self.wall, self.core, self.latent = wall, core, latent


def _relax(start: Floats, source: Floats, rate: Floats) -> Floats:
    """Solve x' = source - rate x over the rows, a second each, exactly for rates constant within a second."""
    keep = np.exp(-np.broadcast_to(rate, source.shape))
    gain = source * (1 - keep) / np.maximum(rate, 1e-12)
    fall = np.cumprod(keep, axis=0)
    return np.asarray(fall * (start + np.cumsum(gain / fall, axis=0)), np.float64)


def burn(scenario: Scenario) -> Fire:
    """Burn a scenario for 45 min to 3 h; the same scenario always burns the same way."""
    course = Course(scenario)
    physics = _Physics(scenario, course)
    now = 0
    while not course.ended(now):
        physics.walls(now, now + LOOK_EVERY_S, physics.surroundings(now, now + LOOK_EVERY_S))
        now += LOOK_EVERY_S
        lately = slice(now - 5, now)
        course.look(now, physics.wall[0], physics.wall[1], physics.gas_c[lately].mean(axis=0))
    return Fire(
        gas_c=physics.gas_c[:now],
        glow_c=np.sqrt(np.sqrt(physics.glow_k4[:now])) - KELVIN,
        wall_c=physics.wall_c[:now],
        coals_c=physics.coals_c[:now],
        flame=physics.flame[:now],
        flame_kw=physics.flame_kw[:now],
        ambient_c=scenario.ambient_c,
        lit_s=float(now if course.lit is None else course.lit),
        fed_s=float(now if course.fed is None else course.fed),
        raked_s=None if course.rake is None else float(course.rake),
        events=sorted((e for e in course.events if e["start_s"] < now), key=lambda e: e["start_s"]),
    )
