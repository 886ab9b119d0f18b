"""The fire: logger and page, together or alone, and the demo."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from logger.cli.options import CAUTION, FILE, Influx, PageAt, Sources, grouped, in_folder, with_home
from logger.errors import UserError

if TYPE_CHECKING:
    from logger.home import Home
    from logger.recording.supervisor import Child


def _child(name: str, command: str, home: Home, arguments: list[str], *, needed: bool = True) -> Child:
    from logger.recording.supervisor import Child, python_module

    argv = python_module("logger.cli", command, "--home", str(home.root), *arguments)
    return Child(name, argv, needed=needed, watched=name == "logger")


def _supervise(home: Home, children: list[Child], place: PageAt, greeting: list[str]) -> int:
    """Run the children and the page until one of them can't go on or somebody stops them all."""
    import asyncio

    from logger.recording.supervisor import supervise

    for line in greeting:
        click.echo(line)
    children = [*children, _child("page", "page", home, place.arguments())]
    return asyncio.run(supervise(children, lambda line: click.echo(line, err=True)))


@click.command()
@grouped("said", Sources)
@grouped("place", PageAt)
@grouped("influx", Influx)
@with_home
def run(home: Home, said: Sources, place: PageAt, influx: Influx) -> int:
    """Run the logger and the page as two processes, each restarted if it dies.

    Without --serial or --mqtt, looks for a rig on the serial ports. Continues the running firing, or opens
    one at the first reading. Stopping this program doesn't end the firing; stokewatch finish does. If an
    InfluxDB is named, a third process sends everything there too.
    """
    from logger.home import AlreadyRunning

    target = influx.target()
    # Report a mistake once, before anything starts.
    said.read()
    home.create()
    if home.logger_runs():
        raise AlreadyRunning(home.root)
    children = [_child("logger", "log", home, said.arguments())]
    greeting = [f"Journal in {home.root}", *place.greeting(), CAUTION]
    if target is not None:
        # Not needed: recording goes on without it.
        children.append(_child("mirror", "mirror", home, influx.arguments(), needed=False))
        greeting.insert(1, f"Also sending to InfluxDB at {target.url}")
    return _supervise(home, children, place, greeting)


@click.command()
@grouped("said", Sources)
@click.option("--stored", hidden=True, type=FILE)
@click.option("--time-scale", default=1.0, hidden=True, type=click.FloatRange(1, 1000))
@click.option("--invented", is_flag=True, hidden=True)
@with_home
def log(home: Home, said: Sources, stored: Path | None, time_scale: float, invented: bool) -> int:
    """Run the logger alone: it reads the rigs, keeps every reading and judges the fire."""
    from logger.recording.daemon import Settings, run_logger

    plan, ports, sources = said.read()
    return run_logger(
        Settings(
            home=home,
            serial_ports=ports,
            mqtt_urls=said.mqtt_urls,
            rigs=said.rigs,
            stored=stored,
            sources=sources,
            plan=plan,
            title=said.title,
            time_scale=time_scale,
            invented=invented,
        )
    )


@click.command()
@grouped("place", PageAt)
@click.option(
    "--from-influx",
    "influx_url",
    metavar="URL",
    help="Show what this InfluxDB holds instead, view only.",
)
@click.option(
    "--firing", metavar="ID", help="With --from-influx: which firing; otherwise the running one, or the last."
)
@grouped("influx", Influx, but="influx_url")
@with_home
def page(home: Home, place: PageAt, firing: str | None, influx: Influx) -> int:
    """Run the page alone; it shows the journal, with or without a logger running.

    With --from-influx, shows an InfluxDB that a logger somewhere else is mirrored to.
    """
    import contextlib

    from dashboard.serving import serve

    place.greeting()  # refuses what contradicts itself
    with contextlib.ExitStack() as stack:
        journal, door = home.journal, None
        if influx.influx_url is not None:
            from dashboard.security.door import VIEWING, Door
            from logger.mirror.follow import followed

            journal = stack.enter_context(followed(influx.needed("page"), firing))
            door = Door(refusal=VIEWING)
            click.echo(f"Showing {influx.influx_url}, view only.")
        elif firing is not None:
            raise UserError(
                "page: --firing only works with --from-influx; without it, the page shows your own"
            )
        return int(
            serve(
                journal,
                "0.0.0.0" if place.lan else place.host,
                place.port,
                open_browser=not place.no_browser,
                tls=place.tls,
                door=door,
                say=click.echo,
            )
        )


@click.command()
@click.option("--own", is_flag=True, help="Enter a PIN of your own instead of having one drawn.")
@with_home
def pin(home: Home, own: bool) -> None:
    """Set a new operator PIN; everyone who entered the old one has to enter the new one."""
    from dashboard.security.operators import Operators, drawn_pin

    new = click.prompt("New PIN", hide_input=True, confirmation_prompt=True) if own else drawn_pin()
    home.create()
    Operators(home.root).set_pin(new)
    click.echo("The PIN is set." if own else f"Operator PIN: {new}   (write it down: it is shown only once)")


@click.command()
@click.option(
    "--speed", default=1.0, show_default=True, type=click.FloatRange(1, 120), help="How many times real time."
)
@click.option("--seed", type=int, help="Number that picks another invented firing.")
@click.option("--stored", type=FILE, help="Replay this firing (a CSV file) instead.")
@grouped("place", PageAt)
@in_folder("stokewatch-demo", "Folder to keep it in; otherwise STOKEWATCH_HOME, or a demo folder of its own.")
def demo(home: Home, speed: float, seed: int | None, stored: Path | None, place: PageAt) -> int:
    """Run an invented firing: a rig simulated on a (pseudo-)serial port, logger and page."""
    from logger.recording.supervisor import Child, python_module
    from logger.simulator.demo import prepare

    rig, arguments = prepare(home, seed=seed, speed=speed, stored=stored)
    rigs = [] if rig is None else [Child("rig", python_module(*rig))]
    greeting = [
        "A demo: nothing here is being measured now.",
        f"Journal in {home.root}",
        *place.greeting(),
        CAUTION,
    ]
    return _supervise(home, [*rigs, _child("logger", "log", home, arguments)], place, greeting)


@click.command()
@grouped("influx", Influx)
@click.option("--afresh", is_flag=True, help="Send the whole journal again, refused lines included.")
@with_home
def mirror(home: Home, influx: Influx, afresh: bool) -> int:
    """Send everything in the journal to an InfluxDB, then whatever comes in.

    It only reads the journal: an InfluxDB that is slow, full or unreachable can't disturb the recording.
    """
    from logger.mirror.mirror import run_mirror

    return run_mirror(home, influx.needed("mirror"), afresh=afresh)
