"""A rig's counter, its clock and its rate."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final

import numpy as np

from logger.diagnosis.finding import Finding, bad, check, good
from logger.reading import Floats, Frame
from logger.rig_line.came import WRAP, signed

_LOOSE: Final = 5.0
"""How many times longer or shorter than usual the clock may step for a step of the counter."""


def about_seq(frames: Sequence[Frame]) -> list[Finding]:
    """Check `seq`, which counts a rig's frames and wraps at 2**32; frames in the order they came in."""
    seqs = [f.seq for f in frames]
    if len(seqs) < 2:
        return [check("seq", "one frame is too few to tell", "listen longer")]
    if len(set(seqs)) == 1:
        return [bad("seq", f"it is always {seqs[0]}", "add one for each frame")]
    found: list[Finding] = []
    starts = _boots(frames)
    steps = [step for boot in starts for step in boot.steps]
    late = sum(len(boot.seen) - 1 - len(boot.steps) for boot in starts)
    same = sum(len(boot.places) - len(boot.seen) for boot in starts)
    if _twins(starts):
        fix = "give each rig its own name (RIG in config.py)"
        found.append(bad("seq", "two rigs of this name are sending at once", fix))
    elif len(starts) > 1:
        times = "once" if len(starts) == 2 else f"{len(starts) - 1} times"
        fix = "its supply may be loose, or its watchdog restarted it"
        found.append(check("seq", f"it started over {times}: the rig restarted", fix))
    usual = Counter(steps).most_common(1)[0][0] if steps else 1
    holes = sum(s - 1 for s in steps) - late
    if usual != 1:
        found.append(bad("seq", f"it counts in steps of {usual}", "add only one for each frame"))
    elif holes > 0:
        mend = (
            "frames leave the rig and don't arrive: a full port, QoS 0, or too short a queue; "
            "or it counts frames it doesn't send"
        )
        found.append((check if holes * 50 < len(seqs) else bad)("seq", f"{holes} are missing", mend))
    if same:
        text = f"{same} frames came twice, identical: sent again because nobody acknowledged them"
        found.append(good("seq", text))
    if late > 0:
        found.append(good("seq", f"{late} frames came late with their old numbers: the rig had kept them"))
    return found or [good("seq", "counts up by one")]


def about_clock(frames: Sequence[Frame], arrivals_s: Sequence[float]) -> list[Finding]:
    """Check `ms`, the rig's own clock, and its rate against arrivals [s], NaN where unknown."""
    longest = max(_boots(frames), key=lambda boot: len(boot.places))
    in_order: list[tuple[int, int, float]] = []
    for i in longest.places:
        if not in_order or signed(frames[i].seq - in_order[-1][0]) > 0:
            in_order.append((frames[i].seq, frames[i].ms, arrivals_s[i]))
    if len(in_order) < 5:
        return [check("clock", "too few frames to tell", "listen longer")]
    seq, ms, arrival_s = (np.array(column, np.float64) for column in zip(*in_order, strict=True))
    steps_ms = np.diff(ms)
    if not steps_ms.any():
        return [bad("clock", "'ms' never changes", "send the board's milliseconds with each sample")]
    for bits in (16, 24, 30, 31):
        if ((steps_ms < 0) & (ms[:-1] > 0.9 * 2**bits) & (ms[:-1] < 2**bits)).any() and ms.max() < 2**bits:
            mend = "add up the differences (ticks_diff in MicroPython) and wrap at 2**32"
            return [bad("clock", f"'ms' wraps at 2**{bits}", mend)]
    steps_ms = (steps_ms + 2**31) % 2**32 - 2**31
    if (steps_ms < 0).any():
        mend = "use a clock that only runs forward, not the time of day"
        return [bad("clock", f"'ms' runs backwards {int((steps_ms < 0).sum())} times", mend)]
    if (steps_ms == 0).mean() > 0.5:
        return [bad("clock", "'ms' stays the same between frames", "is it in seconds? Send milliseconds")]
    per_frame_ms = steps_ms / np.diff(seq)
    period_ms = float(np.median(per_frame_ms))
    found = _about_speed(ms[0] + np.concatenate([[0.0], np.cumsum(steps_ms)]), arrival_s)
    if any(f.level == "fail" for f in found):
        return found
    if not np.isfinite(arrival_s).any() and period_ms > 20_000:
        text = f"a frame every {period_ms:g} ms by its own clock"
        return [bad("clock", text, "is 'ms' in microseconds? Send milliseconds")]
    jitter_ms = float(np.percentile(np.abs(per_frame_ms - period_ms), 95))
    text = f"{1000 / period_ms:.3g} frames a second, even within {jitter_ms:.0f} ms (95 % of them)"
    if period_ms < 50 or period_ms > 5000:
        mend = "1 to 10 a second suit a fire: faster only fills the disk, slower misses a collapse"
        found.append(check("rate", text, mend))
    elif jitter_ms > 0.2 * period_ms:
        mend = "time the next sample from the last one, not from when the work was done"
        found.append(check("rate", text, mend))
    else:
        found.append(good("rate", text))
    return found


