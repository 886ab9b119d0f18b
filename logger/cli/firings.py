"""The archive: list the firings, show one, rehearse its alarms."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from logger.cli.options import Influx, grouped, json_option, plan_option, with_home
from logger.cli.output import iso, marked, reading, tell
from logger.errors import UserError

if TYPE_CHECKING:
    from logger.home import Home
    from logger.journal.reader import JournalReader
    from logger.journal.rows import FiringInfo


@click.command()
@json_option
@with_home
def firings(home: Home, as_json: bool) -> None:
    """List all firings in the journal, newest first."""
    found: list[FiringInfo] = []
    if home.journal.exists():
        with reading(home) as reader:
            found = reader.firings()
    lines = [
        f"{f.id}  {f.readings:>9} readings  {marked(f.title, running=f.running, invented=f.invented)}"
        for f in found
    ]
    tell([_known(f) for f in found], lines or ["No firings yet."], as_json=as_json)


def _known(info: FiringInfo) -> dict[str, Any]:
    return {
        "firing": info.id,
        "title": info.title,
        "started": iso(info.started_us),
        "readings": info.readings,
        "running": info.running,
        "invented": info.invented,
    }


@click.command()
@click.argument("firing")
@json_option
@with_home
def show(home: Home, firing: str, as_json: bool) -> None:
    """Show a FIRING (its ID, or last): its probes with their peaks, and what happened."""
    with reading(home) as reader:
        document = _facts(reader, firing)
    tell(document, _in_lines(document), as_json=as_json)


def _in_lines(document: dict[str, Any]) -> Iterator[str]:
    from logger.journal.rows import WHY
    from logger.words.events import event_words

    yield f"{document['firing']}  {document['title']}"
    if document["invented"]:
        yield "An invented firing: nothing here was measured."
    minutes = document["duration_s"] / 60
    yield f"Started {document['started']}, {minutes:.0f} min, {document['readings']} readings"
    for probe in document["probes"]:
        height = "" if probe["height_cm"] is None else f", {probe['height_cm']:g} cm"
        peak = (
            "no reading"
            if probe["peak_c"] is None
            else f"peak {probe['peak_c']:.0f} ± {math.ceil(probe['peak_band_c'])} °C"
            f" at {probe['peak_s'] / 60:.0f} min"
        )
        yield f"  {probe['name']} ({probe['reads']}, zone {probe['zone']}{height}): {peak}"
    for apart in document["set_apart"]:
        yield (
            f"  {apart['frames']} frames from rig {apart['rig']} set apart: "
            f"{WHY.get(apart['why'], apart['why'])}; export --format set-apart writes them to a file"
        )
    for event in document["events"]:
        words = event_words(event["kind"], event["data"], "C")
        yield f"  {event['t_s'] / 60:6.1f} min  {event['kind']}  {words}"


@click.command()
@click.argument("firing", required=False)
@click.option("--all", "every", is_flag=True, help="Every stored firing, one after another.")
@click.option("--estimate", is_flag=True, help="With --json: how hot the pots were, every 10 s (a model).")
@plan_option
@json_option
@with_home
def rehearse(
    home: Home, firing: str | None, every: bool, estimate: bool, plan_file: Path | None, as_json: bool
) -> None:
    """Show which alarms a stored FIRING (its ID, or last) would have raised.

    This is the judgement that runs beside the fire, on the same readings, under the firing's own plan or
    another.
    """
    from logger.judgement.rehearsal import table
    from logger.plan import load
    from logger.replay.judging import rehearse as run

    if every == (firing is not None):
        raise UserError("rehearse: name one firing (its ID, or last), or give --all")
    if estimate and not as_json:
        raise UserError("rehearse: --estimate is for programs; add --json")
    plan = load(plan_file) if plan_file else None
    with reading(home) as reader:
        found = reader.firings() if every else [reader.firing(firing or "last")]
        results = [run(reader, info, plan, estimating=estimate) for info in found]
    tell(results if every else results[0], map(table, results), as_json=as_json)


@click.command()
@click.argument("firing", required=False)
@grouped("influx", Influx)
@json_option
@with_home
def pull(home: Home, firing: str | None, influx: Influx, as_json: bool) -> None:
    """Fetch a FIRING (its ID, or last) from an InfluxDB; without one, list them.

    It becomes a firing in this journal.
    """
    import contextlib

    from logger.mirror import influx as server
    from logger.mirror.archive import Archive
    from logger.mirror.archive import pull as run

    document: Any
    target = influx.needed("pull")
    with contextlib.closing(server.Influx(target)) as asked:
        archive = Archive(asked)
        if firing is not None:
            info = run(archive, archive.firing(firing, target.site), home)
            document = {"firing": info.id, "title": info.title, "readings": info.readings}
            lines = [f"Firing {info.id}: {info.readings} readings, in {home.root}"]
        else:
            found = archive.firings(target.site)
            document = [
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
            lines = [
                f"{f.id}  {f.site or '-'}  {marked(f.title, running=f.ended_us is None, invented=f.invented)}"
                for f in found
            ] or ["No firings there yet."]
    tell(document, lines, as_json=as_json)


def _facts(reader: JournalReader, ref: str) -> dict[str, Any]:
    import numpy as np

    from logger.journal.bands import ReadingBand

    info = reader.firing(ref)
    history = reader.history(info.id, 100_000)
    probes = []
    for column, t_us, values in zip(history.columns, history.t_us, history.temperature_c, strict=True):
        there = np.isfinite(values)
        probe, peak = column.probe, dict.fromkeys(("peak_c", "peak_s", "peak_band_c"))
        if there.any():
            best = int(np.argmax(np.where(there, values, -np.inf)))
            c, peak_s = float(values[best]), (int(t_us[best]) - info.started_us) / 1e6
            band_c = round(ReadingBand(probe).at(c, 0.0), 1)
            peak = {"peak_c": round(c, 4), "peak_s": peak_s, "peak_band_c": band_c}
        known = {"name": probe.name, "rig": column.rig, "channel": column.channel}
        place = {key: getattr(probe, key) for key in ("height_cm", "side", "reads", "zone")}
        probes.append(known | place | peak)
    unproven = sorted(reader.unproven(info.id))
    return {
        **_known(info),
        "proof": "none" if unproven else "crc",
        "unproven": unproven,
        "ended": None if info.ended_us is None else iso(info.ended_us),
        "duration_s": info.length_s,
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
