"""Where a rule's conditions hold, second by second."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import partial

import numpy as np

from logger.judgement.alarms import LOAD, AlarmBook, Condition
from logger.judgement.rows import Bools
from logger.reading import Floats


class Held:
    """Where some rules' conditions hold over n seconds, at m places: rule, zone and probe each.

    `holds` (n, m); `stays` (n, m), the same with the deadband, while its alarm is up; `for_s`, how long it
    must hold, by second and place or for all; `words` of a second and a place. Where it isn't `known` (n,)
    nothing changes.
    """

    def __init__(
        self,
        places: Sequence[tuple[str, str | None, str | None]],
        holds: Bools,
        stays: Bools,
        for_s: Floats | float,
        off_s: float,
        words: Callable[[int, int], str],
        known: Bools | None = None,
    ) -> None:
        self._places, self._words = places, words
        self._keys = [f"{rule}:{probe or zone or LOAD}" for rule, zone, probe in places]
        self._holds, self._stays, self._known = holds, stays, known
        self._for_s, self._off_s = np.broadcast_to(for_s, holds.shape), off_s
        self._some: list[bool] = (holds.sum(axis=1) > 0).tolist()
        self._rules = {rule for rule, _, _ in places}

    def conditions(
        self, i: int, alarms: AlarmBook, up: set[str], *, raises: bool = True, keeps: bool = True
    ) -> Iterator[Condition]:
        """Yield those that hold in second i, and those whose alarm may be up.

        `up` are the rules of such alarms. None holds anew unless it `raises`, or still unless it `keeps`.
        """
        if not (self._some[i] or not up.isdisjoint(self._rules)):
            return
        if self._known is not None and not self._known[i]:
            return
        for m, key in enumerate(self._keys):
            alarm = alarms.alarms.get(key)
            active = alarm is not None and alarm.active
            holds = bool(keeps and self._stays[i, m] if active else raises and self._holds[i, m])
            if holds or alarm is not None:
                words, for_s = partial(self._words, i, m), float(self._for_s[i, m])
                yield Condition(*self._places[m], holds, for_s, self._off_s, words)
