"""What each chip makes of two junctions, and what its words say; the table of all is in `amplifiers`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.physics.thermocouple import emf_uv, range_c
from logger.physics.thermocouple import temperature_c as temperature_of_emf_c
from logger.reading import Bytes, Floats, Ints, Status


@dataclass(frozen=True, slots=True)
class Decoded:
    """What a chip's words say; all arrays have the words' shape."""

    # float64 array; thermoelectric voltage above the cold junction, from chips of kind `emf`; NaN otherwise.
    # [µV]
    emf_uv: Floats
    # float64 array; the cold junction that `emf_uv` is counted from: the chip's own, or what stands in for
    # it; NaN where there is none. [°C]
    cold_junction_c: Floats
    # float64 array; from chips of kind `hot_junction` and `infrared`; NaN otherwise. [°C]
    temperature_c: Floats
    # uint8 array; `Status`. Where it isn't OK, `emf_uv` and `temperature_c` are NaN; the cold junction may
    # still be good.
    status: Bytes


def _field(words: Ints, shift: int, bits: int) -> Ints:
    """Signed two's complement number of `bits` bits that ends at bit `shift`."""
    value = (words >> shift) & ((1 << bits) - 1)
    return value - ((value >> (bits - 1)) << bits)


def _unsigned(number: float, bits: int) -> int:
    """Nearest two's complement number of `bits` bits, as the unsigned bits of a word; stops at its limits."""
    limit = 1 << (bits - 1)
    return min(max(round(number), -limit), limit - 1) % (1 << bits)


def _ok(words: Ints) -> Bytes:
    return np.full(words.shape, int(Status.OK), np.uint8)


def _nowhere(words: Ints) -> Floats:
    return np.full(words.shape, np.nan)


def _line_c(gain_uv_per_c: float, temperature_c: float, cold_junction_c: float, letter: str) -> float:
    """What a chip that assumes a straight line of `gain_uv_per_c` makes of two junctions."""
    return cold_junction_c + (_emf(letter, temperature_c) - _emf(letter, cold_junction_c)) / gain_uv_per_c


def _emf(letter: str, temperature_c: float) -> float:
    e = emf_uv(letter, temperature_c)
    if np.isnan(e):
        low_c, high_c = range_c(letter)
        raise ValueError(f"{temperature_c:g} °C is outside type {letter} ({low_c:g} to {high_c:g} °C)")
    return e


# --- MAX6675 ---

MAX6675_GAIN_UV_PER_C: Final = 41.0
"""Maxim 19-2235, 'Temperature Conversion'. [µV/°C]"""

MAX6675_ASSUMED_JUNCTION_C: Final = 25.0
"""Taken for the chip's own cold junction where no other channel tells. [°C]

It hardly matters: the chip has already added its own junction at 41 µV/°C, which is very nearly the slope of
type K there (38.2 µV/°C at −20 °C, 41.5 µV/°C at 85 °C), so only the difference of the slopes is left. The
hot junction then reads at most 1.8 °C off with a junction at −20 °C, 0.7 °C at 0 °C, 0.3 °C at 10 °C, 0.1 °C
at 40 °C and 0.4 °C at 85 °C. The chip's own error is up to 2 °C below 700 °C. (Not undoing the straight line
would cost 12 °C at 800 °C.)
"""


def decode_max6675(words: Ints, letter: str, cold_junction_c: Floats | None) -> Decoded:
    """Say what words of this chip mean."""
    # D15 is always 0, D14..D3 the temperature in 0.25 °C, D2 open, D1 device ID, always 0, D0 three-state.
    line_c = ((words >> 3) & 0xFFF) / 4
    junction_c = np.full(words.shape, MAX6675_ASSUMED_JUNCTION_C)
    if cold_junction_c is not None:
        junction_c = np.where(np.isnan(cold_junction_c), junction_c, cold_junction_c)
    status = _ok(words)
    status[line_c == 1023.75] = Status.RANGE  # where it stops counting
    status[words & 0x0004 != 0] = Status.OPEN
    status[(words & 0x8002 != 0) | (words == 1)] = Status.CORRUPT  # 1: zeros and a floating D0
    return Decoded(MAX6675_GAIN_UV_PER_C * (line_c - junction_c), junction_c, _nowhere(words), status)


def encode_max6675(temperature_c: float, cold_junction_c: float, letter: str) -> int:
    """Make this chip's word."""
    line_c = _line_c(MAX6675_GAIN_UV_PER_C, temperature_c, cold_junction_c, letter)
    return min(max(round(4 * line_c), 0), 0xFFF) << 3


# --- MAX31855 ---

