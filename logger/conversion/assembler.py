"""Frames to batches: a rig's samples in columns, raw and converted. Pure.

What a sample is worth is a `Status`; nothing a rig sends raises. What someone should fix (a chip that isn't
known, a word that isn't one) is told once, by `Assembler.new_troubles`.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import repeat
from typing import Final

import numpy as np

from logger.conversion.amplifiers import AMPLIFIERS, amplifier
from logger.conversion.columns import DEFAULT_LETTER, Converted, Correction, channel_for, convert, reconvert
from logger.plan import Plan, Probe, assign_probes, probe_for_channel
from logger.reading import FAULTS, MAX_CHANNELS, Batch, Bytes, Channel, Floats, Frame, Kind, Sample, Status

__all__ = ["Assembler", "Converted", "Trouble", "channel_for", "convert", "reconvert"]

_WORD_DIGITS: Final = 13  # 52 bits: exact in a float64
_MAX_RIGS: Final = 256
_MAX_TOLD: Final = 1024
_hex: Final = re.compile("[0-9a-fA-F]+").fullmatch
_NOT_SENT: Final = Sample()


@dataclass(frozen=True, slots=True)
class Trouble:
    """Something about a channel that someone should fix."""

    rig: str
    channel: str
    text: str


class Assembler:
    """Puts the frames of any number of rigs into batches.

    Each rig has a layout: the channels it has sent so far. A channel that stays away keeps its column, as
    `Status.ABSENT`; one that is new, or that delivers in another way than before, begins a new layout.
    Without a plan every thermocouple is of type K; `seen` are channels of a firing that goes on after a
    restart, in order of first appearance.
    """

    def __init__(self, plan: Plan | None = None, seen: Sequence[tuple[str, str]] = ()) -> None:
        self._plan = plan
        self._planned = {p.channel for p in plan.probes} if plan is not None else set[str]()
        self._probes: dict[tuple[str, str], Probe] = {}  # those of the plan, by who came first
        for rig, name in seen:
            self._probe(rig, name)
        self._layouts: dict[str, _Layout] = {}
        self._troubles: list[Trouble] = []
        self._told: set[Trouble] = set()

    def take(self, timed: Sequence[tuple[Frame, int]]) -> list[Batch]:
        """Convert frames with their times (UTC, µs) to batches of one rig and one layout, in order."""
        by_rig: dict[str, list[tuple[Frame, int]]] = {}
        unusual: set[str] = set()
        for pair in timed:
            frame = pair[0]
            layout = self._layouts.get(frame.rig)
            if layout is None or not layout.has_names(frame):
                unusual.add(frame.rig)
                for name in self._planned.intersection(frame.ch):
                    self._probe(frame.rig, name)
            by_rig.setdefault(frame.rig, []).append(pair)
        return [
            self._batch(rig, layout, run, columns)
            for rig, pairs in by_rig.items()
            for layout, run, columns in self._runs(rig, pairs, rig in unusual)
        ]

    def new_troubles(self) -> list[Trouble]:
        """Tell what should be fixed, each thing once."""
        troubles, self._troubles = self._troubles, []
        return troubles

    def _runs(
        self, rig: str, pairs: list[tuple[Frame, int]], unusual: bool
    ) -> Iterator[tuple[_Layout, list[tuple[Frame, int]], list[list[Sample]]]]:
        """Cut a rig's frames where its layout changes."""
        layout = self._layouts.get(rig)
        if layout is not None and not unusual:
            columns = layout.columns(pairs)
            if all(map(_fits, layout.channels, columns)):
                yield layout, pairs, columns
                return
        run: list[tuple[Frame, int]] = []
        for frame, t_us in pairs:
            fitting = self._layout_for(rig, frame)
            if run and fitting is not layout:
                assert layout is not None
                yield layout, run, layout.columns(run)
                run = []
            layout = fitting
            run.append((frame, t_us))
        if layout is not None:
            yield layout, run, layout.columns(run)

    def _layout_for(self, rig: str, frame: Frame) -> _Layout:
        """The rig's layout if the frame fits it, else a new one, which is the rig's from now on."""
        layout = self._layouts.get(rig)
        known = {c.name: c for c in layout.channels} if layout is not None else {}
        if layout is not None and all(
            name in known and _fits(known[name], (sample,)) for name, sample in frame.ch.items()
        ):
            return layout
        channels = {
            name: known[name]
            if name in known and _fits(known[name], (sample,))
            else self._channel(rig, name, sample)
            for name, sample in frame.ch.items()
        }
        merged = known | channels
        if len(merged) > MAX_CHANNELS:
            merged = channels
        if rig not in self._layouts and len(self._layouts) >= _MAX_RIGS:
            del self._layouts[next(iter(self._layouts))]
        self._layouts[rig] = layout = _Layout(
            tuple(merged.values()), tuple(self._probe(rig, name).correction for name in merged)
        )
        return layout

    def _channel(self, rig: str, name: str, sample: Sample) -> Channel:
        probe = self._probe(rig, name)
        channel = channel_for(name, _kind(sample) or "celsius", sample.amp, probe)
        if channel.letter is not None and probe.letter is None and self._plan is not None:
            self._tell(rig, name, f"a thermocouple without a type is taken for {DEFAULT_LETTER}; add 'type'")
        if channel.amp is not None:
            try:
                amplifier(channel.amp, channel.letter or DEFAULT_LETTER)
            except ValueError as exc:
                self._tell(rig, name, str(exc))
        return channel

    def _probe(self, rig: str, name: str) -> Probe:
        """The probe that the channel is, by the rule that all rooms share."""
        probe = self._probes.get((rig, name))
        if probe is None:
            if self._plan is None or name not in self._planned:
                return probe_for_channel(name)
            # Channels that the plan doesn't mean have no say in whose the others are: those needn't be kept.
            probe = assign_probes(self._plan, [*self._probes, (rig, name)])[-1]
            if any(probe is p for p in self._plan.probes):
                self._probes[rig, name] = probe
        return probe

    def _batch(
        self, rig: str, layout: _Layout, run: list[tuple[Frame, int]], columns: list[list[Sample]]
    ) -> Batch:
        shape = (len(run), len(columns))
        raw = np.empty(shape)
        raw_cj = np.full(shape, np.nan)
        sent = np.full(shape, int(Status.OK), np.uint8)
        for j, (channel, column) in enumerate(zip(layout.channels, columns, strict=True)):
            self._fill(rig, channel, column, raw[:, j], raw_cj[:, j], sent[:, j])
        converted = convert(layout.channels, raw, raw_cj, sent, layout.corrections)
        self._look_for_troubles(rig, layout, raw, converted.status)
        return Batch(
            rig=rig,
            channels=layout.channels,
            t_us=np.array([t_us for _, t_us in run], np.int64),
            seq=np.array([frame.seq for frame, _ in run], np.int64),
            ms=np.array([frame.ms for frame, _ in run], np.int64),
            raw=raw,
            raw_cj=raw_cj,
            temperature_c=converted.temperature_c,
            cold_junction_c=converted.cold_junction_c,
            status=converted.status,
        )

    def _fill(
        self, rig: str, channel: Channel, column: list[Sample], raw: Floats, raw_cj: Floats, sent: Bytes
    ) -> None:
        """Read one channel's samples; at once where nothing is amiss, which is nearly always."""
        if [s.fault for s in column].count(None) == len(column):
            if channel.kind == "word":
                words = [s.raw or "" for s in column]
                if all(words) and _hex("".join(words)) and max(map(len, words)) <= _WORD_DIGITS:
                    raw[:] = list(map(int, words, repeat(16)))
                    return
            elif channel.kind == "emf":
                values = [s.uv for s in column]
                if None not in values:
                    raw[:] = values
                    raw_cj[:] = [s.cj for s in column]  # None becomes NaN
                    return
            else:
                values = [s.c for s in column]
                if None not in values:
                    raw[:] = values
                    return
        for i, sample in enumerate(column):
            raw[i], sent[i] = np.nan, Status.OK
            if sample.cj is not None:
                raw_cj[i] = sample.cj
            if sample is _NOT_SENT:
                sent[i] = Status.ABSENT
            elif sample.fault is not None:
                # A value that comes with a fault isn't worth keeping, and would be taken for one later on.
                sent[i] = FAULTS[sample.fault]
            elif channel.kind == "word":
                raw[i] = self._word(rig, channel, sample.raw or "")
            else:
                value = sample.uv if channel.kind == "emf" else sample.c
                raw[i] = np.nan if value is None else value

    def _word(self, rig: str, channel: Channel, text: str) -> float:
        if _hex(text) and len(text) <= _WORD_DIGITS:
            return float(int(text, 16))
        self._tell(rig, channel.name, "'raw' is no register word in hex; fix the firmware")
        return math.nan

    def _look_for_troubles(self, rig: str, layout: _Layout, raw: Floats, status: Bytes) -> None:
        for j in np.flatnonzero((raw >= layout.word_limits).any(axis=0)):
            channel = layout.channels[j]
            self._tell(
                rig,
                channel.name,
                f"'raw' is too long for a word of a {channel.amp}; fix 'amp' or the firmware",
            )
        for j in np.flatnonzero((status == Status.NO_COLD_JUNCTION).any(axis=0)):
            self._tell(
                rig,
                layout.channels[j].name,
                "a thermoelectric voltage without a cold junction; let the rig send 'cj', or name a channel "
                "that has one as 'cold_junction' in the plan",
            )

    def _tell(self, rig: str, channel: str, text: str) -> None:
        trouble = Trouble(rig, channel, f"rig {rig!r}, channel {channel!r}: {text}")
        if trouble not in self._told and len(self._told) < _MAX_TOLD:
            self._told.add(trouble)
            self._troubles.append(trouble)


