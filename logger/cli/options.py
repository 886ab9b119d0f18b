"""Options that several commands share, each group as one object."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

import click

from logger.errors import UserError

if TYPE_CHECKING:
    from logger.mirror.target import Target
    from logger.plan import Plan
    from logger.plan.sources import PlanSource

F = TypeVar("F", bound=Callable[..., Any])

CAUTION: Final = "Stokewatch can fail: keep watching the fire, not only the tablet."


def text(value: str) -> str:
    """Take a text that any file can hold: a shell may pass any bytes. An option's `type`."""
    from logger.requests import RequestError, text_of

    try:
        return text_of({"text": value}, "text", 200)
    except RequestError as exc:
        raise click.BadParameter(f"{exc} (the terminal's text is UTF-8)") from exc


FILE: Final = click.Path(path_type=Path, dir_okay=False)
FOLDER: Final = click.Path(path_type=Path, file_okay=False)

json_option = click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
plan_option = click.option("--plan", "plan_file", type=FILE, help="Plan file (TOML).")


def in_folder(name: str, what: str) -> Callable[[F], F]:
    """Add `--home` and hand the command a `Home` as its first argument; `name`: of the usual folder."""

    def apply(command: F) -> F:
        @click.option("--home", "home_dir", type=FOLDER, help=what)
        @click.pass_context
        @functools.wraps(command)
        def wrapper(ctx: click.Context, /, home_dir: Path | None, **kwargs: Any) -> Any:
            from logger.home import Home

            return command(Home.find(home_dir or ctx.obj, name=name), **kwargs)

        return wrapper  # type: ignore[return-value]

    return apply


with_home = in_folder(
    "stokewatch", "Folder that holds everything you own; otherwise STOKEWATCH_HOME, or your data folder."
)


def option(*names: str, **how: Any) -> Any:
    """Make a field of a `Group` an option, as `click.option` does."""
    return field(metadata={"names": names, "how": how})


@dataclass(frozen=True, slots=True)
class Group:
    """Options that go together; each field is one."""

    def arguments(self) -> list[str]:
        """Return them as arguments for another process."""
        arguments: list[str] = []
        for each in fields(self):
            value, name, how = getattr(self, each.name), each.metadata["names"][0], each.metadata["how"]
            if how.get("is_flag"):
                arguments += [name] * value
            elif how.get("nargs"):
                arguments += [name, *map(str, value)] if value else []
            else:
                values = value if how.get("multiple") else [value]
                arguments += [f"{name}={one}" for one in values if one not in (None, "")]
        return arguments


def grouped(name: str, kind: type[Group], *, but: str = "") -> Callable[[F], F]:
    """Add a group's options to a command, which gets them as one object; `but` is one that it adds itself."""

    def apply(command: F) -> F:
        @functools.wraps(command)
        def wrapper(*args: Any, **kwargs: Any) -> Any:
            kwargs[name] = kind(**{each.name: kwargs.pop(each.name) for each in fields(kind)})
            return command(*args, **kwargs)

        decorated: F = wrapper  # type: ignore[assignment]
        for each in reversed(fields(kind)):
            if each.name != but:
                given = each.metadata
                decorated = click.option(*given["names"], each.name, **given["how"])(decorated)
        return decorated

    return apply


@dataclass(frozen=True, slots=True)
class Rigs(Group):
    """Which rigs to read, and how; the plan."""

    serial_ports: tuple[str, ...] = option(
        "--serial", multiple=True, metavar="PORT", help="Serial port of a rig."
    )
    mqtt_urls: tuple[str, ...] = option(
        "--mqtt", multiple=True, metavar="URL", help="mqtt[s]://[user@]host[:port]"
    )
    form: str | None = option(
        "--as",
        type=click.Choice(["lines", "mqtt", "modbus"]),
        help="How the rig sends, if not as the rig's line; mqtt and modbus need [[source]] in the plan.",
    )
    unit: str = option(
        "--unit",
        type=click.Choice(["C", "F", "K"]),
        default="C",
        help="Temperature unit for --as lines.",
        show_default=True,
    )
    plan_file: Path | None = option("--plan", type=FILE, help="Plan file (TOML).")

    def read(self) -> tuple[Plan | None, tuple[str, ...], tuple[PlanSource, ...]]:
        """Return the plan, the ports of rigs that send the rig's line, and the other sources."""
        from logger.plan import load
        from logger.plan.sources import sources_as
        from logger.refusals import Mistake
        from logger.sources.serial_line import port_and_baud

        plan = load(self.plan_file) if self.plan_file else None
        try:
            ports, sources = sources_as(self.form, self.unit, self.serial_ports, plan.sources if plan else ())
        except Mistake as exc:
            raise UserError(exc.what) from exc
        for port in ports:
            port_and_baud(port)
        return plan, ports, sources


