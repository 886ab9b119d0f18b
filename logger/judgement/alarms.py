"""The life of an alarm after ANSI/ISA-18.2-2016 (states: from memory).

It is raised once its condition has held for the on-delay, and cleared once that has been absent for the
off-delay; people acknowledge it or shelve it for a while. Deadbands belong to the rules, which know whether
their alarm is active.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any, Final, Literal

from logger.plan.alarm_rules import RULES
from logger.words.said import Said

State = Literal["normal", "unacknowledged", "acknowledged", "returned-unacknowledged", "shelved"]

FIRST_OUT_S: Final = 120.0
"""A warning is the first out if no other was raised within this time before it. [s]"""

MOST_STANDING: Final = 5
"""Most alarms shown at once: nobody can heed more. All are in the journal."""

LOAD: Final = "load"
"""The place of an alarm about the whole stack."""

# Likeliest cause of the others first.
PRIORITY: Final = (
    "rig_silent",
    "coal_collapse",
    "over_temperature",
    "probe_fault",
    "beacon_failed",
    "heating_too_fast",
    "cooling_too_fast",
    "stalled_zone",
    "spread_too_wide",
    "target_reached",
    "soak_done",
)


@dataclass(frozen=True)
class Event:
    """Something the judgement reports."""

    t_s: float  # since the firing's first reading
    kind: str  # alarm or stage
    data: dict[str, Any]  # JSON
    who: str = ""  # the person who did it, if any


@dataclass
class Alarm:
    """One alarm: a rule at a place."""

    key: str
    rule: str
    zone: str | None
    probe: str | None
    state: State = "normal"
    active: bool = False
    message: str = ""
    parts: list[Any] = field(default_factory=list)
    """The message's parts, for either unit of temperature (`said`); empty where it has no temperatures."""
    raised_s: float = 0.0
    on_s: float = 0.0
    off_s: float = 0.0
    shelved_until_s: float = 0.0
    first_out: bool = False


@dataclass(slots=True)
class Condition:
    """What a rule says about one place in one second."""

    rule: str
    zone: str | None
    probe: str | None
    holds: bool  # includes the rule's deadband
    on_delay_s: float  # how long it must hold …
    off_delay_s: float  # … or be absent
    words: Callable[[], str]  # gives the message; called only when the alarm is raised

    @property
    def key(self) -> str:
        """The alarm's key."""
        return f"{self.rule}:{self.probe or self.zone or LOAD}"


