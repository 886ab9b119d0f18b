"""Files: import firings from CSV, export them in any format."""

from __future__ import annotations

import contextlib
import signal
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from logger.cli.options import FILE, json_option, plan_option, text, with_home
from logger.cli.output import reading, tell

if TYPE_CHECKING:
    from logger.home import Home
    from logger.journal.reader import JournalReader
    from logger.journal.rows import FiringInfo

_LONG_S: Final = 1.0
"""Work that takes longer shows its progress. [s]"""


@contextlib.contextmanager
def _stoppable(left: str) -> Iterator[None]:
    """Let Ctrl-C or SIGTERM stop the work, and say what is `left` of it."""
    before = signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        yield
    except KeyboardInterrupt:
        click.echo(f"stokewatch: stopped; {left}", err=True)
        raise click.Abort from None
    finally:
        signal.signal(signal.SIGTERM, before)


@click.command("import")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@plan_option
@click.option("--title", default="", type=text, help="Title of the firing.")
@click.option("--encoding", help="Text encoding: utf-8, latin-1, utf-16 …")
@click.option("--delimiter", help="Between columns; \\t for a tab.")
@click.option("--decimal", type=click.Choice([".", ","]), help="Decimal point or comma.")
@click.option("--skip", type=click.IntRange(0), help="Number of lines above the header.")
@click.option("--last-line", type=click.IntRange(1), help="Last line to read.")
@click.option("--skip-rows", multiple=True, metavar="ROWS", help="Rows to leave out: 7, or 7-12.")
@click.option("--time", "time_columns", multiple=True, help="Time column; give it twice for date and time.")
@click.option(
    "--time-unit", help="us, ms, s, min, h, hh:mm, mm:ss, days, unix, unix_ms, ns; 10s: one row every 10 s."
)
@click.option("--day-first/--month-first", default=None, help="Whether 3/4 is 3 April or 4 March.")
@click.option("--timezone", help="Zone of times that name none: Europe/Vienna, or UTC+1.")
@click.option("--unit", type=click.Choice(["c", "f", "k"]), help="Unit of all temperatures.")
@click.option("--keep", multiple=True, metavar="COLUMN", help="Keep only these columns; T1-* means several.")
@click.option("--leave-out", multiple=True, metavar="COLUMN", help="Column that isn't a temperature.")
@click.option("--no-reading", multiple=True, metavar="WORD", help="Word that means there was no reading.")
@click.option(
    "--order",
    type=click.Choice(["refuse", "sort"]),
    default="refuse",
    show_default=True,
    help="Rows whose time goes back.",
)
@click.option(
    "--repeats",
    type=click.Choice(["refuse", "last", "spread"]),
    default="refuse",
    show_default=True,
    help="Rows with the same time.",
)
@click.option("--once", is_flag=True, help="Skip files that were imported before.")
@json_option
@with_home
@_stoppable("nothing was imported")
def import_(
    home: Home,
    files: tuple[Path, ...],
    plan_file: Path | None,
    title: str,
    delimiter: str | None,
    time_columns: tuple[str, ...],
    once: bool,
    as_json: bool,
    **options: Any,
) -> None:
    """Import a firing from a CSV file, or from several that were written side by side.

    A file that could mean two things is refused, with the options that settle it. If a file can't be read,
    nothing of it stays behind. Name a column by its header, a pattern or its number.
    """
    from logger.exchange.csv_in import import_csv
    from logger.exchange.csv_table import CsvOptions
    from logger.journal.writer import JournalWriter
    from logger.plan import load

    plan = load(plan_file) if plan_file else None
    home.create()
    here = _here_already(home, files)
    known = [{"file": path.name, "firing": found.id} for path, found in here.items()]
    said = [_words(path, found, once=once) for path, found in here.items()]
    if once:
        files = tuple(path for path in files if path not in here)
    if not files:
        first = next(iter(here.values()))
        document = {"firing": first.id, "title": first.title, "readings": 0, "here_already": known}
        tell(document, said, as_json=as_json)
        return
    with contextlib.closing(JournalWriter(home.journal)) as writer:
        info, firing = import_csv(
            writer,
            list(files),
            CsvOptions(delimiter="\t" if delimiter == "\\t" else delimiter, time=time_columns, **options),
            plan=plan,
            title=title,
            progress=None if as_json else _progress("read"),
        )
    document = {
        "firing": info.id,
        "title": info.title,
        "readings": firing.readings,
        "probes": list(firing.names),
        "duration_s": float(firing.t_s[-1]),
        "guesses": list(firing.guesses),
        "notes": list(firing.notes),
        "here_already": known,
        "left_out": [{"column": column, "why": why} for column, why in firing.left_out],
    }
    head = f"Firing {info.id}: {firing.readings} readings from {', '.join(firing.names)}"
    tell(document, [head, *(f"  {line}" for line in (*firing.said(), *said))], as_json=as_json)