@dataclass(frozen=True, slots=True)
class Sources(Rigs):
    """The same, and what a new firing needs."""

    rigs: tuple[str, ...] = option(
        "--rig",
        multiple=True,
        type=text,
        metavar="NAME",
        help="Read only this rig from the broker; may be repeated.",
    )
    title: str = option("--title", default="", type=text, help="Title of the firing, if the plan has none.")


@dataclass(frozen=True, slots=True)
class PageAt(Group):
    """Where the page is served."""

    host: str = option("--host", default="127.0.0.1", show_default=True, help="Address the page listens on.")
    port: int = option(
        "--port",
        default=8050,
        show_default=True,
        type=click.IntRange(0, 65535),
        help="Port the page listens on.",
    )
    no_browser: bool = option("--no-browser", is_flag=True, help="Don't open a browser.")
    lan: bool = option(
        "--lan", is_flag=True, help="Let the network watch; anyone with the operator PIN can act."
    )
    tls: tuple[Path, Path] | None = option(
        "--tls",
        nargs=2,
        type=FILE,
        metavar="CERT KEY",
        help="Serve over https, with a certificate of your own (PEM).",
    )

    def greeting(self) -> list[str]:
        """Return the line that gives the page's address; none with --lan, where the page prints its own."""
        if self.lan and self.host != "127.0.0.1":
            raise UserError("--lan listens on every address of this machine; leave out --host or --lan")
        scheme = "http" if self.tls is None else "https"
        return [] if self.lan else [f"Page at {scheme}://{self.host}:{self.port}"]


@dataclass(frozen=True, slots=True)
class Influx(Group):
    """What the command line and the environment say about an InfluxDB; the command line comes first."""

    influx_url: str | None = option(
        "--influx",
        envvar="STOKEWATCH_INFLUX_URL",
        metavar="URL",
        help="Address of the InfluxDB; otherwise STOKEWATCH_INFLUX_URL.",
    )
    influx_org: str = option(
        "--influx-org",
        envvar="STOKEWATCH_INFLUX_ORG",
        default="stokewatch",
        type=text,
        metavar="NAME",
        help="Otherwise STOKEWATCH_INFLUX_ORG, or stokewatch.",
    )
    influx_bucket: str = option(
        "--influx-bucket",
        envvar="STOKEWATCH_INFLUX_BUCKET",
        default="stokewatch",
        type=text,
        metavar="NAME",
        help="Otherwise STOKEWATCH_INFLUX_BUCKET, or stokewatch.",
    )
    influx_token_file: Path | None = option(
        "--influx-token-file",
        envvar="STOKEWATCH_INFLUX_TOKEN_FILE",
        type=FILE,
        help="File with the token; otherwise STOKEWATCH_INFLUX_TOKEN_FILE, or STOKEWATCH_INFLUX_TOKEN.",
    )
    site: str = option(
        "--site",
        envvar="STOKEWATCH_SITE",
        default="",
        type=text,
        help="Name of this place, if several share a bucket; otherwise STOKEWATCH_SITE.",
    )

    def needed(self, command: str) -> Target:
        """Find the InfluxDB; UserError if none is named."""
        if (target := self.target()) is None:
            raise UserError(f"{command}: name the InfluxDB with --influx URL or STOKEWATCH_INFLUX_URL")
        return target

    def target(self) -> Target | None:
        """Find the InfluxDB; None if none is named."""
        from logger.mirror.target import Target

        if not self.influx_url:
            return None
        return Target.checked(
            self.influx_url, self.influx_org, self.influx_bucket, self.site, self.influx_token_file
        )
