"""Options that several commands share, each group of them as one object."""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple, TypeVar

import click

from logger.errors import UserError

if TYPE_CHECKING:
    from logger.mirror.target import Target
    from logger.plan import Plan
    from logger.plan.sources import PlanSource

F = TypeVar("F", bound=Callable[..., Any])

CAUTION: Final = "Stokewatch can fail: keep watching the fire, not only the tablet."


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


FILE: Final = click.Path(path_type=Path, dir_okay=False)
FOLDER: Final = click.Path(path_type=Path, file_okay=False)

json_option = click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
plan_option = click.option("--plan", "plan_file", type=FILE, help="Plan file (TOML).")
serial_option = click.option(
    "--serial", "serial_ports", multiple=True, metavar="PORT", help="Serial port of a rig."
)
mqtt_option = click.option(
    "--mqtt", "mqtt_urls", multiple=True, metavar="URL", help="mqtt[s]://[user@]host[:port]"
)
form_option = click.option(
    "--as",
    "form",
    type=click.Choice(["lines", "mqtt", "modbus"]),
    help="For rigs that don't speak the rig's line; mqtt and modbus need [[source]] in the plan.",
)
unit_option = click.option(
    "--unit", type=click.Choice(["C", "F", "K"]), default="C", help="Of --as lines.", show_default=True
)


def with_home(command: F) -> F:
    """Add `--home` and hand the command a `Home` as its first argument."""

    @click.option(
        "--home",
        "home_dir",
        type=FOLDER,
        help="Folder that holds everything of yours; else STOKEWATCH_HOME, else your data folder.",
    )
    @click.pass_context
    @functools.wraps(command)
    def wrapper(ctx: click.Context, /, home_dir: Path | None, **kwargs: Any) -> Any:
        from logger.home import Home

        return command(Home.find(home_dir or ctx.obj), **kwargs)

    return wrapper  # type: ignore[return-value]


def _together(name: str, kind: type[Any], decorators: Sequence[Callable[[F], F]]) -> Callable[[F], F]:
    """Put options on a command, which gets them as one object."""

    def apply(command: F) -> F:
        @functools.wraps(command)
        def wrapper(*args: Any, **kwargs: Any) -> Any:
            kwargs[name] = kind(**{field: kwargs.pop(field) for field in kind._fields})
            return command(*args, **kwargs)

        decorated: F = wrapper  # type: ignore[assignment]
        for decorator in reversed(decorators):
            decorated = decorator(decorated)
        return decorated

    return apply


class Sources(NamedTuple):
    """Which rigs are read and how; the plan, and the title of a firing that begins."""

    serial_ports: tuple[str, ...]
    mqtt_urls: tuple[str, ...]
    rigs: tuple[str, ...]
    form: str | None
    unit: str
    plan_file: Path | None
    title: str

    def arguments(self) -> list[str]:
        """Say it again, for another process."""
        arguments = [f"--serial={port}" for port in self.serial_ports]
        arguments += [f"--mqtt={url}" for url in self.mqtt_urls]
        arguments += [f"--rig={rig}" for rig in self.rigs]
        if self.form is not None:
            arguments += [f"--as={self.form}", f"--unit={self.unit}"]
        if self.plan_file is not None:
            arguments.append(f"--plan={self.plan_file}")
        return [*arguments, f"--title={self.title}"] if self.title else arguments


def read_sources(
    form: str | None, unit: str, serial_ports: tuple[str, ...], plan_file: Path | None
) -> tuple[Plan | None, tuple[str, ...], tuple[PlanSource, ...]]:
    """Give the plan, the ports of rigs that speak the rig's line, and the other sources."""
    from logger.plan import load
    from logger.plan.sources import sources_as
    from logger.refusals import Mistake
    from logger.sources.serial_line import port_and_baud

    plan = load(plan_file) if plan_file else None
    try:
        ports, sources = sources_as(form, unit, serial_ports, plan.sources if plan else ())
    except Mistake as exc:
        raise UserError(exc.what) from exc
    for port in ports:
        port_and_baud(port)
    return plan, ports, sources