@dataclass
class AlarmBook:
    """All alarms of a firing, by `Condition.key`."""

    alarms: dict[str, Alarm] = field(default_factory=dict)
    last_warning_s: float = float("-inf")

    def active(self, key: str) -> bool:
        """Tell whether this alarm's condition holds (acknowledged or not)."""
        alarm = self.alarms.get(key)
        return alarm is not None and alarm.active

    def step(self, t_s: float, condition: Condition) -> list[Event]:
        """Take one second of an alarm's condition."""
        key = condition.key
        alarm = self.alarms.get(key)
        if alarm is None:
            if not condition.holds:
                return []
            alarm = self.alarms[key] = Alarm(key, condition.rule, None, None)
        if condition.holds:
            alarm.on_s += 1.0
            alarm.off_s = 0.0
            raised = not alarm.active and alarm.on_s >= condition.on_delay_s
            return self._raise(t_s, alarm, condition) if raised else []
        if alarm.state == "normal" and not alarm.active:
            del self.alarms[key]
            return []
        alarm.on_s = 0.0
        alarm.off_s += 1.0
        return self._clear(t_s, alarm) if alarm.active and alarm.off_s >= condition.off_delay_s else []

    def _raise(self, t_s: float, alarm: Alarm, condition: Condition) -> list[Event]:
        message = condition.words()
        alarm.zone, alarm.probe, alarm.message = condition.zone, condition.probe, str(message)
        alarm.parts = message.plain() if isinstance(message, Said) else []
        alarm.active, alarm.raised_s = True, t_s
        warning = RULES[alarm.rule].warning
        alarm.first_out = warning and t_s - self.last_warning_s > FIRST_OUT_S
        if warning:
            self.last_warning_s = t_s
        if alarm.state == "shelved":
            return []
        alarm.state = "unacknowledged"
        return [self._event(t_s, alarm, "raised")]

    def _clear(self, t_s: float, alarm: Alarm) -> list[Event]:
        alarm.active = False
        if alarm.state == "shelved":
            return []
        unseen = alarm.state == "unacknowledged" and RULES[alarm.rule].warning
        alarm.state = "returned-unacknowledged" if unseen else "normal"
        return [self._event(t_s, alarm, "cleared")]

    def expire(self, t_s: float) -> list[Event]:
        """Unshelve the alarms whose time is up."""
        return [
            event
            for alarm in self.alarms.values()
            if alarm.state == "shelved" and t_s >= alarm.shelved_until_s
            for event in self._unshelve(t_s, alarm, "")
        ]

    def act(self, t_s: float, action: str, key: str, who: str, minutes: float) -> list[Event]:
        """Do what a person asks of an alarm: ack, shelve for `minutes`, or unshelve.

        No event where there is nothing to do (already acknowledged). KeyError: no such alarm, or it is normal
        again. ValueError: no such action.
        """
        alarm = self.alarms[key]
        if alarm.state == "normal":
            raise KeyError(key)
        if action == "ack":
            if alarm.state == "unacknowledged":
                alarm.state = "acknowledged"
            elif alarm.state == "returned-unacknowledged":
                alarm.state = "normal"
            else:
                return []
            return [self._event(t_s, alarm, "acknowledged", who)]
        if action == "shelve":
            alarm.state, alarm.shelved_until_s = "shelved", t_s + 60.0 * minutes
            event = self._event(t_s, alarm, "shelved", who)
            return [replace(event, data={**event.data, "shelved_until_s": alarm.shelved_until_s})]
        if action == "unshelve":
            return self._unshelve(t_s, alarm, who) if alarm.state == "shelved" else []
        raise ValueError(f"{action!r} is not ack, shelve or unshelve")

    def standing(self) -> list[Alarm]:
        """Alarms that people should see, the probable cause first, at most `MOST_STANDING`."""
        shown = [a for a in self.alarms.values() if a.state not in ("normal", "shelved")]
        # Where there are too many, drop the cleared ones first, then repeats of a rule at further places:
        # fifteen zones too hot must not hide a lost probe.
        shown.sort(key=_urgency)
        seen = [a.rule for a in shown]
        again = [rule in seen[:i] for i, rule in enumerate(seen)]
        kept = sorted(range(len(shown)), key=lambda i: (again[i], i))[:MOST_STANDING]
        return [shown[i] for i in sorted(kept)]

    def _unshelve(self, t_s: float, alarm: Alarm, who: str) -> list[Event]:
        alarm.state = "unacknowledged" if alarm.active else "normal"
        return [self._event(t_s, alarm, "unshelved", who)]

    def _event(self, t_s: float, alarm: Alarm, transition: str, who: str = "") -> Event:
        return Event(t_s, "alarm", {**alarm_data(alarm), "transition": transition}, who)


def _urgency(alarm: Alarm) -> tuple[bool, int, float]:
    return not alarm.active, PRIORITY.index(alarm.rule), alarm.raised_s


def alarm_data(alarm: Alarm) -> dict[str, Any]:
    """Everything shown about an alarm, as JSON."""
    rule = RULES[alarm.rule]
    return {
        "key": alarm.key,
        "rule": alarm.rule,
        "zone": alarm.zone,
        "probe": alarm.probe,
        "state": alarm.state,
        "title": rule.title,
        "message": alarm.message,
        "parts": alarm.parts,
        "cause": rule.cause,
        "consequence": rule.consequence,
        "advice": rule.advice,
        "warning": rule.warning,
        "raised_s": alarm.raised_s,
        "first_out": alarm.first_out,
        **({"advice_parts": rule.advice.plain()} if isinstance(rule.advice, Said) else {}),
    }
