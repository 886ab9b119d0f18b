"""Convert a chip's register word to what it measured, and back.

A word is the chip's own register, most significant bit first, as the rig sends it in hex:

=========  =====  =======================================================================================
chip       bytes  word
=========  =====  =======================================================================================
max6675    2      the 16 bits of one read
max31855   4      the 32 bits of one read
max31856   6      registers 0Ah to 0Fh in one read: CJTH, CJTL, LTCBH, LTCBM, LTCBL, SR
mcp9600    5      hot junction T_H (2 bytes), cold junction T_C (2 bytes), STATUS (1 byte)
mcp9601    5      the same; STATUS also reports an open or shorted thermocouple
ads1115    4      configuration register (2 bytes), conversion register (2 bytes)
ad8495     4      no register: its output above its reference, in whole µV, two's complement
mlx90614   2      RAM address 07h (T_OBJ1), high byte first (the chip itself sends the low byte first)
mlx90616   2      the same
=========  =====  =======================================================================================

To add a chip: one entry in `AMPLIFIERS`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Final, Literal, NamedTuple

import numpy as np

from logger.physics.thermocouple import LETTERS, emf_uv, range_c
from logger.physics.thermocouple import temperature_c as temperature_of_emf_c
from logger.reading import Bytes, Floats, Ints, Status

MAX6675_GAIN_UV_PER_C: Final = 41.0
"""Maxim 19-2235, 'Temperature Conversion'. [µV/°C]"""

MAX6675_ASSUMED_JUNCTION_C: Final = 25.0
"""Assumed for the chip's own cold junction if no other channel measures it. [°C]

It hardly matters: the chip has already added its own junction at 41 µV/°C, which is very nearly the slope of
type K there (38.2 µV/°C at −20 °C, 41.5 µV/°C at 85 °C), so only the difference between the slopes is left.
The hot junction then reads at most 1.8 °C off with a junction at −20 °C, 0.7 °C at 0 °C, 0.3 °C at 10 °C,
0.1 °C at 40 °C and 0.4 °C at 85 °C. The chip's own error is up to 2 °C below 700 °C. (Not correcting the
straight line would cost 12 °C at 800 °C.)
"""

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

ADS1115_COUNT_UV: Final = np.array([187.5, 125.0, 62.5, 31.25, 15.625, 7.8125, 7.8125, 7.8125])
"""Full scale / 32768 by the configuration's PGA bits: Texas Instruments SBAS444, table 8-3 (from memory).
[µV]"""
# idle; AIN0 against AIN1; ±0.256 V; one shot; 128 a second; no comparator
_ADS1115_CONFIG: Final = 0x8F83 << 16

AD8495_GAIN: Final = 122.4
AD8495_OFFSET_UV: Final = 2600.0
"""Output = gain × emf over 0 °C + offset (Analog Devices AD8494-AD8497, trimmed to 125 mV at 25 °C;
both from memory). Using the nominal 5 mV/°C instead is 15 °C off at 800 °C. [µV, output]"""

_KELVIN_C: Final = 273.15


class Decoded(NamedTuple):
    """What a chip's words say; all arrays have the words' shape."""

    emf_uv: Floats  # above the cold junction, from chips of kind `emf`; NaN otherwise. [µV]
    # the one that `emf_uv` is relative to: the chip's own, or a substitute; NaN if there is none. [°C]
    cold_junction_c: Floats
    temperature_c: Floats  # from chips of kind `hot_junction` and `infrared`; NaN otherwise. [°C]
    # if it isn't OK, `emf_uv` and `temperature_c` are NaN; the cold junction may still be good
    status: Bytes


@dataclass(frozen=True, slots=True)
class Bits:
    """A number in a word, by the position of its lowest bit; two's complement if signed."""

    shift: int
    width: int
    per_unit: float = 1.0  # counts for each °C, kelvin or µV
    signed: bool = True

    def counts(self, words: Ints) -> Ints:
        """Extract it from words."""
        value = (words >> self.shift) & ((1 << self.width) - 1)
        return value - ((value >> (self.width - 1)) << self.width) if self.signed else value

    def word(self, value: float) -> int:
        """Put the nearest number, or the limit, into its position in a word."""
        most = (1 << (self.width - self.signed)) - 1
        least = -most - 1 if self.signed else 0
        return min(max(round(value * self.per_unit), least), most) % (1 << self.width) << self.shift


