"""What the cold check looks at: the running logger's journal, and the machine it runs on."""

from __future__ import annotations

import shutil
import time
from collections.abc import Mapping, Sequence, Set
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from logger.cold_check.findings import Key, Report
from logger.cold_check.hands import STEP_S, Hand, watch_hands
from logger.cold_check.judge import check_limits, check_order, check_readings
from logger.conversion.columns import reconvert
from logger.diagnosis.finding import Finding, Level
from logger.plan import Plan, assign_probes
from logger.reading import Batch, Floats, Status
from logger.words.said import span

if TYPE_CHECKING:
    from logger.journal.reader import JournalReader
    from logger.journal.rows import FiringInfo

WINDOW_S: Final = 60.0
"""How much of a journal is judged: its last minute. [s]"""
HANDS_S: Final = 1800.0
"""How far back a probe's rise in the hand still counts. [s]"""
SILENT_S: Final = 5.0
LITTLE_BYTES: Final = 1_000_000_000
TOO_LITTLE_BYTES: Final = 200_000_000
"""Five times what 12 h of 16 channels at 10 Hz takes."""
BATTERY_WARN: Final = 70
BATTERY_FAIL: Final = 30
"""A firing takes half a day, with setting up and cooling (common practice, no source). [%]"""
_NO_CLOCK_BEFORE_S: Final = 1_764_547_200.0  # 2025-12-01: an earlier clock must be wrong

POWER: Final = Path("/sys/class/power_supply")


def check_journal(reader: JournalReader, firing: FiringInfo, plan: Plan | None, home: Path) -> Report:
    """Judge the rig from the running logger's journal, by a plan or the running firing's own."""
    if plan is None and firing.plan_toml is not None:
        plan = firing.plan
    beat = reader.heartbeat() or {}
    found: list[Finding] = []
    batches: list[Batch] = []
    if firing.last_us is not None:
        batches = stored_batches(reader, firing, plan, firing.last_us - round(WINDOW_S * 1e6))
        if beat:
            scale = float(beat.get("time_scale", 1.0))
            now_us = beat["at_us"] + (time.time() - beat["wall_s"]) * scale * 1e6
            silent_s = (now_us - firing.last_us) / 1e6 / scale
            if silent_s > SILENT_S:
                text = f"no readings for {f'{silent_s:.0f} s' if silent_s < 90 else span(silent_s)}"
                mend = "is it powered, and is its lead plugged in?"
                found.append(Finding("fail", "silent", "rig", text, mend))
    if beat.get("trouble"):
        found.append(Finding("fail", "logger", "logger", str(beat["trouble"]), "fix this first"))
    hands = journal_hands(reader, firing, HANDS_S)
    return Report([*found, *check_rig(plan, batches, hands, reader.unproven(firing.id), beat, home)])


def check_rig(
    plan: Plan | None,
    batches: Sequence[Batch],
    hands: dict[Key, Hand],
    unproven: Set[str],
    counts: Mapping[str, Any],
    home: Path,
) -> list[Finding]:
    """Check everything: readings (`unproven` rigs have no counter), counts of lines, and the machine."""
    proof = "no checksum or counter: a lost or damaged reading leaves no trace; times are times of arrival"
    bare = sorted({batch.rig for batch in batches} & unproven)
    return [
        *check_readings(plan, batches, hands),
        *check_order([batch for batch in batches if batch.rig not in unproven]),
        *(Finding("warn", "proof", f"rig {rig}", proof) for rig in bare),
        *check_limits(plan),
        *_about_lines({name: int(counts.get(name, 0)) for name in ("frames", "bad_crc", "malformed")}),
        *about_machine(home),
    ]


def stored_batches(
    reader: JournalReader, firing: FiringInfo, plan: Plan | None, since_us: int
) -> list[Batch]:
    """Return stored readings as a plan would convert them, with their cold junctions."""
    probes = dict(zip(firing.seen, assign_probes(plan, firing.seen), strict=True))
    return [
        reconvert(batch, [probes[batch.rig, c.name] for c in batch.channels])
        for batch in reader.batches(firing.id, since_us=since_us)
    ]


def journal_hands(reader: JournalReader, firing: FiringInfo, back_s: float) -> dict[Key, Hand]:
    """Tell from a journal which probes were warmed in the hand."""
    if firing.last_us is None:
        return {}
    rolled = reader.rollups(firing.id, 1, since_us=firing.last_us - round(back_s * 1e6))
    means = {key: (t_us, buckets["mean"].astype(np.float64)) for key, (t_us, buckets) in rolled.items()}
    return _watch(means)


