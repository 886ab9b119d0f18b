"""Firings that are left alone from some moment on, for scoring forecasts: what they showed before, what came.

Two kinds of fire: the simulated firings with the potter gone (no wood, no raking), and a fire of two lumped
heat capacities, a load and what surrounds it, written apart from the simulator so that a forecast can't lean
on the simulator's physics. Both are made up.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, Final
from unittest.mock import patch

import numpy as np

from logger.reading import Floats, Status
from logger.sources.simulated import draw, fire
from logger.sources.simulated.course import Course
from logger.sources.simulated.probes import read
from logger.sources.simulated.truth import reachable_target_c

EVERY_S: Final = 5
LONGEST_S: Final = 10_800


@dataclass(frozen=True, slots=True)
class Case:
    """One zone at one moment.

    Attributes
    ----------
    name : str
        Which fire, zone and moment.
    before_c : array (n,)
        Level of the zone every 5 s, the newest last, from the firing's start. [°C]
    after_c : array (m,)
        What came, every 5 s from that moment on, were nothing added. [°C]
    burnout_c, target_c : float
        [°C]
    """

    name: str
    before_c: Floats
    after_c: Floats
    burnout_c: float
    target_c: float


class _Abandoned(Course):
    """A fire whose potter goes away at a set time."""

    def __init__(self, scenario: Any, gone_s: int) -> None:
        super().__init__(scenario)
        self._gone_s = gone_s

    def look(self, now: int, outside_c: Floats, middle_c: Floats, gas_c: Floats) -> None:
        if self.lit is not None and self.fed is None and now >= self._gone_s:
            self.fed = now
            self._note("fed", now, None)
        super().look(now, outside_c, middle_c, gas_c)


def smoothed(values_c: Floats) -> Floats:
    """Readings at 1 Hz as levels every 5 s: medians of five, means of fifteen seconds before."""
    n = len(values_c)
    padded = np.concatenate([np.repeat(values_c[:1], 4, axis=0), values_c])
    medians = np.median(np.lib.stride_tricks.sliding_window_view(padded, 5, axis=0), axis=-1)
    padded = np.concatenate([np.repeat(medians[:1], 14, axis=0), medians])
    means = np.lib.stride_tricks.sliding_window_view(padded, 15, axis=0).mean(axis=-1)
    levels: Floats = means[:n:EVERY_S]
    return levels


def _levels(scenario: Any, burnt: fire.Fire) -> dict[str, Floats]:
    """What the rig would make of each zone with pots."""
    readings = read(burnt, scenario, 1.0)
    zones: dict[str, list[int]] = {}
    for j, spec in enumerate(scenario.probes):
        if spec.probe.reads in ("air", "wall"):
            zones.setdefault(spec.probe.zone, []).append(j)
    good = readings.status == Status.OK
    return {
        zone: smoothed(np.where(good[:, js], readings.temperature_c[:, js], 0.0).sum(axis=1) / len(js))
        for zone, js in zones.items()
    }


def _burn(scenario: Any, gone_s: int) -> fire.Fire:
    with patch.object(fire, "Course", partial(_Abandoned, gone_s=gone_s)):
        return fire.burn(scenario)


def simulated(seed: int, moments: int = 6) -> Iterator[Case]:
    """A simulated firing left alone at several moments between lighting and some time after the last wood.

    Parameters
    ----------
    seed : int
        Below 1000 for tuning. Odd seeds may have rain and starved zones in them.
    moments : int

    Yields
    ------
    Case
        Firings without probe faults, collapses and raking, which nobody can foresee.
    """
    wanted = ["rain", "stalled_zone"] if seed % 4 == 1 else ["stalled_zone"] if seed % 4 == 3 else "none"
    scenario = replace(draw(seed, mishaps=wanted), rake_after_s=None, burn_s=3600.0)
    whole = fire.burn(scenario)
    target_c = reachable_target_c(whole, scenario)
    lit, fed = int(whole.lit_s), int(whole.fed_s)
    rng = np.random.default_rng([seed, 17])
    for gone in sorted(rng.integers(lit + 60, fed + 900, moments).tolist()):
        left = _burn(scenario, gone) if gone < fed else whole
        yield from _cases(f"simulated {seed}", _levels(scenario, left), gone, target_c)


def simulated_cooling(seed: int, moments: int = 6) -> Iterator[Case]:
    """A simulated firing after its last wood; coals raked away in two of three.

    Parameters
    ----------
    seed : int
    moments : int

    Yields
    ------
    Case
    """
    rng = np.random.default_rng([seed, 18])
    rake_after_s = float(rng.uniform(600, 2000)) if seed % 3 else None
    scenario = replace(draw(seed, mishaps="none"), rake_after_s=rake_after_s, burn_s=9000.0)
    with patch.object(Course, "ended", _night):
        whole = fire.burn(scenario)
    target_c = reachable_target_c(whole, scenario)
    raked = whole.raked_s
    first, last = (
        (int(whole.fed_s) + 300, LONGEST_S - 3600) if raked is None else (int(raked) + 120, int(raked) + 2400)
    )
    levels = _levels(scenario, whole)
    if last > first:
        for gone in sorted(rng.integers(first, last, moments).tolist()):
            yield from _cases(f"simulated cooling {seed}", levels, gone, target_c)


def _night(course: Course, now: int) -> bool:
    """Nobody goes home: the fire cools as long as the simulation can."""
    return now >= LONGEST_S


def _cases(name: str, levels: dict[str, Floats], gone_s: int, target_c: float) -> Iterator[Case]:
    i = gone_s // EVERY_S
    for zone, level in levels.items():
        if len(level) - i >= 120:
            yield Case(f"{name}, {zone}, {gone_s} s", level[: i + 1], level[i:], 650.0, target_c)


# -- another physics --------------------------------------------------------------------------------------------


def lumps(seed: int, gone_s: int, length_s: int) -> tuple[Floats, float, float]:
    """Readings of a fire of two heat capacities a zone, left alone from `gone_s` on.

    Parameters
    ----------
    seed : int
    gone_s : int
        No wood from then on. [s]
    length_s : int
        [s]

    Returns
    -------
    readings_c : array (length_s, 3)
        At 1 Hz with flicker. [°C]
    last_s : float
        When wood was last put on. [s]
    target_c : float
        [°C]

    Notes
    -----
    Power balances, not temperatures: fuel burns at an even rate and then dies down along a straight line; the
    pots take a share, lose heat by radiation, and exchange it with embers and ground, which lose theirs slowly.
    """
    rng = np.random.default_rng([seed, 21])
    zones = 3
    ambient_k = 273.15 + rng.uniform(5, 25)
    load = rng.uniform(20e3, 45e3) * rng.uniform(0.7, 1.3, zones)  # [J/m²K]
    bed = rng.uniform(60e3, 140e3) * rng.uniform(0.7, 1.3, zones)
    between = rng.uniform(25, 60) * rng.uniform(0.7, 1.3, zones)  # [W/m²K]
    ground = rng.uniform(8, 20) * rng.uniform(0.8, 1.2, zones)
    open_sky = rng.uniform(0.35, 0.8, zones)
    share = rng.uniform(0.8, 1.2, zones)
    target_c = float(rng.choice([700, 720, 740, 760]))
    power_w = np.zeros((length_s, zones))

    def put_on(t: int, joules: float, even_s: float, dying_s: float) -> None:
        x = np.arange(length_s - t) - rng.uniform(10, 40)
        shape = np.clip(x / 60, 0, 1) * np.clip(1 - (x - even_s) / dying_s, 0, 1)
        power_w[t:] += joules * (shape / shape.sum())[:, None] * share

    lit = int(rng.integers(600, 1200))
    power_w[:] += rng.uniform(1.5e3, 4e3)
    power_w[lit:] -= power_w[lit:] * np.clip(np.arange(length_s - lit) / 1800, 0, 1)[:, None]
    big = rng.uniform(45e6, 75e6)
    put_on(lit, big, rng.uniform(180, 480), rng.uniform(200, 600))
    pots, embers = np.full(zones, ambient_k + 60.0), np.full(zones, ambient_k + 250.0)
    true = np.empty((length_s, zones))
    last, gap, done_s = lit, int(rng.integers(240, 420)), 0
    for t in range(length_s):
        radiated = 0.9 * 5.670374419e-8 * open_sky * (pots**4 - ambient_k**4)
        flow = between * (pots - embers)
        pots = pots + (0.62 * power_w[t] - radiated - flow) / load
        embers = embers + (0.38 * power_w[t] + flow - ground * (embers - ambient_k)) / bed
        true[t] = pots - 273.15
        done_s += bool(true[t].min() >= target_c)
        if t > lit + 400 and t - last >= gap and t < min(gone_s, lit + 4000) and done_s < 400:
            put_on(t, big * rng.uniform(0.12, 0.3), rng.uniform(100, 240), rng.uniform(100, 300))
            last = t
    burning = np.clip(power_w / 30e3, 0, 1)
    wave = np.sin(2 * np.pi * (np.arange(length_s) * rng.uniform(0.8, 1.2) + rng.uniform(0, 1)))
    flicker = (rng.normal(0, 12, (length_s, zones)) + 10 * wave[:, None]) * burning
    return true + flicker + rng.normal(0, 0.5, true.shape), float(last), target_c


def lumped(seed: int, moments: int = 4) -> Iterator[Case]:
    """The two-lump fire left alone at several moments while wood is put on.

    Yields
    ------
    Case
    """
    rng = np.random.default_rng([seed, 22])
    for gone in sorted(rng.integers(800, 4500, moments).tolist()):
        readings, _, target_c = lumps(seed, gone, gone + 3900)
        levels = dict(zip(("low", "middle", "top"), smoothed(readings).T, strict=True))
        yield from _cases(f"lumps {seed}", levels, gone, target_c)


def lumped_cooling(seed: int, moments: int = 4) -> Iterator[Case]:
    """The two-lump fire in the hours after its last wood.

    Yields
    ------
    Case
    """
    rng = np.random.default_rng([seed, 23])
    readings, last, target_c = lumps(seed, 4000, 10 * 3600)
    levels = dict(zip(("low", "middle", "top"), smoothed(readings).T, strict=True))
    for gone in sorted(rng.integers(int(last) + 900, int(last) + 5400, moments).tolist()):
        yield from _cases(f"lumps cooling {seed}", levels, gone, target_c)
