"""A rig's counter, its clock and its beat."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np

from logger.diagnosis.boots import boots, twins
from logger.diagnosis.finding import Finding
from logger.reading import Floats, Frame


def about_seq(frames: Sequence[Frame]) -> list[Finding]:
    """Look at `seq`, which counts each frame of a rig once and wraps at 2**32, in the order they came in."""
    seqs = [f.seq for f in frames]
    if len(seqs) < 2:
        return [Finding("check", "seq", "one frame is too little to tell", "listen longer")]
    if len(set(seqs)) == 1:
        return [Finding("bad", "seq", f"it always says {seqs[0]}", "add one for each frame")]
    found: list[Finding] = []
    starts = boots(frames)
    steps = [step for boot in starts for step in boot.steps if step > 0]
    late, same = sum(boot.late for boot in starts), sum(boot.same for boot in starts)
    if twins(starts):
        fix = "give each rig a name of its own (RIG in config.py)"
        found.append(Finding("bad", "seq", "two rigs of this name send at the same time", fix))
    elif len(starts) > 1:
        times = "once" if len(starts) == 2 else f"{len(starts) - 1} times"
        fix = "a loose supply, or its watchdog"
        found.append(Finding("check", "seq", f"it began again {times}: the rig restarted", fix))
    usual = Counter(steps).most_common(1)[0][0] if steps else 1
    holes = sum(s - 1 for s in steps) - late
    if usual != 1:
        found.append(
            Finding("bad", "seq", f"it counts in steps of {usual}", "add one for each frame, no more")
        )
    elif holes > 0:
        mend = (
            "frames leave the rig and don't arrive: a full port, QoS 0, or a queue that is too short; "
            "or it counts what it doesn't send"
        )
        found.append(
            Finding("check" if holes * 50 < len(seqs) else "bad", "seq", f"{holes} are missing", mend)
        )
    if same:
        text = f"{same} frames came twice, the same each time: sent again, since nobody acknowledged them"
        found.append(Finding("good", "seq", text))
    if late > 0:
        found.append(
            Finding("good", "seq", f"{late} frames came late under their old numbers: the rig had kept them")
        )
    return found or [Finding("good", "seq", "counts up by one")]


def about_clock(frames: Sequence[Frame], arrivals_s: Sequence[float]) -> list[Finding]:
    """Look at `ms`, the rig's own clock, and at its beat, against arrivals [s]; NaN where nobody knows."""
    longest = max(boots(frames), key=lambda boot: len(boot.places))
    live = [(frames[i].seq, frames[i].ms, arrivals_s[i]) for i in longest.places]
    in_order = [live[0]]
    for entry in live[1:]:
        if 0 < (entry[0] - in_order[-1][0]) % 2**32 < 2**31:
            in_order.append(entry)
    if len(in_order) < 5:
        return [Finding("check", "clock", "too few frames to tell", "listen longer")]
    seq, ms, arrival_s = (np.array(column, np.float64) for column in zip(*in_order, strict=True))
    steps_ms = np.diff(ms)
    if not steps_ms.any():
        return [Finding("bad", "clock", "'ms' never changes", "give the board's milliseconds at each sample")]
    for bits in (16, 24, 30, 31):
        if ((steps_ms < 0) & (ms[:-1] > 0.9 * 2**bits) & (ms[:-1] < 2**bits)).any() and ms.max() < 2**bits:
            mend = "add up the differences (ticks_diff in MicroPython) and wrap at 2**32"
            return [Finding("bad", "clock", f"'ms' wraps at 2**{bits}", mend)]
    steps_ms = (steps_ms + 2**31) % 2**32 - 2**31
    if (steps_ms < 0).any():
        mend = "use a clock that only runs forward, not the time of day"
        return [Finding("bad", "clock", f"'ms' runs backwards {int((steps_ms < 0).sum())} times", mend)]
    if (steps_ms == 0).mean() > 0.5:
        return [
            Finding(
                "bad", "clock", "'ms' stands still between frames", "is it in seconds? It is in milliseconds"
            )
        ]
    per_frame_ms = steps_ms / np.diff(seq)
    period_ms = float(np.median(per_frame_ms))
    found = _about_speed(ms[0] + np.concatenate([[0.0], np.cumsum(steps_ms)]), arrival_s)
    if any(f.level == "bad" for f in found):
        return found
    if not np.isfinite(arrival_s).any() and period_ms > 20_000:
        text = f"a frame each {period_ms:g} ms by its own clock"
        return [Finding("bad", "clock", text, "is 'ms' in microseconds? It is in milliseconds")]
    jitter_ms = float(np.percentile(np.abs(per_frame_ms - period_ms), 95))
    text = f"{1000 / period_ms:.3g} frames a second, {jitter_ms:.0f} ms uneven (95 % of them less)"
    if period_ms < 50 or period_ms > 5000:
        mend = "1 to 10 a second suit a fire: faster only fills the disk, slower misses a collapse"
        found.append(Finding("check", "rate", text, mend))
    elif jitter_ms > 0.2 * period_ms:
        mend = "set the next sample's time from the last one's, not from when the work was done"
        found.append(Finding("check", "rate", text, mend))
    else:
        found.append(Finding("good", "rate", text))
    return found


def _about_speed(ms: Floats, arrival_s: Floats) -> list[Finding]:
    """The rig's clock against the host's, where there is one."""
    there = np.isfinite(arrival_s)
    if there.sum() < 5 or np.ptp(arrival_s[there]) < 2.0:
        return [Finding("good", "clock", "runs forward")]
    span_s = float(np.ptp(arrival_s[there]))
    slope, offset = np.polyfit(arrival_s[there] - arrival_s[there][0], ms[there] / 1000, 1)
    left_s = ms[there] / 1000 - (slope * (arrival_s[there] - arrival_s[there][0]) + offset)
    for factor, unit in ((1e-3, "seconds"), (1e3, "microseconds"), (1e6, "nanoseconds")):
        if 0.8 < slope / factor < 1.25:
            return [Finding("bad", "clock", f"'ms' is in {unit}", "give it in milliseconds")]
    uneven_ms = 1000 * float(np.percentile(np.abs(left_s), 95))
    # What the fit can't tell from unevenness is no fault of the clock.
    unsure = 4 * uneven_ms / 1000 / span_s
    if abs(slope - 1) > max(0.01, unsure):
        text = f"'ms' runs at {slope:.3g} times the speed of this machine's clock"
        return [
            Finding("bad", "clock", text, "one step is one millisecond; count with the board's own timer")
        ]
    within = max(abs(slope - 1), unsure)
    if within > 0.1:
        return [Finding("good", "clock", "runs forward; too short a time to tell how fast")]
    text = f"in step with this machine's clock within {100 * within:.1f} %"
    if uneven_ms > 500:
        mend = "frames wait on their way; the rig's own 'ms' puts them right"
        return [Finding("check", "clock", f"{text}, but frames arrive {uneven_ms:.0f} ms unevenly", mend)]
    return [Finding("good", "clock", f"{text}; frames arrive {uneven_ms:.0f} ms unevenly")]
