"""The rig: find it, check its lines, check it cold; simulate one."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from logger.cli.options import CAUTION, FILE, Rigs, grouped, json_option, with_home
from logger.cli.output import tell

if TYPE_CHECKING:
    from logger.home import Home
    from logger.sources.listening import Heard


@click.command()
@click.argument("paths", nargs=-1)
@json_option
def ports(paths: tuple[str, ...], as_json: bool) -> None:
    """Find serial ports with a rig: listen to each (or to PATHS) for a few seconds."""
    import asyncio
    from dataclasses import asdict

    from logger.sources.listening import listen
    from logger.sources.serial_line import candidates

    heard = asyncio.run(listen([(path, "") for path in paths] or candidates()))
    lines = [f"{h.port}: {_what_is_heard(h)}" for h in heard]
    if len(rigs := [h.port for h in heard if h.rig is not None]) > 1:
        named = " ".join(f"--serial {port}" for port in rigs)
        first = f"{len(rigs)} rigs: on its own, `run` reads the first one it hears."
        lines.append(f"{first} To read them all: stokewatch run {named}")
    none = "No serial port found. Plug the rig in; on Linux it appears as /dev/ttyACM0 or /dev/ttyUSB0."
    tell({"ports": [asdict(h) for h in heard]}, lines or [none], as_json=as_json)


def _what_is_heard(h: Heard) -> str:
    from logger.sources.plain.reader import doubt

    if h.rig is not None:
        return f"rig {h.rig}, channels {', '.join(h.channels)}"
    if h.trouble:
        return h.trouble
    if h.numbers:
        some = list(h.numbers.items())[:8]
        shown = ", ".join(f"{name} {'none' if value != value else f'{value:g}'}" for name, value in some)
        run = f"stokewatch run --serial {h.port}@{h.baud} --as lines"
        said = f"lines of numbers, but not the rig's line: {shown}; to record them: {run}"
        return f"{said}. {doubted}" if (doubted := doubt(h.numbers)) else said
    if h.left_alone:
        return f"{h.left_alone} (last {h.last!r})"
    if h.unreadable:
        return (
            f"{h.unreadable} bytes, but no lines of text at any usual speed; give the speed as "
            f"{h.port}@BAUD, and check that the board ends each line (println)"
        )
    if h.lines:
        return (
            f"sends lines, but no readings in them, last {h.last!r}; if the board waits for a key or a "
            "command, set it to print by itself"
        )
    return "silent, as a Modbus module is until it is asked (--as modbus, with [[source]] in the plan)"


@click.command()
@click.argument("target", metavar="PORT_OR_URL")
@click.option(
    "--seconds", default=15.0, show_default=True, type=click.FloatRange(1, 3600), help="How long to listen."
)
@json_option
@with_home
def listen(home: Home, target: str, seconds: float, as_json: bool) -> int:
    """Say whether a rig's lines are right, and if not, what is wrong and how to fix it.

    PORT_OR_URL is a serial port (PORT@BAUD for a speed other than 115200), mqtt://host, or a file of recorded
    lines. If the logger is reading that port, its own counts are shown instead. Exits with status 2 if the
    lines are wrong.
    """
    from logger.diagnosis.listen import PortTaken, counted, ports_beside
    from logger.diagnosis.listen import listen as run

    try:
        right = run(target, seconds=seconds, as_json=as_json, echo=click.echo)
        if not as_json and (others := ports_beside(target)):
            click.echo(f"Not checked: {', '.join(others)}. `stokewatch ports` checks every port.")
        return 0 if right else 2
    except PortTaken:
        if not home.logger_runs():
            raise
        return 0 if counted(home.journal, target, as_json=as_json, echo=click.echo) else 2


@click.command(hidden=True)
@click.option("--seconds", default=15.0, show_default=True, type=click.FloatRange(1, 3600))
def hear(seconds: float) -> int:
    """Print what a source being set up sends: its table as JSON on standard input, JSON lines out."""
    from dashboard.work.limits import limit
    from logger.diagnosis.hear import run

    limit(memory_mb=512, file_mb=1, time_s=60)  # a stranger's broker may send anything
    return run(seconds)


@click.command()
@grouped("said", Rigs)
@click.option(
    "--seconds", default=30.0, show_default=True, type=click.FloatRange(5, 3600), help="How long to listen."
)
@json_option
@with_home
def check(home: Home, said: Rigs, seconds: float, as_json: bool) -> int:
    """Run the cold check before lighting, while everything is cold.

    Is this rig fit to be lit? Do all the plan's probes agree with each other and with their cold junctions?
    Are they steady, with no wires loose or swapped? Hold each tip in your hand for ten seconds while it
    listens. If a logger is running, its last minute is checked. Exits with status 0 if the rig is fit, 1 if
    not.
    """
    from logger.cold_check.rig import check as run

    plan, wired, plain = said.read()
    report = run(
        home,
        plan,
        serial_ports=wired,
        mqtt_urls=said.mqtt_urls,
        plain=plain,
        seconds=seconds,
        begun=lambda: None if as_json else click.echo(f"Listening for {seconds:g} s ..."),
    )
    tell(report.as_dict(), [report.text(), CAUTION], as_json=as_json)
    return 0 if report.fit else 1


@click.command()
@click.option("--seed", type=int, required=True, help="The same seed gives the same firing.")
@click.option("-o", "--output", type=FILE, required=True, help="CSV file to write.")
@click.option("--truth", type=FILE, help="JSON file for what really happened.")
@click.option(
    "--rate-hz", default=1.0, show_default=True, type=click.FloatRange(0.05, 50), help="Rows per second."
)
def simulate(seed: int, output: Path, truth: Path | None, rate_hz: float) -> None:
    """Write a made-up firing as a CSV file and, with --truth, what really happened in it."""
    from logger.simulator import simulate as make
    from logger.simulator import write_csv, write_truth

    firing = make(seed, rate_hz=rate_hz)
    for path, write in ((output, write_csv), (truth, write_truth)):
        if path is not None:
            write(firing, path)
