"""Coal collapse: a part of the stack loses heat while the coals hold and the rest doesn't fall alike.

Each second every zone with pots is looked at over several spans of time, from 14 to 84 s. Had the zone gone
on as in the minute before the span, bend and all, it would be somewhere now; what it lacks of that is its
*loss*. A loss is a collapse where all of this holds:

- It is more than a zone that will lose `drop_c` within `within_s` must have lost by then. Not counted are
  several times what the others lost in the middle (raking-out, rain, dying flames take all down), several
  times the zone's own unrest, and a part of what it was hotter than the coals: what flame gave goes with the
  flame.
- It came at once: coals that fall away break a zone's course, dying flames bend it.
- The zone still loses: a gust passes, and an armload, cold wood that shades the pots, catches and lifts.
- The coals hold.

How soon that can be said depends on whether somebody feeds the fire, and there are three ways to say it:

- *Quick*: no zone has risen for longer than ever before between two armloads, and none but one of the others
  has dipped with this one, so neither wood nor wind is a likely cause. A short span is enough; not quite so
  short when nobody has fed the fire for long, as then somebody may begin to rake, which the top feels first.
- *Steady*: much is lost over half a minute and more, and the zone loses on faster than on the average of the
  span. Wood that dips the zone loses less and less by then.
- *Lasting*: over a minute and more less is asked for. An armload lifts by then.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, cast

import numpy as np

from logger.judgement.alarms import AlarmBook
from logger.judgement.rules import Condition
from logger.judgement.stages import COOLING, DRYING
from logger.judgement.trend import Bools, Course, running_mean
from logger.judgement.zones import Places, ZoneBook, ZoneCourse
from logger.plan import Plan
from logger.reading import Floats, Ints

FALL_EASES_S: Final = 120.0
"""A fall that was under way would have eased within so long. [s]"""
BEND: Final = 0.75
"""Share of a bend before the span that is thought to go on in it."""
SWING: Final = 0.04
"""Share of a second's squared swing: what of it five readings' median would let through at one a second."""
LED_C: Final = 30.0
LED_MOST_C: Final = 100.0
LED_SHARE: Final = 0.18
"""So much of what a zone was hotter than `LED_C` below the coals, `LED_MOST_C` at most, goes with flame."""
EARLY: Final = 0.08
"""Least share of the loss in the first quarter of the span: what bends down steadily has 0.06 by then."""
RISEN_C: Final = 5.0
"""A zone that has risen by more than this within `RISE_S` tells that somebody feeds the fire. [°C]"""
RISE_S: Final = 45
CALM_S: Final = 120
CALM_MOST_S: Final = 450
RHYTHM: Final = 1.2
"""Nobody feeds the fire any more when no zone has risen for so many times the longest calm between two rises
in this fire so far, between `CALM_S` and `CALM_MOST_S`. [s]"""
FIRST_CALM_S: Final = 240
"""What counts as the longest before there was any. [s]"""
HOT_C: Final = 350.0
"""The wood burns. [°C]"""
LONG_CALM_S: Final = 550
CALM_SPAN_S: Final = 24
"""After so long a calm somebody may rake; then no shorter span than this is looked at. [s]"""
ALONE: Final = 0.07
"""The others but one have dipped by no more than this share of the loss."""
QUICK_PACE: Final = 0.4
STEADY_PACE: Final = 1.1
"""Least share of its mean pace that the loss still has."""
STEADY_S: Final = 33
COALS_C: Final = 0.5
"""In spans shorter than `WOOD_S` the coals' turn down is no more than this and their own unrest. [°C]"""
SHORT_S: Final = 28
HALF_SHORT: Final = 0.2
WOOD_S: Final = 66
"""An armload's dip is at its end so long after it began. [s]"""
LASTS: Final = 0.17
LASTS_LEAST: Final = 0.02
"""Least share of the loss in the last quarter minute at `WOOD_S`, and 18 s later: by then wood lifts."""


