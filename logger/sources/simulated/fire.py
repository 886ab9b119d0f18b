"""The physics of a made-up open firing, second by second.

What is modelled, for each zone of the load: the wood on and around it (armloads that catch, flame and fall to
coals), hot gas (fire plume [1]_ above a bed of finite width [2]_, air drawn in at the foot, wind, gusts),
the coal bed (char burning down under ash), pot walls (three nodes, conduction through the wall, radiation
and convection outside, radiation inside, pore water boiling off) and the mass behind them (other pots,
sherds). A simulated potter lights the wood when the coldest pot is dry, puts an armload over the coldest
zone while it lags, stops when all have been at the target long enough, and may rake out the coals at the end.

The step is 1 s. Everything but the walls is worked out a block of seconds at a time.

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

from logger.reading import Floats
from logger.sources.simulated.scenario import Anchor, Scenario

BLOCK_S: Final = 30
LONGEST_S: Final = 10_800
SIGMA: Final = 5.670374419e-8  # Stefan-Boltzmann [W/m²K⁴]
KELVIN: Final = 273.15

# A low-fired clay: density x specific heat [J/m³K], emissivity (0.90-0.95 in the long infrared).
HEAT_CAPACITY: Final = 1.8e6
EMISSIVITY: Final = 0.92
# Flaming part of wood's heat, less what never gets near the pots; glowing char [kJ/kg].
FLAME_KJ_KG: Final = 11_000.0
CHAR_KJ_KG: Final = 20_000.0
CONVECTED: Final = 0.7
# A burning pile keeps its glow in: hotter than the free flame the plume's figures were measured in.
PILE: Final = 1.085


def plume_rise_c(height_m: Floats, power_kw: Floats) -> Floats:
    """Mean temperature rise on the axis of a fire plume, after McCaffrey.

    Parameters
    ----------
    height_m : array
        Above the (virtual) source, more than 0. [m]
    power_kw : array
        Heat release. [kW]

    Returns
    -------
    array
        Rise over the ambient. [°C]

    Notes
    -----
    ``dT = (k / (0.9 sqrt(2 g)))**2 (z / Q**0.4)**(2 n - 1) T0``, with (k, n) = (6.8, 1/2) in the flame,
    (1.9, 0) where it comes and goes and (1.1, -1/3) in the plume; the lowest of the three holds, with T0 =
    293 K.
    """
    scaled = np.maximum(height_m, 1e-3) / np.maximum(power_kw, 1e-3) ** 0.4
    flame = (6.8 / (0.9 * np.sqrt(2 * 9.81))) ** 2 * 293.0
    sometimes = (1.9 / (0.9 * np.sqrt(2 * 9.81))) ** 2 * 293.0 / scaled
    plume = (1.1 / (0.9 * np.sqrt(2 * 9.81))) ** 2 * 293.0 * scaled ** (-5 / 3)
    rise: Floats = np.minimum(flame, np.minimum(sometimes, plume))
    return rise


@dataclass(slots=True)
class Fire:
    """What happened, on a grid of one second. n seconds, z zones, coal patches: the middle, then one a zone.

    Attributes
    ----------
    gas_c, glow_c : array (n, z)
        Gas, and what a small body sees by radiation. [°C]
    wall_c : array (n, z, 3)
        Outer face, middle, inner face. [°C]
    coals_c : array (n, z + 1)
        [°C]
    flame : array (n, z)
        0 to 1: how far the zone stands in flame.
    ambient_c : float
        [°C]
    lit_s, fed_s : float
        Wood lit; last armload has been decided and the load is done.
    raked_s : float or None
        Raking out begins.
    flame_kw : array (n,)
        Power of the flames. [kW]
    events : list of dict
        Armloads, gusts, rain, raking and mishaps as they came.
    """

    gas_c: Floats
    glow_c: Floats
    wall_c: Floats
    coals_c: Floats
    flame: Floats
    flame_kw: Floats
    ambient_c: float
    lit_s: float
    fed_s: float
    raked_s: float | None
    events: list[dict[str, Any]] = field(default_factory=list)


class _Burn:
    """One fire being worked out."""

    def __init__(self, scenario: Scenario) -> None:
        self.s = scenario
        self.rng = np.random.default_rng([scenario.seed, 3])
        zones = scenario.zones
        z, n = len(zones), LONGEST_S
        self.height_m = np.array([zone.height_cm / 100 for zone in zones])
        self.exposure = np.array([zone.exposure for zone in zones])
        self.sky = np.array([zone.sky for zone in zones])
        self.share = np.array([zone.share for zone in zones])
        self.names = [zone.name for zone in zones]
        self.area_m2 = np.pi * scenario.diameter_m**2 / 4
        self.view_coals = 0.55 * np.exp(-self.height_m / 0.30)
        self.view_core = 0.22
        self.foot = 1 - 0.5 * np.exp(-self.height_m / 0.18)  # cold air is drawn in at the foot

        self.burning = np.zeros((n, z))  # wood burning [kg/s m²]
        self.unburnt = np.zeros((n, z))  # [kg/m²]
        self.shade = np.zeros((n, z))  # an armload's cold wood, 0 to 1
        self.gust = np.zeros(n)
        self.rain = np.zeros(n)  # [mm/h]
        self.slump = np.zeros((n, z))  # share of the zone's coals gone, 0 to 1
        self.raked = np.zeros(n)
        self.cap_c = np.full((n, z), np.inf)
        self.wind = self._wind(n)

        self.gas_c = np.empty((n, z))
        self.glow_c = np.empty((n, z))
        self.wall_c = np.empty((n, z, 3))
        self.coals_c = np.empty((n, z + 1))
        self.flame = np.empty((n, z))
        self.flame_kw = np.empty(n)

        ambient = scenario.ambient_c
        self.wall = np.full((3, z), ambient + 8.0)
        self.core = np.full(z, ambient + 5.0)
        thickness_m = scenario.wall_mm / 1000
        self.cell = HEAT_CAPACITY * thickness_m * np.array([[0.25], [0.5], [0.25]])
        conductivity = scenario.diffusivity_mm2_s * 1e-6 * HEAT_CAPACITY
        self.conductance = conductivity / (thickness_m / 2)
        self.core_capacity = 2.2 * HEAT_CAPACITY * thickness_m
        # Latent heat still to be spent in each cell [J/m²].
        self.latent = self.cell / 1000.0 * scenario.water * 2.26e6 * np.ones((1, z))
        self.coal_mass = np.full(z + 1, 0.0)
        self.coal_temp = np.full(z + 1, ambient + 110.0)
        self.events: list[dict[str, Any]] = []
        self.lit: int | None = None
        self.fed: int | None = None
        self.rake: int | None = None
        self.hurry_s = 60.0 if scenario.rake_hot else 240.0
        self.last_load = 0
        self.loads = 0
        self.soaked = np.zeros(z)
        self.reached = np.zeros(z, dtype=bool)
        self.capped: dict[str, int] = {}
        self.collapses = list(scenario.collapses)
        self.rains = list(scenario.rains)
        self._schedule_gusts("start", 0)

    def _wind(self, n: int) -> Floats:
        """Steady wind with slow lulls [m/s]."""
        slow = np.repeat(self.rng.normal(0, 1, n // 60 + 2), 60)[: n + 60]
        kernel = np.hanning(120)
        smooth = np.convolve(slow, kernel / kernel.sum(), mode="same")[:n]
        return np.maximum(self.s.wind_m_s * (1 + 0.3 * smooth), 0.05)

    def _at(self, anchor: Anchor, after_s: float) -> int | None:
        base = {"start": 0, "lit": self.lit, "fed": self.fed}[anchor]
        return None if base is None else int(max(base + after_s, 1))

    def _schedule_gusts(self, anchor: Anchor, now: int) -> None:
        t = np.arange(LONGEST_S)
        for gust in self.s.gusts:
            start = self._at(gust.anchor, gust.after_s)
            if gust.anchor != anchor or start is None or not now < start < LONGEST_S:
                continue
            x = t[start:] - start
            self.gust[start:] = np.maximum(
                self.gust[start:], gust.strength * (1 - np.exp(-x / 2.0)) * np.exp(-x / gust.decay_s)
            )
            end = start + 3 * gust.decay_s
            self._event("gust", start, end, strength=round(gust.strength, 3))

    def _event(self, kind: str, start_s: float, end_s: float | None, **more: Any) -> dict[str, Any]:
        event = {"kind": kind, "start_s": float(start_s), "end_s": None if end_s is None else float(end_s)}
        event |= more
        self.events.append(event)
        return event

    def _add_wood(self, now: int, kg_m2: Floats, tau_s: float, catch_s: float, shade: Floats) -> None:
        """Wood that catches after `catch_s` and burns as t² exp(-t / tau)."""
        x = np.maximum(np.arange(LONGEST_S - now) - catch_s, 0.0)
        rate = x**2 / (2 * tau_s**3) * np.exp(-x / tau_s)
        left = np.exp(-x / tau_s) * (1 + x / tau_s + x**2 / (2 * tau_s**2))
        self.burning[now:] += rate[:, None] * kg_m2
        self.unburnt[now:] += left[:, None] * kg_m2
        y = np.arange(LONGEST_S - now) / 30.0
        dip = shade * (y * np.exp(1 - y))[:, None]
        self.shade[now:] = 1 - (1 - self.shade[now:]) * (1 - np.minimum(dip, 0.9))

    # -- the potter and the weather, once a block ------------------------------------------------------

    def _decide(self, now: int) -> None:
        s = self.s
        levels = 0.5 * (
            self.wall[0] + self.gas_c[max(now - 5, 0) : now].mean(axis=0) * 0.3 + self.wall[0] * 0.7
        )
        pots = self.wall[1]
        if self.lit is None:
            dry = pots.min() >= s.dry_until_c and now >= s.dry_min_s
            if dry or pots.min() > 165 or pots.max() > 265 or now > 4500:
                self._light(now)
        elif self.fed is None:
            self._feed(now, levels)
        elif s.rake_after_s is not None and self.rake is None and now >= self.fed + s.rake_after_s:
            self._rake_out(now)
        self._mishaps(now, pots)

    def _light(self, now: int) -> None:
        s = self.s
        self.lit = self.last_load = now
        self._event("wood_lit", now, None)
        self._add_wood(now, s.wood_kg_m2 * self.share, s.wood_tau_s, 20.0, np.zeros(len(self.names)))
        self._schedule_gusts("lit", now)

    def _feed(self, now: int, levels: Floats) -> None:
        s = self.s
        assert self.lit is not None
        held = np.array([name in self.capped for name in self.names])
        self.reached |= levels >= s.target_c + 12
        self.soaked += (levels >= s.target_c) * BLOCK_S
        todo = ~self.reached & ~held
        done = not todo.any() and (self.soaked[~held] >= s.soak_s).all() if (~held).any() else True
        if now - self.lit > 600 and (done or now - self.lit > 4200):
            self.fed = now
            self._event("fed", now, None)
            self._schedule_gusts("fed", now)
            return
        waited = now - self.last_load
        hold = levels < s.target_c + 15
        wants = np.where(todo, levels, np.where(hold & ~held, levels + 60, np.inf))
        rising = (levels - self.before) / BLOCK_S * 60
        coldest = int(np.argmin(wants))
        if (
            np.isfinite(wants[coldest])
            and waited >= s.armload_gap_s
            and now - self.lit >= 1.8 * s.wood_tau_s
            and (rising[coldest] < 8 or levels[coldest] < s.target_c - 80)
            and levels.max() < 885
        ):
            self._armload(now, coldest, levels)
        self.before = levels

    before: Floats | float = 0.0

    def _armload(self, now: int, zone: int, levels: Floats) -> None:
        s = self.s
        spread = np.full(len(self.names), 0.5)
        spread[zone] = 1.6
        # Wood that did not do it is followed by more wood.
        mass = s.armload_kg_m2 * self.rng.uniform(0.7, 1.3) * (1 + 0.2 * max(self.loads - 2, 0))
        # Where a part is hot already, only little goes on.
        mass *= float(np.clip((920 - levels.max()) / 100, 0.3, 1.0))
        shade = np.where(np.arange(len(self.names)) == zone, 0.30, 0.08) * self.rng.uniform(0.7, 1.2)
        self._add_wood(now, mass * spread, s.armload_tau_s, float(self.rng.uniform(10, 30)), shade)
        self.last_load, self.loads = now, self.loads + 1
        self._event(
            "armload", now, now + 60.0, zone=self.names[zone], kg=round(float(mass * self.area_m2), 1)
        )

    def _rake_out(self, now: int) -> None:
        self.rake = now
        x = np.arange(LONGEST_S - now)
        hurry_s = self.hurry_s
        self.raked[now:] = 1 - np.exp(-x / hurry_s)
        self._event("rake_out", now, now + 3 * hurry_s)

    def _mishaps(self, now: int, pots: Floats) -> None:
        for collapse in list(self.collapses):
            start = self._at(collapse.anchor, collapse.after_s)
            zone = self.names.index(collapse.zone)
            if start is None or now < start:
                continue
            if self.rake is not None:
                self.collapses.remove(collapse)
            elif pots[zone] >= 480:
                self.collapses.remove(collapse)
                self._collapse(now, zone, collapse)
        for rain in list(self.rains):
            start = self._at(rain.anchor, rain.after_s)
            if start is not None and now >= start:
                self.rains.remove(rain)
                x = np.arange(LONGEST_S - now)
                wet = np.clip(x / 60, 0, 1) * np.clip((rain.duration_s - x) / 120 + 1, 0, 1)
                self.rain[now:] = rain.rate_mm_h * wet
                self._event("rain", now, now + rain.duration_s, rate_mm_h=round(rain.rate_mm_h, 1))
        for stall in self.s.stalls:
            zone = self.names.index(stall.zone)
            cap = self.s.target_c - stall.short_c
            if stall.zone not in self.capped and self.lit is not None:
                self._stall(now, zone, cap, stall.mend_s)

    def _collapse(self, now: int, zone: int, collapse: Any) -> None:
        x = np.arange(LONGEST_S - now)
        gone = collapse.severity * (1 - np.exp(-x / collapse.slump_s))
        if collapse.mend_s is not None:
            # The gap takes a couple of minutes to come back to heat once coals lie there again.
            gone *= np.where(x < collapse.mend_s, 1.0, np.exp(-(x - collapse.mend_s) / 90.0))
        self.slump[now:, zone] = np.maximum(self.slump[now:, zone], gone)
        end = None if collapse.mend_s is None else now + collapse.mend_s
        self._event("coal_collapse", now, end, zone=self.names[zone], severity=round(collapse.severity, 3))

    def _stall(self, now: int, zone: int, cap: float, mend_s: float | None) -> None:
        self.capped[self.names[zone]] = now
        n = LONGEST_S - now
        limit = np.full(n, cap)
        if mend_s is not None and self.lit is not None:
            free = max(int(self.lit + mend_s) - now, 0)
            limit[free:] = cap + 2.0 * np.arange(n - min(free, n))
        self.cap_c[now:, zone] = limit
        self._event("starved", now, None, zone=self.names[zone], cap_c=round(cap, 1))

    # -- physics ---------------------------------------------------------------------------------------

    def _block(self, a: int, b: int) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        """Work out everything but the walls for seconds a to b, from the state at a."""
        s = self.s
        ambient = s.ambient_c
        burning, slump = self.burning[a:b], self.slump[a:b]
        rain = self.rain[a:b, None]
        raked = self.raked[a:b, None]
        dampened = np.maximum(1 - 0.03 * rain, 0.4)
        total = burning.mean(axis=1)
        power = total * self.area_m2 * FLAME_KJ_KG * dampened[:, 0]
        self.flame_kw[a:b] = power
        engulfed = 1 - np.exp(-(0.6 * burning + 0.4 * total[:, None]) * dampened / 0.0055)
        engulfed *= (1 - self.shade[a:b]) * self._caught(a, b)
        self.flame[a:b] = engulfed

        # Air let in by wind, gusts and gaps: a share of the gas is fresh.
        wind = self.wind[a:b, None]
        fresh = self.exposure * (0.035 * wind * (1 - 0.5 * engulfed) + 0.42 * self.gust[a:b, None])
        bare = 1.0 if s.rake_hot else 0.2
        fresh = np.minimum(fresh + 0.16 * slump + bare * 0.25 * raked * (0.4 + self.sky), 0.9)
        # A zone that ash and damp wood lie on is held to what they let through, and is out of the wind.
        cap = self.cap_c[a:b]
        buried = np.isfinite(cap)
        fresh = np.where(buried, 0.25 * fresh, fresh)
        shade = np.where(buried, 0.2, 1.0) * self.shade[a:b]

        coals_c = self._coals(a, b, wind, slump, engulfed, rain)
        patch = coals_c[:, 1:]
        coal_kw = self.coal_power[:, None]
        origin = 0.083 * (CONVECTED * coal_kw) ** 0.4 - 1.02 * s.diameter_m * 0.5
        rise_coals = plume_rise_c(self.height_m - origin, CONVECTED * coal_kw)
        rise_coals = np.minimum(rise_coals, 0.8 * (patch - ambient)) * (1 - 0.6 * slump)
        rise_flame = plume_rise_c(self.height_m, CONVECTED * power[:, None]) * self.foot * engulfed * PILE
        rise = np.cbrt(rise_flame**3 + rise_coals**3) * (1 - fresh) * (1 - 0.2 * shade)
        gas = ambient + rise
        gas = np.minimum(gas, cap)

        view_coals = self.view_coals * (1 - 0.7 * slump)
        view_flame = (1 - view_coals - self.view_core) * 0.85 * engulfed * (1 - 0.4 * fresh)
        cover = 1 - np.exp(-self.unburnt[a:b] / 2.5)
        view_sky = self.sky * (1 - engulfed) * (1 - 0.8 * cover) * (1 + bare * 1.2 * raked) + 0.06 * slump
        view_sky = np.where(buried, 0.3 * view_sky, view_sky)
        view_sky = np.minimum(view_sky, 1 - view_coals - view_flame - self.view_core)
        fourth = (
            view_coals * (np.minimum(patch, cap) + KELVIN) ** 4
            + view_flame * (gas + KELVIN) ** 4
            + view_sky * (ambient + KELVIN) ** 4
        )
        views = view_coals + view_flame + view_sky
        film = 9 + 14 * engulfed + 5 * wind * self.exposure + 4 * slump + 15 * self.gust[a:b, None]
        # Rain boils off hot walls: 1 mm/h is 0.28 g/s m², 2.6 MJ/kg; sky views are what it falls through.
        drain = rain / 3600 * 2.6e6 * (0.25 + self.sky * 2)
        self.gas_c[a:b] = gas
        return gas, fourth, views, film, drain

    def _caught(self, a: int, b: int) -> Floats:
        """Share of the pile that the fire has reached since it was lit."""
        if self.lit is None:
            return np.zeros((b - a, 1))
        x = np.arange(a, b)[:, None] - self.lit
        caught: Floats = 1 - np.exp(-((x / self.s.spread_s) ** 2))
        return caught

    coal_power: Floats

    def _coals(self, a: int, b: int, wind: Floats, slump: Floats, engulfed: Floats, rain: Floats) -> Floats:
        """Char mass and temperature of each patch (the middle first), and the bed's power."""
        s = self.s
        n = b - a
        char = s.char * self.burning[a:b]
        feed = np.concatenate([char.mean(axis=1, keepdims=True) * 1.15, char], axis=1)
        draught = np.concatenate([0.3 * wind, wind * self.exposure], axis=1)
        hot = np.concatenate([engulfed.mean(axis=1, keepdims=True), engulfed], axis=1)
        life = s.coal_life_s / (0.85 + 0.12 * draught + 0.25 * self.gust[a:b, None])
        loss = 1 / life + self._rake_rate(a, b)
        mass = _relax(self.coal_mass, feed, loss)
        self.coal_mass = mass[-1]
        # The small fire that warms the pots: fed by the potter towards what dries them slowly.
        t = np.arange(a, b)
        warm = s.first_coals * (130.0 + 130.0 * np.minimum(t / 1800, 1.8))
        if self.lit is not None:
            warm = warm * np.exp(-(t - self.lit) / 1200.0)
        glowing = mass.mean(axis=1) / s.coal_life_s * CHAR_KJ_KG + 0.11 * warm
        self.coal_power = glowing * self.area_m2
        grown = s.coals_rise_c * (1 - np.exp(-mass / 2.6)) * (1 + 0.035 * np.minimum(draught, 2))
        rise = np.cbrt(grown**3 + warm[:, None] ** 3)
        raked = self.raked[a:b, None]
        wet = np.maximum(1 - 0.018 * rain, 0.6)
        aim = s.ambient_c + (rise + hot * 0.12 * np.maximum(820 - rise, 0)) * wet * (1 - 0.25 * raked)
        gone = np.concatenate([np.zeros((n, 1)), slump], axis=1)
        aim = aim - 0.35 * gone * (aim - s.ambient_c)
        speed = np.full(aim.shape, 1 / 260.0) + raked / (150.0 if s.rake_hot else 400.0) + 0.01 * gone
        temp = _relax(self.coal_temp, aim * speed, speed)
        self.coal_temp = temp[-1]
        self.coals_c[a:b] = temp
        return temp

    def _rake_rate(self, a: int, b: int) -> Floats | float:
        if self.rake is None:
            return 0.0
        x = np.arange(a, b)[:, None] - self.rake
        rate: Floats = 2.4 / self.hurry_s * np.exp(-x / self.hurry_s)
        return rate

    def _walls(self, a: int, b: int, env: tuple[Floats, Floats, Floats, Floats, Floats]) -> None:
        gas, fourth, views, film, drain = env
        wall, core, latent = self.wall, self.core, self.latent
        cell, conductance = self.cell, self.conductance
        core_capacity = self.core_capacity
        view_core, inside = self.view_core, 0.35
        radiate = EMISSIVITY * SIGMA
        glow = self.glow_c
        for i in range(b - a):
            t = a + i
            kelvin4 = (wall[0] + KELVIN) ** 4
            core4 = (core + KELVIN) ** 4
            seen = fourth[i] + view_core * core4
            share = views[i] + view_core
            glow[t] = seen + (1 - share) * kelvin4
            flux_out = radiate * (seen - share * kelvin4) + film[i] * (gas[i] - wall[0])
            flux_out -= np.where(wall[0] > 100, drain[i], 0.0)
            flux_in = radiate * inside * (core4 - (wall[2] + KELVIN) ** 4)
            across = conductance * (wall[:-1] - wall[1:])
            heat = np.empty_like(wall)
            heat[0] = flux_out - across[0]
            heat[1] = across[0] - across[1]
            heat[2] = across[1] + flux_in
            core = core - (radiate * view_core * (core4 - kelvin4) + flux_in) / core_capacity
            wall = wall + heat / cell
            if self.wet:
                spare = np.maximum(wall - 99.0, 0.0) * cell
                boiled = np.minimum(spare * 0.8, latent)
                latent = latent - boiled
                wall = wall - boiled / cell
            self.wall_c[t] = wall.T
        self.wall, self.core, self.latent = wall, core, latent
        self.wet = bool(latent.max() > 1.0)

    wet: bool = True

    def run(self) -> Fire:
        end = LONGEST_S
        a = 0
        while a < end:
            b = min(a + BLOCK_S, end)
            env = self._block(a, b)
            self._walls(a, b, env)
            self._decide(b)
            if self.fed is not None:
                end = min(end, int(self.fed + self.s.burn_s))
                if self.rake is not None:
                    end = min(end, self.rake + 1500)
            a = b
        n = end
        glow: Floats = np.sqrt(np.sqrt(self.glow_c[:n])) - KELVIN
        return Fire(
            gas_c=self.gas_c[:n],
            glow_c=glow,
            wall_c=self.wall_c[:n],
            coals_c=self.coals_c[:n],
            flame=self.flame[:n],
            flame_kw=self.flame_kw[:n],
            ambient_c=self.s.ambient_c,
            lit_s=float(self.lit or 0),
            fed_s=float(self.fed or n),
            raked_s=None if self.rake is None else float(self.rake),
            events=sorted((e for e in self.events if e["start_s"] < n), key=lambda e: e["start_s"]),
        )


def _relax(start: Floats, source: Floats, rate: Floats) -> Floats:
    """Solve x' = source - rate x over the rows, a second each, exactly for rates constant within a second."""
    keep = np.exp(-np.broadcast_to(rate, source.shape))
    gain = source * (1 - keep) / np.maximum(rate, 1e-12)
    fall = np.cumprod(keep, axis=0)
    out: Floats = fall * (start + np.cumsum(gain / fall, axis=0))
    return out


def burn(scenario: Scenario) -> Fire:
    """Let a scenario burn.

    Parameters
    ----------
    scenario : Scenario

    Returns
    -------
    Fire
        45 min to 3 h of it, the same for the same scenario.
    """
    return _Burn(scenario).run()
