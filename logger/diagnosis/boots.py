"""A rig's frames put into boots: what one board sent from one start to the next."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from logger.reading import Frame
from logger.rig_line.came import signed

_WRAP: Final = 1 << 32
_LOOSE: Final = 5.0
"""A step of the clock for a step of the counter may be so many times longer or shorter than usual."""


@dataclass(slots=True)
class Boot:
    """Frames of one start of one board."""

    places: list[int]  # where its frames stand among all that came in
    top: Frame
    first: Frame
    seen: dict[int, Frame]
    steps: list[int] = field(default_factory=list)  # of `seq`, from one new frame to the next
    # late, same: frames that came out of order; that came twice
    late: int = 0
    same: int = 0


def boots(frames: Sequence[Frame]) -> list[Boot]:
    """Tell one rig's starts apart, and two rigs of one name, from frames in the order they came in."""
    period_ms = _period_ms(frames)
    found: list[Boot] = []
    for place, frame in enumerate(frames):
        if not any(_belongs(boot, frame, place, period_ms) for boot in reversed(found)):
            found.append(Boot([place], frame, frame, {frame.seq: frame}))
    return found


def twins(found: Sequence[Boot]) -> bool:
    """Tell whether boots run beside one another, as only two rigs can."""
    owner = sorted((place, i) for i, boot in enumerate(found) for place in boot.places)
    changes = sum(a != b for (_, a), (_, b) in itertools.pairwise(owner))
    return changes > len(found)


def _belongs(boot: Boot, frame: Frame, place: int, period_ms: float | None) -> bool:
    """Add a frame to a boot if it goes on from it, fits into a hole of it, or is there already."""
    before = boot.seen.get(frame.seq)
    step = signed(frame.seq - boot.top.seq)
    later_ms = signed(frame.ms - boot.top.ms)
    if before is not None:
        if before != frame and not (step == 0 and before.ms != frame.ms and len(boot.seen) == 1):
            return False
        boot.same += before == frame
        boot.steps += [0] * (before != frame)
    elif step > 0:
        if step > 1 and not _in_step(step, later_ms, period_ms):
            return False
        boot.steps.append(step)
        boot.top = frame
    elif signed(frame.seq - boot.first.seq) > 0 and _in_step(step, later_ms, period_ms):
        boot.late += 1
    else:
        return False
    boot.seen[frame.seq] = frame
    boot.places.append(place)
    return True


def _in_step(step: int, later_ms: int, period_ms: float | None) -> bool:
    if period_ms is None or later_ms == 0:
        return True  # there is no clock to go by
    ratio = later_ms / step / period_ms
    return 1 / _LOOSE < ratio < _LOOSE


def _period_ms(frames: Sequence[Frame]) -> float | None:
    """The clock's usual step from one frame to the next; None where it has none that could be used."""
    by_seq = {frame.seq: frame for frame in frames}
    steps = [
        signed(by_seq[(seq + 1) % _WRAP].ms - frame.ms)
        for seq, frame in by_seq.items()
        if (seq + 1) % _WRAP in by_seq
    ]
    forward = [step for step in steps if step > 0]
    return float(np.median(forward)) if len(forward) > len(steps) / 2 else None
