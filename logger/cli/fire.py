"""The fire: logger and page, together or alone; the demo; how the logger is, and how its firing is ended."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from logger.cli.options import (
    CAUTION,
    FILE,
    Influx,
    PageAt,
    Sources,
    grouped,
    in_folder,
    json_option,
    with_home,
)
from logger.cli.output import journal_there, reading, tell
from logger.errors import StokewatchError, UserError

if TYPE_CHECKING:
    from logger.home import Home
    from logger.recording.supervisor import Child

_ANSWER_S: Final = 10.0
_COUNTS: Final = (
    *("frames", "readings", "bad_crc", "malformed", "missing", "duplicates", "out_of_order", "set_apart"),
    "refused",
)


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


@click.command()
@json_option
@with_home
def finish(home: Home, as_json: bool) -> None:
    """End the running firing."""
    journal_there(home)
    firing = _ask_to_finish(home) if home.logger_runs() else _finish(home)
    tell({"firing": firing}, [f"Firing {firing} has ended."], as_json=as_json)


def _ask_to_finish(home: Home) -> str:
    """Ask the running logger to do it, since it writes the journal."""
    from logger.journal.rows import add_request

    number = add_request(home.journal, "finish", {}, who="command line")
    deadline_s = time.monotonic() + _ANSWER_S
    with reading(home) as reader:
        while (request := reader.request(number)) is None or request.result is None:
            if time.monotonic() > deadline_s:
                raise StokewatchError(
                    f"{home.root}: no answer from the logger within {_ANSWER_S:.0f} s; is it stuck?"
                )
            time.sleep(0.05)
    if not request.result.get("ok"):
        raise UserError(str(request.result.get("error")))
    return str(request.result["firing"])


def _finish(home: Home) -> str:
    from logger.journal.writer import JournalWriter

    with contextlib.closing(JournalWriter(home.journal)) as writer:
        running = writer.running()
        if running is None:
            raise UserError("no firing is running; `stokewatch firings` lists all firings")
        writer.finish_firing(running.id, running.last_us or running.started_us)
        return running.id


@click.command()
@json_option
@with_home
def status(home: Home, as_json: bool) -> int:
    """Show how the logger is doing: frames, losses, the last commit, its sources.

    Exits with status 1 if a logger is running but can't record.
    """
    from logger.mirror.progress import mirror_health
    from logger.recording.health import look

    beat, firing, unread = _last_beat(home)
    health = look(home, str(beat.get("trouble", "")))
    logger = {
        "running": health.running,
        "pid": beat.get("pid") if health.running else None,
        **{name: beat.get(name, 0) for name in (*_COUNTS, "lost", "not_recorded", "waiting")},
        "last_commit_age_s": _commit_age_s(beat),
        "recording": health.recording,
        "trouble": health.trouble or unread,
        "sources": beat.get("sources", []),
    }
    document = {
        "logger": logger,
        "disk_free_mb": health.disk_free_mb,
        "mirror": mirror_health(home),
        "firing": firing,
        "home": str(home.root),
    }
    tell(document, _in_words(document, logger), as_json=as_json)
    return int(bool(unread) or (health.running and not health.recording))


def _last_beat(home: Home) -> tuple[dict[str, Any], str | None, str]:
    """Return the last heartbeat, the running firing's ID, and why they can't be read."""
    beat: dict[str, Any] = {}
    if not home.journal.exists():
        return beat, None, ""
    try:
        with reading(home) as reader:
            beat = reader.heartbeat() or {}
            running = reader.running()
            return beat, running.id if running else None, ""
    except StokewatchError as exc:
        return beat, None, str(exc)


def _commit_age_s(beat: dict[str, Any]) -> float | None:
    commit_us = beat.get("last_commit_us")
    if commit_us is None:
        return None
    in_fire_s = (beat["at_us"] - commit_us) / 1e6
    age_s: float = time.time() - beat["wall_s"] + in_fire_s / beat.get("time_scale", 1.0)
    return round(age_s, 3)


def _in_words(document: dict[str, Any], logger: dict[str, Any]) -> Iterator[str]:
    running = "running" if logger["recording"] else "running, but NOT RECORDING"
    yield f"Logger: {running if logger['running'] else 'not running'}; folder {document['home']}"
    yield f"Firing: {document['firing'] or 'none running'}"
    yield from (f"  {name.replace('_', ' ')}: {logger[name]}" for name in _COUNTS)
    if (age_s := logger["last_commit_age_s"]) is not None:
        yield f"  last commit {age_s:g} s ago"
    for source in logger["sources"]:
        unproven = " (no checksum, no counter)" if source.get("proof") == "none" else ""
        yield f"  {source['name']}: {source['state']} {source['detail']}{unproven}".rstrip()
    if logger["trouble"]:
        yield f"  Trouble: {logger['trouble']}"
    if (sending := document["mirror"]) is not None:
        yield f"InfluxDB: {sending['state']} {sending['detail']}".rstrip()
        yield "  " + ", ".join(f"{sending[key]} {key}" for key in ("sent", "refused", "behind"))
