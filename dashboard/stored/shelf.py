"""Stored firings as a list: found, sorted, with pictures and peaks, and the plans they were fired by."""

import contextlib
import math
from collections.abc import Callable, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import numpy as np
from msgspec.structs import replace

from dashboard import tables
from dashboard.parts.firing_card import Row
from dashboard.work.gathering import kept_rehearsal
from logger.errors import StokewatchError, UserError
from logger.journal.reader import FiringInfo, JournalReader, NoJournalError
from logger.journal.rollup import LEVELS_S
from logger.judgement.zones import Places
from logger.plan import Plan
from logger.plan.library import list_plans, load_plan
from logger.report.describe import described
from logger.report.gather import zone_levels

KEPT_PICTURES: Final = 2000
MAX_PLANS: Final = 30
STEPS: Final = 120
ORDERS: Final = {
    "newest": "Newest first",
    "oldest": "Oldest first",
    "title": "By title",
    "hottest": "Hottest first",
    "coldest": "Coldest first",
    "longest": "Longest first",
}
"""Hot and cold are said of the peak of the zone that stayed coldest."""


def firings(path: Path, *, binned: bool | None = False) -> list[FiringInfo]:
    """List a journal's firings, the latest first; none where there is no journal yet."""
    try:
        with contextlib.closing(JournalReader(path)) as reader:
            return reader.firings(binned=binned)
    except NoJournalError:
        return []


def found(infos: Sequence[FiringInfo], words: str) -> list[FiringInfo]:
    """Find firings: each of the words is in the title, the day, the ID, or what was written down."""
    wanted = words.casefold().split()
    if not wanted:
        return list(infos)
    return [info for info in infos if all(word in _told(info) for word in wanted)]


def _told(info: FiringInfo) -> str:
    files = info.facts.get("imported")
    names = [name for name in files if isinstance(name, str)] if isinstance(files, list) else []
    written = [text for _, text in described(info.facts)]
    marks = ["invented" if info.invented else "", "running" if info.running else ""]
    return "\n".join((info.title, info.id, tables.day_of(info), *names, *written, *marks)).casefold()


def in_order(infos: Sequence[FiringInfo], order: str, peaks: dict[str, float]) -> list[FiringInfo]:
    """Sort firings (given the latest first) by one of `ORDERS`, else as given; those without a peak last."""
    if order == "oldest":
        return list(reversed(infos))
    keys: dict[str, Callable[[FiringInfo], Any]] = {
        "title": lambda info: info.title.casefold(),
        "hottest": lambda info: -peaks.get(info.id, -1e9),
        "coldest": lambda info: peaks.get(info.id, 1e9),
        "longest": lambda info: -info.length_s,
    }
    return sorted(infos, key=keys[order]) if order in keys else list(infos)


def peak_of(reader: JournalReader, info: FiringInfo) -> tuple[bool, tuple[str, float] | None]:
    """Give the coldest pots' zone and peak [°C], as report, comparison and command say it.

    First comes whether this very program has rehearsed the firing; the peak is None where no pots were read.
    """
    rehearsal = kept_rehearsal(reader, info)
    if rehearsal is None:
        return False, None
    probes = tuple(column.probe for column in reader.columns(info.id))
    places = Places(replace(info.plan, probes=probes))
    pots = {places.zones[z] for z in places.pots}
    peaks = [
        (z["peak_c"], z["zone"]) for z in rehearsal["zones"] if z["zone"] in pots and z["peak_c"] is not None
    ]
    if not peaks:
        return True, None
    peak_c, zone = min(peaks)
    return True, (zone, float(peak_c))


def peaks_of(path: Path, infos: Sequence[FiringInfo]) -> tuple[dict[str, float], list[str]]:
    """Find the peaks that are known, by ID [°C], and the IDs of those that aren't yet."""
    with contextlib.closing(JournalReader(path)) as reader:
        told = {info.id: peak_of(reader, info) for info in infos}
    peaks = {firing: peak[1] for firing, (_, peak) in told.items() if peak is not None}
    return peaks, [firing for firing, (known, _) in told.items() if not known]


