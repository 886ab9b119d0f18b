"""The banner at the top of every page while something is wrong."""

from collections.abc import Sequence
from typing import Any

from dash import html

from dashboard.parts.frame import button
from dashboard.words import Unit, alarm_name
from logger.words.said import told

SILENCE_MIN = (10, 30)
"""How long one tap silences an alarm. [min]"""


NAMED = 2
"""Cleared alarms named before the rest is only counted: a phone has no room for more."""


def _button(act: str, key: str, text: str, minutes: int = 0, aloud: str = "") -> Any:
    return button(text, {"type": "alarm-act", "act": act, "key": key, "minutes": minutes}, aloud=aloud)


def headline(alarm: dict[str, Any], unit: Unit = "C") -> tuple[str, str]:
    """Name an alarm and its place, and give the fact."""
    message, named = told(alarm, "message", unit), alarm_name(alarm)
    first, dot, rest = message.partition(". ")
    if first.casefold().startswith(named.casefold()):  # the message has its own headline, and may add "(air)"
        return first.rstrip("."), rest if dot else ""
    return named, message


def alarm_box(alarm: dict[str, Any], unit: Unit) -> Any:
    """Show one alarm: its name and place, the fact, what to do."""
    name, fact = headline(alarm, unit)
    good, key = alarm.get("warning") is False, alarm.get("key")
    seen = alarm.get("state") == "acknowledged"
    words: list[Any] = [html.B(name)]
    if fact:
        words.append(html.Span(f" {fact}", className="fact"))
    if what_to_do := told(alarm, "advice", unit):
        words.append(html.P(what_to_do, className="advice"))
    buttons = []
    if key and not seen:
        buttons.append(_button("ack", key, "Noted" if good else "Acknowledge"))
    if key and not good:
        buttons += [
            _button("shelve", key, f"Silence {n} min" if k == 0 else f"{n} min", n, f"Silence {n} min")
            for k, n in enumerate(SILENCE_MIN)
        ]
    return _box(words, buttons, "alarm" + (" good" if good else "") + (" seen" if seen else ""))


def _box(words: list[Any], buttons: list[Any], kind: str, make: Any = html.Div) -> Any:
    return html.Div([make(words, className="words"), html.Div(buttons, className="buttons")], className=kind)


def alarm_banner(alarms: Sequence[dict[str, Any]], unit: Unit = "C") -> list[Any]:
    """Show the standing alarms: the first in full, the others folded below it."""

    def rank(alarm: dict[str, Any]) -> int:
        """Put unseen alarms first; good news never hides an alarm."""
        return 2 if alarm.get("warning") is False else int(alarm.get("state") == "acknowledged")

    def names(some: Sequence[dict[str, Any]]) -> str:
        return "; ".join(headline(alarm)[0] for alarm in some)

    over = [a for a in alarms if a.get("state") == "returned-unacknowledged"]
    now = sorted((a for a in alarms if a not in over), key=rank)
    boxes = [alarm_box(alarm, unit) for alarm in now]
    shown = boxes[:1]
    if more := now[1:]:
        kind = "alarm more" if any(rank(a) < 2 for a in more) else "alarm more good"
        head = html.Summary(f"{len(more)} more: {names(more)}")
        shown.append(html.Details([head, *boxes[1:]], className=kind))
    if over:
        others = f"; {len(over) - NAMED} more" if over[NAMED:] else ""
        words = [html.Summary(f"Cleared, not acknowledged: {names(over[:NAMED])}{others}")]
        words += [html.P(" ".join(filter(None, headline(a, unit)))) for a in over]
        all_keys = "\n".join(str(a["key"]) for a in over if a.get("key"))
        seen = _button("ack", all_keys, "Acknowledge all" if over[1:] else "Acknowledge")
        shown.append(_box(words, [seen] if all_keys else [], "alarm over", html.Details))
    return shown


def silenced(events: Sequence[dict[str, Any]], now_s: float, scale: float) -> list[Any]:
    """Show which of the running firing's alarms are silenced.

    Its clock is at `now_s` and runs `scale` times as fast as a wall clock. A script on the tablet writes the
    local time of day into elements with `data-in-s`, which is rounded to half a minute so that a row isn't
    sent again every second.
    """
    last = {e["data"]["key"]: e for e in events if e["kind"] == "alarm" and e["data"].get("key")}
    rows = []
    for key, event in last.items():
        if event["data"].get("transition") != "shelved":
            continue
        name, when = headline(event["data"])[0], []
        if (until := event["data"].get("shelved_until_s")) is not None:
            in_s = round((until - now_s) / scale / 30.0) * 30
            when = [" until ", html.Span("", **{"data-in-s": str(in_s)})]
        resume = _button("unshelve", key, "Resume", aloud=f"Resume {name}")
        rows.append(html.P([html.Span(["Silenced", *when, f": {name}"]), resume]))
    return rows
