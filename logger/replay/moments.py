"""Judge a stored firing from its beginning, and keep what there was to say at each moment."""

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
"""A firing's moments are 5 s apart, or further where there would be more than this many."""
FORECAST_S: Final = 60.0
MOST_FORECASTS: Final = 120
"""A forecast is made once a minute, less often in a long firing: each costs some milliseconds."""

_NUMBERS: Final = ("level_c", "rate_c_per_min", "peak_c", "above_burnout_s", "soak_s")


class Moments:
    """Verdicts over time, in columns, each text stored once."""

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
        """Add the verdict of a moment; if it has no forecasts (`ahead`), the last ones still hold."""
        self._t_s.append(t_s)
        self._load["line"].append(self._word(verdict.line))
        self._load["stage"].append(self._word(verdict.stage))
        for zone in verdict.zones:
            self._add_zone(zone, ahead)
        if ahead:
            self._add_forecast(t_s, verdict)

    def _add_forecast(self, t_s: float, verdict: LoadVerdict) -> None:
        """Keep the coldest zone's forecast, as it is drawn at the fire."""
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
        """Return them as JSON.

        `t_s`; `line` and `stage`, as indices into `words`; `parts`, by index, of words with temperatures in
        them (`logger.words.said`); `zones`, each with its columns, of which `missing` and `ahead` (the
        forecast then) are indices into `words`; `forecasts`, each with its `t_s` and, where the coldest zone
        had one, `zone`, `at_s`, `ahead_s`, `low_c`, `middle_c`, `high_c`.
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
            self._parts[str(number)] = text.plain()  # JSON's keys are text
        return number


def judged(reader: JournalReader, firing: FiringInfo, plan: Plan | None = None) -> dict[str, Any]:
    """Judge a stored firing from its beginning, as a rehearsal does, and keep what was said when.

    Returns the JSON of `judging.rehearse`, with `moments` as in `Moments.data`.
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
    """Change some of a plan's alarm settings, by rule, unchecked; to check them, read what it `dumps`."""
    return replace(plan, alarms={rule: {**own, **alarms.get(rule, {})} for rule, own in plan.alarms.items()})
