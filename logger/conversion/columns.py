"""Convert raw columns to temperatures: register words, emf and °C, cold junctions, corrections. Pure.

Used for incoming frames and for stored ones.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from logger.conversion.amplifiers import AMPLIFIERS, decode_words
from logger.physics.thermocouple import compensated_temperature_c
from logger.plan import Probe
from logger.reading import Batch, Bytes, Channel, Floats, Kind, Status

Correction = tuple[tuple[float, float], ...]

CELSIUS_RANGE_C: Final = (-273.15, 2500.0)
"""Accepted from a channel that sends plain °C. [°C]"""

COLD_JUNCTION_RANGE_C: Final = (-55.0, 150.0)
"""Accepted for a cold junction: no terminal or chip works beyond it. [°C]"""

DEFAULT_LETTER: Final = "K"


class Converted(NamedTuple):
    """Converted columns, shape (n, k): the last three of a `Batch`."""

    temperature_c: Floats
    cold_junction_c: Floats
    status: Bytes


def channel_for(name: str, kind: Kind, amp: str | None, probe: Probe) -> Channel:
    """Describe how a probe wants its channel converted.

    `letter` is None if there is no thermocouple to convert; `cold_junction` is None if the channel always
    brings its own.
    """
    chip = AMPLIFIERS.get(amp or "")
    if kind == "celsius" or (chip is not None and chip.kind == "infrared"):
        return Channel(name, kind, amp)
    own = chip is not None and chip.junction is not None
    return Channel(
        name,
        kind,
        amp,
        letter=probe.letter or DEFAULT_LETTER,
        cold_junction=None if own or probe.cold_junction == name else probe.cold_junction,
    )


def reconvert(batch: Batch, probes: Sequence[Probe]) -> Batch:
    """Convert a batch's raw values again, with another plan, or with better physics than when it was stored.

    One probe per channel; the batch's temperatures and cold junctions are ignored.
    """
    channels = tuple(
        channel_for(c.name, c.kind, c.amp, p) for c, p in zip(batch.channels, probes, strict=True)
    )
    new = convert(channels, batch.raw, batch.raw_cj, batch.status, [p.correction for p in probes])
    return replace(batch, channels=channels, **new._asdict())


def convert(
    channels: Sequence[Channel],
    raw: Floats,
    raw_cj: Floats,
    status: Bytes,
    corrections: Sequence[Correction] = (),
) -> Converted:
    """Convert raw values, of shape (n, k), as the k channels deliver them.

    `raw` has register words, emf [µV] or temperatures [°C], NaN if there is none; `raw_cj` the cold junctions
    that came with an emf [°C]. `status` is as sent or as stored, and used only where `raw` is NaN; otherwise
    it is worked out again. `corrections` are pairs of (reading, truth) from a calibration: none, one (an
    offset) or two (a straight line through both) for each column, applied to the temperature [°C].

    The temperature is NaN wherever the status isn't `Status.OK`. The cold junction is also NaN where one had
    to be assumed (see `amplifiers.MAX6675_ASSUMED_JUNCTION_C`).
    """
    missing = np.isnan(raw)
    out = np.where(missing, status, np.uint8(Status.OK))
    out[missing & (out == Status.OK)] = Status.CORRUPT
    temperature = np.full(raw.shape, np.nan)
    emf = temperature.copy()
    junction = raw_cj.copy()
    groups: dict[tuple[Kind, str | None, str | None], list[int]] = {}
    for j, c in enumerate(channels):
        groups.setdefault((c.kind, c.amp, c.letter), []).append(j)

    borrowing: list[tuple[str, str, list[int]]] = []  # chips that send no cold junction
    by_letter: dict[str, list[int]] = {}
    for (kind, amp, given), at in groups.items():
        letter = given or DEFAULT_LETTER
        chip = AMPLIFIERS.get(amp or "") if kind == "word" else None
        if kind == "celsius":
            temperature[:, at] = raw[:, at]
            _downgrade(out, at, _outside(raw[:, at], CELSIUS_RANGE_C), Status.RANGE)
        elif kind == "emf":
            emf[:, at] = raw[:, at]
        elif chip is None or amp is None or (chip.letters and letter not in chip.letters):
            _downgrade(out, at, ~missing[:, at], Status.CORRUPT)
            continue
        elif chip.kind == "emf" and chip.junction is None:
            borrowing.append((amp, letter, at))
        else:
            _decode(amp, letter, at, raw, out, emf, junction, temperature)
        if kind == "emf" or (chip is not None and chip.kind == "emf"):
            by_letter.setdefault(letter, []).extend(at)

    implausible = _outside(junction, COLD_JUNCTION_RANGE_C)
    if implausible.any():
        junction[implausible] = np.nan
        out[implausible & (out == Status.OK)] = Status.RANGE
    _lend(channels, temperature, out, junction)
    used = junction.copy() if borrowing else junction
    for amp, letter, at in borrowing:
        _decode(amp, letter, at, raw, out, emf, used, temperature)
    for letter, at in by_letter.items():
        _downgrade(out, at, np.isnan(used[:, at]), Status.NO_COLD_JUNCTION)
        temperature[:, at] = compensated_temperature_c(letter, emf[:, at], used[:, at])
        _downgrade(out, at, np.isnan(temperature[:, at]), Status.RANGE)
    for j, pairs in enumerate(corrections):
        if pairs:
            temperature[:, j] = _corrected(temperature[:, j], pairs)
    temperature[out != Status.OK] = np.nan
    return Converted(temperature, junction, out)


_Flags = NDArray[np.bool_]


def _outside(values: Floats, ends: tuple[float, float]) -> _Flags:
    return (values < ends[0]) | (values > ends[1])


def _downgrade(out: Bytes, at: list[int], where: _Flags, status: Status) -> None:
    """Set the status of readings that were good so far."""
    if where.any():
        block = out[:, at]
        out[:, at] = np.where(where & (block == Status.OK), np.uint8(status), block)


def _decode(
    amp: str,
    letter: str,
    at: list[int],
    raw: Floats,
    out: Bytes,
    emf: Floats,
    junction: Floats,
    temperature: Floats,
) -> None:
    words = raw[:, at]
    fit = words < float(1 << 8 * AMPLIFIERS[amp].word_bytes)  # false for NaN
    if not fit.all():
        words = np.where(fit, words, 0)  # which no chip sends
    decoded = decode_words(amp, words, letter, junction[:, at])
    emf[:, at] = decoded.emf_uv
    junction[:, at] = decoded.cold_junction_c
    temperature[:, at] = decoded.temperature_c
    block = out[:, at]
    out[:, at] = np.where(block == Status.OK, decoded.status, block)


def _lend(channels: Sequence[Channel], temperature: Floats, out: Bytes, junction: Floats) -> None:
    """Fill in cold junctions from the channels named for it, in place.

    A channel lends the cold junction it measures itself, never a borrowed one; one that sends plain °C counts
    as a thermometer at the terminals.
    """
    index = {c.name: j for j, c in enumerate(channels)}
    own = junction.copy() if any(c.cold_junction for c in channels) else junction
    for j, c in enumerate(channels):
        source = index.get(c.cold_junction or "")
        if source is None:
            continue
        lent = own[:, source]
        if channels[source].kind == "celsius":
            lent = temperature[:, source]
            unfit = (out[:, source] != Status.OK) | _outside(lent, COLD_JUNCTION_RANGE_C)
            lent = np.where(unfit, np.nan, lent)
        junction[:, j] = np.where(np.isnan(own[:, j]), lent, own[:, j])


def _corrected(temperature_c: Floats, pairs: Correction) -> Floats:
    (reading, truth), (reading_2, truth_2) = pairs[0], pairs[-1]
    slope = (truth_2 - truth) / (reading_2 - reading) if len(pairs) > 1 else 1.0
    return truth + slope * (temperature_c - reading)
