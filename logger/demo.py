"""Sets the stage for the demonstration: a plan, a place for the simulated rig, the command lines."""

from __future__ import annotations

from typing import Final

from logger.errors import UserError
from logger.home import AlreadyRunning, Home

RATE_HZ: Final = 4.0
_MARK: Final = "invented firing"


def prepare(home: Home, *, seed: int | None, speed: float) -> tuple[list[str], list[str]]:
    """Make everything that a demonstration needs in its folder.

    An invented firing that is still running from an earlier demonstration is ended: its fire can't be gone on
    with.

    Parameters
    ----------
    home : Home
    seed : int or None
        None: the usual firing.
    speed : float
        Times life.

    Returns
    -------
    rig, logger : list of str
        Module and arguments of the simulated rig; arguments of ``stokewatch log``.

    Raises
    ------
    UserError
        A real firing is running in this folder, or a logger is.
    """
    from logger.journal.writer import JournalWriter
    from logger.sources.simulated import draw, simulate_scenario
    from logger.sources.simulated.demo import demo_scenario

    home.create()
    if home.logger_runs():
        raise AlreadyRunning(home.root)
    writer = JournalWriter(home.journal)
    try:
        running = writer.running()
        if running is not None:
            if not running.invented:
                raise UserError(
                    f"{home.root}: the firing {running.id} is running here, and it is no demonstration; "
                    "give the demo another --home"
                )
            writer.finish_firing(running.id, running.last_us or running.started_us)
    finally:
        writer.close()
    scenario = demo_scenario() if seed is None else draw(seed)
    plan = home.root / "demo-plan.toml"
    plan.write_text(f"# {_MARK}\n" + simulate_scenario(scenario, rate_hz=0.1).plan.dumps(), encoding="utf-8")
    port = home.root / "demo-rig"
    rig = ["logger.sources.simulated.rig", "--pty", str(port), "--rate-hz", f"{RATE_HZ:g}"]
    rig += ["--speed", f"{speed:g}"]
    if seed is not None:
        rig += ["--seed", str(seed)]
    logger = ["--home", str(home.root), "--serial", str(port), "--plan", str(plan), "--invented"]
    logger += ["--time-scale", f"{speed:g}"]
    return rig, logger
