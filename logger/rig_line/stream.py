"""Follow a rig's stream through its boots. Pure: all times are passed in.

A frame that comes in order, or fits a hole, is recorded at once. Whatever else a frame claims, it changes
nothing by itself: it is held apart from the rig's line, with those that continue it, until it is clear what
they are.

- The line's own backlog: it comes in faster than it was made, or catches up with the live frames.
- A new boot: the line is silent, and another is steady. Two seconds settle it if there is more evidence (it
  looks like a start; its clock or counter carries on; the old line had hardly begun), ten seconds always.
- A second rig of the same name: both carry on. The first keeps the line until it falls silent.
- Counters that can't be trusted: for ten seconds nothing else comes in, and nothing belongs together.

The caller must set apart what stays unsettled.
"""

from __future__ import annotations

from collections import deque
from itertools import pairwise
from typing import Final

from logger.rig_line import evidence
from logger.rig_line.boot import SWAPPED, WINDOW, Boot, Fit, Trust
from logger.rig_line.came import Came, signed
from logger.rig_line.clock import RigClock
from logger.rig_line.evidence import ALONE_S, QUICK_S
from logger.rig_line.outcome import Begin, Outcome, Verdict
from logger.rig_line.strand import Strand, beginnings, best, goes_with
from logger.rig_line.wire import Counters

HELD: Final = 20_000
"""Most frames of one rig held in memory; older ones stay where the caller keeps them."""

_STRANDS: Final = 16
_PAST: Final = 64
"""Most boots remembered, and most long ones."""
_LONG_PAST: Final = 12
_PONDER_S: Final = 0.1
_FORGET_S: Final = 120.0
_TOLD_AGAIN_S: Final = 600.0
_KEYS: Final = 8192


