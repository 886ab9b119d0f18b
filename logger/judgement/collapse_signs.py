"""What tells a coal collapse from all else that cools a zone: the signs that are weighed, as numbers.

A careful watcher compares: how the zone went these three minutes, whether it turned at once or bent, what the
others did meanwhile, whether the coals hold, how much it flickers (flame is there), for how long nobody has
laid wood, and whether the probe is quick or sits in a wall. Dying flames cool the air sooner than the walls,
and take the others' flicker away too. `signs` puts the same into a row for each second.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.reading import Floats, Ints

TAIL: Final = 192
"""So many seconds before the first are looked back on."""
LAGS_S: Final = (4, 8, 12, 16, 20, 24, 30, 36, 42, 50, 60, 75, 90, 120, 150, 180)
SPANS_S: Final = (16, 30, 50, 80)
FAR_S: Final = (12, 30, 60, 120)
APART_S: Final = (16, 30, 60, 120)
BEFORE_S: Final = 60
LATELY_S: Final = 25
UNREST_AGO_S: Final = (0, 30, 60, 90)
CHANGED_S: Final = 40
DEEPEST_AGO_S: Final = 100
EASED_C: Final = 10.0
"""Differences count in proportion up to here, and then less and less. [°C]"""
LEVEL_C: Final = 600.0
CALM_MOST_S: Final = 900.0


@dataclass(frozen=True, slots=True)
class Scene:
    """n seconds of a fire with z zones; courses begin `TAIL` seconds earlier, each from an arbitrary start.

    Attributes
    ----------
    course_c : array (`TAIL` + n, z)
        Means over five seconds. [°C]
    coals_course_c : array (`TAIL` + n,)
        [°C]
    apart_course_c : array (`TAIL` + n, z)
        Probes in the air less those at walls, in zones with both. [°C]
    coals_c : array (n,)
        NaN where nobody looks at the coals. [°C]
    level_c : array (n, z)
        NaN where a zone has no believable probe. [°C]
    unrest_c : array (4, n, z)
        What each zone moves by itself within seconds, `UNREST_AGO_S` ago. [°C]
    rise_c : array (n, z)
        How far each zone rose within 45 s. [°C]
    calm_s, longest_calm_s : array (n,)
        Since a zone rose; the longest between two rises so far. [s]
    deepest_c : array (n, z)
        What each zone lacked at the most, over 24 s, until `DEEPEST_AGO_S` ago: so deep do this fire's
        armloads and gusts dip it. [°C]
    peak_c : array (n, z)
        The hottest each zone has been. [°C]
    end : array (z,)
        1 for the top of the stack, -1 for its bottom, else 0.
    walls, count, changed : array (n, z)
        Share of believed probes that read a wall; how many are believed; how many more than `CHANGED_S` ago.
    """

    course_c: Floats
    coals_course_c: Floats
    apart_course_c: Floats
    coals_c: Floats
    level_c: Floats
    unrest_c: Floats
    rise_c: Floats
    calm_s: Ints
    longest_calm_s: Ints
    deepest_c: Floats
    peak_c: Floats
    end: Floats
    walls: Floats
    count: Floats
    changed: Floats


def falls_c(course_c: Floats) -> Floats:
    """What zones lack of going on as before: lately over 16 s, a minute over 24 s, a minute over a minute.

    Parameters
    ----------
    course_c : array (`TAIL` + n, z)

    Returns
    -------
    array (3, n, z)
        Negative where something is lacking. [°C]
    """
    now, ago_16, ago_60 = (_ago(course_c, s) for s in (0, 16, 60))
    short = now - ago_16 - (ago_16 - _ago(course_c, 16 + LATELY_S)) / LATELY_S * 16
    long = now - ago_60 - np.minimum(ago_60 - _ago(course_c, 60 + BEFORE_S), 0.0)
    return np.stack([short, fall_c(course_c, 0), long])


def fall_c(course_c: Floats, ago_s: int) -> Floats:
    """What zones lacked of going on as in the minute before, over 24 s.

    Parameters
    ----------
    course_c : array (`TAIL` + n, z)
    ago_s : int
        At most `DEEPEST_AGO_S`. [s]

    Returns
    -------
    array (n, z)
        [°C]
    """
    now, was = _ago(course_c, ago_s), _ago(course_c, ago_s + 24)
    falling = np.minimum(was - _ago(course_c, ago_s + 24 + BEFORE_S), 0.0) / BEFORE_S * 24
    fall: Floats = now - was - falling
    return fall


def _ago(course_c: Floats, s: int) -> Floats:
    return course_c[TAIL - s : len(course_c) - s]


def signs(scene: Scene, z: int, others: list[int], seconds: Ints, scale: float) -> Floats:
    """Put what is to be seen of a zone into numbers of about one.

    Parameters
    ----------
    scene : Scene
    z : int
        The zone.
    others : list of int
        The other zones with pots, one or more.
    seconds : array (m,)
        Which of the scene's seconds to look at.
    scale : float
        Changes of temperature are multiplied by it.

    Returns
    -------
    array (m, signs)
    """
    known = ~np.isnan(scene.level_c[seconds][:, others])
    count = known.sum(axis=1)
    rows, at = np.arange(len(seconds)), seconds + TAIL

    def spread(values: Floats) -> list[Floats]:
        """Least, middle and most of the others; 0 where there is none."""
        ordered = np.sort(np.where(known, values, np.inf), axis=1)
        low = ordered[rows, np.maximum(count - 1, 0) // 2]
        high = ordered[rows, np.minimum(count // 2, len(others) - 1)]
        ends = (ordered[:, 0], (low + high) / 2.0, ordered[rows, np.maximum(count - 1, 0)])
        return [np.where(count > 0, end, 0.0) for end in ends]

    now = scene.course_c[at]
    seen = [now[:, z] - scene.course_c[at - lag, z] for lag in LAGS_S]
    for span in SPANS_S:
        was = scene.course_c[at - span]
        before = min(BEFORE_S, TAIL - 10 - span)
        falling = np.minimum((was - scene.course_c[at - span - before]) / before, 0.0) * span
        lately = (was - scene.course_c[at - span - LATELY_S]) / LATELY_S * span
        for loss in (now - was - falling, now - was - lately):
            seen += [loss[:, z], *spread(loss[:, others])]
    for lag in FAR_S:
        seen += spread((now - scene.course_c[at - lag])[:, others])
    seen += [scene.coals_course_c[at] - scene.coals_course_c[at - lag] for lag in FAR_S]
    seen += [scene.apart_course_c[at, z] - scene.apart_course_c[at - lag, z] for lag in APART_S]
    level_c, coals_c = scene.level_c[seconds], scene.coals_c[seconds]
    unseen = np.isnan(coals_c)
    own_c = level_c[:, z]
    _, rise_c, most_c = spread(scene.rise_c[seconds][:, others])
    deepest_c = scene.deepest_c[seconds]
    seen += [scene.rise_c[seconds, z], rise_c, most_c, deepest_c[:, z], deepest_c.min(axis=1)]
    changes = scale * np.stack(seen, axis=1)
    coldest, _, hottest = spread(level_c[:, others] - own_c[:, None])
    below_c = scene.peak_c[seconds] - level_c
    _, others_below_c, _ = spread(below_c[:, others])
    over_coals_c = np.where(unseen, 0.0, own_c - coals_c)
    levels = [over_coals_c, own_c - LEVEL_C, coldest, hottest, below_c[:, z], others_below_c]
    unrest_c = list(scene.unrest_c[:, seconds, z])
    unrest_c += [spread(ago[seconds][:, others])[1] for ago in scene.unrest_c]
    rest = [
        np.minimum(scene.calm_s[seconds], CALM_MOST_S) / 200.0,
        np.minimum(scene.longest_calm_s[seconds], CALM_MOST_S) / 200.0,
        unseen.astype(float),
        scene.walls[seconds, z],
        np.minimum(scene.count[seconds, z], 3.0),
        np.minimum(count, 3).astype(float),
        scene.changed[seconds, z],
        np.full(len(seconds), scene.end[z]),
    ]
    return np.concatenate(
        [
            np.arcsinh(changes / EASED_C),
            np.arcsinh(np.stack(levels, axis=1) / EASED_C),
            np.log(scale * np.stack(unrest_c, axis=1) + 0.3),
            np.stack(rest, axis=1),
        ],
        axis=1,
    )