@dataclass(frozen=True, slots=True)
class Amplifier:
    """A chip that the logger can read."""

    word_bytes: int  # length of its word
    # temperature on a straight line from the cold junction's, converted back here to get the emf; plain emf;
    # hot junction; output of an AD8495; kelvin of a surface
    measures: Literal["line", "emf", "hot", "output", "kelvin"]
    letters: tuple[str, ...]  # thermocouple types it supports; empty for infrared
    value: Bits  # what it measures
    fault_words: dict[Status, int]  # a word for each fault that the chip can report
    flags: tuple[tuple[int, Status], ...] = ()  # bits that are 0 if all is well; later ones take precedence
    believed: tuple[int, int] = (-(1 << 31), 1 << 31)  # lowest and highest plausible counts of `value`
    junction: Bits | None = None  # its cold junction, if that is in the word
    assumed_c: float = math.nan  # cold junction if it isn't known. [°C]
    line_uv_per_c: Mapping[str, float] = field(default_factory=dict)  # of the straight line, by letter
    floating: int = 0  # bits that may be anything
    besides: int = 0  # other bits set in a true word

    @property
    def kind(self) -> Literal["emf", "hot_junction", "infrared"]:
        """Whether it gives an emf, linearises itself, or looks at a surface."""
        if self.measures in ("line", "emf"):
            return "emf"
        return "infrared" if self.measures == "kelvin" else "hot_junction"


def decode_words(
    amp: str, words: Floats | Ints, letter: str = "K", cold_junction_c: Floats | None = None
) -> Decoded:
    """Decode a chip's words.

    Words are whole numbers below 2**(8 * word_bytes), as int64 or float64. The letter must be one of the
    chip's `letters`, else ValueError; `cold_junction_c`, of the words' shape, replaces one that a chip
    doesn't send, NaN where there is none.

    A word of all ones or all zeros is an undriven data line: `Status.CORRUPT`. A chip can send all zeros
    (MAX31855: both junctions at 0.0 °C exactly; MAX6675: 0 °C or below), but a reading lost in frost before
    lighting is a small price for never showing a dead chip as a cool pot.
    """
    chip = amplifier(amp, letter)
    whole = words.astype(np.int64)
    counts = chip.value.counts(whole)
    value = counts / chip.value.per_unit
    cold = np.full(whole.shape, chip.assumed_c)
    if chip.junction is not None:
        cold = chip.junction.counts(whole) / chip.junction.per_unit
    elif chip.kind == "emf" and cold_junction_c is not None:
        cold = np.where(np.isnan(cold_junction_c), cold, cold_junction_c)
    emf = hot = np.full(whole.shape, np.nan)
    good = (counts >= chip.believed[0]) & (counts <= chip.believed[1])
    match chip.measures:
        case "line":
            emf = chip.line_uv_per_c[letter] * (value - cold)
        case "emf":
            emf = counts * ADS1115_COUNT_UV[(whole >> 25) & 7]
        case "kelvin":
            hot = value - _KELVIN_C
        case "hot":
            hot = value
        case "output":
            hot = temperature_of_emf_c(letter, (value - AD8495_OFFSET_UV) / AD8495_GAIN)
    if chip.kind == "hot_junction":
        low_c, high_c = range_c(letter)
        good &= (hot >= low_c) & (hot <= high_c)
    status = np.where(good, np.uint8(Status.OK), np.uint8(Status.RANGE))
    for mask, meaning in chip.flags:
        status[whole & mask != 0] = meaning
    ones = (1 << 8 * chip.word_bytes) - 1
    status[(whole & ~chip.floating == 0) | (whole == ones)] = Status.CORRUPT
    bad = status != Status.OK
    if bad.any():
        emf, hot = np.where(bad, np.nan, emf), np.where(bad, np.nan, hot)
        cold = np.where(status == Status.CORRUPT, np.nan, cold)
    return Decoded(emf, cold, hot, status)