MAX31855_GAIN_UV_PER_C: Final = {
    "E": 76.373,
    "J": 57.953,
    "K": 41.276,
    "N": 36.256,
    "R": 10.506,
    "S": 9.587,
    "T": 52.18,
}
"""The straight line that each variant (MAX31855E, J, K, …) assumes: Maxim 19-5793, table 1. [µV/°C]"""

_MAX31855_FAULT, _MAX31855_RESERVED = 0x0001_0000, 0x0002_0008
_MAX31855_OPEN, _MAX31855_GROUND, _MAX31855_SUPPLY = 0x1, 0x2, 0x4


def decode_max31855(words: Ints, letter: str, cold_junction_c: Floats | None) -> Decoded:
    """Say what words of this chip mean."""
    # D31..D18 hot junction on the straight line, 0.25 °C; D15..D4 cold junction, 0.0625 °C.
    line_c = _field(words, 18, 14) / 4
    junction_c = _field(words, 4, 12) / 16
    status = _ok(words)
    status[(line_c < -270) | (line_c > 1800)] = Status.RANGE
    odd = words & (_MAX31855_FAULT | _MAX31855_RESERVED | 0x7)
    if odd.any():
        status[odd & _MAX31855_FAULT != 0] = Status.CORRUPT  # stays where no reason is given
        status[odd & _MAX31855_SUPPLY != 0] = Status.SHORT_SUPPLY
        status[odd & _MAX31855_GROUND != 0] = Status.SHORT_GROUND
        status[odd & _MAX31855_OPEN != 0] = Status.OPEN
        status[odd & _MAX31855_RESERVED != 0] = Status.CORRUPT
    return Decoded(
        MAX31855_GAIN_UV_PER_C[letter] * (line_c - junction_c), junction_c, _nowhere(words), status
    )


def encode_max31855(temperature_c: float, cold_junction_c: float, letter: str) -> int:
    """Make this chip's word."""
    line_c = _line_c(MAX31855_GAIN_UV_PER_C[letter], temperature_c, cold_junction_c, letter)
    return _unsigned(line_c * 4, 14) << 18 | _unsigned(cold_junction_c * 16, 12) << 4


# --- MAX31856 ---


def decode_max31856(words: Ints, letter: str, cold_junction_c: Floats | None) -> Decoded:
    """Say what words of this chip mean."""
    # Cold junction: 14 bits of 1/64 °C, the lowest two of its 16 always 0. Hot junction, linearised by the
    # chip for the type that the firmware has set: 19 bits of 1/128 °C and 5 without meaning. Status: CJ
    # range, TC range, four alarms on the user's own limits (no faults), OVUV, OPEN.
    junction_c = _field(words, 34, 14) / 64
    hot_c = _field(words, 13, 19) / 128
    low_c, high_c = range_c(letter)
    status = _ok(words)
    status[(words & 0xC0 != 0) | (hot_c < low_c) | (hot_c > high_c)] = Status.RANGE
    status[words & 0x02 != 0] = Status.SHORT_SUPPLY  # or below ground: the chip doesn't tell which
    status[words & 0x01 != 0] = Status.OPEN
    status[words & (0x3 << 32) != 0] = Status.CORRUPT
    return Decoded(_nowhere(words), junction_c, hot_c, status)


def encode_max31856(temperature_c: float, cold_junction_c: float, letter: str) -> int:
    """Make this chip's word."""
    _emf(letter, temperature_c)
    return _unsigned(cold_junction_c * 64, 14) << 34 | _unsigned(temperature_c * 128, 19) << 13


# --- MCP9600 ---


def decode_mcp9600(words: Ints, letter: str, cold_junction_c: Floats | None) -> Decoded:
    """Say what words of this chip mean."""
    # Both junctions in 1/16 °C; the hot one linearised by the chip for the type that the firmware has set.
    # Status bit 4: emf or T_H beyond the type's range, which is also all an open couple shows on this chip.
    # Bit 5 is unimplemented, always 0.
    hot_c = _field(words, 24, 16) / 16
    junction_c = _field(words, 8, 16) / 16
    low_c, high_c = range_c(letter)
    status = _ok(words)
    status[(words & 0x10 != 0) | (hot_c < low_c) | (hot_c > high_c)] = Status.RANGE
    status[words & 0x20 != 0] = Status.CORRUPT
    return Decoded(_nowhere(words), junction_c, hot_c, status)


def encode_mcp9600(temperature_c: float, cold_junction_c: float, letter: str) -> int:
    """Make this chip's word."""
    _emf(letter, temperature_c)
    updated = 0x40  # normally set: a conversion is complete
    return _unsigned(temperature_c * 16, 16) << 24 | _unsigned(cold_junction_c * 16, 16) << 8 | updated


# --- MCP9601 ---


