"""The estimate beside the judgement: readings and spot readings in by seconds, rows to keep and show out.

A zone's verdict goes by the estimate only where the plan says so and the zone has proved consistent.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np

from logger.judgement.estimate import Estimator, ZoneEstimate
from logger.judgement.zone_model import Model
from logger.physics.infrared import corrected_c
from logger.physics.uncertainty import infrared_budget
from logger.plan import Plan
from logger.reading import Bytes, Floats, Status

STEP_S: Final = 2
"""Readings are worked in every so many seconds: half the cost, and no probe follows faster. [s]"""
ROW_S: Final = 10
"""How often a row is given out to be kept. [s]"""
SPOT_WAIT_S: Final = 5.0
"""A spot reading counts this long after it was taken: by then all readings of its time are here, so that a
rehearsal takes it at the very same moment. [s]"""
RETRACT_S: Final = 90.0
"""A spot reading can be taken back for so long, a little longer than people may. [s]"""
MOST_SAID: Final = 600
COLDEST_C: Final = -60.0
HOTTEST_C: Final = 1600.0
"""Beyond these nothing at an open fire is, whatever a channel says: the model would run away on it. [°C]"""
CLAY_EMISSIVITY: Final = 0.92
"""Of fired clay, 8-14 µm; 0.90 to 0.95 (from memory)."""
AROUND_C: Final = 200.0
AROUND_U_C: Final = 150.0
"""What a pot in the fire reflects: open air, flame and coals (common practice, no source). [°C]"""


@dataclass(frozen=True, slots=True)
class EstimateRow:
    """All zones' estimates at one time.

    Attributes
    ----------
    t_s : float
        Since the firing's first reading. [s]
    zones : dict of str to ZoneEstimate
    """

    t_s: float
    zones: dict[str, ZoneEstimate]


@dataclass(frozen=True, slots=True)
class _Row:
    t_s: float
    value_c: Floats
    status: Bytes


@dataclass(frozen=True, slots=True)
class _Spot:
    t_s: float
    zone: str
    surface_c: float
    u_c: float


@dataclass(slots=True)
class _Since:
    """How the estimate was before the first spot reading that may still be taken back, and all since."""

    before: bytes
    said: list[_Row | _Spot] = field(default_factory=list)

    @property
    def last_spot_s(self) -> float:
        return max((a.t_s for a in self.said if isinstance(a, _Spot)), default=-np.inf)


def surface_of_spot(reading_c: float, set_emissivity: float) -> tuple[float, float]:
    """Put a gun's reading of a pot in the fire right.

    Parameters
    ----------
    reading_c : float
        As the gun showed it. [°C]
    set_emissivity : float
        That it was set to.

    Returns
    -------
    surface_c, u_c : float
        And its standard uncertainty; NaN where no surface shows so. [°C]
    """
    surface = float(
        corrected_c(
            reading_c, emissivity=CLAY_EMISSIVITY, set_emissivity=set_emissivity, surroundings_c=AROUND_C
        )
    )
    # Near the temperature of what it reflects, a surface says little of itself.
    around_c = min(AROUND_C, surface)
    budget = infrared_budget(
        surface, emissivity=CLAY_EMISSIVITY, surroundings_c=around_c, u_surroundings_c=AROUND_U_C
    )
    return surface, float(budget.combined_c)


class ClayWatch:
    """Estimates what the pots are at, beside a judgement that gives it each second.

    Parameters
    ----------
    plan : Plan
    """

    def __init__(self, plan: Plan) -> None:
        self._estimator = Estimator(plan, **_settings(plan))
        self._plan = plan
        self._heard_s = -np.inf
        self._spots: list[list[Any]] = []
        self._zones = plan.zones
        self._state: dict[str, ZoneEstimate] = {}
        self._stale = False
        self._since: _Since | None = None

    def spot(self, t_s: float, zone: str, reading_c: float, set_emissivity: float) -> bool:
        """Take a spot reading; it counts once the seconds up to `SPOT_WAIT_S` after it have come.

        Parameters
        ----------
        t_s : float
            [s]
        zone : str
        reading_c : float
            As the gun showed it. [°C]
        set_emissivity : float

        Returns
        -------
        bool
            False for a place that is no zone of the estimate, or a number that no pot in a fire shows.
        """
        surface_c, u_c = surface_of_spot(reading_c, set_emissivity)
        if zone not in self._estimator.zones or not np.isfinite(surface_c):
            return False
        # After a restart the journal tells again what the snapshot knows already.
        if [t_s, zone] not in [spot[:2] for spot in self._spots]:
            self._spots.append([t_s, zone, surface_c, u_c])
        self._spots.sort(key=lambda spot: float(spot[0]))
        return True

    def retract(self, t_s: float, zone: str) -> None:
        """Take a spot reading back, as if it had never been.

        Parameters
        ----------
        t_s : float
            When it was taken. [s]
        zone : str
        """
        self._spots = [spot for spot in self._spots if spot[:2] != [t_s, zone]]
        since = self._since
        if since is None or (t_s, zone) not in [(a.t_s, a.zone) for a in since.said if isinstance(a, _Spot)]:
            return
        self._estimator = Estimator.restore(self._plan, since.before, **_settings(self._plan))
        since.said = [a for a in since.said if not (isinstance(a, _Spot) and (a.t_s, a.zone) == (t_s, zone))]
        for said in since.said:
            self._hear(said)
        self._stale = True

    def step(self, t_s: float, value_c: Floats) -> EstimateRow | None:
        """Take a second's readings.

        Parameters
        ----------
        t_s : float
            Its end, whole seconds. [s]
        value_c : array (k,)
            NaN where there is none. [°C]

        Returns
        -------
        EstimateRow or None
            A row to keep, every `ROW_S`.
        """
        known = (value_c > COLDEST_C) & (value_c < HOTTEST_C)
        # In a silence one look in a while is enough: the estimate only grows less sure.
        if known.any() or t_s - self._heard_s >= ROW_S:
            self._heard_s = t_s
            self._take(_Row(t_s, value_c, np.where(known, Status.OK, Status.ABSENT).astype(np.uint8)))
        while self._spots and self._spots[0][0] + SPOT_WAIT_S <= t_s:
            if self._since is None:
                self._since = _Since(self._estimator.snapshot())
            self._take(_Spot(*self._spots.pop(0)))
        since = self._since
        if since is not None and (t_s - since.last_spot_s > RETRACT_S or len(since.said) > MOST_SAID):
            self._since = None
        zones = self.zones() if t_s % ROW_S == 0 else {}
        return EstimateRow(t_s, zones) if zones else None

    def zones(self) -> dict[str, ZoneEstimate]:
        """Give the estimate by zone; empty before the first reading."""
        if self._stale:
            self._state, self._stale = self._estimator.state(), False
            if not all(np.isfinite([z.wall_c, z.lo_c, z.hi_c]).all() for z in self._state.values()):
                self._begin_anew()
        return self._state

    def _take(self, said: _Row | _Spot) -> None:
        self._hear(said)
        self._stale = True
        if self._since is not None:
            self._since.said.append(said)

    def _hear(self, said: _Row | _Spot) -> None:
        try:
            if isinstance(said, _Spot):
                self._estimator.spot(said.t_s, said.zone, said.surface_c, said.u_c)
            else:
                self._estimator.push(said.t_s, said.value_c, said.status)
        except np.linalg.LinAlgError:
            self._begin_anew()

    def _begin_anew(self) -> None:
        """A filter that has run away on impossible readings tells nothing any more, and must cost nothing."""
        self._estimator = Estimator(self._plan, **_settings(self._plan))
        self._state, self._since = {}, None

    def counted_c(self) -> Floats:
        """Give the level that a verdict goes by where the estimate counts.

        Returns
        -------
        array (z,)
            In the order of the plan's zones; NaN where its probes count. [°C]
        """
        counted = np.full(len(self._zones), np.nan)
        if self._plan.clay.judge_on == "estimate":
            for name, zone in self.zones().items():
                if zone.consistent and name in self._zones:
                    counted[self._zones.index(name)] = zone.wall_c
        return counted

    def walls(self) -> tuple[Floats, Floats]:
        """Give what rules about the clay go by, where the plan tells how thick the walls are.

        Returns
        -------
        wall_c, gradient_c_mm : array (z,)
            In the order of the plan's zones; NaN where the estimate can't be relied on. The gradient is above
            0 where the face is hotter than the inside. [°C], [°C/mm]
        """
        wall, gradient = np.full((2, len(self._zones)), np.nan)
        if self._plan.clay.wall_mm is not None:
            for name, zone in self.zones().items():
                if zone.consistent and name in self._zones:
                    z = self._zones.index(name)
                    wall[z] = zone.wall_c
                    gradient[z] = np.copysign(zone.steepest_c_mm, zone.inside_lag_c)
        return wall, gradient

    def snapshot(self) -> dict[str, Any]:
        """Everything needed to go on.

        Returns
        -------
        dict
            For `restore`.
        """
        return {"estimator": self._estimator.snapshot(), "heard_s": self._heard_s, "spots": self._spots}

    def restore(self, state: dict[str, Any]) -> None:
        """Go on from a snapshot of the same plan.

        Parameters
        ----------
        state : dict
            From `snapshot`.
        """
        self._estimator = Estimator.restore(self._plan, state["estimator"], **_settings(self._plan))
        self._heard_s, self._spots, self._stale = state["heard_s"], state["spots"], True


def estimate_data(zone: ZoneEstimate) -> dict[str, Any]:
    """A zone's estimate for programs.

    Parameters
    ----------
    zone : ZoneEstimate

    Returns
    -------
    dict
        JSON; `kind` says that it is no measurement.
    """
    return {
        "kind": "estimated",
        "estimate_c": round(zone.wall_c, 1),
        "low_c": round(zone.lo_c, 1),
        "high_c": round(zone.hi_c, 1),
        "surface_c": round(zone.surface_c, 1),
        "inside_lag_c": round(zone.inside_lag_c, 1),
        "steepest_c_mm": round(zone.steepest_c_mm, 2),
        "basis": zone.basis,
        "consistent": zone.consistent,
    }


def model_for(plan: Plan) -> Model:
    """Give the model for the pots of a plan.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    Model
    """
    return Model() if plan.clay.wall_mm is None else Model.of_wall(plan.clay.wall_mm)


def _settings(plan: Plan) -> dict[str, Any]:
    return {"model": model_for(plan), "extra_zones": plan.clay.zones, "step_s": float(STEP_S)}