@dataclass(frozen=True, slots=True)
class _Way:
    """How much must be lost.

    Attributes
    ----------
    drop, pace : float
        Shares of `drop_c`, and of what is lost meanwhile if that goes at an even pace.
    unrest : float
        So many times what the zone moves by itself within 12 s doesn't count.
    common : float
        Exposed places lose so many times what the others do for the same cause.
    bend : float
        So many times what a bend before the span would have come to in it.
    half : float
        Least share of the loss in the first half of the span: 0.25 where it bends, 0.5 where it breaks. In
        spans up to `SHORT_S` `HALF_SHORT` is enough: no bend comes to much in them.
    """

    drop: float
    pace: float
    unrest: float
    common: float
    bend: float
    half: float


QUICK: Final = _Way(drop=0.055, pace=0.74, unrest=4.0, common=3.8, bend=0.3, half=0.42)
STEADY: Final = _Way(drop=0.23, pace=0.0, unrest=5.0, common=3.8, bend=1.5, half=0.385)
LASTING: Final = _Way(drop=0.042, pace=0.62, unrest=6.5, common=2.2, bend=1.0, half=0.48)
_WAYS: Final = (QUICK, STEADY, LASTING)

# Smoothed over so many seconds: now, and before the span; and the spans. The longer, the smoother.
_SPANS: Final = ((4, 8, (14, 16, 18, 21, 24, 28)), (6, 8, (33, 39, 46)), (10, 12, (54, 60, 66, 72, 78, 84)))
_LONGEST: Final = 84
_TAIL: Final = 192
_QUARTER_S: Final = 15


@dataclass(frozen=True, slots=True)
class _Looks:
    """What is seen over s spans in n seconds; arrays (s, n, z), but `span_s` (s, 1)."""

    span_s: Ints
    loss_c: Floats
    half_c: Floats
    early_c: Floats
    deepest_c: Floats
    quarter_c: Floats
    bend_c: Floats
    unrest_c: Floats


@dataclass(frozen=True, slots=True)
class _Calm:
    """For how long no zone has risen, and how long that must be to tell that nobody feeds the fire; (n,)."""

    lasts_s: Ints
    needed_s: Floats


