"""Follow a rig's stream through its boots. Pure: all times are passed in.

A frame that comes in order, or fits a hole, is recorded at once. Whatever else a frame claims, it changes
nothing by itself: it is held apart from the rig's line, with those that fit it, until it is clear what they
are.

- The line's own backlog: it comes in faster than it was made, or catches up with the live frames.
- A new boot: the line is silent, and they are steady for 1.5 s; for 10 s, if they could be the line's own.
- A second rig of the same name: both carry on. The first keeps the line until it falls silent.
- Counters that can't be trusted: for ten seconds nothing else comes in, and nothing belongs together.

The caller must set apart what stays unsettled.
"""

from __future__ import annotations

from collections import deque
from typing import Final

from logger.rig_line.boot import LATE_OK_S, SURE, Fit, Held, Line
from logger.rig_line.came import UNKNOWN, WRAP, Begin, Came, Outcome, Verdict
from logger.rig_line.clock import RigClock
from logger.rig_line.wire import Counters

HELD: Final = 20_000
"""Most frames of one rig held in memory; older ones stay where the caller keeps them."""
KEYS: Final = 8192
"""How many frames back, at most, the very same one is recognised: 13 min at 10 Hz, at least half of that."""
QUICK_S: Final = 1.5
"""How long a line must run alone to be a new boot. [s]"""
ALONE_S: Final = 10.0
"""How long if it could be the old one. [s]"""

_GROUPS: Final = 16
_SPED_S: Final = 1.5
"""Frames that gain this much on their own clock are a backlog: jitter can't do that. [s]"""
_ALIKE_S: Final = 0.5
"""Boots kept by a broker all seem to end when it sends them; of those this close, the latest wins. [s]"""
_LIVES_S: Final = 5.0
_PONDER_S: Final = 0.1
_FORGET_S: Final = 120.0
_TOLD_AGAIN_S: Final = 600.0


