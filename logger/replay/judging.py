"""Feed the judgement: line up what several rigs send, and carry on after a restart."""

from __future__ import annotations

import struct
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import replace
from itertools import groupby, islice
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from logger.conversion.columns import reconvert
from logger.errors import shortened
from logger.judgement.estimate.zones import estimate_table
from logger.judgement.judge import Judge
from logger.judgement.rehearsal import summary
from logger.judgement.verdicts import verdict_data
from logger.plan import Plan, assign_probes
from logger.reading import Batch, Bytes, Floats, Ints, Status
from logger.requests import RequestError, read_spot

if TYPE_CHECKING:
    from logger.journal.reader import JournalReader
    from logger.journal.rows import FiringInfo
    from logger.judgement.alarms import Event

ACTIVE_S: Final = 3.0
"""A rig silent for longer than this no longer holds up the judgement of the others [s]."""

Kept = dict[str, tuple[float, float, float, str]]
"""By zone: estimate, low and high [°C], and what it is based on."""

RAKED: Final = "raked"
"""The kind of note that says the coals are being raked out."""

_LOOKED_AT: Final = 30
"""How many of a firing's stored batches show how often it was read."""

_MINUTE_US: Final = 60_000_000
_BLOCK_US: Final = 5 * _MINUTE_US  # how much the judgement works through at once
_HEAD: Final = struct.Struct("<qI")  # time of the last reading judged, number of columns


