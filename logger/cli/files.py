"""Files: firings in from CSV, and out in any format."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from logger.cli.options import FILE, Text, json_option, plan_option, with_home
from logger.cli.output import print_json, reading

if TYPE_CHECKING:
    from logger.home import Home
    from logger.journal.reader import JournalReader


@click.command("import")
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
    from logger.exchange.csv_in import already_here, digest_of, import_csv
    from logger.exchange.csv_table import CsvOptions
    from logger.journal.reader import JournalReader
    from logger.journal.writer import JournalWriter
    from logger.plan import load

    plan = load(plan_file) if plan_file else None
    home.create()
    with contextlib.closing(JournalWriter(home.journal)) as writer:
        with contextlib.closing(JournalReader(home.journal)) as reader:
            same = already_here(reader.firings(binned=None), map(digest_of, files))
        info, firing = import_csv(
            writer,
            list(files),
            CsvOptions(delimiter="\t" if delimiter == "\\t" else delimiter, time=time_columns, **options),
            plan=plan,
            title=title,
            progress=None if as_json else _progress(),
        )
    document = {
        "firing": info.id,
        "title": info.title,
        "readings": firing.readings,
        "probes": list(firing.names),
        "duration_s": float(firing.t_us[-1] - firing.t_us[0]) / 1e6,
        "guesses": list(firing.guesses),
        "notes": list(firing.notes),
        "left_out": [{"column": column, "why": why} for column, why in firing.left_out],
        "same_file_as": [other.id for other in same],
    }
    if as_json:
        print_json(document)
        return 0
    click.echo(f"Firing {info.id}: {firing.readings} readings of {', '.join(firing.names)}")
    for line in firing.said():
        click.echo(f"  {line}")
    for other in same:
        where = "lies in the bin" if other.binned else "is here"
        click.echo(
            f"  the same file {where} already: {other.id} ({other.title}); Firings on the page delete one"
        )
    return 0


def _progress() -> Callable[[int, int], None] | None:
    """Say on a terminal how far a large file is read."""
    if not sys.stderr.isatty():
        return None

    def say(done: int, of: int) -> None:
        if of > 10_000_000:
            click.echo(f"\r{min(done / of, 1):4.0%} read", err=True, nl=False)

    return say


@click.command()
@click.argument("firing")
@click.option(
    "--format",
    "kind",
    type=click.Choice(["csv", "parquet", "line-protocol", "html", "set-apart"]),
    default="csv",
)
@click.option("-o", "--output", type=FILE, required=True)
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
    with reading(home) as reader:
        found = reader.firing(firing)
        unproven = sorted(reader.unproven(found.id))
        rows = _write(reader, found.id, kind, output, site=site, timezone=timezone, unit=unit)
    if as_json:
        counted = {} if rows is None else {"rows": rows}
        proof = {"proof": "none" if unproven else "crc", "unproven": unproven}
        print_json({"firing": found.id, "format": kind, "file": str(output), **counted, **proof})
    else:
        click.echo(f"{output}: {'report' if rows is None else f'{rows} rows'} of firing {found.id}")
        if unproven:
            click.echo(f"Readings of {', '.join(unproven)} carried no checksum and no counter.")
    return 0


def _write(
    reader: JournalReader, firing: str, kind: str, output: Path, *, site: str, timezone: str, unit: str
) -> int | None:
    """Write a firing's file; give its rows, None of a report."""
    from logger.exchange import export as exports

    match kind:
        case "csv":
            return exports.export_csv(reader, firing, output)
        case "parquet":
            return exports.export_parquet(reader, firing, output)
        case "set-apart":
            return exports.export_set_apart(reader, firing, output)
        case "line-protocol":
            return exports.export_line_protocol(reader, firing, output, site=site)
    from logger.report.document import export_html
    from logger.report.shown import shown

    export_html(reader, firing, output, shown(unit, timezone))
    return None