def encode_word(
    amp: str,
    temperature_c: float,
    cold_junction_c: float = 25.0,
    letter: str = "K",
    status: Status = Status.OK,
) -> int:
    """Make the word that a chip would send, for simulated rigs and tests of firmware.

    Beyond the chip's range the word is that of its limit; any status but OK makes the word for that fault.
    `decode_words` returns the temperatures within the chip's resolution. ValueError: as for `amplifier`, or
    the chip can't report that fault, or a temperature is beyond the thermocouple's reference function.
    """
    chip = amplifier(amp, letter)
    if status is not Status.OK:
        if status not in chip.fault_words:
            told = ", ".join(s.name for s in chip.fault_words)
            raise ValueError(f"a {amp} has no word for {status.name}; it has words for {told}")
        return chip.fault_words[status]
    if chip.measures == "kelvin":
        return chip.value.word(temperature_c + _KELVIN_C)
    value, emf = temperature_c, _emf(letter, temperature_c)
    if chip.measures == "line":
        value = cold_junction_c + (emf - _emf(letter, cold_junction_c)) / chip.line_uv_per_c[letter]
    elif chip.measures == "emf":
        value = (emf - _emf(letter, cold_junction_c)) / float(ADS1115_COUNT_UV[(chip.besides >> 25) & 7])
    elif chip.measures == "output":
        value = emf * AD8495_GAIN + AD8495_OFFSET_UV
    junction = chip.junction.word(cold_junction_c) if chip.junction is not None else 0
    return chip.value.word(value) | junction | chip.besides


def amplifier(amp: str, letter: str = "K") -> Amplifier:
    """Look up a chip; ValueError, with the fix, if it is unknown or doesn't support the letter."""
    chip = AMPLIFIERS.get(amp)
    if chip is None:
        unknown = (
            f"no amplifier is called {amp!r}; the logger knows {', '.join(AMPLIFIERS)}. "
            "Send any other as 'uv' with 'cj', or as 'c'"
        )
        raise ValueError(f"a {amp} is no use here: {UNFIT[amp]}" if amp in UNFIT else unknown)
    if chip.letters and letter not in chip.letters:
        raise ValueError(
            f"a {amp} doesn't support thermocouples of type {letter}, only {', '.join(chip.letters)}; "
            "correct 'type' in the plan, or use another amplifier"
        )
    return chip


def _emf(letter: str, temperature_c: float) -> float:
    e = emf_uv(letter, temperature_c)
    if np.isnan(e):
        low_c, high_c = range_c(letter)
        raise ValueError(f"{temperature_c:g} °C is outside type {letter} ({low_c:g} to {high_c:g} °C)")
    return e


_OPEN, _GROUND, _SUPPLY = Status.OPEN, Status.SHORT_GROUND, Status.SHORT_SUPPLY
_RANGE, _CORRUPT = Status.RANGE, Status.CORRUPT

