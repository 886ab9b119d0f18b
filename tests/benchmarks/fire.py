"""A fire and its truth, for scoring; the same fire as other rigs would have seen it; noise for made-up
fires."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np
from msgspec import structs

from logger.judgement.rows import Bools
from logger.plan import Plan
from logger.reading import Bytes, Floats, Status

HOT_C: Final = 150.0


@dataclass
class Fire:
    """A fire, n instants and k probes, and its truth."""

    family: str
    name: str
    plan: Plan
    t_s: Floats  # (n,)
    temperature_c: Floats  # (n, k)
    status: Bytes
    cold_junction_c: Floats | None = None
    wall_c: dict[str, Floats] = field(default_factory=dict)  # by zone, the true wall every 10 s, where known
    collapses: list[dict[str, Any]] = field(default_factory=list)  # `zone`, `start_s`, `end_s`, `counts`
    stalls: list[dict[str, Any]] = field(default_factory=list)  # the same
    faults: list[dict[str, Any]] = field(
        default_factory=list
    )  # `probe`, `kind`, `start_s`, `end_s`, `counts`
    stored: bool = False  # it came from a file

    @property
    def hours(self) -> float:
        """How long it lasted. [h]"""
        return float(self.t_s[-1]) / 3600.0

    @property
    def hot_hours(self) -> float:
        """How long any probe was above `HOT_C`. [h]"""
        hot = (np.nan_to_num(self.temperature_c) > HOT_C).any(axis=1)
        steps = np.diff(self.t_s, append=self.t_s[-1])
        return float(np.minimum(steps, 900.0)[hot].sum()) / 3600.0

    @property
    def usual_s(self) -> Floats:
        """The usual time between two readings of each probe. [s]"""
        usual = np.full(self.status.shape[1], np.nan)
        for j in range(len(usual)):
            t = self.t_s[self.status[:, j] == Status.OK]
            if len(t) > 2:
                usual[j] = float(np.median(np.diff(t)))
        return usual

    @property
    def value_c(self) -> Floats:
        """Readings (n, k), NaN where there is none. [°C]"""
        return np.where(self.status == Status.OK, self.temperature_c, np.nan)

    def sound(self, after_s: float) -> Bools:
        """Where there is a reading that no fault has spoilt, nor did up to `after_s` before; (n, k)."""
        sound: Bools = np.isfinite(self.value_c)
        names = [p.name for p in self.plan.probes]
        for case in self.faults:
            during = (self.t_s >= case["start_s"]) & (self.t_s <= case["end_s"] + after_s)
            sound[during, names.index(case["probe"])] = False
        return sound


def without(fire: Fire, kept: Sequence[int], mark: str) -> Fire:
    """The same fire as fewer probes would have shown it."""
    columns, probes = list(kept), tuple(fire.plan.probes[j] for j in kept)
    zones = {p.zone for p in probes if p.reads != "coals"}
    names = {p.name for p in probes}
    cold = fire.cold_junction_c
    return replace(
        fire,
        name=f"{fire.name} {mark}",
        plan=structs.replace(fire.plan, probes=probes),
        temperature_c=fire.temperature_c[:, columns],
        status=fire.status[:, columns],
        cold_junction_c=None if cold is None else cold[:, columns],
        collapses=[c for c in fire.collapses if c["zone"] in zones],
        stalls=[c for c in fire.stalls if c["zone"] in zones],
        faults=[c for c in fire.faults if c["probe"] in names],
    )


def crowded(fire: Fire, most: int) -> Fire:
    """The same fire on a bigger rig, up to this many probes: each once more, with its twin's own noise and
    offset."""
    rng = np.random.default_rng(most)
    probes = list(fire.plan.probes)
    columns = list(range(len(probes)))
    names: dict[str, int] = {}
    while len(columns) < most:
        j = (len(columns) - len(probes)) % len(probes)
        columns.append(j)
    placed, values = [], fire.temperature_c[:, columns].copy()
    for i, j in enumerate(columns):
        probe = probes[j]
        again = names[probe.name] = names.get(probe.name, 0) + 1
        if again > 1:
            probe = structs.replace(
                probe, name=f"{probe.name} twin {again}", channel=f"{probe.channel} twin {again}"
            )
            values[:, i] += rng.normal(0.0, 2.0) + rng.normal(0.0, 0.5, len(values))
            for case in fire.faults:
                if case["probe"] == probes[j].name:  # what stands still does so in the twin as well
                    during = (fire.t_s >= case["start_s"]) & (fire.t_s < case["end_s"])
                    values[during, i] = fire.temperature_c[during, j]
        placed.append(probe)
    faults = [
        {**case, "probe": p.name}
        for case in fire.faults
        for p in placed
        if p.name.partition(" twin ")[0] == case["probe"]
    ]
    return replace(
        fire,
        name=f"{fire.name} {most} probes",
        plan=structs.replace(fire.plan, probes=tuple(placed)),
        temperature_c=values,
        status=fire.status[:, columns],
        cold_junction_c=None if fire.cold_junction_c is None else fire.cold_junction_c[:, columns],
        faults=faults,
    )


def thinned(fire: Fire, every_s: float) -> Fire:
    """The same fire with fewer readings."""
    due = np.concatenate([[True], np.diff(np.floor(fire.t_s / every_s)) > 0])
    cold = fire.cold_junction_c
    return replace(
        fire,
        name=f"{fire.name} every {every_s:g} s",
        t_s=fire.t_s[due],
        temperature_c=fire.temperature_c[due],
        status=fire.status[due],
        cold_junction_c=None if cold is None else cold[due],
    )


def lagged(value: Floats, lag_s: float) -> Floats:
    """First-order lag of each column, a row a second."""
    out, gain, state = np.empty_like(value), 1.0 - np.exp(-1.0 / lag_s), value[0]
    for i, row in enumerate(value):
        state = state + gain * (row - state)
        out[i] = state
    return out


def wander(rng: np.random.Generator, n: int, sd: float, tau_s: float) -> Floats:
    """First-order noise of a standard deviation and a time constant."""
    keep = float(np.exp(-1.0 / tau_s))
    steps = rng.normal(0.0, sd * np.sqrt(1.0 - keep * keep), n)
    out, state = np.empty(n), 0.0
    for i, step in enumerate(steps.tolist()):
        state = keep * state + step
        out[i] = state
    return out
