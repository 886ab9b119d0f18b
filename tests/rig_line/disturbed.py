"""Disturbed streams of a made-up rig, with the truth, and what must hold for anything that follows them.

By hand: `python -m tests.rig_line.disturbed --streams 10000 --seed 1` prints what was made and what came of it;
`--alone` leaves out what others send in the rig's name.
"""

from __future__ import annotations

import argparse
import random
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

from logger.rig_line.came import Came, Verdict
from logger.rig_line.clock import RigClock
from logger.rig_line.stream import ALONE_S, Stream
from logger.rig_line.wire import Counters

WRAP = 2**32
QUICK_BACK_S = 2.0


@dataclass(frozen=True)
class Sent:
    """A sound frame on its way, and the truth about it."""

    seq: int
    ms: int
    checksum: int
    arrival_s: float
    made_s: float
    true: bool  # the rig's own; otherwise a twin's, or forged
    boot: int = 0


@dataclass
class Course:
    """What a rig and its surroundings do, one thing after another."""

    rng: random.Random
    hz: float = 10.0
    sent: list[Sent] = field(default_factory=list)
    now_s: float = 100.0
    seq: int = 0
    ms: float = 500.0
    boot: int = 0
    checksum: int = 0
    due_s: float = 0.0
    """From here on each new frame must be placed at once. [s]"""
    did: Counter[str] = field(default_factory=Counter)

    def run(self, seconds: float, *, lose: float = 0.0, hold_until_s: float | None = None) -> list[Sent]:
        """Let the rig make frames; each arrives a little later, or all together once a link is back."""
        made = []
        for _ in range(max(1, round(seconds * self.hz))):
            self.checksum += 1
            delay_s = min(0.4, self.rng.expovariate(1 / 0.03))
            arrival_s = self.now_s + delay_s
            if hold_until_s is not None:
                arrival_s = hold_until_s + 0.001 * len(made)
            one = Sent(
                self.seq % WRAP, int(self.ms) % WRAP, self.checksum, arrival_s, self.now_s, True, self.boot
            )
            if self.rng.random() >= lose:
                made.append(one)
            self.seq += 1
            self.ms += 1000 / self.hz
            self.now_s += 1 / self.hz
        self.sent += made
        return made

    def disturb(self, kind: str, *, slow: bool = False) -> None:
        self.did[kind] += 1
        self.settle(self.now_s, slow=slow)

    def settle(self, calm_since_s: float, *, slow: bool = False) -> None:
        allowed_s = (ALONE_S + 1.0 if slow else QUICK_BACK_S + 0.5) + 2 / self.hz
        self.due_s = max(self.due_s, calm_since_s + allowed_s)

    def restart(self, off_s: float, seq: int, ms: int, kind: str, *, slow: bool) -> None:
        self.now_s += off_s
        self.seq, self.ms, self.boot = seq, ms, self.boot + 1
        self.disturb(kind, slow=slow)

    def forge(self, seq: int, ms: int, at_s: float) -> None:
        self.checksum += 1
        self.sent.append(Sent(seq % WRAP, ms % WRAP, self.checksum, at_s, at_s, False))

    def again(self, frames: list[Sent], at_s: float) -> None:
        self.sent += [replace(one, arrival_s=at_s + 0.001 * i) for i, one in enumerate(frames)]

    def twin(self, seconds: float, seq: int, ms: int, hz: float) -> None:
        """Another rig of this name for a while; the rig itself must `run` meanwhile."""
        for i in range(round(seconds * hz)):
            self.checksum += 1
            at_s = self.now_s + i / hz
            arrival_s = at_s + min(0.4, self.rng.expovariate(1 / 0.03))
            self.sent.append(
                Sent((seq + i) % WRAP, int(ms + 1000 * i / hz) % WRAP, self.checksum, arrival_s, at_s, False)
            )

    def in_order(self) -> list[Sent]:
        return sorted(self.sent, key=lambda one: one.arrival_s)


def anywhere(rng: random.Random) -> int:
    """A number of 32 bits, as often near a wrap or near zero as anywhere."""
    return rng.choice(
        [
            rng.randrange(WRAP),
            rng.randrange(1000),
            WRAP - 1 - rng.randrange(1000),
            WRAP // 2 + rng.randrange(99),
        ]
    )


KINDS = (
    *("restart", "restart", "restart anywhere", "soft reset", "seq kept", "short boots"),
    *("loss", "late keep", "outage", "stray", "near stray", "strays", "replay", "redelivery"),
    *("twin", "twin like us", "swapped", "stall"),
)
OTHERS = ("stray", "near stray", "strays", "replay", "twin", "twin like us")
"""What no rig does by itself: forged frames, frames sent again from long ago, or a second rig."""
ALONE = tuple(kind for kind in KINDS if kind not in OTHERS)


