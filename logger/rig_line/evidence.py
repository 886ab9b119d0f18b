"""Judge frames that can't be placed yet: the line's own, a new boot's, a rival's, or disorder. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

from logger.rig_line.boot import LATE_OK_S, SWAPPED, Boot, Fit, Trust
from logger.rig_line.came import Came
from logger.rig_line.strand import ALIKE_S, Strand

QUICK_S: Final = 1.5
"""How long a line must run alone to be a new boot, if there is other evidence. [s]"""
ALONE_S: Final = 10.0
"""How long if there is none. [s]"""
_SPED_S: Final = 1.5
"""Frames that gain this much on their own clock are a backlog: jitter can't do that. [s]"""
_SOON_MS: Final = 3_600_000
"""A rig back on the beat after a hole this long is the same one, even if the host's clock was set. [ms]"""


def belongs(strand: Strand, boot: Boot, now_s: float) -> bool:
    """Whether these frames are the line's own."""
    first = strand.first_new
    if boot.trust is not Trust.BOTH or boot.fit(first) is Fit.NO:
        return False
    at = boot.at(first)
    restarted = boot.may_have_restarted(first.ms, first.arrival_s)
    delay_s = _least_s(strand, boot)
    caught_up = boot.earliest_s(now_s) <= delay_s <= LATE_OK_S
    if at[0] <= boot.top[0]:
        if any(boot.fit(came) not in (Fit.BEHIND, Fit.LATE) for came in (first, strand.frames[-1])):
            return False
        lives = now_s - boot.alive_s < 5.0
        return caught_up or (strand.sped_s >= _SPED_S and (lives or not restarted))
    if at[1] <= boot.top[1] or not boot.keeps_pace(at):
        return False
    soon = boot.primed and at[1] - boot.top[1] < _SOON_MS  # the host's clock may have been set since
    made = soon or boot.earliest_s(now_s) <= delay_s  # not from the future
    if caught_up or (strand.sped_s >= _SPED_S and not restarted and made):
        return True
    steady = len(strand) >= 3 and boot.silent(now_s, QUICK_S) and now_s - strand.first_s >= QUICK_S
    soon = soon or at[0] - boot.top[0] <= SWAPPED
    return delay_s < 0 and soon and boot.on_beat(at) and steady


def speaks_for(strand: Strand, boot: Boot, strands: Sequence[Strand], past: Sequence[Boot]) -> bool:
    """Whether more than time speaks for the rig's own new boot, or its line as it was."""
    if boot.count <= 2 or boot.trust is not Trust.BOTH:
        return True
    first = strand.frames[0]
    if strand.looks_like_a_start() and boot.may_have_restarted(first.ms, first.arrival_s):
        return True
    at = boot.at(first)
    if at[1] > boot.top[1] and keeps_time(strand, boot):
        return True
    short = sum(
        len(s) for s in strands if boot.alive_s < s.first_s and s.last_s <= strand.first_s
    )  # boots in between, too short to be recognised
    if 0 < at[0] - boot.top[0] <= 3 + short:
        return True
    return any(resumes(strand, one) for one in past)


def resumes(strand: Strand, past: Boot) -> bool:
    """Whether an earlier boot carries on here, by its own clock."""
    at = past.at(strand.frames[0])
    ahead = at[0] > past.top[0] and at[1] > past.top[1] and past.keeps_pace(at)
    return ahead and keeps_time(strand, past)


def is_a_rivals(came: Came, boot: Boot, strands: Sequence[Strand]) -> bool:
    """Whether a frame only looks like the line's, but fits something else better that can't be the line's."""
    delay_s = boot.delay_s(boot.at(came)[1], came.arrival_s)
    if not strands or boot.trust is not Trust.BOTH or delay_s < ALIKE_S:
        return False
    return any(
        s.joined is None
        and (s.goes_on(came) or (len(s) >= 3 and s.takes(came)))
        and s.off_s(came) + ALIKE_S / 2 < delay_s
        and boot.fit(s.first_new) is Fit.NO
        for s in strands
    )


def is_disorder(pool: Iterable[Came], boot: Boot | None, now_s: float) -> bool:
    """Whether counters can't be trusted: only this rig sends, and nothing belongs together."""
    lately: list[Came] = []
    for came in pool:
        if lately and came.arrival_s - lately[-1].arrival_s > ALONE_S:
            lately.clear()  # frames before a silence say nothing about those after it
        if came.arrival_s > now_s - 3 * ALONE_S:
            lately.append(came)
    if len(lately) < 5 or now_s - lately[0].arrival_s < ALONE_S:
        return False
    if boot is not None and not boot.silent(now_s, ALONE_S):
        return False
    return sum(came.hangs for came in lately) < len(lately) / 2


def _least_s(strand: Strand, boot: Boot) -> float:
    """Least delay of these frames, in seconds, if they are from the boot."""
    first = strand.first_new  # half a wrap ahead, the last one could seem to be behind
    at_ms = boot.at(first)[1]
    return boot.delay_s(at_ms, strand.offset_s + strand.at(first)[1] / 1000)


def keeps_time(strand: Strand, boot: Boot) -> bool:
    """Whether these frames were made by the boot's own clock."""
    return boot.earliest_s(strand.last_s) <= _least_s(strand, boot) <= LATE_OK_S


def ticked(before: Came, came: Came) -> bool:
    """Whether a rig's clock kept pace with time, give or take a second."""
    ran_s = ((came.ms - before.ms) % 2**32) / 1000
    return ran_s > 0 and abs(ran_s - (came.arrival_s - before.arrival_s)) < 1.0
