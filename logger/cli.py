"""Every command; the only place that knows all the rooms."""

from __future__ import annotations

import functools
import math
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from logger.errors import StokewatchError, UserError

if TYPE_CHECKING:
    from logger.home import Home

# Everything else is imported where it is used: `stokewatch --help` must not wait for numpy or Dash.

SYSTEM = os.name
CAUTION = "Stokewatch can fail: keep watching the fire, not only the tablet."

F = TypeVar("F", bound=Callable[..., Any])


def main(argv: list[str] | None = None) -> None:
    """Run the command line; the console script's entry.

    Parameters
    ----------
    argv : list of str, optional
        Arguments; those of the process if left out.

    Notes
    -----
    Ends the process: 0 on success, 2 for a mistake in what the user gave, 1 for a failure of ours.
    """
    if SYSTEM == "nt":  # serial ports, locks and pseudo-terminals here are those of POSIX
        _complain(
            "stokewatch: it runs on Linux, on a small computer beside the fire, and not on Windows; there, "
            "use it inside WSL 2, or open its page in a browser"
        )
        sys.exit(2)
    try:
        code = cli.main(args=argv, prog_name="stokewatch", standalone_mode=False)
    except click.exceptions.Abort:
        code = 130
    except click.ClickException as exc:
        context = exc.ctx.command_path if isinstance(exc, click.UsageError) and exc.ctx else "stokewatch"
        _complain(f"{context}: {exc.format_message()} (see {context} --help)")
        code = 2
    except UserError as exc:
        _complain(f"stokewatch: {exc}")
        code = 2
    except StokewatchError as exc:
        _complain(f"stokewatch: {exc}")
        code = 1
    except BrokenPipeError:
        code = 0
    sys.exit(code if isinstance(code, int) else 0)


def _complain(text: str) -> None:
    print(" ".join(text.split()), file=sys.stderr)


def with_home(command: F) -> F:
    """Add `--home` and hand the command a `Home` as its first argument."""

    @click.option(
        "--home",
        "home_dir",
        type=click.Path(path_type=Path, file_okay=False),
        help="Folder that holds everything of yours; else STOKEWATCH_HOME, else your data folder.",
    )
    @click.pass_context
    @functools.wraps(command)
    def wrapper(ctx: click.Context, /, home_dir: Path | None, **kwargs: Any) -> Any:
        from logger.home import Home

        return command(Home.find(home_dir or ctx.obj), **kwargs)

    return wrapper  # type: ignore[return-value]


class Text(click.ParamType[str]):
    """Text that any file can hold; a shell hands over any bytes."""

    name = "text"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """Refuse what isn't text."""
        from logger.requests import RequestError, text_of

        try:
            return text_of({"it": value}, "it", 200)
        except RequestError as exc:
            self.fail(f"{str(exc).partition(': ')[2]} (the terminal's text is UTF-8)", param, ctx)


json_option = click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
plan_option = click.option(
    "--plan", "plan_file", type=click.Path(path_type=Path, dir_okay=False), help="Plan file (TOML)."
)


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.option("--home", type=click.Path(path_type=Path, file_okay=False), help="As on each command.")
@click.version_option(package_name="stokewatch")
@click.pass_context
def cli(ctx: click.Context, home: Path | None) -> None:
    """Watch an open pottery firing: every height, every reading kept, alarms beside the fire.

    Check burn bans and local fire codes before you light. Stokewatch can fail: keep watching the fire, not
    only the tablet.
    """
    ctx.obj = home


# --- the fire: demo, run, log, page, finish -----------------------------------------------------------------

speech_options = [
    click.option(
        "--as",
        "form",
        type=click.Choice(["lines", "mqtt", "modbus"]),
        help="For rigs that don't speak the rig's line; mqtt and modbus need [[source]] in the plan.",
    ),
    click.option(
        "--unit", type=click.Choice(["C", "F", "K"]), default="C", help="Of --as lines.", show_default=True
    ),
]
source_options = [
    click.option("--serial", "serial_ports", multiple=True, metavar="PORT", help="Serial port of a rig."),
    click.option("--mqtt", "mqtt_urls", multiple=True, metavar="URL", help="mqtt[s]://[user@]host[:port]"),
    click.option(
        "--rig",
        "rigs",
        multiple=True,
        type=Text(),
        metavar="NAME",
        help="Of a broker's rigs only this; may be repeated.",
    ),
    *speech_options,
    plan_option,
    click.option("--title", default="", type=Text(), help="Title of the firing, where the plan has none."),
]
page_options = [
    click.option("--host", default="127.0.0.1", show_default=True, help="Address the page listens on."),
    click.option("--port", default=8050, show_default=True, type=click.IntRange(0, 65535)),
    click.option("--no-browser", is_flag=True, help="Open no browser."),
    click.option("--lan", is_flag=True, help="Let the network watch; who knows the operator PIN may act."),
    click.option(
        "--tls",
        nargs=2,
        type=click.Path(path_type=Path, dir_okay=False),
        metavar="CERT KEY",
        help="Serve by https, with a certificate of your own (PEM).",
    ),
]
influx_options = [
    click.option("--influx", "influx_url", metavar="URL", help="InfluxDB; else STOKEWATCH_INFLUX_URL."),
    click.option(
        "--influx-org", type=Text(), metavar="NAME", help="Else STOKEWATCH_INFLUX_ORG, else stokewatch."
    ),
    click.option(
        "--influx-bucket", type=Text(), metavar="NAME", help="Else STOKEWATCH_INFLUX_BUCKET, else stokewatch."
    ),
    click.option(
        "--influx-token-file",
        type=click.Path(path_type=Path, dir_okay=False),
        help="File with the token; else STOKEWATCH_INFLUX_TOKEN_FILE, or STOKEWATCH_INFLUX_TOKEN itself.",
    ),
    click.option(
        "--site", type=Text(), help="Name of this place, where several share a bucket; else STOKEWATCH_SITE."
    ),
]


