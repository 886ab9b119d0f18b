"""InfluxDB: send the journal there, fetch a firing from there."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from logger.cli.options import Influx, grouped, json_option, with_home
from logger.cli.output import iso, marked, print_json, print_list
from logger.errors import UserError

if TYPE_CHECKING:
    from logger.home import Home
    from logger.mirror.target import Target


def _named(command: str, influx: Influx) -> Target:
    target = influx.target()
    if target is None:
        raise UserError(f"{command}: name the InfluxDB with --influx URL or STOKEWATCH_INFLUX_URL")
    return target


@click.command()
@grouped("influx", Influx)
@click.option("--afresh", is_flag=True, help="Send the whole journal again, refused lines included.")
@with_home
def mirror(home: Home, influx: Influx, afresh: bool) -> int:
    """Send everything in the journal to an InfluxDB, then whatever comes in.

    It only reads the journal: an InfluxDB that is slow, full or unreachable can't disturb the recording.
    """
    from logger.mirror.mirror import run_mirror

    return run_mirror(home, _named("mirror", influx), afresh=afresh)


@click.command()
@click.argument("firing", required=False)
@grouped("influx", Influx)
@json_option
@with_home
def pull(home: Home, firing: str | None, influx: Influx, as_json: bool) -> int:
    """Fetch a FIRING (its ID, or last) from an InfluxDB; without one, list them.

    It becomes a firing in this journal.
    """
    import contextlib

    from logger.mirror.archive import Archive
    from logger.mirror.influxql import InfluxQL
    from logger.mirror.pull import pull as run

    target = _named("pull", influx)
    with contextlib.closing(InfluxQL(target)) as asked:
        archive = Archive(asked)
        if firing is not None:
            info = run(archive, archive.firing(firing, target.site), home)
            if as_json:
                print_json({"firing": info.id, "title": info.title, "readings": info.readings})
            else:
                click.echo(f"Firing {info.id}: {info.readings} readings, in {home.root}")
            return 0
        found = archive.firings(target.site)
    if as_json:
        print_json(
            [
                {
                    "firing": f.id,
                    "site": f.site,
                    "title": f.title,
                    "started": iso(f.started_us),
                    "running": f.ended_us is None,
                    "invented": f.invented,
                }
                for f in found
            ]
        )
        return 0
    print_list(
        (
            f"{f.id}  {f.site or '-'}  {marked(f.title, running=f.ended_us is None, invented=f.invented)}"
            for f in found
        ),
        "No firings there yet.",
    )
    return 0