def glimpse(reader: JournalReader, info: FiringInfo) -> dict[str, Any]:
    """Make a firing's small picture: `low` and `high`, its coldest and hottest place in even steps [°C].

    None where nothing was read. Of a firing that burns, `coldest` is zone and peak so far [°C] of the pots'
    zone whose peak is lowest.
    """
    length_us = max(1, (info.last_us or info.started_us) - info.started_us)
    level_s = max(s for s in LEVELS_S if s * STEPS * 1_000_000 <= length_us or s == LEVELS_S[0])
    rollups = reader.rollups(info.id, level_s).values()
    n = min(STEPS, max((len(t_us) for t_us, _ in rollups), default=0))
    low, high = np.full(n, np.inf), np.full(n, -np.inf)
    for t_us, buckets in rollups:
        step = np.clip((t_us - info.started_us) * n // (length_us + 1), 0, n - 1)
        c = buckets["mean"].astype(np.float64)
        np.fmin.at(low, step, c)
        np.fmax.at(high, step, c)
    told: dict[str, Any] = {"target_c": info.plan.target_c, "coldest": None}
    for name, ends in (("low", low), ("high", high)):
        told[name] = [round(c, 1) if math.isfinite(c) else None for c in ends.tolist()]
    if info.running:
        levels = zone_levels(reader, info)
        peaks = [
            (float(np.nanmax(c)), zone)
            for c, zone, pots in zip(levels.level_c.T, levels.zones, levels.pots, strict=True)
            if pots and np.isfinite(c).any()
        ]
        told["coldest"] = min(peaks, default=None)
    return told


@lru_cache(maxsize=KEPT_PICTURES)
def _picture(path: Path, firing: str, _state: tuple[Any, ...]) -> dict[str, Any]:
    """Make a firing's small picture, once for each of its states."""
    with contextlib.closing(JournalReader(path)) as reader:
        return glimpse(reader, reader.firing(firing))


def rows(path: Path, infos: Sequence[FiringInfo]) -> list[Row]:
    """List firings with their pictures and peaks; one that can't be read is left out."""
    found = []
    with contextlib.closing(JournalReader(path)) as reader:
        for info in infos:
            with contextlib.suppress(UserError):  # deleted meanwhile
                known, peak = peak_of(reader, info)
                state = (info.last_us, info.readings, info.late, info.plan_toml)
                found.append(Row(info, _picture(path, info.id, state), peak, known, tables.day_of(info)))
    return found


def known_plans(path: Path) -> list[dict[str, Any]]:
    """List the plans by which a file's columns may be known: saved ones, then latest firings', once each.

    Each has `ref` for `plan_called`, `title`, and the probes' `names`.
    """
    every = [(f"plan:{p.name}", p.plan.title or p.name, p.plan) for p in list_plans(path.parent) if p.plan]
    texts: set[str] = set()
    for firing in firings(path):
        if firing.plan_toml and firing.plan_toml not in texts and len(texts) < MAX_PLANS:
            texts.add(firing.plan_toml)
            every.append((f"firing:{firing.id}", f"{firing.title} ({firing.id[:8]})", firing.plan))
    return [
        {"ref": ref, "title": title, "names": [p.name for p in plan.probes]}
        for ref, title, plan in every
        if plan.probes
    ]


def plan_called(path: Path, ref: Any) -> Plan | None:
    """Find a plan of `known_plans`, or raise UserError; None where none was chosen."""
    if not isinstance(ref, str) or not ref:
        return None
    kind, _, name = ref.partition(":")
    if kind == "plan":
        return load_plan(path.parent, name)
    try:
        with contextlib.closing(JournalReader(path)) as reader:
            return reader.firing(name).plan
    except StokewatchError as exc:
        raise UserError("there is no such plan any more; choose another") from exc