def _look(sums: Floats, unrest: Floats, now_s: int, before_s: int, spans: tuple[int, ...]) -> _Looks:
    """Look over some spans.

    Parameters
    ----------
    sums : array (`_TAIL` + n, z)
        The zones' courses, each from an arbitrary start. [°C]
    unrest : array (n + `_LONGEST`, z)
        For each second from `_LONGEST` before the first on. [°C]
    now_s, before_s : int
        Seconds that are smoothed over.
    spans : tuple of int
        [s]
    """
    n = len(sums) - _TAIL
    span = np.array(spans)[:, None]
    at = np.arange(_TAIL, _TAIL + n)[None]
    now, before = _aligned(sums, now_s), _aligned(sums, before_s)
    was = before[at - span]
    slope = np.minimum((was - before[at - span - 60]) / 60.0, 0.0)
    late = np.minimum((was - before[at - span - 30]) / 30.0, 0.0)
    bend = np.minimum((late - slope) / 15.0, 0.0)

    def lost(ago: Ints | int) -> Floats:
        age = np.broadcast_to(span - ago, span.shape)
        eased = FALL_EASES_S * (1.0 - np.exp(-age / FALL_EASES_S))
        part: Floats = now[at - ago] - was - slope * eased[:, :, None]
        return part

    loss, half, early = lost(0), lost(span // 2), lost(span - span // 4)
    return _Looks(
        span_s=span,
        loss_c=loss,
        half_c=half,
        early_c=early,
        deepest_c=np.minimum(np.minimum(loss, half), np.minimum(early, lost(span // 4))),
        quarter_c=now[at] - now[at - _QUARTER_S] - slope * _QUARTER_S,
        bend_c=BEND * 0.5 * bend * (span**2)[:, :, None],
        unrest_c=unrest[at - _TAIL + _LONGEST - span],
    )


class Collapse:
    """Watches each zone with pots for a collapse of the coals beside it.

    Parameters
    ----------
    plan : Plan
    places : Places
    """

    def __init__(self, plan: Plan, places: Places) -> None:
        z, k = len(places.zones), len(plan.probes)
        settings = plan.alarms["coal_collapse"]
        self.sums_c: Floats = np.zeros((_TAIL, z))
        self.within_c2: Floats = np.zeros((_TAIL, z))
        self.coals_c: Floats = np.zeros((_TAIL, 1))
        self.before_c: Floats = np.full(k, np.nan)
        self.seconds = 0
        self.calm_s = 0
        self.longest_calm_s = FIRST_CALM_S
        self._places = places
        self._drop_c = float(settings["drop_c"])
        self._pace = self._drop_c / float(settings["within_s"])
        self._coals_fall_c = float(settings["coals_fall_c_per_min"]) / 4.0
        # A fall shows some 4 s after it began.
        self._shortest = min(float(settings["for_s"]) + 4.0, float(_LONGEST))
        self._watched = [z for z in places.pots if not places.surface[places.members[z]].all()]

    def run(
        self, course: Course, swing_c: Floats, trusted: Floats, zones: ZoneCourse, book: ZoneBook
    ) -> None:
        """Take n seconds; `conditions` then goes through them.

        Parameters
        ----------
        course : Course
        swing_c : array (n, k)
            Between the highest and the lowest reading of each second. [°C]
        trusted : array (n, k)
        zones : ZoneCourse
        book : ZoneBook
        """
        n = len(trusted)
        medians = np.concatenate([self.before_c[None], course.median_c])
        change = np.diff(medians, axis=0)
        self.before_c = medians[-1]
        # A probe that is believed again, or no longer, must not look like a turn of its zone.
        known = trusted * ~np.isnan(change)
        zone_change = book.means(change, known)
        zone_change[np.isnan(zone_change)] = 0.0
        sums = _gone_on(self.sums_c, zone_change)
        swing = book.means(swing_c**2, trusted) / np.maximum(book.counts(trusted), 1.0)
        within = np.concatenate([self.within_c2, SWING * np.nan_to_num(swing)])
        unrest = _unrest(sums, within)
        coals, coals_c = self._coals_course(course, change, known)
        old_enough = np.arange(self.seconds + 1, self.seconds + n + 1) > _TAIL
        calm = self._calm(sums, zones.level_c)
        self.sums_c, self.coals_c = sums[n:].copy(), coals[n:].copy()
        self.within_c2 = within[n:].copy()
        self.seconds += n
        lost = np.zeros((n, len(self._places.zones)))
        if len(self._watched) >= 2 and old_enough.any():
            self._find(lost, sums, unrest, coals, coals_c, zones.level_c, calm)
            lost[~old_enough] = 0.0
        self._lost = lost.tolist()
        self._any = cast("list[bool]", np.any(lost > 0.0, axis=1).tolist())

    def conditions(self, i: int, stage: str, rate: list[float], alarms: AlarmBook) -> Iterator[Condition]:
        """Go through the zones in second i of the last `run`.

        Yields
        ------
        Condition
        """
        names, lost, some = self._places.zones, self._lost[i], self._any[i]
        meant = stage in (DRYING, COOLING)
        for z in self._watched:
            key = f"coal_collapse:{names[z]}"
            if key not in alarms.alarms and not some:
                continue
            if alarms.active(key):
                # Stands while the zone goes on falling.
                yield self._condition(z, rate[z] < -30.0 * self._pace, 0.0)
            else:
                yield self._condition(z, lost[z] > 0.0 and not meant, lost[z])

    def _condition(self, z: int, holds: bool, lost_c: float) -> Condition:
        zone = self._places.zones[z]
        words = f"{zone} has lost {lost_c:.0f} °C more than was to be expected, while the coals hold"
        return Condition("coal_collapse", zone, None, holds, 3.0, 45.0, words if lost_c else "")

    def _find(
        self,
        lost: Floats,
        sums: Floats,
        unrest: Floats,
        coals: Floats,
        coals_c: Floats,
        level_c: Floats,
        calm: _Calm,
    ) -> None:
        """Fill in what each zone has lost, each second, where that is a collapse."""
        four = _aligned(sums, 4)[_TAIL - 8 :]
        # Nothing but a probe that falls out of the stack loses so much so quickly.
        slow = four[:-8] - four[8:] < 0.12 * level_c
        good = slow & (level_c > 200.0)
        for now_s, before_s, spans in _SPANS:
            longer = tuple(s for s in spans if s >= self._shortest)
            if not longer:
                continue
            looks = _look(sums, unrest, now_s, before_s, longer)
            drop = min(way.drop for way in _WAYS) * self._drop_c
            restless = min(way.unrest for way in _WAYS) * looks.unrest_c
            likely = (
                good
                & (looks.loss_c < -(drop + restless))
                & (looks.half_c < HALF_SHORT * looks.loss_c)
                & (looks.early_c < EARLY * looks.loss_c)
            )
            places = [z for z in self._watched if likely[:, :, z].any()]
            if not places:
                continue
            hold, still = self._coals_hold(coals, coals_c, level_c, looks)
            for z in places:
                quick, lasting = self._collapsed(looks, z, level_c, coals_c, calm)
                found = likely[:, :, z] & hold & ((quick & still) | lasting)
                deepest = np.where(found, looks.loss_c[:, :, z], 0.0).min(axis=0)
                lost[:, z] = np.maximum(lost[:, z], -deepest)

    def _collapsed(
        self, looks: _Looks, z: int, level_c: Floats, coals_c: Floats, calm: _Calm
    ) -> tuple[Bools, Bools]:
        """Where the loss of zone z is too much for anything but a collapse, soon and late; arrays (s, n)."""
        span, loss = looks.span_s, looks.loss_c[:, :, z]
        pace = looks.quarter_c[:, :, z] * span / _QUARTER_S
        common, next_c = self._others(looks, z, level_c)
        led_c = level_c[:, z] - loss - coals_c + LED_C
        led_c = LED_SHARE * np.clip(np.where(np.isnan(led_c), 0.0, led_c), 0.0, LED_MOST_C)

        def much(way: _Way) -> Bools:
            least = way.drop * self._drop_c + way.pace * self._pace * span
            least = least + way.unrest * looks.unrest_c[:, :, z] + led_c
            beyond = loss - way.common * common - way.bend * looks.bend_c[:, :, z]
            half = np.where(span > SHORT_S, way.half, HALF_SHORT)
            enough: Bools = (beyond < -least) & (looks.half_c[:, :, z] < half * loss)
            return enough

        early = span < WOOD_S
        shortest = np.where(calm.lasts_s > LONG_CALM_S, CALM_SPAN_S, 0)
        unfed = (calm.lasts_s - span > calm.needed_s) & (span >= shortest) & (next_c > ALONE * loss)
        quick = early & unfed & (pace < QUICK_PACE * loss) & much(QUICK)
        steady = early & (span >= STEADY_S) & (pace < STEADY_PACE * loss) & much(STEADY)
        share = np.maximum(LASTS - (LASTS - LASTS_LEAST) / 18.0 * (span - WOOD_S), LASTS_LEAST)
        lasting = ~early & (looks.quarter_c[:, :, z] < share * loss) & much(LASTING)
        return quick | steady, lasting

    def _others(self, looks: _Looks, z: int, level_c: Floats) -> tuple[Floats, Floats]:
        """What the others lost, in the middle; how far they dipped, all but one where there are three."""
        others = [y for y in self._places.pots if y != z]
        known = ~np.isnan(level_c[:, others])
        count = known.sum(axis=1)
        loss = np.sort(np.where(known, looks.loss_c[:, :, others], np.inf), axis=2)
        rows = np.arange(len(level_c))
        middle = (
            loss[:, rows, np.maximum(count - 1, 0) // 2]
            + loss[:, rows, np.minimum(count // 2, len(others) - 1)]
        ) / 2.0
        middle = np.where(count > 0, np.minimum(middle, 0.0), 0.0)
        dips = np.sort(np.where(known, looks.deepest_c[:, :, others], np.inf), axis=2)
        dipped = np.minimum(dips[:, rows, np.where(count > 2, 1, 0)], 0.0)
        # With nobody to compare it to, a dip may be anything's.
        return middle, np.where(count > 0, dipped, -np.inf)

    def _calm(self, sums: Floats, level_c: Floats) -> _Calm:
        """How calm the fire is, each second."""
        n = len(sums) - _TAIL
        twenty = _aligned(sums, 20)
        rises = (twenty[_TAIL:] - twenty[_TAIL - RISE_S : len(twenty) - RISE_S] > RISEN_C).any(axis=1)
        at = np.arange(1, n + 1)
        last = np.maximum.accumulate(np.where(rises, at, -self.calm_s))
        before = np.concatenate([[-self.calm_s], last[:-1]])
        hot = (np.nan_to_num(level_c) > HOT_C).any(axis=1)
        ended = np.where(rises & hot, at - before, 0)
        longest = np.maximum.accumulate(np.maximum(ended, self.longest_calm_s))
        calm_s = at - last
        self.calm_s, self.longest_calm_s = int(calm_s[-1]), int(longest[-1])
        return _Calm(calm_s, np.clip(RHYTHM * longest, CALM_S, CALM_MOST_S))

    def _coals_course(self, course: Course, change: Floats, known: Floats) -> tuple[Floats, Floats]:
        """The coals' course from an arbitrary start, (`_TAIL` + n, 1); their level, NaN if nobody looks."""
        there = known[:, self._places.coals]
        count = there.sum(axis=1)
        count[count == 0.0] = np.nan
        safe = np.where(there > 0.0, course.median_c[:, self._places.coals], 0.0)
        moved = np.where(there > 0.0, change[:, self._places.coals], 0.0).sum(axis=1) / count
        sums = _gone_on(self.coals_c, np.where(np.isnan(moved), 0.0, moved)[:, None])
        return sums, safe.sum(axis=1) / count

    def _coals_hold(
        self, coals: Floats, coals_c: Floats, level_c: Floats, looks: _Looks
    ) -> tuple[Bools, Bools]:
        """Where the coals don't fall and haven't turned down much in the span; where not at all; (s, n)."""
        span = looks.span_s
        at = np.arange(_TAIL, len(coals))[None]
        now, before = _aligned(coals, 4)[:, 0], _aligned(coals, 8)[:, 0]
        course = coals[:, 0]
        falls = course[at] - course[at - _QUARTER_S] <= -self._coals_fall_c
        was = before[at - span]
        slope = np.minimum((was - before[at - span - 60]) / 60.0, 0.0)
        turn = now[at] - was - slope * span
        unrest = _unrest(coals, 0.0)[:, 0][at - _TAIL + _LONGEST - span]
        # Where nobody looks at the coals something in the stack must hold.
        quarter = np.where(np.isnan(level_c), -np.inf, looks.quarter_c)
        stack = (quarter[:, :, self._places.pots] > -self._coals_fall_c).any(axis=2)
        unseen = np.isnan(coals_c)
        hold: Bools = np.where(unseen, stack, ~falls & (turn >= -self._coals_fall_c * 4.0 / 3.0))
        still: Bools = unseen | (turn >= -(COALS_C + unrest))
        return hold, still


def _gone_on(tail: Floats, change: Floats) -> Floats:
    """A course's tail, and how it goes on."""
    steps = np.concatenate([tail[-1:], change])
    return np.concatenate([tail[:-1], np.cumsum(steps, axis=0)])


def _aligned(rows: Floats, n: int) -> Floats:
    """Running mean over n seconds up to each row; the first n - 1 rows are as they were."""
    return np.concatenate([rows[: n - 1], running_mean(rows, n)])


def _unrest(sums: Floats, within: Floats | float) -> Floats:
    """Root mean square of what is quicker than 12 s, over the minute and a half up to each second.

    Parameters
    ----------
    sums : array (`_TAIL` + n, z)
        [°C]
    within : array (`_TAIL` + n, z) or float
        What the seconds' means hide of it. [°C²]
    """
    n = len(sums) - _TAIL
    square = (sums[11:] - running_mean(sums, 12)) ** 2
    square += within if isinstance(within, float) else within[11:]
    quick = running_mean(square, 9)
    m = n + _LONGEST
    total = quick[len(quick) - m :].copy()
    for i in range(1, 10):
        total += quick[len(quick) - m - 9 * i : len(quick) - 9 * i]
    return np.sqrt(total / 10.0)