def options(decorators: list[Callable[[F], F]]) -> Callable[[F], F]:
    """Put several options on a command."""

    def apply(command: F) -> F:
        for decorator in reversed(decorators):
            command = decorator(command)
        return command

    return apply


def _source_arguments(
    home: Home,
    serial_ports: tuple[str, ...],
    mqtt_urls: tuple[str, ...],
    rigs: tuple[str, ...],
    form: str | None,
    unit: str,
    plan_file: Path | None,
    title: str,
) -> list[str]:
    arguments = ["--home", str(home.root)]
    for port in serial_ports:
        arguments += ["--serial", port]
    for url in mqtt_urls:
        arguments += ["--mqtt", url]
    for rig in rigs:
        arguments += ["--rig", rig]
    if form is not None:
        arguments += ["--as", form, "--unit", unit]
    if plan_file is not None:
        arguments += ["--plan", str(plan_file)]
    if title:
        arguments += ["--title", title]
    return arguments


def _supervise(
    home: Home,
    children: list[tuple[str, list[str]]],
    *,
    host: str,
    port: int,
    no_browser: bool,
    lan: bool,
    tls: tuple[Path, Path] | None,
    greeting: list[str],
    spare: tuple[str, ...] = (),
) -> int:
    import asyncio

    from logger.supervisor import Child, python_module, supervise

    processes = [
        Child(
            name,
            python_module(arguments[0], *arguments[1:]),
            needed=name not in spare,
            watched=name == "logger",
        )
        for name, arguments in children
    ]
    page = ["page", "--home", str(home.root), "--host", host, "--port", str(port)]
    page += ["--no-browser"] * no_browser + ["--lan"] * lan
    if tls is not None:
        page += ["--tls", *map(str, tls)]
    processes.append(Child("page", python_module("logger.cli", *page)))
    for line in greeting:
        click.echo(line)
    return asyncio.run(supervise(processes, lambda line: click.echo(line, err=True)))


@cli.command()
@options(source_options)
@options(page_options)
@options(influx_options)
@with_home
def run(
    home: Home,
    serial_ports: tuple[str, ...],
    mqtt_urls: tuple[str, ...],
    rigs: tuple[str, ...],
    form: str | None,
    unit: str,
    plan_file: Path | None,
    title: str,
    host: str,
    port: int,
    no_browser: bool,
    lan: bool,
    tls: tuple[Path, Path] | None,
    **influx: Any,
) -> int:
    """Logger and page together, as two processes that are started again if they die.

    Without --serial or --mqtt it listens to the serial ports for a rig. Goes on with the firing that is
    running, or opens one at the first reading; ending this program doesn't end the firing (stokewatch finish
    does). Where an InfluxDB is named, everything is sent there too, by a third process.
    """
    target = _target(influx)
    _speech(form, unit, serial_ports, plan_file)  # a mistake is said once, before anything starts
    home.create()
    if home.logger_runs():
        from logger.home import AlreadyRunning

        raise AlreadyRunning(home.root)
    arguments = _source_arguments(home, serial_ports, mqtt_urls, rigs, form, unit, plan_file, title)
    children = [("logger", ["logger.cli", "log", *arguments])]
    greeting = [f"Journal in {home.root}", *_page_at(host, port, lan, tls), CAUTION]
    if target is not None:
        children.append(
            ("mirror", ["logger.cli", "mirror", "--home", str(home.root), *_influx_arguments(influx)])
        )
        greeting.insert(1, f"Sent to InfluxDB at {target.url} too")
    return _supervise(
        home,
        children,
        host=host,
        port=port,
        no_browser=no_browser,
        lan=lan,
        tls=tls,
        greeting=greeting,
        spare=("mirror",),  # the fire goes on without it
    )


def _speech(form: str | None, unit: str, serial_ports: tuple[str, ...], plan_file: Path | None) -> Any:
    """Give (plan, ports of rigs that speak the rig's line, other sources)."""
    from logger.plan import load
    from logger.plan_sources import SourceMistake, sources_as
    from logger.sources.serial_port import port_and_baud

    plan = load(plan_file) if plan_file else None
    try:
        ports, sources = sources_as(form, unit, serial_ports, plan.sources if plan else ())
    except SourceMistake as exc:
        raise UserError(exc.what) from exc
    for port in ports:
        port_and_baud(port)
    return plan, ports, sources


