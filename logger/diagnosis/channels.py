"""What a rig's channels say: faults, units, and words that only make sense read another way."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from logger.conversion.amplifiers import AMPLIFIERS, decode_words
from logger.conversion.assembler import Assembler
from logger.diagnosis.finding import Finding, bad, check, good
from logger.reading import Bytes, Channel, Floats, Frame, Sample, Status

FAULT_WORDS: Final = {
    Status.OPEN: ("open", "the thermocouple is broken, or loose in its terminals"),
    Status.SHORT_GROUND: ("shorted to ground", "a grounded junction, or a bare wire touching metal"),
    Status.SHORT_SUPPLY: ("shorted to the supply, or beyond the amplifier's input range", ""),
    Status.RANGE: ("outside the range of the sensor, its amplifier or the thermocouple", ""),
    Status.CORRUPT: ("not a word the chip can have sent", "check its supply, select line and data line"),
    Status.NO_COLD_JUNCTION: ("a voltage without a cold junction", "send 'cj' with 'uv'"),
}
HOTTEST_C: Final = 1800.0
"""No wood fire and no type K thermocouple gets there (its function ends at 1372 °C). [°C]"""
HOW: Final = {"word": "a chip's word", "emf": "voltage and cold junction", "celsius": "plain °C"}


def about_channels(frames: Sequence[Frame]) -> list[Finding]:
    """Check what each channel says."""
    assembler = Assembler(None)
    columns: dict[str, list[tuple[Channel, Floats, Bytes]]] = defaultdict(list)
    for batch in assembler.take([(f, f.ms * 1000) for f in frames]):
        for j, channel in enumerate(batch.channels):
            columns[channel.name].append((channel, batch.temperature_c[:, j], batch.status[:, j]))
    troubles = {t.channel: t.text for t in assembler.new_troubles()}
    found: list[Finding] = []
    for name, parts in columns.items():
        odd = _odd([f.ch[name] for f in frames if name in f.ch])
        if odd is None and name in troubles:
            odd = bad("", troubles[name])
        about = [] if odd is None else [odd]
        if odd is None or odd.level != "fail":
            channel = parts[-1][0]
            c, status = (np.concatenate(column) for column in list(zip(*parts, strict=True))[1:])
            about += _what_it_reads(channel.amp or HOW[channel.kind], c, status, len(frames))
        found += [replace(f, what=f"channel {name}") for f in about]
    return found


def _what_it_reads(how: str, c: Floats, status: Bytes, frames: int) -> Iterator[Finding]:
    there = np.count_nonzero(status != Status.ABSENT)
    for fault, words in FAULT_WORDS.items():
        if times := np.count_nonzero(status == fault):
            yield check("", f"{times} of {there} readings are {': '.join(filter(None, words))}")
    known = c[~np.isnan(c)]
    if len(known):
        some = f", in {there} of {frames} frames" if there < frames else ""
        yield good(
            "", f"{how}, last {known[-1]:.1f} °C, range {known.min():.1f} to {known.max():.1f} °C{some}"
        )


def _odd(samples: list[Sample]) -> Finding | None:
    words: dict[str, list[str]] = defaultdict(list)
    for sample in samples:
        if sample.amp in AMPLIFIERS and sample.raw:
            words[sample.amp].append(sample.raw)
    odd = (_about_word(amp, sent) for amp, sent in words.items())
    return next(filter(None, odd), None) or _about_units(samples)


def _about_word(amp: str, words: list[str]) -> Finding | None:
    """Find chip words that only make sense read another way."""
    chip = AMPLIFIERS[amp]
    letter = "K" if "K" in chip.letters or not chip.letters else chip.letters[0]
    size = chip.word_bytes

    def sensible(numbers: list[int]) -> float:
        inside = np.array([n for n in numbers if 0 <= n < 1 << 8 * size], np.int64)
        if not inside.size:
            return 0.0
        decoded = decode_words(amp, inside, letter)
        if chip.kind == "emf":
            fit = (np.abs(decoded.emf_uv) < 56_000) & (np.abs(decoded.cold_junction_c - 30) < 60)
        else:
            cold = decoded.cold_junction_c
            fit = (decoded.temperature_c > -60) & (np.isnan(cold) | (np.abs(cold - 30) < 60))
        return float((fit & (decoded.status == Status.OK)).sum()) / len(numbers)

    as_sent = [int(w, 16) for w in words]
    if sensible(as_sent) > 0.2:
        return None
    turned = [int.from_bytes(n.to_bytes(8, "big")[-size:], "little") for n in as_sent if n < 1 << 8 * size]
    if turned and sensible(turned) > 0.8:
        return bad("", "the bytes of 'raw' are in the wrong order", "send the most significant byte first")
    if all(w.isdigit() for w in words) and sensible([int(w) for w in words]) > 0.8:
        return bad("", "'raw' is in decimal", "send it in hex")
    return None


def _about_units(samples: list[Sample]) -> Finding | None:
    """Find voltages and temperatures that look like another unit's."""
    uv, cold, plain = (
        [value for sample in samples if (value := getattr(sample, name)) is not None]
        for name in ("uv", "cj", "c")
    )
    if uv and max(map(abs, uv)) > 80_000:
        text = f"'uv' goes to {max(uv, key=abs):g}: no thermocouple gives more than 80 000 µV"
        return bad("", text, "send it in microvolts")
    if cold and min(cold) > 233 and max(cold) < 400:
        return bad("", f"'cj' is {cold[-1]:g}", "it looks like kelvin; send it in °C")
    if cold and (min(cold) < -60 or max(cold) > 130):
        return bad("", f"'cj' is {cold[-1]:g} °C, which no amplifier survives", "send it in °C")
    if cold and min(cold) > 55:
        return check("", f"'cj' is {cold[-1]:g} °C", "a very hot box, or °F; send it in °C")
    if uv and max(map(abs, uv)) < 60 and any(v != round(v) for v in uv):
        text = f"'uv' is {uv[-1]:g}, at most 2 °C away from the cold junction"
        return check("", text, "if the probe is warm, this is in millivolts; send it in microvolts")
    if plain and min(plain) < -273.15:
        return bad("", f"'c' goes from {min(plain):g} to {max(plain):g}", "send it in °C")
    if plain and max(plain) > HOTTEST_C:
        text = f"'c' goes to {max(plain):g}, hotter than any wood fire"
        return bad("", text, "tenths or hundredths of a degree? Send it in °C")
    if plain and min(plain) >= 60 and max(plain) <= 90 and max(plain) - min(plain) < 5:
        text = f"'c' rests at {plain[-1]:g}: no room is that warm"
        return check("", text, "if the probe is cold, this is in °F; send it in °C")
    if plain and min(plain) > 270 and max(plain) < 310:
        return check("", f"'c' is {plain[-1]:g}", "if the probe is cold, this is in kelvin; send it in °C")
    return None
