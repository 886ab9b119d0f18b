"""A chip's register word to what it measured, and back.

A word is the chip's own register, most significant bit first, as the rig sends it in hex:

=========  =====  =======================================================================================
chip       bytes  word
=========  =====  =======================================================================================
max6675    2      the 16 bits of one read
max31855   4      the 32 bits of one read
max31856   6      registers 0Ah to 0Fh in one read: CJTH, CJTL, LTCBH, LTCBM, LTCBL, SR
mcp9600    5      hot junction T_H (2 bytes), cold junction T_C (2 bytes), STATUS (1 byte)
mcp9601    5      the same; STATUS tells an open and a shorted couple, too
ads1115    4      configuration register (2 bytes), conversion register (2 bytes)
ad8495     4      no register: its output above its reference, in whole µV, two's complement
mlx90614   2      RAM address 07h (T_OBJ1), high byte first (the chip itself sends the low byte first)
mlx90616   2      the same
=========  =====  =======================================================================================

To add a chip: a decoder and an encoder in `chips`, one entry in `AMPLIFIERS`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from logger.conversion import chips
from logger.conversion.chips import Decoded
from logger.physics.thermocouple import LETTERS
from logger.reading import Floats, Ints, Status

__all__ = ["AMPLIFIERS", "UNFIT", "Amplifier", "Decoded", "amplifier", "decode_words", "encode_word"]


@dataclass(frozen=True, slots=True)
class Amplifier:
    """A chip that the logger can read."""

    word_bytes: int  # length of its word
    # whether it assumes a straight line, which is undone here to get the emf; linearises by itself; or looks
    # at a surface
    kind: Literal["emf", "hot_junction", "infrared"]
    letters: tuple[str, ...]  # thermocouple types it serves; empty for infrared
    sends_cold_junction: bool  # whether its word has the cold junction in it
    # (words, letter, cold junction or None) -> Decoded; `decode_words` does the rest
    decode: Callable[[Ints, str, Floats | None], Decoded]
    encode: Callable[[float, float, str], int]  # (hot junction or surface, cold junction, letter) -> word
    fault_words: dict[Status, int]  # a word for each fault that the chip can tell


def decode_words(
    amp: str, words: Floats | Ints, letter: str = "K", cold_junction_c: Floats | None = None
) -> Decoded:
    """Say what a chip's words mean.

    Words are whole numbers below 2**(8 * word_bytes), as int64 or float64. The letter must be one of the
    chip's `letters`, else ValueError; `cold_junction_c`, of the words' shape, stands in for one that a chip
    doesn't send, NaN where there is none.

    A word of nothing but ones or nothing but zeros is a data line that nobody drives: `Status.CORRUPT`. A
    chip can send all zeros (MAX31855: both junctions at 0.0 °C exactly; MAX6675: 0 °C or below), but a
    reading lost in frost before lighting is a small price for never showing a dead chip as a cool pot.
    """
    chip = amplifier(amp, letter)
    whole = words.astype(np.int64)
    decoded = chip.decode(whole, letter, cold_junction_c)
    dead = (whole == 0) | (whole == (1 << 8 * chip.word_bytes) - 1)
    if dead.any():
        decoded.status[dead] = Status.CORRUPT
    bad = decoded.status != Status.OK
    if bad.any():
        decoded.emf_uv[bad] = np.nan
        decoded.temperature_c[bad] = np.nan
        decoded.cold_junction_c[decoded.status == Status.CORRUPT] = np.nan
    return decoded


def encode_word(
    amp: str,
    temperature_c: float,
    cold_junction_c: float = 25.0,
    letter: str = "K",
    status: Status = Status.OK,
) -> int:
    """Make the word that a chip would send: what simulated rigs and tests of firmware need.

    Beyond the chip's range it is that of its limit; any status but OK makes the word for that fault.
    `decode_words` gives the temperatures back within the chip's resolution. ValueError: as of `amplifier`, or
    it can't tell that fault, or a temperature is beyond the thermocouple's reference function.
    """
    chip = amplifier(amp, letter)
    if status is Status.OK:
        return chip.encode(temperature_c, cold_junction_c, letter)
    if status not in chip.fault_words:
        told = ", ".join(s.name for s in chip.fault_words)
        raise ValueError(f"a {amp} has no word for {status.name}; it has words for {told}")
    return chip.fault_words[status]


def amplifier(amp: str, letter: str = "K") -> Amplifier:
    """Look up a chip; ValueError, with the fix, where it is unknown or doesn't serve the letter."""
    chip = AMPLIFIERS.get(amp)
    if chip is None:
        if (why := UNFIT.get(amp)) is not None:
            raise ValueError(f"a {amp} is of no use here: {why}")
        raise ValueError(
            f"no amplifier is called {amp!r}; the logger knows {', '.join(AMPLIFIERS)}, "
            "and any other as 'uv' with 'cj', or as 'c'"
        )
    if chip.letters and letter not in chip.letters:
        raise ValueError(
            f"a {amp} does not serve thermocouples of type {letter}, only {', '.join(chip.letters)}; "
            "correct 'type' in the plan, or use another amplifier"
        )
    return chip