def _target(influx: dict[str, Any]) -> Any:
    from logger.mirror.target import Target

    return Target.find(
        influx["influx_url"],
        org=influx["influx_org"],
        bucket=influx["influx_bucket"],
        site=influx["site"],
        token_file=influx["influx_token_file"],
    )


def _influx_arguments(influx: dict[str, Any]) -> list[str]:
    """What was said on the command line, for another process; the environment goes along by itself."""
    arguments: list[str] = []
    for name, value in influx.items():
        if value is not None:
            option = "--influx" if name == "influx_url" else f"--{name.replace('_', '-')}"
            arguments += [option, str(value)]
    return arguments


@cli.command()
@options(influx_options)
@click.option("--afresh", is_flag=True, help="Send the whole journal again, refused lines too.")
@with_home
def mirror(home: Home, afresh: bool, **influx: Any) -> int:
    """Send everything the journal holds to an InfluxDB, and go on with what comes in.

    It reads the journal and nothing else: an InfluxDB that is slow, full or away costs the fire nothing.
    """
    from logger.mirror.mirror import run_mirror

    target = _target(influx)
    if target is None:
        raise UserError("mirror: name the InfluxDB with --influx URL or STOKEWATCH_INFLUX_URL")
    return run_mirror(home, target, afresh=afresh)


@cli.command()
@options(source_options)
@click.option("--stored", hidden=True, type=click.Path(path_type=Path, dir_okay=False))
@click.option("--time-scale", default=1.0, hidden=True, type=click.FloatRange(1, 1000))
@click.option("--invented", is_flag=True, hidden=True)
@with_home
def log(
    home: Home,
    serial_ports: tuple[str, ...],
    mqtt_urls: tuple[str, ...],
    rigs: tuple[str, ...],
    form: str | None,
    unit: str,
    plan_file: Path | None,
    title: str,
    stored: Path | None,
    time_scale: float,
    invented: bool,
) -> int:
    """The logger alone: reads the rigs, judges, and keeps every reading."""
    from logger.daemon import Settings, run_logger

    plan, ports, sources = _speech(form, unit, serial_ports, plan_file)
    return run_logger(
        Settings(
            home=home,
            serial_ports=ports,
            mqtt_urls=mqtt_urls,
            rigs=rigs,
            stored=stored,
            sources=sources,
            plan=plan,
            title=title,
            time_scale=time_scale,
            invented=invented,
        )
    )


@cli.command()
@options(page_options)
@click.option(
    "--from-influx",
    "influx_url",
    metavar="URL",
    help="Show what an InfluxDB holds instead, and nothing but show it; many may.",
)
@click.option("--firing", metavar="ID", help="From InfluxDB; else the one that runs, or the last.")
@options(influx_options[1:])
@with_home
def page(
    home: Home,
    host: str,
    port: int,
    no_browser: bool,
    lan: bool,
    tls: tuple[Path, Path] | None,
    firing: str | None,
    **influx: Any,
) -> int:
    """The page alone; it reads the journal and needs no logger to show what is in it.

    With --from-influx it reads an InfluxDB that a logger somewhere else is mirrored to.
    """
    import contextlib

    from dashboard.app import serve

    _page_at(host, port, lan, tls)
    with contextlib.ExitStack() as stack:
        journal, door = home.journal, None
        if influx["influx_url"] is not None:
            from dashboard.view_door import ViewDoor
            from logger.mirror.follow import followed

            journal, door = stack.enter_context(followed(_target(influx), firing)), ViewDoor()
            click.echo(f"Shown from {influx['influx_url']}; nobody can act here.")
        elif firing is not None:
            raise UserError("page: --firing goes with --from-influx; `stokewatch firings` lists your own")
        return int(
            serve(
                journal,
                "0.0.0.0" if lan else host,
                port,
                open_browser=not no_browser,
                tls=tls,
                door=door,
                say=click.echo,
            )
        )


def _page_at(host: str, port: int, lan: bool, tls: tuple[Path, Path] | None) -> list[str]:
    """Line for the greeting; none where the page itself says where it is, as it does in a network."""
    if lan and host != "127.0.0.1":
        raise UserError("--lan listens on every address of this machine; leave --host out, or --lan")
    return [] if lan else [f"Page at {'http' if tls is None else 'https'}://{host}:{port}"]


@cli.command()
@click.option("--own", is_flag=True, help="Ask for a PIN of your own instead of drawing one.")
@with_home
def pin(home: Home, own: bool) -> int:
    """Set a new operator PIN; whoever acted with the old one has to enter the new one."""
    from dashboard.operators import Operators, drawn_pin

    new = click.prompt("New PIN", hide_input=True, confirmation_prompt=True) if own else drawn_pin()
    home.create()
    Operators(home.root).set_pin(new)
    click.echo("The PIN is set." if own else f"Operator PIN: {new}   (write it down: it is told only now)")
    return 0


