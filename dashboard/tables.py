"""Turn firings into what pages draw and compare: lines, even steps, marks, and tables of facts."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any, Final, Literal

import numpy as np

from dashboard.figures.model import Band, Kind, Line, Mark, Place, Stage, numbered
from logger.journal.reader import Column, FiringInfo, JournalReader
from logger.reading import Floats
from logger.report.facts import Fact
from logger.report.gather import Gathered
from logger.report.levels import means_in, within
from logger.report.story import Entry
from logger.words.looks import STAGES

DAY_S: Final = 86_400.0


def places(columns: Sequence[Column]) -> list[Place]:
    """Return the places of a firing's probes, in the same order, numbered from the top of the stack down."""
    numbers = numbered([column.probe.height_cm for column in columns])
    return [
        Place(c.probe.name, number, c.probe.height_cm, c.probe.side, c.probe.reads, c.probe.zone)
        for c, number in zip(columns, numbers, strict=True)
    ]


def on_steps(
    reader: JournalReader, info: FiringInfo, columns: int, distrusted: dict[str, list[tuple[float, float]]]
) -> tuple[Floats, Floats]:
    """Read a firing in at most about `columns` even steps: their middles [s], (n,), and means [°C], (n, k).

    Probes are in the plan's order; NaN where one sent nothing, or a fault. `distrusted` gives spans [s] by
    probe whose readings can't be trusted and are left out.
    """
    length_s = info.length_s
    fine = 1 if length_s <= columns or length_s < DAY_S / 12 else 10 if length_s < DAY_S else 60
    wide_s = max(fine, int(np.ceil(length_s / max(1, columns))))
    rollups = reader.rollups(info.id, fine)
    told = []
    for column in reader.columns(info.id):
        if (found := rollups.get((column.rig, column.channel))) is None:
            told.append((np.zeros(0, np.int64), np.zeros(0)))
            continue
        t_s, mean = (found[0] - info.started_us) / 1e6, found[1]["mean"].astype(np.float64)
        mean[within(t_s, distrusted.get(column.probe.name, ()))] = np.nan
        told.append((np.floor(t_s / wide_s).astype(np.int64), mean))
    n = max((int(step[-1]) + 1 for step, _ in told if len(step)), default=0)
    means: Floats = np.full((n, len(told)), np.nan)
    middles = (np.arange(n, dtype=np.float64) + 0.5) * wide_s
    for k, (step, mean) in enumerate(told):
        good = (step >= 0) & np.isfinite(mean)
        means[:, k] = means_in(step[good], mean[good], n)
    return middles, means


def lines(reader: JournalReader, info: FiringInfo, points: int) -> list[Line]:
    """Read a firing's traces in the plan's order, thinned but with every peak and dip kept."""
    drawn = reader.history(info.id, points)
    return [
        Line(place, (t_us - info.started_us) / 1e6, c)
        for place, t_us, c in zip(places(drawn.columns), drawn.t_us, drawn.temperature_c, strict=True)
    ]


def bands(reader: JournalReader, info: FiringInfo, since_us: int = 0, most: int = 1_000_000) -> list[Band]:
    """Read the estimates of the pots since `since_us`, thinned to about `most` moments, the newest included.

    Empty for a firing without estimates, such as an import.
    """
    found = []
    for zone, line in reader.estimates(info.id, since_us).items():
        step = max(1, len(line.t_us) // most)
        kept = slice((len(line.t_us) - 1) % step, None, step)
        t_s = (line.t_us[kept] - info.started_us) / 1e6
        found.append(Band(zone, t_s, line.estimate_c[kept], line.low_c[kept], line.high_c[kept]))
    return found


def day_of(info: FiringInfo, otherwise: str = "") -> str:
    """Write when a firing began in this machine's time zone, or `otherwise` where that isn't known."""
    began = datetime.fromtimestamp(info.started_us / 1e6, UTC).astimezone()
    return f"{began:%-d %B %Y, %H:%M}" if info.time_known else otherwise


def stages(told: Sequence[dict[str, Any]]) -> list[Stage]:
    """Name a rehearsal's stages (`stage`, `from_s`) as they are shown."""
    return [Stage(STAGES.get(s["stage"], str(s["stage"]).replace("_", " ")), s["from_s"]) for s in told]


def fact_rows(known: Sequence[Gathered]) -> list[tuple[tuple[str, str], list[Fact | None]]]:
    """List every zone and key with its facts, one per firing, None where a firing has none.

    The whole load (empty zone) comes first; zones and keys are in the order in which they first occur.
    """
    by_firing = [{(fact.zone or "", fact.key): fact for fact in one.facts} for one in known]
    all_rows = list(dict.fromkeys(row for facts in by_firing for row in facts))
    zones, keys = (list(dict.fromkeys(row[part] for row in all_rows)) for part in (0, 1))
    all_rows.sort(key=lambda row: (row[0] != "", zones.index(row[0]), keys.index(row[1])))
    return [(row, [facts.get(row) for facts in by_firing]) for row in all_rows]


def mark_of(t_s: float, kind: Kind, data: Mapping[str, Any], words: str) -> Mark:
    """Make the mark of a note or gun reading, with its place if that was noted."""
    height = data.get("height_cm")
    if isinstance(height, bool) or not isinstance(height, int | float):
        height = None
    own: Kind = "wood" if data.get("kind") == "wood" else kind
    return Mark(t_s, own, words, None, str(data.get("zone") or ""), None if height is None else float(height))


def mark_of_alarm(alarm: Mapping[str, Any], words: str) -> Mark:
    """Make the mark of an alarm from `logger.report.gather.named`."""
    kind: Literal["alarm", "good"] = "alarm" if alarm["warning"] else "good"
    return Mark(alarm["raised_s"], kind, words, alarm["cleared_s"], str(alarm["zone"] or ""))


def marks_of(entries: Sequence[Entry]) -> list[Mark]:
    """Make the marks of what happened, in the words of `logger.report.story.story`."""
    return [
        mark_of_alarm(e.data, e.text)
        if e.kind in ("alarm", "good")
        else mark_of(e.t_s, "spot" if e.kind == "spot" else "note", e.data, e.text)
        for e in entries
    ]
