"""What the cold check looks at: the running logger's journal, and the machine it runs on."""

from __future__ import annotations

import contextlib
import shutil
import time
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence, Set
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from logger.cold_check.hands import STEP_S, Hand, watch_hands
from logger.cold_check.judge import FIRE, Key, check_order, check_readings
from logger.conversion.columns import reconvert
from logger.diagnosis.finding import Finding, Level, in_a_line, worst_first
from logger.judgement.limits import limits
from logger.plan import Plan, assign_probes
from logger.reading import Batch, Floats, Ints, Status
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


_MARKS: Final = {"fail": "NOT FIT", "warn": "   look", "pass": "     ok", "limits": "   note"}


@dataclass(frozen=True, slots=True)
class Report:
    """What the cold check found."""

    findings: list[Finding]

    @property
    def fit(self) -> bool:
        """Whether nothing fails."""
        return all(f.level != "fail" for f in self.findings)

    def as_dict(self) -> dict[str, Any]:
        """Return it as JSON, the worst findings first."""
        return {"fit": self.fit, "findings": [f.as_dict() for f in worst_first(self.findings)]}

    def text(self) -> str:
        """Return it in plain words, one finding per line, failures first."""
        lines = [in_a_line(f, f.where, _MARKS) for f in worst_first(self.findings)]
        end = "The rig is fit." if self.fit else "The rig is not fit yet."
        if any(f.what == FIRE for f in self.findings):
            end = "The cold check can't judge a rig while a fire is burning."
        return "\n".join([*lines, end])


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
        # What even a good rig can't judge doesn't fail: a small one is fit, but its owner must know.
        *(Finding("pass", "limits", "plan", text) for text in (limits(plan) if plan is not None else ())),
        *_about_lines(counts),
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
    return _watch({key: [(t_us, buckets["mean"].astype(float))] for key, (t_us, buckets) in rolled.items()})


def hands_of(batches: Sequence[Batch]) -> dict[Key, Hand]:
    """Tell from batches which probes were warmed in the hand."""
    parts: dict[Key, list[tuple[Ints, Floats]]] = defaultdict(list)
    for batch in batches:
        for j, channel in enumerate(batch.channels):
            good = batch.status[:, j] == Status.OK
            parts[batch.rig, channel.name].append((batch.t_us[good], batch.temperature_c[good, j]))
    return _watch(parts)


def _watch(parts: Mapping[Key, list[tuple[Ints, Floats]]]) -> dict[Key, Hand]:
    """Put each probe's parts side by side, a row a second, and watch them."""
    tracks = {
        key: [np.concatenate(column) for column in zip(*own, strict=True)] for key, own in parts.items()
    }
    times = np.concatenate([t_us for t_us, _ in tracks.values()] or [np.empty(0)])
    if not len(times):
        return {}
    step_us = round(STEP_S * 1e6)
    steps = int(np.ptp(times)) // step_us + 1
    table = np.full((steps, len(tracks)), np.nan)
    for j, (t_us, c) in enumerate(tracks.values()):
        there = np.isfinite(c)
        at = ((t_us[there] - times.min()) // step_us).astype(np.int64)
        count = np.bincount(at, minlength=steps)
        total = np.bincount(at, weights=c[there], minlength=steps)
        table[count > 0, j] = total[count > 0] / count[count > 0]
    return dict(zip(tracks, watch_hands(table), strict=True))


def about_machine(home: Path, power: Path = POWER) -> list[Finding]:
    """Check this machine's disk, battery and clock; the firings' folder need not exist yet."""
    return [_about_disk(home), *_about_battery(power), _about_host_clock(time.time())]


def _about_disk(home: Path) -> Finding:
    place = next((p for p in (home, *home.parents) if p.exists()), Path("/"))
    free = shutil.disk_usage(place).free
    level, mend = _graded(
        (free < TOO_LITTLE_BYTES, "make room: a long firing takes up to 0.1 GB"),
        (free < LITTLE_BYTES, "enough for one firing; make room soon"),
    )
    return Finding(level, "disk", "disk", f"{free / 1e9:.1f} GB free", mend)


def _about_battery(power: Path) -> Iterator[Finding]:
    levels = []
    plugged = False
    for supply in sorted(power.glob("*")):
        kind, scope = _word(supply / "type"), _word(supply / "scope")
        if kind in ("Mains", "USB") and _word(supply / "online") == "1":
            plugged = True
        elif kind == "Battery" and scope != "Device":  # not a mouse's
            with contextlib.suppress(ValueError):
                levels.append(int(_word(supply / "capacity")))
    if levels:
        charge = 100 if plugged else min(levels)
        fix = "charge it, or bring a power bank: a firing takes half a day"
        level, mend = _graded((charge < BATTERY_FAIL, fix), (charge < BATTERY_WARN, fix))
        text = f"at {min(levels)} %{', charging' if plugged else ''}"
        yield Finding(level, "battery", "battery", text, mend)


def _graded(fails: tuple[bool, str], warns: tuple[bool, str]) -> tuple[Level, str]:
    if fails[0]:
        return "fail", fails[1]
    return ("warn", warns[1]) if warns[0] else ("pass", "")


def _word(path: Path) -> str:
    try:
        return path.read_text(encoding="ascii", errors="replace").strip()
    except OSError:
        return ""


def _about_host_clock(now_s: float) -> Finding:
    said = f"its clock says {time.strftime('%Y-%m-%d %H:%M', time.localtime(now_s))}"
    if now_s < _NO_CLOCK_BEFORE_S:
        mend = "set it, or connect to a network for a minute: firings are filed by date"
        return Finding("fail", "clock", "this machine", said, mend)
    return Finding("pass", "clock", "this machine", f"{said}; check that it is right")


def _about_lines(counts: Mapping[str, Any]) -> Iterator[Finding]:
    """Say how many lines came in undamaged."""
    frames, bad_crc, malformed = (int(counts.get(name, 0)) for name in ("frames", "bad_crc", "malformed"))
    if wrong := bad_crc + malformed:
        text = f"{wrong} of {frames + wrong} lines were damaged or were not frames"
        level: Level = "fail" if wrong * 20 > frames else "warn"
        yield Finding(level, "lines", "rig", text, "`stokewatch listen` says what is wrong with them")
    elif frames:
        yield Finding("pass", "lines", "rig", f"{frames} frames, no line damaged")
