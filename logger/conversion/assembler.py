"""Turn frames into batches: a rig's samples in columns, raw and converted. Pure.

A bad sample gets a `Status`; nothing a rig sends raises an error. Anything that someone should fix (an
unknown chip, an invalid word) is reported once, by `Assembler.new_troubles`.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.conversion.amplifiers import AMPLIFIERS, amplifier
from logger.conversion.columns import DEFAULT_LETTER, Correction, channel_for, convert
from logger.plan import Plan, Probe, assign_probes, probe_for_channel
from logger.reading import FAULTS, MAX_CHANNELS, Batch, Bytes, Channel, Floats, Frame, Kind, Sample, Status

_WORD_DIGITS: Final = 13  # 52 bits: exact in a float64
_MAX_RIGS: Final = 256
_MAX_TOLD: Final = 1024
_hex: Final = re.compile("[0-9a-fA-F]+").fullmatch
_NOT_SENT: Final = Sample()


@dataclass(frozen=True, slots=True)
class Trouble:
    """A channel's problem that someone should fix."""

    rig: str
    channel: str
    text: str


class Assembler:
    """Puts the frames of any number of rigs into batches.

    Each rig has a layout: the channels it has sent so far. A missing channel keeps its column, as
    `Status.ABSENT`; a new one, or one that changes how it delivers, starts a new layout. Without a plan every
    thermocouple is type K; `seen` are the channels of a firing resumed after a restart, in order of first
    appearance.
    """

    def __init__(self, plan: Plan | None = None, seen: Sequence[tuple[str, str]] = ()) -> None:
        self._plan = plan
        self._planned = {p.channel for p in plan.probes} if plan is not None else set[str]()
        self._probes: dict[tuple[str, str], Probe] = {}  # the plan's, by whichever channel came first
        for rig, name in seen:
            self._probe(rig, name)
        self._layouts: dict[str, _Layout] = {}
        self._troubles: list[Trouble] = []
        self._told: set[Trouble] = set()

    def take(self, timed: Sequence[tuple[Frame, int]]) -> list[Batch]:
        """Convert frames with their times (UTC, µs) to batches of one rig and one layout, in order."""
        runs: dict[str, list[tuple[_Layout, list[tuple[Frame, int]]]]] = {}
        for frame, t_us in timed:
            layout = self._layouts.get(frame.rig)
            if layout is None or not layout.fits(frame):
                layout = self._lay_out(frame)
            of_rig = runs.setdefault(frame.rig, [])
            if not of_rig or of_rig[-1][0] is not layout:
                of_rig.append((layout, []))
            of_rig[-1][1].append((frame, t_us))
        return [self._batch(rig, *run) for rig, of_rig in runs.items() for run in of_rig]

    def new_troubles(self) -> list[Trouble]:
        """Return what should be fixed, each problem once."""
        troubles, self._troubles = self._troubles, []
        return troubles

    def _lay_out(self, frame: Frame) -> _Layout:
        """Start a new layout for a rig, with its previous channels if there is room."""
        rig, before = frame.rig, self._layouts.get(frame.rig)
        known = before.by_name if before is not None else {}
        channels = {
            name: known[name]
            if name in known and _fits(known[name], sample)
            else self._channel(rig, name, sample)
            for name, sample in frame.ch.items()
        }
        merged = {**known, **channels}
        if len(merged) > MAX_CHANNELS:
            merged = channels
        if rig not in self._layouts and len(self._layouts) >= _MAX_RIGS:
            del self._layouts[next(iter(self._layouts))]
        corrections = tuple(self._probe(rig, name).correction for name in merged)
        self._layouts[rig] = layout = _Layout(tuple(merged.values()), merged, corrections)
        return layout

    def _channel(self, rig: str, name: str, sample: Sample) -> Channel:
        probe = self._probe(rig, name)
        channel = channel_for(name, _kind(sample) or "celsius", sample.amp, probe)
        if channel.letter is not None and probe.letter is None and self._plan is not None:
            self._tell(rig, name, f"no thermocouple type given: taken for {DEFAULT_LETTER}; add 'type'")
        if channel.amp is not None:
            try:
                amplifier(channel.amp, channel.letter or DEFAULT_LETTER)
            except ValueError as exc:
                self._tell(rig, name, str(exc))
        return channel

    def _probe(self, rig: str, name: str) -> Probe:
        """Find the channel's probe, by the rule that all rooms share."""
        probe = self._probes.get((rig, name))
        if probe is None:
            if self._plan is None or name not in self._planned:
                return probe_for_channel(name)
            # Channels outside the plan don't affect whose the others are, so they needn't be kept.
            probe = assign_probes(self._plan, [*self._probes, (rig, name)])[-1]
            if any(probe is p for p in self._plan.probes):
                self._probes[rig, name] = probe
        return probe

    def _batch(self, rig: str, layout: _Layout, run: list[tuple[Frame, int]]) -> Batch:
        channels, shape = layout.channels, (len(run), len(layout.channels))
        raw = np.empty(shape)
        raw_cj = np.full(shape, np.nan)
        sent = np.full(shape, int(Status.OK), np.uint8)
        for j, channel in enumerate(channels):
            column = [frame.ch.get(channel.name, _NOT_SENT) for frame, _ in run]
            self._fill(rig, channel, column, raw[:, j], raw_cj[:, j], sent[:, j])
        converted = convert(channels, raw, raw_cj, sent, layout.corrections)
        for j, channel in enumerate(channels):
            chip = AMPLIFIERS.get(channel.amp or "")
            if chip is not None and (raw[:, j] >= 1 << 8 * chip.word_bytes).any():
                text = f"'raw' is too long for a {channel.amp}'s word; fix 'amp' or the firmware"
                self._tell(rig, channel.name, text)
            if (converted.status[:, j] == Status.NO_COLD_JUNCTION).any():
                text = (
                    "a thermoelectric voltage without a cold junction; let the rig send 'cj', or in the plan "
                    "name a channel that has one as 'cold_junction'"
                )
                self._tell(rig, channel.name, text)
        t_us = np.array([t_us for _, t_us in run], np.int64)
        seq = np.array([frame.seq for frame, _ in run], np.int64)
        ms = np.array([frame.ms for frame, _ in run], np.int64)
        return Batch(rig, channels, t_us, seq, ms, raw, raw_cj, *converted)

    def _fill(
        self, rig: str, channel: Channel, column: list[Sample], raw: Floats, raw_cj: Floats, sent: Bytes
    ) -> None:
        """Read one channel's samples."""
        for i, sample in enumerate(column):
            value: float | None = None
            if sample is _NOT_SENT:
                sent[i] = Status.ABSENT
            elif sample.fault is not None:
                # A value that comes with a fault is worthless, and might later be mistaken for a good one.
                sent[i] = FAULTS[sample.fault]
            elif channel.kind == "word":
                value = self._word(rig, channel, sample.raw or "")
            else:
                value = sample.uv if channel.kind == "emf" else sample.c
            raw[i] = np.nan if value is None else value
            if sample.cj is not None:
                raw_cj[i] = sample.cj

    def _word(self, rig: str, channel: Channel, text: str) -> float:
        if _hex(text) and len(text) <= _WORD_DIGITS:
            return float(int(text, 16))
        self._tell(rig, channel.name, "'raw' isn't a register word in hex; fix the firmware")
        return math.nan

    def _tell(self, rig: str, channel: str, text: str) -> None:
        trouble = Trouble(rig, channel, text)
        if trouble not in self._told and len(self._told) < _MAX_TOLD:
            self._told.add(trouble)
            self._troubles.append(trouble)


@dataclass(frozen=True, slots=True)
class _Layout:
    """The columns of one rig's batches."""

    channels: tuple[Channel, ...]
    by_name: dict[str, Channel]
    corrections: tuple[Correction, ...]

    def fits(self, frame: Frame) -> bool:
        """Whether every channel of the frame has a column, and delivers as before."""
        channels = self.by_name
        return all(name in channels and _fits(channels[name], sample) for name, sample in frame.ch.items())


def _kind(sample: Sample) -> Kind | None:
    """How a sample delivers; None if it doesn't say."""
    if sample.raw is not None or sample.amp is not None:
        return "word"
    if sample.uv is not None or sample.cj is not None:
        return "emf"
    return "celsius" if sample.c is not None else None


def _fits(channel: Channel, sample: Sample) -> bool:
    """Whether a sample delivers as its channel has so far, or doesn't say."""
    return sample.amp in (None, channel.amp) and _kind(sample) in (None, channel.kind)