@cli.command()
@click.option("--speed", default=1.0, show_default=True, type=click.FloatRange(1, 120), help="Times life.")
@click.option("--seed", type=int, help="Another invented firing than the usual one.")
@click.option(
    "--stored",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Show this firing (a CSV file) again instead.",
)
@options(page_options)
@click.option(
    "--home",
    "home_dir",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder to keep it in; else STOKEWATCH_HOME, else a demo folder of its own.",
)
@click.pass_context
def demo(
    ctx: click.Context,
    home_dir: Path | None,
    speed: float,
    seed: int | None,
    stored: Path | None,
    host: str,
    port: int,
    no_browser: bool,
    lan: bool,
    tls: tuple[Path, Path] | None,
) -> int:
    """An invented firing: a simulated rig on a real (pseudo-)serial port, the logger and the page."""
    from logger.demo import prepare
    from logger.home import Home

    home = Home.find(home_dir or ctx.obj, name="stokewatch-demo")
    rig, arguments = prepare(home, seed=seed, speed=speed, stored=stored)
    logger = ("logger", ["logger.cli", "log", *arguments])
    return _supervise(
        home,
        [logger] if rig is None else [("rig", rig), logger],
        host=host,
        port=port,
        no_browser=no_browser,
        lan=lan,
        tls=tls,
        greeting=[
            "A demonstration: nothing here is measured now.",
            f"Journal in {home.root}",
            *_page_at(host, port, lan, tls),
            CAUTION,
        ],
    )


@cli.command()
@json_option
@with_home
def finish(home: Home, as_json: bool) -> int:
    """End the running firing."""
    import time

    from logger.journal.reader import JournalReader
    from logger.journal.writer import JournalWriter, add_request

    _journal_there(home)
    if home.logger_runs():
        number = add_request(home.journal, "finish", {}, who="command line")
        reader = JournalReader(home.journal)
        try:
            deadline = time.monotonic() + 10.0
            while (request := reader.request(number)) is None or request.result is None:
                if time.monotonic() > deadline:
                    raise StokewatchError(
                        f"{home.root}: the logger has not answered within 10 s; is it stuck?"
                    )
                time.sleep(0.05)
            result = request.result
        finally:
            reader.close()
        if not result.get("ok"):
            raise UserError(str(result.get("error")))
        firing = str(result["firing"])
    else:
        writer = JournalWriter(home.journal)
        try:
            running = writer.running()
            if running is None:
                raise UserError("no firing is running; `stokewatch firings` lists those there are")
            writer.finish_firing(running.id, running.last_us or running.started_us)
            firing = running.id
        finally:
            writer.close()
    _print_json({"firing": firing}) if as_json else click.echo(f"Firing {firing} has ended.")
    return 0


@cli.command()
@json_option
@with_home
def status(home: Home, as_json: bool) -> int:
    """How the logger fares: frames, losses, the last commit, its sources.

    Ends with 1 where a logger runs and can't record.
    """
    import time

    from logger.health import look

    beat: dict[str, Any] = {}
    firing = None
    unread = ""
    if home.journal.exists():
        from logger.journal.reader import JournalReader

        try:
            reader = JournalReader(home.journal)
        except StokewatchError as exc:
            unread = str(exc)
        else:
            try:
                beat = reader.heartbeat() or {}
                running = reader.running()
                firing = running.id if running else None
            except StokewatchError as exc:
                unread = str(exc)
            finally:
                reader.close()
    health = look(home, str(beat.get("trouble", "")))
    alive, trouble = health.running, health.trouble or unread
    failing = bool(unread) or (alive and not health.recording)
    sending = _mirror_health(home)
    counts = (
        "frames",
        "readings",
        "bad_crc",
        "malformed",
        "missing",
        "duplicates",
        "out_of_order",
        "set_apart",
        "refused",
    )
    commit_us = beat.get("last_commit_us")
    scale = beat.get("time_scale", 1.0)
    age_s = None
    if commit_us is not None:
        age_s = round(time.time() - beat["wall_s"] + (beat["at_us"] - commit_us) / 1e6 / scale, 3)
    document = {
        "logger": {
            "running": alive,
            "pid": beat.get("pid") if alive else None,
            **{name: beat.get(name, 0) for name in (*counts, "lost", "not_recorded", "waiting")},
            "last_commit_age_s": age_s,
            "recording": health.recording,
            "trouble": trouble,
            "sources": beat.get("sources", []),
        },
        "disk_free_mb": health.disk_free_mb,
        "mirror": sending,
        "firing": firing,
        "home": str(home.root),
    }
    if as_json:
        _print_json(document)
        return int(failing)
    how = "not running" if not alive else "running" if health.recording else "running, but NOT RECORDING"
    click.echo(f"Logger: {how}; folder {home.root}")
    click.echo(f"Firing: {firing or 'none is running'}")
    for name in counts:
        click.echo(f"  {name.replace('_', ' ')}: {beat.get(name, 0)}")
    if age_s is not None:
        click.echo(f"  last commit {age_s:g} s ago")
    for source in beat.get("sources", []):
        unproven = " (no checksum, no counter)" if source.get("proof") == "none" else ""
        click.echo(f"  {source['name']}: {source['state']} {source['detail']}{unproven}".rstrip())
    if trouble:
        click.echo(f"  Trouble: {trouble}")
    if sending is not None:
        click.echo(f"InfluxDB: {sending['state']} {sending['detail']}".rstrip())
        click.echo("  " + ", ".join(f"{sending[key]} {key}" for key in ("sent", "refused", "behind")))
    return int(failing)


