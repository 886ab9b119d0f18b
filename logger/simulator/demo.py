"""Set up the demonstration: a plan, a port for the simulated rig, the command lines."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from msgspec.structs import replace

from logger.errors import UserError
from logger.home import AlreadyRunning, Home
from logger.plan import Plan, probe_for_channel
from logger.sources.stored import channel_name

RATE_HZ: Final = 4.0
_MARK: Final = "invented firing"


def prepare(
    home: Home, *, seed: int | None, speed: float, stored: Path | None = None
) -> tuple[list[str] | None, list[str]]:
    """Prepare the demonstration's folder; return the arguments for the simulated rig and for the logger.

    An invented firing still running from an earlier demonstration is ended: its fire can't be continued.
    There is no rig if a stored firing (CSV) is shown again. UserError: a real firing or a logger is running
    in this folder, or the stored firing can't be read.
    """
    from logger.journal.writer import JournalWriter
    from logger.simulator import draw, simulate_scenario
    from logger.simulator.demo_fire import demo_scenario

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