class Judging:
    """The judgement of one firing, fed from journal batches.

    Readings from a single rig are judged at once. With several rigs, each waits for the slowest that is still
    active, so that the judgement sees everything in order of time, however the frames arrived. Anything later
    than that (from a rig that kept its frames during an outage) is in the journal, but isn't judged.

    Without a plan, each channel becomes a probe when it first appears. `stored`: the firing was imported from
    other people's files; how often each channel was read is looked up before judging, and a channel that
    starts late or ends early isn't a fault.
    """

    def __init__(
        self, plan: Plan | None, started_us: int, *, estimating: bool = False, stored: bool = False
    ) -> None:
        self._given = plan
        self._estimating = estimating
        self._stored = stored
        self._started_us = started_us
        self._seen: list[tuple[str, str]] = []
        self._held: list[tuple[Ints, Floats, Bytes, Floats]] = []
        self._last_us: dict[str, int] = {}
        self._judged_us = started_us - 1
        self._judge_afresh(plan or Plan())

    @property
    def plan(self) -> Plan:
        """The plan used, with a probe for each channel seen where none was given."""
        return self.judge.plan

    def rebuild(self, seen: Sequence[tuple[str, str]]) -> None:
        """Start over with these channels, in order of first appearance; then replay the firing."""
        self._seen = list(seen)
        self._judge_afresh((self._given or Plan()).for_channels(self._seen))
        self._held.clear()
        self._judged_us = self._started_us - 1

    def _judge_afresh(self, plan: Plan, usual_s: Floats | None = None) -> None:
        self.judge = Judge(plan, estimating=self._estimating, stored=self._stored, usual_s=usual_s)
        probes = {id(p): i for i, p in enumerate(self.judge.plan.probes)}
        assigned = assign_probes(self.judge.plan, self._seen)
        self._index: dict[tuple[str, str], int] = {
            key: probes[id(probe)]
            for key, probe in zip(self._seen, assigned, strict=True)
            if id(probe) in probes
        }

    def take(self, batches: Sequence[Batch]) -> list[Event]:
        """Judge new readings, and return the resulting events in order of time."""
        for batch in batches:
            self._hold(batch)
        if not self._last_us:
            return []
        newest = max(self._last_us.values())
        active = [t for t in self._last_us.values() if newest - t <= ACTIVE_S * 1e6]
        return self._judge_until(min(active))

    def replay(self, reader: JournalReader, firing: str, since_us: int | None) -> list[Event]:
        """Judge stored readings from a time on [µs]: after `restore` or `rebuild`, or for a rehearsal.

        After a restart, the events returned are already in the journal.
        """
        parts = self.replay_in_steps(reader, firing, since_us, _BLOCK_US)
        return [event for _, events in parts for event in events]

    def replay_in_steps(
        self, reader: JournalReader, firing: str, since_us: int | None, step_us: int
    ) -> Iterator[tuple[int, list[Event]]]:
        """Judge stored readings, and yield the end of each time step [µs] with its events.

        A step divides a minute, or is whole minutes. Steps without readings are left out.
        """
        for event in reader.events(firing):
            if event.t_us >= (since_us or 0):
                with suppress(RequestError):  # an older version may have accepted it
                    self.heed(event.t_us, event.kind, event.data)
        if self._stored and since_us is None:
            self._judge_afresh(self.judge.plan, self._usual_s(reader.batches(firing)))
        stored = reader.batches(firing, since_us=since_us or 0)
        span_us = max(step_us, _MINUTE_US)
        # All rigs' readings of that time go together, or some would look late.
        for span, group in groupby(stored, key=lambda batch: int(batch.t_us[0]) // span_us):
            batches = [self._with_cold_junctions(batch) for batch in group]
            for begin in range(span * span_us, (span + 1) * span_us, step_us):
                cut = [
                    part for batch in batches if len((part := _between(batch, begin, begin + step_us)).t_us)
                ]
                if cut:
                    yield begin + step_us, self.take(cut)

    def go_on(self, reader: JournalReader, firing: str) -> list[Event]:
        """Judge what has been added to the journal since `replay`."""
        self._held.clear()  # read again below
        return self.replay(reader, firing, self._judged_us + 1)

    def advance(self, now_us: int) -> list[Event]:
        """Let time pass without readings."""
        return self.judge.advance((now_us - self._started_us) / 1e6)

    def report(self, now_us: int, rule: str, place: str, holds: bool, message: str) -> list[Event]:
        """Report a condition that no reading shows."""
        return self.judge.report(self.seconds(now_us), rule, place, holds, message)

    def act(self, now_us: int, action: str, key: str, who: str, *, minutes: float = 10.0) -> list[Event]:
        """Carry out what a person does about an alarm; RequestError: it isn't raised."""
        try:
            return self.judge.act(self.seconds(now_us), action, key, who, minutes=minutes)
        except KeyError as exc:
            raise RequestError(f"{shortened(key)} isn't a raised alarm; it may have cleared", "key") from exc

    def heed(self, t_us: int, kind: str, data: dict[str, Any], *, undo: bool = False) -> None:
        """Take a gun reading or a note as the journal stores it; `undo`: as if it had never been made.

        A note that the coals are being raked out changes which alarms are raised.
        """
        t_s = self.seconds(t_us)
        if kind == "spot":
            spot = read_spot(data)
            if undo:
                self.judge.retract_spot(t_s, spot.zone)
            else:
                self.judge.spot(t_s, spot.zone, spot.temperature_c, spot.emissivity)
        elif kind == "note" and data.get("kind") == RAKED:
            (self.judge.retract_raked if undo else self.judge.raked)(t_s)

    def take_estimates(self) -> list[tuple[int, Kept]]:
        """Return the estimates to store since the last call: times [µs], and each zone's band."""
        return [
            (
                self.micros(row.t_s),
                {name: (z.wall_c, z.lo_c, z.hi_c, z.basis) for name, z in row.zones.items()},
            )
            for row in self.judge.take_estimates()
        ]

    def verdict_data(self, *, ahead: bool = True) -> dict[str, Any]:
        """Return the current verdict for the heartbeat; `ahead`: with the forecast."""
        return verdict_data(self.judge.verdict(ahead=ahead))

    def snapshot(self) -> bytes:
        """Return everything needed to carry on after a restart."""
        return _HEAD.pack(self._judged_us, len(self.plan.probes)) + self.judge.snapshot()

    def restore(self, state: bytes | None, seen: Sequence[tuple[str, str]]) -> int | None:
        """Carry on from a `snapshot`, and return the time from which readings are still to be replayed [µs].

        None means everything: there is no snapshot, it has another number of channels than there are now, or
        it is of another plan or version.
        """
        self.rebuild(seen)
        if state is None:
            return None
        judged_us, columns = _HEAD.unpack_from(state)
        if columns != len(self.plan.probes):
            return None
        try:
            judge = Judge.restore(
                self.judge.plan, state[_HEAD.size :], estimating=self._estimating, stored=self._stored
            )
        except (KeyError, TypeError, ValueError):
            return None
        self._judged_us, self.judge = judged_us, judge
        return int(judged_us) + 1

    def seconds(self, t_us: int) -> float:
        """Convert a time to seconds since the firing's first reading."""
        return (t_us - self._started_us) / 1e6

    def micros(self, t_s: float) -> int:
        """Convert seconds since the firing's first reading to a time."""
        return self._started_us + round(t_s * 1e6)

    @classmethod
    def of_stored(cls, firing: FiringInfo, plan: Plan | None, *, estimating: bool = False) -> Judging:
        """Start judging a stored firing by a plan, or by its own."""
        if plan is None and firing.plan_toml is not None:
            plan = firing.plan
        judging = cls(plan, firing.started_us, estimating=estimating, stored="imported" in firing.facts)
        judging.rebuild(firing.seen)
        return judging

    def summary(self, firing: FiringInfo, events: list[Event]) -> dict[str, Any]:
        """End a stored firing, and return the rehearsal's JSON."""
        events = events + self.advance(firing.last_us or firing.started_us)
        self.judge.close()
        verdict = self.judge.verdict(ahead=False)
        return {"firing": firing.id, **summary(self.plan, events, verdict, firing.length_s)}

    def _usual_s(self, batches: Iterator[Batch]) -> Floats:
        """Return the usual interval between each probe's readings, judging by the first ones [s]."""
        k = len(self.judge.plan.probes)
        times: list[list[Ints]] = [[] for _ in range(k)]
        for batch in islice(batches, _LOOKED_AT):
            for j, channel in enumerate(batch.channels):
                column = self._index.get((batch.rig, channel.name))
                if column is not None:
                    times[column].append(batch.t_us[batch.status[:, j] == Status.OK])
        usual = np.full(k, np.nan)
        for column, parts in enumerate(times):
            steps = np.diff(np.concatenate(parts)) if parts else np.empty(0)
            if len(steps):
                usual[column] = float(np.median(steps)) / 1e6
        return usual

    def _hold(self, batch: Batch) -> None:
        k = len(self.judge.plan.probes)
        n = len(batch.t_us)
        values = np.full((n, k), np.nan)
        status = np.full((n, k), int(Status.ABSENT), np.uint8)
        cold = np.full((n, k), np.nan)
        pairs = [
            (j, self._index[batch.rig, c.name])
            for j, c in enumerate(batch.channels)
            if (batch.rig, c.name) in self._index
        ]
        if pairs:
            source, target = (list(x) for x in zip(*pairs, strict=True))
            values[:, target] = batch.temperature_c[:, source]
            status[:, target] = batch.status[:, source]
            cold[:, target] = batch.cold_junction_c[:, source]
        self._held.append((batch.t_us, values, status, cold))
        if n:
            self._last_us[batch.rig] = max(self._last_us.get(batch.rig, 0), int(batch.t_us[-1]))

    def _judge_until(self, until_us: int) -> list[Event]:
        if not self._held:
            return []
        t_us, values, status, cold = (np.concatenate(parts) for parts in zip(*self._held, strict=True))
        order = np.argsort(t_us, kind="stable")
        t_us, values, status, cold = t_us[order], values[order], status[order], cold[order]
        ready = int(np.searchsorted(t_us, until_us, side="right"))
        late = int(np.searchsorted(t_us, self._judged_us, side="right"))
        self._held = (
            [(t_us[ready:], values[ready:], status[ready:], cold[ready:])] if ready < len(t_us) else []
        )
        if late >= ready:
            return []
        now = slice(late, ready)
        self._judged_us = int(t_us[ready - 1])
        return self.judge.push((t_us[now] - self._started_us) / 1e6, values[now], status[now], cold[now])

    def _with_cold_junctions(self, batch: Batch) -> Batch:
        """Work out cold junctions, which the journal doesn't store because they follow from the raw words."""
        seen = [(batch.rig, channel.name) for channel in batch.channels]
        again = reconvert(batch, assign_probes(self.judge.plan, seen))
        return replace(batch, cold_junction_c=again.cold_junction_c)


def _between(batch: Batch, since_us: int, until_us: int) -> Batch:
    """Return a batch's frames from `since_us` until before `until_us`."""
    a, b = np.searchsorted(batch.t_us, (since_us, until_us))
    return batch.rows(slice(int(a), int(b)))


def rehearse(
    reader: JournalReader, firing: FiringInfo, plan: Plan | None = None, *, estimating: bool = False
) -> dict[str, Any]:
    """Run a plan's alarms, or its own plan's, over a stored firing to see what they would have said.

    Returns JSON; times count from the firing's first reading. `estimating` adds the temperature of the pots
    as it would have been estimated at the fire.
    """
    judging = Judging.of_stored(firing, plan, estimating=estimating)
    said = judging.summary(firing, judging.replay(reader, firing.id, None))
    if estimating:
        estimates = judging.judge.take_estimates()
        said["estimate"] = estimate_table(judging.plan, estimates, firing.length_s)
    return said