@cli.command()
@click.argument("firing", required=False)
@options(influx_options)
@json_option
@with_home
def pull(home: Home, firing: str | None, as_json: bool, **influx: Any) -> int:
    """A FIRING (its ID, or last) from an InfluxDB into this journal; without a name, which there are."""
    import contextlib

    from logger.mirror.archive import Archive
    from logger.mirror.influxql import InfluxQL
    from logger.mirror.pull import pull as run

    target = _target(influx)
    if target is None:
        raise UserError("pull: name the InfluxDB with --influx URL or STOKEWATCH_INFLUX_URL")
    with contextlib.closing(InfluxQL(target)) as asked:
        archive = Archive(asked)
        if firing is not None:
            info = run(archive, archive.firing(firing, target.site), home)
            document = {"firing": info.id, "title": info.title, "readings": info.readings}
            if as_json:
                _print_json(document)
            else:
                click.echo(f"Firing {info.id}: {info.readings} readings, in {home.root}")
            return 0
        found = archive.firings(target.site)
    if as_json:
        _print_json(
            [
                {
                    "firing": f.id,
                    "site": f.site,
                    "title": f.title,
                    "started": _iso(f.started_us),
                    "running": f.ended_us is None,
                    "invented": f.invented,
                }
                for f in found
            ]
        )
        return 0
    if not found:
        click.echo("No firing there yet.")
    for f in found:
        marks = ", ".join(m for m, yes in (("running", f.ended_us is None), ("invented", f.invented)) if yes)
        click.echo(f"{f.id}  {f.site or '-'}  {f.title}{f'  ({marks})' if marks else ''}")
    return 0


def _mirror_health(home: Home) -> dict[str, Any] | None:
    """What the mirror last said of itself; None where there is none."""
    from logger.mirror.health import mirror_health

    return mirror_health(home)


# --- the rig ------------------------------------------------------------------------------------------------


@cli.command()
@click.argument("paths", nargs=-1)
@json_option
def ports(paths: tuple[str, ...], as_json: bool) -> int:
    """The serial ports that look like a rig: listens to each (or to PATHS) for a few seconds."""
    import asyncio
    from dataclasses import asdict

    from logger.sources.serial_port import candidates, listen

    heard = asyncio.run(listen([(path, "") for path in paths] or candidates()))
    if as_json:
        _print_json({"ports": [asdict(h) for h in heard]})
        return 0
    if not heard:
        click.echo(
            "No serial port found. Plug the rig in; on Linux it shows as /dev/ttyACM0 or /dev/ttyUSB0."
        )
    for h in heard:
        if h.rig is not None:
            what = f"rig {h.rig}, channels {', '.join(h.channels)}"
        elif h.trouble:
            what = h.trouble
        elif h.numbers:
            shown = ", ".join(f"{name} {value:g}" for name, value in list(h.numbers.items())[:8])
            what = f"numbers in lines, not the rig's line: {shown}; run --serial {h.port}@{h.baud} --as lines"
        elif h.unreadable:
            what = f"{h.unreadable} bytes that are no text, at any usual speed; name it as {h.port}@BAUD"
        elif h.lines:
            what = "sends lines, but none of them is a rig's"
        else:
            what = "silent; a Modbus module is until it is asked (--as modbus, with [[source]] in the plan)"
        click.echo(f"{h.port}: {what}")
    return 0


@cli.command()
@click.argument("target", metavar="PORT_OR_URL")
@click.option("--seconds", default=15.0, show_default=True, type=click.FloatRange(1, 3600))
@json_option
@with_home
def listen(home: Home, target: str, seconds: float, as_json: bool) -> int:
    """Say in plain words whether a rig's lines are right, what is wrong and how to fix it.

    PORT_OR_URL is a serial port (PORT@BAUD for another speed than 115200), mqtt://host, or a file of recorded
    lines. A port that the logger reads is left to it: then its own counts are shown. Ends with status 2 if
    the lines are wrong.
    """
    from logger.listen import PortTaken, counted
    from logger.listen import listen as run

    try:
        return 0 if run(target, seconds=seconds, as_json=as_json, echo=click.echo) else 2
    except PortTaken:
        if not home.logger_runs():
            raise
        return 0 if counted(home.journal, target, as_json=as_json, echo=click.echo) else 2


@cli.command(hidden=True)
@click.option("--seconds", default=15.0, show_default=True, type=click.FloatRange(1, 3600))
def hear(seconds: float) -> int:
    """What a source says that is being set up: its table as JSON on standard input, JSON lines out."""
    from logger.hear import run

    return run(seconds)


