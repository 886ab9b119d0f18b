"""The cold check: is this rig fit to be lit? Pure: a minute's readings in, findings out.

Before lighting everything is as warm as the air. So every probe must agree with the others and with its own
cold junction, within what its class, amplifier and cold junction allow.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from logger.cold_check.hands import Hand
from logger.diagnosis.channels import FAULT_WORDS
from logger.diagnosis.finding import Finding, Level
from logger.diagnosis.order import about_clock, about_seq
from logger.physics.uncertainty import combined_c, infrared_budget, thermocouple_budget
from logger.plan import Plan, Probe, assign_probes
from logger.reading import Batch, Bytes, Channel, Floats, Frame, Status
from logger.words.said import Degrees, Said, said

Key = tuple[str, str]
"""A rig and its channel."""
FIRE: Final = "fire"
"""The finding where a fire is burning: the cold check says so, and nothing about hot probes."""

WARN_AT: Final = 2.5
FAIL_AT: Final = 3.0
"""In combined standard uncertainties: one good probe in 80, and one in 370, is further off than this."""
PLACE_C: Final = 1.5
"""How far apart places in a cold stack really are, standard uncertainty (common practice, no source). [°C]"""
BOX_C: Final = 3.0
"""The same between a probe and the rig's box, which warms itself (common practice, no source). [°C]"""
COLD_C: Final = 50.0
"""No stack waiting to be lit is warmer than this. [°C]"""
FIRE_C: Final = 100.0
"""Neither sun nor pre-warming brings half of the probes above `COLD_C` and one above this. [°C]"""
HOT_BOX_C: Final = 50.0
NOISE_WARN_C: Final = 1.0
NOISE_FAIL_C: Final = 3.0
"""Standard deviation from one reading to the next (common practice, no source). [°C]"""
JUMP_C: Final = 6.0
"""No probe's tip moves this far from one reading to the next in cold air. [°C]"""
FEWEST: Final = 10
"""Fewest readings of a probe that can be judged."""

LIMITS_C: Final[dict[str, tuple[float, float]]] = {
    "max31855": (2.0, 2.0),
    "max31856": (1.0, 0.7),
    "max6675": (3.0, 3.0),
    "mcp9600": (1.5, 1.0),
    "mcp9601": (1.5, 1.0),
    "ads1115": (0.5, 1.0),
    "ad8495": (3.0, 0.0),
    "mlx90614": (0.5, 0.0),
    "mlx90616": (4.0, 0.0),
}
"""Stated accuracy near room temperature, ±, of amplifier and cold junction (datasheets, from memory). [°C]"""
_OTHER_LIMITS_C: Final = (2.0, 2.0)


@dataclass(frozen=True, slots=True)
class _Line:
    """The readings of one channel."""

    probe: Probe
    channel: Channel
    planned: bool
    temperature_c: Floats
    cold_junction_c: Floats
    status: Bytes
    hand: Hand | None

    @property
    def level_c(self) -> float:
        """Its resting value: a tip in the hand doesn't count."""
        if self.hand is not None and self.hand.moving and np.isfinite(self.hand.still_c):
            return self.hand.still_c
        return _median(self.temperature_c)

    @property
    def junction_c(self) -> float:
        return _median(self.cold_junction_c)

    @property
    def infrared(self) -> bool:
        return self.probe.reads == "surface" or (self.channel.amp is not None and self.channel.letter is None)

    def uncertainty_c(self) -> float:
        """Standard uncertainty of its level as the temperature of its place [°C]."""
        amplifier_c, junction_c = LIMITS_C.get(self.channel.amp or "", _OTHER_LIMITS_C)
        level = np.array([self.level_c])
        if self.infrared:
            budget = infrared_budget(level, instrument_limit_c=amplifier_c, aim_c=1.0)
            return float(combined_c(budget)[0])
        letter = self.channel.letter
        cold = self.junction_c
        budget = thermocouple_budget(
            level,
            letter=letter,
            tolerance_class=self.probe.tolerance_class,
            amplifier_limit_c=amplifier_c,
            cold_junction_limit_c=junction_c,
            cold_junction_c=cold if np.isfinite(cold) else 25.0,
        )
        return float(combined_c(budget)[0])


