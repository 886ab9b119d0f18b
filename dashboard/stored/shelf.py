"""List stored firings: search, order, small pictures and peaks, and the plans they were fired by."""

import contextlib
import math
from collections.abc import Callable, Sequence
from functools import lru_cache
from operator import itemgetter
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
"""Hottest and coldest go by the peak of the coldest zone."""


def firings(path: Path, *, binned: bool | None = False) -> list[FiringInfo]:
    """List a journal's firings, latest first; none where there is no journal yet."""
    try:
        with contextlib.closing(JournalReader(path)) as reader:
            return reader.firings(binned=binned)
    except NoJournalError:
        return []


def found(infos: Sequence[FiringInfo], words: str) -> list[FiringInfo]:
    """Find firings with every one of the words in the title, day, ID, imported files or description."""
    wanted = words.casefold().split()
    return [info for info in infos if not wanted or all(map(_told(info).__contains__, wanted))]


def _told(info: FiringInfo) -> str:
    files = info.facts.get("imported")
    names = [name for name in files if isinstance(name, str)] if isinstance(files, list) else []
    written = [text for _, text in described(info.facts)]
    marks = ["invented" if info.invented else "", "running" if info.running else ""]
    return "\n".join((info.title, info.id, tables.day_of(info), *names, *written, *marks)).casefold()


def in_order(infos: Sequence[FiringInfo], order: str, peaks: dict[str, float]) -> list[FiringInfo]:
    """Sort firings, given latest first, by one of `ORDERS`; those without a peak come last."""
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
    """Return the coldest zone with pots and its peak [°C], as in the report, comparison and command.

    First in the pair: whether this version has rehearsed the firing. The peak is None where no pots were
    read.
    """
    if (rehearsal := kept_rehearsal(reader, info)) is None:
        return False, None
    probes = tuple(column.probe for column in reader.columns(info.id))
    places = Places(replace(info.plan, probes=probes))
    pots = {places.zones[z] for z in places.pots}
    zones = [zone for zone in rehearsal["zones"] if zone["zone"] in pots and zone["peak_c"] is not None]
    coldest = min(zones, key=itemgetter("peak_c", "zone"), default=None)
    return True, None if coldest is None else (coldest["zone"], float(coldest["peak_c"]))


def peaks_of(path: Path, infos: Sequence[FiringInfo]) -> tuple[dict[str, float], list[str]]:
    """Find the known peaks by ID [°C], and the IDs of firings whose peak isn't known yet."""
    with contextlib.closing(JournalReader(path)) as reader:
        told = {info.id: peak_of(reader, info) for info in infos}
    peaks = {firing: peak[1] for firing, (_, peak) in told.items() if peak is not None}
    return peaks, [firing for firing, (known, _) in told.items() if not known]


def glimpse(reader: JournalReader, info: FiringInfo) -> dict[str, Any]:
    """Make a firing's small picture: `low` and `high`, its coldest and hottest place in even steps [°C].

    They are None where nothing was read. While the firing is running, `coldest` is the peak so far [°C] and
    name of the zone with pots whose peak is lowest.
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
    """Make a firing's small picture, once per state."""
    with contextlib.closing(JournalReader(path)) as reader:
        return glimpse(reader, reader.firing(firing))


def rows(path: Path, infos: Sequence[FiringInfo]) -> list[Row]:
    """List firings with their pictures and peaks; one deleted meanwhile is left out."""
    found = []
    with contextlib.closing(JournalReader(path)) as reader:
        for info in infos:
            with contextlib.suppress(UserError):
                known, peak = peak_of(reader, info)
                state = (info.last_us, info.readings, info.late, info.plan_toml)
                found.append(Row(info, _picture(path, info.id, state), peak, known, tables.day_of(info)))
    return found


def known_plans(path: Path) -> list[dict[str, Any]]:
    """List plans that may name a file's columns: saved ones, then those of the latest firings, once each.

    Each has a `ref` for `plan_called`, a `title`, and the `names` of its probes.
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
    """Find a plan of `known_plans`; None where none was chosen. UserError: it no longer exists."""
    if not isinstance(ref, str) or not ref:
        return None
    kind, _, name = ref.partition(":")
    if kind == "plan":
        return load_plan(path.parent, name)
    try:
        with contextlib.closing(JournalReader(path)) as reader:
            return reader.firing(name).plan
    except StokewatchError as exc:
        raise UserError("that plan no longer exists; choose another") from exc