class Stream:
    """Follows one rig, and counts into `counters`."""

    def __init__(self, counters: Counters) -> None:
        self.line: Line | None = None
        self.newest_s = float("-inf")
        """The newest time given. [s]"""
        self._counters = counters
        self._groups: list[Held] = []
        self._pool: deque[Came] = deque(maxlen=HELD)  # held since the line last spoke, as they came
        self._keys: dict[int, bool] = {}  # of frames lately, and whether they are recorded
        self._older_keys: dict[int, bool] = {}
        self._by_arrival = False  # whether the line's counters can't be trusted
        self._last_again: Came | None = None
        self._twins_told_s = self._pondered_s = float("-inf")

    @property
    def held(self) -> int:
        """Number of frames held in memory."""
        return sum(len(group.frames) for group in self._groups)

    def prime(self, frames: list[Came], now_s: float, clock: RigClock | None) -> None:
        """Carry on after a restart, with the restored clock.

        `frames` are the latest in the journal, in order of time; their times count as their arrivals.
        """
        for came in frames:
            if came.checksum != UNKNOWN:
                self._note(came, recorded=True)
            if self.line is not None and self.line.continues(came):
                self.line.add(came)
            else:
                self._turn_to(Line(came, self._counters, RigClock(), self.newest_s))
            self.newest_s = max(self.newest_s, came.arrival_s)
        if self.line is None:
            return
        self.line.primed = True
        self.line.alive_s = min(self.line.alive_s, now_s)
        if clock is not None:
            self.line.clock = clock
        if not self.line.clock.begun:
            self.line.clock.new(self.line.top[1] % WRAP, self.line.heard_s)

    def take(self, came: Came, begin: Begin = Begin.AT_ONCE, gathered_s: float = 0.0) -> Outcome:
        """Take a frame; `begin` says what to do if the rig has no line yet.

        `gathered_s` is how late the first frame came in, judged by those that came with it.
        """
        line = self.line
        key = came.packed
        if (recorded := self._keys.get(key, self._older_keys.get(key))) is not None:
            burst = self._comes_in_a_burst(came)
            if burst or line is None or self._by_arrival or not recorded or not line.is_due(came):
                self._counters.duplicates += 1
                return self._again(came, burst) if recorded else Outcome(Verdict.DUPLICATE)
        if line is None and begin is Begin.AT_ONCE:
            came.arrival_s -= gathered_s
            outcome = Outcome(Verdict.PLACED)
            self._begin([came], outcome)
            return outcome
        if line is None:
            return self._hold(came, begin)
        if self._by_arrival:
            return self._take_by_arrival(came, line)
        if line.fit(came) in SURE:
            return self._place(came, line)
        return self._hold(came, begin)

    def _note(self, came: Came, *, recorded: bool) -> None:
        self._keys[came.packed] = recorded
        if len(self._keys) >= KEYS // 2:
            self._keys, self._older_keys = {}, self._keys

    def _give(self, came: Came, t_s: float, outcome: Outcome) -> None:
        self.newest_s = max(self.newest_s, t_s)
        self._counters.frames += 1
        came.placed = True
        self._note(came, recorded=True)
        outcome.placed.append((came, t_s))

    def _place(self, came: Came, line: Line) -> Outcome:
        t_s = line.place(came)
        if t_s is None:
            return self._hold(came, Begin.AT_ONCE)
        outcome = Outcome(Verdict.PLACED)
        self._give(came, t_s, outcome)
        while self._pool and self._pool[0].arrival_s <= line.alive_s:
            self._pool.popleft()
        for group in list(self._groups):
            self._look_again(group, line, came.arrival_s, outcome)
        return outcome

    def _look_again(self, group: Held, line: Line, now_s: float, outcome: Outcome) -> None:
        """Look at what is held, now that the line has advanced."""
        idle_s = now_s - group.heard_s
        if self._belongs(group, line, now_s) or (idle_s > LATE_OK_S and group.fits_holes_of(line)):
            self._merge(group, line, outcome)
        elif idle_s > _FORGET_S:
            self._groups.remove(group)

    def _comes_in_a_burst(self, came: Came) -> bool:
        """Whether a broker is resending frames: the one before, on disk too, came just now."""
        before, self._last_again = self._last_again, came
        pace_ms = 0.0 if self.line is None else self.line.pace_ms
        return before is not None and came.arrival_s - before.arrival_s < 0.3 * pace_ms / 1000

    def _again(self, came: Came, burst: bool) -> Outcome:
        """Take a frame whose bytes are on disk. A restarted rig may send the same ones, but on its beat."""
        outcome = Outcome(Verdict.DUPLICATE)
        line = self.line
        if burst:
            self._groups = [group for group in self._groups if not all(one.known for one in group.frames)]
        elif line is None or self._by_arrival:
            pass
        elif line.silent(came.arrival_s, QUICK_S / 2) and line.may_have_restarted(came):
            came.known = True
            self._settle(self._join(came), came.arrival_s, outcome)
        return outcome

    def _hold(self, came: Came, begin: Begin) -> Outcome:
        outcome = Outcome(Verdict.HELD)
        group = self._join(came)
        self._note(came, recorded=False)
        self._pool.append(came)
        if begin is not Begin.NEVER:
            self._settle(group, came.arrival_s, outcome)
        if came.placed:
            outcome.verdict = Verdict.PLACED
        return outcome

    def _join(self, came: Came) -> Held:
        """Hold a frame with those that it fits best; of similar ones, the latest."""
        fitting = [group for group in self._groups if group.fit(came) in SURE and group.in_real_time(came)]
        if fitting:
            least_s = min(abs(group.delay_s(came)) for group in fitting)
            near = [group for group in fitting if abs(group.delay_s(came)) <= least_s + _ALIKE_S]
            group = max(near, key=lambda one: one.heard_s)
            group.hold(came)
            return group
        group = Held(came, self.line.pace_ms if self.line is not None else 0.0)
        if len(self._groups) >= _GROUPS:
            self._groups.remove(min(self._groups, key=lambda one: (len(one.frames) > 2, one.heard_s)))
        self._groups.append(group)
        return group

    def _settle(self, group: Held, now_s: float, outcome: Outcome) -> None:
        line = self.line
        if line is not None and self._belongs(group, line, now_s):
            self._merge(group, line, outcome)
        elif self._is_a_boot(group, line, now_s):
            self._turn(group, outcome)
        elif self._is_disorder(now_s):
            self._do_without_counters(outcome)
        elif line is not None:
            self._look_for_a_twin(group, line, now_s, outcome)
        if self.held > HELD:
            del group.frames[: len(group.frames) // 2]

    def _belongs(self, group: Held, line: Line, now_s: float) -> bool:
        """Whether these frames are the line's own."""
        first = group.first_new
        if line.fit(first) is Fit.NO:
            return False
        behind = line.at(first)[0] <= line.top[0]
        if behind and line.fit(group.frames[-1]) not in (Fit.BEHIND, Fit.LATE):
            return False
        delay_s = group.least_delay_s(line)
        if line.is_prompt(delay_s, now_s):
            return True
        if delay_s < 0:  # the host's clock was set
            return len(group.frames) >= 3 and line.silent(now_s, QUICK_S) and now_s - group.first_s >= QUICK_S
        lives = behind and now_s - line.alive_s < _LIVES_S
        return group.sped_s >= _SPED_S and (lives or not line.may_have_restarted(first))

    def _merge(self, group: Held, line: Line, outcome: Outcome) -> None:
        self._groups.remove(group)
        for came in group.frames:
            fits = not (came.known or came.placed) and line.fit(came) is not Fit.NO
            if fits and (t_s := line.place(came)) is not None:
                self._give(came, t_s, outcome)
        self._pool = deque((came for came in self._pool if not came.placed), HELD)

    def _is_a_boot(self, group: Held, line: Line | None, now_s: float) -> bool:
        if line is not None and not line.silent(now_s, QUICK_S):
            return False
        live = [came for came in group.frames if line is None or came.arrival_s > line.alive_s]
        if not group.goes_on or len(live) < (3 if group.pace_ms < 1000 else 2):
            return False
        since_s = max(group.steady_since_s, live[0].arrival_s)
        return now_s - since_s >= (ALONE_S if line is not None and self._may_be_own(group, line) else QUICK_S)

    def _may_be_own(self, group: Held, line: Line) -> bool:
        first = group.frames[0]
        started = group.looks_like_a_start() and line.may_have_restarted(first)
        return line.fit(first) is not Fit.NO and not started

    def _turn(self, group: Held, outcome: Outcome) -> None:
        """Make this the rig's line from here on; short boots before it are placed too."""
        old = self.line
        alive_s = float("-inf") if old is None else old.alive_s
        group = self._unite(group)
        kept = [came for came in group.frames if came.arrival_s > alive_s and not came.placed]
        chain = [Held.of(kept, group.pace_ms)]
        for other in [one for one in self._groups if one is not group]:
            if old is not None and other.fits_holes_of(old) and not other.fits_holes_of(chain[0]):
                self._merge(other, old, outcome)
        for other in sorted(self._groups, key=lambda one: one.first_s, reverse=True):
            sound = len(other.frames) >= 2 or other.looks_like_a_start()
            if other is group or not alive_s < other.first_s or other.heard_s > chain[0].first_s + 0.05:
                continue
            if sound and not any(came.known for came in other.frames):
                chain.insert(0, other)
                self._groups.remove(other)
        self._groups.remove(group)
        ends_s = float("inf")
        begins: list[float] = []
        for one in reversed(chain):  # as late as the next one's beginning allows
            offset_s = min(one.offset_s, ends_s - one.top[1] / 1000 - 0.05)
            ends_s = offset_s + one.first[1] / 1000
            begins.insert(0, offset_s + one.at(one.frames[0])[1] / 1000)
        for one, begin_s in zip(chain, begins, strict=True):
            one.frames[0].arrival_s = min(one.frames[0].arrival_s, begin_s)
            self._begin(one.frames, outcome)
        if old is not None:
            outcome.said += ["reboot"] * len(chain)

    def _unite(self, group: Held) -> Held:
        """Unite those that fill another's holes; return the one that now has this one's frames."""
        for one in list(self._groups):
            for other in self._groups:
                if one is other or any(came.known for came in one.frames) or not one.fits_into(other):
                    continue
                for came in one.frames:
                    if other.fit(came) is not Fit.NO:
                        other.hold(came)
                self._groups.remove(one)
                group = other if one is group else group
                break
        return group

    def _begin(self, frames: list[Came], outcome: Outcome) -> None:
        """Make a boot with these frames the rig's line."""
        drift = 0.0 if self.line is None else self.line.clock.drift
        clock = RigClock(drift, None if self.line is None else self.newest_s)
        line = Line(frames[0], self._counters, clock, self.newest_s)
        t_s = line.begin(frames[0])
        self._turn_to(line)
        self._give(frames[0], t_s, outcome)
        for came in frames[1:]:
            if line.fit(came) is not Fit.NO and (t := line.place(came)) is not None:
                self._give(came, t, outcome)
        self._pool.clear()

    def _turn_to(self, line: Line) -> None:
        self.line = line
        self._by_arrival = False

    def _is_disorder(self, now_s: float) -> bool:
        """Whether counters can't be trusted: only this rig sends, and nothing belongs together."""
        if now_s - self._pondered_s < _PONDER_S or (
            self.line is not None and not self.line.silent(now_s, ALONE_S)
        ):
            return False
        self._pondered_s = now_s
        lately: list[Came] = []
        for came in reversed(self._pool):  # frames before a silence say nothing about those after it
            if came.arrival_s < now_s - 3 * ALONE_S or (
                lately and lately[-1].arrival_s - came.arrival_s > ALONE_S
            ):
                break
            lately.append(came)
        if len(lately) < 5 or now_s - lately[-1].arrival_s < ALONE_S:
            return False
        return sum(came.hangs for came in lately) < len(lately) / 2

    def _do_without_counters(self, outcome: Outcome) -> None:
        frames = list(self._pool)
        clock = RigClock(0.0, None if self.line is None else self.newest_s)
        self._turn_to(Line(frames[0], self._counters, clock, self.newest_s))
        self._by_arrival = True
        assert self.line is not None
        for came in frames:
            self._give(came, self._arrived_s(came, self.line), outcome)
        self._pool.clear()
        self._groups.clear()
        outcome.said.append("disorder")

    def _arrived_s(self, came: Came, line: Line) -> float:
        line.alive_s = came.arrival_s
        return line.clock.new(round(came.arrival_s * 1000) % WRAP, came.arrival_s)

    def _take_by_arrival(self, came: Came, line: Line) -> Outcome:
        """Place a frame at its arrival, and check whether the counters can be trusted again."""
        outcome = Outcome(Verdict.PLACED)
        self._give(came, self._arrived_s(came, line), outcome)
        group = self._groups[0] if self._groups else None
        if group is None or group.fit(came) is not Fit.NEXT:
            self._groups = [Held(came)]
            return outcome
        group.hold(came)
        del group.frames[:-1]
        if came.arrival_s - max(group.steady_since_s, group.first_s) >= ALONE_S:
            again = Line(came, self._counters, RigClock(0.0, self.newest_s), self.newest_s)
            again.begin(came)
            self._turn_to(again)
            self._groups.clear()
        return outcome

    def _look_for_a_twin(self, group: Held, line: Line, now_s: float, outcome: Outcome) -> None:
        steady_s = now_s - max(group.steady_since_s, group.first_s)
        if line.silent(now_s, _LIVES_S) or steady_s < ALONE_S or len(group.frames) < 3:
            return
        kept = [came for came in group.frames if came.arrival_s > line.alive_s]
        group.frames[:] = kept or group.frames[-1:]
        if now_s - self._twins_told_s >= _TOLD_AGAIN_S:
            self._twins_told_s = now_s
            outcome.said.append("twins")

    def settle_idle(self, now_s: float) -> Outcome:
        """Settle what time alone can settle, when nothing more comes in."""
        outcome = Outcome(Verdict.HELD)
        line = self.line
        if line is None or self._by_arrival or not line.silent(now_s, ALONE_S):
            return outcome
        ended = [
            group
            for group in self._groups
            if len(group.frames) >= 3
            and now_s - group.heard_s >= ALONE_S
            and group.frames[-1].arrival_s > line.alive_s
            and not any(came.known for came in group.frames)
        ]
        if self._is_disorder(now_s):
            self._do_without_counters(outcome)
        elif ended:
            self._turn(max(ended, key=lambda one: one.heard_s), outcome)
        return outcome

    def forget(self, came: Came) -> None:
        """Accept a frame again that was placed but couldn't be kept, if it comes again."""
        key = came.packed
        recorded = self._older_keys.pop(key, False)
        if self._keys.pop(key, recorded) and self.line is not None:
            self.line.forget(came)