def _about_speed(ms: Floats, arrival_s: Floats) -> list[Finding]:
    """Compare the rig's clock with the host's, where arrival times are known."""
    there = np.isfinite(arrival_s)
    if there.sum() < 5 or np.ptp(arrival_s[there]) < 2.0:
        return [good("clock", "runs forward")]
    span_s = float(np.ptp(arrival_s[there]))
    slope, offset = np.polyfit(arrival_s[there] - arrival_s[there][0], ms[there] / 1000, 1)
    left_s = ms[there] / 1000 - (slope * (arrival_s[there] - arrival_s[there][0]) + offset)
    for factor, unit in ((1e-3, "seconds"), (1e3, "microseconds"), (1e6, "nanoseconds")):
        if 0.8 < slope / factor < 1.25:
            return [bad("clock", f"'ms' is in {unit}", "send milliseconds")]
    uneven_ms = 1000 * float(np.percentile(np.abs(left_s), 95))
    # A deviation no larger than the unevenness is no fault of the clock.
    unsure = 4 * uneven_ms / 1000 / span_s
    if abs(slope - 1) > max(0.01, unsure):
        text = f"'ms' runs at {slope:.3g} times the speed of this machine's clock"
        return [bad("clock", text, "one step is one millisecond; count with the board's own timer")]
    within = max(abs(slope - 1), unsure)
    if within > 0.1:
        return [good("clock", "runs forward; too short a time to tell how fast")]
    text = f"in step with this machine's clock within {100 * within:.1f} %"
    if uneven_ms > 500:
        mend = "frames are held up on their way; the rig's own 'ms' puts them right"
        return [check("clock", f"{text}, but frames arrive unevenly, by {uneven_ms:.0f} ms", mend)]
    return [good("clock", f"{text}; frames arrive unevenly, by {uneven_ms:.0f} ms")]


@dataclass(slots=True)
class _Boot:
    """Frames of one start of one board."""

    places: list[int]  # positions of its frames among all that came in
    top: Frame
    seen: dict[int, Frame]  # by `seq`, in the order they came in; some of them late
    steps: list[int] = field(default_factory=list)  # of `seq`, from one newest frame to the next


def _boots(frames: Sequence[Frame]) -> list[_Boot]:
    """Separate a rig's starts, or two rigs of one name; frames in the order they came in."""
    period_ms = _period_ms(frames)
    found: list[_Boot] = []
    for place, frame in enumerate(frames):
        if not any(_belongs(boot, frame, place, period_ms) for boot in reversed(found)):
            found.append(_Boot([place], frame, {frame.seq: frame}))
    return found


def _twins(found: Sequence[_Boot]) -> bool:
    """Tell whether boots overlap, as only two rigs' can."""
    owner = sorted((place, i) for i, boot in enumerate(found) for place in boot.places)
    changes = sum(a != b for (_, a), (_, b) in pairwise(owner))
    return changes > len(found)


def _belongs(boot: _Boot, frame: Frame, place: int, period_ms: float | None) -> bool:
    """Add a frame to a boot if it continues it, fills a gap in it, or is there already."""
    step, later_ms = signed(frame.seq - boot.top.seq), signed(frame.ms - boot.top.ms)
    if frame.seq in boot.seen:
        if boot.seen[frame.seq] != frame:
            return False
    elif step != 1 and not _in_step(step, later_ms, period_ms):
        return False
    elif step > 0:
        boot.steps.append(step)
        boot.top = frame
    elif signed(frame.seq - next(iter(boot.seen))) < 0:
        return False
    boot.seen[frame.seq] = frame
    boot.places.append(place)
    return True


def _in_step(step: int, later_ms: int, period_ms: float | None) -> bool:
    if period_ms is None or later_ms == 0:
        return True  # without a clock to compare
    ratio = later_ms / step / period_ms
    return 1 / _LOOSE < ratio < _LOOSE


def _period_ms(frames: Sequence[Frame]) -> float | None:
    """The clock's usual step from one frame to the next; None if there is no usable one."""
    ms = {frame.seq: frame.ms for frame in frames}
    steps = [signed(ms[n] - at_ms) for seq, at_ms in ms.items() if (n := (seq + 1) % WRAP) in ms]
    forward = [step for step in steps if step > 0]
    return float(np.median(forward)) if len(forward) > len(steps) / 2 else None
