"""The nouns that all rooms share."""

from __future__ import annotations

import enum
import unicodedata
from dataclasses import dataclass
from typing import Annotated, Any, Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bytes = NDArray[np.uint8]

FaultName = Literal["open", "short_ground", "short_supply", "range"]

MAX_CHANNELS = 64
"""Channels in one frame."""

MAX_NAME = 32
"""Characters in the name of a rig or a channel."""

OTHER_DIGITS = {
    code: str(unicodedata.decimal(chr(code))) for code in range(0x660, 0x10000) if chr(code).isdecimal()
} | str.maketrans("．：／，－＋٫", ".:/,-+.")
"""ASCII for the digits of other scripts (Unicode, general category Nd) and wide signs."""

Counter = Annotated[int, msgspec.Meta(ge=0, lt=2**32)]
# Far beyond any sensor: a merely out-of-range reading gets a status, its line isn't malformed.
Number = Annotated[float, msgspec.Meta(ge=-1e9, le=1e9)]
ChipName = Annotated[str, msgspec.Meta(min_length=1, max_length=MAX_NAME)]
Word = Annotated[str, msgspec.Meta(min_length=1, max_length=13)]  # 52 bits: exact in a float64


class Status(enum.IntEnum):
    """How good a reading is. Only `OK` has a temperature; all others are NaN.

    Journals store these numbers: never renumber, only add.
    """

    OK = 0
    OPEN = 1
    """The thermocouple is broken or has come loose."""
    SHORT_GROUND = 2
    SHORT_SUPPLY = 3
    RANGE = 4
    """Beyond the range of the sensor, its amplifier or the thermocouple's reference function."""
    CORRUPT = 5
    """A register word that the chip can't have sent, or the chip's own error flag."""
    NO_COLD_JUNCTION = 6
    """A thermoelectric voltage without a cold junction to add to it."""
    ABSENT = 7
    """The channel was not in this frame."""


FAULTS: dict[FaultName, Status] = {
    "open": Status.OPEN,
    "short_ground": Status.SHORT_GROUND,
    "short_supply": Status.SHORT_SUPPLY,
    "range": Status.RANGE,
}
"""The wire format's words for faults, and their status."""


class Sample(msgspec.Struct, frozen=True, gc=False, omit_defaults=True):
    """One channel's entry in a frame, as the rig sent it.

    Exactly one of `raw` (with `amp`), `uv` (optionally with `cj`) and `c` is given. With `fault` there may be
    none, and `amp` or `cj` may come alone. `wire.decode` lets nothing else through.
    """

    amp: ChipName | None = None  # the chip's name, lower case (`max31855`)
    raw: Word | None = None  # the chip's own register word, in hex, at most 13 digits
    uv: Number | None = None  # thermoelectric voltage. [µV]
    cj: Number | None = None  # cold junction temperature. [°C]
    c: Number | None = None  # a temperature worked out before it reached us. [°C]
    fault: FaultName | None = None  # `open`, `short_ground`, `short_supply` or `range`


class Frame(msgspec.Struct, frozen=True, gc=False):
    """One line of a rig."""

    rig: str
    seq: Counter  # counts frames, wraps at 2**32
    ms: Counter  # the rig's own clock, wraps at 2**32. [ms]
    ch: dict[str, Sample]  # by channel name; 1 to 64 of them


Kind = Literal["word", "emf", "celsius"]


@dataclass(frozen=True, slots=True)
class Channel:
    """How one channel of a rig delivers its readings, and how they were converted."""

    name: str  # the firmware's name for it (`k0`)
    kind: Kind  # 'word' | 'emf' | 'celsius'; a register word, a thermoelectric voltage, or plain °C
    amp: str | None = None  # the chip, if `kind` is `word`
    # thermocouple letter type used for the conversion; None for infrared and plain °C
    letter: str | None = None
    # the channel whose cold junction is used, if this one has none of its own
    cold_junction: str | None = None


@dataclass(frozen=True, slots=True)
class Batch:
    """Frames of one rig with the same channels, raw and converted, as the journal takes them.

    n frames, k channels. A reading that isn't `Status.OK` has NaN as its temperature.
    """

    rig: str
    channels: tuple[Channel, ...]  # length k; columns of the arrays below
    t_us: Ints  # int64 array, shape (n,); time of the sample, UTC, microseconds since 1970. [µs]
    # seq, ms: int64 array, shape (n,); the rig's own counter and clock
    seq: Ints
    ms: Ints
    # float64 array, shape (n, k); the register word (a whole number below 2**53), the emf [µV], or the
    # temperature [°C], by the channel's kind; NaN where the rig sent none
    raw: Floats
    raw_cj: Floats  # float64 array, shape (n, k); the cold junction that came with an emf [°C]; NaN elsewhere
    temperature_c: Floats  # float64 array, shape (n, k); [°C]
    # float64 array, shape (n, k); the cold junction used, from the word, the frame or another channel; NaN
    # if there is none. Not stored: it follows from `raw` and `raw_cj`. [°C]
    cold_junction_c: Floats
    status: Bytes  # uint8 array, shape (n, k); `Status` of each reading

    def rows(self, chosen: slice | NDArray[np.bool_]) -> Batch:
        """Return the chosen frames."""
        return Batch(self.rig, self.channels, *(getattr(self, name)[chosen] for name in _BY_FRAME))


# The fields with a value for each frame, in order.
_BY_FRAME = ("t_us", "seq", "ms", "raw", "raw_cj", "temperature_c", "cold_junction_c", "status")


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened or was done in a firing."""

    t_us: int  # UTC. [µs]
    kind: str  # `note`, `spot`, `alarm`, `stage`, `gap`, `rig`, `clock`, `fault`, `retract` or `system`
    data: dict[str, Any]
    who: str = ""  # empty for the program itself
    # its number in the journal, increasing over all firings; 0 until it is stored
    id: int = 0
