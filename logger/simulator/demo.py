"""The demonstration: its invented firing, a plan, a port for the simulated rig, the command lines."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from msgspec.structs import replace

from logger.errors import UserError
from logger.home import AlreadyRunning, Home
from logger.plan import Plan, Probe, Reads, probe_for_channel
from logger.simulator import simulate_scenario
from logger.simulator.drawn import draw
from logger.simulator.scenario import Collapse, Fault, Gust, ProbeSpec, Scenario, ZoneSpec
from logger.sources.stored import channel_name

RATE_HZ: Final = 4.0
_MARK: Final = "invented firing"
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


def prepare(
    home: Home, *, seed: int | None, speed: float, stored: Path | None = None
) -> tuple[list[str] | None, list[str]]:
    """Prepare the demonstration's folder; return the arguments for the simulated rig and for the logger.

    An invented firing still running from an earlier demonstration is ended: its fire can't be continued.
    There is no rig if a stored firing (CSV) is shown again. UserError: a real firing or a logger is running
    in this folder, or the stored firing can't be read.
    """
    from logger.journal.writer import JournalWriter

    again = None if stored is None else _shown_again(stored)
    home.create()
    if home.logger_runs():
        raise AlreadyRunning(home.root)
    writer = JournalWriter(home.journal)
    try:
        running = writer.running()
        if running is not None:
            if not running.invented:
                raise UserError(
                    f"{home.root}: firing {running.id} is running here, and it isn't a demonstration; "
                    "give the demo another --home"
                )
            writer.finish_firing(running.id, running.last_us or running.started_us)
    finally:
        writer.close()
    logger = ["--invented", "--time-scale", f"{speed:g}"]
    plan = home.root / "demo-plan.toml"
    if again is not None:
        plan.write_text(again.dumps(), encoding="utf-8")
        return None, [*logger, "--stored", str(stored), "--plan", str(plan)]
    scenario = demo_scenario() if seed is None else draw(seed)
    plan.write_text(f"# {_MARK}\n" + simulate_scenario(scenario, rate_hz=0.1).plan.dumps(), encoding="utf-8")
    port = home.root / "demo-rig"
    rig = ["logger.simulator.rig", "--pty", str(port), "--rate-hz", f"{RATE_HZ:g}"]
    rig += ["--speed", f"{speed:g}"]
    if seed is not None:
        rig += ["--seed", str(seed)]
    return rig, [*logger, "--serial", str(port), "--plan", str(plan)]


def _shown_again(path: Path) -> Plan:
    """Make a plan that gives a stored firing's columns their names back."""
    from logger.exchange.csv_in import read_csv

    # A plan can't have a probe called time_s: that is our files' column of times.
    names = [f"{name} 2" if name == "time_s" else name for name in read_csv(path).names]
    probes = [replace(probe_for_channel(name), channel=channel_name(i)) for i, name in enumerate(names)]
    return Plan(title=f"{path.stem}, shown again", probes=tuple(probes))


def demo_scenario() -> Scenario:
    """The demo's scenario: one of everything that happens at a fire, in two hours.

    Seven thermocouples at several heights and one infrared sensor.

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
