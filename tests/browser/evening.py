"""A fire at its busiest, for a browser: zones and coals, forecasts, estimates, an alarm, events, a fresh note."""

from __future__ import annotations

import contextlib
import itertools
import time
from typing import Any

from playwright.sync_api import Page
from tablets import Fire, until

from logger.journal.reader import JournalReader
from logger.judgement.alarms import Alarm, alarm_data
from logger.replay.judging import Judging

COLLAPSE = alarm_data(
    Alarm(
        "coal_collapse:windward",
        "coal_collapse",
        "windward",
        None,
        "unacknowledged",
        True,
        "Coals have fallen away: windward. 842 → 771 °C in 2 min, the coals held.",
    )
)


class Evening:
    """A fire written with verdict, forecast and estimate, as the logger writes it.

    Parameters
    ----------
    fire : Fire
    after_lighting_s : float
        How long the wood has burnt. [s]
    estimating : bool, default True
        Whether the pots' own temperature is estimated.
    """

    def __init__(self, fire: Fire, after_lighting_s: float, *, estimating: bool = True) -> None:
        self.fire = fire
        fire.light(float(fire.made.truth["lit_s"]) + after_lighting_s)
        self.judging = Judging(fire.made.plan, fire.start_us, estimating=estimating)
        self.judging.rebuild([("a1", p.channel) for p in fire.made.plan.probes])
        self.alarms: list[dict[str, Any]] = []
        self._judged = 0
        self._events(self.judging, self._take())
        for share, kind, data in (
            (0.30, "note", {"kind": "wood", "text": "", "amount": "an armful"}),
            (0.55, "note", {"kind": "gust", "text": "", "amount": ""}),
            (0.80, "note", {"kind": "text", "text": "smoke turns clear on the windward side", "amount": ""}),
            (0.90, "spot", {"zone": "upper", "temperature_c": 642.0, "emissivity": 0.95}),
        ):
            at_us = fire.start_us + round(share * fire.made.t_s[fire.written - 1] * 1e6)
            fire.writer.add_event(fire.id, at_us, kind, data)
        self.tell()

    def _take(self) -> list[Any]:
        fire = self.fire
        if fire.written == self._judged:
            return []
        batch = fire._batch(self._judged, fire.written)
        self._judged = fire.written
        return self.judging.take([batch])

    def _events(self, judging: Judging, found: list[Any]) -> None:
        for event in found:
            if event.kind == "stage":
                self.fire.writer.add_event(self.fire.id, judging.micros(event.t_s), "stage", event.data)

    def call(self, *alarms: dict[str, Any]) -> None:
        """Raise these alarms just now."""
        self.alarms = [dict(alarm) for alarm in alarms]
        for alarm in self.alarms:
            data = {**alarm, "transition": "raised"}
            self.fire.writer.add_event(self.fire.id, round(time.time() * 1e6), "alarm", data)
        self.tell()

    def tell(self, **changes: Any) -> dict[str, Any]:
        """Write what is due and judge it; the heartbeat carries the verdict."""
        self.fire.go_on()
        self._events(self.judging, self._take())
        data = self.judging.verdict_data()["load"] | changes
        # The heartbeat written with the next readings says it too: the page may look between the two.
        self.fire.told = {"verdict": data, "alarms": self.alarms}
        now_us = round(time.time() * 1e6)
        beat = {
            "at_us": now_us,
            "wall_s": now_us / 1e6,
            "time_scale": 1.0,
            "sources": [{"name": "/dev/ttyACM0", "state": "connected"}],
            "firing": self.fire.id,
        }
        with self.fire.writer.transaction():
            for t_us, zones in self.judging.take_estimates():
                self.fire.writer.add_estimate(self.fire.id, t_us, zones)
            self.fire.writer.heartbeat({**beat, **self.fire.told})
        return data


def busiest(evening: Evening, page: Page, *, alarm: bool = True) -> None:
    """Put everything on the page at once: verdict, forecast, and an alarm if wanted."""
    if alarm:
        evening.call(COLLAPSE)
        page.wait_for_selector("#alarms .alarm", timeout=10_000)
    until(lambda: (evening.tell(), page.is_visible("#come"))[1], "a forecast", every_s=0.4)


def asked(fire: Fire) -> list[tuple[str, dict[str, Any]]]:
    """What the page has asked of the logger: kind and data of each request, in order."""
    with contextlib.closing(JournalReader(fire.path)) as reader:
        numbers = itertools.count(1)
        requests = iter(lambda: reader.request(next(numbers)), None)
        return [(each.kind, dict(each.data)) for each in requests]
