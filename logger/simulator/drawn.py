"""Draw an invented firing from a seed: the load, the probes, the weather, and what goes wrong."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import replace
from typing import Any, Final

import numpy as np

from logger.errors import UserError
from logger.plan import Probe, Reads
from logger.simulator.scenario import (
    FAULT_KINDS,
    Collapse,
    Fault,
    FaultKind,
    Gust,
    Pace,
    ProbeSpec,
    Rain,
    Scenario,
    Stall,
    ZoneSpec,
)

MISHAPS: Final = (
    "coal_collapse",
    "stalled_zone",
    "rain",
    "raked_hot",
    "lit_too_early",
    "probe_fault",
    *FAULT_KINDS,
)
"""Names that `draw` accepts; `probe_fault` is any one of the six fault kinds."""


def draw(seed: int, *, mishaps: str | Iterable[str] = "any", probes: int | None = None) -> Scenario:
    """Draw a firing with 3 to 12 probes.

    Mishaps: `any` draws none to three, `none` a firing in which nothing goes wrong (it still has flicker,
    gusts, wind and armloads); names from `MISHAPS` ask for just those. UserError: an argument is out of
    range.
    """
    if seed < 0:
        raise UserError(f"seed {seed} is below 0; give a whole number from 0 up")
    if probes is not None and not 3 <= probes <= 12:
        raise UserError(f"{probes} probes is out of range; the simulated rig has 3 to 12")
    rng = np.random.default_rng([seed, 1])
    count = int(rng.integers(3, 13)) if probes is None else probes
    plain = _draw_plain(seed, rng, count)
    return _draw_mishaps(plain, _wanted(mishaps, rng), np.random.default_rng([seed, 2]))


def _wanted(mishaps: str | Iterable[str], rng: np.random.Generator) -> list[str]:
    if mishaps == "none":
        return []
    if mishaps == "any":
        pool = ["coal_collapse", "stalled_zone", "rain", "probe_fault", "raked_hot", "lit_too_early"]
        chances = (0.45, 0.3, 0.15, 0.45, 0.15, 0.06)
        return [name for name, chance in zip(pool, chances, strict=True) if rng.random() < chance]
    names = [mishaps] if isinstance(mishaps, str) else list(mishaps)
    for name in names:
        if name not in MISHAPS:
            raise UserError(f"no mishap '{name}'; choose from any, none, {', '.join(MISHAPS)}")
    return sorted(set(names), key=MISHAPS.index)


def _uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(rng.uniform(low, high))


def _draw_plain(seed: int, rng: np.random.Generator, count: int) -> Scenario:
    pace: Pace = "bonfire" if rng.random() < 0.45 else "stoked"
    quick = pace == "bonfire"
    wind = float(np.clip(rng.gamma(2.0, 0.5), 0.1, 3.0))
    diameter = _uniform(rng, 0.9, 1.7)
    zones = _draw_zones(rng, count, diameter)
    # A small fire loses more heat, so it needs more wood for its ground.
    lean = (1.3 / diameter) ** 0.8
    return Scenario(
        seed=seed,
        title=f"Invented firing, seed {seed}",
        pace=pace,
        target_c=float(rng.choice([680, 700, 720, 740] if quick else [700, 720, 740, 750, 760, 780])),
        ambient_c=_uniform(rng, 4, 28),
        diameter_m=diameter,
        wind_m_s=wind,
        wall_mm=_uniform(rng, 4.5, 9.0),
        diffusivity_mm2_s=_uniform(rng, 0.4, 0.6),
        water=_uniform(rng, 0.005, 0.025),
        first_coals=_uniform(rng, 0.8, 1.3),
        dry_until_c=_uniform(rng, 124, 150),
        dry_min_s=_uniform(rng, 600, 1500) if quick else _uniform(rng, 900, 3000),
        wood_kg_m2=lean * (_uniform(rng, 36, 46) if quick else _uniform(rng, 15, 23)),
        wood_tau_s=_uniform(rng, 150, 215) if quick else _uniform(rng, 240, 420),
        spread_s=_uniform(rng, 340, 430) if quick else _uniform(rng, 360, 560),
        char=_uniform(rng, 0.2, 0.26),
        armload_kg_m2=lean * _uniform(rng, 3.0, 5.5),
        armload_tau_s=_uniform(rng, 120, 220),
        armload_gap_s=_uniform(rng, 150, 300) if quick else _uniform(rng, 200, 420),
        soak_s=_uniform(rng, 60, 240) if quick else _uniform(rng, 300, 900),
        rake_after_s=_uniform(rng, 1200, 2700) if rng.random() < 0.4 else None,
        rake_hot=False,
        burn_s=_uniform(rng, 1500, 3600),
        coal_life_s=_uniform(rng, 1500, 3000),
        coals_rise_c=_uniform(rng, 770, 865),
        zones=zones,
        probes=_draw_probes(rng, zones, count),
        gusts=_draw_gusts(rng, wind),
    )


def _draw_zones(rng: np.random.Generator, count: int, diameter_m: float) -> tuple[ZoneSpec, ...]:
    top_cm = 100 * diameter_m * _uniform(rng, 0.32, 0.45)
    sides = ["front", "back", "left", "right"]
    rng.shuffle(sides)
    layout: list[tuple[str, float, str, float]] = [
        ("lower", _uniform(rng, 8, 16), sides[0], 0.35),
        ("upper", top_cm, "centre", 0.7),
    ]
    if count >= 5:
        layout.append(("windward", top_cm * _uniform(rng, 0.35, 0.6), "windward", 1.0))
    if count >= 6:
        layout.append(("leeward", top_cm * _uniform(rng, 0.35, 0.6), "leeward", 0.25))
    if count >= 8 and rng.random() < 0.6:
        layout.append(("middle", top_cm * _uniform(rng, 0.4, 0.6), "centre", 0.1))
    return tuple(
        ZoneSpec(
            name=name,
            height_cm=round(height),
            side=side,
            exposure=exposure * _uniform(rng, 0.8, 1.1),
            sky=(0.03 + 0.17 * height / top_cm * (0.5 if name == "middle" else 1.0))
            * _uniform(rng, 0.8, 1.2),
            share=_uniform(rng, 0.75, 1.25),
        )
        for name, height, side, exposure in layout
    )


def _draw_probes(rng: np.random.Generator, zones: tuple[ZoneSpec, ...], count: int) -> tuple[ProbeSpec, ...]:
    specs = [_spec(rng, "coals", "k0", 0.0, "centre", "coals", "under")]
    by_name = {z.name: z for z in zones}
    wanted: list[tuple[str, Reads]] = [(z.name, "wall" if rng.random() < 0.4 else "air") for z in zones]
    infrared = count >= 6 and rng.random() < 0.6
    second: list[tuple[str, Reads]] = [(zone, "air" if first == "wall" else "wall") for zone, first in wanted]
    spare = [second[i] for i in rng.permutation(len(second))]
    if infrared:
        spare.insert(0, ("upper", "surface"))
    third: list[tuple[str, Reads]] = [(z.name, "air") for z in zones]
    wanted = (wanted + spare + third)[: count - 1]
    seen: Counter[str] = Counter()
    for zone_name, reads in wanted:
        place = by_name[zone_name]
        name = f"{zone_name} {'ir' if reads == 'surface' else reads}"
        seen[name] += 1
        if seen[name] > 1:
            name = f"{name} {seen[name]}"
        kind = "ir" if reads == "surface" else "k"
        channel = f"{kind}{sum(spec.probe.channel.startswith(kind) for spec in specs)}"
        height = max(2.0, round(place.height_cm + _uniform(rng, -4, 4)))
        specs.append(_spec(rng, name, channel, height, place.side, reads, zone_name))
    return tuple(specs)


def _spec(
    rng: np.random.Generator, name: str, channel: str, height_cm: float, side: str, reads: Reads, zone: str
) -> ProbeSpec:
    bare = rng.random() < 0.5
    lag = _uniform(rng, 2, 5) if bare else _uniform(rng, 10, 30)
    if reads == "coals":
        lag = _uniform(rng, 15, 40)
    elif reads == "wall":
        lag = _uniform(rng, 4, 18)
    elif reads == "surface":
        lag = 0.5
    return ProbeSpec(
        probe=Probe(name, channel, None, height_cm, side, reads, zone, None if reads == "surface" else "K"),
        lag_s=lag,
        # IEC 60584-1 class 2, type K: 2.5 °C or 0.75 % of t, assumed to be two standard deviations.
        bias_c=float(np.clip(rng.normal(0, 3), -6, 6)),
        noise_c=_uniform(rng, 0.2, 0.8),
        glow=_uniform(rng, 0.35, 0.6),
        emissivity=_uniform(rng, 0.94, 1.02),
    )


def _draw_gusts(rng: np.random.Generator, wind_m_s: float) -> tuple[Gust, ...]:
    count = int(rng.poisson(2 + 3 * wind_m_s))
    return tuple(
        Gust(
            anchor="lit",
            after_s=_uniform(rng, -300, 5400),
            strength=float(np.clip(rng.exponential(0.3), 0.05, 1.0)),
            decay_s=_uniform(rng, 8, 25),
        )
        for _ in range(count)
    )


def _draw_mishaps(plain: Scenario, wanted: list[str], rng: np.random.Generator) -> Scenario:
    changed: dict[str, Any] = {}
    faults: list[Fault] = []
    for name in wanted:
        zone = plain.zones[int(rng.integers(len(plain.zones)))].name
        match name:
            case "coal_collapse":
                late = rng.random() < 0.8
                collapse = Collapse(
                    zone=zone,
                    anchor="fed" if late else "lit",
                    after_s=_uniform(rng, 60, 900) if late else _uniform(rng, 900, 1500),
                    severity=_uniform(rng, 0.3, 0.8),
                    slump_s=_uniform(rng, 10, 60),
                    mend_s=_uniform(rng, 240, 600) if rng.random() < 0.5 else None,
                )
                changed["collapses"] = (collapse,)
            case "stalled_zone":
                short_c = _uniform(rng, 30, 150)
                mend_s = _uniform(rng, 2100, 3600) if rng.random() < 0.3 else None
                changed["stalls"] = (Stall(zone, short_c, mend_s),)
            case "rain":
                rain = Rain("lit", _uniform(rng, 600, 2400), _uniform(rng, 360, 1200), _uniform(rng, 3, 12))
                changed["rains"] = (rain,)
            case "raked_hot":
                changed |= {"rake_hot": True, "rake_after_s": _uniform(rng, 420, 1200)}
            case "lit_too_early":
                changed |= {"dry_until_c": _uniform(rng, 45, 75), "dry_min_s": _uniform(rng, 300, 600)}
            case _:
                faults.append(_draw_fault(plain, name, rng))
    return replace(plain, **changed, faults=tuple(faults))


def _draw_fault(plain: Scenario, name: str, rng: np.random.Generator) -> Fault:
    kinds = [kind for kind in FAULT_KINDS if name in (kind, "probe_fault")]
    kind = kinds[int(rng.integers(len(kinds)))] if len(kinds) > 1 else kinds[0]
    able = [s.probe for s in plain.probes if _can_have(s.probe, kind)]
    probe = able[int(rng.integers(len(able)))].name
    after_s = _uniform(rng, 120, 2700)
    return Fault(probe, kind, "lit", after_s, None if kind == "fallen_out" else _uniform(rng, 120, 900))


def _can_have(probe: Probe, kind: FaultKind) -> bool:
    if probe.reads == "surface":
        return kind == "stuck"
    return not (kind == "fallen_out" and probe.reads == "coals")
