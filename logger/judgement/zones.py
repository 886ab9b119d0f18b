"""Where the probes are, and what each zone has had so far."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.judgement.forecast import Forecast
from logger.plan import Plan
from logger.reading import Floats

ABOVE_C: Final = (500.0, 550.0, 600.0, 650.0, 700.0, 750.0, 800.0)

_TOP_WORDS: Final = ("top", "upper", "neck", "rim", "high", "mouth", "crown")
_BOTTOM_WORDS: Final = ("lower", "base", "bottom", "low", "foot")


class Places:
    """A plan's probes and zones as index arrays; k probes, z zones.

    Parameters
    ----------
    plan : Plan

    Attributes
    ----------
    zones : tuple of str
    zone_of : list of int
        Per probe.
    members : list of list of int
        Per zone, the probes that stand for it: those in the air or at walls, else coals, else infrared.
    coals : list of int
        Probes that read coals.
    surface : bool array (k,)
        Infrared: may be blind, and is no fault then.
    pots : list of int
        Zones with more than coals in them.
    top, bottom : list of int
        The uppermost and lowest of these; empty where nobody said.
    """

    def __init__(self, plan: Plan) -> None:
        self.zones = plan.zones
        probes = plan.probes
        self.zone_of = [self.zones.index(p.zone) for p in probes]
        self.surface = np.array([p.reads == "surface" for p in probes], bool)
        self.coals = [j for j, p in enumerate(probes) if p.reads == "coals"]
        self.members: list[list[int]] = []
        self.pots: list[int] = []
        for z in range(len(self.zones)):
            here = [j for j in range(len(probes)) if self.zone_of[j] == z]
            pots = [j for j in here if probes[j].reads in ("air", "wall")]
            coals = [j for j in here if probes[j].reads == "coals"]
            self.members.append(pots or coals or here)
            if pots or not coals:
                self.pots.append(z)
        self.weight = np.zeros((len(self.zones), len(probes)))
        for z, members in enumerate(self.members):
            self.weight[z, members] = 1.0
        self.walls = [j for j, p in enumerate(probes) if p.reads == "wall"]
        self.top, self.bottom = self._ends(plan)

    def _ends(self, plan: Plan) -> tuple[list[int], list[int]]:
        heights: dict[int, float] = {}
        for z in self.pots:
            known = [h for j in self.members[z] if (h := plan.probes[j].height_cm) is not None]
            if known:
                heights[z] = sum(known) / len(known)
        if len(heights) >= 2 and max(heights.values()) > min(heights.values()):
            low, high = min(heights.values()), max(heights.values())
            quarter = 0.25 * (high - low)
            top = [z for z, h in heights.items() if h >= high - quarter]
            bottom = [z for z, h in heights.items() if h <= low + quarter]
            return top, bottom
        names = {z: self.zones[z].lower() for z in self.pots}
        top = [z for z, name in names.items() if any(word in name for word in _TOP_WORDS)]
        bottom = [z for z, n in names.items() if z not in top and any(w in n for w in _BOTTOM_WORDS)]
        return top, bottom


@dataclass(frozen=True)
class ZoneVerdict:
    """What a zone is and still needs.

    Attributes
    ----------
    zone : str
    level_c, rate_c_per_min, peak_c, peak_s : float or None
        None where there is no telling. [°C], [°C/min], [°C], [s]
    above_s : dict of str to float
        Time above 500, 550 … 800 °C. [s]
    above_burnout_s, soak_s : float
        Time above the plan's burn-out, and at its target or above. [s]
    reached_target : bool
    missing : str
        In words.
    faulty : bool
        All of its probes are; then there is no verdict.
    coals : bool
        It holds coals only and need not reach anything.
    by : {'probes', 'estimate'}
        What level, peak and times are counted by now.
    forecast : Forecast or None
        What comes of it if nothing is added, by its probes; None where nobody can say.
    """

    zone: str
    level_c: float | None
    rate_c_per_min: float | None
    peak_c: float | None
    peak_s: float | None
    above_s: dict[str, float]
    above_burnout_s: float
    soak_s: float
    reached_target: bool
    missing: str
    faulty: bool
    coals: bool
    by: str = "probes"
    forecast: Forecast | None = None


class ZoneBook:
    """Peaks and times above temperatures of z zones.

    Parameters
    ----------
    plan : Plan
    places : Places

    Attributes
    ----------
    level_c, rate_c_per_min : array (z,)
        Mean of each zone's trusted probes; NaN where there is none. [°C], [°C/min]
    counted_c : array (z,)
        What peaks, times and verdicts are counted by: the same, or the estimate where that counts. [°C]
    wall_c, gradient_c_mm : array (z,)
        Of the pots' walls, as estimated, where the plan tells their thickness and the estimate can be relied
        on; NaN elsewhere. The gradient is above 0 where the face is hotter than the inside. [°C], [°C/mm]
    """

    def __init__(self, plan: Plan, places: Places) -> None:
        z = len(places.zones)
        self.level_c: Floats = np.full(z, np.nan)
        self.rate_c_per_min: Floats = np.full(z, np.nan)
        self.counted_c: Floats = np.full(z, np.nan)
        self.by_estimate = np.zeros(z, np.bool_)
        self.wall_c: Floats = np.full(z, np.nan)
        self.gradient_c_mm: Floats = np.full(z, np.nan)
        self.peak_c: Floats = np.full(z, -np.inf)
        self.peak_s: Floats = np.full(z, np.nan)
        self.above_s: Floats = np.zeros((len(ABOVE_C) + 2, z))
        self._plan = plan
        self._places = places
        self._limits = np.array([*ABOVE_C, plan.burnout_c, plan.target_c])[:, None]

    def step(
        self,
        t_s: float,
        level_c: Floats,
        rate_c_per_min: Floats,
        trusted: Floats,
        estimate_c: Floats | None = None,
    ) -> None:
        """Take a second.

        Parameters
        ----------
        t_s : float
            [s]
        level_c, rate_c_per_min : array (k,)
            Per probe. [°C], [°C/min]
        trusted : array (k,)
            1.0 where the probe is to be believed.
        estimate_c : array (z,), optional
            Per zone, where the estimate is to count; NaN where its probes are. [°C]
        """
        weight = self._places.weight * trusted
        total = weight.sum(axis=1)
        total[total == 0.0] = np.nan
        self._share = weight / total[:, None]
        self._distrusted = trusted == 0.0
        self.level_c = self.mean(level_c)
        self.rate_c_per_min = self.mean(rate_c_per_min)
        self.counted_c = self.level_c
        if estimate_c is not None:
            self.by_estimate = ~np.isnan(estimate_c)
            self.counted_c = np.where(self.by_estimate, estimate_c, self.level_c)
        higher = self.counted_c > self.peak_c
        if higher.any():
            np.copyto(self.peak_c, self.counted_c, where=higher)
            np.copyto(self.peak_s, t_s, where=higher)
        self.above_s += self.counted_c >= self._limits

    def mean(self, values: Floats) -> Floats:
        """Mean of the trusted probes of each zone, as of the last `step`.

        Parameters
        ----------
        values : array (k,)

        Returns
        -------
        array (z,)
            NaN where there is none.
        """
        # An untrusted probe may hold NaN, and NaN times nothing is NaN.
        means: Floats = (self._share * np.where(self._distrusted, 0.0, values)).sum(axis=1)
        return means

    @property
    def soak_s(self) -> Floats:
        """Time at the plan's target or above, per zone, in seconds."""
        soak: Floats = self.above_s[-1]
        return soak

    def verdicts(self) -> list[ZoneVerdict]:
        """All zones, the coldest first; those without a verdict, and coals, last."""
        found = [self._verdict(z) for z in range(len(self._places.zones))]
        return sorted(found, key=lambda v: (v.faulty, v.coals, v.level_c or 0.0))

    def _verdict(self, z: int) -> ZoneVerdict:
        coals = z not in self._places.pots
        level, rate, peak = (float(x[z]) for x in (self.counted_c, self.rate_c_per_min, self.peak_c))
        faulty = bool(np.isnan(level))
        seen = bool(np.isfinite(peak))
        above = {f"{limit:.0f}": float(s) for limit, s in zip(ABOVE_C, self.above_s[:, z], strict=False)}
        return ZoneVerdict(
            zone=self._places.zones[z],
            level_c=None if faulty else round(level, 1),
            rate_c_per_min=None if np.isnan(rate) else round(rate, 1),
            peak_c=round(peak, 1) if seen else None,
            peak_s=float(self.peak_s[z]) if seen else None,
            above_s=above,
            above_burnout_s=float(self.above_s[-2, z]),
            soak_s=float(self.above_s[-1, z]),
            reached_target=seen and peak >= self._plan.target_c,
            missing=self._missing(z, faulty, coals),
            faulty=faulty,
            coals=coals,
            by="estimate" if self.by_estimate[z] else "probes",
        )

    def _missing(self, z: int, faulty: bool, coals: bool) -> str:
        plan = self._plan
        if faulty:
            return "no verdict: no probe here can be trusted"
        if coals:
            return ""
        level, peak = float(self.counted_c[z]), float(self.peak_c[z])
        soak_left = plan.soak_min - float(self.above_s[-1, z]) / 60.0
        if peak >= plan.target_c:
            if soak_left <= 0:
                return ""
            soak = f"{max(soak_left, 1.0):.0f} min of soak still wanting"
            if level >= plan.target_c:
                return soak
            low = f", below burn-out ({plan.burnout_c:.0f} °C)" if level < plan.burnout_c else ""
            return f"{plan.target_c - level:.0f} °C below its target again{low}; {soak}"
        short = f"{plan.target_c - max(level, 0.0):.0f} °C below its target"
        if peak < plan.burnout_c:
            return f"{short}; not yet above burn-out ({plan.burnout_c:.0f} °C)"
        return short