def decode_mcp9601(words: Ints, letter: str, cold_junction_c: Floats | None) -> Decoded:
    """Say what words of this chip mean."""
    # As the MCP9600, but bit 5 is a short, to ground or supply, and bit 4 an open couple: it is the input
    # range's bit as well, so an open couple is one that has not left its range.
    decoded = decode_mcp9600(words & ~0x30, letter, cold_junction_c)
    decoded.status[words & 0x10 != 0] = Status.OPEN
    decoded.status[words & 0x20 != 0] = Status.SHORT_GROUND
    return decoded


# --- ADS1115: a plain converter, whose cold junction another channel must tell ---

ADS1115_RANGE_UV: Final = np.array([6.144e6, 4.096e6, 2.048e6, 1.024e6, 0.512e6, 0.256e6, 0.256e6, 0.256e6])
"""Full scale by the configuration's PGA bits: Texas Instruments SBAS444, table 8-3 (from memory). [µV]"""
ADS1115_CONFIG: Final = 0x8F83  # idle; AIN0 against AIN1; ±0.256 V; one shot; 128 a second; no comparator


def decode_ads1115(words: Ints, letter: str, cold_junction_c: Floats | None) -> Decoded:
    """Say what words of this chip mean."""
    # Conversion: 16 bits, signed, full scale / 32768 a count; it sticks at its ends.
    counts = _field(words, 0, 16)
    status = _ok(words)
    status[(counts == 0x7FFF) | (counts == -0x8000)] = Status.RANGE
    emf = counts * ADS1115_RANGE_UV[(words >> 25) & 7] / 32768
    junction_c = _nowhere(words) if cold_junction_c is None else cold_junction_c.copy()
    return Decoded(emf, junction_c, _nowhere(words), status)


def encode_ads1115(temperature_c: float, cold_junction_c: float, letter: str) -> int:
    """Make this chip's word."""
    emf = _emf(letter, temperature_c) - _emf(letter, cold_junction_c)
    return ADS1115_CONFIG << 16 | _unsigned(emf / 256_000 * 32768, 16)


# --- AD8495: an analogue amplifier with its own cold junction, read by a converter ---

AD8495_GAIN: Final = 122.4
AD8495_OFFSET_UV: Final = 2600.0
"""Output = gain × emf over 0 °C + offset (Analog Devices AD8494-AD8497, trimmed to 125 mV at 25 °C;
both from memory). Taking 5 mV/°C instead, as its name plate says, is 15 °C off at 800 °C. [µV, output]"""
_AD8495_MOST_UV: Final = 7_000_000  # it ends at its supply, and no converter on a board reads on from there


def decode_ad8495(words: Ints, letter: str, cold_junction_c: Floats | None) -> Decoded:
    """Say what words of this chip mean."""
    output = _field(words, 0, 32)
    hot_c = temperature_of_emf_c(letter, np.asarray((output - AD8495_OFFSET_UV) / AD8495_GAIN, np.float64))
    status = _ok(words)
    status[np.isnan(hot_c) | (np.abs(output) > _AD8495_MOST_UV)] = Status.RANGE
    return Decoded(_nowhere(words), _nowhere(words), hot_c, status)


def encode_ad8495(temperature_c: float, cold_junction_c: float, letter: str) -> int:
    """Make this chip's word."""
    return _unsigned(_emf(letter, temperature_c) * AD8495_GAIN + AD8495_OFFSET_UV, 32)


# --- MLX90614 and MLX90616 ---


def decode_mlx90614(words: Ints, letter: str, cold_junction_c: Floats | None) -> Decoded:
    """Say what words of this chip mean."""
    # D15 error flag, D14..D0 the object in 0.02 K.
    status = _ok(words)
    status[(words < 0x27AD) | (words >= 0x7FFF)] = Status.RANGE
    status[words & 0x8000 != 0] = Status.CORRUPT
    return Decoded(_nowhere(words), _nowhere(words), words / 50 - 273.15, status)


def encode_mlx90614(temperature_c: float, cold_junction_c: float, letter: str) -> int:
    """Make this chip's word."""
    return min(max(round((temperature_c + 273.15) / 0.02), 0x27AD), 0x7FFF)


def decode_mlx90616(words: Ints, letter: str, cold_junction_c: Floats | None) -> Decoded:
    """Say what words of this chip mean."""
    # All 16 bits are the object in 0.02 K: it ends at 1037.55 °C, and its error flag is elsewhere.
    status = _ok(words)
    status[words < 0x27AD] = Status.RANGE
    return Decoded(_nowhere(words), _nowhere(words), words / 50 - 273.15, status)


def encode_mlx90616(temperature_c: float, cold_junction_c: float, letter: str) -> int:
    """Make this chip's word."""
    return min(max(round((temperature_c + 273.15) / 0.02), 0x27AD), 0xFFFF)
