"""Gather what is known about a firing: its zones' levels, what was judged and written down, and facts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from logger.judgement.rehearsal import raised
from logger.plan import Plan
from logger.plan.alarm_rules import RULES
from logger.replay.judging import rehearse
from logger.report.facts import POTS_PEAK, Fact, facts_of
from logger.report.levels import Levels, Line, Moment, Span, levels_of, lighting

if TYPE_CHECKING:
    from logger.journal.reader import JournalReader
    from logger.journal.rows import FiringInfo
    from logger.reading import Event

FINE_S: Final = 1
COARSE_S: Final = 10
LONG_S: Final = 24 * 3600.0


@dataclass(frozen=True, slots=True)
class Gathered:
    """What is known about a firing."""

    info: FiringInfo
    plan: Plan  # the one it was judged by; with a probe for each channel where there was none
    levels: Levels
    lit: Moment
    distrusted: dict[str, list[Span]]  # by probe: when the judgement didn't trust it [s]
    rehearsal: dict[str, Any]  # from `judging.rehearse`
    # `rule`, `title`, `warning`, `zone`, `probe`, `raised_s`, `cleared_s`, `message`
    alarms: list[dict[str, Any]]
    live: bool  # whether the alarms were raised at the fire; otherwise they were worked out afterwards
    written: list[Event]  # notes and gun readings
    facts: list[Fact]
    unproven: list[str]  # rigs whose readings carried neither checksum nor counter


def gather(reader: JournalReader, info: FiringInfo, rehearsal: dict[str, Any] | None = None) -> Gathered:
    """Gather what is known about a firing; a missing rehearsal takes a second or two to make."""
    plan = info.plan.for_channels(info.seen)
    rehearsal = rehearsal or rehearse(reader, info)
    events = reader.events(info.id)
    doubtful = distrusted(rehearsal)
    levels = zone_levels(reader, info, doubtful)
    called = alarms_called(info, events)
    alarms = named(rehearsal["alarms"]) if called is None else called
    written = [event for event in events if event.kind in ("note", "spot")]
    facts = facts_of(
        plan,
        levels,
        rehearsal,
        alarms=alarms,
        notes=[event.data for event in written if event.kind == "note"],
        spots=[event.data for event in written if event.kind == "spot"],
        pots=_pots(reader, info),
    )
    return Gathered(
        info=info,
        plan=plan,
        levels=levels,
        lit=lighting(levels),
        distrusted=doubtful,
        rehearsal=rehearsal,
        alarms=alarms,
        live=called is not None,
        written=written,
        facts=facts,
        unproven=sorted(reader.unproven(info.id)),
    )


def zone_levels(
    reader: JournalReader, info: FiringInfo, doubtful: Mapping[str, Sequence[Span]] | None = None
) -> Levels:
    """Return how hot each zone was, without readings that are `distrusted`."""
    rollups = reader.rollups(info.id, FINE_S if info.length_s <= LONG_S else COARSE_S)
    lines = []
    for column in reader.columns(info.id):
        if (found := rollups.get((column.rig, column.channel))) is not None:
            # The first bucket may start before the first reading.
            t_s = np.maximum((found[0] - info.started_us) / 1e6, 0.0)
            lines.append(Line(column.probe.name, t_s, found[1]["mean"].astype(np.float64)))
    return levels_of(info.plan.for_channels(info.seen), lines, doubtful or {})


def alarms_called(info: FiringInfo, events: Sequence[Event]) -> list[dict[str, Any]] | None:
    """Return the alarms raised while the firing ran; None where nothing was judged, as in an import."""
    if not any(event.kind in ("alarm", "stage") for event in events):
        return None
    return named(raised(((e.t_us - info.started_us) / 1e6, e.data) for e in events if e.kind == "alarm"))


def named(alarms: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Add their rules' titles to alarms; `logger.words.said.told` writes their messages in a unit."""
    out = []
    for alarm in alarms:
        rule = RULES.get(alarm["rule"])
        title = alarm["rule"].replace("_", " ") if rule is None else rule.title
        out.append({**alarm, "title": title, "warning": rule is None or rule.warning})
    return out


def distrusted(rehearsal: Mapping[str, Any]) -> dict[str, list[Span]]:
    """Return the spans in which each probe couldn't be trusted [s]; infinite if at fault to the end."""
    spans: dict[str, list[Span]] = {}
    for alarm in rehearsal["alarms"]:
        if alarm["rule"] == "probe_fault" and alarm["probe"]:
            end = alarm["cleared_s"]
            spans.setdefault(alarm["probe"], []).append(
                (alarm["raised_s"], float("inf") if end is None else end)
            )
    return spans


def _pots(reader: JournalReader, info: FiringInfo) -> dict[str, Fact]:
    peaks = {}
    for zone, line in reader.estimates(info.id).items():
        k = int(line.estimate_c.argmax())
        at_s = (int(line.t_us[k]) - info.started_us) / 1e6
        c, low, high = (float(band[k]) for band in (line.estimate_c, line.low_c, line.high_c))
        peaks[zone] = replace(POTS_PEAK, value=c, at_s=at_s, low=low, high=high)
    return peaks