AMPLIFIERS: Final[dict[str, Amplifier]] = {
    "max6675": Amplifier(
        2,
        "emf",
        ("K",),
        sends_cold_junction=False,
        decode=chips.decode_max6675,
        encode=chips.encode_max6675,
        fault_words={Status.OPEN: 0x0004, Status.RANGE: 0x7FF8, Status.CORRUPT: 0xFFFF},
    ),
    "max31855": Amplifier(
        4,
        "emf",
        tuple(chips.MAX31855_GAIN_UV_PER_C),
        sends_cold_junction=True,
        decode=chips.decode_max31855,
        encode=chips.encode_max31855,
        fault_words={
            Status.OPEN: 0x0001_1901,
            Status.SHORT_GROUND: 0x0001_1902,
            Status.SHORT_SUPPLY: 0x0001_1904,
            Status.RANGE: 0x7FFC_1900,
            Status.CORRUPT: 0xFFFF_FFFF,
        },
    ),
    "max31856": Amplifier(
        6,
        "hot_junction",
        LETTERS,
        sends_cold_junction=True,
        decode=chips.decode_max31856,
        encode=chips.encode_max31856,
        fault_words={
            Status.OPEN: 0x1900_0000_0001,
            Status.SHORT_SUPPLY: 0x1900_0000_0002,
            Status.RANGE: 0x1900_0000_0040,
            Status.CORRUPT: 0xFFFF_FFFF_FFFF,
        },
    ),
    "mcp9600": Amplifier(
        5,
        "hot_junction",
        LETTERS,
        sends_cold_junction=True,
        decode=chips.decode_mcp9600,
        encode=chips.encode_mcp9600,
        fault_words={Status.RANGE: 0x00_0001_9050, Status.CORRUPT: 0xFF_FFFF_FFFF},
    ),
    "mcp9601": Amplifier(
        5,
        "hot_junction",
        LETTERS,
        sends_cold_junction=True,
        decode=chips.decode_mcp9601,
        encode=chips.encode_mcp9600,
        fault_words={
            Status.OPEN: 0x00_0001_9050,
            Status.SHORT_GROUND: 0x01_9001_9060,
            Status.CORRUPT: 0xFF_FFFF_FFFF,
        },
    ),
    "ads1115": Amplifier(
        4,
        "emf",
        LETTERS,
        sends_cold_junction=False,
        decode=chips.decode_ads1115,
        encode=chips.encode_ads1115,
        fault_words={Status.RANGE: chips.ADS1115_CONFIG << 16 | 0x7FFF, Status.CORRUPT: 0xFFFF_FFFF},
    ),
    "ad8495": Amplifier(
        4,
        "hot_junction",
        ("K",),
        sends_cold_junction=False,
        decode=chips.decode_ad8495,
        encode=chips.encode_ad8495,
        fault_words={Status.RANGE: 0x7FFF_FFFF, Status.CORRUPT: 0xFFFF_FFFF},
    ),
    "mlx90614": Amplifier(
        2,
        "infrared",
        (),
        sends_cold_junction=False,
        decode=chips.decode_mlx90614,
        encode=chips.encode_mlx90614,
        fault_words={Status.RANGE: 0x7FFF, Status.CORRUPT: 0xFFFF},
    ),
    "mlx90616": Amplifier(
        2,
        "infrared",
        (),
        sends_cold_junction=False,
        decode=chips.decode_mlx90616,
        encode=chips.encode_mlx90616,
        fault_words={Status.RANGE: 0x0001, Status.CORRUPT: 0xFFFF},
    ),
}
"""By the name the rig gives (`amp`)."""

UNFIT: Final = {
    "mlx90640": "its picture ends at 300 °C, and a firing begins there",
    "mlx90641": "its picture ends at 300 °C, and a firing begins there",
    "amg8833": "its picture ends at 80 °C (100 °C for the low-gain type)",
    "max31865": "it is for resistance thermometers (Pt100), which don't last in a fire",
}
"""Chips that people ask for, and why they don't do. Ranges from memory."""