def check_readings(plan: Plan | None, batches: Sequence[Batch], hands: Mapping[Key, Hand]) -> list[Finding]:
    """Judge half a minute or a minute of readings while everything is cold.

    Batches have their cold junctions (`columns.reconvert`). `hands` says what probes were warmed in the hand;
    the polarity of those that aren't in it isn't checked.
    """
    lines = _lines(plan, batches, hands)
    found = [*_about_channels(plan, lines)]
    for line in lines.values():
        found += _about_faults(line)
    good = [
        line
        for line in lines.values()
        if np.count_nonzero(line.status == Status.OK) >= FEWEST and np.isfinite(line.level_c)
    ]
    warm = [line for line in good if line.level_c > COLD_C]
    hottest_c = max((line.level_c for line in warm), default=0.0)
    if hottest_c > FIRE_C and 2 * len(warm) >= len(good):
        # One finding for all of them: none of the checks below works on hot probes.
        text = said(
            "a fire is burning, up to {}; the cold check can only judge a cold rig", Degrees("at", hottest_c)
        )
        mend = "probe faults show on the page; run this check before the next fire"
        broken = [f for f in found if f.what in ("channels", "fault") and f.level == "fail"]
        return [Finding("fail", FIRE, "cold check", text, mend), *broken]
    found += _about_noise(good)
    for line in warm:
        text = said("already at {}; this check only works cold", Degrees("at", line.level_c))
        found.append(Finding("fail", "cold", line.probe.name, text, "run it before anything is lit"))
    cold = [line for line in good if line not in warm]
    apart = [*_about_agreement(cold)]
    told = {f.where for f in apart if f.level != "pass"}
    # A probe that disagrees with all the others needs no finding about its cold junction as well.
    found += [*apart, *_about_cold_junctions([line for line in cold if line.probe.name not in told])]
    return [*found, *_about_polarity(list(lines.values()))]


def check_order(batches: Sequence[Batch]) -> Iterator[Finding]:
    """Judge the rigs' counters and clocks."""
    for rig in dict.fromkeys(batch.rig for batch in batches):
        own = [batch for batch in batches if batch.rig == rig]
        t_us, seq, ms = (np.concatenate([getattr(b, name) for b in own]) for name in ("t_us", "seq", "ms"))
        order = np.argsort(t_us, kind="stable")
        frames = [Frame(rig, int(seq[i]), int(ms[i]), {}) for i in order]
        where = f"rig {rig}"
        for f in about_seq(frames):
            yield replace(f, what="frames", where=where, text=f"counter: {f.text}")
        for f in about_clock(frames, (t_us[order] / 1e6).tolist()):
            yield replace(f, what="clock", where=where)


def _lines(plan: Plan | None, batches: Sequence[Batch], hands: Mapping[Key, Hand]) -> dict[Key, _Line]:
    parts: dict[Key, list[tuple[Channel, Floats, Floats, Bytes]]] = {}
    for batch in sorted(batches, key=lambda b: int(b.t_us[0]) if len(b.t_us) else 0):
        for j, channel in enumerate(batch.channels):
            there = batch.status[:, j] != Status.ABSENT
            if there.any():
                at = (there, j)
                part = (channel, batch.temperature_c[at], batch.cold_junction_c[at], batch.status[at])
                parts.setdefault((batch.rig, channel.name), []).append(part)
    probes = assign_probes(plan, list(parts))
    planned = {id(p) for p in plan.probes} if plan is not None else set[int]()
    return {
        key: _Line(
            probe=probe,
            channel=own[-1][0],
            planned=id(probe) in planned,
            temperature_c=np.concatenate([part[1] for part in own]),
            cold_junction_c=np.concatenate([part[2] for part in own]),
            status=np.concatenate([part[3] for part in own]),
            hand=hands.get(key),
        )
        for (key, own), probe in zip(parts.items(), probes, strict=True)
    }