class Stream:
    """Follows one rig, and counts into `counters`."""

    def __init__(self, counters: Counters) -> None:
        self.boot: Boot | None = None
        self.newest_s = float("-inf")
        """The newest time given. [s]"""
        self._counters = counters
        self._past: list[Boot] = []
        self._strands: list[Strand] = []
        self._pool: deque[Came] = deque(maxlen=HELD)  # held since the line last spoke, as they came
        self._keys: dict[tuple[int, int, int], None] = {}  # of held frames
        self._shadow: Strand | None = None
        self._last_again: tuple[Boot, Came] | None = None
        self._twins_told_s = self._pondered_s = float("-inf")
        self._drift = 0.0

    @property
    def held(self) -> int:
        """Number of frames held in memory."""
        return sum(len(strand) for strand in self._strands)

    def prime(self, frames: list[Came], now_s: float, clock: RigClock | None) -> None:
        """Carry on after a restart, with the restored clock.

        `frames` are the latest in the journal, in order of time; their times count as their arrivals.
        """
        scratch = Counters()
        for came in frames:
            if self.boot is None or not self.boot.continues(came):
                self._turn_to(Boot(scratch, RigClock(), self.newest_s), came.arrival_s)
            assert self.boot is not None
            self.boot.remember(came, now_s)
            self.newest_s = max(self.newest_s, came.arrival_s)
        if self.boot is None:
            return
        for boot in (*self._past, self.boot):
            boot.count_into(self._counters)
        if clock is not None:
            self._drift, self.boot.clock = clock.drift, clock
        for boot in (*self._past, self.boot):
            boot.set_going()

    def take(self, came: Came, begin: Begin = Begin.AT_ONCE, gathered_s: float = 0.0) -> Outcome:
        """Take a frame; `begin` says what to do if the rig has no line yet.

        `gathered_s` is how late the first frame came in, judged by those that came with it.
        """
        if came.key in self._keys:
            self._counters.duplicates += 1
            return Outcome(Verdict.DUPLICATE)
        boot = self.boot
        if boot is None:
            if begin is Begin.AT_ONCE:
                outcome = Outcome(Verdict.PLACED)
                came.arrival_s -= gathered_s
                self._begin(RigClock(), [came], outcome)
                return outcome
            return self._hold(came, begin)
        fit = boot.fit(came)
        past = next((past for past in self._past if past.has(came)), None)
        if fit is Fit.SAME or past is not None:
            said_by = boot if past is None else past
            burst = self._comes_in_a_burst(said_by, came)
            if past is None or burst or not (fit is Fit.EXACT and boot.on_time(came)):
                self._last_again = said_by, came
                return self._again(came, burst)
        if fit in (Fit.EXACT, Fit.NEXT, Fit.LATE) and not evidence.is_a_rivals(came, boot, self._strands):
            return self._place(came, fit)
        strand = best(came, [s for s in self._strands if s.goes_on(came)])
        if strand is not None and strand.joined is boot and fit is Fit.BEHIND:
            strand.add(came)
            del strand.frames[:-1]  # those already placed
            if came.arrival_s - strand.steady_since_s < ALONE_S:
                return self._place(came, fit)
            strand.joined = None  # it has stopped catching up, so it isn't a backlog
            return self._hold(came, begin, strand)
        for past in self._past:
            if past.fit(came) is Fit.LATE and (t_s := past.place(came)) is not None:
                outcome = Outcome(Verdict.PLACED)
                outcome.placed.append((came, t_s))
                return outcome
        return self._hold(came, begin)

    def _comes_in_a_burst(self, said_by: Boot, came: Came) -> bool:
        """Whether a broker is resending a boot's frames: the one before came just now."""
        if self._last_again is None or self._last_again[0] is not said_by:
            return False
        before = self._last_again[1]
        soon = came.arrival_s - before.arrival_s < 0.3 * said_by.pace_ms / 1000
        return soon and 0 <= signed(came.seq - before.seq) <= SWAPPED  # 0: the same one, sent twice

    def _place(self, came: Came, fit: Fit) -> Outcome:
        boot = self.boot
        assert boot is not None
        t_s = boot.place(came)
        if t_s is None:
            return self._hold(came, Begin.AT_ONCE)
        outcome = Outcome(Verdict.PLACED)
        self._give(came, t_s, outcome)
        while self._pool and self._pool[0].arrival_s <= boot.alive_s:
            self._pool.popleft()
        if self._strands:
            self._sweep(came.arrival_s, outcome, fit is not Fit.EXACT)
        if boot.trust is not Trust.BOTH:
            self._look_for_order(came)
        return outcome

    def _give(self, came: Came, t_s: float, outcome: Outcome) -> None:
        self.newest_s = max(self.newest_s, t_s)
        came.placed = True
        self._keys.pop(came.key, None)
        outcome.placed.append((came, t_s))

    def _again(self, came: Came, burst: bool) -> Outcome:
        """Take a frame whose bytes are on disk. A restarted rig may send the same ones, but on its beat."""
        boot = self.boot
        assert boot is not None
        self._counters.duplicates += 1
        outcome = Outcome(Verdict.DUPLICATE)
        if burst:
            self._strands = [s for s in self._strands if not all(one.known for one in s.frames)]
        elif boot.silent(came.arrival_s, QUICK_S / 2) and boot.may_have_restarted(came.ms, came.arrival_s):
            came.known = True
            self._settle(self._join(came), came.arrival_s, outcome)
            if any(placed is came for placed, _ in outcome.placed):
                outcome.verdict = Verdict.PLACED
        return outcome

    def _hold(self, came: Came, begin: Begin, strand: Strand | None = None) -> Outcome:
        strand = self._join(came) if strand is None else strand
        self._keys[came.key] = None
        if len(self._keys) > _KEYS:
            del self._keys[next(iter(self._keys))]
        self._pool.append(came)
        outcome = Outcome(Verdict.HELD)
        if begin is not Begin.NEVER:
            self._settle(strand, came.arrival_s, outcome)
        if any(placed is came for placed, _ in outcome.placed):
            outcome.verdict = Verdict.PLACED
        return outcome

    def _join(self, came: Came) -> Strand:
        strand = goes_with(came, self._strands)
        if strand is None:
            strand = Strand(came, self.boot.pace_ms if self.boot is not None else 0.0)
            self._strands.append(strand)
        if len(self._strands) > _STRANDS:
            self._strands.remove(min(self._strands[:-1], key=lambda s: (len(s) > 2, s.last_s)))
        return strand

    def _settle(self, strand: Strand, now_s: float, outcome: Outcome) -> None:
        boot = self.boot
        if boot is not None and evidence.belongs(strand, boot, now_s):
            self._merge(strand, boot, outcome)
        elif self._is_a_boot(strand, now_s):
            self._turn(strand, outcome)
        elif self._is_disorder(now_s):
            self._do_without_counters(outcome)
        elif boot is not None:
            self._look_for_a_twin(strand, boot, now_s, outcome)
        if self._strands and self.held > HELD:
            strand.drop_before(strand.frames[len(strand) // 2].arrival_s)

    def _merge(self, strand: Strand, boot: Boot, outcome: Outcome) -> None:
        behind = boot.at(strand.first_new)[0] <= boot.top[0]
        for came in strand.in_order():
            if not came.known and (t_s := boot.place(came)) is not None:
                self._give(came, t_s, outcome)
        if behind:
            strand.joined = boot
            del strand.frames[:-1]
        else:
            self._strands.remove(strand)
        placed = {id(came) for came, _ in outcome.placed}
        self._pool = deque((came for came in self._pool if id(came) not in placed), HELD)

    def _is_a_boot(self, strand: Strand, now_s: float) -> bool:
        boot = self.boot
        live = [came for came in strand.frames if boot is None or came.arrival_s > boot.alive_s]
        if len(live) < (3 if strand.pace_ms < 1000 else 2):
            return False
        if boot is not None and not boot.silent(now_s, QUICK_S):
            return False
        since_s = max(strand.steady_since_s, live[0].arrival_s)
        if now_s - since_s < QUICK_S:
            return False
        if boot is None or evidence.speaks_for(strand, boot, self._strands, self._past):
            return True
        waited_s = now_s - max(boot.alive_s, self._pool[0].arrival_s if self._pool else live[0].arrival_s)
        return waited_s >= ALONE_S and boot.silent(now_s, ALONE_S)

    def _turn(self, strand: Strand, outcome: Outcome) -> None:
        """Make this strand the rig's line from here on; short boots before it are placed too."""
        old = self.boot
        alive_s = old.alive_s if old is not None else float("-inf")
        if old is not None:
            self._fill_holes_of(old, strand, outcome)
        strand.drop_before(alive_s)
        chain = strand.with_those_before(self._strands, alive_s)
        back = any(evidence.resumes(strand, past) for past in self._past)
        for one, begins_s in zip(chain, beginnings(chain), strict=True):
            if not (frames := one.in_order()):
                continue  # all of them were late frames of the boot before
            frames[0].arrival_s = min(frames[0].arrival_s, begins_s)
            self._begin(self._clock_for(one), frames, outcome)
            if one in self._strands:
                self._strands.remove(one)
            self._fill_from_the_rest(chain, outcome)
        if old is not None:
            outcome.said += ["twins"] if back else ["reboot"] * len(chain)

    def _clock_for(self, strand: Strand) -> RigClock:
        """Return the clock if it ran on through a restart, else a new one."""
        before = self.boot
        if before is None:
            return RigClock()
        self._drift = before.clock.drift
        goes_on = before.at(strand.frames[0])[1] > before.top[1]
        if before.trust is Trust.BOTH and goes_on and evidence.keeps_time(strand, before):
            return before.clock
        return RigClock(self._drift, self.newest_s)

    def _begin(
        self, clock: RigClock, frames: list[Came], outcome: Outcome, trust: Trust = Trust.BOTH
    ) -> None:
        boot = Boot(self._counters, clock, self.newest_s, trust)
        self._turn_to(boot, float("inf"))
        for i, came in enumerate(frames):
            t_s = boot.place(came)
            if t_s is None:
                continue
            if i == 0 and self._past:
                self._past[-1].ends_s = t_s
            self._give(came, t_s, outcome)
        self._pool.clear()
        self._shadow = None

    def _fill_holes_of(self, old: Boot, new: Strand, outcome: Outcome) -> None:
        """Give the old line the frames that fit its holes, except those missing from the new one."""
        for strand in [s for s in self._strands if s is not new and s.joined is None]:
            ends = strand.first_new, strand.frames[-1]
            room = old.trust is Trust.BOTH and all(old.has_room_for(came) for came in ends)
            if room and not all(new.misses(came) for came in ends):
                self._merge(strand, old, outcome)

    def _fill_from_the_rest(self, chain: list[Strand], outcome: Outcome) -> None:
        """Place frames that came too late for a strand in the boot that it became, but no later boot's."""
        boot = self.boot
        assert boot is not None
        for strand in [s for s in self._strands if s not in chain]:
            for came in strand.in_order():
                fits = boot.fit(came) in (Fit.BEHIND, Fit.LATE) and not boot.is_before_first(came)
                if fits and not came.known and (t_s := boot.place(came)) is not None:
                    self._give(came, t_s, outcome)
                    strand.frames.remove(came)
            if not strand.frames:
                self._strands.remove(strand)

    def _turn_to(self, boot: Boot, begins_s: float) -> None:
        if self.boot is not None:
            self.boot.ends_s = begins_s
            self._past.append(self.boot)
            while len(self._past) > _PAST or sum(b.room for b in self._past) > _LONG_PAST * WINDOW:
                del self._past[0]
        self.boot = boot

    def _is_disorder(self, now_s: float) -> bool:
        if now_s - self._pondered_s < _PONDER_S:
            return False
        self._pondered_s = now_s
        return evidence.is_disorder(self._pool, self.boot, now_s)

    def _do_without_counters(self, outcome: Outcome) -> None:
        frames = list(self._pool)
        ticked = sum(evidence.ticked(a, b) for a, b in pairwise(frames))
        trust = Trust.CLOCK if ticked >= 0.8 * (len(frames) - 1) else Trust.NEITHER
        drift = self._drift if trust is Trust.CLOCK else 0.0
        self._begin(RigClock(drift, self.newest_s if self.boot else None), frames, outcome, trust)
        self._strands.clear()
        outcome.said.append("disorder")

    def _look_for_order(self, came: Came) -> None:
        """Check whether counters that couldn't be trusted can be trusted again."""
        shadow = self._shadow
        if shadow is None or not shadow.goes_on(came):
            self._shadow = Strand(came)
            return
        shadow.add(came)
        del shadow.frames[:-1]
        if came.arrival_s - shadow.steady_since_s >= ALONE_S and came.arrival_s - shadow.first_s >= ALONE_S:
            boot = Boot(self._counters, RigClock(0.0, self.newest_s), self.newest_s)
            self._turn_to(boot, self.newest_s)
            boot.remember(came, came.arrival_s)
            self._counters.frames -= 1  # it was already counted when it was placed
            self._shadow = None

    def _look_for_a_twin(self, strand: Strand, boot: Boot, now_s: float, outcome: Outcome) -> None:
        both = not boot.silent(now_s, 5.0)
        steady_s = now_s - max(strand.steady_since_s, strand.first_s)
        if not both or steady_s < ALONE_S or len(strand) < 3:
            return
        strand.drop_before(boot.alive_s)
        if now_s - self._twins_told_s >= _TOLD_AGAIN_S:
            self._twins_told_s = now_s
            outcome.said.append("twins")

    def _sweep(self, now_s: float, outcome: Outcome, gap: bool) -> None:
        """Look again at what is held, now that the line has advanced."""
        boot = self.boot
        assert boot is not None
        for strand in list(self._strands):
            idle_s = now_s - strand.last_s
            if strand.joined is not None:
                if idle_s > ALONE_S:
                    self._strands.remove(strand)
                continue
            first = strand.first_new
            fits = boot.fit(first) in (Fit.BEHIND, Fit.LATE)
            if fits and (boot.misses_just(strand.frames) or (gap and evidence.belongs(strand, boot, now_s))):
                self._merge(strand, boot, outcome)
            elif idle_s > ALONE_S and fits and not boot.is_before_first(first):
                self._merge(strand, boot, outcome)
                if strand in self._strands:
                    self._strands.remove(strand)
            elif idle_s > _FORGET_S:
                self._strands.remove(strand)

    def settle_idle(self, now_s: float) -> Outcome:
        """Settle what time alone can settle, when nothing more comes in."""
        outcome = Outcome(Verdict.HELD)
        boot = self.boot
        live = [s for s in self._strands if len(s) >= 3 and s.joined is None]
        if boot is None or not live or not self._pool or not boot.silent(now_s, ALONE_S):
            return outcome
        strand = max(live, key=lambda s: s.last_s)
        if now_s - self._pool[0].arrival_s < ALONE_S or now_s - strand.last_s < QUICK_S:
            return outcome
        if strand.frames[-1].arrival_s <= boot.alive_s or any(came.known for came in strand.frames):
            return outcome
        if self._is_disorder(now_s):
            self._do_without_counters(outcome)
        else:
            self._turn(strand, outcome)
        return outcome

    def forget(self, came: Came) -> None:
        """Accept a frame again that was placed but couldn't be kept, if it comes again."""
        for boot in (self.boot, *self._past):
            if boot is not None and boot.has(came):
                boot.forget(came)
        self._keys.pop(came.key, None)