def disturbance(course: Course, kinds: Sequence[str] = KINDS) -> None:
    """Let one thing go wrong."""
    rng = course.rng
    kind = rng.choice(kinds)
    off_s = rng.choice([0.4, 1.5, 5.0, 30.0, 400.0])
    match kind:
        case "restart":
            course.restart(off_s, 0, rng.randrange(60, 900), kind, slow=False)
        case "restart anywhere":
            course.restart(off_s, anywhere(rng), anywhere(rng), kind, slow=True)
        case "soft reset":
            course.ms += 1000 * off_s
            course.restart(off_s, 0, int(course.ms), kind, slow=False)
        case "seq kept":
            course.restart(off_s, course.seq, rng.randrange(60, 900), kind, slow=False)
        case "short boots":
            for _ in range(rng.randint(2, 5)):
                course.restart(rng.uniform(0.5, 4), anywhere(rng), anywhere(rng), kind, slow=True)
                course.run(rng.uniform(4 / course.hz, 6))
            course.restart(1.0, 0, 300, "restart", slow=False)
        case "loss":
            course.run(rng.uniform(2, 20), lose=rng.choice([0.01, 0.1, 0.5]))
            course.disturb(kind)
        case "outage":
            for _ in range(round(rng.choice([1, 15, 300]) * course.hz)):
                course.seq += 1
                course.ms += 1000 / course.hz
                course.now_s += 1 / course.hz
            course.disturb(kind)
        case "late keep":
            kept_s = rng.choice([2.0, 20.0, 200.0])
            kept = course.run(kept_s, hold_until_s=course.now_s + kept_s + rng.choice([0.0, 1.0, 8.0]))
            course.run(12.0)
            course.disturb(kind)
            course.settle(kept[-1].arrival_s)
        case "stray":
            course.forge(anywhere(rng), anywhere(rng), course.now_s)
            course.disturb(kind)
        case "near stray":
            ahead = rng.choice([1, 5, 50, 5000, -3, -200])
            course.forge(course.seq + ahead, int(course.ms) + rng.choice([1, 100, 10_000, -40]), course.now_s)
            course.disturb(kind)
        case "strays":
            for i in range(rng.randint(2, 30)):
                course.forge(anywhere(rng), anywhere(rng), course.now_s + i * 0.03)
            course.run(1.5)
            course.disturb(kind)
        case "replay":
            old = rng.sample(course.sent, min(len(course.sent), rng.randint(1, 20)))
            course.again(old, course.now_s + 0.5)
            course.run(1.0)
            course.disturb(kind)
        case "redelivery":
            course.again(sorted(course.sent[-200:], key=lambda one: one.made_s), course.now_s)
            course.disturb(kind)
        case "twin":
            seconds = rng.uniform(1, 30)
            course.twin(seconds, anywhere(rng), anywhere(rng), rng.choice([1.0, 2.0, 10.0]))
            course.run(seconds + 0.6)
            course.disturb(kind, slow=True)  # it may have been taken for the rig when that had just restarted
        case "twin like us":
            seconds = rng.uniform(1, 30)
            course.twin(seconds, rng.randrange(100), rng.randrange(9000), course.hz)
            course.run(seconds + 0.6)
            course.disturb(kind, slow=True)  # it may have been taken for the rig when that had just restarted
        case "swapped":
            last = course.run(3.0)
            del course.sent[-len(last) :]
            course.sent += [replace(one, arrival_s=one.arrival_s + rng.choice([0, 0, 0.5])) for one in last]
            course.disturb(kind)
        case "stall":
            stall_s = rng.uniform(0.5, 8)
            course.run(stall_s, hold_until_s=course.now_s + stall_s)
            course.disturb(kind)


def disturbed(rng: random.Random, kinds: Sequence[str] = KINDS) -> Course:
    """Make a stream: calm, then up to eight disturbances with little or much calm between, then calm."""
    course = Course(rng, hz=rng.choice([1.0, 2.0, 10.0]))
    course.seq, course.ms = rng.choice([(0, 500), (anywhere(rng), anywhere(rng))])
    course.run(rng.uniform(1, 30) + 3 / course.hz)
    for _ in range(rng.randint(1, 8)):
        disturbance(course, kinds)
        course.run(rng.choice([0.5, 3, 12, 30]))
    course.run(20.0)
    return course


@dataclass
class Followed:
    """What became of a stream."""

    placed: list[tuple[Sent, float]]
    apart: dict[int, Sent]
    at_once: set[int]
    said: list[str]
    starts: int
    starts_s: list[float] = field(default_factory=list)


