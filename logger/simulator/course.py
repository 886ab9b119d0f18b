"""What happens to an invented fire: wood, coals, gusts, rain, mishaps, and the potter who decides.

The course of a firing isn't fixed beforehand: the potter looks every half minute, lights the wood when the
coldest pot is dry, puts an armload over the coldest zone while it lags, stops when all have been at the
target long enough, and may rake out the coals at the end. Each act writes its effects into arrays with a
value for each second, which the physics (`fire`) reads.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from logger.reading import Floats
from logger.simulator.scenario import Anchor, Collapse, Rain, Scenario, Stall

LOOK_EVERY_S: Final = 30
LONGEST_S: Final = 10_800
WARM_UP_AT_MOST_S: Final = 4500
FEED_AT_MOST_S: Final = 4200


class Course:
    """What happens, second by second; n seconds, z zones.

    Wood over a zone is `burning` [kg/s m²] or `unburnt` [kg/m²], shape (n, z); `shade`, how far an armload's
    cold wood hides the zone from the fire, and `slump`, the share of its coals that has slid away, are 0 to
    1; `cap_c` is the temperature that ash and damp wood hold it to, inf without them. Of shape (n,) are
    `gust` and `raked` (0 to 1), `rain` [mm/h] and `wind` [m/s]. `lit`, `fed` and `rake` are when the wood was
    lit, feeding ended, and raking out began. [s]
    """

    def __init__(self, scenario: Scenario) -> None:
        self.scenario = scenario
        self.names = [zone.name for zone in scenario.zones]
        self.rng = np.random.default_rng([scenario.seed, 3])
        z, n = len(self.names), LONGEST_S
        self.burning = np.zeros((n, z))
        self.unburnt = np.zeros((n, z))
        self.shade = np.zeros((n, z))
        self.slump = np.zeros((n, z))
        self.cap_c = np.full((n, z), np.inf)
        self.gust = np.zeros(n)
        self.raked = np.zeros(n)
        self.rain = np.zeros(n)
        self.wind = self._steady_wind(n)
        self.lit: int | None = None
        self.fed: int | None = None
        self.rake: int | None = None
        self.rake_tau_s = 60.0 if scenario.rake_hot else 240.0
        self.events: list[dict[str, Any]] = []
        self._starved = np.array([any(s.zone == name for s in scenario.stalls) for name in self.names])
        self._collapses = list(scenario.collapses)
        self._rains = list(scenario.rains)
        self._last_load, self._loads = 0, 0
        self._soaked_s = np.zeros(z)
        self._reached = np.zeros(z, dtype=bool)
        self._before_c: Floats = np.zeros(z)
        self._blow("start")

    def look(self, now: int, outside_c: Floats, middle_c: Floats, gas_c: Floats) -> None:
        """Let the potter and the weather act on the walls' outer faces and middles and the gas (z,)."""
        scenario = self.scenario
        if self.lit is None:
            dry = middle_c.min() >= scenario.dry_until_c and now >= scenario.dry_min_s
            if dry or middle_c.min() > 165 or middle_c.max() > 265 or now > WARM_UP_AT_MOST_S:
                self._light(now)
        elif self.fed is None:
            self._feed(now, self.lit, 0.85 * outside_c + 0.15 * gas_c)
        elif self.rake is None and now >= self.fed + (scenario.rake_after_s or LONGEST_S):
            self._rake_out(now)
        for collapse in list(self._collapses):
            zone = scenario.zone_at(collapse.zone)
            if self._due(collapse, now) and (self.rake is not None or middle_c[zone] >= 480):
                self._collapses.remove(collapse)
                if self.rake is None:
                    self._collapse(now, zone, collapse)
        for rain in list(self._rains):
            if self._due(rain, now):
                self._rains.remove(rain)
                self._rain(now, rain)

    def ended(self, now: int) -> bool:
        """Whether the firing is over."""
        if now >= LONGEST_S:
            return True
        if self.rake is not None and now >= self.rake + 1500:
            return True
        return self.fed is not None and now >= self.fed + self.scenario.burn_s

    # -- the potter ------------------------------------------------------------------------------------

    def _light(self, now: int) -> None:
        scenario = self.scenario
        self.lit = self._last_load = now
        self._note("wood_lit", now, None)
        wood = scenario.wood_kg_m2 * np.array([zone.share for zone in scenario.zones])
        self._add_wood(now, wood, scenario.wood_tau_s, 20.0, np.zeros(len(self.names)))
        self._blow("lit")
        for stall in scenario.stalls:
            self._starve(now, stall)

    def _feed(self, now: int, lit: int, level_c: Floats) -> None:
        target_c = self.scenario.target_c
        kept = ~self._starved  # a starved zone has escaped the potter's notice
        self._reached |= level_c >= target_c + 12
        self._soaked_s += (level_c >= target_c) * LOOK_EVERY_S
        todo = ~self._reached & kept
        done = not todo.any() and bool((self._soaked_s[kept] >= self.scenario.soak_s).all())
        if now - lit > 600 and (done or now - lit > FEED_AT_MOST_S):
            self.fed = now
            self._note("fed", now, None)
            self._blow("fed")
            return
        holding = (level_c < target_c + 15) & kept
        wants = np.where(todo, level_c, np.where(holding, level_c + 60, np.inf))
        coldest = int(np.argmin(wants))
        rising = (level_c[coldest] - self._before_c[coldest]) / LOOK_EVERY_S * 60
        if (
            np.isfinite(wants[coldest])
            and now - self._last_load >= self.scenario.armload_gap_s
            and now - lit >= 1.8 * self.scenario.wood_tau_s
            and (rising < 8 or level_c[coldest] < target_c - 80)
            and level_c.max() < 885
        ):
            self._armload(now, coldest, level_c)
        self._before_c = level_c

    def _armload(self, now: int, zone: int, level_c: Floats) -> None:
        scenario, z = self.scenario, len(self.names)
        over = np.arange(z) == zone
        # If the wood so far wasn't enough, more follows.
        mass = scenario.armload_kg_m2 * self.rng.uniform(0.7, 1.3) * (1 + 0.2 * max(self._loads - 2, 0))
        # If some part is already hot, only a little goes on.
        mass *= float(np.clip((920 - level_c.max()) / 100, 0.3, 1.0))
        shade = np.where(over, scenario.armload_shade, scenario.armload_shade_beside) * self.rng.uniform(
            0.7, 1.2
        )
        catch_s = float(self.rng.uniform(10, 30))
        self._add_wood(now, mass * np.where(over, 1.6, 0.5), scenario.armload_tau_s, catch_s, shade)
        self._last_load, self._loads = now, self._loads + 1
        kg = mass * np.pi * scenario.diameter_m**2 / 4
        self._note("armload", now, now + 60.0, zone=self.names[zone], kg=round(float(kg), 1))

    def _rake_out(self, now: int) -> None:
        self.rake = now
        self.raked[now:] = 1 - np.exp(-np.arange(LONGEST_S - now) / self.rake_tau_s)
        self._note("rake_out", now, now + 3 * self.rake_tau_s)

    # -- the weather and the mishaps -------------------------------------------------------------------

    def _steady_wind(self, n: int) -> Floats:
        """Wind with slow lulls."""
        slow = np.repeat(self.rng.normal(0, 1, n // 60 + 2), 60)[: n + 60]
        kernel = np.hanning(120)
        smooth = np.convolve(slow, kernel / kernel.sum(), mode="same")[:n]
        return np.maximum(self.scenario.wind_m_s * (1 + 0.3 * smooth), 0.05)

    def _blow(self, anchor: Anchor) -> None:
        """Add the gusts timed from `anchor`, which has just happened."""
        now = self._anchor(anchor)
        assert now is not None
        for gust in self.scenario.gusts:
            start = int(max(now + gust.after_s, 1))
            if gust.anchor == anchor and now < start < LONGEST_S:
                x = np.arange(LONGEST_S - start)
                blow = gust.strength * (1 - np.exp(-x / 2.0)) * np.exp(-x / gust.decay_s)
                self.gust[start:] = np.maximum(self.gust[start:], blow)
                self._note("gust", start, start + 3 * gust.decay_s, strength=round(gust.strength, 3))

    def _collapse(self, now: int, zone: int, collapse: Collapse) -> None:
        x = np.arange(LONGEST_S - now)
        gone = collapse.severity * (1 - np.exp(-x / collapse.slump_s))
        if collapse.mend_s is not None:
            # Once coals are back, the gap takes a couple of minutes to heat up again.
            gone *= np.where(x < collapse.mend_s, 1.0, np.exp(-(x - collapse.mend_s) / 90.0))
        self.slump[now:, zone] = np.maximum(self.slump[now:, zone], gone)
        end = None if collapse.mend_s is None else now + collapse.mend_s
        self._note("coal_collapse", now, end, zone=collapse.zone, severity=round(collapse.severity, 3))

    def _rain(self, now: int, rain: Rain) -> None:
        x = np.arange(LONGEST_S - now)
        falling = np.clip(x / 60, 0, 1) * np.clip((rain.duration_s - x) / 120 + 1, 0, 1)
        self.rain[now:] = rain.rate_mm_h * falling
        self._note("rain", now, now + rain.duration_s, rate_mm_h=round(rain.rate_mm_h, 1))

    def _starve(self, now: int, stall: Stall) -> None:
        cap_c = self.scenario.target_c - stall.short_c
        limit = np.full(LONGEST_S - now, cap_c)
        if stall.mend_s is not None:
            free = min(int(stall.mend_s), len(limit))
            limit[free:] = cap_c + 2.0 * np.arange(len(limit) - free)
        self.cap_c[now:, self.scenario.zone_at(stall.zone)] = limit

    # -- shared ----------------------------------------------------------------------------------------

    def _anchor(self, anchor: Anchor) -> int | None:
        return {"start": 0, "lit": self.lit, "fed": self.fed}[anchor]

    def _due(self, what: Collapse | Rain, now: int) -> bool:
        base = self._anchor(what.anchor)
        return base is not None and now >= int(base + what.after_s)

    def _add_wood(self, now: int, kg_m2: Floats, tau_s: float, catch_s: float, shade: Floats) -> None:
        """Add wood that catches after `catch_s` and burns as t² exp(-t / tau)."""
        n = LONGEST_S - now
        x = np.maximum(np.arange(n) - catch_s, 0.0) / tau_s
        self.burning[now:] += (x**2 / 2 * np.exp(-x) / tau_s)[:, None] * kg_m2
        self.unburnt[now:] += (np.exp(-x) * (1 + x + x**2 / 2))[:, None] * kg_m2
        y = np.arange(n) / self.scenario.armload_dip_s
        dip = np.minimum(shade * (y * np.exp(1 - y))[:, None], 0.9)
        self.shade[now:] = 1 - (1 - self.shade[now:]) * (1 - dip)

    def _note(self, kind: str, start_s: float, end_s: float | None, **more: Any) -> None:
        end = None if end_s is None else float(end_s)
        self.events.append({"kind": kind, "start_s": float(start_s), "end_s": end, **more})