def _about_channels(plan: Plan | None, lines: Mapping[Key, _Line]) -> Iterator[Finding]:
    if not lines:
        mend = "is it powered, plugged in, and at the right port or broker?"
        yield Finding("fail", "channels", "rig", "no readings from any rig", mend)
        return
    if plan is None or not plan.probes:
        text = f"{len(lines)} channels, but no plan says where their probes are"
        yield Finding("warn", "channels", "plan", text, "say what each one reads, and where")
        return
    there = {id(line.probe) for line in lines.values()}
    missing = [probe for probe in plan.probes if id(probe) not in there]
    others = [(key, line) for key, line in lines.items() if not line.planned]
    for probe in missing:
        text = f"no readings from channel {probe.channel}{f' of rig {probe.rig}' if probe.rig else ''}"
        mend = "plug it in, name the right channel in the plan, or take the probe out of the plan"
        yield Finding("fail", "channels", probe.name, text, mend)
    for (rig, channel), line in others:
        text = f"channel {channel} of rig {rig} is not in the plan: recorded but not judged"
        yield Finding("warn", "channels", line.probe.name, text, "give it a place in the plan")
    if not missing and not others:
        text = f"all {len(plan.probes)} probes in the plan send readings, and no others do"
        yield Finding("pass", "channels", "plan", text)


def _about_faults(line: _Line) -> Iterator[Finding]:
    found = False
    for status, (word, why) in FAULT_WORDS.items():
        if times := int(np.count_nonzero(line.status == status)):
            found = True
            often = times > 0.9 * len(line.status)
            text = word if often else f"{word} at times ({times} of {len(line.status)} readings)"
            yield Finding("fail", "fault", line.probe.name, text, _FAULT_MENDS.get(status, why))
    if not found and len(line.status) < FEWEST:
        text = f"only {len(line.status)} readings"
        yield Finding("warn", "fault", line.probe.name, text, "run the check for longer")


_FAULT_MENDS: Final = {
    Status.OPEN: "tighten both screws of its terminal; measure the wire's resistance: tens of ohms at most",
    Status.SHORT_GROUND: "keep its wires off metal; use an ungrounded probe",
    Status.SHORT_SUPPLY: "look for a stray wire at its terminal",
    Status.RANGE: "tighten its terminal, as not every chip detects an open wire; is it the type in the plan?",
    Status.CORRUPT: "check the amplifier's supply, select line and data line",
    Status.NO_COLD_JUNCTION: "have the rig send 'cj', or name a channel that has one as 'cold_junction'",
}


def _about_noise(lines: Sequence[_Line]) -> Iterator[Finding]:
    steady = {}
    for line in lines:
        steps = np.diff(line.temperature_c[line.status == Status.OK])
        noise = float(np.median(np.abs(steps))) * 1.4826 / np.sqrt(2)
        jumps = int(np.count_nonzero(np.abs(steps) > max(JUMP_C, 6 * noise * np.sqrt(2))))
        name = line.probe.name
        if noise > NOISE_WARN_C:
            mend = "twist its two wires, keep them from motors and radio, shield the lead"
            text = said("it flickers by ±{}", Degrees("by", 2 * noise, ".1f"))
            yield Finding("fail" if noise > NOISE_FAIL_C else "warn", "noise", name, text, mend)
        elif jumps:
            text = said("it jumped {} times by more than {}", str(jumps), Degrees("by", JUMP_C, "g"))
            mend = "its terminal is loose: tighten the screws"
            yield Finding("fail" if jumps > 2 else "warn", "noise", name, text, mend)
        else:
            steady[name] = 2 * noise
    if steady:
        text = said("steady within ±{}", Degrees("by", max(steady.values()), ".1f"))
        yield Finding("pass", "noise", _names(list(steady), len(lines)), text)


def _names(names: Sequence[str], of: int) -> str:
    return "all probes" if len(names) == of > 1 else ", ".join(names)