@cli.command()
@plan_option
@click.option("--serial", "serial_ports", multiple=True, metavar="PORT", help="Serial port of a rig.")
@click.option("--mqtt", "mqtt_urls", multiple=True, metavar="URL", help="mqtt[s]://[user@]host[:port]")
@click.option(
    "--seconds", default=30.0, show_default=True, type=click.FloatRange(5, 3600), help="To listen for."
)
@options(speech_options)
@json_option
@with_home
def check(
    home: Home,
    plan_file: Path | None,
    serial_ports: tuple[str, ...],
    mqtt_urls: tuple[str, ...],
    form: str | None,
    unit: str,
    seconds: float,
    as_json: bool,
) -> int:
    """The cold check: is this rig fit to be lit? Before lighting, while everything is cold.

    Do all probes of the plan agree with one another and with their cold junctions? Are they steady, are no
    wires loose or swapped? Hold each tip in your hand for ten seconds while it listens. Where a logger runs,
    its last minute is looked at. Ends with status 0 if the rig is fit, 1 if not.
    """
    from logger.cold_rig import check as run

    plan, wired, plain = _speech(form, unit, serial_ports, plan_file)

    def begun() -> None:
        if not as_json:
            click.echo(f"Listening for {seconds:g} s ...")

    report = run(
        home, plan, serial_ports=wired, mqtt_urls=mqtt_urls, plain=plain, seconds=seconds, begun=begun
    )
    if as_json:
        _print_json(report.as_dict())
    else:
        click.echo(report.text())
        click.echo(CAUTION)
    return 0 if report.fit else 1


@cli.command()
@click.option("--seed", type=int, required=True, help="The same seed gives the same firing.")
@click.option("-o", "--output", type=click.Path(path_type=Path, dir_okay=False), required=True)
@click.option(
    "--truth", type=click.Path(path_type=Path, dir_okay=False), help="What really happened, as JSON."
)
@click.option("--rate-hz", default=1.0, show_default=True, type=click.FloatRange(0.05, 50))
def simulate(seed: int, output: Path, truth: Path | None, rate_hz: float) -> int:
    """One made-up firing as a CSV file, and what really happened in it."""
    from logger.sources import simulated

    firing = simulated.simulate(seed, rate_hz=rate_hz)
    for path, write in ((output, simulated.write_csv), (truth, simulated.write_truth)):
        if path is not None:
            try:
                write(firing, path)
            except OSError as exc:
                raise UserError(f"{path}: {exc.strerror}; choose a file that can be written") from exc
    return 0


# --- the archive --------------------------------------------------------------------------------------------


@cli.command()
@json_option
@with_home
def firings(home: Home, as_json: bool) -> int:
    """All firings of the journal, newest first."""
    found = []
    if home.journal.exists():
        from logger.journal.reader import JournalReader

        reader = JournalReader(home.journal)
        try:
            found = reader.firings()
        finally:
            reader.close()
    if as_json:
        _print_json(
            [
                {
                    "firing": f.id,
                    "title": f.title,
                    "started": _iso(f.started_us),
                    "readings": f.readings,
                    "running": f.running,
                    "invented": f.invented,
                }
                for f in found
            ]
        )
        return 0
    if not found:
        click.echo("No firing yet.")
    for f in found:
        marks = ", ".join(m for m, yes in (("running", f.running), ("invented", f.invented)) if yes)
        click.echo(f"{f.id}  {f.readings:>9} readings  {f.title}{f'  ({marks})' if marks else ''}")
    return 0