def hands_of(batches: Sequence[Batch]) -> dict[Key, Hand]:
    """Tell from batches which probes were warmed in the hand."""
    parts: dict[Key, list[tuple[Any, Floats]]] = {}
    for batch in batches:
        for j, channel in enumerate(batch.channels):
            good = batch.status[:, j] == Status.OK
            parts.setdefault((batch.rig, channel.name), []).append(
                (batch.t_us[good], batch.temperature_c[good, j])
            )
    return _watch(
        {k: (np.concatenate([t for t, _ in v]), np.concatenate([c for _, c in v])) for k, v in parts.items()}
    )


def _watch(tracks: dict[Key, tuple[Any, Floats]]) -> dict[Key, Hand]:
    """Put tracks side by side, a row a second, and watch them."""
    times = [t_us for t_us, _ in tracks.values() if len(t_us)]
    if not times:
        return {}
    begin = min(int(t_us.min()) for t_us in times)
    steps = (max(int(t_us.max()) for t_us in times) - begin) // round(STEP_S * 1e6) + 1
    table = np.full((steps, len(tracks)), np.nan)
    for j, (t_us, c) in enumerate(tracks.values()):
        there = np.isfinite(c)
        at = ((t_us[there] - begin) // round(STEP_S * 1e6)).astype(np.int64)
        count = np.bincount(at, minlength=steps)
        total = np.bincount(at, weights=c[there], minlength=steps)
        table[count > 0, j] = total[count > 0] / count[count > 0]
    return dict(zip(tracks, watch_hands(table), strict=True))


def about_machine(home: Path, power: Path = POWER) -> list[Finding]:
    """Check this machine's disk, battery and clock; the firings' folder need not exist yet."""
    return [*_about_disk(home), *_about_battery(power), *_about_host_clock(time.time())]


def _about_disk(home: Path) -> list[Finding]:
    place = next((p for p in (home, *home.parents) if p.exists()), Path("/"))
    free = shutil.disk_usage(place).free
    text = f"{free / 1e9:.1f} GB free"
    if free < TOO_LITTLE_BYTES:
        return [Finding("fail", "disk", "disk", text, "make room: a long firing takes up to 0.1 GB")]
    if free < LITTLE_BYTES:
        return [Finding("warn", "disk", "disk", text, "enough for one firing; make room soon")]
    return [Finding("pass", "disk", "disk", text)]


def _about_battery(power: Path) -> list[Finding]:
    levels = []
    plugged = False
    for supply in sorted(power.glob("*")):
        kind, scope = _word(supply / "type"), _word(supply / "scope")
        if kind in ("Mains", "USB") and _word(supply / "online") == "1":
            plugged = True
        elif kind == "Battery" and scope != "Device":  # not a mouse's
            try:
                levels.append(int(_word(supply / "capacity")))
            except ValueError:
                continue
    if not levels:
        return []
    level = min(levels)
    text = f"at {level} %{', charging' if plugged else ''}"
    if plugged or level >= BATTERY_WARN:
        return [Finding("pass", "battery", "battery", text)]
    mend = "charge it, or bring a power bank: a firing takes half a day"
    return [Finding("fail" if level < BATTERY_FAIL else "warn", "battery", "battery", text, mend)]


def _word(path: Path) -> str:
    try:
        return path.read_text(encoding="ascii", errors="replace").strip()
    except OSError:
        return ""


def _about_host_clock(now_s: float) -> list[Finding]:
    said = time.strftime("%Y-%m-%d %H:%M", time.localtime(now_s))
    if now_s < _NO_CLOCK_BEFORE_S:
        mend = "set it, or connect to a network for a minute: firings are filed by date"
        return [Finding("fail", "clock", "this machine", f"its clock says {said}", mend)]
    return [Finding("pass", "clock", "this machine", f"its clock says {said}; check that it is right")]


def _about_lines(counts: Mapping[str, int]) -> list[Finding]:
    """Say how many lines came in undamaged."""
    wrong, frames = counts["bad_crc"] + counts["malformed"], counts["frames"]
    if not wrong:
        return [Finding("pass", "lines", "rig", f"{frames} frames, no line damaged")] if frames else []
    level: Level = "fail" if wrong * 20 > frames else "warn"
    text = f"{wrong} of {frames + wrong} lines were damaged or were not frames"
    return [Finding(level, "lines", "rig", text, "`stokewatch listen` says what is wrong with them")]