def _about_agreement(lines: Sequence[_Line]) -> Iterator[Finding]:
    if len(lines) < 2:
        for line in lines:
            text = "the only probe: there is nothing to compare it with"
            yield Finding("warn", "agreement", line.probe.name, text)
        return
    levels = np.array([line.level_c for line in lines])
    uncertain = np.array([line.uncertainty_c() for line in lines])
    agree = True
    for i, line in enumerate(lines):
        others = np.delete(levels, i)
        around = float(np.median(others))
        u_around = float(np.median(np.delete(uncertain, i))) / np.sqrt(len(others))
        u = float(np.hypot(np.hypot(uncertain[i], PLACE_C), u_around))
        off = line.level_c - around
        if (level := _level(off / u)) == "pass":
            continue
        agree = False
        two = "a hand-held thermometer shows which of the two is wrong; " if len(lines) == 2 else ""
        swap = "it is just as far on the wrong side of its cold junction: swap its two wires at the terminal"
        mend = said("{}{}", two, swap)
        if not _mirrors(line, around):
            shade = "is normal; is it the type in the plan, are its wires right, is it in the shade?"
            mend = said("{}{} {}", two, Degrees("by", WARN_AT * u, ".1f"), shade)
        text = _apart(line.level_c, off, "the others")
        yield Finding(level, "agreement", line.probe.name, text, mend)
    if agree:
        within = Degrees("by", float(np.ptp(levels)), ".1f")
        middle = Degrees("at", float(np.median(levels)), ".1f")
        all_agree = said("all probes agree within {}, around {}", within, middle)
        yield Finding("pass", "agreement", "all probes", all_agree)


def _apart(level_c: float, off_c: float, what: str) -> Said:
    side = "above" if off_c > 0 else "below"
    return said(
        "{}, {} {}", Degrees("at", level_c, ".1f"), Degrees("by", abs(off_c), ".1f"), f"{side} {what}"
    )


def _mirrors(line: _Line, around_c: float) -> bool:
    """Tell whether it reads as far below its cold junction as the others are above it, or vice versa."""
    cold = line.junction_c
    apart = around_c - cold
    return bool(abs(apart) > 3.0 and abs((line.level_c - cold) + apart) < 0.3 * abs(apart) + 1.0)


def _about_cold_junctions(lines: Sequence[_Line]) -> Iterator[Finding]:
    compared = [line for line in lines if np.isfinite(line.junction_c)]
    agree = bool(compared)
    for line in compared:
        off = line.level_c - line.junction_c
        level = _level(off / float(np.hypot(line.uncertainty_c(), BOX_C)))
        if line.junction_c > HOT_BOX_C:
            text = said("its cold junction is at {}", Degrees("at", line.junction_c))
            mend = "put the rig's box in the shade, away from the fire"
            level = "fail"
        else:
            text = _apart(line.level_c, off, "its cold junction")
            mend = "is the box in the sun, or warm inside? Give it a few minutes in the shade"
        if level != "pass":
            agree = False
            yield Finding(level, "cold_junction", line.probe.name, text, mend)
    if agree:
        told = f"{len(compared)} probes agree with their cold junctions"
        yield Finding("pass", "cold_junction", "all probes", told)


def _about_polarity(lines: Sequence[_Line]) -> Iterator[Finding]:
    # Infrared has no wires to swap; a probe that sends plain °C may have.
    asked = {
        line.probe.name: line.hand.tried
        for line in lines
        if line.hand is not None and not line.infrared and (line.status == Status.OK).any()
    }
    rose, still = ([name for name, tried in asked.items() if tried == of] for of in ("rose", ""))
    for name, tried in asked.items():
        if tried == "fell":
            mend = "swap its two wires at the terminal"
            yield Finding("fail", "polarity", name, "it fell when warmed", mend)
    if rose:
        yield Finding("pass", "polarity", _names(rose, len(asked)), "rose when warmed in the hand")
    if still:
        text = "not warmed yet: swapped wires would not show"
        mend = "hold each tip in your hand for ten seconds while the check runs"
        yield Finding("warn", "polarity", _names(still, len(asked)), text, mend)


def _level(standard: float) -> Level:
    size = abs(standard)
    return "fail" if size > FAIL_AT else "warn" if size > WARN_AT else "pass"


def _median(values: Floats) -> float:
    there = values[np.isfinite(values)]
    return float(np.median(there)) if len(there) else float("nan")