@cli.command("import")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@plan_option
@click.option("--title", default="", type=Text(), help="Title of the firing.")
@click.option("--encoding", help="utf-8, latin-1, utf-16 …")
@click.option("--delimiter", help="Between columns; \\t for a tabulator.")
@click.option("--decimal", type=click.Choice([".", ","]), help="Decimal sign.")
@click.option("--skip", type=click.IntRange(0), help="Lines above the header.")
@click.option("--last-line", type=click.IntRange(1), help="The last line to read.")
@click.option("--skip-rows", multiple=True, metavar="ROWS", help="Rows to leave out: 7, or 7-12.")
@click.option("--time", "time_columns", multiple=True, help="Column of the time; twice for date and time.")
@click.option("--time-unit", help="us, ms, s, min, h, hh:mm, mm:ss, days, unix or unix_ms.")
@click.option("--day-first/--month-first", default=None, help="Whether 3/4 is the 3rd of April.")
@click.option("--timezone", help="Of times without one: Europe/Vienna, or UTC+1.")
@click.option("--unit", type=click.Choice(["c", "f", "k"]), help="Of all temperatures.")
@click.option("--keep", multiple=True, metavar="COLUMN", help="Only these columns; T1-* means several.")
@click.option("--leave-out", multiple=True, metavar="COLUMN", help="A column that is no temperature.")
@click.option("--no-reading", multiple=True, metavar="WORD", help="A word that means there was no reading.")
@click.option("--order", type=click.Choice(["refuse", "sort"]), default="refuse", show_default=True)
@click.option(
    "--repeats", type=click.Choice(["refuse", "last", "spread"]), default="refuse", show_default=True
)
@json_option
@with_home
def import_(
    home: Home,
    files: tuple[Path, ...],
    plan_file: Path | None,
    title: str,
    delimiter: str | None,
    time_columns: tuple[str, ...],
    as_json: bool,
    **options: Any,
) -> int:
    """A firing from a CSV file, or from several that were written side by side.

    What is unclear is asked for, never guessed at; nothing stays behind of a file that can't be read. Name a
    column by its header, by a pattern, or by its number.
    """
    from logger.exchange.csv_in import import_csv
    from logger.exchange.csv_table import CsvOptions
    from logger.journal.writer import JournalWriter
    from logger.plan import load

    plan = load(plan_file) if plan_file else None
    home.create()
    writer = JournalWriter(home.journal)
    try:
        info, firing = import_csv(
            writer,
            list(files),
            CsvOptions(delimiter="\t" if delimiter == "\\t" else delimiter, time=time_columns, **options),
            plan=plan,
            title=title,
            progress=None if as_json else _progress(),
        )
    finally:
        writer.close()
    document = {
        "firing": info.id,
        "title": info.title,
        "readings": firing.readings,
        "probes": list(firing.names),
        "duration_s": float(firing.t_us[-1] - firing.t_us[0]) / 1e6,
        "guesses": list(firing.guesses),
        "notes": list(firing.notes),
        "left_out": [{"column": column, "why": why} for column, why in firing.left_out],
    }
    if as_json:
        _print_json(document)
        return 0
    click.echo(f"Firing {info.id}: {firing.readings} readings of {', '.join(firing.names)}")
    for line in firing.said():
        click.echo(f"  {line}")
    return 0


def _progress() -> Callable[[int, int], None] | None:
    """Say on a terminal how far a large file is read."""
    if not sys.stderr.isatty():
        return None

    def say(done: int, of: int) -> None:
        if of > 10_000_000:
            click.echo(f"\r{min(done / of, 1):4.0%} read", err=True, nl=False)

    return say


@cli.command()
@click.argument("firing")
@click.option(
    "--format",
    "kind",
    type=click.Choice(["csv", "parquet", "line-protocol", "html", "set-apart"]),
    default="csv",
)
@click.option("-o", "--output", type=click.Path(path_type=Path, dir_okay=False), required=True)
@click.option(
    "--site", default="", type=Text(), help="Tag of line protocol, where several places share a store."
)
@click.option(
    "--timezone", default="", help="Of the times in html, such as Europe/Vienna; else this machine's."
)
@click.option("--unit", type=click.Choice(["c", "f"]), default="c", help="Of the temperatures in html.")
@json_option
@with_home
def export(
    home: Home,
    firing: str,
    kind: str,
    output: Path,
    site: str,
    timezone: str,
    unit: str,
    as_json: bool,
) -> int:
    """A FIRING (its ID, or last) as a file: its readings, or (html) a report that prints on two pages.

    set-apart are frames that could not be placed, as they came; `show` says how many there are.
    """
    from logger.exchange import export as exports
    from logger.journal.reader import JournalReader

    _journal_there(home)
    rows: int | None
    reader = JournalReader(home.journal)
    try:
        found = reader.firing(firing)
        unproven = sorted(reader.unproven(found.id))
        match kind:
            case "csv":
                rows = exports.export_csv(reader, found.id, output)
            case "parquet":
                rows = exports.export_parquet(reader, found.id, output)
            case "html":
                from logger.report.document import export_html
                from logger.report.shown import shown

                export_html(reader, found.id, output, shown(unit, timezone))
                rows = None
            case "set-apart":
                rows = exports.export_set_apart(reader, found.id, output)
            case _:
                rows = exports.export_line_protocol(reader, found.id, output, site=site)
    finally:
        reader.close()
    if as_json:
        counted = {} if rows is None else {"rows": rows}
        proof = {"proof": "none" if unproven else "crc", "unproven": unproven}
        _print_json({"firing": found.id, "format": kind, "file": str(output), **counted, **proof})
    else:
        click.echo(f"{output}: {'report' if rows is None else f'{rows} rows'} of firing {found.id}")
        if unproven:
            click.echo(f"Readings of {', '.join(unproven)} carried no checksum and no counter.")
    return 0


