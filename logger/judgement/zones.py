"""Where the probes are, and what each zone has had so far."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.judgement.forecast import PAST_ROWS, Forecast
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
    slots : list of (int array (z,), float array (z,))
        The same as arrays: the zones' first members, second members and so on; whether there is one.
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
        # The zones' first, second, ... members; zones with fewer have their first again, which doesn't count.
        most = max((len(members) for members in self.members), default=0)
        self.slots = [
            (
                np.array([m[i] if i < len(m) else m[0] for m in self.members], np.intp),
                np.array([float(i < len(m)) for m in self.members]),
            )
            for i in range(most)
        ]
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
    by, peak_by : {'probes', 'estimate'}
        What level and times are counted by now, and what the peak was counted by.
    forecast : Forecast or None
        What comes of it if nothing is added; None where nobody can say.
    rate_sd_c_per_min : float or None
        Standard uncertainty of its probes' rate; None where it isn't known. [°C/min]
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
    peak_by: str = "probes"
    forecast: Forecast | None = None
    rate_sd_c_per_min: float | None = None


@dataclass(frozen=True, slots=True)
class ZoneCourse:
    """What became of z zones over n seconds; all arrays (n, z).

    Attributes
    ----------
    level_c, rate_c_per_min, counted_c
        As in `ZoneBook`. [°C], [°C/min], [°C]
    soak_s
        Time at the plan's target or above so far. [s]
    """

    level_c: Floats
    rate_c_per_min: Floats
    counted_c: Floats
    soak_s: Floats


@dataclass(frozen=True, slots=True)
class Walls:
    """Of the pots' walls, as estimated, over n seconds.

    Attributes
    ----------
    wall_c, gradient_c_mm : array (n, z)
        Where the plan tells their thickness and the estimate can be relied on; NaN elsewhere. The gradient is
        above 0 where the face is hotter than the inside. [°C], [°C/mm]
    """

    wall_c: Floats
    gradient_c_mm: Floats


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
    """

    def __init__(self, plan: Plan, places: Places) -> None:
        z = len(places.zones)
        self.level_c: Floats = np.full(z, np.nan)
        self.rate_c_per_min: Floats = np.full(z, np.nan)
        self.counted_c: Floats = np.full(z, np.nan)
        self.by_estimate = np.zeros(z, np.bool_)
        self.peak_c: Floats = np.full(z, -np.inf)
        self.peak_s: Floats = np.full(z, np.nan)
        self.peak_by_estimate = np.zeros(z, np.bool_)
        self.estimate_past_c: Floats = np.full((PAST_ROWS, z), np.nan)
        self.above_s: Floats = np.zeros((len(ABOVE_C) + 2, z))
        self._plan = plan
        self._places = places
        self._limits = np.array([*ABOVE_C, plan.burnout_c, plan.target_c])[:, None]

    def run(
        self,
        begin_s: int,
        level_c: Floats,
        rate_c_per_min: Floats,
        trusted: Floats,
        estimate_c: Floats | None = None,
    ) -> ZoneCourse:
        """Take n seconds.

        Parameters
        ----------
        begin_s : int
            Start of the first; each counts when it is over. [s]
        level_c, rate_c_per_min : array (n, k)
            Per probe. [°C], [°C/min]
        trusted : array (n, k)
            1.0 where the probe is to be believed.
        estimate_c : array (n, z), optional
            Per zone, where the estimate is to count; NaN where its probes are. [°C]

        Returns
        -------
        ZoneCourse
        """
        level, rate = self.means(level_c, trusted), self.means(rate_c_per_min, trusted)
        counted, by_estimate = level, np.zeros(level.shape, np.bool_)
        if estimate_c is not None:
            by_estimate = ~np.isnan(estimate_c)
            self.by_estimate = by_estimate[-1]
            counted = np.where(by_estimate, estimate_c, level)
        known = np.where(np.isnan(counted), -np.inf, counted)
        first = known.argmax(axis=0)
        highest = known.max(axis=0)
        higher = highest > self.peak_c
        if higher.any():
            np.copyto(self.peak_c, highest, where=higher)
            np.copyto(self.peak_s, begin_s + 1.0 + first, where=higher)
            np.copyto(self.peak_by_estimate, by_estimate[first, np.arange(len(first))], where=higher)
        soak = self.above_s[-1] + np.cumsum(counted >= self._limits[-1], axis=0, dtype=np.float64)
        self.above_s = self.above_s + (counted[:, None, :] >= self._limits).sum(axis=0)
        self.level_c, self.rate_c_per_min, self.counted_c = level[-1], rate[-1], counted[-1]
        return ZoneCourse(level, rate, counted, soak)

    def remember(self, estimate_c: Floats) -> None:
        """Keep the estimate of this moment for the forecast, every `SLOW_EVERY_S`.

        Parameters
        ----------
        estimate_c : array (z,)
            NaN where it doesn't count. [°C]
        """
        self.estimate_past_c = np.concatenate([self.estimate_past_c[1:], estimate_c[None]])

    def means(self, values: Floats, trusted: Floats) -> Floats:
        """Mean of the trusted probes of each zone.

        Parameters
        ----------
        values, trusted : array (n, k)

        Returns
        -------
        array (n, z)
            NaN where there is none.
        """
        # An untrusted probe may hold NaN, and NaN times nothing is NaN.
        safe = np.where(trusted > 0.0, values, 0.0)
        total = np.zeros((len(values), len(self._places.zones)))
        for member, there in self._places.slots:
            total += safe[:, member] * there
        count = self.counts(trusted)
        count[count == 0.0] = np.nan
        total /= count
        return total

    def counts(self, trusted: Floats) -> Floats:
        """How many probes of each zone are trusted.

        Parameters
        ----------
        trusted : array (n, k)

        Returns
        -------
        array (n, z)
        """
        count = np.zeros((len(trusted), len(self._places.zones)))
        for member, there in self._places.slots:
            count += trusted[:, member] * there
        return count

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
            peak_by="estimate" if self.peak_by_estimate[z] else "probes",
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
