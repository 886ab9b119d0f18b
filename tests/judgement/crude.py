"""A crude fire of straight lines, made apart from the simulator so that rules can't depend on its physics."""

from __future__ import annotations

import numpy as np

from logger.judgement.alarms import Event
from logger.judgement.judge import Judge
from logger.plan import Plan, Probe
from logger.reading import Bytes, Floats

PLACES = (
    ("coals", "under", "coals", 0.0),
    ("low wall", "lower", "wall", 10.0),
    ("belly wall", "middle", "wall", 25.0),
    ("windward air", "windward", "air", 25.0),
    ("neck wall", "upper", "wall", 45.0),
)


def plan(target_c: float = 780.0) -> Plan:
    """Five probes in five zones."""
    probes = tuple(
        Probe(name=name, channel=name, reads=reads, zone=zone, height_cm=height)  # type: ignore[arg-type]
        for name, zone, reads, height in PLACES
    )
    return Plan(title="Crude, invented", target_c=target_c, probes=probes)


def lines(
    knots: list[tuple[float, list[float]]], noise_c: float = 1.0, seed: int = 1
) -> tuple[Floats, Floats]:
    """Straight lines between knots, at 1 Hz, with a little noise in steps of 0.25 °C.

    Parameters
    ----------
    knots : list of (seconds, temperatures)
    noise_c : float
        Standard deviation. [°C]
    seed : int

    Returns
    -------
    t_s, temperature_c : arrays (n,), (n, k)
    """
    at = np.array([t for t, _ in knots])
    rows = np.array([row for _, row in knots], float)
    t_s = np.arange(at[0], at[-1])
    values = np.stack([np.interp(t_s, at, rows[:, j]) for j in range(rows.shape[1])], axis=1)
    values += np.random.default_rng(seed).normal(0.0, noise_c, values.shape)
    return t_s, np.round(values * 4.0) / 4.0


def run(judge: Judge, t_s: Floats, values: Floats, status: Bytes | None = None) -> list[Event]:
    """Push everything, and let the last second end."""
    if status is None:
        status = np.zeros(values.shape, np.uint8)
    return judge.push(t_s, values, status) + judge.advance(float(t_s[-1]) + 3.0)


def raised(events: list[Event], rule: str) -> list[Event]:
    """Alarms of a rule that were raised."""
    return [
        e for e in events if e.kind == "alarm" and e.data["rule"] == rule and e.data["transition"] == "raised"
    ]