with_sources = _together(
    "said",
    Sources,
    [
        serial_option,
        mqtt_option,
        click.option(
            "--rig",
            "rigs",
            multiple=True,
            type=Text(),
            metavar="NAME",
            help="Only this one of a broker's rigs; may be repeated.",
        ),
        form_option,
        unit_option,
        plan_option,
        click.option(
            "--title", default="", type=Text(), help="Title of the firing, where the plan has none."
        ),
    ],
)


class PageAt(NamedTuple):
    """Where the page is."""

    host: str
    port: int
    no_browser: bool
    lan: bool
    tls: tuple[Path, Path] | None

    def arguments(self) -> list[str]:
        """Say it again, for another process."""
        arguments = [f"--host={self.host}", f"--port={self.port}"]
        arguments += ["--no-browser"] * self.no_browser + ["--lan"] * self.lan
        return arguments if self.tls is None else [*arguments, "--tls", *map(str, self.tls)]

    def greeting(self) -> list[str]:
        """Give the line that tells of it; none in a network, where the page itself says where it is."""
        if self.lan and self.host != "127.0.0.1":
            raise UserError("--lan listens on every address of this machine; leave --host out, or --lan")
        scheme = "http" if self.tls is None else "https"
        return [] if self.lan else [f"Page at {scheme}://{self.host}:{self.port}"]


with_page = _together(
    "place",
    PageAt,
    [
        click.option("--host", default="127.0.0.1", show_default=True, help="Address the page listens on."),
        click.option("--port", default=8050, show_default=True, type=click.IntRange(0, 65535)),
        click.option("--no-browser", is_flag=True, help="Open no browser."),
        click.option(
            "--lan", is_flag=True, help="Let the network watch; whoever knows the operator PIN may act."
        ),
        click.option(
            "--tls",
            nargs=2,
            type=FILE,
            metavar="CERT KEY",
            help="Serve by https, with a certificate of your own (PEM).",
        ),
    ],
)


class Influx(NamedTuple):
    """What the command line says of an InfluxDB; the environment says the rest."""

    influx_url: str | None
    influx_org: str | None
    influx_bucket: str | None
    influx_token_file: Path | None
    site: str | None

    def target(self) -> Target | None:
        """Find it; None where none is named."""
        from logger.mirror.target import Target

        return Target.find(
            self.influx_url,
            org=self.influx_org,
            bucket=self.influx_bucket,
            site=self.site,
            token_file=self.influx_token_file,
        )

    def arguments(self) -> list[str]:
        """Say it again, for another process; the environment goes along by itself."""
        names = ("--influx", "--influx-org", "--influx-bucket", "--influx-token-file", "--site")
        return [f"{name}={value}" for name, value in zip(names, self, strict=True) if value is not None]


influx_option = click.option(
    "--influx", "influx_url", metavar="URL", help="InfluxDB; else STOKEWATCH_INFLUX_URL."
)
with_influx_but_url = _together(
    "influx",
    Influx,
    [
        click.option(
            "--influx-org", type=Text(), metavar="NAME", help="Else STOKEWATCH_INFLUX_ORG, else stokewatch."
        ),
        click.option(
            "--influx-bucket",
            type=Text(),
            metavar="NAME",
            help="Else STOKEWATCH_INFLUX_BUCKET, else stokewatch.",
        ),
        click.option(
            "--influx-token-file",
            type=FILE,
            help="File with the token; else STOKEWATCH_INFLUX_TOKEN_FILE, or STOKEWATCH_INFLUX_TOKEN itself.",
        ),
        click.option(
            "--site",
            type=Text(),
            help="Name of this place, where several share a bucket; else STOKEWATCH_SITE.",
        ),
    ],
)


def with_influx(command: F) -> F:
    """Add everything that is said of an InfluxDB."""
    return influx_option(with_influx_but_url(command))