def _here_already(home: Home, files: tuple[Path, ...]) -> dict[Path, FiringInfo]:
    """Find the files that an earlier command imported, and the firing of each."""
    from logger.exchange.csv_in import already_here, digest_of

    if not home.journal.exists():
        return {}
    digests = {path: digest_of(path) for path in files}
    with reading(home) as reader:
        found = already_here(reader.firings(binned=None), digests.values())
    return {path: found[digest] for path, digest in digests.items() if digest in found}


def _words(path: Path, found: FiringInfo, *, once: bool) -> str:
    place = ", which is in the bin" if found.binned else ""
    where = f"{path.name} was already imported as firing {found.id} ({found.title}){place}"
    return f"{where}: skipped" if once else f"{where}: now it is here twice; --once would have skipped it"


def _progress(done_word: str) -> Callable[[int, int], None] | None:
    """Show on a terminal how far long work has got."""
    if not sys.stderr.isatty():
        return None
    begun_s = time.monotonic()

    def say(done: int, of: int) -> None:
        if time.monotonic() - begun_s > _LONG_S:
            share = min(done / max(of, 1), 1)
            click.echo(f"{share:4.0%} {done_word}; Ctrl-C stops it, nothing is kept\r", err=True, nl=False)

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
    "--site", default="", type=text, help="Site tag for line-protocol, if several places share a database."
)
@click.option(
    "--timezone", default="", help="Time zone for html, such as Europe/Vienna; otherwise this machine's."
)
@click.option("--unit", type=click.Choice(["c", "f"]), default="c", help="Temperature unit for html.")
@json_option
@with_home
def export(
    home: Home, firing: str, kind: str, output: Path, site: str, timezone: str, unit: str, as_json: bool
) -> None:
    """Write a FIRING (its ID, or last) to a file: readings, or a report.

    html is a report that prints on two pages. set-apart writes the frames that nobody can place, as they
    came; `show` says how many there are.
    """
    with _stoppable(f"nothing was written to {output}"), reading(home) as reader:
        found = reader.firing(firing)
        unproven = sorted(reader.unproven(found.id))
        rows = _write(reader, found.id, kind, output, site=site, timezone=timezone, unit=unit)
    document: dict[str, Any] = {"firing": found.id, "format": kind, "file": str(output)}
    document |= {} if rows is None else {"rows": rows}
    document |= {"proof": "none" if unproven else "crc", "unproven": unproven}
    said = [f"{output}: {'report' if rows is None else f'{rows} rows'} of firing {found.id}"]
    if unproven:
        said.append(f"Readings from {', '.join(unproven)} carried no checksum and no counter.")
    tell(document, said, as_json=as_json)


def _write(
    reader: JournalReader, firing: str, kind: str, output: Path, *, site: str, timezone: str, unit: str
) -> int | None:
    """Write the file; return how many rows it has, None for a report."""
    from logger.exchange import export as exports

    progress = _progress("written")
    match kind:
        case "csv":
            return exports.export_csv(reader, firing, output, progress=progress)
        case "parquet":
            return exports.export_parquet(reader, firing, output, progress=progress)
        case "set-apart":
            return exports.export_set_apart(reader, firing, output)
        case "line-protocol":
            return exports.export_line_protocol(reader, firing, output, site=site, progress=progress)
    from logger.report.document import export_html
    from logger.report.shown import shown

    export_html(reader, firing, output, shown(unit, timezone))
    return None
