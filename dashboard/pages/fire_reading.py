"""What the Fire page reads from the journal: places, what is known about a zone, a firing in brief."""

import contextlib
from pathlib import Path
from typing import Any, Final

from dash import dcc, html

from dashboard.figures.look import unit_of
from dashboard.parts.frame import door_row
from dashboard.words import Unit, degrees, shown
from dashboard.work.gathering import gathering
from logger.errors import StokewatchError, UserError
from logger.journal.reader import JournalReader
from logger.reading import Status
from logger.report.shown import shown as written_in
from logger.report.story import verdicts

FAR_C: Final = 150.0
"""A gun reading this far from its zone's probes is a slip. Common practice, no source. [°C]"""
RECENT_S: Final = 5.0


def place_options(journal_path: Path) -> list[dict[str, str]]:
    """List the running firing's zones as a select's options, pots first; empty if nothing is running."""
    if not journal_path.exists():
        return []
    with contextlib.closing(JournalReader(journal_path)) as reader:
        firing = reader.running()
        if firing is None:
            return []
        probes = [c.probe for c in reader.columns(firing.id)]
    pots = dict.fromkeys(p.zone for p in probes if p.reads != "coals" and p.zone)
    coals = dict.fromkeys(p.zone for p in probes if p.reads == "coals" and p.zone)
    return [{"value": zone, "label": zone} for zone in {**pots, **coals}]


def noted(journal_path: Path, event: Any) -> dict[str, Any]:
    """Find a note of the running firing (`kind`, `text`, `amount` …), or raise UserError."""
    with contextlib.closing(JournalReader(journal_path)) as reader:
        firing = reader.running()
        for each in reader.events(firing.id) if firing is not None else ():
            if each.id == event and each.kind == "note":
                return each.data
    raise UserError("that note is gone: somebody has changed it; open it again from the log")


def doubt(journal_path: Path, zone: str, temperature_c: float, unit: str) -> str:
    """Say what is known about a zone if a gun reading is far from all of it; otherwise return ""."""
    with contextlib.closing(JournalReader(journal_path)) as reader:
        firing = reader.running()
        if firing is None or firing.last_us is None:
            return ""
        tail = reader.readings(firing.id, firing.last_us - round(RECENT_S * 1e6))
        beat = reader.heartbeat() or {}
    probes = [
        float(c[-1])
        for column, c, status in zip(tail.columns, tail.temperature_c, tail.status, strict=True)
        if column.probe.zone == zone and len(c) and status[-1] == Status.OK
    ]
    pots = ((beat.get("verdict") or {}).get("estimates") or {}).get(zone)
    known = probes + ([] if pots is None else [float(pots["estimate_c"])])
    if not known or any(abs(c - temperature_c) <= FAR_C for c in known):
        return ""
    ends = sorted({round(shown(c, unit_of(unit))) for c in known})
    between = f"{ends[0]}" if len(ends) == 1 else f"{ends[0]} to {ends[-1]}"
    if probes:
        return f"the probes here read {between} °{unit}"
    return f"the pots here are estimated at {between} °{unit}"


async def ended_summary(journal_path: Path, unit: Unit) -> list[Any]:
    """Sum up the last firing; empty if it can't be judged."""
    try:
        known = await gathering(journal_path).known("last")
    except StokewatchError:
        return []
    info = known.info
    rows = [
        html.Li(
            [
                html.B(zone["zone"]),
                html.Span(degrees(zone["peak_c"], unit), className="level"),
                html.Span(zone["verdict"]),
            ]
        )
        for zone in verdicts(known, written_in(unit, "UTC"))
        if zone["peak_c"] is not None
    ]
    return [
        html.H2("How it went"),
        door_row(
            dcc.Link("Report", href=f"/report/{info.id}"),
            dcc.Link("Replay", href=f"/replay/{info.id}"),
            dcc.Link("Prepare the next firing", href="/prepare"),
        ),
        html.P("Each zone's peak and verdict, coldest first.", className="hint"),
        html.Ol(rows),
    ]