@dataclass(slots=True)
class _Layout:
    """The columns of one rig's batches."""

    channels: tuple[Channel, ...]
    corrections: tuple[Correction, ...]
    word_limits: Floats = field(init=False)
    _names: set[str] = field(init=False)
    _name_sets: set[tuple[str, ...]] = field(init=False)

    def __post_init__(self) -> None:
        self.word_limits = np.array([_word_limit(c) for c in self.channels])
        self._names = {c.name for c in self.channels}
        self._name_sets = set()

    def has_names(self, frame: Frame) -> bool:
        """Tell whether every channel of the frame has a column; frame after frame has the same names."""
        names = tuple(frame.ch)
        if names in self._name_sets:
            return True
        if not self._names.issuperset(names):
            return False
        if len(self._name_sets) >= 64:
            self._name_sets.clear()
        self._name_sets.add(names)
        return True

    def columns(self, run: list[tuple[Frame, int]]) -> list[list[Sample]]:
        """Samples by channel, `_NOT_SENT` where a frame has none."""
        chs = [frame.ch for frame, _ in run]
        return [[ch.get(c.name, _NOT_SENT) for ch in chs] for c in self.channels]


def _word_limit(channel: Channel) -> float:
    chip = AMPLIFIERS.get(channel.amp or "")
    return float(1 << 8 * chip.word_bytes) if chip is not None else math.inf


def _kind(sample: Sample) -> Kind | None:
    """How a sample delivers; None if it doesn't say."""
    if sample.raw is not None or sample.amp is not None:
        return "word"
    if sample.uv is not None or sample.cj is not None:
        return "emf"
    return "celsius" if sample.c is not None else None


def _fits(channel: Channel, samples: Sequence[Sample]) -> bool:
    """Tell whether all samples deliver as the channel has delivered so far, or don't say."""
    if channel.kind == "word":
        amp = channel.amp
        odd = [s for s in samples if s.raw is None or s.amp != amp]
    elif channel.kind == "emf":
        odd = [s for s in samples if s.uv is None or s.amp is not None]
    else:
        odd = [s for s in samples if s.c is None]
    return all(_kind(s) in (None, channel.kind) and s.amp in (None, channel.amp) for s in odd)