AMPLIFIERS: Final[dict[str, Amplifier]] = {
    # D15 is always 0, D14..D3 the temperature in 0.25 °C, up to the end of its scale; D2 open, D1 device ID,
    # always 0, D0 three-state.
    "max6675": Amplifier(
        2,
        "line",
        ("K",),
        Bits(3, 12, 4, signed=False),
        believed=(0, 0xFFE),
        flags=((0x0004, _OPEN), (0x8002, _CORRUPT)),
        fault_words={_OPEN: 0x0004, _RANGE: 0x7FF8, _CORRUPT: 0xFFFF},
        assumed_c=MAX6675_ASSUMED_JUNCTION_C,
        line_uv_per_c={"K": MAX6675_GAIN_UV_PER_C},
        floating=0x0001,
    ),
    # D31..D18 hot junction on the straight line, 0.25 °C, believed from -270 to 1800 °C; D17 and D3 always 0;
    # D16 fault, which counts if no reason is given; D15..D4 cold junction, 0.0625 °C; D2..D0 the reason.
    "max31855": Amplifier(
        4,
        "line",
        tuple(MAX31855_GAIN_UV_PER_C),
        Bits(18, 14, 4),
        believed=(-270 * 4, 1800 * 4),
        flags=(
            (0x0001_0000, _CORRUPT),
            (0x4, _SUPPLY),
            (0x2, _GROUND),
            (0x1, _OPEN),
            (0x0002_0008, _CORRUPT),
        ),
        fault_words={
            _OPEN: 0x0001_1901,
            _GROUND: 0x0001_1902,
            _SUPPLY: 0x0001_1904,
            _RANGE: 0x7FFC_1900,
            _CORRUPT: 0xFFFF_FFFF,
        },
        junction=Bits(4, 12, 16),
        line_uv_per_c=MAX31855_GAIN_UV_PER_C,
    ),
    # Cold junction: 14 bits of 1/64 °C, the lowest two of its 16 always 0. Hot junction, linearised by the
    # chip for the type that the firmware has set: 19 bits of 1/128 °C and 5 without meaning. Status: CJ
    # range, TC range, four alarms on the user's own limits (not faults), OVUV (or below ground: the chip
    # doesn't say which), OPEN.
    "max31856": Amplifier(
        6,
        "hot",
        LETTERS,
        Bits(13, 19, 128),
        flags=((0xC0, _RANGE), (0x02, _SUPPLY), (0x01, _OPEN), (0x3 << 32, _CORRUPT)),
        fault_words={
            _OPEN: 0x1900_0000_0001,
            _SUPPLY: 0x1900_0000_0002,
            _RANGE: 0x1900_0000_0040,
            _CORRUPT: 0xFFFF_FFFF_FFFF,
        },
        junction=Bits(34, 14, 64),
    ),
    # Both junctions in 1/16 °C; the hot one linearised by the chip for the type that the firmware has set.
    # Status bit 4: emf or T_H beyond the type's range, the only sign of an open thermocouple on this chip.
    # Bit 5 is unimplemented, always 0; bit 6 is normally set: a conversion is complete.
    "mcp9600": Amplifier(
        5,
        "hot",
        LETTERS,
        Bits(24, 16, 16),
        flags=((0x10, _RANGE), (0x20, _CORRUPT)),
        fault_words={_RANGE: 0x00_0001_9050, _CORRUPT: 0xFF_FFFF_FFFF},
        junction=Bits(8, 16, 16),
        besides=0x40,
    ),
    # A plain converter, whose cold junction another channel must supply. It saturates at its ends.
    "ads1115": Amplifier(
        4,
        "emf",
        LETTERS,
        Bits(0, 16),
        believed=(-0x7FFF, 0x7FFE),
        fault_words={_RANGE: _ADS1115_CONFIG | 0x7FFF, _CORRUPT: 0xFFFF_FFFF},
        besides=_ADS1115_CONFIG,
    ),
    # An analogue amplifier with its own cold junction, read by a converter. Its output ends at its supply,
    # and no board's converter reads beyond that.
    "ad8495": Amplifier(
        4,
        "output",
        ("K",),
        Bits(0, 32),
        believed=(-7_000_000, 7_000_000),
        fault_words={_RANGE: 0x7FFF_FFFF, _CORRUPT: 0xFFFF_FFFF},
    ),
    # D15 error flag, D14..D0 the object in 0.02 K.
    "mlx90614": Amplifier(
        2,
        "kelvin",
        (),
        Bits(0, 15, 50, signed=False),
        believed=(0x27AD, 0x7FFE),
        flags=((0x8000, _CORRUPT),),
        fault_words={_RANGE: 0x7FFF, _CORRUPT: 0xFFFF},
    ),
}
"""By the rig's name for it (`amp`)."""

# Like the MCP9600, but bit 5 is a short, to ground or supply, and bit 4 an open thermocouple. Bit 4 also
# flags the input range, so both count as open.
AMPLIFIERS["mcp9601"] = replace(
    AMPLIFIERS["mcp9600"],
    flags=((0x10, _OPEN), (0x20, _GROUND)),
    fault_words={_OPEN: 0x00_0001_9050, _GROUND: 0x01_9001_9060, _CORRUPT: 0xFF_FFFF_FFFF},
)
# All 16 bits are the object in 0.02 K: it stops at 1037.55 °C, and its error flag is elsewhere.
AMPLIFIERS["mlx90616"] = replace(
    AMPLIFIERS["mlx90614"],
    value=Bits(0, 16, 50, signed=False),
    believed=(0x27AD, 0xFFFF),
    flags=(),
    fault_words={_RANGE: 0x0001, _CORRUPT: 0xFFFF},
)

UNFIT: Final = {
    **dict.fromkeys(("mlx90640", "mlx90641"), "its range stops at 300 °C, where a firing only begins"),
    "amg8833": "its range stops at 80 °C (100 °C for the low-gain type)",
    "max31865": "it is for resistance thermometers (Pt100), which don't last in a fire",
}
"""Chips that people ask for, and why they won't do. Ranges from memory."""
