"""The archive: which firings there are, what is known of one, and its alarms over again."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from logger.cli.options import json_option, plan_option, with_home
from logger.cli.output import iso, marked, print_json, print_list, reading
from logger.errors import UserError

if TYPE_CHECKING:
    from logger.home import Home
    from logger.journal.reader import JournalReader
    from logger.journal.rows import FiringInfo


@click.command()
@json_option
@with_home
def firings(home: Home, as_json: bool) -> int:
    """All firings of the journal, newest first."""
    found: list[FiringInfo] = []
    if home.journal.exists():
        with reading(home) as reader:
            found = reader.firings()
    if as_json:
        print_json(
            [
                {
                    "firing": f.id,
                    "title": f.title,
                    "started": iso(f.started_us),
                    "readings": f.readings,
                    "running": f.running,
                    "invented": f.invented,
                }
                for f in found
            ]
        )
        return 0
    print_list(
        (
            f"{f.id}  {f.readings:>9} readings  {marked(f.title, running=f.running, invented=f.invented)}"
            for f in found
        ),
        "No firing yet.",
    )
    return 0


@click.command()
@click.argument("firing")
@json_option
@with_home
def show(home: Home, firing: str, as_json: bool) -> int:
    """What is known of a FIRING (its ID, or last): its probes with their peaks, and what happened."""
    with reading(home) as reader:
        document = _facts(reader, firing)
    print_json(document) if as_json else _print_facts(document)
    return 0


def _print_facts(document: dict[str, Any]) -> None:
    from logger.journal.rows import WHY
    from logger.words.events import event_words

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
        words = event_words(event["kind"], event["data"], "C")
        click.echo(f"  {event['t_s'] / 60:6.1f} min  {event['kind']}  {words}")


@click.command()
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
    from logger.judgement.rehearsal import table
    from logger.plan import load
    from logger.replay.judging import rehearse as run

    if every == (firing is not None):
        raise UserError("rehearse: name one firing (its ID, or last), or --all of them")
    if estimate and not as_json:
        raise UserError("rehearse: --estimate is for programs; add --json")
    plan = load(plan_file) if plan_file else None
    with reading(home) as reader:
        found = reader.firings() if every else [reader.firing(firing or "last")]
        results = [run(reader, info, plan, estimating=estimate) for info in found]
    if as_json:
        print_json(results if every else results[0])
        return 0
    for result in results:
        click.echo(table(result))
    return 0


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
        probes.append(
            {
                "name": probe.name,
                "rig": column.rig,
                "channel": column.channel,
                "height_cm": probe.height_cm,
                "side": probe.side,
                "reads": probe.reads,
                "zone": probe.zone,
                **peak,
            }
        )
    unproven = sorted(reader.unproven(info.id))
    return {
        "firing": info.id,
        "title": info.title,
        "proof": "none" if unproven else "crc",
        "unproven": unproven,
        "started": iso(info.started_us),
        "ended": None if info.ended_us is None else iso(info.ended_us),
        "duration_s": info.length_s,
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
