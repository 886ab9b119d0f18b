"""The demo's invented firing: one of everything that happens at a fire, in two hours."""

from __future__ import annotations

from typing import Final

from logger.plan import Probe, Reads
from logger.simulator.scenario import Collapse, Fault, Gust, ProbeSpec, Scenario, ZoneSpec

DEMO_SEED: Final = 20
# Name, channel, height [cm], side, what it reads, zone, lag [s], bias [°C].
_PROBES: Final[tuple[tuple[str, str, float, str, Reads, str, float, float], ...]] = (
    ("coals", "k0", 0, "centre", "coals", "under", 25, 1.5),
    ("lower wall", "k1", 10, "front", "wall", "lower", 8, -2.0),
    ("lower air", "k2", 14, "front", "air", "lower", 14, 1.0),
    ("windward air", "k3", 28, "windward", "air", "windward", 4, -1.0),
    ("leeward wall", "k4", 30, "leeward", "wall", "leeward", 10, 2.5),
    ("upper air", "k5", 50, "centre", "air", "upper", 3, 0.5),
    ("upper wall", "k6", 54, "centre", "wall", "upper", 9, -1.5),
    ("upper ir", "ir0", 54, "centre", "surface", "upper", 0.5, 0.0),
)


def demo_scenario() -> Scenario:
    """The demo's scenario: seven thermocouples at several heights and one infrared sensor.

    Drying, a climb in which the top leads, armloads, a gust, an open probe for four minutes, burn-down with
    the bottom leading, coals that slump away to windward and are raked back, raking out, cooling.
    """
    zones = (
        ZoneSpec("lower", 12, "front", exposure=0.35, sky=0.05, share=0.9),
        ZoneSpec("windward", 28, "windward", exposure=1.0, sky=0.12, share=0.95),
        ZoneSpec("leeward", 30, "leeward", exposure=0.25, sky=0.09, share=1.05),
        ZoneSpec("upper", 52, "centre", exposure=0.7, sky=0.18, share=1.1),
    )
    probes = tuple(
        ProbeSpec(
            Probe(name, channel, None, height_cm, side, reads, zone, None if reads == "surface" else "K"),
            lag_s=lag_s,
            bias_c=bias_c,
            noise_c=0.4,
            glow=0.5,
            emissivity=0.98,
        )
        for name, channel, height_cm, side, reads, zone, lag_s, bias_c in _PROBES
    )
    return Scenario(
        seed=DEMO_SEED,
        title="Invented firing for the demo",
        pace="stoked",
        target_c=760.0,
        ambient_c=17.0,
        diameter_m=1.3,
        wind_m_s=0.8,
        wall_mm=6.5,
        diffusivity_mm2_s=0.5,
        water=0.012,
        first_coals=1.15,
        dry_until_c=124.0,
        dry_min_s=900.0,
        wood_kg_m2=20.0,
        wood_tau_s=270.0,
        spread_s=420.0,
        char=0.23,
        armload_kg_m2=4.5,
        armload_tau_s=150.0,
        armload_gap_s=330.0,
        soak_s=600.0,
        rake_after_s=2100.0,
        rake_hot=False,
        burn_s=3600.0,
        coal_life_s=2600.0,
        coals_rise_c=840.0,
        zones=zones,
        probes=probes,
        gusts=(Gust("lit", 1320.0, 0.75, 18.0), Gust("lit", 2130.0, 0.3, 12.0)),
        collapses=(Collapse("windward", "fed", 900.0, severity=0.6, slump_s=25.0, mend_s=420.0),),
        faults=(Fault("leeward wall", "open", "lit", 1500.0, 240.0),),
    )
