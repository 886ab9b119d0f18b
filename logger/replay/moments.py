"""A stored firing judged from its beginning, and what was to be said at each moment of it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from msgspec.structs import replace

from logger.judgement.verdicts import ZoneVerdict
from logger.replay.judging import Judging
from logger.words.said import Said

if TYPE_CHECKING:
    from logger.journal.reader import JournalReader
    from logger.journal.rows import FiringInfo
    from logger.judgement.verdicts import LoadVerdict
    from logger.plan import Plan

STEPS_S: Final = (5, 10, 20, 30, 60)
MOST_MOMENTS: Final = 2000
"""A firing's moments lie 5 s apart, farther where it would have more than so many."""
FORECAST_S: Final = 60.0
MOST_FORECASTS: Final = 120
"""What comes is forecast once a minute, seldomer in a long firing: each forecast costs some milliseconds."""

_NUMBERS: Final = ("level_c", "rate_c_per_min", "peak_c", "above_burnout_s", "soak_s")


class Moments:
    """Verdicts over time, by column, each text once."""

    def __init__(self, zones: tuple[str, ...]) -> None:
        self._words: dict[str, int] = {}
        self._parts: dict[str, list[Any]] = {}
        self._t_s: list[float] = []
        self._load: dict[str, list[int]] = {"line": [], "stage": []}
        self._zones: dict[str, dict[str, list[Any]]] = {
            zone: {name: [] for name in (*_NUMBERS, "missing", "ahead", "faulty")} for zone in zones
        }
        self._coals: set[str] = set()
        self._forecasts: list[dict[str, Any]] = []

    def add(self, t_s: float, verdict: LoadVerdict, *, ahead: bool) -> None:
        """Take the verdict of a moment; without forecasts in it those of the moment before hold on."""
        self._t_s.append(t_s)
        self._load["line"].append(self._word(verdict.line))
        self._load["stage"].append(self._word(verdict.stage))
        for zone in verdict.zones:
            self._add_zone(zone, ahead)
        if ahead:
            self._add_forecast(t_s, verdict)

    def _add_forecast(self, t_s: float, verdict: LoadVerdict) -> None:
        """Keep what was to come of the coldest zone, as it is drawn beside the fire."""
        coldest = next((zone for zone in verdict.zones if zone.zone == verdict.coldest), None)
        kept: dict[str, Any] = {"t_s": t_s, "zone": None}
        if coldest is not None and coldest.forecast is not None:
            kept |= {"zone": coldest.zone, "at_s": coldest.forecast.at_s, "ahead_s": coldest.forecast.ahead_s}
            for name in ("low_c", "middle_c", "high_c"):
                kept[name] = [round(c) for c in getattr(coldest.forecast, name)]
        self._forecasts.append(kept)

    def _add_zone(self, zone: ZoneVerdict, ahead: bool) -> None:
        kept = self._zones[zone.zone]
        for name in _NUMBERS:
            kept[name].append(getattr(zone, name))
        kept["missing"].append(self._word(zone.missing))
        if ahead:
            kept["ahead"].append(self._word(zone.forecast.words if zone.forecast else ""))
        else:
            kept["ahead"].append(kept["ahead"][-1] if kept["ahead"] else self._word(""))
        kept["faulty"].append(zone.faulty)
        if zone.coals:
            self._coals.add(zone.zone)

    def data(self) -> dict[str, Any]:
        """Give them for programs, as JSON.

        `t_s`; `line` and `stage`, as numbers of `words`; `parts`, of those words that have temperatures in
        them (`logger.words.said`), by their number; `zones`, each with its columns, `missing` and
        `ahead` (what was forecast then) as numbers of `words`; `forecasts`, each with its `t_s` and, where
        the coldest zone had one, `zone`, `at_s`, `ahead_s`, `low_c`, `middle_c`, `high_c`.
        """
        return {
            "t_s": self._t_s,
            **self._load,
            "words": list(self._words),
            "parts": self._parts,
            "zones": [
                {"zone": zone, "coals": zone in self._coals, **columns}
                for zone, columns in self._zones.items()
            ],
            "forecasts": self._forecasts,
        }

    def _word(self, text: str) -> int:
        number = self._words.setdefault(str(text), len(self._words))
        if isinstance(text, Said):
            self._parts[str(number)] = text.plain()  # a key as JSON has it
        return number


def judged(reader: JournalReader, firing: FiringInfo, plan: Plan | None = None) -> dict[str, Any]:
    """Judge a stored firing from its beginning, as a rehearsal does, and keep what was said when.

    Gives JSON as `judging.rehearse` does, and `moments` as of `Moments.data`.
    """
    judging = Judging.of_stored(firing, plan)
    duration_s = firing.length_s
    step_s = next((s for s in STEPS_S if duration_s / s <= MOST_MOMENTS), STEPS_S[-1])
    moments = Moments(judging.plan.zones)
    events = []
    due_s = 0.0
    for until_us, said in judging.replay_in_steps(reader, firing.id, None, step_s * 1_000_000):
        events += said
        t_s = min(judging.seconds(until_us), duration_s)
        ahead = t_s >= due_s
        if ahead:
            due_s = t_s + max(FORECAST_S, duration_s / MOST_FORECASTS)
        moments.add(t_s, judging.judge.verdict(ahead=ahead), ahead=ahead)
    return {**judging.summary(firing, events), "moments": moments.data()}


def with_alarms(plan: Plan, alarms: dict[str, dict[str, float | bool]]) -> Plan:
    """Change some of a plan's alarm settings, by rule. Not checked: read what it `dumps`."""
    return replace(plan, alarms={rule: {**own, **alarms.get(rule, {})} for rule, own in plan.alarms.items()})