def follow(course: Course, restarts: int = 0) -> Followed:
    """Follow a stream as the logger does; the logger may be restarted meanwhile."""
    frames = course.in_order()
    cuts = sorted(course.rng.sample(range(1, len(frames)), min(restarts, len(frames) - 1)))
    stream = Stream(Counters())
    found = Followed([], {}, set(), [], 1)
    for i, one in enumerate(frames):
        if i in cuts:
            stream = started_again(found, one.arrival_s)
            found.starts_s.append(one.arrival_s)
        came = Came(one.seq, one.ms, one.arrival_s, one.checksum, one)
        outcome = stream.take(came)
        if outcome.verdict is Verdict.HELD:
            came.apart = 1
            found.apart[one.checksum] = one
        elif outcome.verdict is Verdict.PLACED:
            found.at_once.add(one.checksum)
        else:
            known = {sent.checksum for sent, _ in found.placed}
            assert one.checksum in known or one.checksum in found.apart, "dropped, and on disk nowhere"
        record(found, outcome.placed)
        found.said += outcome.said
    last_s = frames[-1].arrival_s
    for later_s in (2.0, 11.0, 30.0):
        record(found, stream.settle_idle(last_s + later_s).placed)
    return found


def record(found: Followed, placed: list[tuple[Came, float]]) -> None:
    for came, t_s in placed:
        assert came.known or came.apart is None or came.what.checksum in found.apart
        found.apart.pop(came.what.checksum, None)
        found.placed.append((came.what, t_s))


def started_again(found: Followed, now_s: float) -> Stream:
    """What the journal returns: the frames of the last minutes, and what is set apart."""
    found.starts += 1
    stream = Stream(Counters())
    rows = sorted(((t_s, sent) for sent, t_s in found.placed), key=lambda row: row[0])
    stream.prime(
        [Came(sent.seq, sent.ms, t_s, sent.checksum, sent) for t_s, sent in rows[-9000:]],
        now_s,
        RigClock(0.0, rows[-1][0]) if rows else None,
    )
    for sent in sorted(found.apart.values(), key=lambda one: one.arrival_s):
        if sent.arrival_s > now_s - 900:
            record(
                found,
                stream.take(Came(sent.seq, sent.ms, sent.arrival_s, sent.checksum, sent, apart=1)).placed,
            )
    return stream


def faults(course: Course, found: Followed) -> list[str]:
    """What is wrong with a stream and what became of it."""
    wrong = []
    sent = {one.checksum: one for one in course.sent}
    placed = Counter(one.checksum for one, _ in found.placed)
    if lost := set(sent) - set(placed) - set(found.apart):
        wrong.append(f"{len(lost)} lost")
    if twice := [n for n, times in placed.items() if times > 1]:
        wrong.append(f"{len(twice)} twice")
    if both := set(placed) & set(found.apart):
        wrong.append(f"{len(both)} recorded and set apart")
    ours = sorted(((one.made_s, t_s) for one, t_s in found.placed if one.true))
    if back := sum(b <= a for (_, a), (_, b) in pairwise(ours)):
        wrong.append(f"{back} out of order")
    if off := [round(t_s - made_s, 1) for made_s, t_s in ours if abs(t_s - made_s) > 3.0]:
        wrong.append(f"{len(off)} misplaced, by {min(off)} to {max(off)} s")
    calm = [one for one in course.sent if one.true and one.made_s > course.due_s]
    if late := sum(one.checksum not in found.at_once for one in calm):
        wrong.append(f"{late} not at once after {course.due_s:.1f} s")
    return wrong


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--streams", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--restarts", type=int, default=0)
    parser.add_argument("--show", type=int, default=8)
    parser.add_argument("--alone", action="store_true")
    options = parser.parse_args()
    did: Counter[str] = Counter()
    wrong: Counter[str] = Counter()
    frames = apart = true = true_apart = starts = 0
    for number in range(options.seed * 1_000_000, options.seed * 1_000_000 + options.streams):
        course = disturbed(random.Random(number), ALONE if options.alone else KINDS)
        found = follow(course, course.rng.randint(0, options.restarts))
        did += course.did
        frames += len({one.checksum for one in course.sent})
        true += len({one.checksum for one in course.sent if one.true})
        apart += len(found.apart)
        true_apart += sum(one.true for one in found.apart.values())
        starts += found.starts - 1
        if said := faults(course, found):
            wrong[said[0].split(" ", 1)[1][:12]] += 1
            if sum(wrong.values()) <= options.show:
                print(number, dict(course.did), course.hz, said)
    print(f"{options.streams} streams, {starts} starts again, {frames} frames ({true} the rig's own)")
    print(f"set apart: {apart}, the rig's own among them {true_apart}")
    print("disturbances:", ", ".join(f"{n} {kind}" for kind, n in sorted(did.items())))
    print("wrong:", dict(wrong) or "nothing")


if __name__ == "__main__":
    main()