@cli.command()
@click.argument("firing")
@json_option
@with_home
def show(home: Home, firing: str, as_json: bool) -> int:
    """What is known of a FIRING (its ID, or last): its probes with their peaks, and what happened."""
    from logger.journal.reader import JournalReader
    from logger.journal.set_apart import WHY

    _journal_there(home)
    reader = JournalReader(home.journal)
    try:
        document = _facts(reader, firing)
    finally:
        reader.close()
    if as_json:
        _print_json(document)
        return 0
    click.echo(f"{document['firing']}  {document['title']}")
    if document["invented"]:
        click.echo("An invented firing: nothing here was measured.")
    click.echo(
        f"Lit {document['started']}, {document['duration_s'] / 60:.0f} min, {document['readings']} readings"
    )
    for probe in document["probes"]:
        height = "" if probe["height_cm"] is None else f", {probe['height_cm']:g} cm"
        peak = (
            "no reading"
            if probe["peak_c"] is None
            else f"peak {probe['peak_c']:.0f} ± {math.ceil(probe['peak_band_c'])} °C"
            f" at {probe['peak_s'] / 60:.0f} min"
        )
        click.echo(f"  {probe['name']} ({probe['reads']}, zone {probe['zone']}{height}): {peak}")
    for apart in document["set_apart"]:
        click.echo(
            f"  {apart['frames']} frames of rig {apart['rig']} set apart: "
            f"{WHY.get(apart['why'], apart['why'])}; export --format set-apart writes them"
        )
    for event in document["events"]:
        click.echo(f"  {event['t_s'] / 60:6.1f} min  {event['kind']}  {_in_words(event['data'])}")
    return 0


@cli.command()
@click.argument("firing", required=False)
@click.option("--all", "every", is_flag=True, help="All stored firings, one after another.")
@click.option("--estimate", is_flag=True, help="With --json: what the pots were at, every 10 s (a model).")
@plan_option
@json_option
@with_home
def rehearse(
    home: Home, firing: str | None, every: bool, estimate: bool, plan_file: Path | None, as_json: bool
) -> int:
    """What the alarms would have said over a stored FIRING (its ID, or last), under its plan or another.

    It is the judgement that runs beside the fire, on the same readings.
    """
    from logger.journal.reader import JournalReader
    from logger.judgement.rehearsal import table
    from logger.judging import rehearse as run
    from logger.plan import load

    if every == (firing is not None):
        raise UserError("rehearse: name one firing (its ID, or last), or --all of them")
    if estimate and not as_json:
        raise UserError("rehearse: --estimate is for programs; add --json")
    plan = load(plan_file) if plan_file else None
    _journal_there(home)
    reader = JournalReader(home.journal)
    try:
        found = reader.firings() if every else [reader.firing(firing or "last")]
        results = [run(reader, info, plan, estimating=estimate) for info in found]
    finally:
        reader.close()
    if as_json:
        _print_json(results if every else results[0])
        return 0
    for result in results:
        click.echo(table(result))
    return 0


def _facts(reader: Any, ref: str) -> dict[str, Any]:
    import numpy as np

    info = reader.firing(ref)
    history = reader.history(info.id, 100_000)
    probes = []
    for column, t_us, values in zip(history.columns, history.t_us, history.temperature_c, strict=True):
        there = np.isfinite(values)
        best = int(np.argmax(np.where(there, values, -np.inf))) if there.any() else None
        probe = column.probe
        probes.append(
            {
                "name": probe.name,
                "rig": column.rig,
                "channel": column.channel,
                "height_cm": probe.height_cm,
                "side": probe.side,
                "reads": probe.reads,
                "zone": probe.zone,
                "peak_c": None if best is None else round(float(values[best]), 4),
                "peak_s": None if best is None else (int(t_us[best]) - info.started_us) / 1e6,
                "peak_band_c": None if best is None else _band_c(probe, float(values[best])),
            }
        )
    unproven = sorted(reader.unproven(info.id))
    return {
        "firing": info.id,
        "title": info.title,
        "proof": "none" if unproven else "crc",
        "unproven": unproven,
        "started": _iso(info.started_us),
        "ended": None if info.ended_us is None else _iso(info.ended_us),
        "duration_s": ((info.last_us or info.started_us) - info.started_us) / 1e6,
        "readings": info.readings,
        "running": info.running,
        "invented": info.invented,
        "facts": info.facts,
        "target_c": info.plan.target_c,
        "burnout_c": info.plan.burnout_c,
        "soak_min": info.plan.soak_min,
        "probes": probes,
        "set_apart": [
            {"rig": rig, "why": why, "frames": frames} for rig, why, frames in reader.set_apart_count(info.id)
        ],
        "events": [
            {"t_s": (e.t_us - info.started_us) / 1e6, "kind": e.kind, "data": e.data, "who": e.who}
            for e in reader.events(info.id)
        ],
    }


def _band_c(probe: Any, temperature_c: float) -> float:
    """How sure a reading is that doesn't move, ± at 90 %."""
    from logger.journal.bands import ReadingBand

    return round(ReadingBand(probe).at(temperature_c, 0.0), 1)


def _in_words(data: dict[str, Any]) -> str:
    return str(data.get("message") or ", ".join(f"{k} {v}" for k, v in data.items() if v not in ("", None)))


def _journal_there(home: Home) -> None:
    if not home.journal.exists():
        raise UserError(f"{home.root}: no journal here yet; name the right folder with --home")


def _iso(t_us: int) -> str:
    from datetime import UTC, datetime

    return datetime.fromtimestamp(t_us / 1e6, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _print_json(document: object) -> None:
    import json

    click.echo(json.dumps(document, ensure_ascii=False, allow_nan=False))


if __name__ == "__main__":
    main()
