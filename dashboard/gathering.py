"""Gathers what is known of stored firings for the rooms that tell of them, and keeps what took long."""

from __future__ import annotations

import asyncio
import contextlib
from collections import OrderedDict
from dataclasses import asdict
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

from dashboard.apart import Apart
from logger.facts import Fact
from logger.journal.reader import FiringInfo, JournalReader, Traces
from logger.levels import decimate, smoothed
from logger.report.gather import Gathered, gather

KEPT: Final = 24
LINE_POINTS: Final = 700
"""Points of one zone's line; six firings are laid over one another."""
TRACE_POINTS: Final = 900


class Gathering:
    """What is known of firings. The rehearsal, which takes seconds, runs in a process of its own and is kept.

    Parameters
    ----------
    journal_path : Path
    """

    def __init__(self, journal_path: Path) -> None:
        self._path = journal_path
        self._apart = Apart()
        self._turn = asyncio.Lock()
        self._rehearsals: OrderedDict[tuple[Any, ...], dict[str, Any]] = OrderedDict()

    async def known(self, firing: str) -> tuple[Gathered, Traces]:
        """Gather what is known of a firing, with its thinned traces.

        Parameters
        ----------
        firing : str
            Its ID.

        Returns
        -------
        Gathered
        Traces

        Raises
        ------
        UserError
            There is no such firing.
        """
        info = await asyncio.to_thread(self.firing, firing)
        key = (info.id, info.readings, info.late, info.plan_toml)
        async with self._turn:  # two that ask at once for the same need only one rehearsal
            rehearsal = self._rehearsals.get(key)
            if rehearsal is None:
                rehearsal = await self._apart.run("rehearse", journal=str(self._path), firing=info.id)
                self._rehearsals[key] = rehearsal
                while len(self._rehearsals) > KEPT:
                    self._rehearsals.popitem(last=False)
            self._rehearsals.move_to_end(key)
        return await asyncio.to_thread(self._gather, info.id, rehearsal)

    def firing(self, firing: str) -> FiringInfo:
        """Find a firing.

        Parameters
        ----------
        firing : str
            Its ID, or `last`.

        Returns
        -------
        FiringInfo
        """
        with contextlib.closing(JournalReader(self._path)) as reader:
            return reader.firing(firing)

    def _gather(self, firing: str, rehearsal: dict[str, Any]) -> tuple[Gathered, Traces]:
        with contextlib.closing(JournalReader(self._path)) as reader:
            info = reader.firing(firing)
            return gather(reader, info, rehearsal), reader.history(info.id, TRACE_POINTS)


@lru_cache(maxsize=4)
def gathering(journal_path: Path) -> Gathering:
    """Give the gathering of a journal, the same to every room.

    Parameters
    ----------
    journal_path : Path

    Returns
    -------
    Gathering
    """
    return Gathering(journal_path)


def told(known: Gathered) -> dict[str, Any]:
    """Say of a firing what the page shows.

    Parameters
    ----------
    known : Gathered

    Returns
    -------
    dict
        JSON. `lines` has a line for each zone, and for `coldest` and `hottest` of the zones with pots: means
        over half a minute, thinned so that peaks stay; times from the first reading.
    """
    info, levels = known.info, known.levels
    lines = {}
    if len(levels.t_s):
        zones = smoothed(levels.level_c, levels.step_s)
        coldest, hottest = (smoothed(c[:, None], levels.step_s) for c in (levels.coldest(), levels.hottest()))
        lines = {
            "zones": {zone: _line(levels.t_s, zones[:, z]) for z, zone in enumerate(levels.zones)},
            "coldest": _line(levels.t_s, coldest[:, 0]),
            "hottest": _line(levels.t_s, hottest[:, 0]),
        }
    return {
        "firing": {
            "id": info.id,
            "title": info.title,
            "started_s": info.started_us / 1e6,
            "time_known": info.facts.get("time_known", True) is not False,
            "length_s": ((info.last_us or info.started_us) - info.started_us) / 1e6,
            "running": info.running,
            "invented": info.invented,
            "readings": info.readings,
            "target_c": known.plan.target_c,
            "burnout_c": known.plan.burnout_c,
            "soak_min": known.plan.soak_min,
        },
        "lit": asdict(known.lit),
        "zones": [{"zone": zone, "pots": pots} for zone, pots in zip(levels.zones, levels.pots, strict=True)],
        "lines": lines,
        "live": known.live,
        "alarms": known.alarms,
        "facts": [fact_data(fact) for fact in known.facts],
    }


def fact_data(fact: Fact) -> dict[str, Any]:
    """Give a fact as JSON.

    Parameters
    ----------
    fact : Fact

    Returns
    -------
    dict
    """
    return {
        **asdict(fact),
        "value": None if fact.value is None else round(fact.value, 3),
        "at_s": None if fact.at_s is None else round(fact.at_s, 1),
    }


def _line(t_s: Any, value_c: Any) -> dict[str, list[float | None]]:
    t, c = decimate(t_s, value_c, LINE_POINTS)
    return {
        "t": [round(x, 1) for x in t.tolist()],
        "c": [None if x != x else round(x, 1) for x in c.tolist()],
    }
